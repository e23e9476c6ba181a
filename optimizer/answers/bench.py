"""The bench through the door: laying a batch, weighing it, its card, what it became, how it goes on without a material.

Command line and desk call these; each writes through the same functions into the same file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import fsum
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomli

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.answers.following import after_bench
from optimizer.answers.subject import Subject, subject_of
from optimizer.assessment.alarms import foremost
from optimizer.assessment.thickening import unfit_thickeners
from optimizer.bench.amount import portion_of
from optimizer.bench.batch import Batch, append, batch_from, change_batch
from optimizer.bench.card import Card, formula_card
from optimizer.bench.made import last_ph, made_formula, water_of, went_in
from optimizer.bench.plan import BatchHead, BatchSize, batch_size, batch_text, brief_reference, formula_table, hold_back
from optimizer.bench.reconcile import Made, reconcile
from optimizer.bench.refill import refuse_evaporation
from optimizer.bench.rescue import NewPlan, change_plan
from optimizer.bench.stage import Stage, stage_of, unfinished, waits_for_ph
from optimizer.bench.strike import Strike, strike
from optimizer.bench.weigh import WeighSheet, weigh_sheet
from optimizer.bench.weighed import (
    Weight,
    check_bottles,
    check_finish,
    checked,
    entry,
    note_finish,
    refuse_stale,
    with_actives,
)
from optimizer.brief.brief import Brief
from optimizer.brief.defaults import BenchDefaults, bench_defaults
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.data.names import material_of
from optimizer.data.pool import Ingredient
from optimizer.data.purchase import short_of
from optimizer.errors import DataError, UsageError, fault
from optimizer.files import refuse_existing, write_atomic
from optimizer.immutable import immutable, replace
from optimizer.report.made import Laid, Weighed
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.units import number as figure

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

    from optimizer.studies.substituted import Substituted, SwapWish


def batch_subject(
    path: Path,
    shelf: Path | None = None,
    libraries: list[Path] | None = None,
    changes: Iterable[tuple[str, str]] = (),
) -> Subject:
    """Return a batch file's subject.

    Raises:
        DataError: If the file is no batch file.
    """
    found = None
    if path.suffix == ".toml":
        found = subject_of(str(path), changes=changes, shelf=shelf, libraries=libraries)
    if found is None or found.batch is None:
        step = "Lay one with 'tenside batch SUBJECT --size 5kg --out batch.toml'."
        raise fault(str(path), "", "this is no batch file.", step)
    return found


def batch_of(found: Subject) -> Batch:
    """Return the batch of a subject that is one."""
    assert found.batch is not None
    return found.batch


def lay_batch(
    found: Subject,
    out: Path,
    *,
    size: str = "",
    bottles: int | None = None,
    bottle_ml: float | None = None,
    density: float | None = None,
    loss: float | None = None,
    scale: float | None = None,
    held: float | None = None,
    number: str = "",
    master: str = "",
    on: str = "",
) -> Laid:
    """Write the batch file of a subject's formula, and tell what was laid; defaults come from `bench.toml`.

    Args:
        found: The subject.
        out: The file; it must not exist, and its name must end in .toml.
        size: How much, such as '5kg', '3 L' or '20 bottles'; else the brief's `batch_kg`, else the bench's.
        bottles: Bottles to fill, instead of a size.
        bottle_ml: Nominal content of a bottle [ml].
        density: Measured density [g/ml]; never assumed.
        loss: Part that does not reach the bottles [%].
        scale: Step of the scale [g]; else 1.
        held: Water to hold back [% of the batch]; else the brief's.
        number: Batch number; else the file's name.
        master: Name and version of the master formula.
        on: Day; else today.

    Raises:
        UsageError: If the name or the size cannot be.
        DataError: If the file exists or cannot be written.
    """
    if out.suffix.lower() != ".toml":
        raise UsageError(f"--out {out.name}: a batch file's name ends in .toml.")
    refuse_existing(out)
    bench, of_brief = bench_defaults(found.scenario), found.brief.scenario.batch_kg
    sized = of_brief is not None and not size and bottles is None
    size = f"{of_brief:.9g}kg" if sized else size
    amount, step, taken = StatedSize(size, bottles, bottle_ml, density, loss, scale).amount(bench)
    formula = found.formula if held is None else hold_back(found.formula, held)
    head = BatchHead(
        number or out.stem,
        found.batch.product if found.batch else found.brief.scenario.name,
        brief_reference(found.scenario, out),
        day_of(on),
        master or (found.batch.master if found.batch else ""),
    )
    text = batch_text(formula, found.setting, amount, head, step)
    told = (*bench.told(*taken), *([f"size: {size}, the batch_kg of the brief"] if sized else []))
    batch = batch_from(tomli.loads(text), str(out))
    laid = Laid(
        path=str(out), batch=batch, words=amount.words, notes=(*found.notes, *told),
        short=tuple(_short(found.brief, formula, batch.size_g)), thickens=bool(found.formula.thickeners),
    )  # fmt: skip
    write_atomic(out, text)
    return laid


def _short(brief: Brief, formula: Formula, size_g: float) -> Iterator[str]:
    """Yield, in sentences, of what the shelf holds less than a batch needs."""
    needed = {line.item.id: line.percent * size_g / 1e5 for line in formula.lines}
    items = {line.item.id: line.item for line in formula.lines}
    for name, kg, there in short_of(brief.shelf.lines if brief.shelf else (), items, needed):
        yield f"{figure(kg, 3)} kg {name} is needed; {figure(there, 3)} kg is on the shelf."


@immutable
class StatedSize:
    """How much is made and on which scale, as it is stated; None where nothing is."""

    size: str
    bottles: int | None
    bottle_ml: float | None
    density: float | None
    loss: float | None
    scale: float | None

    def amount(self, bench: BenchDefaults) -> tuple[BatchSize, float, list[str]]:
        """Return how much that is, the step of the scale [g], and which of the bench's defaults were taken."""
        stated = {"scale_g": self.scale, "loss_percent": self.loss, "density_g_per_ml": self.density}
        taken = [name for name, value in stated.items() if value is None]
        step = next(v for v in (self.scale, bench.scale_g, 1.0) if v is not None)
        size, bottle_ml = self.size, self.bottle_ml
        if not size and self.bottles is None:
            size, taken = bench.size, [*taken, "size"]
        by_bottle = self.bottles is not None or "bottle" in size or bench.density_g_per_ml or self.density
        if bottle_ml is None and by_bottle:
            bottle_ml, taken = bench.bottle_ml, [*taken, "bottle_ml"]
        found = batch_size(
            size,
            bottles=self.bottles,
            bottle_ml=bottle_ml,
            density=bench.density_g_per_ml if self.density is None else self.density,
            loss_percent=next(v for v in (self.loss, bench.loss_percent, 0.0) if v is not None),
            step_g=step,
        )
        return found, step, taken


def sheet_of(found: Subject, *, predilute: bool = False) -> WeighSheet:
    """Return the weigh sheet of a batch."""
    batch = batch_of(found)
    later = [item.material for item in found.brief.pool.later]
    return weigh_sheet(
        batch,
        found.brief.library,
        later if batch.held_back_percent else (),
        predilute=predilute,
        alarms=alarms_now(found),
        lots=lots_of(found),
        unfit=unfit_of(found),
    )


def alarms_now(found: Subject) -> tuple[Caution, ...]:
    """Return what is said before anything else of a subject, of a batch as it is by now.

    Until the finished batch is weighed it counts as filled up with water to its planned size; what is not weighed in
    yet counts as planned.
    """
    batch, known = found.batch, found.brief.library.by_id
    planned = foremost(found.brief, found.formula, found.setting)
    if batch is None or not batch.begun:
        return planned
    try:
        grams = dict(went_in(batch, known).grams)
    except DataError:
        return planned  # whoever asks what was made is told why that is not known
    if batch.finish.mass_g is None:
        water = water_of(known)
        grams[water] = grams.get(water, 0.0) + max(0.0, batch.size_g - fsum(grams.values()))
    percent = {name: 100 * g / fsum(grams.values()) for name, g in grams.items() if g > 0}
    ph = last_ph(batch)
    at = found.setting if ph is None else Setting(ph, ph, ph)
    return foremost(found.brief, formula_at(replace(found.brief.pool, held_back=0.0), percent), at)


def after_ph(found: Subject) -> tuple[str, ...]:
    """Return the lines of a batch that wait until its pH is set; nothing once it is, so that no sheet is laid."""
    return sheet_of(found).after_ph if waits_for_ph(batch_of(found)) else ()


def stage_now(found: Subject) -> Stage:
    """Return the next step of a batch; what waits for the pH comes after it."""
    return stage_of(batch_of(found), after_ph(found))


def still_to_come(found: Subject) -> tuple[Caution, ...]:
    """Return that a batch which was begun is not finished, and what is next; nothing of every other subject."""
    batch = found.batch
    stage = unfinished(batch, after_ph(found)) if batch else None
    if batch is None or stage is None:
        return ()
    said = "What is still to go in or to be read, acid, thickener and water among it, changes what stands here."
    if batch.ph_target is not None and last_ph(batch) is None:
        said += " Nobody has read its pH: whether its preservatives act, and how it is to skin and eyes, is not known."
    return (Caution(f"NOT FINISHED. {stage.words} {said}", loud=True),)


def unfit_of(found: Subject) -> dict[str, str]:
    """Return which thickeners held ready are no way to thicken a subject, by id, and why."""
    return unfit_thickeners(found.formula, found.setting, found.brief)


def lots_of(found: Subject) -> dict[str, Ingredient]:
    """Return what the maker has of the materials of a subject, by id; of those weighed, the lot that was."""
    return {line.item.id: line.item for line in found.formula.lines}


def note_weights(
    found: Subject,
    weights: Iterable[Weight] = (),
    *,
    actives: Iterable[str] = (),
    finish: Mapping[str, float] | None = None,
    wrong: Strike | None = None,
    sure: bool = False,
    on: str = "",
    seen: str | None = None,
) -> tuple[Batch, set[str]]:
    """Note weights and the end of a batch in its file, or strike a weight; return the batch and what was weighed.

    Args:
        found: The batch.
        weights: As typed; materials by id, name, everyday word or number of the weigh sheet.
        actives: Measured active matter of the lots, MATERIAL=PERCENT; else the shelf's.
        finish: Fields of the end of the batch, such as mass_g, also content of a bottle and density.
        wrong: A weight to strike before the others are noted.
        sure: Whether more than was planned is meant so.
        on: Day; else today.
        seen: The end of the batch as it was looked at (`Finish.figures`); if it is another one now, that is refused.

    Raises:
        DataError: If something cannot be noted; then nothing is.
    """
    path, known = found.batch_path, found.brief.library.by_id
    assert path is not None
    lines = found.brief.shelf.lines if found.brief.shelf else ()
    lots = {(ln.material, ln.lot): ln.lot_active for ln in lines if ln.lot and ln.lot_active is not None}
    named, finish, day = TypedNames(found), dict(finish or {}), day_of(on)
    typed = with_actives([named(w) for w in weights], [named.active(a) for a in actives], lots)

    def change(document: TOMLDocument, now: Batch) -> None:
        if wrong is not None:
            strike(document, now, "weighed", wrong)
            now = batch_from(document.unwrap(), str(path), known.values())
        if seen is not None:
            refuse_stale(str(path), now, seen)
        if now.put_away:
            step = "Take it up again first, or take out put_away in its file."
            raise fault(str(path), "put_away", f"this batch was put away ({now.put_away}).", step)
        check_finish(str(path), now, finish.get("mass_g"), sure=sure)
        for weight in checked(str(path), now, typed, known, sure=sure):
            append(document, "weighed", entry(weight, day))
        if finish:
            note_finish(document, finish, day)
            ended = batch_from(document.unwrap(), str(path), known.values())
            check_bottles(ended, sure=sure)
            if finish.get("mass_g") is not None and not sure:
                refuse_evaporation(ended, known)

    return change_batch(path, change, known.values()), {w.material for w in typed}


def put_away(path: Path, why: str, on: str) -> Batch:
    """Write into a batch file that it is not made, and why; its file and number stay.

    Raises:
        DataError: If something went into it already.
    """

    def change(document: TOMLDocument, now: Batch) -> None:
        if now.begun:
            raise fault(str(path), "put_away", "something went into this batch already.", "Strike what is wrong.")
        document["put_away"], document["put_away_on"] = why, day_of(on)

    return change_batch(path, change)


def take_up_again(path: Path) -> Batch:
    """Take out of a batch file that it was put away."""

    def change(document: TOMLDocument, _: Batch) -> None:
        for key in ("put_away", "put_away_on"):
            document.pop(key, None)

    return change_batch(path, change)


def note_as_typed(found: Subject, weights: Iterable[Weight], **how: Any) -> Answer[Weighed]:
    """Note weights and the end of a batch as `note_weights` does, and tell what is noted."""
    after, now = note_weights(found, weights, **how)
    path, names = str(found.batch_path), {n: m.name for n, m in found.brief.library.by_id.items()}
    found = replace(found, batch=after)
    first = still_to_come(found) if how.get("finish") else ()
    told = Weighed(path=path, batch=after)
    answer = Answer("weighed", told, 0, path=path, batch=after, names=names, now=now, first=first)
    answer.following = after_bench(stage_now(found), after, path)
    return answer


class TypedNames:
    """Materials as they are typed at the bench: an id, a name, an everyday word, or the number of the weigh sheet."""

    def __init__(self, found: Subject) -> None:
        self._found = found

    def __call__(self, weight: Weight) -> Weight:
        """Return a weight with the id of its material."""
        return replace(weight, material=self.id_of(weight.material))

    def active(self, text: str) -> str:
        """Return MATERIAL=PERCENT with the id of the material."""
        name, sign, rest = text.partition("=")
        return f"{self.id_of(name.strip())}{sign}{rest}"

    def id_of(self, text: str) -> str:
        """Return the id; an unknown word is returned as it is, so that all problems are told at once."""
        if text.isdigit():
            return self._by_number(int(text))
        return material_of(text, self._found.brief.library.materials, unknown=True)

    def _by_number(self, number: int) -> str:
        ids = {line.number: line.material.id for line in sheet_of(self._found).lines}
        if number not in ids:
            raise UsageError(f"{number}=...: the weigh sheet has the lines 1 to {len(ids)}.")
        return ids[number]


def card_of(found: Subject, *, planned: bool = False, master: str = "", on: str = "") -> Card:
    """Return the card of a subject: of a batch that was begun as made, of everything else as planned."""
    library, made = found.brief.library, found.batch
    if made is not None and not planned and made.begun:
        percent, ph = made_formula(made, library.by_id), last_ph(made)
        return formula_card(
            made.product or found.name,
            percent,
            library,
            found.setting,
            state="as made",
            batch=made.batch,
            master=master or made.master,
            day=on or made.finish.on or made.planned_on,
            ph_read=ph,
            alarms=(*still_to_come(found), *alarms_now(found)),
            lots=lots_of(found),
        )
    held = found.formula.held_back
    return formula_card(
        (made.product or found.name) if made else found.name,
        found.formula.doses,
        library,
        found.setting,
        held_back=held,
        later=[i.material for i in found.formula.later] if held else (),
        batch=made.batch if made else "",
        master=master or (made.master if made else ""),
        day=on or (made.planned_on if made else "") or day_of(""),
        alarms=foremost(found.brief, found.formula, found.setting),
        lots=lots_of(found),
        unfit=unfit_of(found),
    )


def made_of(found: Subject) -> Made:
    """Return what a batch really became, held against plan and brief."""
    made = reconcile(found.brief, batch_of(found), found.formula, found.setting)
    return replace(made, to_come=still_to_come(found))


def write_master(path: Path, done: Made) -> None:
    """Write the next master formula of a batch as a table.

    Raises:
        DataError: If the file exists or cannot be written.
    """
    write_atomic(path, formula_table(done.master.formula))


def go_on_without(material: str, found: Subject, left: str, wish: SwapWish) -> Answer[Substituted]:
    """Return how a batch goes on without a material: what is in stays in.

    Args:
        material: What has run out, as it is typed.
        found: The batch.
        left: What is left of it besides what is in, such as '50 g' or '1.5 %' of the batch.
        wish: What else is asked.
    """
    from optimizer.answers import questions

    batch = batch_of(found)
    value, unit = portion_of("--left", left)
    if not unit:
        raise UsageError(f"--left '{left}': write '50 g', or '1.5 %' of the batch.")
    grams = value if unit == "g" else value * batch.size_g / 100
    material = material_of(material, found.brief.library.materials)
    return questions.rescue(material, found.brief, batch, left_g=grams, wish=wish)


def change_plan_without(
    material: str, found: Subject, left: str, wish: SwapWish, *, on: str = "", noted: int | None = None
) -> Answer[Substituted]:
    """Make of how a batch goes on without a material the plan in its file; see `go_on_without`.

    Args:
        material: What has run out, as it is typed.
        found: The batch.
        left: What is left of it besides what is in.
        wish: What else is asked.
        on: Day; else today.
        noted: How many weights were noted when that was looked at; if there are others now, it is refused.

    Raises:
        DataError: If there is no way to go on, nothing to change, or the batch went on meanwhile; then nothing is
            written.
    """
    batch, path = batch_of(found), found.batch_path
    assert path is not None
    answer = go_on_without(material, found, left, wish)
    told = answer.found
    if told.answer is None or told.now is None or not told.answer.changed:
        raise fault(str(path), "line", "there is no other plan for it.", "The plan stays as it is.")
    why = f"{told.missing.material.name} has run out"
    new = NewPlan(told.answer.formula, told.now.size_g, told.answer.setting if told.ph_moved else None, why, day_of(on))

    def change(document: TOMLDocument, now: Batch) -> None:
        if now.all_weighed != batch.all_weighed or noted not in (None, len(now.all_weighed)):
            step = "Look at what is told now."
            raise fault(str(path), "weighed", "another weight was noted or struck in the meantime.", step)
        change_plan(document, now, new)

    change_batch(path, change, found.brief.library.materials)
    return answer

"""The bench through the door: laying a batch, weighing it, its card, what it became, how it goes on without a material.

Command line and desk call these; each writes through the same functions into the same file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.answers.days import day_of
from optimizer.answers.subject import Subject, subject_of
from optimizer.errors import UsageError, fault
from optimizer.immutable import replace

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

    from optimizer.answers.answer import Answer
    from optimizer.bench.batch import Batch
    from optimizer.bench.card import Card
    from optimizer.bench.reconcile import Made
    from optimizer.bench.strike import Strike
    from optimizer.bench.weigh import WeighSheet
    from optimizer.bench.weighed import Weight
    from optimizer.data.cautions import Caution
    from optimizer.data.formula import Formula
    from optimizer.data.pool import Ingredient
    from optimizer.report.made import Laid
    from optimizer.rules.row import Setting
    from optimizer.studies.substitute import Substituted, Wish


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


def foremost_at(found: Subject, formula: Formula, setting: Setting) -> tuple[Caution, ...]:
    """Return what any paper about a subject's formula says."""
    from optimizer.assessment.alarms import foremost

    return foremost(found.brief, formula, setting)


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
        size: How much, such as '5kg', '3 L' or '20 bottles'.
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
    import tomli

    from optimizer.bench.batch import batch_from
    from optimizer.bench.plan import batch_size, batch_text, brief_reference, hold_back
    from optimizer.brief.defaults import bench_defaults
    from optimizer.files import refuse_existing, write_atomic
    from optimizer.report.made import Laid

    if out.suffix.lower() != ".toml":
        raise UsageError(f"--out {out.name}: a batch file's name ends in .toml.")
    refuse_existing(out)
    bench = bench_defaults(found.scenario)
    stated = {"scale_g": scale, "loss_percent": loss, "density_g_per_ml": density}
    taken = [name for name, value in stated.items() if value is None]
    step = next(v for v in (scale, bench.scale_g, 1.0) if v is not None)
    if not size and bottles is None:
        size, taken = bench.size, [*taken, "size"]
    if bottle_ml is None and (bottles is not None or "bottle" in size or bench.density_g_per_ml or density):
        bottle_ml, taken = bench.bottle_ml, [*taken, "bottle_ml"]
    amount = batch_size(
        size,
        bottles=bottles,
        bottle_ml=bottle_ml,
        density=bench.density_g_per_ml if density is None else density,
        loss_percent=next(v for v in (loss, bench.loss_percent, 0.0) if v is not None),
        step_g=step,
    )
    formula = found.formula if held is None else hold_back(found.formula, held)
    text = batch_text(
        formula,
        found.setting,
        amount,
        brief=brief_reference(found.scenario, out),
        batch=number or out.stem,
        product=found.batch.product if found.batch else found.brief.scenario.name,
        planned_on=day_of(on),
        scale_step_g=step,
        master=master or (found.batch.master if found.batch else ""),
    )
    told = tuple(bench.told(*taken))
    laid = Laid(
        path=str(out), batch=batch_from(tomli.loads(text), str(out)), words=amount.words, notes=(*found.notes, *told)
    )
    write_atomic(out, text)
    return laid


def sheet_of(found: Subject, *, predilute: bool = False) -> WeighSheet:
    """Return the weigh sheet of a batch."""
    from optimizer.bench.weigh import weigh_sheet

    batch = batch_of(found)
    later = [item.material for item in found.brief.pool.later]
    return weigh_sheet(
        batch,
        found.brief.library,
        later if batch.held_back_percent else (),
        predilute=predilute,
        alarms=foremost_at(found, found.formula, found.setting),
        lots=lots_of(found),
    )


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
) -> tuple[Batch, set[str]]:
    """Note weights and the end of a batch in its file, or strike a weight; return the batch and what was weighed.

    Args:
        found: The batch.
        weights: As typed; materials by id, name, everyday word or number of the weigh sheet.
        actives: Measured active matter of the lots, MATERIAL=PERCENT; else the shelf's.
        finish: Fields of the end of the batch, such as mass_g.
        wrong: A weight to strike before the others are noted.
        sure: Whether more than was planned is meant so.
        on: Day; else today.

    Raises:
        DataError: If something cannot be noted; then nothing is.
    """
    from optimizer.bench.batch import append, batch_from, change_batch
    from optimizer.bench.refill import refuse_evaporation
    from optimizer.bench.strike import strike
    from optimizer.bench.weighed import check_finish, checked, entry, with_actives

    path, known = found.batch_path, found.brief.library.by_id
    assert path is not None
    lines = found.brief.shelf.lines if found.brief.shelf else ()
    lots = {(ln.material, ln.lot): ln.lot_active for ln in lines if ln.lot and ln.lot_active is not None}
    named, finish, day = Named(found), dict(finish or {}), day_of(on)
    typed = with_actives([named(w) for w in weights], [named.active(a) for a in actives], lots)

    def change(document: TOMLDocument, now: Batch) -> None:
        import tomlkit

        if wrong is not None:
            strike(document, now, "weighed", wrong)
            now = batch_from(document.unwrap(), str(path), known.values())
        check_finish(str(path), now, finish.get("mass_g"), sure=sure)
        for weight in checked(str(path), now, typed, known, sure=sure):
            append(document, "weighed", entry(weight, day))
        if finish:
            if "finish" not in document:
                document.add("finish", tomlkit.table())
            for key, value in {**finish, "on": day}.items():
                document["finish"][key] = value
        if finish.get("mass_g") is not None and not sure:
            refuse_evaporation(batch_from(document.unwrap(), str(path), known.values()), known)

    return change_batch(path, change, known.values()), {w.material for w in typed}


class Named:
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
        from optimizer.data.names import material_of

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
    from optimizer.bench.card import formula_card
    from optimizer.bench.made import last_ph, made_formula
    from optimizer.rules.row import Setting
    from optimizer.solve.existing import formula_at

    library, made = found.brief.library, found.batch
    if made is not None and not planned and made.begun:
        percent, ph = made_formula(made, library.by_id), last_ph(made)
        at = found.setting if ph is None else Setting(ph, ph, ph)
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
            alarms=foremost_at(found, formula_at(replace(found.brief.pool, held_back=0.0), percent), at),
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
        alarms=foremost_at(found, found.formula, found.setting),
        lots=lots_of(found),
    )


def made_of(found: Subject) -> Made:
    """Return what a batch really became, held against plan and brief."""
    from optimizer.bench.reconcile import reconcile

    return reconcile(found.brief, batch_of(found), found.formula, found.setting)


def go_on_without(material: str, found: Subject, left: str, wish: Wish) -> Answer[Substituted]:
    """Return how a batch goes on without a material: what is in stays in.

    Args:
        material: What has run out, as it is typed.
        found: The batch.
        left: What is left of it besides what is in, such as '50 g' or '1.5 %' of the batch.
        wish: What else is asked.
    """
    from optimizer.answers import questions
    from optimizer.bench.amount import portion_of
    from optimizer.data.names import material_of

    batch = batch_of(found)
    value, unit = portion_of("--left", left)
    if not unit:
        raise UsageError(f"--left '{left}': write '50 g', or '1.5 %' of the batch.")
    grams = value if unit == "g" else value * batch.size_g / 100
    brief = replace(found.brief, pool=replace(found.brief.pool, held_back=batch.held_back_percent))
    material = material_of(material, brief.library.materials)
    return questions.rescue(material, brief, batch, batch.doses, left_g=grams, wish=wish)

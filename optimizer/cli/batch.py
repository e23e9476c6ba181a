"""`tenside batch | weigh | weighed | card`: from a formula to a weighed batch."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.answers.days import day_of
from optimizer.cli.common import (
    BENCH,
    For,
    Html,
    Json,
    Libraries,
    Markdown,
    On,
    Pdf,
    Rest,
    ShelfFile,
    Strikes,
    SubjectName,
    Why,
    app,
    first,
    print_json,
    quiet_solvers,
    save,
    show,
)
from optimizer.errors import UsageError, fault

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

    from optimizer.answers.subject import Subject
    from optimizer.bench.batch import Batch
    from optimizer.bench.card import Card
    from optimizer.bench.weighed import Weight
    from optimizer.data.cautions import Caution
    from optimizer.data.formula import Formula
    from optimizer.rules.row import Setting

BatchFile = Annotated[Path, typer.Argument(help="A batch file, see 'tenside batch'.")]


@app.command(rich_help_panel=BENCH)
def batch(
    subject: SubjectName,
    out: Annotated[Path, typer.Option(help="The batch file to write (.toml); it must not exist.")],
    size: Annotated[str, typer.Option(help="How much, such as 5kg, '3 L' or '20 bottles'.")] = "",
    bottles: Annotated[int | None, typer.Option(help="Bottles to fill, instead of --size.", min=1)] = None,
    bottle: Annotated[float | None, typer.Option(help="Nominal content of a bottle, ml.", min=0.1)] = None,
    density: Annotated[
        float | None, typer.Option(help="Measured density, g per ml; never assumed.", min=0.8, max=1.4)
    ] = None,
    loss: Annotated[float | None, typer.Option(help="Part that does not reach the bottles, %.", min=0, max=90)] = None,
    scale: Annotated[float | None, typer.Option(help="Step of the scale, g; else 1.", min=1e-6)] = None,
    held: Annotated[
        float | None, typer.Option(help="Water to hold back, % of the batch; else the brief's.", min=0, max=90)
    ] = None,
    number: Annotated[str, typer.Option(help="Batch number; else the file's name.")] = "",
    master: Annotated[str, typer.Option(help="Name and version of the master formula.")] = "",
    against: For = "",
    rest: Rest = "",
    on: On = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay the batch file of a formula: doses, size and pH window, and what to fill in where."""
    import tomli

    from optimizer.answers.subject import subject_of
    from optimizer.bench.batch import batch_from
    from optimizer.bench.plan import batch_text, brief_reference, hold_back, size_of
    from optimizer.brief.defaults import bench_defaults
    from optimizer.files import refuse_existing, write_atomic
    from optimizer.report.made import Laid, laid_document

    if out.suffix.lower() != ".toml":
        raise UsageError(f"--out {out.name}: a batch file's name ends in .toml.")
    refuse_existing(out)
    with quiet_solvers():
        found = subject_of(subject, against=against, shelf=shelf, libraries=library, rest=rest)
    bench = bench_defaults(found.scenario)
    taken = [n for n, v in (("scale_g", scale), ("loss_percent", loss), ("density_g_per_ml", density)) if v is None]
    step = first(scale, bench.scale_g, 1.0)
    if not size and bottles is None:
        size, taken = bench.size, [*taken, "size"]
    if bottle is None and (bottles is not None or "bottle" in size or bench.density_g_per_ml or density):
        bottle, taken = bench.bottle_ml, [*taken, "bottle_ml"]
    amount = size_of(
        size,
        bottles=bottles,
        bottle_ml=bottle,
        density=first(density, bench.density_g_per_ml),
        loss_percent=first(loss, bench.loss_percent, 0.0),
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
    laid = Laid(str(out), batch_from(tomli.loads(text), str(out)), amount.words, (*found.notes, *told))
    write_atomic(out, text)
    if json:
        print_json(laid)
    else:
        show(laid_document(laid), markdown, html, pdf)


@app.command(rich_help_panel=BENCH)
def weigh(
    path: BatchFile,
    predilute: Annotated[
        bool, typer.Option("--predilute", help="Weigh what is too small for the scale as pre-dilutions.")
    ] = False,
    html: Annotated[Path | None, typer.Option(help="Write the sheet as one HTML file.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write the sheet as a PDF to print.")] = None,
    xlsx: Annotated[Path | None, typer.Option(help="Write the sheet as a workbook.")] = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay out the weigh sheet of a batch: grams in the order of addition, handling, cautions, room to write."""
    from optimizer.bench.weigh import weigh_sheet
    from optimizer.report.weigh import SHEET

    targets = _targets(SHEET, (html, (".html", ".htm")), (pdf, (".pdf",)), (xlsx, (".xlsx",)))
    found, planned = batch_subject(path, shelf, library)
    later = [item.material for item in found.brief.pool.later]
    sheet = weigh_sheet(
        planned,
        found.brief.library,
        later if planned.held_back_percent else (),
        predilute=predilute,
        alarms=_alarms(found, found.formula, found.setting),
    )
    for target in targets:
        from optimizer.report.weigh import weigh_form

        save(weigh_form(sheet), target)
    if json:
        print_json(sheet)
    else:
        from optimizer.report.weigh import weigh_document

        show(weigh_document(sheet), markdown)


@app.command(rich_help_panel=BENCH)
def weighed(
    path: BatchFile,
    weights: Annotated[
        list[str] | None,
        typer.Argument(
            help="MATERIAL=GRAMS or MATERIAL=GRAMS@LOT, several at once, also by the line number of the weigh sheet; "
            "=+GRAMS for a further portion."
        ),
    ] = None,
    active: Annotated[
        list[str] | None,
        typer.Option(help="Measured active matter of the lots noted now, MATERIAL=PERCENT; else the shelf's."),
    ] = None,
    finish_mass: Annotated[float | None, typer.Option(help="Mass of the finished batch, g.", min=0.001)] = None,
    water_added: Annotated[
        float | None, typer.Option(help="Water put back, held-back water and rinses included, g.", min=0)
    ] = None,
    lost: Annotated[float | None, typer.Option(help="Product left in vessels or taken as samples, g.", min=0)] = None,
    bottles: Annotated[int | None, typer.Option(help="Bottles filled.", min=0)] = None,
    sure: Annotated[bool, typer.Option("--sure", help="More than is planned is meant so.")] = False,
    strike: Strikes = None,
    why: Why = "",
    on: On = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Note what was really weighed, with lots, and the end of the batch; strike what was noted wrongly."""
    from optimizer.bench.batch import append, batch_from, change_batch
    from optimizer.bench.refill import refuse_evaporation
    from optimizer.bench.strike import asked_of
    from optimizer.bench.strike import strike as strike_line
    from optimizer.bench.weighed import check_finish, checked, entry, weight_of, with_actives

    finish = {"mass_g": finish_mass, "lost_g": lost, "water_added_g": water_added, "bottles": bottles}
    finish = {k: v for k, v in finish.items() if v is not None}
    wrong = asked_of(strike, why, day_of(on))
    if not weights and not finish and wrong is None:
        raise UsageError("say what was weighed, such as aqua=3400.5, or how it ended, such as --finish-mass 4870.")
    found, planned = batch_subject(path, shelf, library)
    known = found.brief.library.by_id
    named = _Named(found, planned)
    lines = found.brief.shelf.lines if found.brief.shelf else ()
    lots = {(ln.material, ln.lot): ln.lot_active for ln in lines if ln.lot and ln.lot_active is not None}
    typed = with_actives([named(weight_of(w)) for w in weights or []], [named.active(a) for a in active or []], lots)
    day = day_of(on)

    def change(document: "TOMLDocument", now: "Batch") -> None:
        import tomlkit

        if wrong is not None:
            strike_line(document, now, "weighed", wrong)
            now = batch_from(document.unwrap(), str(path))
        check_finish(str(path), now, finish_mass, sure=sure)
        for weight in checked(str(path), now, typed, known, sure=sure):
            append(document, "weighed", entry(weight, day))
        if finish:
            if "finish" not in document:
                document.add("finish", tomlkit.table())
            for key, value in {**finish, "on": day}.items():
                document["finish"][key] = value
        if finish_mass is not None and not sure:
            refuse_evaporation(batch_from(document.unwrap(), str(path)), known)

    after = change_batch(path, change)
    if json:
        from optimizer.report.made import Weighed

        print_json(Weighed(str(path), after))
    else:
        from optimizer.report.made import weighed_document

        names = {n: m.name for n, m in known.items()}
        show(weighed_document(str(path), after, names, {w.material for w in typed}), markdown, html, pdf)


class _Named:
    """Materials as they are typed at the bench: an id, a name, an everyday word, or the number of the weigh sheet."""

    def __init__(self, found: "Subject", batch: "Batch") -> None:
        self._found, self._batch = found, batch

    def __call__(self, weight: "Weight") -> "Weight":
        from dataclasses import replace

        return replace(weight, material=self.id_of(weight.material))

    def active(self, text: str) -> str:
        name, sign, rest = text.partition("=")
        return f"{self.id_of(name.strip())}{sign}{rest}"

    def id_of(self, text: str) -> str:
        """Return the id; an unknown word is returned as it is, so that all problems are told at once."""
        from optimizer.intake.names import material_of

        if text.isdigit():
            return self._by_number(int(text))
        return material_of(text, self._found.brief.library.materials, unknown=True)

    def _by_number(self, number: int) -> str:
        from optimizer.bench.weigh import weigh_sheet

        pool = self._found.brief.pool
        later = [i.material for i in pool.later] if self._batch.held_back_percent else []
        lines = weigh_sheet(self._batch, self._found.brief.library, later).lines
        ids = {line.number: line.material.id for line in lines}
        if number not in ids:
            raise UsageError(f"{number}=...: the weigh sheet has the lines 1 to {len(ids)}.")
        return ids[number]


@app.command(rich_help_panel=BENCH)
def card(
    subject: SubjectName,
    against: For = "",
    rest: Rest = "",
    pdf: Annotated[Path | None, typer.Option(help="Write the card as a PDF of one page.")] = None,
    png: Annotated[Path | None, typer.Option(help="Write the card as a picture.")] = None,
    planned: Annotated[bool, typer.Option("--planned", help="Show the plan of a batch that is made already.")] = False,
    master: Annotated[str, typer.Option(help="Name and version of the formula.")] = "",
    on: On = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay out a formula on one page: phases, doses, pH, method in short, cautions; planned or as made."""
    from optimizer.answers.subject import subject_of
    from optimizer.report.card import CARD

    targets = _targets(CARD, (pdf, (".pdf",)), (png, (".png",)))
    with quiet_solvers():
        found = subject_of(subject, against=against, shelf=shelf, libraries=library, rest=rest)
    shown = _card(found, planned, master, on)
    if targets:
        from optimizer.files import write_report
        from optimizer.report.card import card_pdf
        from optimizer.report.pages import png_of

        page = card_pdf(shown)
        for target in targets:
            write_report(target, page if target == pdf else png_of(page), CARD)
    if json:
        print_json(shown)
    else:
        from optimizer.report.card import card_document

        show(card_document(shown), markdown, html)


def _card(found: "Subject", planned: bool, master: str, on: str) -> "Card":
    """Return the card of a subject: of a batch that was begun as made, of everything else as planned."""
    from optimizer.bench.card import formula_card
    from optimizer.bench.made import last_ph, made_formula
    from optimizer.immutable import replace
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
            alarms=_alarms(found, formula_at(replace(found.brief.pool, held_back=0.0), percent), at),
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
        alarms=_alarms(found, found.formula, found.setting),
    )


def _alarms(found: "Subject", formula: "Formula", setting: "Setting") -> "tuple[Caution, ...]":
    """Return what is said of a formula before anything else."""
    from optimizer.assessment.alarms import cautions_at

    return tuple(c for c in cautions_at(found.brief, formula, setting) if c.loud)


def batch_subject(path: Path, shelf: Path | None, library: list[Path] | None) -> "tuple[Subject, Batch]":
    """Return a batch file's subject.

    Raises:
        DataError: If the file is no batch file.
    """
    from optimizer.answers.subject import subject_of

    with quiet_solvers():
        found = subject_of(str(path), shelf=shelf, libraries=library) if path.suffix == ".toml" else None
    if found is None or found.batch is None:
        step = "Lay one with 'tenside batch SUBJECT --size 5kg --out batch.toml'."
        raise fault(str(path), "", "this is no batch file.", step)
    return found, found.batch


def _targets(kind: str, *asked: tuple[Path | None, tuple[str, ...]]) -> tuple[Path, ...]:
    """Return reports to write, refused before anything is worked out if they cannot be or are misnamed."""
    from optimizer.files import refuse_unless_report

    for path, endings in asked:
        if path is not None and path.suffix.lower() not in endings:
            raise UsageError(f"{path.name}: the name must end in {endings[0]}.")
        if path is not None:
            refuse_unless_report(path, kind)
    return tuple(path for path, _ in asked if path is not None)

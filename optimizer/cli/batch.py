"""`tenside batch | weigh | weighed | card`: from a formula to a weighed batch."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.cli.common import (
    BENCH,
    PAGE,
    PAPER,
    For,
    Libraries,
    On,
    Rest,
    ShelfFile,
    Strikes,
    SubjectName,
    Why,
    app,
    command,
    save,
)
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.answers.subject import Subject

BatchFile = Annotated[Path, typer.Argument(help="A batch file, see 'tenside batch'.")]


@command(app, BENCH)
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
) -> Answer[Any]:
    """Lay the batch file of a formula: doses, size and pH window, and what to fill in where."""
    from optimizer.answers.bench import lay_batch
    from optimizer.answers.subject import subject_of
    from optimizer.files import refuse_existing

    if out.suffix.lower() != ".toml":
        raise UsageError(f"--out {out.name}: a batch file's name ends in .toml.")
    refuse_existing(out)
    found = subject_of(subject, against=against, shelf=shelf, libraries=library, rest=rest)
    laid = lay_batch(
        found, out, size=size, bottles=bottles, bottle_ml=bottle, density=density, loss=loss, scale=scale, held=held,
        number=number, master=master, on=on,
    )  # fmt: skip
    return Answer("batch", laid)


@command(app, BENCH)
def weigh(
    path: BatchFile,
    predilute: Annotated[
        bool, typer.Option("--predilute", help="Weigh what is too small for the scale as pre-dilutions.")
    ] = False,
    short: Annotated[
        bool, typer.Option("--short", help="With --pdf: all of it on one page, without handling and INCI names.")
    ] = False,
    html: Annotated[Path | None, typer.Option(help="Write the sheet as one HTML file.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write the sheet as a PDF to print.")] = None,
    xlsx: Annotated[Path | None, typer.Option(help="Write the sheet as a workbook.")] = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Lay out the weigh sheet of a batch: grams in the order of addition, handling, cautions, room to write."""
    from optimizer.answers.bench import sheet_of
    from optimizer.files import write_report
    from optimizer.report.weigh import SHEET, one_page, weigh_form

    targets = _targets(SHEET, (html, PAGE), (pdf, PAPER), (xlsx, (".xlsx",)))
    sheet = sheet_of(batch_subject(path, shelf, library), predilute=predilute)
    for target in targets:
        if short and target == pdf:
            write_report(target, one_page(sheet), SHEET)
        else:
            save(weigh_form(sheet), target)
    return Answer("weigh", sheet)


@command(app, BENCH)
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
) -> Answer[Any]:
    """Note what was really weighed, with lots, and the end of the batch; strike what was noted wrongly."""
    from optimizer.answers.bench import note_weights
    from optimizer.bench.strike import asked_of
    from optimizer.bench.weighed import weight_of
    from optimizer.report.made import Weighed

    ended = {"mass_g": finish_mass, "lost_g": lost, "water_added_g": water_added, "bottles": bottles}
    finish = {k: v for k, v in ended.items() if v is not None}
    wrong = asked_of(strike, why, day_of(on))
    if not weights and not finish and wrong is None:
        raise UsageError("say what was weighed, such as aqua=3400.5, or how it ended, such as --finish-mass 4870.")
    found = batch_subject(path, shelf, library)
    after, now = note_weights(
        found, [weight_of(w) for w in weights or []], actives=active or [], finish=finish, wrong=wrong, sure=sure, on=on
    )
    names = {n: m.name for n, m in found.brief.library.by_id.items()}
    return Answer("weighed", Weighed(path=str(path), batch=after), 0, path=str(path), batch=after, names=names, now=now)


@command(app, BENCH)
def card(
    subject: SubjectName,
    against: For = "",
    rest: Rest = "",
    pdf: Annotated[Path | None, typer.Option(help="Write the card as a PDF of one page.")] = None,
    png: Annotated[Path | None, typer.Option(help="Write the card as a picture.")] = None,
    planned: Annotated[bool, typer.Option("--planned", help="Show the plan of a batch that is made already.")] = False,
    master: Annotated[str, typer.Option(help="Name and version of the formula.")] = "",
    share: Annotated[
        bool, typer.Option("--share", help="The card for others: grams, what each is for, what to use instead.")
    ] = False,
    sizes: Annotated[str, typer.Option(help="With --share: batches in grams; else '100 g, 500 g, 1 kg'.")] = "",
    also: Annotated[
        str, typer.Option("--with", help="With --share, what else is shown: prices, suppliers, lots, remarks.")
    ] = "",
    instead: Annotated[bool, typer.Option(help="With --share: work out what to use instead.")] = True,
    out: Annotated[Path | None, typer.Option(help="With --share: a CSV that 'import formula' takes back.")] = None,
    on: On = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Lay out a formula on one page: phases, doses, pH, method in short, cautions; planned or as made; or to share."""
    from optimizer.answers.bench import card_of
    from optimizer.answers.subject import subject_of
    from optimizer.report.card import CARD

    targets = _targets(CARD, (pdf, PAPER), (png, (".png",)))
    if not share and (sizes or also or out is not None):
        raise UsageError("--sizes, --with and --out belong to the card to share: add --share.")
    if out is not None and out.suffix.lower() != ".csv":
        raise UsageError(f"--out {out.name}: the name must end in .csv.")
    found = subject_of(subject, against=against, shelf=shelf, libraries=library, rest=rest)
    shown = card_of(found, planned=planned, master=master, on=on)
    if share:
        from optimizer.cli.share import share as share_card

        return share_card(found, shown, sizes=sizes, shown=also, instead=instead, pdf=pdf, png=png, table=out)
    if targets:
        from optimizer.files import write_report
        from optimizer.report.card import card_pdf
        from optimizer.report.pages import png_of

        page = card_pdf(shown)
        for target in targets:
            write_report(target, page if target == pdf else png_of(page), CARD)
    return Answer("card", shown)


def batch_subject(path: Path, shelf: Path | None, library: list[Path] | None) -> "Subject":
    """Return a batch file's subject; see `answers.bench`."""
    from optimizer.answers.bench import batch_subject as subject

    return subject(path, shelf, library)


def _targets(kind: str, *asked: tuple[Path | None, tuple[str, ...]]) -> tuple[Path, ...]:
    """Return reports to write, refused before anything is worked out if they cannot be or are misnamed."""
    from optimizer.files import refuse_unless_report

    for path, endings in asked:
        if path is not None and path.suffix.lower() not in endings:
            raise UsageError(f"{path.name}: the name must end in {endings[0]}.")
        if path is not None:
            refuse_unless_report(path, kind)
    return tuple(path for path, _ in asked if path is not None)

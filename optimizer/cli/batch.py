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
    print_json,
    quiet_solvers,
    save,
    show,
)
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.answers.subject import Subject
    from optimizer.bench.weigh import WeighSheet

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
    from optimizer.answers.bench import lay_batch
    from optimizer.answers.subject import subject_of
    from optimizer.files import refuse_existing
    from optimizer.report.made import laid_document

    if out.suffix.lower() != ".toml":
        raise UsageError(f"--out {out.name}: a batch file's name ends in .toml.")
    refuse_existing(out)
    with quiet_solvers():
        found = subject_of(subject, against=against, shelf=shelf, libraries=library, rest=rest)
    laid = lay_batch(
        found, out, size=size, bottles=bottles, bottle_ml=bottle, density=density, loss=loss, scale=scale, held=held,
        number=number, master=master, on=on,
    )  # fmt: skip
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
    short: Annotated[
        bool, typer.Option("--short", help="With --pdf: all of it on one page, without handling and INCI names.")
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
    from optimizer.answers.bench import sheet_of
    from optimizer.report.weigh import SHEET

    targets = _targets(SHEET, (html, (".html", ".htm")), (pdf, (".pdf",)), (xlsx, (".xlsx",)))
    sheet = sheet_of(batch_subject(path, shelf, library), predilute=predilute)
    for target in targets:
        from optimizer.report.weigh import weigh_form

        if short and target == pdf:
            _one_page(sheet, target)
        else:
            save(weigh_form(sheet), target)
    if json:
        print_json(sheet)
    else:
        from optimizer.report.weigh import weigh_document

        show(weigh_document(sheet), markdown)


def _one_page(sheet: "WeighSheet", target: Path) -> None:
    """Write the short sheet as a PDF of one page.

    Raises:
        UsageError: If it does not fit one in letters that can be read.
    """
    from optimizer.files import write_report
    from optimizer.report.document_pdf import fits, one_page_pdf
    from optimizer.report.weigh import SHEET, weigh_short

    tried = ((rows, most) for rows, most in ((5, 9), (3, 9), (3, 2), (3, 1), (2, 1), (2, 0)))
    page = next((d for d in (weigh_short(sheet, *one) for one in tried) if fits(d)), None)
    if page is None:
        raise UsageError(f"--short: {len(sheet.lines)} lines do not fit one page; leave it out for the long sheet.")
    write_report(target, one_page_pdf(page), SHEET)


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
    from optimizer.answers.bench import note_weights
    from optimizer.bench.strike import asked_of
    from optimizer.bench.weighed import weight_of

    ended = {"mass_g": finish_mass, "lost_g": lost, "water_added_g": water_added, "bottles": bottles}
    finish = {k: v for k, v in ended.items() if v is not None}
    wrong = asked_of(strike, why, day_of(on))
    if not weights and not finish and wrong is None:
        raise UsageError("say what was weighed, such as aqua=3400.5, or how it ended, such as --finish-mass 4870.")
    found = batch_subject(path, shelf, library)
    after, now = note_weights(
        found, [weight_of(w) for w in weights or []], actives=active or [], finish=finish, wrong=wrong, sure=sure, on=on
    )
    if json:
        from optimizer.report.made import Weighed

        print_json(Weighed(str(path), after))
    else:
        from optimizer.report.made import weighed_document

        names = {n: m.name for n, m in found.brief.library.by_id.items()}
        show(weighed_document(str(path), after, names, now), markdown, html, pdf)


@app.command(rich_help_panel=BENCH)
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
    html: Html = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay out a formula on one page: phases, doses, pH, method in short, cautions; planned or as made; or to share."""
    from optimizer.answers.bench import card_of
    from optimizer.answers.subject import subject_of
    from optimizer.report.card import CARD

    targets = _targets(CARD, (pdf, (".pdf",)), (png, (".png",)))
    if not share and (sizes or also or out is not None):
        raise UsageError("--sizes, --with and --out belong to the card to share: add --share.")
    if out is not None and out.suffix.lower() != ".csv":
        raise UsageError(f"--out {out.name}: the name must end in .csv.")
    with quiet_solvers():
        found = subject_of(subject, against=against, shelf=shelf, libraries=library, rest=rest)
    shown = card_of(found, planned=planned, master=master, on=on)
    if share:
        from optimizer.cli.share import share as share_card

        files = (html, pdf, png, out)
        share_card(found, shown, sizes=sizes, shown=also, instead=instead, files=files, markdown=markdown, json=json)
        return
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


def batch_subject(path: Path, shelf: Path | None, library: list[Path] | None) -> "Subject":
    """Return a batch file's subject; see `answers.bench`."""
    from optimizer.answers.bench import batch_subject as subject

    with quiet_solvers():
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

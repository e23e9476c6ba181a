"""`tenside batch | weigh | weighed | card`: from a formula to a weighed batch."""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.answers.writing import BOOK, PAGE, PAPER, PICTURE, refuse_misnamed, targets_of
from optimizer.cli.common import BENCH, Files, For, On, Rest, Strikes, SubjectName, Why, app, aside, command, measured
from optimizer.errors import UsageError
from optimizer.immutable import immutable

BatchFile = Annotated[Path, typer.Argument(help="A batch file, see 'tenside batch'.")]


@command(app, BENCH)
def batch(
    subject: SubjectName,
    out: Annotated[Path, typer.Option(help="The batch file to write (.toml); it must not exist.")],
    size: Annotated[str, typer.Option(help="How much, such as 5kg, '3 L' or '20 bottles'.")] = "",
    bottles: Annotated[int | None, typer.Option(help="Bottles to fill, instead of --size.", min=1)] = None,
    bottle: Annotated[
        float | None,
        typer.Option(help="Nominal content of a bottle, ml or such as '0.25 l'.", parser=measured("ml", 0.1)),
    ] = None,
    density: Annotated[
        float | None, typer.Option(help="Measured density, g per ml; never assumed.", min=0.8, max=1.4)
    ] = None,
    loss: Annotated[float | None, typer.Option(help="Part that does not reach the bottles, %.", min=0, max=90)] = None,
    scale: Annotated[
        float | None, typer.Option(help="Step of the scale, g; else 1.", parser=measured("g", 1e-6))
    ] = None,
    held: Annotated[
        float | None, typer.Option(help="Water to hold back, % of the batch; else the brief's.", min=0, max=90)
    ] = None,
    number: Annotated[str, typer.Option(help="Batch number; else the file's name.")] = "",
    master: Annotated[str, typer.Option(help="Name and version of the master formula.")] = "",
    against: For = "",
    rest: Rest = "",
    on: On = "",
    files: Files = Files(),
) -> Answer[Any]:
    """Lay the batch file of a formula: doses, size and pH window, and what to fill in where."""
    from optimizer.answers.bench import lay_batch
    from optimizer.files import refuse_existing

    if out.suffix.lower() != ".toml":
        raise UsageError(f"--out {out.name}: a batch file's name ends in .toml.")
    refuse_existing(out)
    found = files.subject(subject, against=against, rest=rest)
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
    files: Files = Files(),
) -> Answer[Any]:
    """Lay out the weigh sheet of a batch: grams in the order of addition, handling, cautions, room to write."""
    from optimizer.answers.bench import sheet_of
    from optimizer.answers.writing import write_sheet
    from optimizer.report.weigh import SHEET

    targets = targets_of(SHEET, (html, PAGE), (pdf, PAPER), (xlsx, BOOK))
    sheet = sheet_of(files.batch(path), predilute=predilute)
    write_sheet(sheet, targets, short=short)
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
    finish_mass: Annotated[
        float | None,
        typer.Option(help="Mass of the finished batch, g or such as '5.02 kg'.", parser=measured("g", 0.001)),
    ] = None,
    water_added: Annotated[
        float | None,
        typer.Option(help="Water put back, held-back water and rinses included, g.", parser=measured("g")),
    ] = None,
    lost: Annotated[
        float | None, typer.Option(help="Product left in vessels or taken as samples, g.", parser=measured("g"))
    ] = None,
    bottles: Annotated[int | None, typer.Option(help="Bottles filled.", min=0)] = None,
    bottle: Annotated[float | None, typer.Option(help="Nominal content of a bottle, ml.", min=0.1)] = None,
    density: Annotated[
        float | None, typer.Option(help="Measured density, g/ml; never assumed.", min=0.8, max=1.4)
    ] = None,
    sure: Annotated[bool, typer.Option("--sure", help="More than is planned is meant so.")] = False,
    strike: Strikes = None,
    why: Why = "",
    on: On = "",
    files: Files = Files(),
) -> Answer[Any]:
    """Note what was really weighed, with lots, and the end of the batch; strike what was noted wrongly."""
    from optimizer.answers.bench import note_as_typed
    from optimizer.bench.strike import asked_of
    from optimizer.bench.weighed import weight_of

    ended = {
        "mass_g": finish_mass, "lost_g": lost, "water_added_g": water_added, "bottles": bottles, "bottle_ml": bottle,
        "density_g_per_ml": density,
    }  # fmt: skip
    finish = {k: v for k, v in ended.items() if v is not None}
    wrong = asked_of(strike, why, day_of(on))
    if not weights and not finish and wrong is None:
        raise UsageError("say what was weighed, such as aqua=3400.5, or how it ended, such as --finish-mass 4870.")
    found = files.batch(path)
    typed = [weight_of(w) for w in weights or []]
    return note_as_typed(found, typed, actives=active or [], finish=finish, wrong=wrong, sure=sure, on=on)


@immutable
class ForOthers:
    """Options of a command: the card to share."""

    share: Annotated[
        bool, typer.Option("--share", help="The card for others: grams, what each is for, what to use instead.")
    ] = False
    sizes: Annotated[str, typer.Option(help="With --share: batches in grams; else '100 g, 500 g, 1 kg'.")] = ""
    also: Annotated[
        str, typer.Option("--with", help="With --share, what else is shown: prices, suppliers, lots, remarks.")
    ] = ""
    instead: Annotated[bool, typer.Option(help="With --share: work out what to use instead.")] = True
    out: Annotated[Path | None, typer.Option(help="With --share: a CSV that 'import formula' takes back.")] = None

    def refuse(self) -> None:
        """Refuse options that belong to the card to share without it, and a table that is named otherwise."""
        if not self.share and (self.sizes or self.also or self.out is not None):
            raise UsageError("--sizes, --with and --out belong to the card to share: add --share.")
        if self.out is not None:
            refuse_misnamed(self.out, (".csv",), "--out ")


@command(app, BENCH)
def card(
    subject: SubjectName,
    against: For = "",
    rest: Rest = "",
    pdf: Annotated[Path | None, typer.Option(help="Write the card as a PDF of one page.")] = None,
    png: Annotated[Path | None, typer.Option(help="Write the card as a picture.")] = None,
    planned: Annotated[bool, typer.Option("--planned", help="Show the plan of a batch that is made already.")] = False,
    master: Annotated[str, typer.Option(help="Name and version of the formula.")] = "",
    others: ForOthers = ForOthers(),
    on: On = "",
    files: Files = Files(),
) -> Answer[Any]:
    """Lay out a formula on one page: phases, doses, pH, method in short, cautions; planned or as made; or to share."""
    from optimizer.answers.bench import card_of
    from optimizer.answers.writing import write_card
    from optimizer.report.card import CARD

    targets = targets_of(CARD, (pdf, PAPER), (png, PICTURE))
    others.refuse()
    found = files.subject(subject, against=against, rest=rest)
    shown = card_of(found, planned=planned, master=master, on=on)
    if not others.share:
        write_card(shown, targets)
        return Answer("card", shown)
    from optimizer.answers.share import share_card, sizes_of

    written = (*targets, *([others.out] if others.out else ()))
    answer = share_card(
        found,
        shown,
        sizes_g=sizes_of(others.sizes),
        show=others.also,
        instead=others.instead,
        files=written,
        tell=_tell_material,
    )
    for path in written:
        aside(f"wrote {path}")
    return answer


def _tell_material(name: str) -> None:
    if sys.stderr.isatty():
        aside(f"what to use instead of {name} ...")

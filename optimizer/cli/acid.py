"""`tenside ph`: the pH of a formula, the acid to its target, and the log of a batch."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.cli.common import BENCH, For, Given, NotAdded, Rest, Strikes, Why, app, command, measured
from optimizer.errors import UsageError
from optimizer.immutable import immutable

if TYPE_CHECKING:
    from optimizer.bench.acid_log import Noted
    from optimizer.chemistry.ph import Solution


@immutable
class LoggedPh:
    """Options of a command: a line of the log, as it was read."""

    read: Annotated[float | None, typer.Option(help="Note a reading in the batch file: the pH.")] = None
    added: Annotated[
        str,
        typer.Option(
            help="Solution added so far, all additions together, in grams or, such as 0.5%, of what is "
            "adjusted; else as before."
        ),
    ] = ""
    water: Annotated[float, typer.Option(help="Water per gram of product in what is read: 0 neat, 9 for 10 %.")] = 0.0
    strip: Annotated[bool, typer.Option("--strip", help="Read with a strip, not a meter.")] = False
    temperature: Annotated[float | None, typer.Option(help="Of what was read, °C; 25 if left out.")] = None
    foam: Annotated[bool, typer.Option("--foam", help="There was foam on the probe or strip.")] = False
    taken: Annotated[
        float, typer.Option(help="Grams used up for the reading that do not go back.", parser=measured("g"))
    ] = 0.0
    sample: Annotated[
        float | None, typer.Option(help="Begin the log of a sample of so many grams.", parser=measured("g"))
    ] = None
    of: Annotated[str, typer.Option("--of", help="'batch' begins the log of the batch itself.")] = ""
    on: Annotated[str, typer.Option(help="Day of the reading, such as 2026-11-25.")] = ""
    note: Annotated[str, typer.Option(help="A word on the reading.")] = ""
    lot: Annotated[str, typer.Option(help="Lot of the acid or alkali that was added.")] = ""

    @property
    def logged(self) -> bool:
        """Whether something is asked of a log."""
        return self.read is not None or bool(self.added) or self.sample is not None or bool(self.of)

    def noted(self, ph: float, *, sure: bool) -> "Noted":
        """Return the line that is noted of a pH."""
        from optimizer.bench.acid_log import Noted
        from optimizer.bench.amount import portion_of

        so_far = portion_of("--added", self.added) if self.added else None
        return Noted(
            ph, so_far, self.water, self.strip, self.temperature, not self.foam, self.taken, self.on, self.note, sure,
            self.lot,
        )  # fmt: skip

    @property
    def where(self) -> Literal["", "sample", "batch"]:
        """Whose log it begins, if it begins one."""
        if self.of not in ("", "sample", "batch"):
            raise UsageError(f"--of '{self.of}': write batch or sample.")
        if self.of == "batch" and self.sample is not None:
            raise UsageError("ph: --sample and --of batch contradict each other.")
        if self.of == "sample" and self.sample is None:
            raise UsageError("ph: --of sample needs its mass: --sample GRAMS.")
        return "sample" if self.sample is not None else "batch" if self.of == "batch" else ""


@command(app, BENCH)
def ph(
    subject: Annotated[
        str, typer.Argument(help="A batch file, a scenario, or a formula (.csv, .xlsx, .json; then also --for).")
    ] = "",
    against: For = "",
    rest: Rest = "",
    chemical: Annotated[
        str,
        typer.Option(
            "--with",
            help="Acid or alkali with its hydrate form, such as 'citric acid monohydrate', or its id in "
            "the library, such as sodium-hydroxide-20.",
        ),
    ] = "",
    strength: Annotated[
        float | None,
        typer.Option(
            help="Strength of its solution, % w/w of the form that is weighed; if left out, citric acid: 50, an id: "
            "its own."
        ),
    ] = None,
    batch: Annotated[str, typer.Option(help="Size of the finished batch, such as 5kg or 800g.")] = "",
    reading: LoggedPh = LoggedPh(),
    points: Annotated[
        Path | None,
        typer.Option(
            help="Instead of a subject: a table with the columns added_g and ph, perhaps also water_per_g, with, "
            "temperature_c and taken_g."
        ),
    ] = None,
    target: Annotated[str, typer.Option(help="With --points: target and tolerance, such as 5.5 or 5.5:0.2.")] = "",
    sure: Annotated[
        bool, typer.Option("--sure", help="More than the part held back is in, and it is meant so.")
    ] = False,
    strike: Strikes = None,
    why: Why = "",
    not_added: NotAdded = False,
    given: Given = Given(),
) -> Answer[Any]:
    """Estimate the pH, dose acid or alkali to the target in safe steps, and keep the log of a batch."""
    from optimizer.answers.logs import note_ph, ph_of, solution_of, strike_ph
    from optimizer.bench.strike import asked_of

    if points is not None:
        if subject:
            raise UsageError("ph: give a subject or --points, not both.")
        return _points(points, target, reading.sample, solution_of(chemical, strength))
    if not subject:
        raise UsageError("ph: name a batch file, a scenario or a formula, or give --points.")
    if target:
        raise UsageError("ph: --target goes with --points; a brief or batch file has its own (--set ph.low=5).")
    size = _grams(batch) if batch else None
    wrong = asked_of(strike, why, day_of(""), not_added=not_added)
    found = given.subject(subject, against=against, rest=rest)
    solution = solution_of(chemical, strength, found.brief.library.materials)
    if found.batch is None:
        if reading.logged or wrong is not None:
            raise UsageError("ph: readings are kept in a batch file; name one, or give a table of them with --points.")
    elif size is not None:
        raise UsageError("ph: the batch file states its size (size_g); leave --batch out.")
    elif wrong is not None:
        if reading.logged:
            raise UsageError("ph: strike the wrong reading first, then note the right one with a command of its own.")
        found = strike_ph(found, wrong)
    elif reading.read is not None:
        noted = reading.noted(reading.read, sure=sure)
        found = note_ph(found, noted, of=reading.where, sample_g=reading.sample, solution=solution)
    elif reading.logged:
        raise UsageError("ph: a line of the log needs the pH that was read: add --read PH.")
    return ph_of(found, solution=solution, size_g=size, water=reading.water)


def _points(path: Path, target: str, sample: float | None, solution: "Solution | None") -> Answer[Any]:
    from optimizer.answers.logs import ph_of_points
    from optimizer.chemistry.interval import Interval
    from optimizer.data.sheet import number_of

    if sample is None or not target or solution is None:
        raise UsageError("ph: --points needs --sample GRAMS, --target PH, --with NAME and --strength PERCENT.")
    middle, _, width = target.partition(":")
    try:
        centre, tolerance = number_of(middle), number_of(width or "0.2")
    except ValueError:
        raise UsageError(f"--target '{target}': write a pH, or pH:tolerance such as 5.5:0.2.") from None
    if not (0 <= centre <= 14 and 0 <= tolerance <= 2):
        raise UsageError(f"--target '{target}': write a pH from 0 to 14 and a tolerance up to 2.")
    return ph_of_points(path, Interval(centre - tolerance, centre, centre + tolerance), sample, solution)


def _grams(text: str) -> float:
    """Return a mass such as 5kg, 5 kg or 800g in grams."""
    from optimizer.bench.amount import option

    amount = option(text, "--batch")
    if amount.unit != "g":
        raise UsageError(f"--batch '{text}': write a mass, such as 5kg or 800g.")
    return amount.value

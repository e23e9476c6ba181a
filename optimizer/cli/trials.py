"""`tenside trials plan | sheet | note | fit | next | rate | salt`: learning from the bench."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.answers.writing import PAGE, PAPER, save, targets_of
from optimizer.cli.common import (
    BENCH,
    AtPh,
    Files,
    Given,
    On,
    Rest,
    ScenarioName,
    ShelfFile,
    Strikes,
    Sure,
    Why,
    app,
    command,
    measured,
)
from optimizer.errors import UsageError
from optimizer.immutable import immutable

if TYPE_CHECKING:
    from optimizer.trials.plan import TrialsQuestion

trials_app = typer.Typer(help="Choose the beakers that teach most, note what they read.", no_args_is_help=True)
app.add_typer(trials_app, name="trials", rich_help_panel=BENCH)

SeriesFile = Annotated[Path, typer.Argument(metavar="SERIES", help="A series file, see 'tenside trials plan'.")]
Aim = Literal["learn", "best"]
Grams = Annotated[float, typer.Option(help="Product in each beaker, g.", min=10, max=5000)]


@immutable
class SeriesAsked:
    """Options of a command: what a series varies, and in how many beakers."""

    factors: Annotated[
        str,
        typer.Option(
            help="What is varied, joined by commas: strength, amphoteric-share, nonionic-share, anionic-share, "
            "thickener, salt, emollient, humectant, solubiliser. Left out with --vary, the tool proposes."
        ),
    ] = ""
    vary: Annotated[str, typer.Option(help="Materials that vary each by itself, ids joined by commas.")] = ""
    trials: Annotated[int | None, typer.Option(help="Chosen beakers; else as many as can tell curves.", min=1)] = None
    repeats: Annotated[
        int, typer.Option(help="Beakers of the plan itself on each day: first, last, then between.", min=0, max=6)
    ] = 2
    days: Annotated[int, typer.Option(help="Days on which they are made.", min=1, max=10)] = 1
    also: Annotated[str, typer.Option("--with", help="Varied besides: ph=LOW:HIGH, such as ph=5.0:5.8.")] = ""
    free: Annotated[str, typer.Option(help="Rules on ratings that the trials shall replace, ids joined by commas.")] = (
        ""
    )
    aim: Annotated[Aim, typer.Option(help="Learn the whole region, or find the best in it.")] = "learn"
    grams: Grams = 100.0
    scale: Annotated[float, typer.Option(help="Step of the scale, g.", parser=measured("g", 0.001))] = 0.01
    seed: Annotated[int, typer.Option(help="The same seed gives the same beakers.", min=0)] = 1

    def question(self) -> "TrialsQuestion":
        """Return what is asked of a plan."""
        from optimizer.trials.plan import TrialsQuestion

        return TrialsQuestion(
            factors=_names(self.factors),
            materials=_names(self.vary),
            trials=self.trials,
            repeats=self.repeats,
            days=self.days,
            ph=_ph(self.also),
            free=_names(self.free),
            aim=self.aim,
            grams=self.grams,
            step_g=self.scale,
            seed=self.seed,
        )


@command(trials_app, name="plan")
def trials_plan(
    scenario: ScenarioName,
    out: Annotated[Path, typer.Option(help="The series file to write (.toml); it must not exist.")],
    asked: SeriesAsked = SeriesAsked(),
    name: Annotated[str, typer.Option(help="Name of the series; else the file's.")] = "",
    on: On = "",
    files: Files = Files(),
) -> Answer[Any]:
    """Choose the beakers that teach most about a brief, and lay their series file."""
    from optimizer.answers.trials import lay_trials

    return lay_trials(scenario, out, asked.question(), name=name, on=day_of(on), **files.files)


def _names(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


def _ph(text: str) -> tuple[float, float] | None:
    """Return lowest and highest pH of '--with ph=5.0:5.8'."""
    from optimizer.data.sheet import number_of

    if not text:
        return None
    what, _, ends = text.partition("=")
    low, _, high = ends.partition(":")
    try:
        if what.strip().lower() != "ph":
            raise ValueError
        return number_of(low), number_of(high)
    except ValueError:
        raise UsageError(f"--with {text}: write ph=LOW:HIGH, such as ph=5.0:5.8.") from None


@command(trials_app, name="sheet")
def trials_sheet(
    path: SeriesFile,
    only: Annotated[str, typer.Option(help="Numbers of the beakers, joined by commas; else all.")] = "",
    html: Annotated[Path | None, typer.Option(help="Write the sheet as one HTML file.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write the sheet as a PDF to print.")] = None,
    files: Files = Files(),
) -> Answer[Any]:
    """Lay out the weigh sheet of all beakers side by side, in the order of making, with room for readings."""
    from optimizer.answers.trials import trial_sheet
    from optimizer.report.trials import SHEET

    targets = targets_of(SHEET, (html, PAGE), (pdf, PAPER))
    try:
        numbers = tuple(int(n) for n in _names(only))
    except ValueError:
        raise UsageError(f"--only {only}: write numbers of beakers, such as 15,16.") from None
    answer = trial_sheet(path, beakers=numbers, **files.files)
    for target in targets:
        save(answer.document(), target)
    return answer


@command(trials_app, name="note")
def trials_note(
    path: SeriesFile,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            help="A beaker's number, then READING=VALUE (3200, >60000, <50, 1 to 5, lost), words such as separated, or "
            "MATERIAL=GRAMS as weighed; further beakers after that. Or a table (.csv, .xlsx) with a column 'beaker'. "
            "Nothing shows what is noted."
        ),
    ] = None,
    kind: Annotated[
        str, typer.Option("--as", help="How a reading of your own is read: number, log, judged or yes/no.")
    ] = "",
    unit: Annotated[str, typer.Option(help="Its unit.")] = "",
    temperature: Annotated[float | None, typer.Option(help="At which it was read, °C.", min=0, max=100)] = None,
    after: Annotated[str, typer.Option(help="How long after making, such as '24 h'.")] = "",
    by: Annotated[str, typer.Option("--with", help="Spindle and speed, or cup.")] = "",
    further: Annotated[bool, typer.Option("--further", help="A second reading of a beaker is meant so.")] = False,
    strike: Strikes = None,
    strike_weight: Annotated[int | None, typer.Option(help="Strike the weight of this number.", min=1)] = None,
    why: Why = "",
    on: On = "",
) -> Answer[Any]:
    """Note what was read of the beakers, as typed; strike what was noted wrongly; show what is noted."""
    from optimizer.answers.trials import note_trials
    from optimizer.bench.strike import asked_of
    from optimizer.trials.note import How

    day = day_of(on)
    wrong, weight = (asked_of(n, why if n is not None else "", day) for n in (strike, strike_weight))
    if why and wrong is None and weight is None:
        asked_of(None, why, day)
    how = How(kind, unit, temperature, after, by, day, further)
    return note_trials(path, words or [], how, wrong=wrong, weight=weight)


@command(trials_app, name="next")
def trials_next(
    path: SeriesFile,
    count: Annotated[int, typer.Option(help="Beakers besides those of the plan.", min=1)] = 2,
    aim: Annotated[
        Aim | None, typer.Option(help="Learn more, or find the best; else as the series was planned.")
    ] = None,
    goal: Annotated[str, typer.Option(help="What shall be best, such as 'maximise viscosity'.")] = "",
    repeats: Annotated[
        int, typer.Option(help="Beakers of the plan itself on that day: the first, then the last.", min=0, max=2)
    ] = 1,
    files: Files = Files(),
) -> Answer[Any]:
    """Choose the next beakers by what was made so far, and write them into the series file."""
    from optimizer.answers.trials import next_trials

    return next_trials(path, count, aim=aim or "", goal=goal, repeats=repeats, **files.files)


@command(trials_app, name="fit")
def trials_fit(
    path: SeriesFile,
    only: Annotated[str, typer.Option(help="Readings that are fitted, joined by commas; else all.")] = "",
    shelf: ShelfFile = None,
) -> Answer[Any]:
    """Say what the readings tell: effects with their bands, how well left-out readings are met, what cannot be told."""
    from optimizer.answers.trials_fit import fit_trials

    return fit_trials(path, only=_names(only), shelf=shelf)


@command(trials_app, name="rate")
def trials_rate(
    scenario: ScenarioName,
    series: Annotated[Path, typer.Option("--from", help="The series file with the readings.")],
    formula: Annotated[Path | None, typer.Option(help="A formula file instead of the brief's best formula.")] = None,
    rest: Rest = "",
    sure: Sure = 90.0,
    at_ph: AtPh = None,
    given: Given = Given(),
) -> Answer[Any]:
    """Say what readings are to be expected of a brief's best formula, or of one in a file."""
    from optimizer.answers.trials_fit import rate

    return rate(given.brief(scenario), series, formula=formula, rest=rest, sure=sure, at_ph=at_ph)


@command(trials_app, name="salt")
def trials_salt(
    scenario: ScenarioName,
    readings: Annotated[
        list[str] | None, typer.Argument(help="What was read: DOSE=VISCOSITY, such as 0.4=900 (%, mPa·s).")
    ] = None,
    doses: Annotated[int, typer.Option(help="Beakers to lay, 5 to 7.")] = 6,
    most: Annotated[float | None, typer.Option(help="Highest dose, %; else what the salt budget leaves.")] = None,
    target: Annotated[float | None, typer.Option(help="Wanted viscosity, mPa·s.", min=1)] = None,
    grams: Grams = 100.0,
    repeatability: Annotated[
        float | None, typer.Option(help="Scatter of a repeated reading, 0.1 for 10 %.", min=0.001, max=1)
    ] = None,
    into: Annotated[Path | None, typer.Option(help="Batch file whose thickening log shall stop at the peak.")] = None,
    given: Given = Given(),
) -> Answer[Any]:
    """Lay five to seven doses of salt on one base; with readings, tell the peak, its band and where to stop."""
    from optimizer.answers.trials_fit import salt, salt_readings
    from optimizer.trials.salt import SaltQuestion

    asked = SaltQuestion(salt_readings(readings or []), doses, most, target, grams, repeatability)
    return salt(given.brief(scenario), asked, into=into)

"""What every command shares: the application, its options, and how answers reach stdout."""

import contextlib
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields, is_dataclass
from inspect import Parameter, Signature, signature
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any, Literal

import typer
from typer.core import TyperGroup

from optimizer.answers.writing import PAGE, PAPER
from optimizer.cli.repeat import repeat_in, repeated
from optimizer.errors import LONGEST, TensideError, UsageError, shortened, worded
from optimizer.immutable import immutable

if TYPE_CHECKING:
    from optimizer.answers.answer import Answer
    from optimizer.answers.subject import Subject
    from optimizer.brief.brief import Brief
    from optimizer.report.document import Document


class ShortUsage(TyperGroup):
    """The root of all commands: what it says of a wrong command line repeats no endless word of it."""

    def make_context(self, *args: Any, **more: Any) -> Any:
        """Read the words before the command."""
        with _told_shortly():
            return super().make_context(*args, **more)

    def invoke(self, *args: Any, **more: Any) -> Any:
        """Read the words of the command, and run it."""
        with _told_shortly():
            return super().invoke(*args, **more)


USAGE: Any = typer.BadParameter.__base__
"""What a wrong command line raises, by whatever name; typer exports only some of its kinds."""


@contextlib.contextmanager
def _told_shortly() -> Iterator[None]:
    try:
        yield
    except USAGE as error:
        faults = getattr(error.__cause__, "errors", None)  # some versions of typer leave values to pydantic
        if faults is not None:
            error.message = " ".join(worded(faults()[0]))
        error.message = shortened(error.message, LONGEST["where"])
        raise


app = typer.Typer(
    name="tenside",
    cls=ShortUsage,
    help="Percentages for shampoo, body wash, face wash and hand wash: cheapest, proven, explained.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def new_report(path: Path) -> Path:
    """Return the file of a report; refused before anything is computed if it could not be written."""
    return _named(path, PAGE + PAPER)


def _named(path: Path, endings: tuple[str, ...]) -> Path:
    from optimizer.files import refuse_unless_report
    from optimizer.report.document import REPORT

    if path.suffix.lower() not in endings:
        kinds = " or ".join(e for e in endings if e != ".htm")
        raise UsageError(f"this report is written as {kinds}: '{path.name}' ends otherwise.")
    refuse_unless_report(path, REPORT)
    return path


def _text_alone(endings: tuple[str, ...]) -> Callable[[typer.Context, Path | None], Path | None]:
    """Return what refuses a file beside --json, which is read first wherever it stands."""

    def told(context: typer.Context, path: Path | None) -> Path | None:
        if path is None:
            return None
        if context.params.get("json"):
            raise UsageError(NOT_BOTH)
        return _named(path, endings)

    return told


NOT_BOTH = "--html and --pdf go along with the text of a report, not with --json. Ask twice."
FORMULA = "Find a formula"
BENCH = "At the bench"
AFTER = "Label, cost, records, report"
FACTS = "Begin, and what is known"
"""Headings of the help."""

Json = Annotated[bool, typer.Option("--json", help="Print JSON only (see 'tenside schema').", is_eager=True)]
Html = Annotated[
    Path | None,
    typer.Option("--html", help="Also write the report as a page to read and print.", callback=_text_alone(PAGE)),
]
Pdf = Annotated[
    Path | None,
    typer.Option("--pdf", help="Also write the report as a PDF to print and to file.", callback=_text_alone(PAPER)),
]
Markdown = Annotated[bool, typer.Option("--markdown", help="Print Markdown.")]
Changes = Annotated[
    list[str] | None,
    typer.Option("--set", help="What-if, such as --set active.at_least=10 or --set ph.high=6. Repeatable."),
]
Libraries = Annotated[
    list[Path] | None,
    typer.Option(
        "--library", help="Library file or folder; replaces the shipped library and the brief's own. Repeatable."
    ),
]
Own = Annotated[
    list[Path] | None, typer.Option("--with", help="Your own library file, read on top of the others. Repeatable.")
]
ShelfFile = Annotated[Path | None, typer.Option("--shelf", help="Shelf (CSV or XLSX) instead of the brief's own.")]
SubjectName = Annotated[
    str, typer.Argument(help="A scenario (blended first), a formula (.csv, .xlsx, .json of a blend) or a batch file.")
]
For = Annotated[str, typer.Option("--for", help="Scenario that a formula is held against.")]
Rest = Annotated[
    str, typer.Option(help="Material that makes a formula up to 100 %, such as water, if no line of it says q.s.")
]
Strikes = Annotated[
    int | None, typer.Option("--strike", help="Strike the line of this number; it stays, and counts no more.", min=1)
]
NotAdded = Annotated[
    bool,
    typer.Option("--not-added", help="With --strike: the addition was not made either; else it stays in."),
]
Why = Annotated[str, typer.Option("--why", help="Why it is struck; kept beside it.")]
On = Annotated[str, typer.Option("--on", help="Date (ISO 8601, such as 2026-05-04); today if it is left out.")]
ScenarioName = Annotated[str, typer.Argument(help="A scenario file, or the name of a shipped one such as hand-wash.")]


Readings = Annotated[
    Path | None,
    typer.Option("--readings", help="A series of trials (see 'tenside trials'): what was measured replaces ratings."),
]
Want = Annotated[
    list[str] | None,
    typer.Option(
        "--want",
        help="With --readings: a limit on what was measured, READING=LOW:HIGH, such as viscosity=3000: or "
        "separated=:10 (its chance, %). Repeatable.",
    ),
]
Sure = Annotated[float, typer.Option("--sure", help="How sure limits on what was measured are to be kept, %.")]
AtPh = Annotated[float | None, typer.Option("--at-ph", help="Target pH, where the trials varied it.")]


def measured(unit: Literal["g", "ml"], least: float = 0.0) -> Callable[[str], float]:
    """Return what reads an option as a figure in a unit, see `bench.amount.in_unit`."""

    def amount(text: str | float) -> float:
        from optimizer.bench.amount import in_unit

        try:
            value = in_unit(text, unit) if isinstance(text, str) else text  # no text: what stands if it is left out
        except ValueError as error:
            raise typer.BadParameter(f"'{text}': {error}.") from None
        if not least <= value < float("inf"):
            raise typer.BadParameter(f"'{text}' is not in the range x>={least:g}.")
        return value

    return amount


TimeLimit = Annotated[float, typer.Option(help="Seconds for each search through all choices.", min=0.1)]


class _Read:
    """How a command reads what it is about, with the files that its options name."""

    shelf: Path | None
    library: list[Path] | None
    changes: list[str] | None = None

    @property
    def files(self) -> dict[str, Any]:
        """Shelf and libraries, as the door takes them."""
        return {"shelf": self.shelf, "libraries": self.library}

    def brief(self, scenario: str, more: Iterable[tuple[str, str]] = ()) -> "Brief":
        """Return the brief of a scenario with its --set options, and further what-ifs."""
        from optimizer.answers.stock import stocked_brief

        return stocked_brief(scenario, [*changes_of(self.changes), *more], **self.files)

    def subject(self, name: str, *, against: str = "", rest: str = "") -> "Subject":
        """Return what a bench command is about."""
        from optimizer.answers.subject import subject_of

        return subject_of(name, against=against, changes=changes_of(self.changes), rest=rest, **self.files)

    def batch(self, path: Path) -> "Subject":
        """Return a batch file's subject."""
        from optimizer.answers.bench import batch_subject

        return batch_subject(path, changes=changes_of(self.changes), **self.files)


@immutable
class Files(_Read):
    """Options of a command: the files that a brief is read with."""

    shelf: ShelfFile = None
    library: Libraries = None


@immutable
class Given(_Read):
    """Options of a command: what-ifs, and the files that a brief is read with."""

    changes: Changes = None
    shelf: ShelfFile = None
    library: Libraries = None


@immutable
class FromTrials:
    """Options of a command: what was measured in trials, in the place of ratings."""

    readings: Readings = None
    want: Want = None
    sure: Sure = 90.0
    at_ph: AtPh = None

    def put_into(self, brief: "Brief", *, aim: str = "", shown: tuple[str, ...] = ()) -> "Brief":
        """Return a brief with what was measured in the place of ratings, if a series is named."""
        if self.readings is None:
            if self.want or self.at_ph is not None:
                raise UsageError("--want and --at-ph go with --readings, the series that was measured.")
            return brief
        from optimizer.answers.trials_fit import readings_in

        want = dict(map(_wanted, self.want or []))
        return readings_in(brief, self.readings, want=want, sure=self.sure, at_ph=self.at_ph, aim=aim, shown=shown)


@immutable
class Bands:
    """Options of a command: how near a formula stays to the one that is there."""

    free: Annotated[bool, typer.Option("--free", help="Let every dose move; the sum of the changes is least.")] = False
    active_band: Annotated[
        float, typer.Option(help="Half-width within which active matter is kept, % of the product.", min=0, max=100)
    ] = 0.05
    charge_band: Annotated[
        float, typer.Option(help="Half-width within which the share of each charge is kept, points.", min=0, max=100)
    ] = 2.0


REPORT = (("html", Html, None), ("pdf", Pdf, None), ("markdown", Markdown, False), ("json", Json, False))
"""How an answer is told: what every command takes beside its own options, with what it is if left out."""


def command(
    group: typer.Typer, heading: str | None = None, name: str | None = None
) -> "Callable[[Callable[..., Answer[Any]]], Callable[..., None]]":
    """Make a command of a function that returns an answer: solvers are kept quiet, and the answer is told as asked.

    A function that takes one of the options of `REPORT` by itself gets it, and sees to it. A parameter whose kind is a
    class of options, such as `Given`, stands for all of them.

    Args:
        group: The application, or the group of commands, that it belongs to.
        heading: Under which the help lists it.
        name: Its name, if that is not the function's.
    """

    def register(ask: "Callable[..., Answer[Any]]") -> Callable[..., None]:
        own = list(_spread(signature(ask).parameters.values()))
        groups: dict[str, Any] = {
            p.name: p.annotation for p in signature(ask).parameters.values() if is_dataclass(p.annotation)
        }
        added = [row for row in REPORT if row[0] not in {p.name for p in own}]

        def run(**asked: Any) -> None:
            told = {n: asked.pop(n) for n, _, _ in added}
            typed = dict(asked)
            for group_, kind in groups.items():
                asked[group_] = kind(**{f.name: asked.pop(f.name) for f in fields(kind)})
            try:
                with quiet_solvers():
                    answer = ask(**asked)
            except TensideError as error:
                repeat_in(error, typed)
                raise
            tell(answer, typed, **{"json": asked.get("json", False), "markdown": False, **told})

        every = [*own, *(_option(*row) for row in added)]
        run.__dict__["__signature__"] = Signature(every)
        run.__annotations__ = {p.name: p.annotation for p in every}
        run.__name__, run.__doc__, run.__module__ = ask.__name__, ask.__doc__, ask.__module__
        group.command(name, rich_help_panel=heading)(run)
        return run

    return register


def _option(name: str, kind: Any, value: Any) -> Parameter:
    return Parameter(name, Parameter.POSITIONAL_OR_KEYWORD, default=value, annotation=kind)


def _spread(parameters: Iterable[Parameter]) -> Iterator[Parameter]:
    """Yield the options of a command one by one, those of a class of options in its place."""
    for p in parameters:
        if is_dataclass(p.annotation):
            yield from (_option(f.name, f.type, f.default) for f in fields(p.annotation))
        else:
            yield p


def changes_of(changes: list[str] | None) -> list[tuple[str, str]]:
    """Return --set options as (key, value)."""
    pairs = []
    for change in changes or []:
        key, sign, value = change.partition("=")
        if not sign or not key.strip():
            raise UsageError(f"--set {change}: write KEY=VALUE, such as active.at_least=10.")
        pairs.append((key.strip(), value.strip()))
    return pairs


def _wanted(text: str) -> tuple[str, tuple[float | None, float | None]]:
    """Return a reading with its limits of 'READING=LOW:HIGH'."""
    from optimizer.data.sheet import number_of

    what, sign, ends = text.partition("=")
    low, colon, high = ends.partition(":")
    try:
        if not sign or not colon or not (low.strip() or high.strip()):
            raise ValueError
        return what.strip(), (
            number_of(low) if low.strip() else None,
            number_of(high) if high.strip() else None,
        )
    except ValueError:
        raise UsageError(f"--want {text}: write READING=LOW:HIGH, such as viscosity=3000: or separated=:10.") from None


@contextlib.contextmanager
def quiet_solvers() -> Iterator[None]:
    """Send what solvers print on stdout to stderr, so that stdout holds the answer alone."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:
        yield
        return
    try:
        os.dup2(2, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def tell(
    answer: "Answer[Any]",
    typed: dict[str, Any],
    json: bool,
    markdown: bool,
    html: Path | None = None,
    pdf: Path | None = None,
) -> None:
    """Print an answer as it was asked for, its next steps with the options that were typed; end with its exit code."""
    if json:
        print_json(answer.record())
    else:
        from optimizer.report.naming import retold

        def again(document: "Document") -> "Document":
            return retold(document, lambda text: repeated(text, typed))

        save_beside(lambda: again(answer.page()), html, pdf)
        show(again(answer.document()), markdown)
        if answer.closing:
            say(repeated(answer.closing, typed))
    raise typer.Exit(answer.exit_code)


def show(document: "Document", markdown: bool) -> None:
    """Print a document as text or Markdown."""
    if markdown:
        from optimizer.report.formats.markdown import markdown as as_markdown

        say(as_markdown(document).rstrip())
    else:
        from optimizer.report.formats.terminal import show

        show(document)


def save_beside(page: "Callable[[], Document]", *paths: Path | None) -> None:
    """Write a page to the files that are named, and say so beside the answer."""
    from optimizer.answers.writing import save

    for path in filter(None, paths):
        save(page(), path)
        aside(f"wrote {path}")


def print_lines(text: str, stream: IO[str]) -> None:
    """Print lines without what could drive a terminal or turn its reading direction."""
    from optimizer.report.formats.escape import printable

    stream.write("\n".join(map(printable, text.split("\n"))) + "\n")


def say(text: str) -> None:
    """Print a line on stdout."""
    print_lines(text, sys.stdout)


def aside(text: str) -> None:
    """Print a line on stderr, beside the answer."""
    print_lines(text, sys.stderr)


def print_json(value: Any) -> None:
    """Print an answer as JSON."""
    from optimizer.report.formats.escape import json_for
    from optimizer.report.record import as_json

    sys.stdout.write(json_for(as_json(value), sys.stdout.encoding or "utf-8") + "\n")

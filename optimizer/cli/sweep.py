"""`tenside range`: many scenarios at once."""

import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, Given, TimeLimit, app, aside, changes_of, command
from optimizer.errors import UsageError
from optimizer.immutable import immutable

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from optimizer.sweep.grid import Grid
    from optimizer.sweep.run import Progress, Ranged
    from optimizer.sweep.source import Source

PATIENCE_S = 10.0
"""How long a scheduler may take to answer [s]."""


@immutable
class Axes:
    """Options of a command: what differs from scenario to scenario."""

    vary: Annotated[
        list[str] | None,
        typer.Option(
            help="What differs: KEY=FROM:TO:STEP or KEY=V1,V2, with the keys of --set and price.ID. Repeatable: "
            "every value of one with every value of the others."
        ),
    ] = None
    missing: Annotated[list[str] | None, typer.Option(help="Material: run with it and without it. Repeatable.")] = None
    table: Annotated[
        Path | None, typer.Option(help="CSV of scenarios, its columns headed like the keys of --vary and missing.ID.")
    ] = None

    def grid(self) -> "Grid":
        """Return the scenarios that are asked for."""
        from optimizer.sweep import grid

        every = [*map(grid.axis, self.vary or []), *map(grid.missing, self.missing or [])]
        crossed = grid.crossed(every)
        return grid.joined(grid.read_table(self.table), crossed) if self.table else crossed


@command(app, FORMULA, "range")
def range_command(
    scenario: Annotated[str, typer.Argument(help="A scenario (file or shipped name), or a folder of scenarios.")],
    axes: Axes = Axes(),
    out: Annotated[
        Path | None,
        typer.Option(help="Table of all answers: .csv, .xlsx or .parquet. A run that was cut short goes on there."),
    ] = None,
    jobs: Annotated[int, typer.Option(help="Processes on this machine.", min=1, max=256)] = 1,
    cluster: Annotated[
        str, typer.Option(help="Address of a Dask scheduler that runs the scenarios, such as tcp://host:8786.")
    ] = "",
    given: Given = Given(),
    time_limit: TimeLimit = 60.0,
) -> Answer[Any]:
    """Answer many scenarios: limits, prices and missing materials varied, or a folder or table of them.

    One that fails is told in its row and stops nothing. In a folder, a file that others extend and that names no
    product is no brief of its own. Exit code 0 if every scenario has a verdict and one a formula,
    4 if none has a formula, 5 if some have no verdict.
    """
    from optimizer.sweep.source import sources_of

    gc.enable()  # a long run makes more than a blend does, and its cycles must go
    libraries = None if given.library is None else tuple(given.library)
    changes = tuple(changes_of(given.changes))
    sources = sources_of(scenario, changes, shelf=given.shelf, libraries=libraries, time_limit=time_limit)
    return _run(sources, axes.grid(), out, jobs, cluster)


def _run(sources: "tuple[Source, ...]", grid: "Grid", out: Path | None, jobs: int, cluster: str) -> "Answer[Ranged]":
    """Run everything, and say where a run that is cut short goes on."""
    from optimizer.answers.questions import run_scenarios
    from optimizer.sweep.tables import pieces_beside

    try:
        with _progress() as progress, _executor(cluster) as (executor, workers):
            answer = run_scenarios(
                sources, grid, out=out, jobs=jobs, executor=executor, workers=workers, progress=progress
            )
    except KeyboardInterrupt:
        if out is not None and pieces_beside(out).is_dir():
            aside(f"\ntenside: cut short; the same command goes on from {pieces_beside(out)}")
        raise typer.Exit(130) from None
    if out is not None:
        aside(f"wrote {out}")
    return answer


@contextmanager
def _progress() -> "Iterator[Progress | None]":
    """Show progress on stderr while it is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("scenarios"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("scenarios")
        update: Callable[[int, int], None] = lambda done, total: bar.update(task, completed=done, total=total)  # noqa: E731
        yield update


@contextmanager
def _executor(cluster: str) -> "Iterator[tuple[Executor | None, Callable[[], int] | None]]":
    """Connect to a cluster, if one is named; the second tells how many workers it has."""
    if not cluster:
        yield None, None
        return
    try:
        from distributed import Client  # type: ignore[import-not-found,unused-ignore]
    except ImportError:
        raise UsageError("--cluster needs the package distributed. Install 'tenside[cluster]'.") from None
    try:
        client: Any = Client(cluster, timeout=PATIENCE_S)  # type: ignore[no-untyped-call,unused-ignore]
    except Exception as error:  # the library raises what it likes, an assertion of its own included
        step = "Write it as tcp://host:8786."
        raise UsageError(f"--cluster {cluster}: no scheduler answers there ({error}). {step}") from None
    try:
        yield client.get_executor(), lambda: _workers(client)
    finally:
        with suppress(Exception):  # a scheduler that is gone cannot be taken leave of
            client.close(timeout=5)


def _workers(client: Any) -> int:
    """Return how many workers the scheduler has now; none if it does not answer, whatever it said before."""
    try:
        told = client.sync(client.scheduler.identity, callback_timeout=PATIENCE_S)
        return len(told["workers"])
    except OSError:  # a lost connection or a time-out
        return 0

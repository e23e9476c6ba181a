"""`tenside thicken`: the thickening log of a batch."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.cli.common import BENCH, Files, NotAdded, Strikes, Why, app, command
from optimizer.errors import UsageError


@command(app, BENCH)
def thicken(
    batch: Annotated[Path, typer.Argument(help="Batch file.")],
    material: Annotated[str, typer.Option(help="Id, name or everyday word of the thickener.")] = "",
    added: Annotated[
        str,
        typer.Option(help="Thickener added so far, all additions together, with its unit: 21g, or 0.5% of the batch."),
    ] = "",
    viscosity: Annotated[float | None, typer.Option(help="Reading in mPa·s.")] = None,
    flow: Annotated[float | None, typer.Option(help="Reading: time to run out of a cup or funnel, s.")] = None,
    judged: Annotated[int | None, typer.Option(help="Reading: 1 like water to 5 like a gel.")] = None,
    waited: Annotated[float | None, typer.Option(help="Mixed and waited before the reading, min.")] = None,
    temperature: Annotated[float | None, typer.Option(help="Temperature of the reading, °C.")] = None,
    ph: Annotated[float | None, typer.Option(help="pH read again after the addition.")] = None,
    target: Annotated[float | None, typer.Option(help="Wanted reading, in the unit that the log uses.")] = None,
    on: Annotated[str, typer.Option(help="Date, or date and time, such as 2026-05-04T10:30.")] = "",
    note: Annotated[str, typer.Option(help="Remark.")] = "",
    lot: Annotated[str, typer.Option(help="Lot of the thickener that was added.")] = "",
    sure: Annotated[
        bool, typer.Option("--sure", help="More than the limit is in, or it was not planned, and it is meant so.")
    ] = False,
    strike: Strikes = None,
    why: Why = "",
    not_added: NotAdded = False,
    files: Files = Files(),
) -> Answer[Any]:
    """Show the thickening log of a batch and the next step, or log a step: stop at the target, warn past the peak."""
    from optimizer.answers.logs import note_thickening
    from optimizer.bench.strike import asked_of

    found = files.subject(str(batch))
    if found.batch is None:
        raise UsageError(f"{batch} is no batch file.")
    readings = {"viscosity_mpas": viscosity, "flow_s": flow, "judged": judged}
    rest = {"waited_min": waited, "temperature_c": temperature, "ph": ph, "on": on or None, "note": note or None}
    wrong = asked_of(strike, why, day_of(""), not_added=not_added)
    return note_thickening(
        found, material, added=added, reading={**readings, **rest, "lot": lot or None}, target=target, wrong=wrong,
        sure=sure,
    )  # fmt: skip

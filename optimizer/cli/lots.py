"""`tenside restandardise | robust`: formulas at measured lots, and formulas that are safe against lots."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import (
    FORMULA,
    Changes,
    Libraries,
    ScenarioName,
    ShelfFile,
    app,
    brief_of,
    changes_of,
    command,
)


@command(app, FORMULA)
def restandardise(
    formula: Annotated[Path, typer.Argument(help="Table of material and percent (or grams), or a blend's JSON.")],
    scenario: ScenarioName,
    batch: Annotated[float, typer.Option(help="Batch of product, kg.", min=0.001)],
    lot: Annotated[
        list[str] | None,
        typer.Option(help="Measured active matter, MATERIAL=ACTIVE in % as sold; else the shelf's lots. Repeatable."),
    ] = None,
    step: Annotated[
        float | None, typer.Option(help="Step of the scale, g; else the brief's scale_step of the batch.", min=1e-6)
    ] = None,
    free: Annotated[bool, typer.Option("--free", help="Let every dose move; the sum of the changes is least.")] = False,
    active_band: Annotated[
        float, typer.Option(help="Half-width within which active matter is kept, % of the product.", min=0, max=100)
    ] = 0.05,
    charge_band: Annotated[
        float, typer.Option(help="Half-width within which the share of each charge is kept, points.", min=0, max=100)
    ] = 2.0,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Bring a formula to the measured lots, in grams.

    With --lot the formula was planned with the shelf's lots (else the library's typical figures); without it the
    formula was planned with typical figures and the shelf's lots are the measured ones.
    """
    from optimizer.answers.lots import restandardise as bring

    return bring(
        formula, scenario, kg=batch, lots=lot or (), step_g=step, free=free, active_band=active_band,
        charge_band=charge_band, changes=changes_of(changes), shelf=shelf, libraries=library,
    )  # fmt: skip


@command(app, FORMULA)
def robust(
    scenario: ScenarioName,
    off: Annotated[float, typer.Option(help="How many materials may be off at once.", min=0)] = 1.0,
    price_off: Annotated[float, typer.Option(help="How far a price may be off, %.", min=0, max=100)] = 0.0,
    draws: Annotated[int, typer.Option(help="Random lots that both formulas are tried with.", min=1)] = 10_000,
    seed: Annotated[int, typer.Option(help="Seed of the random lots.", min=0)] = 1,
    time_limit: Annotated[float, typer.Option(help="Seconds for each integer program.", min=0.1)] = 60.0,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Find the formula that keeps its rules while lots differ, and say what that safety costs."""
    from optimizer.answers import questions

    brief = brief_of(scenario, changes, shelf, library)
    return questions.robust(brief, off=off, price_off=price_off, draws=draws, seed=seed, time_limit=time_limit)

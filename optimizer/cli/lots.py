"""`tenside restandardise | robust`: formulas at measured lots, and formulas that are safe against lots."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, Bands, Given, ScenarioName, TimeLimit, app, changes_of, command


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
    bands: Bands = Bands(),
    given: Given = Given(),
) -> Answer[Any]:
    """Bring a formula to the measured lots, in grams.

    A blend's JSON tells with which lots it was planned; it is brought to those that --lot names, else to the shelf's.
    A table was planned with the shelf's lots if --lot names others (else the library's typical figures); without --lot
    it was planned with typical figures and the shelf's lots are the measured ones.
    """
    from optimizer.answers.lots import restandardise as bring

    return bring(
        formula, scenario, kg=batch, lots=lot or (), step_g=step, **vars(bands), changes=changes_of(given.changes),
        **given.files,
    )  # fmt: skip


@command(app, FORMULA)
def robust(
    scenario: ScenarioName,
    off: Annotated[float, typer.Option(help="How many materials may be off at once.", min=0)] = 1.0,
    price_off: Annotated[float, typer.Option(help="How far a price may be off, %.", min=0, max=100)] = 0.0,
    draws: Annotated[int, typer.Option(help="Random lots that both formulas are tried with.", min=1)] = 10_000,
    seed: Annotated[int, typer.Option(help="Seed of the random lots.", min=0)] = 1,
    time_limit: TimeLimit = 60.0,
    given: Given = Given(),
) -> Answer[Any]:
    """Find the formula that keeps its rules while lots differ, and say what that safety costs."""
    from optimizer.answers import questions

    brief = given.brief(scenario)
    return questions.robust(brief, off=off, price_off=price_off, draws=draws, seed=seed, time_limit=time_limit)

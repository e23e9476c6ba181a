"""`tenside restandardise | robust`: formulas at measured lots, and formulas that are safe against lots."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.brief.brief import Brief


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
    from optimizer.brief.scenario import find_scenario
    from optimizer.solve.existing import read_given
    from optimizer.studies.restandardise import Batch
    from optimizer.studies.restandardise import restandardise as run_restandardise

    brief, given = read_given(
        formula, find_scenario(scenario), changes=changes_of(changes), shelf=shelf, libraries=library
    )
    lots = _lots(lot, brief)
    if not lot:
        lots, brief = _shelf_lots(brief, given.doses)
    grams = step if step is not None else brief.scenario.scale_step * batch * 10
    asked = Batch(batch, grams, free, active_band, charge_band)
    done = run_restandardise(brief, given.doses, lots, asked, given.notes)
    return Answer("restandardise", done, 0 if done.weighed is not None and not done.stopped else 4)


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


def _lots(options: list[str] | None, brief: "Brief") -> dict[str, float]:
    """Return --lot options as active matter by id."""
    from optimizer.data.pool import lot_doubt
    from optimizer.data.sheet import number_of
    from optimizer.intake.names import material_of

    lots = {}
    for option in options or []:
        name, sign, text = (part.strip() for part in option.partition("="))
        if not sign or not name:
            raise UsageError(f"--lot {option}: write MATERIAL=ACTIVE, such as cocamidopropyl-betaine=29.6.")
        try:
            name = material_of(name, brief.library.materials)
        except UsageError as error:
            raise UsageError(f"--lot {option}: {error}") from None
        try:
            active = number_of(text.removesuffix("%").strip())
        except ValueError:
            raise UsageError(f"--lot {option}: '{text}' is not a number.") from None
        doubt = "it must lie above 0 and up to 100 %." if not 0 < active <= 100 else ""
        doubt = doubt or lot_doubt(brief.library.by_id[name], active)
        if doubt:
            raise UsageError(f"--lot {option}: {doubt}")
        lots[name] = active
    return lots


def _shelf_lots(brief: "Brief", doses: dict[str, float]) -> tuple[dict[str, float], "Brief"]:
    """Return the shelf's measured lots of a formula, and the brief at the library's typical figures."""
    from dataclasses import replace

    from optimizer.data.pool import Ingredient

    lots = {
        i.id: i.line.lot_active
        for i in brief.pool.items
        if i.line is not None and i.line.lot_active is not None and doses.get(i.id, 0.0) > 0
    }
    if not lots:
        raise UsageError(
            "no lot is measured: name one with --lot MATERIAL=ACTIVE, or in the shelf's column 'lot active'."
        )
    items = tuple(Ingredient(brief.library.by_id[i.id], i.price, i.line) for i in brief.pool.items)
    return lots, replace(brief, pool=brief.pool.with_items(items))

"""Measured lots through the door: a formula is brought to them, in grams."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from optimizer.answers.answer import Answer
from optimizer.answers.subject import subject_of
from optimizer.brief.brief import Brief
from optimizer.brief.scenario import find_scenario
from optimizer.data.facts import Material
from optimizer.data.formula_file import GivenFormula
from optimizer.data.names import material_of
from optimizer.data.pool import Ingredient, lot_doubt
from optimizer.data.sheet import number_of
from optimizer.errors import UsageError
from optimizer.solve.existing import read_given
from optimizer.studies.restandardise import BatchAsked, Restandardised
from optimizer.studies.restandardise import restandardise as bring
from optimizer.uncertainty.lots import lot_range
from optimizer.units import AS_TYPED, number

AS_TYPICAL = (
    "the formula is taken as planned at typical active matter, and brought to the lots of the shelf; if it came from a "
    "blend with this shelf, they are counted in it already, and there is nothing to bring"
)
WITH_LOTS = "a blend counts the lots of its shelf already; name one that came since with --lot MATERIAL=ACTIVE"


def restandardise(
    formula: Path,
    scenario: str,
    *,
    kg: float,
    lots: Iterable[str] = (),
    step_g: float | None = None,
    free: bool = False,
    active_band: float = 0.05,
    charge_band: float = 2.0,
    changes: Iterable[tuple[str, str]] = (),
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
) -> Answer[Restandardised]:
    """Bring a formula to the measured lots, in grams.

    With lots the formula was planned with the shelf's lots (else the library's typical figures). Without them the
    shelf's lots are the measured ones: a blend's JSON was planned with them, a table with typical figures; it is said.

    Args:
        formula: Table of material and percent (or grams), or a blend's JSON.
        scenario: A scenario file, or the name of a shipped one.
        kg: Batch of product [kg].
        lots: Measured active matter as typed, MATERIAL=ACTIVE in % as sold.
        step_g: Step of the scale [g]; else the brief's scale_step of the batch.
        free: Whether every dose may move.
        active_band: Half-width within which active matter is kept [% of the product].
        charge_band: Half-width within which the share of each charge is kept [points].
        changes: What-ifs on the scenario.
        shelf: Shelf instead of the scenario's.
        libraries: Library files instead of the shipped ones.
    """
    brief, given = read_given(formula, find_scenario(scenario), changes=changes, shelf=shelf, libraries=libraries)
    measured = _measured(lots, brief)
    if not measured:
        measured, typical = _shelf_lots(brief, given.doses)
        blended = given.target is not None  # a blend's own answer was planned with the lots of its shelf
        brief, basis = (brief, WITH_LOTS) if blended else (typical, AS_TYPICAL)
        given = replace(given, notes=(*given.notes, basis))
    step = brief.scenario.scale_step * kg * 10 if step_g is None else step_g
    return _brought(brief, given, measured, BatchAsked(kg, step, free, active_band, charge_band))


def best_at_lot(scenario: Path, material: str, active: float, *, kg: float, step_g: float) -> Answer[Restandardised]:
    """Bring the best formula of a brief, as it is weighed, to one measured lot, in grams.

    Args:
        scenario: The brief, whose shelf holds the lots that the formula is planned with.
        material: Id of what the lot is of.
        active: Measured active matter of the lot [% as sold].
        kg: Batch of product [kg].
        step_g: Step of the scale [g].

    Raises:
        DataError: If the brief cannot be used or is impossible.
        UsageError: If the lot cannot be, or the formula does not use the material.
    """
    found = subject_of(str(scenario))
    brief, formula = found.brief, found.formula
    given = GivenFormula(formula.doses, formula.held_back, (), found.setting.target)
    measured = _measured([f"{material}={active!r}"], brief)
    planned = replace(brief, pool=replace(brief.pool, held_back=formula.held_back))
    return _brought(planned, given, measured, BatchAsked(kg, step_g))


def lot_doubts(material: Material, active: float) -> tuple[str, str]:
    """Return what is impossible, and what is unusual, about a lot's measured active matter; each empty if nothing is.

    Args:
        material: Of which it is a lot.
        active: As measured [% as supplied].
    """
    low, high = lot_range(material)
    if low - AS_TYPED <= active <= high + AS_TYPED:
        return lot_doubt(material, active), ""
    usual = f"{number(low, 2)} to {number(high, 2)} %" if low < high else f"{number(low, 2)} %"
    unusual = f"{number(active, 2)} % is not the usual {usual}: is it active matter, or total solids?"
    return lot_doubt(material, active), unusual


def _brought(brief: Brief, given: GivenFormula, lots: Mapping[str, float], batch: BatchAsked) -> Answer[Restandardised]:
    done = bring(brief, given.doses, lots, batch, given.notes, at=given.target)
    return Answer("restandardise", done, 0 if done.weighed is not None and not done.stopped else 4)


def _measured(lots: Iterable[str], brief: Brief) -> dict[str, float]:
    """Return measured lots as active matter by id."""
    found = {}
    for option in lots:
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
        found[name] = active
    return found


def _shelf_lots(brief: Brief, doses: dict[str, float]) -> tuple[dict[str, float], Brief]:
    """Return the shelf's measured lots of a formula, and the brief at the library's typical figures."""
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

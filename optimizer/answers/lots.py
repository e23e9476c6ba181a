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
from optimizer.uncertainty.lots import at_lots, lot_range
from optimizer.units import AS_TYPED, listed, number

AS_TYPICAL = (
    "the formula is taken as planned at typical active matter, and brought to the lots of the shelf; if it came from a "
    "blend with this shelf, they are counted in it already, and there is nothing to bring"
)
AS_TOLD = "the blend tells with which lots it was planned; it is brought to those that are named, and to the shelf's"
ON_SHELF = (
    "the shelf holds the lot that is named for {} already, so the formula is taken as planned at typical active matter "
    "of it; give the JSON of the blend if it was planned with another lot"
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

    A blend's JSON tells with which lots it was planned; the measured ones are those that are named, else the shelf's.
    A table was planned with the shelf's lots (else typical figures) where lots are named, but for one that the shelf
    holds already; with typical figures where none is named: then the shelf's lots are the measured ones. It is said.

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
    named, held = _measured(lots, brief), _shelf_lots(brief, given.doses)
    if not named and not held:
        raise UsageError(
            "no lot is measured: name one with --lot MATERIAL=ACTIVE, or in the shelf's column 'lot active'."
        )
    planned, measured, basis = _planned(given, named, held)
    brief, given = _at(brief, planned), replace(given, notes=(*given.notes, *basis))
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


def _shelf_lots(brief: Brief, doses: Mapping[str, float]) -> dict[str, float]:
    """Return the shelf's measured lots of a formula, as active matter by id."""
    return {
        i.id: i.line.lot_active
        for i in brief.pool.items
        if i.line is not None and i.line.lot_active is not None and doses.get(i.id, 0.0) > 0
    }


def _planned(
    given: GivenFormula, named: Mapping[str, float], held: Mapping[str, float]
) -> tuple[Mapping[str, float], Mapping[str, float], tuple[str, ...]]:
    """Return the lots that a formula was planned with, those that it is brought to, and what that rests on.

    Args:
        given: The formula.
        named: Lots that were named.
        held: The shelf's.
    """
    if given.lots is not None:
        since = {name: active for name, active in held.items() if not _same(active, given.lots.get(name))}
        return given.lots, {**(since if named else held), **named}, (AS_TOLD,)
    if not named:
        blended = given.target is not None  # no table tells a pH
        return (held, held, (WITH_LOTS,)) if blended else ({}, held, (AS_TYPICAL,))
    there = [name for name, active in named.items() if _same(active, held.get(name))]
    before = {name: active for name, active in held.items() if name not in there}
    return before, named, (ON_SHELF.format(listed(there)),) if there else ()


def _same(active: float, other: float | None) -> bool:
    return other is not None and abs(active - other) <= AS_TYPED


def _at(brief: Brief, lots: Mapping[str, float]) -> Brief:
    """Return a brief whose candidates are at these lots, all others at the library's typical figures."""
    pool, typical = brief.pool, brief.library.by_id
    pool = pool.with_items(Ingredient(typical[i.id], i.price, i.line) for i in pool.items)
    return replace(brief, pool=at_lots(pool, brief.library, lots))

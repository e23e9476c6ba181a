"""What a bench command is about: a brief that is blended, a formula that exists, or a batch file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from optimizer.answers.stock import with_stock_left
from optimizer.bench.batch import Batch, is_batch, meant, read_batch
from optimizer.bench.made import booked, materials_in
from optimizer.brief.brief import Brief, load_brief, widened
from optimizer.brief.scenario import find_scenario, named_beside
from optimizer.data.formula import Formula, Line
from optimizer.errors import fault
from optimizer.immutable import immutable
from optimizer.rules.row import Setting
from optimizer.shell import quoted
from optimizer.solve.best import solve
from optimizer.solve.existing import best_setting, formula_at, read_given
from optimizer.solve.result import Result

TABLES = (".csv", ".xlsx", ".json")


@immutable
class Subject:
    """A formula with the brief that it must keep.

    Attributes:
        name: What to call it.
        brief: Its brief; the pool holds every material of the formula.
        formula: Doses as planned; with the part held back they sum to 100.
        setting: Target pH and its window.
        scenario: Path of the scenario.
        batch: The batch file's content, if it is one.
        batch_path: The batch file.
        result: The blend, if the brief was solved for it.
        notes: What was assumed.
    """

    name: str
    brief: Brief
    formula: Formula
    setting: Setting
    scenario: Path
    batch: Batch | None = None
    batch_path: Path | None = None
    result: Result | None = None
    notes: tuple[str, ...] = ()


def subject_of(
    name: str,
    *,
    against: str = "",
    changes: Iterable[tuple[str, str]] = (),
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
    rest: str = "",
) -> Subject:
    """Return what a name on the command line stands for.

    Args:
        name: A batch file, a scenario (file or shipped name: its best formula is taken, on the grid of the scale), or a
            formula (.csv, .xlsx, or the .json of a blend).
        against: Scenario that a formula is held against; a scenario and a batch file bring their own.
        changes: What-ifs on the scenario.
        shelf: Shelf instead of the scenario's.
        libraries: Library files instead of the shipped ones.
        rest: Material that makes a formula up to 100 %, if no line of it says so.

    Raises:
        DataError: If a file cannot be used or the brief is impossible.
    """
    changes, libraries = list(changes), None if libraries is None else list(libraries)
    path = Path(name)
    if path.suffix.lower() in TABLES:
        if not against:
            raise fault(name, "", "a formula alone has no brief.", "Name its scenario with --for SCENARIO.")
        scenario = find_scenario(against)
        brief, given = read_given(path, scenario, changes=changes, shelf=shelf, libraries=libraries, rest=rest)
        brief = with_stock_left(brief)
        formula = formula_at(brief.pool, given.doses)
        notes = (*given.notes, *brief.assumptions)
        setting = best_setting(brief, formula, given.target)
        return Subject(path.stem, brief, formula, setting, scenario, notes=notes)
    if is_batch(path):
        return _of_batch(path, changes, shelf, libraries)
    scenario = find_scenario(name)
    brief = with_stock_left(load_brief(scenario, changes=changes, shelf=shelf, libraries=libraries))
    result = solve(brief, weighable=True)
    formula_found = result.weighable
    if formula_found is None:
        step = f"See what clashes: tenside blend {quoted(name)}"
        raise fault(str(scenario), "", f"no formula came out of it ({result.ending}).", step)
    title = brief.scenario.name
    return Subject(title, brief, formula_found, result.setting, scenario, result=result, notes=brief.assumptions)


def _of_batch(path: Path, changes: list[tuple[str, str]], shelf: Path | None, libraries: list[Path] | None) -> Subject:
    batch = read_batch(path)
    return of_batch(batch, named_beside(path, batch.brief), path, changes, shelf, libraries)


def of_batch(
    batch: Batch,
    scenario: Path,
    path: Path | None = None,
    changes: Iterable[tuple[str, str]] = (),
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
) -> Subject:
    """Return what a batch is about; see `subject_of`. `path` is its file, if it lies in one."""
    also = {*batch.doses, *(w.material for w in batch.weighed), *(t.material for t in batch.thickening)}
    brief = load_brief(scenario, changes=changes, shelf=shelf, libraries=libraries, also=also)
    batch = booked(meant(batch, brief.library.materials), brief.library.by_id, _priced(brief))
    used = materials_in(batch, brief.library.by_id)
    if not brief.pool.index.keys() >= set(used):
        brief = widened(brief, used)
    pool = brief.pool
    lines = _of_lots_weighed(formula_at(pool, batch.doses).lines, batch, brief)
    formula = Formula(lines, batch.held_back_percent, pool.later, pool.thickeners)
    setting = Setting(batch.ph_target, batch.ph_low, batch.ph_high) if batch.ph_target else best_setting(brief, formula)
    title = f"{batch.product or brief.scenario.name}, batch {batch.batch}"
    return Subject(title, brief, formula, setting, scenario, batch, path, notes=brief.assumptions)


def _of_lots_weighed(lines: tuple[Line, ...], batch: Batch, brief: Brief) -> tuple[Line, ...]:
    """Return the lines with what the shelf holds of the lot that was weighed, where that is another one."""
    names = brief.library.names
    shelf = brief.shelf.lines if brief.shelf else ()

    def changed(line: Line) -> Line:
        item, lots = line.item, {w.lot for w in batch.weighed if w.material == line.item.id and w.lot}
        if item.line is None or not item.line.lot or not lots or lots == {item.line.lot}:
            return line
        there = [ln for ln in shelf if {ln.lot} == lots and names.get(ln.material.casefold()) == {item.id}]
        read = {"lot_ph": None, "lot_ph_at": None} | ({n: getattr(there[0], n) for n in OF_LOT} if there else {})
        return replace(line, item=replace(item, line=item.line.model_copy(update=read)))

    return tuple(changed(line) for line in lines)


OF_LOT = ("lot", "lot_ph", "lot_ph_at", "titrated_mmol_per_g")
"""What a shelf line tells of the pH of its lot."""


def _priced(brief: Brief) -> set[str]:
    """Return the ids that have a price on the shelf."""
    names = brief.library.names
    lines = brief.shelf.lines if brief.shelf else ()
    return {name for ln in lines if ln.price_per_kg is not None for name in names.get(ln.material.casefold(), ())}

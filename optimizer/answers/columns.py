"""Columns of a comparison from what the command line names: scenarios are solved, formulas are read."""

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from optimizer.answers.stock import stocked_brief
from optimizer.brief.brief import Brief
from optimizer.brief.scenario import find_scenario
from optimizer.errors import UsageError
from optimizer.immutable import replace
from optimizer.solve.best import solve
from optimizer.solve.existing import best_setting, formula_at, read_given
from optimizer.studies.compare import Side

FORMULAS = (".csv", ".xlsx", ".json")


def sides_of(
    columns: Iterable[str], against: str = "", *, shelf: Path | None = None, libraries: Iterable[Path] | None = None
) -> tuple[Side, ...]:
    """Return one side per named scenario or formula file.

    Raises:
        UsageError: If formulas are named without any scenario to measure them by.
        DataError: If a file cannot be used.
    """
    columns, libraries = list(columns), None if libraries is None else list(libraries)
    scenarios = [c for c in columns if Path(c).suffix.lower() not in FORMULAS]
    measured_by = against or (scenarios[0] if scenarios else "")
    if not measured_by:
        raise UsageError("compare: name a scenario that measures the formulas, with --against.")
    sides = []
    for name in columns:
        if name in scenarios:
            sides.append(_solved(stocked_brief(name, shelf=shelf, libraries=libraries)))
        else:
            sides.append(_given(Path(name), find_scenario(measured_by), shelf, libraries))
    names = told_apart([side.name for side in sides], columns)
    return tuple(replace(side, name=name) for side, name in zip(sides, names, strict=True))


def told_apart(names: Sequence[str], files: Sequence[str]) -> list[str]:
    """Return names; those that are shared have their file with them, those of one file their place too."""
    shared = Counter(names)
    named = [f"{n} ({Path(f).name})" if shared[n] > 1 and f else n for n, f in zip(names, files, strict=True)]
    again = Counter(named)
    return [f"{name}, column {k}" if again[name] > 1 else name for k, name in enumerate(named, 1)]


def _solved(brief: Brief) -> Side:
    result = solve(brief, weighable=True)
    return Side(brief.scenario.name, brief, result.weighable, result.setting, result.ending, brief.assumptions)


def _given(path: Path, scenario: Path, shelf: Path | None, libraries: list[Path] | None) -> Side:
    brief, given = read_given(path, scenario, shelf=shelf, libraries=libraries)
    formula = formula_at(brief.pool, given.doses)
    setting = best_setting(brief, formula, given.target)
    return Side(path.stem, brief, formula, setting, "given", (*given.notes, *brief.assumptions))

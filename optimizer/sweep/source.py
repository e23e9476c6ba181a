"""Where the briefs of a range come from, and the answers of some of their scenarios."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from math import isnan
from pathlib import Path

import numpy as np
import numpy.typing as npt

from optimizer.brief.brief import Brief, load_brief
from optimizer.brief.defaults import NAME as BENCH
from optimizer.brief.scenario import Scenario, find_scenario
from optimizer.data.planned import plan_of_pool
from optimizer.errors import DataError, Problem, TensideError, nearest
from optimizer.files import is_folder, read_toml
from optimizer.immutable import replace
from optimizer.sweep.family import Family
from optimizer.sweep.frame import Frame, failed, scattered
from optimizer.sweep.grid import Grid
from optimizer.sweep.learnt import Pools
from optimizer.sweep.single import limit_of, own

OTHER_FILES = frozenset(
    {"batch", "material", "substance", "override", "packaging", "labour", "freight", "overhead", "sale"}
)
"""Tables by which library, costs and batch files are known."""


@dataclass(frozen=True)
class Source:
    """A brief by its file, or as it is.

    Attributes:
        name: How its scenarios are told.
        path: Scenario file; None if `brief` is given.
        brief: The brief itself; only limits, prices and missing materials can then differ.
        changes: What-ifs that hold for all its scenarios.
        shelf: Shelf that replaces the scenario's own.
        libraries: Library files or folders that replace the scenario's own and the shipped one.
        time_limit: Seconds for each integer program [s].
        stocked: What is left of the stock of a brief that was read, such as less what kept batches used.
    """

    name: str
    path: Path | None = None
    brief: Brief | None = None
    changes: tuple[tuple[str, str], ...] = ()
    shelf: Path | None = None
    libraries: tuple[Path, ...] | None = None
    time_limit: float = 60.0
    stocked: Callable[[Brief], Brief] | None = None

    def load(self, more: Iterable[tuple[str, str]] = ()) -> Brief:
        """Return the brief with further what-ifs.

        Raises:
            DataError: If it cannot be used.
        """
        if self.brief is not None:
            return self.brief
        assert self.path is not None
        brief = load_brief(self.path, changes=[*self.changes, *more], shelf=self.shelf, libraries=self.libraries)
        return self.stocked(brief) if self.stocked else brief

    def briefs(self, grid: Grid, about: tuple[str, ...]) -> Iterator[tuple[Brief, npt.NDArray[np.int64]]]:
        """Yield the briefs of scenarios that differ in keys about something, with their positions.

        Args:
            grid: The scenarios.
            about: First words of the keys that are looked at; all others stand as in the brief. What is unusable then
                is left out.
        """
        keys = [k for k in grid.keys if k.partition(".")[0] in about] if self.brief is None else []
        columns = [_values_in_words(grid.column(k)) for k in keys]
        groups: dict[tuple[str, ...], list[int]] = {}
        for position in range(len(grid) if keys else 0):
            groups.setdefault(tuple(c[position] for c in columns), []).append(position)
        for values, members in groups.items() if keys else (((), range(len(grid))),):
            with suppress(TensideError):
                brief = self.load([(k, v) for k, v in zip(keys, values, strict=True) if v != ""])
                yield brief, np.array(members)

    def families(self, grid: Grid, pools: Pools | None = None, base: Brief | None = None) -> Frame:
        """Return the answers of scenarios, each group of equal structure by its own family.

        What cannot be run is told in its row and stops nothing else.

        Args:
            grid: The scenarios.
            pools: What each group begins with; what it learns is put there.
            base: The brief, if it is loaded already.
        """
        try:
            base = base or self.load()
        except TensideError as error:
            return failed(len(grid), str(error))
        grid, bad = _figures(base, grid)
        parts: list[tuple[npt.NDArray[np.int64], Frame]] = []
        for keys, structural, where in self._groups(base, grid, np.setdiff1d(np.arange(len(grid)), list(bad))):
            some = Grid(keys, tuple(grid.column(k)[where] for k in keys), where.size)
            try:
                frame = self._answered(base, some, structural, {} if pools is None else pools)
            except TensideError as error:
                frame = failed(where.size, str(error))
            parts.append((where, frame))
        for position, message in bad.items():
            parts.append((np.array([position]), failed(1, message)))
        return scattered(parts)

    def _answered(self, base: Brief, grid: Grid, structural: tuple[tuple[str, str], ...], pools: Pools) -> Frame:
        """Return the answers of scenarios that share a matrix and have these structural values."""
        brief = self.load(structural) if structural else base
        problems = unknown_keys(brief, grid.keys, self.name)
        if problems:
            raise DataError(problems)
        group = grid.keys, structural
        family = Family(brief, grid.keys, self.time_limit, pools.get(group))
        frame = family.solve(grid)
        pools.pop(group, None)
        pools[group] = family.learnt()
        return frame

    def _groups(
        self, base: Brief, grid: Grid, rows: npt.NDArray[np.int64]
    ) -> Iterable[tuple[tuple[str, ...], tuple[tuple[str, str], ...], npt.NDArray[np.int64]]]:
        """Yield keys, structural what-ifs and positions of scenarios that can share a matrix."""
        structural = [k for k in grid.keys if not own(k) and limit_of(base, k) is None]
        exact = [k for k in grid.keys if k.endswith(".exactly") and k not in structural]
        if not structural and not exact:
            if rows.size:
                yield grid.keys, (), rows
            return
        groups: dict[tuple[object, ...], list[int]] = {}
        columns = [_values_in_words(grid.column(k)) for k in structural] + [np.isnan(grid.column(k)) for k in exact]
        for position in rows:
            groups.setdefault(tuple(c[position] for c in columns), []).append(int(position))
        for values, members in groups.items():
            blank = {k for k, empty in zip(exact, values[len(structural) :], strict=True) if empty}
            keys = tuple(k for k in grid.keys if k not in structural and k not in blank)
            said = tuple((k, str(v)) for k, v in zip(structural, values, strict=False) if v != "")
            yield keys, said, np.array(members)


def _values_in_words(column: npt.NDArray[np.float64] | npt.NDArray[np.object_]) -> list[str]:
    """Return values as the command line would write them."""
    return [v if isinstance(v, str) else "" if isnan(v) else repr(v) for v in column.tolist()]


def _figures(base: Brief, grid: Grid) -> tuple[Grid, dict[int, str]]:
    """Return the grid with limits and prices as numbers, and the scenarios in which one is none."""
    columns, bad = [], {}
    for key, column in zip(grid.keys, grid.columns, strict=True):
        if column.dtype == object and (own(key) or limit_of(base, key) is not None):
            figures = np.full(len(grid), np.nan)
            for position, text in enumerate(column):
                try:
                    figures[position] = float(text) if text else np.nan
                except ValueError:
                    bad[position] = f"{key}: '{text}' is not a number."
            column = figures
        columns.append(column)
    return replace(grid, columns=tuple(columns)), bad


def unknown_keys(brief: Brief, keys: Iterable[str], where: str) -> list[Problem]:
    """Return a problem for every key that leads nowhere in a brief."""
    problems = []
    later = plan_of_pool(brief.pool).names
    for key in keys:
        name = key.partition(".")[2]
        if own(key):
            if name in brief.pool.index or name in later:
                continue
            known = brief.pool.ids
            why = brief.left_out.get(name, "")
            what = f"'{name}' is no candidate of this brief{f': {why}' if why else ''}."
            problems.append(Problem(where, key, what, "" if why else nearest(name, known)))
        elif limit_of(brief, key) is None and key.partition(".")[0] not in Scenario.model_fields:
            stated = [r.id for r in brief.scenario.rule]
            owner = key.rpartition(".")[0]
            what = "there is no rule or table of that name."
            step = nearest(owner or key, [*stated, *Scenario.model_fields])
            if owner in stated:
                what = "a range varies plain limits only, and this is none."
                step = "Write one brief per value (extends) into a folder and give range the folder."
            problems.append(Problem(where, key, what, step))
    return problems


def unmoved(brief: Brief, keys: Iterable[str], where: str, step: str) -> list[Problem]:
    """Return a problem for every key that no move of a brief reaches, because it changes more than figures.

    Args:
        brief: The brief.
        keys: Keys that lead somewhere.
        where: What problems are told of.
        step: What to do instead.
    """
    what = "this changes more than limits, prices and missing materials."
    return [Problem(where, key, what, step) for key in keys if not own(key) and limit_of(brief, key) is None]


def sources_of(
    name: str,
    changes: tuple[tuple[str, str], ...] = (),
    *,
    shelf: Path | None = None,
    libraries: tuple[Path, ...] | None = None,
    time_limit: float = 60.0,
) -> tuple[Source, ...]:
    """Return the brief of a scenario, or one per scenario file of a folder, sorted by name.

    A file of the folder that others extend and that names no product is common ground, not a brief; neither is a
    library, costs or batch file.

    Raises:
        DataError: If nothing is found.
    """
    folder = Path(name)
    paths = _products(sorted(folder.glob("*.toml"))) if is_folder(folder) else [find_scenario(name)]
    if not paths and not is_folder(shipped_one := find_scenario(name)):
        paths = [shipped_one]
    if not paths:
        raise DataError([Problem(name, "", "the folder holds no scenario.", "Put .toml files into it.")])
    return tuple(Source(p.stem, p, None, changes, shelf, libraries, time_limit) for p in paths)


def _products(paths: list[Path]) -> list[Path]:
    """Return the files that are briefs and no common ground; what cannot be read stays, to be told in its own row."""
    stated = {}
    for path in paths:
        try:
            stated[path] = read_toml(path)
        except DataError:
            stated[path] = {"product": "unreadable"}
    extended = {raw.get("extends") for raw in stated.values() if isinstance(raw.get("extends"), str)}
    briefs = [p for p in paths if "name" in stated[p] or not (p.name == BENCH or OTHER_FILES & stated[p].keys())]
    return [p for p in briefs if stated[p].get("product") or not {p.name, p.stem} & extended]

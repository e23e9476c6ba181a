"""The maker's folder: every name that a page may speak of is looked up in its list, none is made into a path."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from optimizer.bench.batch import Batch, batch_from
from optimizer.brief.listing import OTHERS, BriefLine, briefs_of
from optimizer.data.formula_file import holds_formula
from optimizer.errors import DataError, fault
from optimizer.files import read_toml
from optimizer.records import STORE

T = TypeVar("T")
COSTS = {"packaging", "labour", "freight", "overhead", "sale"}
"""Tables by which a file of costs is known."""


@dataclass(frozen=True)
class BatchFile:
    """A batch file of the folder.

    Attributes:
        name: How addresses call it.
        path: Where it lies.
        batch: What it holds; None if it cannot be read.
        trouble: Why not.
        changed: When it was last written [s], to show the latest first.
    """

    name: str
    path: Path
    batch: Batch | None
    trouble: str
    changed: float


class UnknownNameError(DataError):
    """A name that is not in the folder's list."""


class Seen(Generic[T]):
    """What files hold, read again only when a file has changed."""

    def __init__(self, read: Callable[[Path], T]) -> None:
        self._read, self._kept, self._lock = read, dict[Path, tuple[tuple[int, int, int], T]](), threading.Lock()

    def __call__(self, path: Path) -> T:
        """Return what a file holds now."""
        found = path.stat()
        as_it_is = (found.st_mtime_ns, found.st_size, found.st_ino)
        with self._lock:
            kept = self._kept.get(path)
        if kept is not None and kept[0] == as_it_is:
            return kept[1]
        value = self._read(path)
        with self._lock:
            if len(self._kept) > 2000:
                self._kept.clear()
            self._kept[path] = as_it_is, value
        return value


def name_of(folder: Path, path: Path) -> str:
    """Return how addresses call a file of the folder: its name without the ending, after its folder's if it has one."""
    return path.relative_to(folder).with_suffix("").as_posix().replace("/", "~")


def apart(listed: Iterable[tuple[str, str]]) -> list[tuple[str, str, str]]:
    """Return what a list shows: how addresses call each, its title, and its file where another has the same title."""
    every = list(listed)
    titles = Counter(title for _, title in every)
    return [(name, title, name.replace("~", "/") if titles[title] > 1 else "") for name, title in every]


def in_a_choice(listed: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return the same as values and words to choose from, where no letters can be quiet."""
    return [(name, f"{title} ({file})" if file else title) for name, title, file in apart(listed)]


class Folder:
    """The files of one folder, and those right below it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._toml: Seen[dict[str, Any] | DataError] = Seen(_toml)
        self._formula = Seen(holds_formula)

    def every(self) -> list[Path]:
        """Return the files that may be a brief, a batch or a series; hidden ones are nobody's."""
        return self._ending(".toml")

    def _ending(self, *endings: str) -> list[Path]:
        found = sorted(p for e in endings for p in (*self.path.glob(f"*{e}"), *self.path.glob(f"*/*{e}")))
        hidden = (p.name.startswith(".") or (p.parent.name.startswith(".") and p.parent != self.path) for p in found)
        return [path for path, hides in zip(found, hidden, strict=True) if not hides]

    def name_of(self, path: Path) -> str:
        """Return how addresses call a file of the folder."""
        return name_of(self.path, path)

    def _files(self) -> Iterator[tuple[Path, dict[str, Any] | DataError]]:
        for path in self.every():
            try:
                yield path, self._toml(path)
            except OSError:
                continue  # gone since it was listed

    def batches(self) -> list[BatchFile]:
        """Return the batch files, the one that was written last first."""
        found = []
        for path, raw in self._files():
            if isinstance(raw, DataError) or "batch" not in raw:
                continue
            try:
                batch, trouble = batch_from(raw, str(path)), ""
            except DataError as error:
                batch, trouble = None, error.problems[0].what
            found.append(BatchFile(name_of(self.path, path), path, batch, trouble, _written(path)))
        return sorted(found, key=lambda b: (-b.changed, b.name))

    def broken(self) -> list[tuple[str, str]]:
        """Return files that are no TOML, with the reason."""
        return [(p.name, raw.problems[0].what) for p, raw in self._files() if isinstance(raw, DataError)]

    def batch(self, name: str) -> BatchFile:
        """Return a batch file by the name that addresses call it.

        Raises:
            UnknownNameError: If there is none of this name.
            DataError: If it cannot be used as it is.
        """
        found = next((b for b in self.batches() if b.name == name), None)
        if found is None:
            trouble = next((raw for p, raw in self._files() if isinstance(raw, DataError) and p.stem == name), None)
            raise trouble or _unknown("batch", name)
        if found.batch is None:
            batch_from(read_toml(found.path), str(found.path))
        return found

    def trials(self) -> list[tuple[str, Path]]:
        """Return the series of trials, each with how addresses call it."""
        return [
            (name_of(self.path, path), path)
            for path, raw in self._files()
            if not isinstance(raw, DataError) and "trials" in raw and "beaker" in raw
        ]

    def series(self, name: str) -> Path:
        """Return where a series of trials lies.

        Raises:
            UnknownNameError: If there is none of this name.
        """
        return _named("series of trials", name, self.trials())

    def briefs(self) -> list[tuple[str, BriefLine]]:
        """Return the maker's own briefs, each with how addresses call it."""
        own = briefs_of(self.path).own
        return [(name_of(self.path, Path(line.call)), line) for line in own]

    def products(self) -> list[tuple[str, str]]:
        """Return the briefs that can be used, each with how addresses call it and its words to choose it by."""
        return in_a_choice((name, line.name or name) for name, line in self.briefs() if not line.trouble)

    def brief(self, name: str) -> Path:
        """Return where a brief of the maker's own lies.

        Raises:
            UnknownNameError: If there is none of this name.
        """
        path, raw = next((found for found in self._files() if name_of(self.path, found[0]) == name), (Path(), {}))
        if isinstance(raw, DataError):
            raise raw
        if "name" not in raw or OTHERS & raw.keys():
            raise UnknownNameError(
                fault(name, "", "there is no brief of this name here.", "Look at the bench.").problems
            )
        return path

    def costs(self) -> dict[str, Path]:
        """Return the files of what products cost besides materials, by how addresses call them."""
        return {
            name_of(self.path, path): path
            for path, raw in self._files()
            if not isinstance(raw, DataError) and COSTS & raw.keys() and not {"batch", "name"} & raw.keys()
        }

    def formulas(self) -> list[tuple[str, Path]]:
        """Return the maker's own formulas, tables of materials and doses, each with how addresses call it."""
        found = [p for p in self._ending(".csv", ".xlsx") if self._is_formula(p)]
        return [(p.relative_to(self.path).as_posix().replace("/", "~"), p) for p in found]

    def _is_formula(self, path: Path) -> bool:
        try:
            return self._formula(path)
        except OSError:
            return False  # gone since it was listed

    def formula(self, name: str) -> Path:
        """Return where a formula of the maker's own lies.

        Raises:
            UnknownNameError: If there is none of this name.
        """
        return _named("formula", name, self.formulas())

    @property
    def records(self) -> Path:
        """Where records of the folder are kept; it may not be there yet."""
        return self.path / STORE

    @property
    def empty(self) -> bool:
        """Whether nothing lies here that the desk could show."""
        return next(self._files(), None) is None and not self.records.exists()


def _named(kind: str, name: str, listed: list[tuple[str, Path]]) -> Path:
    found = next((path for called, path in listed if called == name), None)
    if found is None:
        raise _unknown(kind, name)
    return found


def _unknown(kind: str, name: str) -> UnknownNameError:
    return UnknownNameError(fault(name, "", f"there is no {kind} of this name here.").problems)


def _toml(path: Path) -> dict[str, Any] | DataError:
    try:
        return read_toml(path)
    except DataError as error:
        return error


def _written(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0

"""A first working folder: everything commented, and solvable as it lies (the files of `first_folder/`)."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import DataError, Problem
from optimizer.files import found_at, write_atomic

FIRST_FOLDER = Path(__file__).with_name("first_folder")
NAMES = ("shelf.csv", "materials.toml", "first-brief.toml", "costs.toml", "bench.toml")


def lay(folder: Path) -> list[Path]:
    """Write the files of a first working folder.

    Raises:
        DataError: If one of them exists already; then nothing is written.
    """
    files = [folder / name for name in NAMES]
    taken = [path for path in files if found_at(path)]
    if taken:
        step = "Choose another folder."
        raise DataError(Problem(str(p), "", "the file exists and would be lost.", step) for p in taken)
    for path in files:
        write_atomic(path, (FIRST_FOLDER / path.name).read_text(encoding="utf-8"))
    return files

"""A first working folder: everything commented, and solvable as it lies (the files of `first_folder/`)."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import DataError, Problem
from optimizer.files import found_at, write_atomic

FIRST_FOLDER = Path(__file__).with_name("first_folder")
FIRST_BRIEF = "first-brief.toml"
NAMES = ("shelf.csv", "materials.toml", FIRST_BRIEF, "costs.toml", "bench.toml")


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


def lay_what_is_missing(folder: Path) -> list[Path]:
    """Write the files of a first working folder that are not there, but for the first brief; return the new ones.

    An example shelf that stands beside somebody's own materials names no others.
    """
    absent = [folder / name for name in NAMES if name != FIRST_BRIEF and not found_at(folder / name)]
    own = (folder / "materials.toml") not in absent
    for path in absent:
        text = (FIRST_FOLDER / path.name).read_text(encoding="utf-8")
        if own and path.name == "shelf.csv":
            text = "".join(line for line in text.splitlines(keepends=True) if not line.startswith("my-"))
        write_atomic(path, text)
    return absent

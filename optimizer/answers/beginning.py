"""A product begun from a maker's answers: its brief is laid beside the shelf, by page and program alike."""

from __future__ import annotations

from pathlib import Path

from optimizer.answers.starter import NAMES, lay_what_is_missing
from optimizer.brief.beginning import Wanted, barred_perfume, brief_file, first_brief
from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.defaults import bench_defaults
from optimizer.brief.scenario import beside, scenario_from
from optimizer.data.library import Library, chosen_library
from optimizer.data.shelf import Shelf, read_shelf
from optimizer.errors import fault
from optimizer.files import found_at, toml_of, write_atomic

SHELVES = ("shelf.csv", "shelf.xlsx")
OWN = "materials.toml"
BRIEF = "brief.toml"
"""Stands for any brief where only its folder counts."""


def begin(folder: Path, wanted: Wanted) -> tuple[Path, Brief]:
    """Write the brief that a maker's answers ask for, and return it; an example shelf is laid if there is none.

    Args:
        folder: Where products, shelf and own materials lie.
        wanted: The answers.

    Raises:
        DataError: With every answer that cannot be used, or if a product of that name is there; then no brief is
            written.
    """
    path = brief_file(folder, wanted.name)
    if path.name in NAMES:
        what = f"{path.name} is what another file of the folder is called."
        raise fault("your answers", "name", what, "Choose another name.")
    if found_at(path):
        raise fault("your answers", "name", f"a file {path.name} is there already.", "Choose another name.")
    library = library_in(folder)
    first_brief(wanted, library)  # refused before anything is laid
    if why := barred_perfume(wanted, library):
        what = f"{library.by_id[wanted.perfume].name} and what must not be in exclude each other: {why}."
        step = f"Take no perfume, allow that, or enter your own perfume in {OWN} with what its supplier declares."
        raise fault("your answers", "perfume", what, step)
    if not any(found_at(folder / name) for name in (*SHELVES, _of_the_bench(folder))):
        lay_what_is_missing(folder)
    shelf_name, shelf = shelf_in(folder)
    library = library_in(folder)
    own = [OWN] if found_at(folder / OWN) else []
    currency = next((line.currency for line in shelf.lines if line.currency), "EUR")
    text = first_brief(wanted, library, shelf=shelf_name, own=own, currency=currency)
    brief = make_brief(scenario_from(toml_of(text, str(path)), str(path)), library, shelf, where=str(path))
    write_atomic(path, text)
    return path, brief


def library_in(folder: Path) -> Library:
    """Return the shipped library with the folder's own materials."""
    own = folder / OWN
    return chosen_library(own=[own] if found_at(own) else [])


def shelf_in(folder: Path) -> tuple[str, Shelf]:
    """Return the name of the folder's shelf, and the shelf.

    Raises:
        DataError: If there is none, or it cannot be read.
    """
    for name in (_of_the_bench(folder), *SHELVES):
        if name and found_at(folder / name):
            return name, read_shelf(beside(folder / BRIEF, name, "shelf"))
    raise fault(str(folder), "shelf", "there is no shelf here.", f"Lay one: {SHELVES[0]}.")


def _of_the_bench(folder: Path) -> str:
    """Return the shelf that the bench's defaults name, else the usual one."""
    return bench_defaults(folder / BRIEF).shelf or SHELVES[0]

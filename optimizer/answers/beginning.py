"""A product begun from a maker's answers: its brief is laid beside the shelf, by page and program alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from optimizer.answers.starter import NAMES, lay_what_is_missing
from optimizer.brief.beginning import PRODUCTS, Wanted, barred_perfume, brief_file, first_brief, scents
from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.defaults import bench_defaults
from optimizer.brief.scenario import beside, scenario_from
from optimizer.data.library import Library, chosen_library
from optimizer.data.names import material_of
from optimizer.data.sheet import number_of
from optimizer.data.shelf import Shelf, read_shelf
from optimizer.errors import DataError, UsageError, fault
from optimizer.files import found_at, toml_of, write_atomic
from optimizer.immutable import immutable, replace
from optimizer.units import listed

SHELVES = ("shelf.csv", "shelf.xlsx")
OWN = "materials.toml"
BRIEF = "brief.toml"
"""Stands for any brief where only its folder counts."""


@immutable
class Begun:
    """A product that was begun.

    Attributes:
        path: Its brief's file.
        brief: The brief.
        laid: What had to be laid besides, where there was no shelf.
    """

    path: Path
    brief: Brief
    laid: tuple[Path, ...] = ()


def begin(folder: Path, wanted: Wanted) -> Begun:
    """Write the brief that a maker's answers ask for; an example shelf is laid if there is none.

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
    stocked = any(found_at(folder / name) for name in (*SHELVES, _of_the_bench(folder)))
    laid = () if stocked else tuple(lay_what_is_missing(folder))
    shelf_name, shelf = shelf_in(folder)
    library = library_in(folder)
    own = [OWN] if found_at(folder / OWN) else []
    currency = next((line.currency for line in shelf.lines if line.currency), "EUR")
    text = first_brief(wanted, library, shelf=shelf_name, own=own, currency=currency)
    brief = make_brief(scenario_from(toml_of(text, str(path)), str(path)), library, shelf, where=str(path))
    if wanted.perfume and (why := brief.why_no_candidate(library.by_id[wanted.perfume])):
        what = f"{library.by_id[wanted.perfume].name} could not go in: {why}."
        raise fault("your answers", "perfume", what, f"Write {wanted.perfume} with its price on {shelf_name} first.")
    write_atomic(path, text)
    return Begun(path, brief, laid)


OPTIONS = {"acidity": "ph"}
"""Questions that are typed under another name than they are kept."""


def begin_as_typed(folder: Path, product: str, said: Mapping[str, str | Sequence[str]]) -> Begun:
    """Begin a product by typed answers (see `wanted_by` and `begin`); what cannot be used is told as it was typed.

    Raises:
        DataError: With every answer that cannot be used.
    """
    try:
        return begin(folder, wanted_by(folder, product, said))
    except DataError as error:
        raise DataError(replace(p, key=OPTIONS.get(p.key, p.key)) for p in error.problems) from None


def wanted_by(folder: Path, product: str, said: Mapping[str, str | Sequence[str]]) -> Wanted:
    """Return a maker's answers as they are typed: words with hyphens or blanks, materials by any name.

    Args:
        folder: Where the product will lie.
        product: What it is; also its name, if it has none of its own.
        said: The other answers, by field of `Wanted`; those that are left out are as usual.

    Raises:
        UsageError: If it is not told what it is, or a figure or material is none.
    """
    if not product:
        raise UsageError(f"--product: say what it is: {listed([o.key for o in PRODUCTS], 'or')}.")
    library = library_in(folder)
    found = {key: _answer(key, text, library) for key, text in said.items()}
    kind = _word(product)
    return Wanted(**{"name": kind.capitalize(), "product": kind, **found})


def _answer(key: str, text: str | Sequence[str], library: Library) -> Any:
    """Return one answer as `Wanted` has it."""
    if not isinstance(text, str):
        return tuple(_answer(key, one, library) for one in text)
    if key in ("perfume_percent", "budget"):
        return _figure(key, text)
    if key == "perfume":
        return material_of(text, [library.by_id[i] for i in scents(library)])
    if key == "without":
        return material_of(text, library.materials)
    return text if key == "name" else _word(text)


def _word(text: str) -> str:
    return " ".join(text.replace("-", " ").split()).lower()


def _figure(key: str, text: str) -> float:
    try:
        return number_of(text)
    except ValueError as error:
        raise UsageError(f"--{key.replace('_', '-')}: '{text}' {error}.") from None


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

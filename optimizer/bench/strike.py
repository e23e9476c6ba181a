"""Lines of a batch file that were noted wrongly: they stay, struck through with the reason, and count no more."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Literal

from optimizer.bench.batch import Batch, change_batch
from optimizer.bench.lines import AddedLine, BenchLine
from optimizer.errors import UsageError, fault
from optimizer.immutable import immutable
from optimizer.units import number

Kind = Literal["weighed", "reading", "step"]
WORDS: dict[Kind, str] = {"weighed": "weight", "reading": "pH reading", "step": "step of thickening"}
STAYS = " (what was added stays in)"


@immutable
class Struck:
    """A line that counts no more."""

    number: int
    """Its number among the lines of its kind, in the order of the file."""
    line: str
    """What it said."""
    why: str
    on: str
    """Day on which it was struck."""


@immutable
class Strike:
    """What is to be struck, and why."""

    number: int
    why: str
    on: str
    not_added: bool = False
    """Whether the addition of the line was not made either; else it stays in, and the reading alone is struck."""


def asked_of(number: int | None, why: str, on: str, *, not_added: bool = False) -> Strike | None:
    """Return what --strike, --why and --not-added ask for together, None for nothing.

    Raises:
        UsageError: If one of them is missing.
    """
    if number is None:
        if why or not_added:
            raise UsageError(f"{'--why' if why else '--not-added'}: say which line with --strike NUMBER.")
        return None
    if not why.strip():
        raise UsageError("--strike: say why with --why; the reason is kept beside the line.")
    return Strike(number, why.strip(), on, not_added)


def lines_of(batch: Batch, kind: Kind) -> Iterator[tuple[int, str, BenchLine]]:
    """Yield every line of a kind with its number and what it says, struck ones included."""
    found: list[tuple[str, BenchLine]] = []
    if kind == "weighed":
        found = [
            (f"{w.material} {number(w.grams, 3)} g{f' of lot {w.lot}' * bool(w.lot)}", w) for w in batch.all_weighed
        ]
    elif kind == "reading":
        found = [
            (f"pH {number(r.ph, 2)} at {number(r.added_g, 3)} g of {a.chemical}, {a.of}", r)
            for a in batch.adjustment
            for r in a.all_readings
        ]
    else:
        found = [(f"{t.material} {number(s.added_percent, 3)} %", s) for t in batch.thickening for s in t.all_steps]
    return ((n, *pair) for n, pair in enumerate(found, 1))


def struck_of(batch: Batch, kind: Kind) -> tuple[Struck, ...]:
    """Return the struck lines of a kind."""
    return tuple(
        Struck(n, f"{said}{STAYS}" if _stays(e) else said, e.struck, e.struck_on)
        for n, said, e in lines_of(batch, kind)
        if e.struck
    )


def _stays(line: BenchLine) -> bool:
    return isinstance(line, AddedLine) and line.addition_stays


def strike(document: Any, batch: Batch, kind: Kind, asked: Strike) -> None:
    """Strike a line of a parsed batch file.

    Raises:
        DataError: If there is no such line, or it is struck already.
    """
    lines = [entry for _, _, entry in lines_of(batch, kind)]
    there = f"There are {len(lines)}: number 1 to {len(lines)}."
    may_strike(batch.where, kind, WORDS[kind], lines, asked, there)
    table = _tables(document, kind)[asked.number - 1]
    mark(table, asked)
    added = float(table.get("added_g", table.get("added_percent", 0.0)))
    table.pop("addition_stays", None)
    if added > 0 and not asked.not_added:
        table["addition_stays"] = True


def may_strike(where: str, key: str, word: str, lines: Sequence[BenchLine], asked: Strike, there: str) -> None:
    """Refuse to strike a line that is not there, or is struck already.

    Args:
        where: The file.
        key: Of the lines in it.
        word: What one of them is called.
        lines: All of their kind, struck ones included.
        asked: Which one is to be struck.
        there: How many there are, in a sentence.

    Raises:
        DataError: If it may not be struck.
    """
    key = f"{key} {asked.number}"
    if not 1 <= asked.number <= len(lines):
        there = there if lines else f"No {word} is noted yet."
        raise fault(where, key, f"there is no {word} of this number.", there)
    line = lines[asked.number - 1]
    struck = line.struck
    if struck and not (asked.not_added and _stays(line)):
        raise fault(where, key, f"this {word} is struck already ({struck}).", "Nothing is left to do.")


def mark(table: Any, asked: Strike) -> None:
    """Write into the table of a line that it is struck, and why."""
    table["struck"] = asked.why
    if asked.on:
        table["struck_on"] = asked.on


def strike_in(path: Path, kind: Kind, asked: Strike) -> Batch:
    """Strike a line of a batch file and return what the file holds now; see `strike`."""
    return change_batch(path, lambda document, batch: strike(document, batch, kind, asked))


def _tables(document: Any, kind: Kind) -> list[Any]:
    if kind == "weighed":
        return list(document["weighed"])
    owners = document["adjustment" if kind == "reading" else "thickening"]
    return [table for owner in owners for table in owner.get(kind, [])]

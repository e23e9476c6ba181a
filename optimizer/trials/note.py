"""What is typed at the bench of a series: readings and weights, checked before they are noted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, get_args

import tomlkit

from optimizer.bench.batch import append
from optimizer.bench.strike import Strike, mark, may_strike
from optimizer.data.sheet import heading_of, number_of, read_rows, text_of
from optimizer.errors import DataError, Problem, UsageError, fault, nearest
from optimizer.immutable import immutable
from optimizer.trials.series import LOST, SAYS, USUAL, Kind, Series, change_series, understood
from optimizer.units import slug

CSV = (".csv", ".xlsx")
YES = {"yes": "yes", "y": "yes", "x": "yes", "true": "yes", "no": "no", "n": "no", "false": "no"}
"""How people write yes and no."""


@immutable
class Typed:
    """One reading or weight as typed.

    Attributes:
        what: A reading's name, or the id of a material or a pre-dilution.
        value: As typed; 'yes' if only the name was.
    """

    beaker: int
    what: str
    value: str


@immutable
class How:
    """What goes along with readings.

    Attributes:
        kind: How a reading that nobody knows yet is read.
        unit: Its unit.
        further: Whether a second reading of the same beaker is meant so.
    """

    kind: str = ""
    unit: str = ""
    temperature: float | None = None
    after: str = ""
    by: str = ""
    on: str = ""
    further: bool = False


def typed_words(words: Sequence[str]) -> tuple[Typed, ...]:
    """Read what follows the file: a beaker's number and its readings, several beakers one after the other, or a table.

    Raises:
        UsageError: If no beaker is named.
        DataError: If the table cannot be read.
    """
    if len(words) == 1 and Path(words[0]).suffix.lower() in CSV:
        return typed_table(Path(words[0]))
    found: list[Typed] = []
    beaker: int | None = None
    for word in words:
        if word.isdigit():
            beaker = int(word)
            continue
        if beaker is None:
            raise UsageError(f"'{word}': name the beaker first, such as 3 viscosity=3200 clarity=4.")
        what, sign, value = (part.strip() for part in word.partition("="))
        if not what or (sign and not value):
            raise UsageError(f"'{word}': write READING=VALUE, such as viscosity=3200, or a word such as separated.")
        found.append(Typed(beaker, slug(what) if "." not in what else what, value if sign else "yes"))
    return tuple(found)


def typed_table(path: Path) -> tuple[Typed, ...]:
    """Read a table with a column 'beaker' and one column per reading; empty cells say nothing.

    Raises:
        DataError: If there is no such column, or a beaker has no number.
    """
    (_, heads), *rows = read_rows(path)
    names = [heading_of(text_of(h)) for h in heads]
    if "beaker" not in names:
        step = f"Head one 'beaker'. Columns found: {', '.join(n for n in names if n) or 'none'}."
        raise fault(f"{path}, row 1", "", "no column names the beaker.", step)
    place = names.index("beaker")
    found, problems = [], []
    for number, row in rows:
        cells = {names[k]: text_of(c) for k, c in enumerate(row) if k < len(names)}
        whole = text_of(row[place]).removesuffix(".0") if place < len(row) else ""
        if not whole.isdigit():
            problems.append(Problem(f"{path}, row {number}", "beaker", f"'{whole}' is no number of a beaker.", ""))
            continue
        found += [Typed(int(whole), slug(n), v) for n, v in cells.items() if n not in ("beaker", "") and v]
    if problems:
        raise DataError(problems)
    return tuple(found)


def note(
    path: Path, typed: Iterable[Typed], how: How, wrong: Strike | None = None, weight: Strike | None = None
) -> Series:
    """Note readings and weights in a series file, strike what was noted wrongly, and return what it holds now.

    Args:
        path: The file.
        typed: What was read.
        how: What goes along with it.
        wrong: The reading that is struck.
        weight: The weight that is struck.

    Raises:
        DataError: With every problem at once; then nothing is written.
    """
    typed = tuple(typed)

    def change(document: tomlkit.TOMLDocument, series: Series) -> None:
        for key, asked in (("reading", wrong), ("weighed", weight)):
            if asked is not None:
                _strike(document, series, key, asked)
        now = Series.model_validate(document.unwrap())
        entries: list[Entry] = []
        problems: list[Problem] = []
        declared = dict.fromkeys(now.measures, True)
        for one in typed:
            try:
                entries.append(_entry(now, one, how, declared, entries))
            except ValueError as error:
                problems.append(Problem(str(path), f"beaker {one.beaker}", *_split(str(error))))
        if problems:
            raise DataError(problems)
        for key, entry in entries:
            append(document, key, entry)

    return change_series(path, change)


def _split(said: str) -> tuple[str, str]:
    """Return what is wrong and the next step."""
    what, _, step = said.partition("|")
    return what, step


Entry = tuple[str, dict[str, Any]]


def _entry(series: Series, one: Typed, how: How, declared: dict[str, bool], before: list[Entry]) -> Entry:
    """Return where a typed line belongs and what it says, its measure declared before it if it is new.

    Raises:
        ValueError: If it cannot be noted: what is wrong, '|', the next step.
    """
    numbers = series.by_number
    if one.beaker not in numbers:
        raise ValueError(f"there is no beaker {one.beaker}.|There are beakers 1 to {max(numbers)}.")
    mixed = {m.id for m in series.mix}
    if one.what in series.region.materials or one.what in mixed:
        return "weighed", _weight(series, one, how)
    if one.what != LOST and one.what not in declared:
        before.append(("measure", _measure(series, one, how)))
        declared[one.what] = True
    kind = _kind(series, one.what, before)
    value = YES.get(one.value.lower(), one.value) if kind == "yes/no" or one.what == LOST else one.value
    if one.what == LOST:
        value = "yes"
    elif value != LOST:
        try:
            understood(value, kind)
        except ValueError as error:
            raise ValueError(f"{one.what}: '{one.value}' {error}.|{HELP[kind]}") from None
    known = [r.typed for r in series.reads(one.what) if r.beaker == one.beaker] if one.what in series.measures else []
    if known and not how.further:
        said = f"{one.what} of it is noted already ({', '.join(known)})."
        raise ValueError(f"{said}|Strike the wrong one with --strike, or add --further for a second reading.")
    entry: dict[str, Any] = {"beaker": one.beaker, "what": one.what, "read": value}
    if kind not in ("judged", "yes/no") and one.what != LOST:
        entry |= {k: v for k, v in (("temperature_c", how.temperature), ("with", how.by)) if v not in (None, "")}
    entry |= {k: v for k, v in (("after", how.after), ("on", how.on)) if v}
    return "reading", entry


HELP: dict[Kind, str] = {
    "number": "Write a number, >LIMIT, <LIMIT or lost.",
    "log": "Write a number above 0, >LIMIT, <LIMIT or lost.",
    "judged": "Write 1 to 5, or lost.",
    "yes/no": "Write yes or no, or lost.",
}


def _kind(series: Series, what: str, before: list[Entry]) -> Kind:
    """Return how a reading is read: as declared in the file, or just now."""
    if what in series.measures:
        return series.measures[what].kind
    fresh = next((e for key, e in before if key == "measure" and e["what"] == what), None)
    return "yes/no" if fresh is None else fresh["kind"]


def _measure(series: Series, one: Typed, how: How) -> dict[str, Any]:
    """Return the declaration of a reading that the file does not know yet."""
    kind, unit = USUAL.get(one.what, (how.kind, how.unit))
    if not kind:
        own = "For a reading of your own say how it is read: --as number, log, judged or yes/no."
        step = f"{nearest(one.what, expected(series))} {own}"
        raise ValueError(f"'{one.what}' is no reading, material or pre-dilution of this series.|{step}")
    if kind not in get_args(Kind):
        raise ValueError(f"--as {kind}: there is no such kind of reading.|{nearest(kind, get_args(Kind))}")
    return {"what": one.what, "kind": kind, "unit": how.unit or unit}


def expected(series: Series) -> set[str]:
    """Return every word that may be noted: readings, materials, pre-dilutions."""
    return {*series.measures, *USUAL, LOST, *series.region.materials, *(m.id for m in series.mix)}


def _weight(series: Series, one: Typed, how: How) -> dict[str, Any]:
    """Return a weight."""
    further, text = one.value.startswith("+"), one.value.removeprefix("+")
    amount, _, lot = (part.strip() for part in text.partition("@"))
    try:
        grams = number_of(amount.removesuffix("g").strip())
    except ValueError as error:
        raise ValueError(f"{one.what}: '{amount}' {error}.|Write grams, such as {one.what}=7.62g.") from None
    if not 0 <= grams <= series.grams:
        said = f"{one.what}: {amount} g cannot have gone into a beaker of {series.grams:g} g."
        raise ValueError(f"{said}|Write the grams of this beaker.")
    if one.what in series.put_in(one.beaker) and not further:
        said = f"{one.what} of it is weighed already ({series.put_in(one.beaker)[one.what]:g} g)."
        raise ValueError(f"{said}|Write {one.what}=+{amount} for a further portion, or strike the wrong one.")
    return {"beaker": one.beaker, "material": one.what, "grams": grams} | {
        k: v for k, v in (("lot", lot), ("on", how.on)) if v
    }


def _strike(document: Any, series: Series, key: str, asked: Strike) -> None:
    """Strike a reading or a weight of a parsed series file.

    Raises:
        DataError: If there is no such line, or it is struck already.
    """
    lines = series.all_readings if key == "reading" else series.all_weighed
    word = "reading" if key == "reading" else "weight"
    may_strike(series.where, key, word, lines, asked, f"There are {len(lines)}.")
    mark(document[key][asked.number - 1], asked)


def said_of(series: Series, number: int) -> str:
    """Return what a reading of a number says, for what is struck."""
    entry = series.all_readings[number - 1]
    return f"beaker {entry.beaker}: {entry.what}{'' if entry.read in SAYS else ' ' + entry.read}"

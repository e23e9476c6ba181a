"""A formula that the maker already has: percent or grams, from a table or from a blend's JSON."""

import json
from collections.abc import Iterable, Mapping
from pathlib import Path

from optimizer.data.facts import Material
from optimizer.data.names import names_of
from optimizer.data.sheet import beyond, number_of, read_rows, recognised, text_of
from optimizer.errors import DataError, Problem, fault, nearest
from optimizer.files import read_text
from optimizer.immutable import immutable, replace
from optimizer.units import listed, number

HEADINGS = {
    "material": ("material", "raw material", "ingredient", "item", "id", "inci", "inci name", "name", "phase a"),
    "percent": ("percent", "%", "% w/w", "w/w", "dose", "share", "per cent", "dose %"),
    "grams": ("grams", "g", "weight g", "weight", "mass g", "actual g", "weighed g"),
}
REST = ("q.s.", "qs", "to 100", "ad 100", "rest", "balance")
CLOSE = 0.05
"""A total this near to 100 [%] is taken as 100 and scaled the last bit."""
SCALED = 0.5
"""Up to so much [%] may be missing for the doses to be scaled to 100; common practice, no source: rounding, no line."""


@immutable
class GivenFormula:
    """Doses as given, with what was assumed to make them sum to 100.

    Attributes:
        doses: % w/w as supplied by material id, in file order.
        held_back: Part that the brief keeps free and the formula leaves open [%].
        notes: What was done to the figures.
        target: The pH that it aims at, None if its file tells none.
        lots: Active matter of each material as it was planned with [% as supplied], None if its file tells none.
    """

    doses: dict[str, float]
    held_back: float
    notes: tuple[str, ...]
    target: float | None = None
    lots: Mapping[str, float] | None = None


def holds_formula(path: Path) -> bool:
    """Return whether a table has the headings of a formula."""
    try:
        headings = [text_of(cell) for cell in read_rows(path)[0][1]]
    except DataError:
        return False
    fields, problems = recognised(str(path), headings, HEADINGS)
    return not problems and bool({"percent", "grams"} & set(fields.values()))


def read_formula(path: Path, materials: Iterable[Material], held_back: float, rest: str = "") -> GivenFormula:
    """Read a formula and bring it to 100 %.

    A total of 100 less the part held back is a plan before adjustment; a total above, or below by no more than
    rounding leaves, is scaled to 100 and said; where more is missing, somebody must say what the rest is. Grams are
    turned into percent. One line may be the rest ('q.s.').

    Args:
        path: CSV, XLSX, or JSON printed by a blend.
        materials: Known materials, for matching names.
        held_back: Part the brief keeps free [%].
        rest: Material that is the rest, if no line says so.

    Raises:
        DataError: With every problem at once.
    """
    known = names_of(materials)
    target, lots = None, None
    if path.suffix.lower() == ".json":
        rows, target, lots = _json_rows(path)
        given = "percent"
    else:
        rows, given = _table_rows(path)
    problems: list[Problem] = []
    doses: dict[str, float] = {}
    asked, rest = _asked(known, rest), ""
    for where, named, key, name, text in rows:
        found = known.get(name.casefold(), set())
        if len(found) != 1:
            what = f"'{name}' is not in the library."
            step = nearest(name, known, "Look it up with 'tenside library find WORD'.")
            if found:
                what, step = f"'{name}' could be {listed(sorted(found), 'or')}.", "Write the id."
            problems.append(Problem(where, named, what, step))
            continue
        material = next(iter(found))
        if text.casefold() in REST:
            if rest:
                problems.append(Problem(where, key, "a second line is the rest.", "Give it a figure."))
            rest = material
            continue
        try:
            value = number_of(text)
        except ValueError as error:
            problems.append(Problem(where, key, f"'{text}' {error}.", "Write a figure, or q.s. for one line."))
            continue
        if value < 0:
            problems.append(Problem(where, key, f"{text} is below 0.", "Correct the figure."))
        doses[material] = doses.get(material, 0.0) + value
    if problems:
        raise DataError(problems)
    if not doses and not rest:
        raise fault(str(path), "", "there is no dose in it.", "Give each material a percent or grams.")
    return replace(_to_hundred(path, doses, rest or asked, given, held_back), target=target, lots=lots)


def _to_hundred(path: Path, doses: dict[str, float], rest: str, given: str, held_back: float) -> GivenFormula:
    notes = []
    total = sum(doses.values())
    if rest:
        if given == "grams" or total > 100:
            raise fault(str(path), rest, "the rest cannot be worked out.", "Give every line a figure.")
        held = held_back if total <= 100 - held_back else 0.0
        doses[rest] = doses.get(rest, 0.0) + 100 - held - total
        kept = f" less {number(held)} % kept free" if held else ""
        notes.append(f"{rest} is the rest to 100 %{kept}: {number(doses[rest], 2)} %")
        if held_back > held:
            notes.append(f"nothing is kept free: the {number(held_back)} % of the brief do not fit beside the rest")
        return GivenFormula(doses, held, tuple(notes))
    if total <= 0:
        raise fault(str(path), "", "all doses are 0.", "Give each material a percent or grams.")
    if given == "grams":
        notes.append(f"weights of {number(total, 2)} g in all were turned into percent")
        return GivenFormula({k: 100 * v / total for k, v in doses.items()}, 0.0, tuple(notes))
    if held_back and abs(total + held_back - 100) <= CLOSE:
        scale, held = (100 - held_back) / total, held_back
        notes.append(f"the doses sum to {number(total, 2)} %: a plan with {number(held_back)} % kept free")
    else:
        if total < 100 - SCALED:
            missing = f"the doses sum to {number(total, 2)} %: {number(100 - total, 2)} % are missing."
            step = "Say what the rest is: write q.s. as its dose, or name it with --rest, such as --rest water."
            raise fault(str(path), "", missing, step)
        scale, held = 100 / total, 0.0
        if abs(total - 100) > CLOSE:
            notes.append(f"the doses sum to {number(total, 2)} %, not 100: every dose was scaled by {number(scale, 5)}")
    return GivenFormula({k: v * scale for k, v in doses.items()}, held, tuple(notes))


def _asked(known: Mapping[str, set[str]], rest: str) -> str:
    """Return the id of the material that is the rest, empty if nobody names one."""
    if not rest:
        return ""
    found = known.get(rest.casefold(), set())
    if len(found) != 1:
        raise fault("--rest", rest, "this is no material of the library.", nearest(rest, known))
    return next(iter(found))


Row = tuple[str, str, str, str, str]
"""Where a line stands, the keys of its material and of its dose, and both as written."""


def _table_rows(path: Path) -> tuple[list[Row], str]:
    table = read_rows(path)
    headings = [text_of(cell) for cell in table[0][1]]
    fields, problems = recognised(str(path), headings, HEADINGS)
    by_field = {field: position for position, field in fields.items()}
    if "percent" not in by_field and "grams" not in by_field:
        problems.append(Problem(f"{path}, row 1", "", "no column holds doses.", "Head one 'percent' or 'grams'."))
    if problems:
        raise DataError(problems)
    given = "percent" if "percent" in by_field else "grams"
    name_at, dose_at = by_field["material"], by_field[given]
    rows = []
    for number_, row in table[1:]:
        problems += beyond(f"{path}, row {number_}", row, headings)[0]
        name = text_of(row[name_at]) if name_at < len(row) else ""
        text = text_of(row[dose_at]) if dose_at < len(row) else ""
        if name and text and name.casefold() not in ("total", "sum"):
            keys = (f"column '{headings[name_at]}'", f"column '{headings[dose_at]}'")
            rows.append((f"{path}, row {number_}", *keys, name, text))
    if problems:
        raise DataError(problems)
    return rows, given


def _json_rows(path: Path) -> tuple[list[Row], float | None, dict[str, float] | None]:
    """Return the lines of a blend's JSON, the pH that it aims at, and the lots that it counted if it tells them."""
    try:
        data = json.loads(read_text(path))
        rounded = data.get("rounded") or {}
        lines = rounded.get("formula") or data["formula"]
        ph = data.get("ph")
        target = ph.get("target") if isinstance(ph, dict) else ph
        told = [(f"formula.{line['id']}", str(line["id"]), str(float(line["percent"]))) for line in lines]
        rows = [(str(path), key, key, name, percent) for key, name, percent in told]
        lots = {str(line["id"]): float(line["lot_active_percent"]) for line in lines if "lot_active_percent" in line}
        if not all(0 <= active <= 100 for active in lots.values()):
            raise ValueError
        return rows, None if target is None else float(target), lots or None
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
        step = "Use the output of 'tenside blend --json', or a table of material and percent."
        raise fault(str(path), "", "this is not the JSON of a blend.", step) from None

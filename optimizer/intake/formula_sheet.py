"""A maker's own formula sheet becomes a formula file, with everything that was assumed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.bench.amount import amount_of
from optimizer.data.formula_file import CLOSE, SCALED
from optimizer.data.library import Library
from optimizer.data.names import Meant, Names
from optimizer.data.sheet import Sheet, beyond, heading_of, number_of, read_sheets, text_of
from optimizer.errors import DataError, Problem, fault
from optimizer.immutable import immutable
from optimizer.intake.cells import SUMS, unread, whole_figures
from optimizer.intake.figures import PERCENT, Mark, decimal_mark, figure_in, settled, unit_of
from optimizer.intake.typed import IN_ONE_CELL, parted
from optimizer.intake.unclear import Unclear, UnclearError
from optimizer.units import AS_TYPED, listed, number

HEADINGS: Mapping[str, tuple[str, ...]] = {
    "material": (
        "material", "raw material", "ingredient", "ingredients", "item", "id", "inci", "inci name", "name",
        "trade name", "rohstoff", "zutat", "zutaten", "ingrediente", "ingredienti", "materia prima", "ingredient inci",
        "ingredients inci", "matiere premiere", "component", "components", "substance",
    ),
    "percent": (
        "percent", "%", "% w/w", "w/w", "w w", "% w w", "% ww", "dose", "dose %", "share", "per cent", "wt %", "wt%",
        "% wt", "weight %", "% by weight", "anteil", "anteil %", "prozent", "percentuale", "pourcentage", "pct",
        "formula %", "amount %", "% of formula", "g per 100 g", "g 100 g", "quantity %",
        "gew %", "gewichts %", "masse %", "massen %", "ma %", "mass %", "% m/m", "m/m",
    ),
    "grams": ("grams", "g", "gram", "weight g", "mass g", "gramm", "grammi", "grammes", "g per batch", "amount g"),
    "kilograms": ("kg", "kilograms", "kilogram", "weight kg", "mass kg", "amount kg", "kg per batch", "quantity kg"),
    "amount": ("amount", "quantity", "qty", "weight", "mass", "menge", "quantita", "quantite", "how much"),
    "unit": ("unit", "units", "uom", "unit of measure", "einheit", "unita", "unite"),
}  # fmt: skip
"""Headings that are recognised, by field; case, spaces and punctuation do not matter."""

DOSES = ("percent", "grams", "kilograms", "amount")
TOTALS = ("total", "totals", "sum", "summe", "totale", "somme", "gesamt", "sub total", "subtotal", "zwischensumme")
REST = ("q s to 100", "qs to 100", "to 100", "ad 100", "up to 100", "rest", "balance", "add to 100", "100", "auf 100")
EFFECT = ("q s", "qs", "as needed", "to effect", "as required", "to ph", "n b", "nach bedarf", "if needed", "q b", "qb")
LARGEST_SEARCH = 40
"""Rows within which a line of headings is looked for."""
FAR = 10.0
"""A sum further than this from 100 [%] lacks a line or counts one twice; common practice, no source."""


@immutable
class TakenLine:
    """One dose as it was taken in."""

    material: str
    """Id."""
    percent: float
    """% w/w as supplied."""
    written: str
    """The name in the sheet."""
    row: int
    """Where it stood; the first row if several were added up."""


@immutable
class TakenFormula:
    """A formula that was taken in."""

    lines: tuple[TakenLine, ...]
    """In file order; with `held_back` they sum to 100."""
    held_back: float
    """Part that the brief keeps free [%]."""
    to_effect: tuple[str, ...]
    """Materials that the sheet adds to effect, without a dose."""
    assumed: tuple[str, ...]
    """What was assumed, in sentences."""
    alarm: str = ""
    """What is to be said before anything else: the doses are not those of the sheet."""


@dataclass
class _Cell:
    """A dose as written: a figure, the rest, or to effect."""

    row: int
    name: str
    meant: Meant
    figure: float | None
    rest: bool
    unit: str = ""
    own_unit: bool = False
    own_percent: bool = False


def read_formula_sheet(
    path: Path, library: Library, *, held_back: float = 0.0, own: Mapping[str, str] | None = None
) -> TakenFormula:
    """Read a formula sheet as people keep it.

    Columns may stand in any order under any sensible heading, above them titles. Percent, grams, or amounts with a unit
    in the cell; a range of percent counts with its middle; one line may be the rest to 100; lines 'q.s.' are added to
    effect and have no dose, but water 'q.s.' is the rest. Totals are left out. What does not quite sum to 100 is
    scaled, and said first.

    Args:
        path: CSV or XLSX.
        library: For the names.
        held_back: Part that the brief keeps free [%]; counts only where the sheet has a rest or leaves it open.
        own: Material ids by the sheet's own words.

    Raises:
        DataError: With every problem at once: names that are not certain, volumes and kitchen measures; doses whose sum
            is far from 100 %.
    """
    assumed: list[str] = []
    sheet, head = _headed(path, assumed)
    fields, begin, factor = head or _guessed(path, sheet.rows, assumed)
    headings = sheet.rows[begin - 1][1] if begin else None
    names = Names(library.materials, own)
    kind = next(f for f in DOSES if f in fields)
    written, at = sheet.rows[begin:], fields[kind]
    table = whole_figures(path, written, at, headings, sheet.between, assumed)
    if table is not written and headings is None:
        fields = {field: k - (k > at) for field, k in fields.items()}
    if left := unread(table, fields.values(), headings):
        assumed.append(left)
    mark = decimal_mark(_doses(table, fields[kind]))
    lines = _Lines(path, fields, kind, names, assumed, mark)
    for row, found in table:
        lines.take(row, found)
        lines.beyond(row, found, headings)
    cells, problems = lines.cells, lines.problems
    for cell in cells:
        if cell.figure is not None and factor != 1 and not cell.own_unit:
            cell.figure *= factor
    if problems:
        raise UnclearError(problems, lines.unclear)
    if not cells:
        raise fault(str(path), "", "no line holds both a material and a dose.", "Is it the right sheet?")
    units = {c.unit for c in cells if c.unit}
    if len(units) > 1:
        raise fault(str(path), "", "percent and weights are mixed in one column.", "Write one of the two.")
    return _summed(path, cells, "%" in units or kind == "percent", held_back, assumed)


Head = tuple[dict[str, int], int, float]
"""Column by field, where the lines begin, and grams of the unit that the heading of weights names."""


def _headed(path: Path, assumed: list[str]) -> tuple[Sheet, Head | None]:
    """Return the sheet whose headings are found, with them; else the first sheet and None."""
    sheets = read_sheets(path)
    found = [(sheet, head) for sheet in sheets if (head := _header(path, sheet.rows)) is not None]
    if not found:
        if len(sheets) > 1:
            assumed.append(f"Of {len(sheets)} sheets '{sheets[0].title}' was taken, the first; none has headings.")
        return sheets[0], None
    sheet, head = found[0]
    rows = sheet.rows
    if len(sheets) > 1:
        assumed.append(
            f"Of {len(sheets)} sheets '{sheet.title}' was taken, the first that has headings of materials and doses."
        )
    if head[1] > 1:
        assumed.append(f"Rows above row {rows[head[1] - 1][0]} were taken as titles.")
    doses = [f for f in DOSES if f in head[0]]
    if len(doses) > 1:
        assumed.append(f"Of several columns of doses '{text_of(rows[head[1] - 1][1][head[0][doses[0]]])}' was taken.")
    return sheet, head


def formula_rows(path: Path) -> list[tuple[int, list[Any]]]:
    """Return the rows that a formula sheet is read from, with their numbers."""
    return _headed(path, [])[0].rows


def _header(path: Path, table: list[tuple[int, list[Any]]]) -> Head | None:
    """Return column by field, where the lines begin, and what a weight counts; None without headings.

    Raises:
        DataError: If the doses are in a unit that is not read.
    """
    wanted = {heading_of(h): field for field, names in HEADINGS.items() for h in names}
    for at, (row, cells) in enumerate(table[:LARGEST_SEARCH]):
        fields: dict[str, int] = {}
        problems, factor = [], 1.0
        for position, cell in enumerate(cells):
            text = text_of(cell)
            field = wanted.get(heading_of(text)) or wanted.get(heading_of(re.sub(r"[(\[][^)\]]*[)\]]", "", text)))
            if field in DOSES:
                try:
                    unit = unit_of(text)
                except ValueError as error:
                    step = "Head a column '%' or 'g', with figures in it."
                    problems.append(Problem(f"{path}, row {row}", f"'{text}'", f"the column {error}.", step))
                    continue
                if unit is not None:
                    field = "percent" if unit[0] == "%" else "grams" if unit[1] == 1 else "kilograms"
                    factor = unit[1] if field == "kilograms" else factor
            if field and field not in fields:
                fields[field] = position
        if "material" in fields and any(f in fields for f in DOSES):
            if "kilograms" in fields and factor == 1:
                factor = 1000.0
            return fields, at + 1, factor if not {"percent", "grams"} & fields.keys() else 1.0
        if "material" in fields and problems:
            raise DataError(problems)
        if "material" in fields and (others := _unread(cells, fields)):
            what = f"no column of doses is read here: {listed(others[:6])}."
            raise fault(f"{path}, row {row}", "", what, "Head one column of doses '%' (by weight), 'g' or 'kg'.")
    return None


def _unread(cells: list[Any], fields: Mapping[str, int]) -> list[str]:
    """Return the headings beside that of the materials which mean nothing here; none if the row holds figures."""
    texts = [text_of(c) for k, c in enumerate(cells) if k not in fields.values() and text_of(c)]
    return [] if any(_figure(t) is not None for t in texts) else [f"'{t}'" for t in texts]


def _guessed(path: Path, table: list[tuple[int, list[Any]]], assumed: list[str]) -> Head:
    """Return the columns of a sheet without headings: the one of most names, and the one of most figures."""
    width = max(len(cells) for _, cells in table)
    texts, figures = [set[str]() for _ in range(width)], [0] * width
    for _, cells in table:
        for position, cell in enumerate(cells):
            if _is_dose(text_of(cell)):
                figures[position] += 1
            elif text_of(cell):
                texts[position].add(text_of(cell))
    for position in range(width):
        if _running([text_of(cells[position]) for _, cells in table if position < len(cells)]):
            figures[position] = 0
    name, dose = max(range(width), key=lambda k: (len(texts[k]), -k)), max(range(width), key=lambda k: (figures[k], -k))
    if not texts[name] or figures[dose] < 2 or name == dose:
        step = "Head one column 'material' and one 'percent' or 'grams'."
        for row, cells in table:
            only = [text_of(cell) for cell in cells if text_of(cell)]
            if len(only) == 1 and (found := parted(only[0])):
                raise DataError([_parted(f"{path}, row {row}", only[0], found[1])])
        raise fault(str(path), "", "no line of headings and no columns of names and figures were found.", step)
    assumed.append(f"No headings were found: column {name + 1} was taken as materials, column {dose + 1} as percent.")
    return {"material": name, "percent": dose}, 0, 1.0


def _running(cells: list[str]) -> bool:
    """Return whether a column counts its lines: 1, 2, 3 ..., perhaps with a full stop."""
    numbers = [c.rstrip(".)") for c in cells if c]
    return (
        len(numbers) > 1 and numbers == [str(n) for n in range(int(numbers[0]), int(numbers[0]) + len(numbers))]
        if (numbers and numbers[0].isdigit() and len(numbers[0]) < 4)
        else False
    )


def _doses(rows: list[tuple[int, list[Any]]], at: int) -> list[str]:
    return [str(cells[at]) for _, cells in rows if at < len(cells) and isinstance(cells[at], str)]


class _Lines:
    """Reads the lines of a sheet: doses as written, what is wrong, and what was assumed."""

    def __init__(self, path: Path, fields: dict[str, int], kind: str, names: Names, assumed: list[str], mark: Mark):
        self._path, self._fields, self._kind, self._names = path, fields, kind, names
        self._assumed, self._mark = assumed, mark
        self.cells: list[_Cell] = []
        self.problems: list[Problem] = []
        self.unclear: list[Unclear] = []

    def take(self, row: int, found: list[Any]) -> None:
        """Take one line; empty ones, totals and headings are passed over."""
        name, text, unit = (self._text_at(found, field) for field in ("material", self._kind, "unit"))
        where, figure = f"{self._path}, row {row}", not _is_rest(text) and not _is_effect(text)
        meant = self._names.meaning_of_amount(name) if figure else self._names.meaning(name)
        if not (name or text):
            told = listed([f"'{text_of(cell)}'" for cell in found if text_of(cell)])
            self._assumed.append(f"Row {row} holds neither a material nor a dose and was not read: {told}.")
        elif _is_total(name) and not meant.id:
            self._total(row, name, text)
        elif not name:
            self._nameless(row, where, text)
        elif not text:
            self._without_dose(row, where, name, meant)
        elif not meant.id and re.search(r"\s\d+$", name) and (dose := self._in_one_cell(f"{name},{text}")):
            self.problems.append(_parted(where, f"{name},{text}", dose))  # 'Decyl Glucoside 12,5' was cut at its comma
        else:
            if not meant.id:
                self.problems.append(_unclear(where, name, meant))
                self.unclear.append(Unclear(row, name, meant.candidates))
            elif meant.how:
                self._assumed.append(f"Row {row}: '{name}' is {meant.id}, {meant.how}.")
            at = self._fields[self._kind]
            exact = at < len(found) and isinstance(found[at], (int, float))
            written = f"{text} {unit}" if unit and re.fullmatch(r"[\d.,\s'+-]+", text) else text
            self._dosed(row, where, _Cell(row, name, meant, None, False), written, "." if exact else self._mark)

    def beyond(self, row: int, found: list[Any], headings: list[Any] | None) -> None:
        """Tell what stands in a line beyond the headings."""
        if headings is not None:
            problems, told = beyond(f"{self._path}, row {row}", found, headings)
            self.problems += problems
            self._assumed += [f"Row {row}: {told}"] if told else []

    def _text_at(self, found: list[Any], field: str) -> str:
        at = self._fields.get(field, len(found))
        return text_of(found[at]) if at < len(found) else ""

    def _without_dose(self, row: int, where: str, name: str, meant: Meant) -> None:
        if not meant.id and (dose := self._in_one_cell(name)):
            self.problems.append(_parted(where, name, dose))
        elif meant.id or meant.candidates:
            step = "Write its dose, 'q.s.' if it is added to effect, or 0."
            self.problems.append(Problem(where, f"'{name}'", "this material has no dose.", step))
        else:
            self._assumed.append(f"Row {row}, '{name}', has no dose and was taken as a heading.")

    def _in_one_cell(self, text: str) -> str:
        """Return the dose that stands behind a name in one cell, such as 'Phenoxyethanol 0.8'; empty if none does."""
        for found in _BREAK.finditer(text):
            name, dose = text[: found.start()], text[found.end() :]
            if name and _is_dose(dose):
                meant = self._names.meaning(name)
                if meant.id or meant.candidates or not (name.startswith("*") or heading_of(name).startswith(HEADS)):
                    return dose
        return ""

    def _total(self, row: int, name: str, text: str) -> None:
        """Tell a sum of the sheet that is not that of the lines as they were read."""
        try:
            value = figure_in(text, self._mark)
        except ValueError:
            return
        above = sum(c.figure for c in self.cells if c.figure is not None)
        part = heading_of(name).startswith(("sub", "zwischen")) or any(c.rest for c in self.cells)
        if not part and abs(value - above) > CLOSE and len(self.cells) > 1:
            told = f"says {number(value, 2)}, but the lines above it come to {number(above, 2)}"
            self._assumed.append(f"Row {row}: '{name}' {told}.")

    def _nameless(self, row: int, where: str, text: str) -> None:
        """Tell a dose that has no name; a sum of those above it is none, nor are words."""
        try:
            value = figure_in(text, self._mark)
        except ValueError:
            self._assumed.append(f"Row {row}: '{text}' stands beside no material and was not read.")
            return
        above = sum(c.figure for c in self.cells if c.figure is not None)
        if not (abs(value - above) <= SUMS or abs(value - 100) <= SUMS or (value == 1 and abs(above - 1) <= SUMS)):
            self.problems.append(Problem(where, "", f"the dose {text} has no name.", "Write what it is, or delete it."))

    def _dosed(self, row: int, where: str, cell: _Cell, text: str, mark: Mark) -> None:
        """Take what is written as a dose: the rest, to effect, or a figure."""
        if _is_rest(text):
            cell.rest = True
        elif _is_effect(text):
            cell.rest = "100" in text or (bool(cell.meant.id) and self._names.is_water(cell.meant.id))
        else:
            try:
                cell.figure, cell.unit = _dose(text, self._kind, row, self._assumed, mark)
            except DataError as error:
                told = f"'{cell.name}'"
                self.problems += [Problem(where, told, f"'{text}': {p.what}", p.step) for p in error.problems]
                return
            cell.own_unit, cell.own_percent = bool(re.search(r"[a-zA-Z]", _plain_percent(text))), "%" in text
            if cell.figure == 0:
                self._assumed.append(f"Row {row}: '{cell.name}' has a dose of 0 and was left out.")
        self.cells.append(cell)


_BREAK = re.compile(r"[\s,;:=]+")
_DOSE = re.compile(r"[<>~≈]?\s*\d[\d.,]*(\s*[-–]\s*\d[\d.,]*)?\s*(%|k?g|mg)?", re.IGNORECASE)
"""What looks like a dose."""
HEADS = (
    "phase",
    "part",
    "step",
    "stage",
    "version",
    "teil",
    "fase",
    "schritt",
    "etape",
    "formula",
    "batch",
    "no ",
    "ph",
)
"""How headings with a figure at their end begin; a footnote begins with a star."""


def _parted(where: str, text: str, dose: str) -> Problem:
    """Return the question that a dose asks which stands in one cell with its name."""
    return Problem(where, "", f"'{text}' {IN_ONE_CELL} {dose} its dose?", "Put a semicolon between name and dose.")


def _stripped(text: str) -> str:
    """Return the words of a dose, such as 'to 100' of 'to 100,0 %'."""
    words = heading_of(re.sub(r"(?<=\d)[.,]0+(?!\d)", "", text))
    return re.sub(r"\s*%( w| m)*$", "", words)


def _is_rest(text: str) -> bool:
    """Return whether a dose is the rest to 100."""
    return _stripped(text) in REST and _figure(text) is None


def _is_effect(text: str) -> bool:
    """Return whether a dose is added to effect."""
    words = _stripped(text)
    return words in EFFECT or words.startswith(("q s", "qs", "to ph", "ph "))


def _is_dose(text: str) -> bool:
    """Return whether a text looks like a dose."""
    looks = _DOSE.fullmatch(_plain_percent(text)) is not None
    return looks or _figure(text) is not None or _is_rest(text) or _stripped(text) in EFFECT


def _plain_percent(text: str) -> str:
    """Return a figure with one of the units that are per cent by weight, such as '12.5 % w/w', as '12.5 %'."""
    found = re.fullmatch(r"(.*\d)\s*([^\d\s].*)", text)
    return f"{found[1]} %" if found and "%" in found[2] and heading_of(found[2]) in PERCENT else text


def _is_total(name: str) -> bool:
    """Return whether a line adds others up, such as 'Total batch' or 'Subtotal A'."""
    words = heading_of(name)
    return any(words == total or words.startswith(f"{total} ") for total in TOTALS)


def _unclear(where: str, name: str, meant: Meant) -> Problem:
    if meant.candidates:
        held = f"; {meant.how}" if meant.how else ""
        what = f"'{name}' could be {listed(meant.candidates[:5], 'or')}{held}."
        return Problem(where, "", what, f'Say which: --as "{name}={meant.candidates[0]}".')
    what = f"'{name}' is not in the library."
    return Problem(where, "", what, f'Add it to your own materials, or name its id: --as "{name}=ID".')


def _figure(text: str) -> float | None:
    try:
        return number_of(text)
    except ValueError:
        return None


def _dose(text: str, kind: str, row: int, assumed: list[str], mark: Mark) -> tuple[float, str]:
    """Return a dose and its unit, '%' or 'g'; what the column's heading says holds where the cell has none."""
    text = _plain_percent(text)
    unit = {"percent": "%", "grams": "g", "kilograms": "g"}.get(kind, "")
    if unit == "%" or "%" in text:  # a thousand per cent is no dose
        mark = "both" if mark == "," else "."
    try:
        text = settled(text, mark)
    except ValueError as error:
        raise fault("", "", f"it {error}.", ONE_SIGN) from None
    span = re.fullmatch(r"\s*(\d[\d.,]*)\s*(?:-|–|to)\s*(\d[\d.,]*)\s*(%?)\s*", text)
    if span:
        low, high = _figure(span[1]), _figure(span[2])
        if low is not None and high is not None and low <= high:
            assumed.append(f"Row {row}: the range {text.strip()} counts with its middle, {number((low + high) / 2)}.")
            return (low + high) / 2, "%" if span[3] else unit
    value = _figure(text)
    if value is not None and value < 0:
        raise fault("", "", "a dose cannot be below 0.", "Correct the figure.")
    if value is not None and "kg" not in text.casefold():
        own = "%" if "%" in text else unit
    elif re.search(r"\d", text) and re.search(r"[a-zA-Z]", text):
        value, own = amount_of(text).grams(), "g"
    else:
        _refuse_two_ways(text)
        raise fault("", "", "this is no figure.", "Write a number, 'q.s.' or 'to 100'.")
    if not own:
        raise fault("", "", "the unit is missing.", "Write '%' or 'g' behind it, or head the column so.")
    if unit and own != unit:
        raise fault("", "", f"the column is in {unit}.", "Write one kind of figure in one column.")
    return value, own


ONE_SIGN = "Write every dose with the same decimal sign, such as 7.75."


def _refuse_two_ways(text: str) -> None:
    """Refuse a figure that is one, but which of two nobody knows."""
    try:
        number_of(text)
    except ValueError as error:
        if "two ways" in str(error):
            raise fault("", "", f"it {error}.", ONE_SIGN) from None


def _refuse_unless_fractions(path: Path, cells: list[_Cell], total: float) -> None:
    """Refuse figures that are about 1 in all, unless it is plain that they are fractions of a whole formula.

    Raises:
        DataError: If no line is half of it, as the water of a wash is, or they are not about 1.
    """
    largest = max((c.figure for c in cells if c.figure is not None), default=0.0)
    if abs(total - 1) > SUMS or largest <= 0.5 or any(c.own_percent for c in cells):
        what = f"all doses together are {number(total, 3)}: per cent of a part, or fractions?"
        step = "Write per cent with every line, the water too ('to 100'), or fractions that sum to 1."
        raise fault(str(path), "", what, step)


def _summed(path: Path, cells: list[_Cell], percent: bool, held_back: float, assumed: list[str]) -> TakenFormula:
    """Return the formula that lines come to in all, each material once."""
    doses, held, alarm = _to_100(path, cells, percent, held_back, assumed)
    lines: dict[str, TakenLine] = {}
    for cell in cells:
        if id(cell) not in doses:
            continue
        dose, name = doses[id(cell)], cell.meant.id
        if name in lines:
            assumed.append(f"Row {cell.row}: {name} stands twice; the doses were added up.")
            earlier = lines[name]
            lines[name] = TakenLine(name, earlier.percent + dose, earlier.written, earlier.row)
        else:
            lines[name] = TakenLine(name, dose, cell.name, cell.row)
    open_ = [c for c in cells if id(c) not in doses]
    if open_:
        named = listed([c.name for c in open_])
        assumed.append(f"{named}: to effect, so without a dose here; note what you add in the batch file.")
    taken = tuple(line for line in lines.values() if line.percent > 0)
    return TakenFormula(taken, held, tuple(dict.fromkeys(c.meant.id for c in open_)), tuple(assumed), alarm)


def _to_100(
    path: Path, cells: list[_Cell], percent: bool, held_back: float, assumed: list[str]
) -> tuple[dict[int, float], float, str]:
    """Return the dose of each line that has one, by the identity of its cell [%], the part held back, and an alarm."""
    figures = {id(c): c.figure for c in cells if c.figure is not None}
    total = sum(figures.values())
    if percent and not any(c.rest for c in cells) and total <= 1 + SUMS:
        _refuse_unless_fractions(path, cells, total)
        assumed.append("All figures together are about 1: they were taken as fractions and multiplied by 100.")
        figures, total = {k: 100 * v for k, v in figures.items()}, 100 * total
    rests = [c for c in cells if c.rest]
    if len(rests) > 1:
        step = "Give all but one a figure."
        raise fault(str(path), "", f"{listed([r.name for r in rests])} are all the rest to 100.", step)
    held, scale, alarm = 0.0, 1.0, ""
    if rests:
        room = 100 - total
        if not percent or room < -CLOSE:
            what = f"the other lines come to {number(total, 2)}, so the rest to 100 cannot be worked out."
            raise fault(str(path), f"row {rests[0].row}", what, "Give every line a figure.")
        held = held_back if room >= held_back else 0.0
        rest = max(0.0, room - held)
        figures[id(rests[0])], scale = rest, 100 / max(100, total)
        kept = f" less the {number(held_back)} % that the brief keeps free" if held else ""
        full = f", and nothing is kept free: the {number(held_back)} % of the brief do not fit beside the rest"
        lack = full * (held_back > held)
        assumed.append(f"Row {rests[0].row}: {rests[0].name} is the rest to 100 %{kept}, {number(rest, 2)} %{lack}.")
    elif total <= 0:
        raise fault(str(path), "", "all doses are 0.", "Give each line a percent or grams.")
    elif not percent:
        scale = 100 / total
        assumed.append(f"Weights of {number(total, 2)} g in all were turned into percent.")
    elif held_back and abs(total + held_back - 100) <= CLOSE:
        scale, held = (100 - held_back) / total, held_back
    elif abs(total - 100) > AS_TYPED:
        scale = 100 / total
        told = _scaled(path, total)
        assumed += [told] if abs(total - 100) > CLOSE else []
        alarm = told if abs(total - 100) > SCALED else ""
    return {key: scale * figure for key, figure in figures.items()}, held, alarm


def _scaled(path: Path, total: float) -> str:
    """Return what is said of doses that are brought to 100 %.

    Raises:
        DataError: If they are too far from it for that.
    """
    if abs(total - 100) > FAR:
        what = f"the doses sum to {number(total, 2)} %, far from 100."
        step = "Does a line stand twice?" if total > 100 else "Write 'to 100' as the dose of the rest, such as water."
        raise fault(str(path), "", what, step)
    return f"The doses sum to {number(total, 2)} %, not 100: each was multiplied by {number(100 / total, 5)}."

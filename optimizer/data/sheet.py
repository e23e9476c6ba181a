"""Tables that people keep: CSV or XLSX, headings in any sensible spelling, numbers as people write them."""

import csv
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from math import isinf
from pathlib import Path
from typing import Any, NamedTuple

from optimizer.errors import DataError, Problem, fault, slip_of
from optimizer.files import read_bytes, read_text

MAX_ROWS = 20_000
MAX_COLUMNS = 1_000
MAX_CELLS = 500_000
MAX_UNPACKED = 50_000_000
MAX_LETTERS = 5_000

TOO_WIDE = f"more than {MAX_COLUMNS} cells in one row."

Headings = Mapping[str, Iterable[str]]


class Sheet(NamedTuple):
    """One sheet as others send it."""

    title: str
    rows: list[tuple[int, list[Any]]]
    between: str
    """The sign between its cells; empty in a workbook."""


def read_rows(path: Path) -> list[tuple[int, list[Any]]]:
    """Return the rows that hold anything, with their row numbers; the first are the headings.

    Raises:
        DataError: If the file is neither a readable CSV nor a readable workbook, empty, or beyond the limits above.
    """
    sheet = next(iter(_xlsx(path)))[1] if is_workbook(path) else _csv(path, read_text(path))
    return _checked(path, sheet)


def rows_of(path: Path, text: str) -> list[tuple[int, list[Any]]]:
    """Return the rows of a CSV's text as `read_rows` reads them from the file."""
    return _checked(path, _csv(path, text))


def csv_rows(path: Path, text: str) -> tuple[str, list[tuple[int, list[Any]]]]:
    """Return the sign between the cells of a CSV, and every row with its number, empty ones too."""
    return delimiter_of(text), _csv(path, text)


def read_sheets(path: Path) -> list[Sheet]:
    """Return every sheet that holds anything, as others send them.

    A CSV has one sheet without a title and may also be written in UTF-16 or, as older programs do, in Windows-1252.

    Raises:
        DataError: As `read_rows`.
    """
    if is_workbook(path):
        sheets = [Sheet(title, rows, "") for title, rows in _xlsx(path)]
    else:
        text = text_of_others(path)
        sheets = [Sheet("", _csv(path, text), delimiter_of(text))]
    held = [sheet for sheet in sheets if any(text_of(c) for _, row in sheet.rows for c in row)]
    return [sheet._replace(rows=_checked(path, sheet.rows)) for sheet in held or sheets[:1]]


def is_workbook(path: Path) -> bool:
    """Return whether a table is read as a workbook."""
    return path.suffix.lower() in (".xlsx", ".xlsm")


def text_of_others(path: Path) -> str:
    """Return the text of a CSV as others send it; see `read_sheets`."""
    content = read_bytes(path)
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    elif content[1:2] == b"\0" or content[:1] == b"\0":
        encoding = "utf-16-le" if content[1:2] == b"\0" else "utf-16-be"
    else:
        try:
            return content.decode("utf-8-sig")
        except UnicodeDecodeError:
            encoding = "cp1252"
    try:
        return content.decode(encoding)
    except UnicodeDecodeError:
        what = "this is neither UTF-8, UTF-16 nor Windows-1252 text."
        raise fault(str(path), "", what, "Save the sheet again as CSV (UTF-8).") from None


def _checked(path: Path, rows: list[tuple[int, list[Any]]]) -> list[tuple[int, list[Any]]]:
    rows = [(number, row) for number, row in rows if any(text_of(cell) for cell in row)]
    wide = next((number for number, row in rows if len(row) > MAX_COLUMNS), None)
    if wide:
        raise fault(f"{path}, row {wide}", "", TOO_WIDE, "Delete what stands beside the table.")
    long = next((n for n, row in rows if any(isinstance(c, str) and len(c) > MAX_LETTERS for c in row)), None)
    if long:
        what = f"more than {MAX_LETTERS} letters in one cell."
        raise fault(f"{path}, row {long}", "", what, "Shorten it; is a quote missing?")
    if not rows:
        raise fault(str(path), "", "the table is empty.", "Give it a line of headings and one line per material.")
    return rows


def recognised(where: str, headings: list[str], known: Headings) -> tuple[dict[int, str], list[Problem]]:
    """Return field by column position, and what stands in the way of reading the table."""
    wanted = {heading_of(h): field for field, names in known.items() for h in names}
    fields: dict[int, str] = {}
    problems, slips = [], dict[str, str]()
    for position, heading in enumerate(headings):
        bare = re.sub(r"\([^)]*\)", "", heading)
        field = next((wanted[p] for p in (heading_of(heading), heading_of(bare)) if p in wanted), None)
        if field is None:
            slips[heading] = slip_of(heading_of(bare), wanted)
            continue
        if field in fields.values():
            problems.append(
                Problem(
                    f"{where}, row 1",
                    f"column '{heading}'",
                    f"a second column for {field.replace('_', ' ')}.",
                    "Keep one of the two.",
                )
            )
        fields[position] = field
    for heading, meant in slips.items():
        if meant and wanted[meant] not in fields.values():
            what, step = "this heading is not known.", f"Did you mean '{meant}'? Else call it otherwise."
            problems.append(Problem(f"{where}, row 1", f"column '{heading}'", what, step))
    if "material" not in fields.values():
        step = f"Head one 'material'. Columns found: {', '.join(h for h in headings if h) or 'none'}."
        problems.append(Problem(f"{where}, row 1", "", "no column names the material.", step))
    return fields, problems


def heading_of(text: str) -> str:
    """Return a heading without case, accents, punctuation and units of money; '€/kg' is a price per kg."""
    letters = "".join(c for c in unicodedata.normalize("NFKD", text.lower()) if not unicodedata.combining(c))
    money = re.sub(r"€|£|\$|\b(eur|gbp|usd)\b", " price ", letters)
    words = re.sub(r"[^a-z0-9%]+", " ", money).split()
    return " ".join(w for k, w in enumerate(words) if k == 0 or w != words[k - 1])


def text_of(cell: object) -> str:
    """Return a cell as trimmed text, empty for none."""
    return "" if cell is None else str(cell).strip()


def filled(cells: Sequence[Any]) -> int:
    """Return how many cells there are up to the last one that holds anything."""
    return max((k + 1 for k, cell in enumerate(cells) if text_of(cell)), default=0)


def beyond(where: str, cells: Sequence[Any], headings: Sequence[Any]) -> tuple[list[Problem], str]:
    """Return what is wrong with the cells of a line that no heading stands above, and what is told if nothing is.

    A figure there is one that somebody means, or the decimals of the one before it.
    """
    left = [f"'{text}'" for cell in cells[filled(headings) :] if (text := text_of(cell))]
    if not any(re.search(r"\d", text) for text in left):
        return [], f"{', '.join(left)}: beyond the headings, so not read." if left else ""
    what = f"{', '.join(left)}: a figure beyond the headings."
    step = "Head its column, or delete it; a figure with a decimal comma needs quotes, or semicolons between the cells."
    return [Problem(where, "", what, step)], ""


def number_of(text: str) -> float:
    """Read a number as people write it: with signs of money, % or kg, thousands separators, a decimal comma.

    Raises:
        ValueError: If it is no number or can be read two ways, such as 1,234; the text completes a sentence.
    """
    if re.search(r"\d\s+(?!\d{3}(?!\d))\d", text):
        raise ValueError("has a blank between its digits")
    plain = re.sub(r"[\s€£$%']|EUR|GBP|USD|kg", "", text)
    if re.fullmatch(r"[+-]?[1-9]\d{0,2}[,.]\d{3}", plain) and "." not in plain[-4:]:
        raise ValueError("can be read two ways, as a thousands separator or a decimal comma")
    if re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})*,\d+|[+-]?\d+,\d+", plain):
        plain = plain.replace(".", "").replace(",", ".")
    elif re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", plain):
        plain = plain.replace(",", "")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", plain):
        raise ValueError("is not a number")
    value = float(plain)
    if isinf(value):
        raise ValueError("is larger than any figure that is read")
    return value


def neutral(text: str) -> str:
    """Return a text that no spreadsheet reads as a formula: one that begins like a formula gets an apostrophe."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def writable(text: str) -> str:
    """Return a text without the control characters that a workbook cannot hold."""
    return "".join(c if c >= " " or c in "\t\n\r" else " " for c in text)


def delimiter_of(text: str) -> str:
    """Return the sign that stands equally often on most of the first lines; titles have none, prices have commas.

    Lines with commas between digits alone, such as 'Glycerin 2,5', are not taken for cells.
    """
    lines = [line for line in text.splitlines() if line.strip()][:50]

    def agreeing(sign: str) -> int:
        outside = re.compile(rf"(?<!\d){sign}|{sign}(?!\d)" if sign == "," else sign)
        counts = Counter(line.count(sign) for line in lines if outside.search(line))
        return counts.most_common(1)[0][1] if counts else 0

    return max((";", "\t", ","), key=agreeing)


def _csv(path: Path, text: str) -> list[tuple[int, list[Any]]]:
    delimiter = delimiter_of(text)
    try:
        reader = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
        rows: list[tuple[int, list[Any]]] = []
        for row in reader:
            rows.append((reader.line_num, row))
            if len(rows) > MAX_ROWS:
                raise fault(str(path), "", f"more than {MAX_ROWS} rows.", "Split the file.")
        return rows
    except csv.Error as error:
        raise fault(
            str(path), "", f"this is not a readable CSV: {error}.", "Save the sheet again as CSV (UTF-8)."
        ) from None


def _count_cells(path: Path, sheet: bytes) -> None:
    """Refuse a sheet of too many cells before openpyxl builds them all."""
    row = cells = total = 0
    for tag in re.finditer(rb"<(?:\w+:)?(?:(row)|c)[\s/>]", sheet):
        if tag[1]:
            row, cells = row + 1, 0
            continue
        cells, total = cells + 1, total + 1
        if cells > MAX_COLUMNS:
            raise fault(f"{path}, row {row}", "", TOO_WIDE, "Delete what stands beside the table.")
        if total > MAX_CELLS:
            raise fault(str(path), "", f"more than {MAX_CELLS:,} cells in one sheet.", "Split the file.")


def _cell(cell: Any) -> Any:
    """Return the value of a workbook's cell; 0.15 that is shown as 15 % is 15 %."""
    value = cell.value
    if isinstance(value, (int, float)) and not isinstance(value, bool) and "%" in (cell.number_format or ""):
        return f"{100 * value:.12g} %"
    return value


def _xlsx(path: Path) -> list[tuple[str, list[tuple[int, list[Any]]]]]:
    """Return the title and rows of every sheet."""
    import zipfile

    content = read_bytes(path)
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            if sum(item.file_size for item in package.infolist()) > MAX_UNPACKED:
                raise fault(str(path), "", "the workbook unpacks to far more than its size.", "Save the sheet as CSV.")
            for item in package.infolist():
                if "/worksheets/" in item.filename:
                    _count_cells(path, package.read(item))
        from openpyxl import load_workbook

        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheets = []
        for sheet in book.worksheets:
            rows = [(n, [_cell(c) for c in row]) for n, row in enumerate(sheet.iter_rows(max_row=MAX_ROWS + 1), 1)]
            if len(rows) > MAX_ROWS:
                raise fault(str(path), "", f"more than {MAX_ROWS} rows.", "Split the file.")
            sheets.append((sheet.title, rows))
        return sheets
    except DataError:
        raise
    except Exception:  # openpyxl raises whatever its XML and zip layers raise
        raise fault(
            str(path),
            "",
            "this is not a readable workbook.",
            "Save the sheet again as XLSX or CSV.",
        ) from None

"""Lines of the pH log: one more in the batch file, or a table of measured points."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

from tomlkit import TOMLDocument

from optimizer.assessment.alkalinity import estimated_ph, ingredients_of, known_of
from optimizer.bench.acid import planned_solution, sessions_of, start_of_batch, target_of
from optimizer.bench.batch import Adjustment, Batch, append, batch_from, change_batch
from optimizer.bench.made import AS_OWN, held_left_g, holders_of, unaccounted
from optimizer.bench.strike import Strike, strike
from optimizer.brief.brief import Brief
from optimizer.chemistry.ph import Solution
from optimizer.chemistry.titration import LogReading
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.sheet import number_of, read_rows, text_of
from optimizer.errors import DataError, Problem, fault, nearest
from optimizer.immutable import immutable
from optimizer.rules.row import Setting
from optimizer.units import AS_TYPED, number, slug


@immutable
class Noted:
    """A reading as the bench tells it.

    Attributes:
        ph: What was read.
        added: Solution added so far, all additions together, in grams or % of what is adjusted; None for as before.
        water: Water per gram of product in what was read [g/g].
        strip: True for a strip.
        temperature: Of what was read [°C]; None if nobody says.
        foam_free: False if foam was on the probe.
        taken_g: Product used up [g].
        on: Day.
        note: Anything.
        lot: Of what was added since the reading before, if it is another one.
        sure: Whether more than the part held back is meant so.
        after_g: What the log ended with when this was read [g]; if it ends otherwise now, the reading is refused. None
            if nobody looked.
    """

    ph: float
    added: tuple[float, str] | None = None
    water: float = 0.0
    strip: bool = False
    temperature: float | None = None
    foam_free: bool = True
    taken_g: float = 0.0
    on: str = ""
    note: str = ""
    sure: bool = False
    lot: str = ""
    after_g: float | None = None


def note_reading(
    path: Path,
    brief: Brief,
    formula: Formula,
    setting: Setting,
    noted: Noted,
    *,
    of: Literal["", "sample", "batch"] = "",
    sample_g: float | None = None,
    solution: Solution | None = None,
) -> Batch:
    """Write one reading into a batch file and return what the file holds now.

    It goes to the last log, unless `of`, the sample or the solution differ from that log's: then a new one begins.

    Args:
        path: The batch file.
        brief: Its brief.
        formula: Its planned doses.
        setting: Its pH.
        noted: The reading.
        of: What is adjusted; empty for what the last log is about.
        sample_g: Mass of the sample [g], to begin its log.
        solution: What is added; the last log's, or what is planned for the way to the target, if it is left out.

    Raises:
        DataError: If the line or the log is not possible; then nothing is written.
    """
    _check(noted)
    target = target_of(brief, setting)

    def change(document: TOMLDocument, batch: Batch) -> None:
        last = batch.adjustment[-1] if batch.adjustment else None
        # What is in already is what was planned before anything was read; else the reading says which way to go.
        ph = noted.ph if noted.added is None or noted.added[0] <= 0 else estimated_ph(ingredients_of(formula)).typical
        begins = _new_log(batch, last, of, sample_g, solution, planned_solution(formula, ph, target)[0])
        if begins is not None:
            append(document, "adjustment", begins)
            last = None
        before = last.added_g if last else 0.0
        tables: Any = document["adjustment"]
        start, of_what = float(tables[-1]["start_g"]), str(tables[-1].get("of", "batch"))
        _refuse_stale(noted, before, str(path))
        grams = before if noted.added is None else _grams(noted.added, start)
        if not noted.sure and grams > before:
            _check_room(batch, brief.library.by_id, of_what, start, grams - before, str(path))
        append(tables[-1], "reading", _line(noted, grams))
        _refuse_unaccounted(batch_from(document.unwrap(), str(path)).adjustment[-1], brief, str(path))

    return _changed(path, brief, formula, setting, change)


def strike_reading(path: Path, brief: Brief, formula: Formula, setting: Setting, asked: Strike) -> Batch:
    """Strike a reading of a batch file and return what the file holds now.

    Raises:
        DataError: If there is no such reading, or the log makes no sense without it.
    """
    return _changed(path, brief, formula, setting, lambda document, batch: strike(document, batch, "reading", asked))


def _changed(
    path: Path, brief: Brief, formula: Formula, setting: Setting, change: Callable[[TOMLDocument, Batch], None]
) -> Batch:
    """Change a pH log, which is read as one before anything is written, so that a line that cannot be is refused."""
    target, recipe = target_of(brief, setting), known_of(ingredients_of(formula))

    def checked(document: TOMLDocument, batch: Batch) -> None:
        change(document, batch)
        sessions_of(batch_from(document.unwrap(), str(path), brief.library.materials), target, recipe, None, str(path))

    return change_batch(path, checked, brief.library.materials)


def _refuse_unaccounted(log: Adjustment, brief: Brief, where: str) -> None:
    """Refuse into the batch what no material holds; a sample does not go back, so it may be tried with anything."""
    if log.of == "batch" and log.material is None and not holders_of(log.chemical, brief.library.by_id):
        what = f"{unaccounted(log.chemical)}."
        raise fault(where, "adjustment.chemical", what, f"Take another one. {AS_OWN}, if it must be this one.")


def _refuse_stale(noted: Noted, before: float, where: str) -> None:
    """Refuse a reading whose additions were counted on from a log that has gone on since."""
    if noted.after_g is not None and abs(noted.after_g - before) > AS_TYPED:
        what = f"the log has gone on in the meantime: {number(before, 3)} g are in by now."
        raise fault(where, "adjustment.reading.added_g", what, "Look at the log, then note what was added since.")


def _grams(added: tuple[float, str], start_g: float) -> float:
    value, unit = added
    return value * start_g / 100 if unit == "%" else value


def _check_room(
    batch: Batch, materials: Mapping[str, Material], of: str, start_g: float, more_g: float, where: str
) -> None:
    """Refuse more solution than there can be room for: a slip of the pen, or of grams and per cent."""
    if of == "sample":
        room, words = start_g, f"the sample itself weighs {number(start_g, 3)} g"
    else:
        room = held_left_g(batch, materials)
        held = room + sum(a.added_g for a in batch.adjusted)
        words = f"{number(held, 2)} g of the batch are held back for it"
        if batch.held_back_percent <= 0:
            return
    if more_g > room + AS_TYPED:
        what = f"{number(more_g, 3)} g more of the solution, and {words}."
        raise fault(where, "adjustment.reading.added_g", what, "Look again; if so much really is in, add --sure.")


def _check(noted: Noted) -> None:
    """Raise with everything that cannot be in a reading."""
    problems = []
    if not 0 <= noted.ph <= 14:
        problems.append(Problem("reading", "--read", f"{noted.ph:g} is not a pH.", "Write a number from 0 to 14."))
    amounts = (("--added", (noted.added or (0.0, ""))[0]), ("--water", noted.water), ("--taken", noted.taken_g))
    for key, value in amounts:
        if not 0 <= value < float("inf"):
            problems.append(Problem("reading", key, f"{value:g} g is not an amount.", "Write zero or more."))
    if problems:
        raise DataError(problems)


def _new_log(
    batch: Batch,
    last: Adjustment | None,
    of: Literal["", "sample", "batch"],
    sample_g: float | None,
    solution: Solution | None,
    planned: Solution,
) -> dict[str, Any] | None:
    """Return the head of a new log, or None if the reading belongs to the last one."""
    if last is None and not of:
        step = "Begin with --sample GRAMS, or --of batch for the batch itself."
        raise fault("reading", "--read", "there is no log yet that it could belong to.", step)
    what = of or (last.of if last else "batch")
    same = last is not None and last.of == what and (sample_g is None or sample_g == last.start_g)
    if same and last is not None:
        same = solution is None or (solution.chemical.name, solution.percent) == (last.chemical, last.strength_percent)
    if same:
        return None
    if solution is None and last is not None:
        name, percent = last.chemical, last.strength_percent
    else:
        chosen = solution or planned
        name, percent = chosen.chemical.name, chosen.percent
    if what == "sample":
        start = sample_g if sample_g is not None else (last.start_g if last else None)
        most = start_of_batch(batch)
        if start is not None and most < start < float("inf"):
            said = f"a sample of {number(start, 3)} g is more than all of the batch, {number(most, 1)} g."
            raise fault("reading", "--sample", said, "Write the grams that were taken for it.")
    else:
        # A second solution into the same batch finds there what the first one added.
        start = start_of_batch(batch) + sum(a.added_g for a in batch.adjusted)
    if start is None or not 0 < start < float("inf"):
        raise fault("reading", "--sample", f"{start} g is no sample.", "Write its mass in grams, above 0.")
    return {"of": what, "start_g": round(start, 3), "chemical": name, "strength_percent": percent}


def _line(noted: Noted, grams: float) -> dict[str, Any]:
    """Return the reading as the batch file writes it; what is usual is left out."""
    line: dict[str, Any] = {"added_g": round(grams, 6), "ph": noted.ph}
    if noted.water:
        line["water_per_g"] = noted.water
    if noted.strip:
        line["with"] = "strip"
    # Only what was said: the record holds nothing that nobody read.
    line |= {} if noted.temperature is None else {"temperature_c": noted.temperature}
    line |= {} if noted.foam_free else {"foam_free": False}
    line |= {"taken_g": noted.taken_g} if noted.taken_g else {}
    line |= {k: v for k, v in (("lot", noted.lot), ("on", noted.on), ("note", noted.note)) if v}
    return line


COLUMNS = {
    "added-g": "grams", "ph": "ph", "water-per-g": "water", "with": "strip", "temperature-c": "temperature",
    "taken-g": "taken",
}  # fmt: skip
"""Columns of a table of measured points, as in a batch file's readings, with what they are of a `LogReading`."""
NEEDED = ("added-g", "ph")


def read_points(path: Path) -> tuple[LogReading, ...]:
    """Return the readings of a table (CSV or XLSX) with the columns added_g and ph, and perhaps others of `COLUMNS`.

    Raises:
        DataError: With every problem at once.
    """
    (_, head), *rows = read_rows(path)
    names = [slug(text_of(cell)) for cell in head]
    missing = [name.replace("-", "_") for name in NEEDED if name not in names]
    if missing:
        step = nearest(missing[0], [text_of(cell) for cell in head])
        raise fault(f"{path}, row 1", "", f"no column '{missing[0]}'.", step)
    problems: list[Problem] = []
    readings = []
    for number_, row in rows:
        where = f"{path}, row {number_}"
        cells = {n: t for n, cell in zip(names, row, strict=False) if n in COLUMNS and (t := text_of(cell))}
        values = {COLUMNS[name]: _point(where, name, text, problems) for name, text in cells.items()}
        if "ph" not in values and not problems:
            problems.append(Problem(where, "ph", "the cell is empty.", "Fill it in."))
        readings.append(LogReading(**{"grams": 0.0, "ph": 7.0, **values}))
    if problems:
        raise DataError(problems)
    return tuple(readings)


def _point(where: str, column: str, text: str, problems: list[Problem]) -> Any:
    """Return what a cell says; note what is wrong with it."""
    if column == "with":
        if text.lower() not in ("strip", "meter"):
            problems.append(Problem(where, column, f"'{text}' is no instrument.", "Write meter or strip."))
        return text.lower() == "strip"
    try:
        return number_of(text)
    except ValueError as error:
        problems.append(Problem(where, column, f"'{text}' {error}.", "Write digits only, such as 6.25."))
        return 0.0

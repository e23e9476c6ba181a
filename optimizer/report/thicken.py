"""The thickening log as a document with a curve drawn in characters, and as JSON."""

from __future__ import annotations

from optimizer.bench.strike import Struck
from optimizer.bench.thicken import ThickeningLog
from optimizer.data.cautions import Caution
from optimizer.data.facts import Material
from optimizer.immutable import result, untold
from optimizer.report.advice import budget_table
from optimizer.report.cautions import alarm_listing, caution_listing
from optimizer.report.document import Columns, Curve, Curves, Document, Listing, Sketch, Table, figures, filled
from optimizer.report.struck import struck_listing
from optimizer.units import number

WIDTH, HEIGHT = 56, 10
GOOD = ("open", "on samples", "target reached", "finished")


@result
class Thickened:
    """The output of `tenside thicken --json`."""

    FORMAT = 1
    batch: str
    logs: tuple[ThickeningLog, ...]
    """An empty one for each planned thickener before any is begun."""
    cautions: tuple[Caution, ...] = ()
    """What is said of the batch before anything else, and those of the thickeners."""
    struck: tuple[Struck, ...] = ()
    """Steps that count no more."""
    begun: bool = untold(default=False)
    """False if nothing is logged yet."""
    ways: tuple[Material, ...] = untold(default=())
    """Thickeners with a log, what else is planned, and the one that is asked for."""


def thicken_document(found: Thickened) -> Document:
    """Return the logs of a batch: state, next step, curve and steps."""
    name, logs, cautions = found.batch, found.logs, found.cautions
    if not logs:
        step = "Name a thickener under [held_back] thickeners of the brief; 'tenside advice' lists those that suit."
        return Document(f"Thickening of {name}", f"No thickener is planned. {step}", good=False)
    sections: list[Table | Listing | Sketch] = [alarm_listing(cautions)]
    for log in logs:
        if len(logs) > 1:
            sections.append(Listing(f"{log.material.name}: {log.state}", (log.verdict,)))
        sections.append(_next(log))
        if len([p for p in log.points if p.value is not None]) > 1:
            sections.append(_curve(log))
        sections += [*filled(_steps(log)), Listing("Mind", log.notes, "caution")]
    sections += [struck_listing(found.struck), budget_table(logs[0].budget)]
    sections.append(caution_listing(c for c in cautions if not c.loud))
    first = logs[0]
    verdict = first.verdict if len(logs) == 1 else f"{len(logs)} {'logs' if found.begun else 'thickeners are planned'}."
    facts = []
    if len(logs) == 1:
        facts += [("thickener", first.material.name), ("state", first.state)]
        if first.target is not None:
            facts.append(("target", f"{number(first.target, 1)} {first.unit}".rstrip()))
    good = all(log.state in GOOD for log in logs)
    return Document(f"Thickening of {name}", verdict, facts, sections, good=good)


def _next(log: ThickeningLog) -> Table:
    low, high = log.window
    rows = [
        ("in so far", f"{number(log.added, 2)} % of at most {number(log.most, 2)} % ({log.words})"),
        (
            "pH",
            f"{'none logged' if log.ph is None else number(log.ph, 2)}; needs {number(low, 2)} to {number(high, 2)}",
        ),
    ]
    if log.next:
        step = log.next
        rows.append(("add", f"{number(step.grams, 3)} g = {number(step.percent, 3)} %"))
        rows.append(("then in all", f"{number(log.added + step.percent, 3)} %"))
        at = "" if step.temperature_c is None else f" at {number(step.temperature_c, 1)} °C"
        rows.append(("read", f"once the air is out, after at least {number(step.wait_min)} min{at}; read the pH again"))
    if log.material.handling:
        rows.append(("handling", log.material.handling))
    return Table("Next step", ("", log.material.name), tuple(rows))


def _steps(log: ThickeningLog) -> Table:
    rows = tuple(
        (
            p.number,
            *(p.step.added_percent, p.value, p.step.waited_min, p.step.temperature_c, p.step.ph, p.step.on),
            " ".join(x for x in ("" if p.comparable else "other temperature", p.step.note) if x),
        )
        for p in log.points
    )
    reading = f"reading, {log.unit}" if log.unit else "reading"
    columns: Columns = (
        *figures(""), *figures("added, %", digits=2), *figures(reading, digits=1), *figures("waited, min"),
        *figures("°C", digits=1), *figures("pH", digits=2), "on", "note",
    )  # fmt: skip
    return Table("Steps", columns, rows)


def _curve(log: ThickeningLog) -> Sketch:
    points = [(p.step.added_percent, p.value, p.comparable) for p in log.points if p.value is not None]
    right = max(x for x, _, _ in points) or 1.0
    top = max([y for _, y, _ in points] + ([log.target] if log.target else [])) or 1.0
    grid = [[" "] * (WIDTH + 1) for _ in range(HEIGHT + 1)]
    if log.target:
        grid[HEIGHT - round(HEIGHT * log.target / top)] = ["-"] * (WIDTH + 1)
    for x, y, comparable in points:
        grid[HEIGHT - round(HEIGHT * y / top)][round(WIDTH * x / right)] = "●" if comparable else "○"
    label = max(len(number(top, 1)), 1)
    lines = [
        f"{number(top, 1) if n == 0 else '0' if n == HEIGHT else '':>{label}} │{''.join(row)}"
        for n, row in enumerate(grid)
    ]
    lines.append(f"{'':>{label}} └{'─' * (WIDTH + 1)}")
    end = f"{number(right, 2)} %"
    lines.append(f"{'':>{label}}  0{end:>{WIDTH}}")
    note = f"Reading{f' in {log.unit}' if log.unit else ''} against thickener added."
    note += " The dashes are the target." if log.target else ""
    note += " ○: read at another temperature." if any(not c for _, _, c in points) else ""
    read = tuple((x, y) for x, y, comparable in points if comparable)
    curves = [Curve("read", read, read)]
    if other := tuple((x, y) for x, y, comparable in points if not comparable):
        curves.append(Curve("at another temperature", other[:1], other))
    if log.target:
        curves.append(Curve(f"target {number(log.target, 1)}", ((0.0, log.target), (right, log.target))))
    unit = f"reading, {log.unit}" if log.unit else "reading"
    drawing = Curves(f"{log.material.name} added, %", unit, tuple(curves)) if len(read) > 1 else None
    return Sketch("The curve", tuple(lines), note, drawing)

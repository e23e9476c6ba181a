"""Trade-offs and room to move as documents, pictures and JSON."""

from math import isnan
from pathlib import Path
from typing import Any

from optimizer.assessment.alarms import alarms_of, uncharted
from optimizer.assessment.evidence import line_of, rests_along
from optimizer.brief.brief import Brief
from optimizer.data.cautions import ALWAYS, Caution, joined
from optimizer.errors import UsageError
from optimizer.immutable import immutable, replace, result, seen, told, untold
from optimizer.report.binding import changed, goal_of, lost
from optimizer.report.cautions import framed
from optimizer.report.document import (
    Bar,
    Bars,
    Columns,
    Curve,
    Curves,
    Document,
    Listing,
    Section,
    Sketch,
    Table,
    figures,
)
from optimizer.report.formats.picture_file import draw
from optimizer.solve.existing import formula_at
from optimizer.solve.frontier.tradeoff import Axis, Break, Frontier, Stretch
from optimizer.studies.leeway import Leeway
from optimizer.units import CHANGE_SHOWN, listed, number

WIDTH, HEIGHT = 64, 16
MARKS = "●○▲△■□"
HERE = "the formula as it stands"


def axis_words(axis: Axis) -> str:
    """Return a measure with its unit."""
    return f"{axis.measure.name}, {axis.measure.unit}" if axis.measure.unit else axis.measure.name


def _worked_with(axis: Axis) -> str:
    """Return what programs work with, with its unit."""
    return f"natural logarithm of {axis_words(axis)}" if axis.measure.by_logarithm else axis_words(axis)


def _place(one: Frontier, x: float, y: float) -> tuple[float, float]:
    """Return a point of a curve as it is told."""
    return one.x.measure.as_told(x), one.y.measure.as_told(y)


@immutable
class Traced:
    """One trade-off curve."""

    label: str
    curve: Frontier = untold()
    sampled: bool = seen("curve.sampled")
    local: bool = seen("curve.local")
    """True if every point is a local answer (a rule or measure is linear only around a formula) and stretches are
    chords between points."""
    breaks: tuple[Break, ...] = seen("curve.breaks")
    stretches: tuple[Stretch, ...] = seen("curve.stretches")

    @told
    def x(self) -> str:
        """The swept measure with its unit."""
        return _worked_with(self.curve.x)

    @told
    def y(self) -> str:
        """The optimised measure with its unit."""
        return _worked_with(self.curve.y)


@result
class Frontiers:
    """The output of `tenside frontier --json`: one curve, or a family."""

    FORMAT = 1
    family: tuple[tuple[str, Frontier], ...] = untold()
    brief: str = seen("family.0.1.brief.scenario.name")

    @told
    def curves(self) -> tuple[Traced, ...]:
        """Each with its label."""
        return tuple(Traced(label, curve) for label, curve in self.family)

    @told
    def cautions(self) -> tuple[Caution, ...]:
        """What is said first of any formula on the curves, on what they rest, then those that always apply."""
        return _cautions(self.family)


def _cautions(curves: tuple[tuple[str, Frontier], ...]) -> tuple[Caution, ...]:
    rests = [rests_along(one.brief, [formula_at(one.brief.pool, b.doses) for b in one.breaks]) for _, one in curves]
    return (*_alarms(curves), *line_of(rests), *map(Caution, ALWAYS))


def _alarms(curves: tuple[tuple[str, Frontier], ...]) -> tuple[Caution, ...]:
    """Return what is said before anything else of the formulas at the breaks, each once."""
    found = list(uncharted(curves[0][1].brief))
    for _, one in curves:
        for there in one.breaks:
            formula = formula_at(one.brief.pool, there.doses)
            for setting in there.settings:
                found += alarms_of(one.brief, formula, setting)
    return joined(found)


def frontier_document(family: tuple[tuple[str, Frontier], ...], *, here: tuple[float, ...] | None = None) -> Document:
    """Return one trade-off, or a family of them; `here` is a point that is drawn beside it, across and up."""
    first = family[0][1]
    sections: list[Section | Document] = []
    if any(f.breaks for _, f in family):
        sections.append(_sketch(family, here))
    for label, one in family:
        suffix = f" ({label})" if label else ""
        if not one.breaks:
            sections.append(Listing(f"Trade-off{suffix}", ("The brief has no formula here.",)))
            continue
        sections.append(_breaks(one, suffix))
        sections.append(_stretches(one, suffix))
    count = sum(len(f.stretches) for _, f in family)
    exact = "Every break is exact."
    if any(f.sampled for _, f in family):
        exact = "Each piece is exact; the yes/no choices between them were sampled, so a better choice may be missing."
    verdict = f"{count} stretches between breaks. {exact}"
    if any(f.local for _, f in family):
        verdict = (
            f"{count} stretches between points. Something here is linear only around a formula: each point keeps every "
            "rule, checked apart from the programs, but a better formula far from it is not ruled out. Between points "
            "the rate is that of two formulas, not an exact slope."
        )
    title = f"{first.y.name[:1].upper()}{first.y.name[1:]} against {first.x.name} for {first.brief.scenario.name}"
    return Document(title, verdict, sections=framed(_cautions(family), sections), good=count > 0)


def _names(brief: Brief) -> dict[str, str]:
    return {item.id: item.material.name for item in brief.pool.items}


def _breaks(one: Frontier, suffix: str) -> Table:
    names = _names(one.brief)
    every = [
        (number(x, 3), number(y), *(listed([names[i] for i in ids]) for ids in (b.enters, b.leaves)))
        for b in one.breaks
        for x, y in (_place(one, b.x, b.y),)
    ]
    # A change without a jump in value has two breaks at one point; the second one tells nothing more.
    rows = tuple(row for k, row in enumerate(every) if k == 0 or row[:2] != every[k - 1][:2] or any(row[2:]))
    note = "What comes in and what goes out when the first column moves on from here."
    columns: Columns = (*figures(axis_words(one.x), axis_words(one.y)), "comes in", "goes out")
    return Table(f"{'Points' if one.local else 'Breaks'}{suffix}", columns, rows, note)


MOVE_SHOWN = 0.005
"""Moves of a dose below this [%] are shown as 0.00."""


def _stretches(one: Frontier, suffix: str) -> Table:
    rows, names = [], _names(one.brief)
    short = 0
    for s in one.stretches:
        ends = number(one.x.measure.as_told(s.first), 2), number(one.x.measure.as_told(s.last), 2)
        if ends[0] == ends[1] and len(one.stretches) > 1:
            short += 1
            continue
        rate = changed(one.y.measure, s.rate_first)
        if abs(s.rate_last - s.rate_first) > CHANGE_SHOWN * abs(s.rate_first):
            rate += f" to {changed(one.y.measure, s.rate_last)}"
        ph = ""
        if not isnan(s.targets[0]):
            ph = number(s.targets[0], 1) if s.targets[0] == s.targets[1] else f"{s.targets[0]:.1f} - {s.targets[1]:.1f}"
        moves = sorted(((n, m) for n, m in s.moves.items() if abs(m) >= MOVE_SHOWN), key=lambda m: (-abs(m[1]), m[0]))
        changes = [f"{names[name]} {move:+z.2f}" for name, move in moves[:6]]
        if len(moves) > 6:
            changes.append(f"{len(moves) - 6} more")
        rows.append((" - ".join(ends), rate, ph, "; ".join(changes)))
    unit = f"{one.y.name} per unit of {'the logarithm of ' * one.x.measure.by_logarithm}{one.x.name}"
    note = "Doses move evenly between two breaks where the rate is one figure."
    if one.local:
        note = "Rates and moves are those from one point to the next."
    if short:
        note += f" {short} too short to be seen {'is' if short == 1 else 'are'} left out here, not in --json."
    columns: Columns = (*figures(f"{one.x.name} from - to", unit, "target pH"), "doses that move, %")
    return Table(f"Exchange rate{suffix}", columns, tuple(rows), note)


def _points(one: Frontier) -> list[tuple[float, float]]:
    """Return points along the curve for drawing; breaks exactly, a few between them."""
    points = []
    for s in one.stretches:
        for k in range(9):
            x = s.first + k / 8 * (s.last - s.first)
            points.append(_place(one, x, s.at(x)))
    return points or _marks(one)


def _marks(one: Frontier) -> list[tuple[float, float]]:
    """Return the breaks of a curve for drawing."""
    return [_place(one, b.x, b.y) for b in one.breaks]


def _sketch(curves: tuple[tuple[str, Frontier], ...], here: tuple[float, ...] | None) -> Sketch:
    """Draw the curves in characters."""
    drawn = [(label, _points(f)) for label, f in curves if f.breaks]
    # A break that stands alone may lie outside every stretch.
    marked = [place for _, f in curves for place in _marks(f)]
    xs, ys = zip(*marked, *(point for _, points in drawn for point in points), strict=True)
    left, right, low, high = min(xs), max(xs), min(ys), max(ys)
    across, up = (right - left) or 1.0, (high - low) or 1.0
    grid = [[" "] * WIDTH for _ in range(HEIGHT)]
    for _, points in drawn:
        for (x1, y1), (x2, y2) in zip(points, points[1:] or points, strict=False):
            for step in range(WIDTH):
                share = step / (WIDTH - 1)
                column = round((x1 + share * (x2 - x1) - left) / across * (WIDTH - 1))
                row = round((high - y1 - share * (y2 - y1)) / up * (HEIGHT - 1))
                if grid[row][column] == " ":
                    grid[row][column] = "·"
    for k, (_, one) in enumerate((label, f) for label, f in curves if f.breaks):
        for x, y in _marks(one):
            column = round((x - left) / across * (WIDTH - 1))
            row = round((high - y) / up * (HEIGHT - 1))
            grid[row][column] = MARKS[k % len(MARKS)]
    first = curves[0][1]
    labels = [number(high, 3), *[""] * (HEIGHT - 2), number(low, 3)]
    side = max(len(label) for label in labels)
    lines = [f"{label:>{side}} |{''.join(row)}" for label, row in zip(labels, grid, strict=True)]
    lines.append(" " * side + " +" + "-" * WIDTH)
    ends = number(left, 2).ljust(WIDTH - len(number(right, 2))) + number(right, 2)
    lines.append(" " * (side + 2) + ends)
    keys = [
        f"{MARKS[k % len(MARKS)]} {label}" for k, (label, f) in enumerate(c for c in curves if c[1].breaks) if label
    ]
    marks = "points" if first.local else "breaks"
    lines += ["  ".join(keys)] if keys else []
    note = f"Up: {axis_words(first.y)}. Across: {axis_words(first.x)}. Marks are {marks}."
    return Sketch("The trade-off", tuple(lines), note, _drawing(curves, here))


def _drawing(curves: tuple[tuple[str, Frontier], ...], here: tuple[float, ...] | None = None) -> Curves:
    lines = tuple(Curve(label, tuple(_points(f)), tuple(_marks(f))) for label, f in curves if f.breaks)
    if here is not None:
        point = ((here[0], here[1]),)
        lines = (*(replace(one, label=one.label or "the best there is") for one in lines), Curve(HERE, point, point))
    return Curves(axis_words(curves[0][1].x), axis_words(curves[0][1].y), lines)


def draw_frontier(curves: tuple[tuple[str, Frontier], ...], path: Path) -> None:
    """Write the trade-off as SVG, PNG or PDF, by the file's ending; at least one curve has a break.

    Raises:
        DataError: If the file exists.
    """
    drawing = _drawing(curves)

    def plot(axes: Any) -> None:
        styles = ("-", "--", "-.", ":")
        for k, line in enumerate(drawing.lines):
            axes.plot(*zip(*line.points, strict=True), styles[k % len(styles)], color=f"C{k}", label=line.label or None)
            axes.plot(*zip(*line.marks, strict=True), "o", color=f"C{k}", markersize=4)
        axes.set_xlabel(drawing.x)
        axes.set_ylabel(drawing.y)
        if any(line.label for line in drawing.lines):
            axes.legend()
        axes.grid(alpha=0.3)

    draw(Sketch("The trade-off", drawing=drawing), curves[0][1].brief.scenario.name, path, plot)


def draw_leeway(found: Leeway, path: Path) -> None:
    """Write the room of each dose that may move as bars, as SVG, PNG or PDF, by the file's ending.

    Raises:
        UsageError: If there is nothing to draw.
        DataError: If the file exists.
    """
    heading = f"{found.result.brief.scenario.name}: room to move at a loss of {number(found.loss)}"
    sketches = _rooms(found)
    if not sketches:
        raise UsageError("--picture: there is nothing to draw, as water alone is in the formulas within the loss.")

    def plot(axes: Any) -> None:
        rooms = sorted((r for r in found.rooms if r.most > 0.005), key=lambda r: (r.most, r.id))
        for k, room in enumerate(rooms):
            axes.barh(k, room.most - room.least, left=room.least, height=0.5, color="C0", alpha=0.4)
            axes.plot([room.dose], [k], "o", color="C1", markersize=5)
        axes.set_yticks(range(len(rooms)), [r.name for r in rooms])
        axes.set_xlabel("dose, % (bar: within the loss; dot: best formula)")
        axes.set_xscale("symlog", linthresh=1)

    draw(sketches[0], heading, path, plot)


def leeway_document(found: Leeway) -> Document:
    """Return the room of every dose."""
    brief = found.result.brief
    currency = brief.scenario.currency
    goal = brief.scenario.objective.goals[0][1]
    measure = goal_of(brief)
    unit = f"{currency} per kg" if goal == "cost" else goal

    def best(value: float) -> str:
        own = measure.unit if measure.by_logarithm else unit
        return f"{number(measure.as_told(value), 4)} {own}"

    sections: list[Section | Document] = []
    used = [r for r in found.rooms if r.member != "no"]
    used.sort(key=lambda r: (r.member != "every", -r.most, r.id))
    rows = tuple((r.name, _dose(r.dose), _dose(r.least), _dose(r.most), r.member) for r in used)
    columns: Columns = ("material", *figures("best %", "least %", "most %"), "in which formulas")
    note = "Each range holds for one dose at a time, the others giving way."
    sections.append(Table("How far each dose may move", columns, rows, note))
    sections += _rooms(found)
    never = listed([r.name for r in found.rooms if r.member == "no"])
    sections.append(Listing("In no formula within the loss", (never,) if never else ()))
    for k, other in enumerate(found.alternatives, 1):
        lines = sorted(other.formula.lines, key=lambda line: (-line.percent, line.item.id))
        table = tuple((line.item.material.name, line.percent) for line in lines)
        gap = "proven furthest" if other.gap == 0 else "the search for the furthest was cut short"
        away = f"{number(other.distance, 1)} % of doses differ from the nearest"
        note = f"{best(other.objective)}; {away}; {gap}."
        sections.append(Table(f"Another formula, {k}", ("material", *figures("%", form=".2f")), table, note))
    worse = lost(measure, found.loss, unit)
    verdict = f"Best {best(found.result.objective)}; ranges at up to {worse} worse."
    return Document(f"Room to move for {brief.scenario.name}", verdict, sections=framed(found.cautions, sections))


def _rooms(found: Leeway) -> list[Sketch]:
    """Return the room of every dose that may move; water, which makes up the rest, would dwarf them."""
    rooms = [r for r in found.rooms if r.member != "no" and r.id != "aqua"]
    if not rooms:
        return []
    rooms.sort(key=lambda r: (-r.most, r.id))
    rows = tuple(
        Bar(r.name, r.least, r.most, f"{_dose(r.least)} to {_dose(r.most)}, best {_dose(r.dose)}", r.dose)
        for r in rooms
    )
    bars = Bars("dose, % as supplied", rows, (0.0, rooms[0].most))
    note = "Bar: within the loss. Dot: the best formula. Water makes up the rest and is left out."
    return [Sketch("Room of each dose", note=note, drawing=bars)]


def _dose(value: float) -> str:
    return f"{value:.2f}" if value > 0.004 else "0"

"""The region of trials: every formula near the plan that keeps the rules, at the plan's choices.

It is the brief's own rows, less the ratings that the trials shall replace. Law, pH, active matter, counts and water
stay. If pH is varied, the rows of all its levels hold, so that each beaker may have any of them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.formula import Formula
from optimizer.data.pool import Mask, Vector
from optimizer.errors import UsageError, fault, nearest
from optimizer.immutable import immutable, replace
from optimizer.rules.mean import MeanRating
from optimizer.rules.row import Setting
from optimizer.solve.existing import case_at
from optimizer.solve.rounding import broken
from optimizer.solve.solved import Solved
from optimizer.trials.basis import Coordinates
from optimizer.trials.factors import Way, Ways, effect, ends, independent
from optimizer.trials.polytope import Whitened, corners_of, whitened
from optimizer.units import KEPT, POINT_MET, listed, number

MOST = 5
"""Directions that a dozen beakers can still tell something of, pH among them."""
STEPS = 3
"""Steps of the scale that a factor must move what is weighed by, or weighing errors hide it."""
FAINT = 0.02
"""Least part of some dose that a factor must move, or readings scatter more; an editable default, no source."""


@immutable
class Rows:
    """Rows low <= matrix @ doses <= high on the used materials.

    Attributes:
        matrix: Shape (m, n).
        low: Shape (m,).
        high: Shape (m,).
        owners: Id of the rule of each.
    """

    matrix: Vector
    low: Vector
    high: Vector
    owners: tuple[str, ...]

    def without(self, owners: set[str]) -> Rows:
        """Return the rows that are not of some rules."""
        kept = [k for k, o in enumerate(self.owners) if o not in owners]
        return Rows(self.matrix[kept], self.low[kept], self.high[kept], tuple(self.owners[k] for k in kept))

    def hold(self, doses: Vector) -> Mask:
        """Return which formulas of shape (m, n) keep them all, shape (m,)."""
        values = doses @ self.matrix.T
        room = KEPT * np.maximum(1.0, np.abs(self.matrix).max(axis=1))
        return np.asarray(((values >= self.low - room) & (values <= self.high + room)).all(axis=1))


@immutable
class Region:
    """What the beakers are chosen from.

    Attributes:
        ways: The factors that are varied.
        rows: Of all rules that hold, on all used materials.
        space: The body in whitened coordinates.
        corners: Doses of its corners, shape (v, n) [%].
        sides: Id of the rule of each side of the body.
        notes: What was left out, and why.
    """

    ways: tuple[Way, ...]
    formula: Ways
    rows: Rows
    space: Whitened
    corners: Vector
    sides: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def coordinates(self) -> Coordinates:
        """The coordinates of its doses."""
        rest = np.array([k == self.formula.rest for k in range(len(self.formula.ids))])
        return Coordinates(self.formula.ids, self.space.centre, self.space.directions, rest)


def freed_rules(brief: Brief, names: Sequence[str]) -> tuple[str, ...]:
    """Return the ids of rating rules that are to be left out; a rating's own name means every rule on it.

    Raises:
        UsageError: If there is no such rating rule.
    """
    ratings = rating_rules(brief)
    found = []
    for name in names:
        hit = [r.id for r in ratings if name in (r.id, r.rating, r.rating.replace("_", "-"))]
        if not hit:
            known = [r.id for r in ratings]
            step = nearest(name, known) if known else "This brief has none with a limit."
            raise UsageError(f"--free {name}: only rules on planning ratings can be freed. {step}")
        found += hit
    return tuple(dict.fromkeys(found))


def rating_rules(brief: Brief) -> tuple[MeanRating, ...]:
    """Return the rules on planning ratings that have a limit."""
    return tuple(r for r in brief.modelled if isinstance(r, MeanRating) and (r.at_least or r.at_most or r.exactly))


def rows_of(brief: Brief, solved: Solved, formula: Formula, settings: Sequence[Setting]) -> Rows:
    """Return the rows that hold at the plan's choices, at every pH of the trials.

    Args:
        brief: With all its rules.
        solved: Its answer, whose choices of yes and no are kept.
        formula: The plan; a limit that it misses by a rounding error is taken where the plan stands.
        settings: The pH settings of the beakers.

    Raises:
        DataError: If the pH rules out a material of the plan, or a rule is linear only around a formula.
    """
    used = [brief.pool.index[line.item.id] for line in formula.lines]
    plan = np.array([line.percent for line in formula.lines])
    assert solved.chosen is not None
    assert solved.chosen.x is not None
    chosen = dict(zip(solved.chosen.case.model.names, solved.chosen.x, strict=True))
    found = [_rows_at(brief, chosen, used, setting) for setting in settings]
    _refuse_broken(brief, formula, settings)
    bounds = Rows(np.eye(len(used)), np.zeros(len(used)), np.full(len(used), 100.0), ("",) * len(used))
    joined = [*found, bounds]
    matrix = np.vstack([r.matrix for r in joined])
    here = matrix @ plan
    low = np.minimum(np.concatenate([r.low for r in joined]), here)
    high = np.maximum(np.concatenate([r.high for r in joined]), here)
    return Rows(matrix, low, high, tuple(o for r in joined for o in r.owners))


def _refuse_broken(brief: Brief, formula: Formula, settings: Sequence[Setting]) -> None:
    """Refuse a pH at which the plan itself breaks a rule: nothing round it could be held against that rule."""
    for setting in settings:
        rule = next((r for r in brief.enforced if broken(r, formula, setting)), None)
        if rule is not None:
            at = "" if setting.target is None else f"at pH {number(setting.target, 2)} "
            what = f"{at}the plan breaks '{rule.reading()}'."
            raise fault(brief.where, f"rule.{rule.id}", what, "Vary the pH less far, or leave it where it is.")


def _levels_left(brief: Brief, used: list[int], setting: Setting) -> str:
    """Return between which targets all materials of the plan may be used, as the next step."""
    acidity, room = brief.acidity, (setting.target or 0.0) - (setting.low or 0.0)
    assert acidity is not None
    targets = np.round(np.arange(acidity.low + room, acidity.high - room + KEPT, 0.05), 2).tolist()
    settings = [replace(setting, target=t, low=t - room, high=t + room) for t in targets]
    left = [s.target or 0.0 for s in settings if acidity.allowed(brief.pool, s)[used].all()]
    if len(left) < 2:
        return "Leave the pH where it is."
    return f"Vary it between {number(left[0], 2)} and {number(left[-1], 2)} at most, or leave it where it is."


def _rows_at(brief: Brief, chosen: dict[str, float], used: list[int], setting: Setting) -> Rows:
    case = case_at(brief, setting)
    model = case.model
    barred = [brief.pool.ids[k] for k in used if case.upper[k] <= 0]
    if barred:
        what = f"at pH {number(setting.target or 0.0, 2)} it may not be used, and the plan uses it."
        raise fault(brief.where, barred[0], what, _levels_left(brief, used, setting))
    choices = np.array([round(chosen.get(name, 0.0)) for name in model.names[model.doses :]])
    shift = model.matrix[:, model.doses :] @ choices
    doses = model.matrix[:, used]
    kept = np.abs(doses).max(axis=1, initial=0.0) > 0
    owners = tuple(row.owner for row, k in zip(model.rows, kept, strict=True) if k)
    return Rows(doses[kept], (model.row_low - shift)[kept], (model.row_high - shift)[kept], owners)


def region_of(
    brief: Brief,
    rows: Rows,
    formula: Formula,
    ways: tuple[Way, ...],
    freed: Sequence[str],
    step_percent: float,
    *,
    process: bool = False,
) -> Region:
    """Return the region of some factors; those that can hardly move are dropped, which is said.

    Args:
        brief: For the readings of its rules.
        rows: Of all its rules.
        formula: The plan.
        ways: The factors.
        freed: Ids of rating rules that are left out.
        step_percent: What the scale's step is of a beaker [%].
        process: Whether pH is varied besides.

    Raises:
        UsageError: If there are too many directions, two factors move the same, or nothing can move far enough.
    """
    _refuse_ways(ways, process)
    kept = ways
    notes: list[str] = []
    free = rows.without(set(freed))
    while kept:
        corners, spans = _spans(free, formula, kept)
        hardly = [
            (span, way, why)
            for way, span in zip(kept, spans.tolist(), strict=True)
            if (why := _hardly(way, span, formula, corners, step_percent))
        ]
        if not hardly:
            return _moving(kept, free, formula, corners, tuple(notes), step_percent / 2)
        _, worst, why = min(hardly, key=lambda found: found[0])
        last, kept = kept, tuple(w for w in kept if w is not worst)
        held = _readings(brief, _at_the_ends(free, formula, (worst,)))
        notes.append(
            f"{worst.name} stays as in the plan: {why}. Widen what holds it{f' ({held})' if held else ''}, or leave it "
            "out of what is varied"
        )
    if process:
        return _fixed(formula, free, tuple(notes))
    raise UsageError(_too_small(brief, rows, formula, last, why, freed, step_percent))


def _refuse_ways(ways: tuple[Way, ...], process: bool) -> None:
    """Refuse factors of which no series can tell anything.

    Raises:
        UsageError: If there are none, two move the same, or there are too many.
    """
    if not ways and not process:
        raise UsageError("the plan has nothing that the tool would vary. Name materials with --vary.")
    same = independent(ways)
    if same:
        raise UsageError(f"'{same}' moves nothing that the factors before it do not move. Leave it out.")
    if len(ways) + process > MOST:
        names = listed([w.id for w in ways] + ["ph"] * process)
        raise UsageError(
            f"{len(ways) + process} directions ({names}) are more than the {MOST} that a dozen beakers can tell apart. "
            "Vary fewer, and the others in a second series."
        )


def _moving(
    ways: tuple[Way, ...], rows: Rows, formula: Formula, corners: Vector, notes: tuple[str, ...], flat: float
) -> Region:
    """Return the region between its corners; what moves less than `flat` [%] counts as no direction."""
    along, at_most, owners = _one_sided(rows)
    space = whitened(corners, along, at_most, flat=flat)
    if space.body.directions < len(ways):
        notes += (_together(ways, space.body.directions),)
    sides = tuple(owners[k] for k in space.body.owners)
    return Region(ways, Ways(formula), rows, space, corners, sides, notes)


def _fixed(formula: Formula, rows: Rows, notes: tuple[str, ...]) -> Region:
    """Return the region in which only pH moves."""
    plan = np.array([[line.percent for line in formula.lines]])
    space = whitened(plan, *_one_sided(rows)[:2], flat=1.0)
    return Region((), Ways(formula), rows, space, plan, (), notes)


def _together(ways: tuple[Way, ...], directions: int) -> str:
    """Return that factors hang together within the rules."""
    names = listed([w.id for w in ways])
    return f"within the rules {names} move together: only {directions} of {len(ways)} directions can be told apart"


def _hardly(way: Way, span: float, formula: Formula, corners: Vector, step: float) -> str:
    """Return why no reading could tell what a factor does between the corners of a region, or ''."""
    if span < STEPS * step - POINT_MET:
        return (
            f"within the rules it can move by {number(span)} % only, less than {STEPS} steps of the scale "
            f"({number(STEPS * step)} %)"
        )
    known, (low, high) = Ways(formula), ends(way, corners)
    moved = np.abs(effect(way, known.plan, low, high)) / corners.max(axis=0)
    most = float(moved[known.weighed].max())
    if most >= FAINT - POINT_MET:
        return ""
    return (
        f"within the rules it goes from {number(low)} to {number(high)} {way.unit} only, which changes no dose by more "
        f"than {number(100 * most, 2)} % of itself, and readings scatter more than such a change could show"
    )


def _readings(brief: Brief, owners: Sequence[str]) -> str:
    """Return rules in words."""
    asked = {r.id: r for r in brief.enforced}
    return listed([asked[name].reading() for name in owners if name in asked])


def _spans(rows: Rows, formula: Formula, ways: Sequence[Way]) -> tuple[Vector, Vector]:
    """Return the doses of all corners, shape (v, n), and by how much each factor moves what it weighs most of [%]."""
    known = Ways(formula)
    plan = known.plan
    sizes = np.array([np.abs(w.direction[known.weighed]).max() for w in ways])
    moves = np.array([w.direction for w in ways]) / sizes[:, None]
    along, at_most, _ = _one_sided(rows)
    sides, room = along @ moves.T, at_most - along @ plan
    some = np.abs(sides).max(axis=1) > POINT_MET
    places = corners_of(sides[some], room[some])
    return plan + places @ moves, np.ptp(places, axis=0) if len(places) else np.zeros(len(ways))


def _one_sided(rows: Rows) -> tuple[Vector, Vector, list[str]]:
    """Return all rows as along @ doses <= at_most, and whose each of them is."""
    upper, lower = np.flatnonzero(np.isfinite(rows.high)), np.flatnonzero(np.isfinite(rows.low))
    along = np.vstack([rows.matrix[upper], -rows.matrix[lower]])
    return along, np.concatenate([rows.high[upper], -rows.low[lower]]), [rows.owners[k] for k in (*upper, *lower)]


def widened_by(rows: Rows, formula: Formula, ways: Sequence[Way], without: set[str]) -> float:
    """Return how far the factors together may move if some rules are left out [% of the largest dose]."""
    return float(_spans(rows.without(without), formula, ways)[1].max())


def _too_small(
    brief: Brief, rows: Rows, formula: Formula, ways: tuple[Way, ...], why: str, freed: Sequence[str], step: float
) -> str:
    """Return that nothing can be varied, why, the rules that make it so, and which rating to free."""
    free = rows.without(set(freed))
    asked = {r.id: r for r in brief.enforced}
    wide = {
        name: widened_by(free, formula, ways, {name}) for name in dict.fromkeys(free.owners) if name and name != "total"
    }
    alone = [name for name, much in wide.items() if much >= STEPS * step and name in asked]
    ratings = [r.id for r in rating_rules(brief) if r.id not in freed]
    said = f"nothing can be varied: {listed([w.name for w in ways])}: {why}."
    if alone:
        said += f" What holds it: {_readings(brief, alone)}."
    else:
        held = _readings(brief, _at_the_ends(free, formula, ways))
        said += f" What holds it, several together: {held}." if held else ""
    helping = [r for r in ratings if r in alone]
    if not helping and ratings and widened_by(free, formula, ways, set(ratings)) >= STEPS * step:
        helping = ratings
    if helping:
        much = widened_by(free, formula, ways, set(helping if len(helping) == len(ratings) else helping[:1]))
        names = ",".join(helping if len(helping) == len(ratings) else helping[:1])
        return f"{said} With --free {names} it may move by {number(much, 2)} %."
    return f"{said} Move a limit of the brief, or vary something else."


def _at_the_ends(rows: Rows, formula: Formula, ways: tuple[Way, ...]) -> tuple[str, ...]:
    """Return the rules on whose limits the ends of the region lie."""
    corners, _ = _spans(rows, formula, ways)
    values = corners @ rows.matrix.T
    moved = np.abs(np.array([w.direction for w in ways]) @ rows.matrix.T).max(axis=0) > POINT_MET
    at_end = (np.minimum(np.abs(values - rows.low), np.abs(values - rows.high)) <= KEPT).any(axis=0)
    return tuple(dict.fromkeys(o for o, k in zip(rows.owners, at_end & moved, strict=True) if k and o != "total"))


def gain_of_freeing(
    brief: Brief, region: Region, rows: Rows, formula: Formula, freed: Sequence[str]
) -> tuple[str, ...]:
    """Return sentences that say how much further a factor may go if a rating is freed that the trials could replace."""
    if not region.ways:
        return ()
    before = _ranges(region.rows, formula, region.ways)
    said = []
    for rule in rating_rules(brief):
        if rule.id in freed:
            continue
        after = _ranges(rows.without({*freed, rule.id}), formula, region.ways)
        gains = [(b[1] - b[0]) / max(a[1] - a[0], POINT_MET) for a, b in zip(before, after, strict=True)]
        best = int(np.argmax(np.round(gains, 6)))
        if gains[best] >= WORTH_FREEING:
            way, a, b = region.ways[best], before[best], after[best]
            said.append(
                f"'{rule.id}' rests on planning ratings: with --free {rule.id}, {way.name} may go from "
                f"{number(b[0], 1)} to {number(b[1], 1)} {way.unit} instead of {number(a[0], 1)} to {number(a[1], 1)}"
            )
    return tuple(said)


WORTH_FREEING = 1.25
"""How much wider a factor must become for it to be said."""


def _ranges(rows: Rows, formula: Formula, ways: Sequence[Way]) -> list[tuple[float, float]]:
    corners, _ = _spans(rows, formula, ways)
    return [ends(w, corners) for w in ways]


def settings_of(setting: Setting, levels: Sequence[float]) -> tuple[Setting, ...]:
    """Return the plan's setting, or one at each level of pH with the plan's tolerance."""
    if not levels:
        return (setting,)
    room = 0.0 if setting.target is None or setting.high is None else setting.high - setting.target
    return tuple(replace(setting, target=p, low=p - room, high=p + room) for p in levels)

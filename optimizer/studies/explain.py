"""Why a brief is impossible, and what would have to give.

A conflict is an irreducible set of rules: impossible together over every pH setting and choice,
possible without any one of them (removal test, started from the rules that proofs of impossibility
rest on). A single repair relaxes one limit and moves it exactly as far as the rule's own measure must
go. Where no single one suffices, the fewest rules that must give are found by a hitting set: every
repair must break every conflict.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations, permutations
from math import ceil, floor, inf, isfinite
from typing import ClassVar

from optimizer.brief.brief import Brief
from optimizer.data.pool import Group
from optimizer.immutable import Figure, immutable, replace, told, untold
from optimizer.rules import Acidity, LimitRule, Preserved, Rule
from optimizer.rules.composition import Active
from optimizer.rules.preserved import PRESERVATIVE, Unpreserved
from optimizer.solve.conflict import find_conflict, read_in_conflict
from optimizer.solve.feasibility import PH, Probe
from optimizer.units import AS_TYPED, KEPT, SAME_WORTH, TRIED, outward, stated, whole_up

DROP_STEPS = 10.0
"""Noticeable steps that dropping a yes/no rule counts as, for the order of repairs."""
MOST_GIVING = 4
"""Repairs of more rules than this are not searched."""
MOST_FURTHER = 4
"""Limits that are tried, each a little further than the last, where round-off stops the nearest one."""


class Filled(Active):
    """Some surfactant, asked for whatever gives way."""

    gives: ClassVar[bool] = False


FILLED = Filled(id="some-surfactant", at_least=0.1)
"""What a wash is asked for at the least where limits are mended, % active; made up, far below any that washes."""
PH_SHOWN = 0.01
"""A pH limit is told in steps of this."""


@immutable
class LimitChange:
    """A limit that gives way; limits are null where a yes/no rule is dropped."""

    id: str
    """The rule."""
    name: str = untold()
    """What it measures."""
    side: str
    """'low' or 'high', or 'rule' if a yes/no rule is dropped."""
    old: Figure
    """The limit as written; NaN when dropped."""
    new: Figure
    """The nearest limit that can be met."""
    unit: str
    """Unit of both."""
    steps: float
    """How many noticeable steps that is."""
    reading: str = untold()
    bare: bool = untold(default=False)
    """Whether no rule asks any more for a preservative that acts, at its low use, once it is made."""
    empty: bool = untold(default=False)
    """Whether the rest can only be kept without any surfactant: a mean or a share then has nothing to judge."""

    @told
    def words(self) -> str:
        """The change in the brief's words."""
        then = "no rule asks for enough preservative" if self.bare else "only what holds no surfactant fits"
        return f"{self._plain} (then {then})" if self.bare or self.empty else self._plain

    @property
    def _plain(self) -> str:
        if self.side == "rule":
            return f"drop: {self.reading}"
        kind = {"low": "at least", "high": "at most"}[self.side]
        unit = f" {self.unit}" if self.unit else ""
        new = f"{stated(self.new)}{unit}" if isfinite(self.new) else "no limit"
        return f"{self.name} {kind} {stated(self.old)} -> {new}"


@immutable
class Explanation:
    """What clashes and what would help.

    Attributes:
        conflict: Ids of the clashing rules.
        readings: The same rules as sentences.
        repair: The least giving-way: fewest rules, then fewest noticeable steps; empty if none was found.
        single_repairs: Every single limit that suffices alone, fewest steps first; one that leaves a wash without its
            preservative or without any surfactant only where nothing else suffices alone.
        hopeless: True if law, arithmetic and physics alone are already impossible.
        solves: Programs run.
    """

    conflict: tuple[str, ...]
    readings: tuple[str, ...]
    repair: tuple[LimitChange, ...]
    single_repairs: tuple[LimitChange, ...]
    hopeless: bool
    solves: int


def explain(brief: Brief, *, time_limit: float = 60.0) -> Explanation:
    """Explain an impossible brief.

    Raises:
        ValueError: If the brief can be met.
        SolverError: If a program ends without a verdict.
    """
    probe = Probe(brief, time_limit)
    everything = frozenset(probe.ids)
    conflict = find_conflict(probe, everything)
    if conflict is None:
        raise ValueError("the brief can be met")
    rules = {r.id: r for r in brief.enforced}
    hopeless = not probe.feasible(frozenset(i for i in everything if not rules[i].may_give))
    singles = [] if hopeless else _washing(probe, everything, [rules[name] for name in conflict])
    singles = _preserving(probe, everything, singles, rules)
    singles.sort(key=lambda c: (round(c.steps, 9), c.id, c.side))
    repair = tuple(singles[:1])
    if not singles and not hopeless:
        joint = _joint_repair(probe, everything, conflict, rules)
        if _empties(probe, everything, joint):
            rules[FILLED.id] = FILLED
            joint = _joint_repair(_filled(probe), everything | {FILLED.id}, conflict, rules) or _emptied(joint)
        repair = tuple(_marked(probe, everything, joint, rules))
    readings = tuple(read_in_conflict(brief, rules, conflict, i) for i in conflict)
    return Explanation(conflict, readings, repair, tuple(singles), hopeless, probe.solves)


def _washing(probe: Probe, active: frozenset[str], giving: list[Rule]) -> list[LimitChange]:
    """Return the changes that suffice alone and leave surfactant in; where none does, all that suffice, marked."""
    found: list[LimitChange] = []
    empty: list[LimitChange] = []
    for rule in giving:
        changes = single_repairs(probe, active, rule)
        if any(_empties(probe, active, (change,)) for change in changes):
            empty += _emptied(changes)
            changes = single_repairs(_filled(probe), active | {FILLED.id}, rule)
        found += changes
    return found or empty


def _filled(probe: Probe) -> Probe:
    """Return a probe of the same brief that asks for some surfactant, too."""
    return Probe(replace(probe.brief, modelled=(*probe.brief.modelled, FILLED)), probe.time_limit)


def _empties(probe: Probe, active: frozenset[str], changes: tuple[LimitChange, ...]) -> bool:
    """Return whether changes help only because nothing is left that a mean or a share is taken over."""
    brief = probe.brief
    judged = any(isinstance(r, LimitRule) and r.ratio and r.id in active for r in brief.modelled)
    if not changes or not judged or not brief.pool.surfactant.any():
        return False
    for change in changes:
        brief = changed(brief, change)
    then = _filled(Probe(brief, probe.time_limit))
    feasible = then.feasible(active.intersection(then.ids) | {FILLED.id})
    probe.solves += then.solves
    return not feasible


def _emptied(changes: Iterable[LimitChange]) -> tuple[LimitChange, ...]:
    return tuple(replace(change, empty=True) for change in changes)


def _preserving(
    probe: Probe, active: frozenset[str], changes: list[LimitChange], rules: dict[str, Rule]
) -> list[LimitChange]:
    """Return the changes that leave a preservative in; where none does, all of them, marked."""
    marked = [one for change in changes for one in _marked(probe, active, (change,), rules)]
    return [c for c in marked if not c.bare] or marked


def _marked(
    probe: Probe, active: frozenset[str], changes: tuple[LimitChange, ...], rules: dict[str, Rule]
) -> Iterator[LimitChange]:
    """Yield changes that are made together, those of rules about preservatives marked if none asks for enough then."""
    brief = probe.brief
    guards = tuple(r for r in brief.watched if isinstance(r, Preserved))
    about = [_about_preservatives(rules[c.id], brief) for c in changes]
    bare = False
    if guards and any(about):
        for change in changes:
            brief = changed(brief, change)
        without = tuple(Unpreserved(**guard.model_dump()) for guard in guards)
        then = Probe(replace(brief, modelled=(*brief.modelled, *without)), probe.time_limit)
        bare = then.feasible(active.intersection(then.ids) | {rule.id for rule in without})
        probe.solves += then.solves
    for change, asks in zip(changes, about, strict=True):
        yield replace(change, bare=bare and asks)


def _about_preservatives(rule: Rule, brief: Brief) -> bool:
    """Return whether a rule is about preservatives among the candidates."""
    of = getattr(rule, "of", None)
    own = [i.material for i in brief.pool.items if PRESERVATIVE in i.material.functions]
    return isinstance(of, Group) and any(of.holds(material) for material in own)


def single_repairs(probe: Probe, active: frozenset[str], rule: Rule) -> list[LimitChange]:
    """Return the changes of one rule that suffice alone; none if it may not give or does not suffice."""
    if not rule.may_give or not probe.feasible(active - {rule.id}):
        return []
    if isinstance(rule, Acidity):
        return _ph_repairs(probe, active, rule)
    if rule.way == "counted":
        return _count_repairs(probe, active, rule)
    if rule.way == "tried" and (tried := _tried_repairs(probe, active, rule)):
        return tried
    if rule.way in ("tried", "dropped"):
        return [
            LimitChange(rule.id, rule.name, "rule", float("nan"), float("nan"), rule.unit, DROP_STEPS, rule.reading())
        ]
    changes = []
    for side, old, sign in (("low", rule.limits[0], -1), ("high", rule.limits[1], 1)):
        if not isfinite(old):
            continue
        reached = probe.extreme(active, rule, sign, (rule.id, side))
        if reached is not None:
            change = _typed(probe, active, _to(rule, side, outward(reached, side == "high")))
        else:
            # Only without what a mean is taken over can the others be kept: no figure is far enough.
            endless = replace(_to(rule, side, sign * inf), steps=DROP_STEPS)
            change = endless if _suffices(probe, active, endless) else None
        changes += [] if change is None else [change]
    return changes


def _to(rule: Rule, side: str, new: float) -> LimitChange:
    """Return the change of one end of a rule."""
    old = rule.limits[0] if side == "low" else rule.limits[1]
    return LimitChange(rule.id, rule.name, side, old, new, rule.unit, abs(new - old) / rule.step, rule.reading())


def _typed(probe: Probe, active: frozenset[str], change: LimitChange) -> LimitChange | None:
    """Return a change with which the brief can be met as it is shown, a little further than reached if it must."""
    rule = next(r for r in probe.brief.modelled if r.id == change.id)
    unit = KEPT * abs(change.new) or AS_TYPED
    for _ in range(MOST_FURTHER):
        if _suffices(probe, active, change):
            return change
        further = change.new - unit if change.side == "low" else change.new + unit
        change = _to(rule, change.side, outward(further, change.side == "high"))
        unit *= 10
    return None


def _suffices(probe: Probe, active: frozenset[str], change: LimitChange) -> bool:
    """Return whether the active rules can be met together after a change."""
    moved = Probe(changed(probe.brief, change), probe.time_limit)
    feasible = moved.feasible(active)
    probe.solves += moved.solves
    return feasible


def _ph_repairs(probe: Probe, active: frozenset[str], rule: Acidity) -> list[LimitChange]:
    """Return the nearest pH range that suffices when one of its ends moves."""
    changes = []
    for side, widest in (("low", 0.0), ("high", 14.0)):
        wider = Probe(replace(probe.brief, acidity=rule.model_copy(update={side: widest})), probe.time_limit)
        ends = [s.low if side == "low" else s.high for s in wider.feasible_settings(active)]
        reached = [e for e in ends if e is not None]
        probe.solves += wider.solves
        if reached:
            new = max(reached) if side == "low" else min(reached)
            changes.append(_nearer_ph(probe, active, rule, side, new))
    return changes


def _nearer_ph(probe: Probe, active: frozenset[str], rule: Acidity, side: str, far: float) -> LimitChange:
    """Return the nearest end of the pH range that suffices, to a hundredth, between two targets that were tried."""
    old = rule.low if side == "low" else rule.high
    way = PH_SHOWN if side == "low" else -PH_SHOWN
    most = min(whole_up(rule.grid / PH_SHOWN), round(abs(old - far) / PH_SHOWN)) - 1
    enough = 0
    while enough < most:
        middle = (enough + most + 1) // 2
        if _suffices(probe, active, _to(rule, side, round(far + middle * way, 6))):
            enough = middle
        else:
            most = middle - 1
    return _to(rule, side, round(far + enough * way, 6))


def _tried_repairs(probe: Probe, active: frozenset[str], rule: Rule) -> list[LimitChange]:
    """Return the nearest limit that suffices when one end of a rule with choices moves; none of an exact one."""
    assert isinstance(rule, LimitRule)
    low, high = rule.limits
    changes = []
    for side, old, end in (("low", low, rule.lowest), ("high", high, rule.highest)):
        if low == high or not isfinite(old) or not _suffices(probe, active, _to(rule, side, end)):
            continue
        way = TRIED if end > old else -TRIED
        short, enough = 0, whole_up(abs(end - old) / TRIED)
        while enough - short > 1:
            middle = (short + enough) // 2
            if _suffices(probe, active, _to(rule, side, round(old + middle * way, 9))):
                enough = middle
            else:
                short = middle
        new = round(old + enough * way, 9)
        changes.append(_to(rule, side, min(new, end) if end > old else max(new, end)))
    return changes


def _count_repairs(probe: Probe, active: frozenset[str], rule: Rule) -> list[LimitChange]:
    """Return the nearest number that suffices when one end of a count moves."""
    low, high = rule.limits
    changes = []
    for side, old in (("low", low), ("high", high)):
        reach = range(ceil(old) - 1, -1, -1) if side == "low" and isfinite(old) else range(0)
        if side == "high" and isfinite(old):
            reach = range(floor(old) + 1, len(probe.brief.pool) + 1)
        for new in reach:
            change = _to(rule, side, float(new))
            if _suffices(probe, active, change):
                changes.append(change)
                break
    return changes


def _joint_repair(
    probe: Probe, active: frozenset[str], conflict: tuple[str, ...], rules: dict[str, Rule]
) -> tuple[LimitChange, ...]:
    """Return the repair of the fewest rules that together suffice, found through conflicts as hitting sets."""
    conflicts = [frozenset(i for i in conflict if rules[i].may_give)]
    for size in range(1, MOST_GIVING + 1):
        seen: set[frozenset[str]] = set()
        best: tuple[LimitChange, ...] = ()
        while True:
            members = sorted(set().union(*conflicts))
            candidates = [
                frozenset(c)
                for c in combinations(members, size)
                if frozenset(c) not in seen and all(set(c) & other for other in conflicts)
            ]
            if not candidates:
                break
            dropped = candidates[0]
            seen.add(dropped)
            found = _conflict_without(probe, active, dropped)
            if found is None:
                changes = _least(probe, active, [rules[i] for i in sorted(dropped)])
                if changes and (not best or sum(c.steps for c in changes) < sum(c.steps for c in best) - SAME_WORTH):
                    best = changes
            else:
                giving = frozenset(i for i in found if rules[i].may_give)
                if not giving:
                    return ()
                conflicts.append(giving)
        if best:
            return best
    return ()


def _conflict_without(probe: Probe, active: frozenset[str], dropped: frozenset[str]) -> tuple[str, ...] | None:
    """Return a conflict that is left when some rules give way; the pH gives way to 0 to 14, not further."""
    if PH not in dropped or probe.brief.acidity is None:
        return find_conflict(probe, active - dropped)
    anything = probe.brief.acidity.model_copy(update={"low": 0.0, "high": 14.0})
    wide = Probe(replace(probe.brief, acidity=anything), probe.time_limit)
    found = find_conflict(wide, active - (dropped - {PH}))
    probe.solves += wide.solves
    return None if found is None else tuple(i for i in found if i != PH)


def _least(probe: Probe, active: frozenset[str], giving: list[Rule]) -> tuple[LimitChange, ...]:
    """Return limits for rules that give together, each moved as little as the others then allow.

    The last rule of each order is moved exactly; the order with the fewest steps is taken, so the
    number of rules is least but the split of the steps between them is one of the corners.
    """
    best: tuple[LimitChange, ...] = ()
    for order in permutations(giving):
        changes = _in_turn(probe, active, list(order))
        if changes and (not best or sum(c.steps for c in changes) < sum(c.steps for c in best) - SAME_WORTH):
            best = changes
    return tuple(sorted(best, key=lambda c: c.id))


def _in_turn(probe: Probe, active: frozenset[str], order: list[Rule]) -> tuple[LimitChange, ...]:
    """Move the first rule as little as possible with the others open, then the next, and so on."""
    brief = probe.brief
    changes: list[LimitChange] = []
    for position, rule in enumerate(order):
        still_open = frozenset(r.id for r in order[position + 1 :])
        here = Probe(brief, probe.time_limit)
        options = single_repairs(here, active - still_open, rule)
        probe.solves += here.solves
        if not options:
            here_feasible = here.feasible(active - still_open)
            if here_feasible:
                continue
            return ()
        change = min(options, key=lambda c: c.steps)
        changes.append(change)
        brief = changed(brief, change)
    return tuple(changes)


def changed(brief: Brief, change: LimitChange) -> Brief:
    """Return the brief with one change applied."""
    if change.id == PH:
        assert brief.acidity is not None
        return replace(brief, acidity=brief.acidity.model_copy(update={change.side: change.new}))
    if change.side == "rule":
        return replace(brief, modelled=tuple(r for r in brief.modelled if r.id != change.id))
    rules = []
    for rule in brief.modelled:
        moved = rule
        if rule.id == change.id:
            low, high = rule.limits
            moved = rule.with_limits(change.new, high) if change.side == "low" else rule.with_limits(low, change.new)
        rules.append(moved)
    return replace(brief, modelled=tuple(rules))

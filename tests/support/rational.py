"""A third opinion in fractions: measures from the raw figures as they are written, and the best point without rounding.

It shares no code with the tool and none with `oracle.py`. A figure is the decimal that a maker writes (0.1 is one
tenth), so nothing here is ever rounded. Groups are lists of ids.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import product
from random import Random
from typing import Any

from tests.support.oracle import Case, Table

Numbers = list[Fraction]
TOLERANCE = Fraction(1, 10**6)
"""What a formula may miss a limit by, of the larger of the limit and the parts that the measure is summed from."""
SUM = Fraction(1, 10**8)
"""The same for the total of 100 %."""
CLOSE = Fraction(1, 10**9)
"""Two objectives are equal within this, of what they are summed from."""
ZERO, ONE, HUNDRED = Fraction(0), Fraction(1), Fraction(100)


wobble: Random | None = None
"""If set, figures are read with their last binary digit off, up or down at random."""


def exactly(figure: float) -> Fraction:
    """Return the decimal that a figure is written as."""
    written = Fraction(repr(float(figure)))
    return written if wobble is None else written * (1 + Fraction(wobble.choice((-1, 1)), 2**52))


@dataclass(frozen=True)
class Limit:
    """low <= (top @ x + above) / (bottom @ x + below) <= high over the doses; a missing end is None."""

    id: str
    top: Numbers
    bottom: Numbers
    above: Fraction
    below: Fraction
    low: Fraction | None
    high: Fraction | None

    def sums(self, x: Numbers) -> tuple[Fraction, Fraction, Fraction]:
        """Return numerator, denominator and what the numerator is summed from."""
        parts = [t * v for t, v in zip(self.top, x, strict=True) if t]
        under = sum((b * v for b, v in zip(self.bottom, x, strict=True) if b), self.below)
        return sum(parts, self.above), under, sum(map(abs, parts), abs(self.above))

    def missed(self, x: Numbers) -> Fraction:
        """Return by how much a point misses the limits, of the size of what is compared."""
        top, under, size = self.sums(x)
        worst = ZERO
        for end, way in ((self.low, 1), (self.high, -1)):
            if end is not None:
                miss = way * (end * under - top)
                if miss > 0:
                    worst = max(worst, miss / max(size, abs(end) * under))
        return worst


class Raw:
    """A case as fractions: its candidates sorted by id, its limits, its yes/no rules."""

    def __init__(self, case: Case) -> None:
        """Read the figures."""
        prices = {line["material"]: exactly(line["price_per_kg"]) for line in case["shelf"]}
        self.items = sorted((m for m in case["materials"] if m["id"] in prices or m["id"] == "aqua"), key=_id)
        self.ids = [m["id"] for m in self.items]
        self.prices = [prices.get(name, ZERO) for name in self.ids]
        self.scenario = case["scenario"]
        self.held = exactly(self.scenario.get("held_back", {}).get("percent", 0))
        rules = self.scenario["rule"]
        self.choosing = [r for r in rules if r["kind"] in ("if-used", "count", "one-of", "needs", "excludes")]
        self.limits = [self._total(), *(self.limit(r) for r in rules if r not in self.choosing)]
        for name, dose in self.scenario.get("fixed", {}).items():
            self.limits.append(self.limit({"id": f"fixed-{name}", "kind": "dose", "of": [name], "exactly": dose}))
        batch = self.scenario.get("batch_kg")
        for line in case["shelf"] if batch else ():
            if "stock_kg" in line:
                most = HUNDRED * exactly(line["stock_kg"]) / exactly(batch)
                top = self._each(lambda m, name=line["material"]: exactly(m["id"] == name))
                self.limits.append(Limit(f"stock-{line['material']}", top, self._none(), ZERO, ONE, None, most))
        self.chooser = sorted({p for rule in self.choosing for p in self.members(rule["of"])})
        wanted = self.scenario.get("objective", {})
        self.sign = -1 if "maximise" in wanted else 1
        name = wanted.get("maximise") or wanted.get("minimise") or "cost"
        own = {r["id"]: r for r in rules}
        self.goal = self.limit(own.get(name) or {"id": name, "kind": name})

    def _none(self) -> Numbers:
        return [ZERO] * len(self.items)

    def _each(self, of: Any) -> Numbers:
        return [of(m) for m in self.items]

    def _total(self) -> Limit:
        return Limit("total", [ONE] * len(self.items), self._none(), self.held, ONE, HUNDRED, HUNDRED)

    def members(self, ids: list[str]) -> list[int]:
        """Return the positions of a group."""
        return [p for p, name in enumerate(self.ids) if name in ids]

    def limit(self, rule: Table) -> Limit:
        """Return what a rule measures and its ends."""
        none, bottom, below = self._none(), self._none(), ONE
        ids, kind = rule.get("of") or [], rule["kind"]
        if kind == "dose":
            top = self._each(lambda m: _counts(rule, m) if m["id"] in ids else ZERO)
        elif kind == "active":
            top = self._each(_active)
        elif kind == "salt":
            top = self._each(lambda m: _part(m, lambda s: s["inci"] == "Sodium Chloride"))
        elif kind == "water":
            top = self._each(lambda m: _part(m, lambda s: s["inci"] == "Aqua"))
        elif kind == "cost":
            top = [price / 100 for price in self.prices]
        elif kind == "share":
            top = self._each(lambda m: HUNDRED * _active(m) if m["id"] in ids else ZERO)
            bottom, below = self._each(_active), ZERO
        elif kind == "ratio":
            mass = _active if rule.get("measured", "as active") == "as active" else lambda m: ONE
            top = self._each(lambda m: mass(m) if m["id"] in ids else ZERO)
            bottom, below = self._each(lambda m: mass(m) if m["id"] in rule["to"] else ZERO), ZERO
        elif kind == "rating":
            top = self._each(lambda m: _active(m) * exactly(m["ratings"]["mildness"]["typical"] if _active(m) else 0))
            bottom, below = self._each(_active), ZERO
        else:
            assert kind == "property", kind
            value = self._each(lambda m: exactly(m.get("properties", {}).get(rule["property"], 0.0)))
            over = rule.get("over")
            top = [v / 100 for v in value] if over is None else none
            if over is not None:
                inside = [ONE if name in over else ZERO for name in self.ids]
                top, bottom, below = [v * i for v, i in zip(value, inside, strict=True)], inside, ZERO
        low, high = (rule.get(k, rule.get("exactly")) for k in ("at_least", "at_most"))
        ends = (None if end is None else exactly(end) for end in (low, high))
        return Limit(rule["id"], top, bottom, ZERO, below, *ends)

    def value(self, rule: Table, x: Numbers) -> Fraction | None:
        """Return the measure of a point; None for something to nothing."""
        top, under, _ = self.limit(rule).sums(x)
        return top / under if under else None

    # yes/no -----------------------------------------------------------------------------------------

    def choices(self) -> Iterator[tuple[set[int], list[Limit]]]:
        """Return every yes/no choice that its rules allow: what is shut, and the limits that it adds."""
        for taken in product((False, True), repeat=len(self.chooser)):
            yes = {p for p, t in zip(self.chooser, taken, strict=True) if t}
            added: list[Limit] = []
            if all(self._chosen(rule, yes, added) for rule in self.choosing):
                yield set(self.chooser) - yes, added

    def _chosen(self, rule: Table, yes: set[int], added: list[Limit]) -> bool:
        used = [p for p in self.members(rule["of"]) if p in yes]
        low, high = (rule.get(k, rule.get("exactly")) for k in ("at_least", "at_most"))
        kind = rule["kind"]
        if kind in ("count", "one-of"):
            low, high = (1, 1) if kind == "one-of" else (low, high)
            if not (low or 0) <= len(used) <= (100 if high is None else high):
                return False
            if low is not None:
                added += [self._dose(rule, [self.ids[p]], rule.get("counts_from", 0.1), None) for p in used]
        elif kind == "if-used":
            added += [self._dose(rule, [self.ids[p]], low, high) for p in used]
        elif used and kind == "needs":
            added.append(self._dose({"id": rule["id"]}, rule["other"], rule.get("at_least", 0.1), None))
        elif used:
            added.append(self._dose(rule, rule["other"], None, rule.get("above", 0.0)))
        return True

    def _dose(self, rule: Table, of: list[str], low: float | None, high: float | None) -> Limit:
        ends = {k: v for k, v in (("at_least", low), ("at_most", high)) if v is not None}
        return self.limit({"id": rule["id"], "kind": "dose", "of": of, "measured": rule.get("measured"), **ends})

    def keeps_choices(self, x: Numbers) -> bool:
        """Return whether a point keeps the yes/no rules at one of the choices, within the tolerance."""
        return not self.choosing or any(
            all(x[p] == 0 for p in shut) and all(limit.missed(x) <= TOLERANCE for limit in added)
            for shut, added in self.choices()
        )

    # search -----------------------------------------------------------------------------------------

    def best(self) -> tuple[Fraction, Numbers] | None:
        """Return the best objective and one best point over every choice, or None if there is none."""
        found: tuple[Fraction, Numbers] | None = None
        for shut, added in self.choices():
            rows = [row for limit in (*self.limits, *added) for row in _rows(limit)]
            point = self._at(rows, shut)
            if point is not None and (found is None or self.sign * point[0] < self.sign * found[0]):
                found = point
        return found

    def _at(self, rows: list[tuple[Numbers, Fraction]], shut: set[int]) -> tuple[Fraction, Numbers] | None:
        """Minimise at one choice; a ratio by Dinkelbach's steps, which end exactly."""
        open_ = [p for p in range(len(self.items)) if p not in shut]
        kept = [([a[p] for p in open_], b) for a, b in rows]
        ratio = ZERO
        while True:
            cost = [self.sign * (self.goal.top[p] - ratio * self.goal.bottom[p]) for p in open_]
            doses = minimum(cost, kept)
            if doses is None:
                return None
            x = self._none()
            for p, dose in zip(open_, doses, strict=True):
                x[p] = dose
            top, under, _ = self.goal.sums(x)
            if under == 0 or top / under == ratio or not any(self.goal.bottom):
                return (top / under if under else ZERO), x
            ratio = top / under


def _id(raw: Table) -> str:
    return str(raw["id"])


def _part(raw: Table, counted: Any) -> Fraction:
    return sum((exactly(s["share"][1]) for s in raw["substances"] if counted(s)), ZERO) / 100


def _active(raw: Table) -> Fraction:
    return _part(raw, lambda s: s.get("surfactant", False))


def _counts(rule: Table, raw: Table) -> Fraction:
    return _part(raw, lambda s: s.get("role", "active") == "active") if rule.get("measured") == "as active" else ONE


def _rows(limit: Limit) -> Iterator[tuple[Numbers, Fraction]]:
    """Yield a limit as rows a @ x <= b."""
    for end, way in ((limit.low, 1), (limit.high, -1)):
        if end is not None:
            a = [way * (end * b - t) for t, b in zip(limit.top, limit.bottom, strict=True)]
            yield a, way * (limit.above - end * limit.below)


def minimum(cost: Numbers, rows: list[tuple[Numbers, Fraction]]) -> Numbers | None:
    """Return a minimiser of cost @ x with a @ x <= b and x >= 0, or None if there is no such x.

    The least-index criss-cross method (T. Terlaky, Optimization 16 (1985) 683), which ends in exact arithmetic. The
    region must be bounded, as doses that sum to 100 are.

    Args:
        cost: Shape (n,).
        rows: Pairs of a, shape (n,), and b.
    """
    n = len(cost)
    table = [[*a, b] for a, b in rows]
    bottom = [*cost, ZERO]
    columns, basic = list(range(n)), list(range(n, n + len(rows)))
    while True:
        wrong = [(basic[r], True, r) for r, row in enumerate(table) if row[n] < 0]
        wrong += [(columns[c], False, c) for c in range(n) if bottom[c] < 0]
        if not wrong:
            x = [ZERO] * n
            for r, name in enumerate(basic):
                if name < n:
                    x[name] = table[r][n]
            return x
        _, is_row, at = min(wrong)
        if is_row:
            partners = [(columns[c], c) for c in range(n) if table[at][c] < 0]
        else:
            partners = [(basic[r], r) for r in range(len(table)) if table[r][at] > 0]
        if not partners:
            return None
        other = min(partners)[1]
        r, c = (at, other) if is_row else (other, at)
        _pivot(table, bottom, r, c)
        columns[c], basic[r] = basic[r], columns[c]


def _pivot(table: list[Numbers], bottom: Numbers, r: int, c: int) -> None:
    pivot = table[r][c]
    row = [v / pivot for v in table[r]]
    row[c] = 1 / pivot
    for other in (*(t for k, t in enumerate(table) if k != r), bottom):
        factor = other[c]
        if factor:
            for k, v in enumerate(row):
                if k != c and v:
                    other[k] -= factor * v
            other[c] = -factor * row[c]
    table[r] = row

"""The scenarios of one brief as linear programs that share a matrix.

Applies to briefs without yes/no choices whose objective is a sum: limits, prices and missing materials then
change ends, costs and bounds only, and limits of means and shares one row of coefficients each. pH settings are
further sets of closed materials, so all settings of all scenarios are programs of one matrix.
Other briefs are solved scenario by scenario (`single`): with yes/no choices a basis proves nothing
about the choices that were not made, and a mean as the objective takes several programs per answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from optimizer.brief import Brief
from optimizer.corridor import TIE
from optimizer.model import Case, Model, cases, objective_vector
from optimizer.pool import Mask, Pool, Vector
from optimizer.range.frame import ENDINGS, PROOFS, WAYS, Frame, Pair, empty, scattered
from optimizer.range.grid import MISSING, PRICE, Grid
from optimizer.range.programs import Base, Index, Programs
from optimizer.range.reuse import IMPOSSIBLE, OPTIMAL, UNCERTIFIED, Answers, Reuse
from optimizer.range.single import limit_of, one_by_one
from optimizer.row import Setting
from optimizer.rules import Cost, LimitRule
from optimizer.units import TOLERANCE, USED

AT_END = 1e-7
"""A row this near to its end, relative to 1 + |end|, sits on it."""


@dataclass(frozen=True)
class Span:
    """A rule whose limits differ, and the keys that move them.

    Attributes:
        rule: As the brief states it.
        low: Key of the lower limit, '' if it stays.
        high: Key of the upper limit.
        exactly: Key of both.
        reference: Limits at which the matrix is built.
    """

    rule: LimitRule
    low: str
    high: str
    exactly: str
    reference: tuple[float, float]

    def limits(self, grid: Grid) -> tuple[Vector, Vector]:
        """Return the limits in every scenario, shape (s,) each."""
        low, high = self.rule.limits
        if self.exactly:
            both = np.asarray(grid.column(self.exactly), dtype=float)
            return both, both
        if self.rule.exactly is not None:
            low, high = -inf, inf
        lows, highs = np.full(len(grid), low), np.full(len(grid), high)
        for key, ends in ((self.low, lows), (self.high, highs)):
            if key:
                own = np.asarray(grid.column(key), dtype=float)
                ends[~np.isnan(own)] = own[~np.isnan(own)]
        return lows, highs


class Family:
    """One brief, ready for any number of scenarios; what is learnt from one serves the next."""

    def __init__(self, brief: Brief, keys: tuple[str, ...], time_limit: float = 60.0) -> None:
        """Lay the matrix for scenarios that state all of the given keys.

        Args:
            brief: The brief that they vary.
            keys: Limits of stated rules, prices and missing materials that scenarios may state.
            time_limit: Seconds for each integer program [s].
        """
        self.brief, self.keys, self.time_limit = brief, keys, time_limit
        self.reuse: Reuse | None = None
        sign, name = brief.scenario.objective.goals[0]
        measure = brief.measure(name)
        self.spans = _spans(brief, keys)
        priced = [k for k in keys if k.startswith(PRICE)]
        capped = any(isinstance(r, Cost) and r.limits != (-inf, inf) for r in brief.rules)
        if measure.ratio or (priced and capped) or any(type(s.rule).rows is not LimitRule.rows for s in self.spans):
            return
        moved = {s.rule.id: s.rule.with_limits(*s.reference) for s in self.spans}
        rules = tuple(moved.get(r.id, r) for r in brief.rules)
        found = cases(rules, brief.acidity, brief.pool)
        model = found[0].model
        if model.choices or any(c.model is not model for c in found):
            return
        self.model, self.cases = model, found
        self.sign, self.costly = float(sign), isinstance(measure, Cost)
        vector, self.constant = objective_vector(measure, brief.pool, sign)
        self.reuse = Reuse(self._base(model, found, vector, priced))
        self._windows()
        self._measures()

    def _base(self, model: Model, found: tuple[Case, ...], cost: Vector, priced: list[str]) -> Base:
        pool = self.brief.pool
        ended, moved, slopes = [], [], []
        self._rows: list[tuple[int, Span, bool]] = []
        for r, row in enumerate(model.rows):
            span = next((s for s in self.spans if s.rule.id == row.owner), None)
            if span is None:
                continue
            self._rows.append((r, span, row.side == "high"))
            ended.append(r)
            if row.per_limit is not None:
                moved.append(r)
                slopes.append(row.per_limit)
        self._prices = [pool.index[k.removeprefix(PRICE)] for k in priced] if self.costly else []
        gone = [k for k in self.keys if k.startswith(MISSING) and k.removeprefix(MISSING) in pool.index]
        uppers = np.array([c.upper for c in found])
        barred = np.flatnonzero((uppers == 0).any(axis=0))
        self._closing = np.array(
            sorted({*(pool.index[k.removeprefix(MISSING)] for k in gone), *barred}), dtype=np.int64
        )
        self._barred = uppers[:, self._closing] == 0
        return Base(
            model.matrix,
            cost,
            model.row_low,
            model.row_high,
            np.minimum(uppers.max(axis=0), 100.0 - pool.held_back) if uppers.size else uppers.max(axis=0),
            np.array(self._prices, dtype=np.int64),
            np.array(ended, dtype=np.int64),
            self._closing,
            np.array(moved, dtype=np.int64),
            np.array(slopes).reshape(len(moved), model.size),
        )

    def _windows(self) -> None:
        """Keep every candidate's pH window."""
        acidity, pool = self.brief.acidity, self.brief.pool
        windows = [acidity.window(i.material) if acidity else (-inf, inf) for i in pool.items]
        self._window_low = np.array([w[0] for w in windows])[:, None]
        self._window_high = np.array([w[1] for w in windows])[:, None]

    def _measures(self) -> None:
        """Keep what every rule measures, from raw data, for the check of the answers."""
        pool = self.brief.pool
        self._checked = []
        for rule in self.brief.rules:
            if isinstance(rule, LimitRule) and rule.kind != "use-level":
                above, below = rule.constants(pool.held_back)
                per = pool.vector(rule.per) if rule.ratio else None
                self._checked.append((rule, pool.vector(rule.amount), above, per, below))
        sides: dict[Pair, list[int]] = {}
        for r, row in enumerate(self.model.rows):
            sides.setdefault((row.owner, row.side), []).append(r)
        self._sides = {pair: np.array(rows) for pair, rows in sorted(sides.items())}

    def solve(self, grid: Grid) -> Frame:
        """Return one answer per scenario; every one that is not plain is solved on its own."""
        if self.reuse is None or not len(grid):
            return one_by_one(self.brief, grid, self.time_limit) if len(grid) else empty(0)
        plain = self._plain(grid)
        parts: list[tuple[Index, Frame]] = []
        step = self._step()
        odd: list[Index] = [np.flatnonzero(~plain)]
        for where in np.split(np.flatnonzero(plain), range(step, int(plain.sum()), step)):
            if where.size:
                frame, doubtful = self._together(grid.take(where))
                parts.append((where, frame))
                odd.append(where[doubtful])
        alone = np.concatenate(odd)
        if alone.size:
            parts = [(w[kept], _taken(f, kept)) for w, f in parts for kept in [np.flatnonzero(~np.isin(w, alone))]]
            parts.append((alone, one_by_one(self.brief, grid.take(alone), self.time_limit)))
        return scattered([p for p in parts if p[0].size])

    def _step(self) -> int:
        """Return how many scenarios are taken at once, so that their programs stay near the processor."""
        size = self.model.size + len(self.model.rows)
        return max(64, min(8192, 400_000 // size) // len(self.cases))

    def _plain(self, grid: Grid) -> Mask:
        """Return which scenarios state figures that every rule takes, shape (s,)."""
        ok = np.ones(len(grid), dtype=bool)
        for span in self.spans:
            low, high = span.limits(grid)
            ok &= low <= high
            for ends in (low, high):
                ok &= np.isinf(ends) | ((ends >= span.rule.lowest) & (ends <= span.rule.highest))
        for key in self.keys:
            if key.startswith(PRICE):
                price = grid.column(key)
                ok &= np.isnan(price) | ((price >= 0) & (price < inf))
        return ok

    def _together(self, grid: Grid) -> tuple[Frame, Index]:
        """Return the answers of plain scenarios, and the positions of those that must be solved on their own."""
        gone, combination = self._combinations(grid)
        settings = [self._settings(g) for g in gone]
        scenarios, slots = [], []
        for c, own in enumerate(settings):
            members = np.flatnonzero(combination == c)
            for k, allowed in enumerate(own):
                if allowed:
                    scenarios.append(members)
                    slots.append(np.full(members.size, k))
        scenario, case = np.concatenate(scenarios), np.concatenate(slots)
        order = np.argsort(scenario, kind="stable")
        scenario, case = scenario[order], case[order]
        programs = self._programs(grid, scenario, case, gone[combination[scenario]])
        assert self.reuse is not None
        before = self.reuse.calls
        answers = self.reuse.solve(programs)
        pick, chosen, doubtful, targets = self._picked(
            answers, programs, scenario, case, combination, settings, len(grid)
        )
        frame = self._frame(answers, programs, scenario, pick, chosen, targets, len(grid))
        broken = self._broken(frame, grid)
        frame = Frame(**{**vars(frame), "calls": self.reuse.calls - before})
        return frame, np.flatnonzero(doubtful | broken)

    def _combinations(self, grid: Grid) -> tuple[Mask, Index]:
        """Return the distinct sets of missing materials, shape (g, n), and which each scenario has, shape (s,)."""
        pool = self.brief.pool
        keys = [k for k in self.keys if k.startswith(MISSING) and k.removeprefix(MISSING) in pool.index]
        if not keys:
            return np.zeros((1, len(pool)), dtype=bool), np.zeros(len(grid), dtype=np.int64)
        flags = np.array([grid.column(k) == 1 for k in keys])
        packed = np.ascontiguousarray(np.packbits(flags, axis=0).T)
        _, first, which = np.unique(packed, axis=0, return_index=True, return_inverse=True)
        gone = np.zeros((first.size, len(pool)), dtype=bool)
        gone[:, [pool.index[k.removeprefix(MISSING)] for k in keys]] = flags[:, first].T
        return gone, which.reshape(-1)

    def _settings(self, gone: Mask) -> list[tuple[Setting, ...]]:
        """Return the pH settings of each case that the brief would try without some materials."""
        acidity, pool = self.brief.acidity, self.brief.pool
        if acidity is None or not gone.any():
            return [c.settings for c in self.cases]
        items = tuple(i for i, out in zip(pool.items, gone, strict=True) if not out)
        rest = Pool(items, pool.held_back, pool.later, pool.thickeners)
        edges = acidity.edges(rest) + tuple(e for rule in self.brief.rules for e in rule.edges(rest))
        tried = {s.target for s in acidity.settings(edges)}
        return [tuple(s for s in c.settings if s.target in tried) for c in self.cases]

    def _programs(self, grid: Grid, scenario: Index, case: Index, gone: Mask) -> Programs:
        """Return one program per scenario and pH case."""
        assert self.reuse is not None
        base = self.reuse.base
        size = len(grid)
        lows, highs, moves = [], [], []
        held = self.brief.pool.held_back
        for r, span, upper in self._rows:
            low, high = span.limits(grid)
            limit = high if upper else low
            above, below = span.rule.constants(held)
            row = self.model.rows[r]
            end = limit * below - above
            lows.append(np.full(size, -inf) if row.side == "high" else end)
            highs.append(np.full(size, inf) if row.side == "low" else end)
            if row.per_limit is not None:
                reference = span.reference[1] if upper else span.reference[0]
                # Without a limit the row must ask for nothing: its ends are infinite then.
                moves.append(np.where(np.isfinite(limit), limit, reference) - reference)
        cost = np.zeros((len(self._prices), size))
        for k, position in enumerate(self._prices):
            price = np.asarray(grid.column(PRICE + self.brief.pool.ids[position]), dtype=float)
            cost[k] = np.where(np.isnan(price), 0.0, self.sign * (price / 100) - base.cost[position])
        closed = self._barred[case].T | gone[:, self._closing].T
        whole = [np.array(part).reshape(len(part), size) for part in (lows, highs, moves)]
        low_ends, high_ends, t = (part[:, scenario] for part in whole)
        return Programs(base, cost[:, scenario], low_ends, high_ends, closed, t)

    def _picked(
        self,
        answers: Answers,
        programs: Programs,
        scenario: Index,
        case: Index,
        combination: Index,
        settings: list[list[tuple[Setting, ...]]],
        size: int,
    ) -> tuple[Index, Index, Mask, Vector]:
        """Choose among the pH cases of every scenario: the best, then the target furthest from an edge.

        Returns:
            Program of each solved scenario (c,), these scenarios (c,), which scenarios are doubtful (s,),
            target pH of each solved scenario (c,).
        """
        objective = (programs.costs() * answers.x).sum(axis=0)
        solved = answers.verdict == OPTIMAL
        best = np.full(size, inf)
        np.minimum.at(best, scenario[solved], objective[solved])
        tied = solved & (objective <= best[scenario] + TIE * (1 + np.abs(best[scenario])))
        doubtful = np.zeros(size, dtype=bool)
        doubtful[scenario[(answers.verdict == 0) | (tied & ~answers.unique)]] = True
        candidates = np.flatnonzero(tied)
        targets, margins, first = self._targets(answers.x[:, candidates], combination[scenario[candidates]], settings)
        rank = np.lexsort((case[candidates], first[case[candidates]], -np.round(margins, 9), scenario[candidates]))
        ordered = scenario[candidates][rank]
        leading = np.ones(ordered.size, dtype=bool)
        leading[1:] = ordered[1:] != ordered[:-1]
        take = rank[leading]
        return candidates[take], ordered[leading], doubtful, targets[take]

    def _targets(
        self, x: Vector, combination: Index, settings: list[list[tuple[Setting, ...]]]
    ) -> tuple[Vector, Vector, Vector]:
        """Return the target pH of answers and its distance from an edge of the window that all used materials share.

        As `solve.choose_ph`, once for every distinct window.
        """
        acidity = self.brief.acidity
        first = np.array([c.settings[0].target or 0.0 for c in self.cases])
        if acidity is None:
            return np.full(x.shape[1], np.nan), np.zeros(x.shape[1]), first
        used = x > USED
        low = np.where(used, self._window_low, -inf).max(axis=0, initial=-inf)
        high = np.where(used, self._window_high, inf).min(axis=0, initial=inf)
        windows, which = np.unique(np.array([low, high, combination]), axis=1, return_inverse=True)
        targets, margins = np.full(windows.shape[1], np.nan), np.full(windows.shape[1], -inf)
        for w, (lowest, highest, c) in enumerate(windows.T):
            inner, outer = max(acidity.low, lowest), min(acidity.high, highest)
            fitting = [
                s.target
                for own in settings[int(c)]
                for s in own
                if s.target is not None
                and s.low is not None
                and s.high is not None
                and max(lowest - s.low, s.high - highest) <= 1e-6
            ]
            if fitting:
                targets[w] = max(fitting, key=lambda t: (round(min(t - inner, outer - t), 6), -t))
                margins[w] = min(targets[w] - inner, outer - targets[w])
        which = which.reshape(-1)
        return targets[which], margins[which], first

    def _frame(
        self,
        answers: Answers,
        programs: Programs,
        scenario: Index,
        pick: Index,
        chosen: Index,
        targets: Vector,
        size: int,
    ) -> Frame:
        """Return the chosen answers as columns."""
        pool = self.brief.pool
        frame = empty(size, pool.ids, tuple(self._sides))
        frame.ending[:] = ENDINGS.index("infeasible")
        word = np.zeros(size, dtype=bool)
        word[scenario[answers.verdict == UNCERTIFIED]] = True
        frame.proof[:] = np.where(word, PROOFS.index("solver bound"), PROOFS.index("certificate"))
        fresh = np.zeros(size, dtype=bool)
        fresh[scenario[~answers.reused & np.isin(answers.verdict, (OPTIMAL, IMPOSSIBLE, UNCERTIFIED))]] = True
        frame.way[:] = np.where(fresh, WAYS.index("solved"), WAYS.index("reused"))
        frame.ending[chosen] = ENDINGS.index("optimal")
        frame.ph[chosen] = targets
        some = programs.take(pick)
        x = answers.x[:, pick]
        costs = some.costs()
        value = (costs * x).sum(axis=0)
        frame.objective[chosen] = self.sign * (value + self.constant)
        frame.cost[chosen] = self.sign * value if self.costly else self._cost(x, some)
        frame.doses[chosen] = np.where(x > USED, x, 0.0).T
        rows, (low, high) = some.activity(x), some.ends()
        with np.errstate(invalid="ignore"):
            at_low = np.abs(rows - low) <= AT_END * (1 + np.abs(low))
            at_high = np.abs(rows - high) <= AT_END * (1 + np.abs(high))
        binding = np.zeros((len(self._sides), chosen.size), dtype=bool)
        measured = {rule.id: per for rule, _, _, per, _ in self._checked if per is not None}
        for k, ((owner, side), own) in enumerate(self._sides.items()):
            binding[k] = (at_high if side == "high" else at_low)[own].any(axis=0)
            if owner in measured:
                binding[k] &= self._has_value(owner, x)
        frame.binding[chosen] = binding.T
        return frame

    def _has_value(self, owner: str, x: Vector) -> Mask:
        """Return whether a mean has a value, which nothing to nothing has not."""
        _, amounts, above, per, below = next(c for c in self._checked if c[0].id == owner)
        assert per is not None
        return np.asarray((per @ x + below > TOLERANCE) | (amounts @ x + above > TOLERANCE))

    def _cost(self, x: Vector, programs: Programs) -> Vector:
        """Return the material cost where it is not what is minimised and no price differs."""
        return np.asarray(self.brief.pool.prices @ x / 100)

    def _broken(self, frame: Frame, grid: Grid) -> Mask:
        """Return which formulas break a rule by its raw measure, shape (s,); as the last check of `solve`."""
        broken = np.zeros(len(frame), dtype=bool)
        solved = frame.solved
        spans = {s.rule.id: s for s in self.spans}
        for rule, amounts, above, per, below in self._checked:
            if rule.id in spans:
                low, high = spans[rule.id].limits(grid)
            elif rule.limits == (-inf, inf):
                continue
            else:
                low, high = (np.full(len(frame), end) for end in rule.limits)
            top = frame.doses @ amounts + above
            bottom = np.full(len(frame), below) if per is None else frame.doses @ per + below
            with np.errstate(divide="ignore", invalid="ignore"):
                value = np.where(bottom > TOLERANCE, top / bottom, np.where(top > TOLERANCE, inf, np.nan))
            slack = 10 * TOLERANCE * np.maximum(1.0, np.maximum(_size(low), _size(high)))
            with np.errstate(invalid="ignore"):
                broken |= solved & ((low - value > slack) | (value - high > slack))
        return broken


def _size(ends: Vector) -> Vector:
    return np.where(np.isfinite(ends), np.abs(ends), 0.0)


def _taken(frame: Frame, kept: Index) -> Frame:
    """Return some scenarios of a frame."""
    place = {int(old): new for new, old in enumerate(kept)}
    messages = {place[s]: text for s, text in frame.messages.items() if s in place}
    arrays = {
        name: getattr(frame, name)[kept]
        for name in ("ending", "proof", "way", "objective", "cost", "ph", "doses", "binding")
    }
    return Frame(**arrays, ids=frame.ids, limits=frame.limits, messages=messages, calls=frame.calls)


def _spans(brief: Brief, keys: tuple[str, ...]) -> tuple[Span, ...]:
    """Return the rules whose limits the keys move."""
    by_rule: dict[str, dict[str, str]] = {}
    for key in keys:
        if limit_of(brief, key) is not None:
            owner, _, last = key.rpartition(".")
            by_rule.setdefault(owner, {})[last] = key
    spans = []
    for owner, own in by_rule.items():
        rule = next(r for r in brief.rules if r.id == owner)
        assert isinstance(rule, LimitRule)
        exactly = own.get("exactly", "")
        stated_low, stated_high = (-inf, inf) if rule.exactly is not None else rule.limits
        known = next((e for e in rule.limits if abs(e) < inf), 1.0)
        low = stated_low if stated_low > -inf else known if "at_least" in own else -inf
        high = stated_high if stated_high < inf else known if "at_most" in own else inf
        if exactly:
            reference = (known, known)
        else:
            # Two rows, whatever the scenarios make of them: an exact limit would be a single one.
            reference = (low, high + 1.0) if low == high else (low, high)
        spans.append(Span(rule, own.get("at_least", ""), own.get("at_most", ""), exactly, reference))
    return tuple(spans)

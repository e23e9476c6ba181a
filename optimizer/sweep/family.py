"""The scenarios of one brief as programs that share a matrix.

Applies to briefs whose objective is a sum: limits, prices and missing materials then change ends, costs and bounds
only, and limits of means and shares one row of coefficients each. pH settings are further sets of closed materials,
so all settings of all scenarios are programs of one matrix. Without yes/no choices a basis proves a program alone
(`reuse`), with them a cut through boxes of choices does (`tree_reuse`).
Other briefs are solved scenario by scenario (`single`): a mean as the objective takes several programs per answer,
and a rule whose rows change with the pH has several matrices.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, nan

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.planned import plan_of_pool
from optimizer.data.pool import Mask, Vector
from optimizer.engine.certificate import row_sizes
from optimizer.engine.highs import row_scales, unit_of
from optimizer.immutable import replace
from optimizer.model.model import Case, Model, cases
from optimizer.rules import Cost, LimitRule
from optimizer.sweep.binding import Binding
from optimizer.sweep.frame import ENDINGS, PROOFS, WAYS, Frame, empty, scattered
from optimizer.sweep.grid import MISSING, PRICE, Grid
from optimizer.sweep.learnt import Learnt
from optimizer.sweep.measures import Measures
from optimizer.sweep.programs import Index, ProgramBase, Programs
from optimizer.sweep.reuse import AT_CHOICES, IMPOSSIBLE, OPTIMAL, UNCERTIFIED, UNSOLVED, Answers, Reuse
from optimizer.sweep.single import limit_of, one_by_one
from optimizer.sweep.spans import MovedLimits, spans_of
from optimizer.sweep.targets import Targets, Tried
from optimizer.sweep.tree_reuse import TreeReuse
from optimizer.units import ROW_MET, SAME_WORTH, USED


class Family:
    """One brief, ready for any number of scenarios; what is learnt from one serves the next."""

    def __init__(
        self, brief: Brief, keys: tuple[str, ...], time_limit: float = 60.0, given: Learnt | None = None
    ) -> None:
        """Lay the matrix for scenarios that state all of the given keys.

        Args:
            brief: The brief that they vary.
            keys: Limits of stated rules, prices and missing materials that scenarios may state.
            time_limit: Seconds for each integer program [s].
            given: What a family of the same brief and keys has learnt, perhaps in another process.
        """
        self.brief, self.keys, self.time_limit, self._given = brief, keys, time_limit, given or Learnt()
        self.reuse: Reuse | TreeReuse | None = None
        sign, name = brief.scenario.objective.goals[0]
        measure = brief.measure(name)
        varied = [rule for rule in (limit_of(brief, key) for key in keys) if rule is not None]
        priced = [k for k in keys if k.startswith(PRICE)]
        capped = any(isinstance(r, Cost) and r.limits != (-inf, inf) for r in brief.modelled)
        if measure.ratio or (priced and capped) or any(type(r).rows is not LimitRule.rows for r in varied):
            return
        self.spans = spans_of(brief, keys)
        moved = {s.rule.id: s.rule.with_limits(*s.reference) for s in self.spans}
        rules = tuple(moved.get(r.id, r) for r in brief.modelled)
        found = cases(rules, brief.acidity, brief.pool, loose=moved)
        model = found[0].model
        if not all(_same_rows(c.model, model) for c in found):
            return
        self.model, self.cases = model, found
        self.sign, self.costly, self.counts_plan = float(sign), isinstance(measure, Cost), measure.counts_plan
        # What the bench is to add is no figure of the doses alone: its price where it counts, and its ways to thicken.
        kinds = (PRICE, MISSING) if measure.counts_plan else (MISSING,)
        planned = plan_of_pool(brief.pool).names
        self._of_plan = [k for k in keys if k.startswith(kinds) and k.partition(".")[2] in planned]
        cost, self.constant = model.objective(measure, brief.pool, sign)
        base = self._base(model, found, cost, priced)
        self.reuse = self._tree(base, model.doses) if model.choices else Reuse(base, given=self._given)
        self.targets = Targets(brief, found)
        self.measures = Measures(brief, (s for c in found for s in c.settings))
        self.binding = Binding(brief, model, self.measures)

    def _tree(self, base: ProgramBase, doses: int) -> TreeReuse:
        """Return what answers programs with choices."""
        return TreeReuse(base, doses, self._given)

    def learnt(self) -> Learnt:
        """Return what another family of the same brief and keys may begin with."""
        return self._given if self.reuse is None else self.reuse.learnt()

    def _base(self, model: Model, found: tuple[Case, ...], cost: Vector, priced: list[str]) -> ProgramBase:
        pool = self.brief.pool
        named = [k.removeprefix(PRICE) for k in priced]
        ended, moved = [], []
        self._rows: list[tuple[int, MovedLimits, bool]] = []
        for r, row in enumerate(model.rows):
            span = next((s for s in self.spans if s.rule.id == row.owner), None)
            if span is None:
                continue
            self._rows.append((r, span, row.side == "high"))
            ended.append(r)
            if row.per_limit is not None:
                moved.append(r)
        self._prices = [pool.index[n] for n in named if n in pool.index] if self.costly else []
        self._turn(model, found)
        uppers = np.array([c.upper for c in found])
        barred = np.flatnonzero((uppers == 0).any(axis=0))
        self._closing = np.array(
            sorted({*(pool.index[k.removeprefix(MISSING)] for k in self._missing), *barred}), dtype=np.int64
        )
        self._barred = uppers[:, self._closing] == 0
        # All at the size of about 1, as in `engine/highs`, so that what checks them may work to one tolerance.
        integers = model.size - model.doses
        self._scale, self._unit = row_scales(model.matrix, model.row_low, model.row_high, integers), unit_of(cost)
        return ProgramBase(
            model.matrix * self._scale[:, None],
            cost * self._unit,
            model.row_low * self._scale,
            model.row_high * self._scale,
            np.minimum(uppers.max(axis=0), 100.0 - pool.held_back),
            np.array([*self._prices, *self._turning], dtype=np.int64),
            np.array(ended, dtype=np.int64),
            self._closing,
            np.array(moved, dtype=np.int64),
            np.array([self._slope(model, r) for r in moved]).reshape(len(moved), model.size),
        )

    def _turn(self, model: Model, found: tuple[Case, ...]) -> None:
        """Note which choices cost another plan for the bench at another pH, and how much more."""
        kinds = list({id(c.model): c.model for c in found}.values())
        self._kind = np.array([next(k for k, m in enumerate(kinds) if m is c.model) for c in found])
        planned = np.array([m.planned if self.counts_plan else 0 * m.planned for m in kinds])
        turning = np.flatnonzero((planned != planned[0]).any(axis=0))
        self._turning, self._turned = model.doses + turning, (planned - planned[0])[:, turning].T * self.sign

    @property
    def _missing(self) -> list[str]:
        """The keys that say which candidates are missing."""
        return [k for k in self.keys if k.startswith(MISSING) and k.removeprefix(MISSING) in self.brief.pool.index]

    def _slope(self, model: Model, row: int) -> Vector:
        per_limit = model.rows[row].per_limit
        assert per_limit is not None
        return np.asarray(model.spread(per_limit) * self._scale[row])

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
                before = self.reuse.calls
                frame, doubtful = self._together(grid.take(where), self.reuse.solve)
                spent, kept = self.reuse.calls - before, self.reuse.kept
                parts.append((where, replace(frame, calls=spent, kept=kept, kept_bytes=self.reuse.kept_bytes)))
                odd.append(where[doubtful])
        alone = np.sort(np.concatenate(odd))
        if alone.size:
            parts = [(w[kept], f.take(kept)) for w, f in parts for kept in [np.flatnonzero(~np.isin(w, alone))]]
            parts.append((alone, one_by_one(self.brief, grid.take(alone), self.time_limit)))
        return scattered([p for p in parts if p[0].size])

    def _step(self) -> int:
        """Return how many scenarios are taken at once, so that their programs stay near the processor."""
        size = self.model.size + len(self.model.rows)
        return max(64, min(8192, 600_000 // size) // len(self.cases))

    def _plain(self, grid: Grid) -> Mask:
        """Return which scenarios state figures that every rule takes, shape (s,)."""
        ok = np.ones(len(grid), dtype=bool)
        for span in self.spans:
            low, high = span.limits(grid)
            ok &= low <= high
            if span.exactly:
                for key in filter(None, (span.low, span.high)):
                    ok &= np.isnan(grid.column(key))
            for ends in (low, high):
                ok &= np.isinf(ends) | ((ends >= span.rule.lowest) & (ends <= span.rule.highest))
        for key in self.keys:
            if key.startswith(PRICE):
                price = grid.column(key)
                ok &= np.isnan(price) | ((price >= 0) & (price < inf))
        for key in self._of_plan:
            stated = grid.column(key)
            ok &= (stated != 1) if key.startswith(MISSING) else np.isnan(stated)
        if len(self._missing) == len(self.brief.pool):
            ok &= np.any([grid.column(k) != 1 for k in self._missing], axis=0)
        return ok

    def _together(self, grid: Grid, ask: Callable[[Programs, Index], Answers]) -> tuple[Frame, Index]:
        """Return the answers of plain scenarios, and the positions of those that must be solved on their own."""
        gone, combination = self._combinations(grid)
        settings = [self.targets.tried(g) for g in gone]
        tried = np.array([self._widest(own, missing) for own, missing in zip(settings, gone, strict=True)])
        scenario, case = np.nonzero(tried[combination])
        programs = self._programs(grid, scenario, case, gone[combination[scenario]])
        answers = ask(programs, scenario)
        pick, chosen, doubtful, targets = self._picked(
            answers, programs, scenario, case, combination, settings, len(grid)
        )
        frame, broken = self._frame(answers, programs, scenario, pick, chosen, targets, grid, gone[combination[chosen]])
        doubtful[chosen[broken]] = True
        return frame, np.flatnonzero(doubtful)

    def _widest(self, settings: Tried, gone: Mask) -> Mask:
        """Return which cases are solved: those with a setting that is tried, with choices only the widest of them.

        What is best in a case is best in every case that allows less but all that it uses, so a search through
        choices in that one would prove the same again; without choices a basis is tried faster than that is seen.
        """
        there = np.array([bool(own) for own in settings])
        if not self.model.choices:
            return there
        open_ = ~self._barred & ~gone[self._closing]
        for k in np.flatnonzero(there):
            alike = np.flatnonzero(there & (self._kind == self._kind[k]))
            wider = [o for o in alike if o != k and (open_[o] >= open_[k]).all()]
            there[k] = not any((open_[o] > open_[k]).any() or o < k for o in wider)
        return there

    def _combinations(self, grid: Grid) -> tuple[Mask, Index]:
        """Return the distinct sets of missing materials, shape (g, n), and which each scenario has, shape (s,)."""
        pool = self.brief.pool
        keys = self._missing
        if not keys:
            return np.zeros((1, len(pool)), dtype=bool), np.zeros(len(grid), dtype=np.int64)
        flags = np.array([grid.column(k) == 1 for k in keys])
        packed = np.packbits(flags, axis=0)
        codes = np.zeros(len(grid), dtype=np.int64)
        for byte in packed:
            # Codes are renumbered before they could overflow.
            codes = np.unique(codes * 256 + byte, return_inverse=True)[1].reshape(-1)
        _, first, which = np.unique(codes, return_index=True, return_inverse=True)
        gone = np.zeros((first.size, len(pool)), dtype=bool)
        gone[:, [pool.index[k.removeprefix(MISSING)] for k in keys]] = flags[:, first].T
        return gone, which.reshape(-1)

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
            finite = np.isfinite(limit)
            end = np.where(finite, np.where(finite, limit, 0.0) * below - above, limit)
            end = end * self._scale[r]
            lows.append(np.full(size, -inf) if row.side == "high" else end)
            highs.append(np.full(size, inf) if row.side == "low" else end)
            if row.per_limit is not None:
                reference = span.reference[1] if upper else span.reference[0]
                # Without a limit the row must ask for nothing: its ends are infinite then.
                moves.append(np.where(finite, limit, reference) - reference)
        cost = np.zeros((len(self._prices), size))
        for k, position in enumerate(self._prices):
            price = np.asarray(grid.column(PRICE + self.brief.pool.ids[position]), dtype=float)
            cost[k] = np.where(np.isnan(price), 0.0, self.sign * self._unit * (price / 100) - base.cost[position])
        closed = self._barred[case].T | gone[:, self._closing].T
        whole = [np.array(part).reshape(len(part), size) for part in (lows, highs, moves)]
        low_ends, high_ends, t = (part[:, scenario] for part in whole)
        turned = self._turned[:, self._kind[case]] * self._unit
        return Programs(base, np.vstack([cost[:, scenario], turned]), low_ends, high_ends, closed, t)

    def _picked(
        self,
        answers: Answers,
        programs: Programs,
        scenario: Index,
        case: Index,
        combination: Index,
        settings: list[Tried],
        size: int,
    ) -> tuple[Index, Index, Mask, Vector]:
        """Choose among the pH cases of every scenario: the best, then the target furthest from an edge.

        Returns:
            Program of each solved scenario (c,), these scenarios (c,), which scenarios are doubtful (s,),
            target pH of each solved scenario (c,).
        """
        objective = programs.values(answers.x)
        solved = np.isin(answers.verdict, (OPTIMAL, AT_CHOICES))
        best = np.full(size, inf)
        np.minimum.at(best, scenario[solved], objective[solved])
        tied = solved & (objective <= best[scenario] + SAME_WORTH * (1 + np.abs(best[scenario])))
        doubtful = np.zeros(size, dtype=bool)
        open_ = np.isin(answers.verdict, (UNSOLVED, AT_CHOICES))
        doubtful[scenario[open_ | (tied & ~answers.unique)]] = True
        candidates = np.flatnonzero(tied)
        if len(self.brief.scenario.objective.goals) > 1:  # formulas that differ are for the tie-break to tell apart
            one = np.empty(size, dtype=np.int64)
            one[scenario[candidates]] = candidates
            doses = answers.x[: self.model.doses]
            other = (np.abs(doses[:, candidates] - doses[:, one[scenario[candidates]]]) > USED).any(axis=0)
            doubtful[scenario[candidates[other]]] = True
        combined = combination[scenario[candidates]]
        targets, margins = self._targets(answers.x[:, candidates], combined, settings, case[candidates])
        first = np.array([c.settings[0].target or 0.0 for c in self.cases])
        if len(self.cases) == 1:
            return candidates, scenario[candidates], doubtful, targets
        rank = np.lexsort((case[candidates], first[case[candidates]], -np.round(margins, 9), scenario[candidates]))
        ordered = scenario[candidates][rank]
        leading = np.ones(ordered.size, dtype=bool)
        leading[1:] = ordered[1:] != ordered[:-1]
        take = rank[leading]
        return candidates[take], ordered[leading], doubtful, targets[take]

    def _targets(self, z: Vector, combination: Index, settings: list[Tried], case: Index) -> tuple[Vector, Vector]:
        """Return target pH and its distance from an edge of answers, at settings where what is planned costs the same.

        Args:
            z: Column values of the answers, shape (n, a).
            combination: Which set of missing materials each answer has, shape (a,).
            settings: Settings by set of missing materials.
            case: The case of each answer, shape (a,).
        """
        doses = z[: self.model.doses]
        costs = self._turned.T @ z[self._turning]
        same = np.abs(costs - costs[self._kind[case], np.arange(case.size)]) <= SAME_WORTH
        targets, margins = np.full(case.size, nan), np.full(case.size, -inf)
        for kinds in np.unique(same, axis=1).T:
            some = (same == kinds[:, None]).all(axis=0)
            own = [[s if kinds[k] else () for s, k in zip(tried, self._kind, strict=True)] for tried in settings]
            targets[some], margins[some] = self.targets.choose(doses[:, some], combination[some], own)
        return targets, margins

    def _frame(
        self,
        answers: Answers,
        programs: Programs,
        scenario: Index,
        pick: Index,
        chosen: Index,
        targets: Vector,
        grid: Grid,
        gone: Mask,
    ) -> tuple[Frame, Mask]:
        """Return the chosen answers as columns, and which of them break a rule by its raw measure.

        Args:
            answers: Of all programs.
            programs: All of them.
            scenario: The scenario of each.
            pick: Program of each chosen answer, shape (c,).
            chosen: Its scenario, shape (c,).
            targets: Its pH, shape (c,).
            grid: The scenarios.
            gone: What each chosen scenario misses, shape (c, n).
        """
        pool, size = self.brief.pool, len(grid)
        frame = empty(size, pool.ids, self.binding.pairs)
        frame.ending[:] = ENDINGS.index("infeasible")
        word = np.zeros(size, dtype=bool)
        word[scenario[answers.verdict == UNCERTIFIED]] = True
        frame.proof[:] = np.where(word, PROOFS.index("solver bound"), PROOFS.index("certificate"))
        fresh = np.zeros(size, dtype=bool)
        fresh[scenario[~answers.reused & np.isin(answers.verdict, (OPTIMAL, IMPOSSIBLE, UNCERTIFIED))]] = True
        frame.way[:] = np.where(fresh, WAYS.index("solved"), WAYS.index("reused"))
        frame.ending[chosen] = ENDINGS.index("optimal")
        frame.ph[chosen] = targets
        whole = pick.size == len(programs)
        some = programs if whole else programs.take(pick)
        x = answers.x if whole else answers.x[:, pick]
        z, x = x, np.where(x[: len(pool)] > USED, x[: len(pool)], 0.0)
        own = grid if chosen.size == size else grid.take(chosen)
        frame.objective[chosen] = self.sign * (some.values(z) / self._unit + self.constant)
        frame.cost[chosen] = self._cost(x, own)
        for k in np.flatnonzero(x.any(axis=1)):
            frame.doses[chosen, k] = x[k]
        values = self.measures.values(x)
        at_low, at_high = self._at_ends(some, z)
        frame.binding[chosen] = self.binding.told(at_low, at_high, z, values, gone).T
        broken = self.measures.broken(values, self.spans, own)
        return frame, broken | self.measures.refused(x, z[len(pool) :], targets)

    def _at_ends(self, programs: Programs, z: Vector) -> tuple[Mask, Mask]:
        """Return which rows the answers sit on the lower and the upper end of, shape (m, c) each."""
        rows, base = programs.activity(z), programs.base
        sizes = row_sizes(base.matrix)[:, None]
        at_low, at_high = _at_end(rows, base.low[:, None], sizes), _at_end(rows, base.high[:, None], sizes)
        if base.ended.size:
            own, own_sizes = rows[base.ended], sizes[base.ended]
            at_low[base.ended], at_high[base.ended] = (
                _at_end(own, e, own_sizes) for e in (programs.low, programs.high)
            )
        return at_low, at_high

    def _cost(self, x: Vector, grid: Grid) -> Vector:
        """Return the material cost per kg of doses, shape (n, c) to (c,)."""
        pool = self.brief.pool
        cost = pool.prices @ x / 100
        for key in self.keys:
            position = pool.index.get(key.removeprefix(PRICE)) if key.startswith(PRICE) else None
            if position is not None:
                price = np.asarray(grid.column(key), dtype=float)
                cost += np.where(np.isnan(price), 0.0, price - pool.prices[position]) * x[position] / 100
        return np.asarray(cost)


def _same_rows(one: Model, other: Model) -> bool:
    """Return whether two models differ in what is planned for the bench alone."""
    if one is other:
        return True
    ends = zip((one.matrix, one.row_low, one.row_high), (other.matrix, other.row_low, other.row_high), strict=True)
    return one.names == other.names and all(np.array_equal(a, b) for a, b in ends)


def _at_end(rows: Vector, ends: Vector, sizes: Vector) -> Mask:
    """Return which rows sit on their ends, as far as one answer alone would say so."""
    known = np.isfinite(ends)
    end = np.where(known, ends, 0.0)
    return np.asarray((np.abs(rows - end) <= ROW_MET * np.maximum(np.abs(end), sizes)) & known)

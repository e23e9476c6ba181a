"""Can a brief be met if some of its rules are dropped or moved? One hot matrix answers many such questions."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

import numpy as np

from optimizer.brief.brief import Brief
from optimizer.data.pool import Vector
from optimizer.engine.certificate import check_feasible, check_infeasible
from optimizer.engine.ending import Proof, weakest
from optimizer.engine.highs import Session
from optimizer.engine.search import search
from optimizer.engine.tree import NoProofError, checked, grown
from optimizer.errors import SolverError
from optimizer.model.model import NO_SETTING, Case, Model, build, cases
from optimizer.rules import LimitRule, Rule
from optimizer.rules.row import Setting
from optimizer.solve.fractional import VanishingError, optimum
from optimizer.units import AS_TYPED, KEPT, ROUND_OFF, ZERO_PRICE

Half = tuple[str, str]
"""Id of a rule and the side of it, 'low' or 'high', that alone is opened."""
PH = "ph"
"""Id of the pH rule."""


@dataclass
class Loaded:
    """A model in the solver with the owner of each row."""

    model: Model
    session: Session
    owners: tuple[str, ...]
    dropped: frozenset[str] = frozenset()
    half: Half | None = None


@dataclass
class Probe:
    """Feasibility and reach of a brief's rules, over every pH setting and choice.

    Attributes:
        brief: The brief.
        solves: How many programs were run.
        blamed: Ids of the rules that the last proof of impossibility rests on.
        proof: What it rests on that no measure goes beyond the last extreme: 'certificate' if every group of choices
            was held against it outside the solver.
    """

    brief: Brief
    time_limit: float = 60.0
    solves: int = 0
    blamed: frozenset[str] = frozenset()
    proof: Proof = "none"
    _proofs: set[Proof] = field(default_factory=set)
    _loaded: dict[int, Loaded] = field(default_factory=dict)
    _cases: dict[tuple[bool, bool], tuple[Case, ...]] = field(default_factory=dict)

    @property
    def ids(self) -> tuple[str, ...]:
        """Ids of every rule, the pH rule last."""
        return tuple(r.id for r in self.brief.enforced)

    def feasible(self, active: frozenset[str]) -> bool:
        """Return whether the active rules can be kept together in some case.

        Raises:
            SolverError: If a program ends without a verdict.
        """
        blamed: set[str] = set()
        for case in self._cases_of(active):
            owners = self._impossible(case, active)
            if owners is None:
                return True
            blamed |= owners
        self.blamed = frozenset(blamed)
        return False

    def feasible_settings(self, active: frozenset[str]) -> list[Setting]:
        """Return every pH setting at which the active rules can be kept together."""
        return [s for case in self._cases_of(active) if self._impossible(case, active) is None for s in case.settings]

    def extreme(self, active: frozenset[str], rule: Rule, sign: int, half: Half | None = None) -> float | None:
        """Return the least (sign 1) or most (sign -1) of a rule's measure under the active rules, or None.

        The measure is taken as it is at each pH setting.

        Args:
            active: Ids of the rules that are kept.
            rule: A rule whose limit moves.
            sign: 1 for the least, -1 for the most.
            half: One side of an active rule that is opened.
        """
        self._proofs = set()
        values = [
            self._extreme(case, active, rule.measure_at(case.settings[0]), sign, half)
            for case in self._cases_of(active)
        ]
        self.proof = weakest(self._proofs or {"none"})
        found = [v for v in values if v is not None]
        if not found:
            return None
        return min(found) if sign > 0 else max(found)

    def idle(self, active: frozenset[str], rule: LimitRule, half: Half) -> bool:
        """Return whether something fits that has nothing of what a mean is taken over: no limit of it then says no."""
        pool = self.brief.pool
        for case in self._cases_of(active) if rule.ratio else ():
            measure, loaded = rule.measure_at(case.settings[0]), self._load(case.model, active, half)
            self.solves += 1
            x, _ = _lowest(loaded.session, case.model.spread(pool.vector(measure.per)), case.model.lower, case.upper)
            if x.size and not measure.parts(pool, x[: case.model.doses])[1] > measure.vanishing(pool):
                return True
        return False

    def _cases_of(self, active: frozenset[str]) -> tuple[Case, ...]:
        acidity = self.brief.acidity if PH in active else None
        clear = acidity is not None and acidity.clear and any(r.clears and r.id in active for r in self.brief.modelled)
        key = (acidity is not None, clear)
        if key not in self._cases:
            every = {r.id for r in self.brief.modelled}
            if acidity is None:
                model = build(self.brief.modelled, self.brief.pool, NO_SETTING, loose=every)
                self._cases[key] = (Case(model, (NO_SETTING,), model.upper),)
            else:
                rule = acidity.model_copy(update={"clear": clear})
                self._cases[key] = cases(self.brief.modelled, rule, self.brief.pool, loose=every)
        return self._cases[key]

    def _load(self, model: Model, active: frozenset[str], half: Half | None = None) -> Loaded:
        """Return the model in the solver with the rows of dropped rules, and half a rule, opened."""
        key = id(model)
        if key not in self._loaded:
            integers = model.size - model.doses
            session = Session(
                model.matrix, model.row_low, model.row_high, integers=integers, time_limit=self.time_limit
            )
            self._loaded[key] = Loaded(model, session, tuple(row.owner for row in model.rows))
        loaded = self._loaded[key]
        dropped = frozenset(o for o in loaded.owners if o != "use" and o not in active)
        changed = dropped ^ loaded.dropped
        if half != loaded.half:
            changed |= {h[0] for h in (half, loaded.half) if h is not None}
        if changed:
            rows = np.array([r for r, o in enumerate(loaded.owners) if o in changed], dtype=np.int32)
            loaded.dropped, loaded.half = dropped, half
            low, high = self._ends(loaded)
            loaded.session.rows(rows, low[rows], high[rows])
        return loaded

    @staticmethod
    def _ends(loaded: Loaded) -> tuple[Vector, Vector]:
        opened = np.fromiter((o in loaded.dropped for o in loaded.owners), bool, len(loaded.owners))
        low, high = np.where(opened, -inf, loaded.model.row_low), np.where(opened, inf, loaded.model.row_high)
        if loaded.half is not None:
            for r, row in enumerate(loaded.model.rows):
                if row.owner == loaded.half[0] and row.side in (loaded.half[1], "equal"):
                    low[r], high[r] = (-inf, high[r]) if loaded.half[1] == "low" else (low[r], inf)
        return low, high

    def _impossible(self, case: Case, active: frozenset[str]) -> set[str] | None:
        """Return the rules that a proof of impossibility rests on, or None if a point was found."""
        loaded, model = self._load(case.model, active), case.model
        low, high = self._ends(loaded)
        cost = np.zeros(model.size)
        self.solves += 1
        relaxed = loaded.session.run(cost, model.lower, case.upper, relaxed=True)
        if relaxed.ending == "infeasible":
            if relaxed.ray is not None:
                owners = self._support(loaded, case, low, high, relaxed.ray)
                if owners is not None:
                    return owners
            return set(active)
        if relaxed.ending != "optimal":
            raise SolverError("a question about the brief ended without a verdict. Raise --time-limit.")
        x = relaxed.x
        whole = np.abs(x[model.doses :] - np.round(x[model.doses :])).max(initial=0.0) <= AS_TYPED
        if not whole:
            self.solves += 1
            answer = loaded.session.run(cost, model.lower, case.upper)
            if answer.ending == "infeasible":
                return set(active)
            if answer.x.size == 0:
                raise SolverError("a question about the brief ended without a verdict. Raise --time-limit.")
            x = answer.x
        if check_feasible(model.matrix, low, high, model.lower, case.upper, x) > KEPT:
            raise SolverError("a point that the solver found does not keep the rules it should keep.")
        return None

    def _support(self, loaded: Loaded, case: Case, low: Vector, high: Vector, ray: Vector) -> set[str] | None:
        """Return the owners that a checked Farkas proof uses; the pH rule only if it needs it."""
        model = case.model
        if not check_infeasible(model.matrix, low, high, model.lower, case.upper, ray):
            return None
        largest = np.abs(ray).max(initial=0.0)
        owners = {loaded.owners[r] for r in np.nonzero(np.abs(ray) > ZERO_PRICE * largest)[0]} - {"use"}
        setting = case.settings[0]
        shifting = any(r.id in owners and r.ph_key(self.brief.pool, setting) is not None for r in self.brief.modelled)
        without_ph = check_infeasible(model.matrix, low, high, model.lower, model.upper, ray)
        if self.brief.acidity is not None and (shifting or not without_ph):
            owners.add(PH)
        return owners

    def _extreme(
        self, case: Case, active: frozenset[str], measure: LimitRule, sign: int, half: Half | None
    ) -> float | None:
        loaded, model, pool = self._load(case.model, active, half), case.model, self.brief.pool
        proof: Proof = "none"

        def run(ratio: float) -> Vector | None:
            nonlocal proof
            cost, _ = model.objective(measure, pool, sign, ratio)
            self.solves += 1
            x, proof = _lowest(loaded.session, cost, model.lower, case.upper)
            return x[: model.doses] if x.size else None

        def value_of(doses: Vector) -> float:
            top, bottom = measure.parts(pool, doses)
            if measure.ratio and not bottom > measure.vanishing(pool):
                raise VanishingError
            return top / bottom

        try:
            if not measure.ratio:
                doses = run(0.0)
                return None if doses is None else value_of(doses)
            found = optimum(run, value_of)
        except VanishingError:
            proof = "none"
            return None
        finally:
            self._proofs.add(proof)
        return None if found is None else found[1]


def _lowest(session: Session, cost: Vector, lower: Vector, upper: Vector) -> tuple[Vector, Proof]:
    """Return the point of the least cost, empty if there is none, and what it rests on that there is none lower."""
    try:
        done = search(session, cost, lower, upper)
    except SolverError:
        return session.run(cost, lower, upper).x, "none"
    if done.proof == "solver bound" and _proven_to_last_digits(session, cost, lower, upper, done.objective):
        return done.answer.x, "certificate"
    return done.answer.x, done.proof


def _proven_to_last_digits(session: Session, cost: Vector, lower: Vector, upper: Vector, least: float) -> bool:
    """Return whether a tree proves that nothing costs less than a value but for what its sums may lose.

    A measure that ends at nothing, or a mean of equals, sums no terms there that a bound could be held against.
    """
    try:
        tree = grown(session, cost, lower, upper)
    except NoProofError:
        return False
    below = least - ROUND_OFF * float(np.abs(cost) @ upper)
    return tree is not None and checked(session, cost, lower, upper, tree, below) is not None

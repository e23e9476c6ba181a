"""Why a material is in the best formula or out of it."""

from __future__ import annotations

from math import inf, isnan, nan
from typing import Any

from optimizer.assessment.alarms import foremost
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.data.pool import Group
from optimizer.engine.ending import Proof
from optimizer.engine.sensitivity import Basis
from optimizer.errors import UsageError, nearest
from optimizer.immutable import Figure, immutable, replace, result, told, untold
from optimizer.rules import Dose
from optimizer.solve.best import solve
from optimizer.solve.case_solver import CaseAnswer
from optimizer.solve.conflict import find_conflict, read_in_conflict
from optimizer.solve.entry import Entry, entry_of_all
from optimizer.solve.feasibility import Probe
from optimizer.solve.lexicographic import settle
from optimizer.solve.linear import solve_fully
from optimizer.solve.shadow_prices import falls, kept_out
from optimizer.solve.solved import Solved
from optimizer.units import KEPT, SAME_WORTH, USED

FORCED = "forced"
"""Id of the rule that forces a dose for the question."""
NOTHING: dict[str, Any] = {"entry": nan, "worth": (), "responsible": "", "forced": None}
"""What is said of a material where there is no formula to hold it against."""


@immutable
class Worth:
    """What one rule makes one kg of the material worth.

    Its limit's price times what the material adds to it.
    """

    id: str
    reading: str
    per_kg: float


@immutable
class AtSetting:
    """The material at one group of pH settings.

    Its dose in the best formula there, or why it has none.
    """

    first: Figure
    last: Figure
    objective: Figure
    dose: Figure
    barred: bool


@immutable
class Forced:
    """The material forced in or out; cost is null if that is impossible."""

    dose: float
    cost: Figure
    conflict: tuple[str, ...] = ()


@result
class Why:
    """Why a material is in or out: the output of `tenside why --json`."""

    FORMAT = 1
    brief: Brief = untold()
    id: str
    """The material."""
    name: str
    dose: Figure
    """Its dose in the best formula [%]; NaN if the brief has no answer."""
    left_out: str
    """Why it is no candidate at all, empty if it is one."""
    price: Figure
    """What it costs per kg."""
    entry: Figure
    """At the choices and the pH of the best formula; null if they have no place for it."""
    worth: tuple[Worth, ...]
    """Where that worth comes from, largest first."""
    responsible: str
    """Id of the rule that takes most from its worth, empty if none does."""
    settings: tuple[AtSetting, ...]
    """The material at each group of pH settings."""
    forced: Forced | None
    """What it costs to force it in (if unused) or out (if used)."""
    kept_out: bool = False
    """Whether a yes/no choice of the best formula keeps it out."""
    entry_of_all: Figure = nan
    """Price below which some choice at some pH lets it in; null if none does at any price, or nobody can say: see
    `never`."""
    entry_proof: Proof = "none"
    """What that rests on: 'certificate' if every group of choices was held against it outside the solver."""
    cautions: tuple[Caution, ...] = ()
    """Alarms of the best formula, and on what it rests; empty if there is none."""

    @property
    def tied(self) -> bool:
        """Whether it is left out of the best formula although one with it is as good."""
        return self.dose <= USED and self.forced is not None and abs(self.forced.cost) <= SAME_WORTH

    @told
    def never(self) -> bool:
        """Whether no formula that keeps every rule holds it, proven as `entry_proof` says."""
        return self.entry_of_all == -inf


def why(brief: Brief, material: str, at: float = 1.0) -> Why:
    """Say why a material is in or out.

    Args:
        brief: The brief.
        material: Its id.
        at: Dose to which an unused material is forced [% as supplied].

    Raises:
        UsageError: If the library does not know the material.
    """
    if material not in brief.library.by_id:
        raise UsageError(f"there is no material '{material}'. {nearest(material, brief.library.by_id)}")
    known = brief.library.by_id[material]
    about: dict[str, Any] = {"brief": brief, "id": material, "name": known.name}
    if material not in brief.pool.index:
        reason = brief.why_no_candidate(known)
        return Why(**about, **NOTHING, dose=0.0, left_out=reason, price=nan, settings=())
    solved = solve_fully(brief)
    position = brief.pool.index[material]
    price = brief.pool.items[position].price
    settings = _settings(solved, position) if brief.acidity else ()
    about |= {"left_out": "", "price": price, "settings": settings}
    if solved.chosen is None or solved.result.formula is None:
        return Why(**about, **NOTHING, dose=nan)
    dose = solved.result.formula.dose(material)
    entry, worth, responsible, closed = _at_choices(solved, solved.chosen, material, dose)
    forced, other = _forced(brief, material, 0.0 if dose > USED else at, solved.result.objective)
    everywhere = Entry(nan, "none")
    if dose <= USED and brief.scenario.objective.goals[0] == (1, "cost"):
        held = 0.0 if other is None else other.dose(material)
        start = price - 100 * forced.cost / held if held > USED else -inf
        everywhere = entry_of_all(solved, position, max(start, -inf if isnan(entry) else entry))
    return Why(
        **about,
        dose=dose,
        entry=entry,
        worth=worth,
        responsible=responsible,
        forced=forced,
        kept_out=closed,
        entry_of_all=everywhere.price,
        entry_proof=everywhere.proof,
        cautions=foremost(brief, solved.result.formula, solved.result.setting),
    )


def _at_choices(
    solved: Solved, chosen: CaseAnswer, material: str, dose: float
) -> tuple[float, tuple[Worth, ...], str, bool]:
    """Return, at the choices and the pH of the best formula, entry price, worth, who takes most, whether it is shut."""
    pool = solved.corridor.brief.pool
    position = pool.index[material]
    worth = _worth(solved, chosen.basis, position)
    if chosen.upper is not None and chosen.upper[position] <= 0:
        return nan, worth, "ph", False
    closed = material in kept_out(chosen)
    taking = min(worth, key=lambda w: w.per_kg, default=None)
    responsible = taking.id if taking and taking.per_kg < -SAME_WORTH and dose <= USED and not closed else ""
    entry = pool.items[position].price - falls(chosen, [position])[0]
    if abs(entry - sum(w.per_kg for w in worth)) > KEPT * (1 + abs(entry)):
        # More limits meet than needed: the prices of the basis do not add up to what one kg is worth.
        worth = ()
    return entry, worth, responsible, closed


def _worth(solved: Solved, basis: Basis, position: int) -> tuple[Worth, ...]:
    """Split the worth of one kg by rule: sum over its rows of price times coefficient (complementary slackness)."""
    assert solved.chosen is not None
    model = solved.chosen.case.model
    readings = {r.id: r.reading() for r in solved.corridor.brief.enforced}
    parts: dict[str, float] = {}
    for r, row in enumerate(model.rows):
        value = 100 * float(basis.y[r] * model.matrix[r, position])
        if abs(value) > SAME_WORTH:
            parts[row.owner] = parts.get(row.owner, 0.0) + value
    found = [Worth(i, readings.get(i, "the yes/no choices made"), v) for i, v in parts.items()]
    return tuple(sorted(found, key=lambda w: (-abs(w.per_kg), w.id)))


def _settings(solved: Solved, position: int) -> tuple[AtSetting, ...]:
    """Return a material in the best formula of each group of settings, ties decided as in the best of all."""
    brief = solved.corridor.brief
    goals = tuple((sign, brief.measure(name)) for sign, name in brief.scenario.objective.goals)
    settled = (f if f.x is None else settle(solved.corridor, f, goals) for f in solved.found)
    return tuple(_at_setting(f, position) for f in settled)


def _at_setting(found: CaseAnswer, position: int) -> AtSetting:
    settings = found.case.settings
    first, last = settings[0].target or nan, settings[-1].target or nan
    dose = nan if found.x is None else float(found.x[position])
    return AtSetting(first, last, found.objective, dose, bool(found.case.upper[position] <= 0))


def _forced(brief: Brief, material: str, dose: float, before: float) -> tuple[Forced, Formula | None]:
    """Return the change of the objective at a dose of the material (0: out; else at least), and the formula there."""
    limits = {"at_most": 0.0} if dose == 0 else {"at_least": dose}
    rule = Dose.model_validate({"id": FORCED, "of": Group(materials=(material,)), "source": "question", **limits})
    asked = replace(brief, modelled=tuple(sorted((*brief.modelled, rule), key=lambda r: r.id)))
    result = solve(asked)
    if result.formula is None:
        probe = Probe(asked)
        clash = find_conflict(probe, frozenset(probe.ids)) or ()
        rules = {r.id: r for r in asked.enforced}
        readings = tuple(read_in_conflict(asked, rules, clash, i) for i in clash if i != FORCED)
        return Forced(dose, inf, readings), None
    return Forced(dose, result.objective - before), result.formula

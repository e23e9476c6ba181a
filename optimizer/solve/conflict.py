"""An irreducible set of rules that clash: impossible together, possible without any one of them."""

from __future__ import annotations

from math import isfinite

from optimizer.brief.brief import Brief
from optimizer.rules import Dose, Rule
from optimizer.solve.feasibility import PH, Probe
from optimizer.units import number


def read_in_conflict(brief: Brief, rules: dict[str, Rule], conflict: tuple[str, ...], name: str) -> str:
    """Return a rule as a sentence; the pH rule with the windows of the few materials that the others name.

    What must stay out has no say in the pH. Of what a rule names and what is no candidate it is said why.
    """
    reading = _with_absent(brief, rules[name])
    if name != PH or brief.acidity is None:
        return reading
    out = {m for rule in rules.values() if isinstance(rule, Dose) and rule.limits[1] <= 0 for m in _named(rule)}
    named = {m for i in conflict for m in _named(rules[i])} - out
    windows = [
        (brief.library.called[i.id], brief.acidity.window(i.material)) for i in brief.pool.items if i.id in named
    ]
    spans = [f"{m} {number(w[0])} to {number(w[1])}" for m, w in windows if isfinite(w[0])]
    return f"{reading} ({'; '.join(spans)})" if spans else reading


def _with_absent(brief: Brief, rule: Rule) -> str:
    known = brief.library.by_id
    absent = {brief.library.called[m]: brief.why_no_candidate(known[m]) for m in _named(rule) if m in known}
    reasons = [f"{called} is no candidate: {why}" for called, why in absent.items() if why]
    return f"{rule.reading()} ({'; '.join(reasons)})" if reasons else rule.reading()


def _named(rule: Rule) -> tuple[str, ...]:
    """Return the materials that a rule is about by name."""
    return tuple(getattr(getattr(rule, "of", None), "materials", ()))


def find_conflict(probe: Probe, active: frozenset[str]) -> tuple[str, ...] | None:
    """Return an irreducible clashing subset of the active rules, sorted by id, or None.

    Removal is tried first for doses of single materials, last for the total and the pH.
    """
    if probe.feasible(active):
        return None
    kept = probe.blamed & active
    if kept != active and probe.feasible(kept):
        kept = active
    parting = {r.id: r.parting for r in probe.brief.enforced}
    order = sorted(kept, key=lambda i: (parting[i], i))
    tested: set[str] = set()
    for name in order:
        if name not in kept or name in tested:
            continue
        tested.add(name)
        trial = kept - {name}
        if not probe.feasible(trial):
            kept = trial & (probe.blamed | tested) if _still(probe, trial) else trial
    return tuple(sorted(kept))


def _still(probe: Probe, trial: frozenset[str]) -> bool:
    """Return whether the last proof's own rules, a subset of the trial, are impossible by themselves."""
    blamed = probe.blamed & trial
    return blamed == trial or not probe.feasible(blamed)

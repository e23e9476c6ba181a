"""The next master formula: the plan with what the bench used besides its lines, on the grid of the scale.

What went wrong at the bench (a weight that is off, water that evaporated) is no part of it. Acid, thickener and what
was weighed in without a line become lines of their own; what they took of the part held back need not be held back
again. Doses move only where a rule would break.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import isnan

from optimizer.bench.batch import Batch
from optimizer.bench.made import water_of
from optimizer.brief.brief import Brief, protecting
from optimizer.data.formula import Formula
from optimizer.data.pool import Group
from optimizer.immutable import immutable, seen, untold
from optimizer.rules import Dose
from optimizer.rules.row import Setting
from optimizer.solve.existing import asking, clash, formula_at, nearest_at, on_grid
from optimizer.solve.rounding import largest_remainder
from optimizer.solve.shadow_prices import measure_rules
from optimizer.units import CHANGE_SHOWN


@immutable
class Master:
    """The next master formula."""

    formula: Formula
    """Doses on the grid of the scale; with the part held back they sum to 100."""
    held_back_percent: float = seen("formula.held_back")
    setting: Setting = untold()
    changed: tuple[str, ...] = ()
    """Ids that differ from the plan with its additions because a rule would break."""
    broken: tuple[str, ...] = ()
    """Readings of the rules that the plan with its additions, rounded, would break."""
    conflict: tuple[str, ...] = ()
    """Readings of rules that no formula of these materials keeps together."""

    @property
    def keeps(self) -> bool:
        """Whether it keeps every rule."""
        return not self.conflict


def next_master(brief: Brief, batch: Batch, additions: Mapping[str, float], setting: Setting) -> Master:
    """Return the next master formula: the plan and what was added, moved only if that breaks a rule.

    What was added stays as it was used. Materials that were not used come in only where the used ones alone
    keep no formula.

    Args:
        brief: The brief at the planned lots; nothing held back.
        batch: The batch file's content.
        additions: What the bench used besides the lines of the plan [% of the batch].
        setting: The planned pH setting.
    """
    water = water_of(brief.library.by_id)
    added = {n: p for n, p in additions.items() if p > 0}
    rounded, held = _with_additions(batch, added, water, brief.scenario.scale_step)
    if any(brief.library.by_id[n].thickener for n in rounded):
        brief = without_thickening(brief)
    brief = replace(brief, pool=replace(brief.pool, held_back=held))
    formula = formula_at(brief.pool, rounded)
    outcomes = measure_rules(brief, formula, setting)
    broken = [o.reading for o in outcomes if o.broken and o.shown not in ("understood", "apart")]
    if not broken:
        return Master(formula, setting)
    brief = protecting(brief, formula, setting)
    return _moved(brief, formula, setting, rounded, added, tuple(broken))


def _with_additions(
    batch: Batch, added: Mapping[str, float], water: str, step: float
) -> tuple[dict[str, float], float]:
    """Return the plan with what was added, on the grid of the scale, and what is still held back [%]."""
    percent = batch.doses
    for name, dose in added.items():
        percent[name] = percent.get(name, 0.0) + dose
    percent[water] = 100 - sum(p for n, p in percent.items() if n != water)
    still = max(0.0, batch.held_back_percent - sum(added.values()))
    held = round(min(round(still / step) * step, 0.9 * percent.get(water, 0.0) // step * step), 6)
    percent[water] -= held
    return {n: p for n, p in largest_remainder(percent, step, 100 - held).items() if p > 0}, held


def _moved(
    brief: Brief,
    formula: Formula,
    setting: Setting,
    rounded: dict[str, float],
    added: Mapping[str, float],
    broken: tuple[str, ...],
) -> Master:
    """Return a formula that breaks rules moved as little as keeps them all, what was added as it is."""
    water = water_of(brief.library.by_id)
    fixed = [
        Dose(id="kept", of=Group(materials=(n,)), exactly=rounded[n], source="as used at the bench").model_copy(
            update={"id": f"kept {n}"}  # the space keeps it apart from every id of a scenario
        )
        for n in sorted(added)
        if n in rounded
    ]
    used = {*rounded, water}
    wider = {i.id for i in brief.pool.items if i.id in used or _candidate(brief, i.id)}
    for names in (used, wider):
        items = [i for i in brief.pool.items if i.id in names]
        asked = asking(brief, fixed, items)
        near, _ = on_grid(asked, nearest_at(asked, rounded, setting), rounded)
        if near is None:
            continue
        after = near.formula.doses
        far = {n: abs(after.get(n, 0.0) - rounded.get(n, 0.0)) for n in {*after, *rounded} - {water}}
        changed = tuple(sorted(n for n, much in far.items() if much > CHANGE_SHOWN))
        return Master(near.formula, near.ph.setting if near.ph else setting, changed, broken)
    return Master(formula, setting, (), broken, clash(asked) or broken)


def _candidate(brief: Brief, name: str) -> bool:
    """Return whether a material is one that the brief itself would choose from: in its pool and sold."""
    item = brief.pool.items[brief.pool.index[name]]
    return not isnan(item.price) and not brief.scenario.pool.why_not(item.material)


def without_thickening(brief: Brief) -> Brief:
    """Return a brief that does not ask for a way to thicken: a question to a plan."""
    return replace(brief, modelled=tuple(r for r in brief.modelled if not r.of_plan))

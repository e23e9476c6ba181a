"""A brief in which what was measured here takes the place of the ratings that it measures.

A measure enters only if its trials predict. With a limit it holds on its bound; a rule on the rating of the same thing
then goes, since a planning rating is worth less than the maker's own readings. Without a limit the rating's rule stays.
An objective on a rating becomes one on the fitted mean. Either way the formula stays within what was tried.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field
from math import inf

from optimizer.brief.brief import Brief
from optimizer.errors import UsageError, fault
from optimizer.immutable import immutable, replace
from optimizer.rules import LimitRule, Rule
from optimizer.rules.fitted import FittedLine, MeasuredRule, Tried, WithinTrials
from optimizer.rules.mean import MeanRating
from optimizer.trials.basis import on_three_levels
from optimizer.trials.fitted import SURE, Fits, measured_of
from optimizer.trials.series import Series
from optimizer.units import listed, number

RATINGS: dict[str, tuple[str, ...]] = {
    "mildness": ("mildness",),
    "foam": ("flash_foam", "foam_density"),
    "foam-height": ("flash_foam",),
    "foam-volume": ("flash_foam",),
}
"""Ratings that a reading measures, by its name."""
Wanted = tuple[float | None, float | None]
"""At least and at most, in the unit of the reading."""


@immutable
class ReadingsWish:
    """How readings are used.

    Attributes:
        wanted: Limits by reading, before those of the series.
        sure: How sure they are to be kept [%].
        ph: Target pH, where the trials varied it.
        aim: 'maximise READING' or 'minimise READING' instead of the brief's objective; empty for that.
        shown: Further readings that are used, for trade-offs.
    """

    wanted: Mapping[str, Wanted] = field(default_factory=dict)
    sure: float = SURE
    ph: float | None = None
    aim: str = ""
    shown: tuple[str, ...] = ()


def with_readings(brief: Brief, fits: Fits, wish: ReadingsWish) -> Brief:
    """Return a brief with what was measured in the place of ratings.

    Raises:
        UsageError: If a limit is on what the trials do not predict, or the pH that they varied is not stated.
        DataError: If the brief lacks what all trials held.
    """
    assert fits.series is not None
    series = fits.series
    if not 50 <= wish.sure < 100:
        raise UsageError(f"--sure {wish.sure:g}: write 50 to 99.9.")
    limits = _limits(series, wish)
    brief = _aimed(brief, wish.aim)
    _refuse_untold(fits, limits)
    brief = _at_ph(brief, series, wish.ph)
    level = None if not series.ph_levels else level_of(series, wish.ph)
    told = {f.what: measured_of(series, f.what, f.chosen, wish.sure, level) for f in fits.fits if f.predicts}
    wanted = _objectives(brief, told)
    used = {w: m for w, m in told.items() if w in limits or w in wanted.values() or w in wish.shown}
    _refuse_untold(fits, dict.fromkeys(wanted_by_name(brief, series, wish), (None, None)))
    if not used:
        return _noted(brief, [_nothing(fits, told)])
    _refuse_missing(brief, used)
    gone = _replaced(brief, limits)
    kept = [r for r in brief.modelled if r.id not in gone]
    taken = {r.id for r in (*kept, *brief.watched)}
    ids = {what: what if what not in taken else f"{what}-measured" for what in used}
    rules: list[Rule] = []
    for what, measure in used.items():
        rules += _rules(measure.model_copy(update={"id": ids[what]}), limits.get(what, (None, None)))
    rules += _within([m.tried for m in used.values()])
    renamed = {rating: ids[what] for rating, what in wanted.items()}
    scenario = brief.scenario.model_copy(update={"objective": _renamed(brief, renamed)})
    by_logarithm = [told[what] for what in dict.fromkeys(wanted.values()) if told[what].scale == "log"]
    notes = _notes(gone.values(), renamed, by_logarithm, wish.sure)
    modelled = tuple(sorted([*kept, *rules], key=lambda r: r.id))
    changed = {"modelled": modelled, "added": tuple(rules), "gone": frozenset(gone)}
    return _noted(replace(brief, scenario=scenario, **changed), notes)


def _notes(gone: Iterable[str], aims: Iterable[str], by_logarithm: Iterable[MeasuredRule], sure: float) -> list[str]:
    """Return what is to be said where readings take the place of ratings."""
    return [
        *(f"'{reading}' gives way to what was measured here" for reading in gone),
        *(f"{rating} in the objective is what was measured here" for rating in aims),
        *(
            f"{m.what} counts in the objective by its natural logarithm ({m.measured_in or 'no unit'})"
            for m in by_logarithm
        ),
        f"limits on what was measured hold on a one-sided {number(sure, 1)} % bound, within what was tried",
    ]


def _aimed(brief: Brief, aim: str) -> Brief:
    """Return the brief with another objective; its tie-breaks stay."""
    if not aim:
        return brief
    sense, _, what = aim.partition(" ")
    ends = {"minimise": None, "maximise": None, sense: what.strip()}
    goal = brief.scenario.objective.model_copy(update=ends)
    return replace(brief, scenario=brief.scenario.model_copy(update={"objective": goal}))


def wanted_by_name(brief: Brief, series: Series, wish: ReadingsWish) -> list[str]:
    """Return the readings that an objective or a trade-off names outright, so that their fit must predict."""
    goals = [name for _, name in brief.scenario.objective.goals]
    own = [n for n in goals if n in series.measures and n not in RATINGS]
    return [*own, *(n for n in wish.shown if n in series.measures and n not in RATINGS)]


def _limits(series: Series, wish: ReadingsWish) -> dict[str, Wanted]:
    """Return the limits by reading: those asked for, else those of the series."""
    for what in wish.wanted:
        if what not in series.measures:
            known = listed(list(series.measures))
            raise UsageError(f"--want {what}: the trials did not measure it, but {known}.")
    stated = {m.what: (m.at_least, m.at_most) for m in series.measure}
    found = {what: wish.wanted.get(what, ends) for what, ends in stated.items()}
    return {what: ends for what, ends in found.items() if ends != (None, None)}


def _refuse_untold(fits: Fits, limits: Mapping[str, Wanted]) -> None:
    by_name, left = fits.by_name, " ".join(fits.left)
    for what in limits:
        if what not in by_name:
            raise UsageError(f"there is no fit of {what}, so no limit on it can be kept. {left}".strip())
        if not by_name[what].predicts:
            raise UsageError(f"{by_name[what].verdict} So no limit on it enters a blend.")


def level_of(series: Series, ph: float | None) -> float:
    """Return a pH as the process variable of trials that varied it.

    Raises:
        UsageError: If it is not stated, or lies outside.
    """
    low, high = series.ph_levels[0], series.ph_levels[-1]
    if ph is None or not low <= ph <= high:
        asked = "no pH is stated" if ph is None else f"pH {ph:g} lies outside"
        raise UsageError(f"the trials varied the pH from {low:g} to {high:g}; {asked}. Write --at-ph.")
    import numpy as np

    return float(on_three_levels(np.array([ph]), low, high)[0])


def _at_ph(brief: Brief, series: Series, ph: float | None) -> Brief:
    """Return the brief with its pH narrowed to the one that is stated, if the trials varied it."""
    if not series.ph_levels or ph is None or brief.acidity is None:
        return brief
    acidity = brief.acidity
    if not acidity.low <= ph <= acidity.high:
        raise UsageError(f"--at-ph {ph:g} lies outside the brief's {acidity.low:g} to {acidity.high:g}.")
    ends = {"low": max(acidity.low, ph - acidity.tolerance), "high": min(acidity.high, ph + acidity.tolerance)}
    stated = brief.scenario.ph.model_copy(update=ends) if brief.scenario.ph else None
    scenario = brief.scenario.model_copy(update={"ph": stated})
    return replace(brief, scenario=scenario, acidity=acidity.model_copy(update=ends))


def _objectives(brief: Brief, told: Mapping[str, MeasuredRule]) -> dict[str, str]:
    """Return the reading that each goal of the objective is measured by, by the goal's name."""
    found = {}
    for _, goal in brief.scenario.objective.goals:
        names = [w for w, ratings in RATINGS.items() if goal.replace("-", "_") in ratings and w in told]
        if goal in told:
            names = [goal]
        if names:
            found[goal] = names[0]
    return found


def _nothing(fits: Fits, told: Mapping[str, MeasuredRule]) -> str:
    if not told:
        return f"nothing that was measured in '{fits.trials}' predicts, so nothing of it enters"
    return f"no limit and no objective is on {listed(list(told), 'or')}: write --want, or limits into the series"


def _refuse_missing(brief: Brief, used: Mapping[str, MeasuredRule]) -> None:
    for measure in used.values():
        tried = measure.tried
        for name, dose in zip(tried.materials, tried.centre, strict=True):
            if name not in brief.pool.index and dose > 0:
                what = f"'{name}' is in all trials of '{tried.trials}', and no candidate of the brief."
                raise fault(brief.where, "pool", what, "Let it in, or plan trials on this brief.")


def _replaced(brief: Brief, limits: Mapping[str, Wanted]) -> dict[str, str]:
    """Return the rules on ratings that a limit takes the place of: their readings by id."""
    ratings = {r for what in limits for r in RATINGS.get(what, ())}
    return {
        r.id: r.reading()
        for r in brief.modelled
        if isinstance(r, MeanRating) and r.rating in ratings and r.limits != (-inf, inf)
    }


def _rules(measure: MeasuredRule, ends: Wanted) -> list[LimitRule]:
    """Return a measure with its limits, one rule for each; without any it is only shown."""
    least, most = ends
    if measure.scale == "yes/no" and least is not None:
        raise UsageError(f"a chance of {measure.what} is only limited from above: write --want {measure.what}=:10.")
    made: list[LimitRule] = []
    fields = measure.model_dump() | {"tried": measure.tried}
    if least is not None:
        made.append(MeasuredRule.model_validate(fields | {"at_least": least}))
    if most is not None:
        other = measure.id if least is None else f"{measure.id}-most"
        made.append(MeasuredRule.model_validate(fields | {"at_most": most, "id": other}))
    if made and measure.scale != "yes/no":
        made.append(measure.model_copy(update={"id": f"{measure.id}-expected"}))
    free = measure.with_limits(-inf, inf)
    return made or [free if isinstance(free, FittedLine) else measure]


def _within(every: list[Tried]) -> list[WithinTrials]:
    """Return one rule for each region that was tried."""
    different = list(dict.fromkeys(every))
    return [
        WithinTrials(id="within-trials" if k == 0 else f"within-trials-{k + 1}", tried=tried, source="measured here")
        for k, tried in enumerate(different)
    ]


def _renamed(brief: Brief, names: Mapping[str, str]) -> object:
    """Return the objective with measures in the place of ratings."""
    goal = brief.scenario.objective
    then = tuple(f"{t.split()[0]} {names.get(t.split()[1], t.split()[1])}" for t in goal.then)
    ends = {k: names.get(v, v) if v else v for k, v in (("minimise", goal.minimise), ("maximise", goal.maximise))}
    return goal.model_copy(update={**ends, "then": then})


def _noted(brief: Brief, notes: list[str]) -> Brief:
    return replace(brief, assumptions=(*brief.assumptions, *notes))

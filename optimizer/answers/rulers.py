"""A brief whose limits are moved on rulers: what is said of each place, as one record with every figure and word.

`Rulers.ask` answers at once, `Rulers.prove` when there is time, `Rulers.reach` tells where nothing fits any more. What
is remembered is what was learnt of the brief, never a draft.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from math import inf, isnan, nan
from pathlib import Path

from optimizer.answers.draft import MISSING, Draft, Mark, live_part, marks_of, moved_of, structural
from optimizer.assessment.alarms import alarms_of
from optimizer.brief.brief import Brief, load_brief
from optimizer.data.formula import Formula
from optimizer.errors import SolverError
from optimizer.files import digest
from optimizer.immutable import Figure, immutable, untold
from optimizer.rules import LimitRule
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.solve.feasibility import Probe
from optimizer.sweep.live import Live, LiveAnswer
from optimizer.sweep.single import brief_at, own
from optimizer.units import CHANGE_SHOWN, PRICE_SHOWN, number

KEPT_LIVES = 6
"""Briefs with another pH or the like that are kept ready beside that of the file."""
KEPT_REACHES = 400
Stopped = Callable[[], bool]


def never() -> bool:
    """Return that nobody stops it."""
    return False


@immutable
class Ruler:
    """One limit as it stands in a draft."""

    mark: Mark = untold()
    key: str
    """Key of the what-if that moves it."""
    words: str
    """What it is, such as 'active matter at least'."""
    unit: str
    at: float
    """Where it stands in the draft."""
    in_file: float
    least: float
    """Where the ruler begins."""
    most: float
    step: float
    value: Figure
    """What the formula has; null without one, or where the limit is one of the pH."""
    binding: bool
    """Whether the formula sits on it."""
    raised: Figure
    """Change of what is sought if it is raised by one step; null if that is not known or nothing fits then."""
    lowered: Figure
    """The same if it is lowered by one step."""
    costs: str
    """What a step does, in words; empty if nobody knows yet."""
    fits_to: Figure
    """The last place at which anything fits, the other limits as they stand; null if it is not known yet."""
    nothing: str
    """Where nothing fits any more, in words; empty if that is not known or lies off the ruler."""


@immutable
class Moved:
    """A dose of the formula beside that of the file's."""

    id: str
    name: str
    percent: float
    """As supplied [% w/w]."""
    before: float
    """In the formula of the file."""
    change: Figure
    """Null where it stays."""


@immutable
class Ruled:
    """What is known of a brief as its limits stand in a draft: the one record of the formula page."""

    FORMAT = 1
    number: int
    """Counts answers: one with a lower number is older."""
    brief: str
    digest: str
    """Of the brief's file, first 16 digits."""
    moved: dict[str, float]
    """The draft: figures that differ from the file, by key."""
    word: str
    """'proven', 'same choices' (keeps all limits, perhaps not the best), 'best found' or 'open'."""
    ending: str
    """'optimal', 'feasible', 'infeasible' or 'stopped'."""
    cost: Figure
    """Material cost per kg."""
    currency: str
    cost_of_file: Figure
    change: Figure
    """Cost against that of the file's formula."""
    objective: Figure
    """Worth of what is sought, if that is not the cost."""
    ph: Figure
    verdict: str
    """Cost in words, or that there is no formula."""
    against: str
    """Cost against the file's formula in words; empty if either has none."""
    standing: str
    """How sure it is, in words."""
    rulers: tuple[Ruler, ...]
    lines: tuple[Moved, ...]
    """The formula before it is rounded to the scale, most first; then what is no longer in it."""
    alarms: tuple[str, ...]
    """What is said before anything else of this formula."""


class Place:
    """A brief with some of its structure moved, ready to be asked."""

    def __init__(self, brief: Brief) -> None:
        self.brief, self.live = brief, Live(brief)


class Rulers:
    """A brief by its file, as it was when it was read, with what was learnt of it since."""

    def __init__(self, path: Path) -> None:
        """Read the brief.

        Raises:
            DataError: If it cannot be used.
        """
        self.path = path
        self.brief = load_brief(path)
        self.digest = digest(path)
        self.marks = marks_of(self.brief)
        self._places: OrderedDict[tuple[tuple[str, str], ...], Place] = OrderedDict({(): Place(self.brief)})
        self._reaches: OrderedDict[tuple[str, tuple[tuple[str, float], ...]], float | None] = OrderedDict()
        self._lock, self._number = threading.Lock(), 0
        self.proving = threading.Lock()
        """Held by whatever takes long, so that a brief never takes more than one core of the person's machine."""
        self._seen = _signature(path, self.brief)
        self._file: LiveAnswer | None = None

    @property
    def stale(self) -> bool:
        """Whether a file that it was read from has changed since."""
        return self._seen != _signature(self.path, self.brief)

    @property
    def file(self) -> LiveAnswer:
        """The proven answer of the file as it is."""
        if self._file is None:
            self._file = self._places[()].live.prove(live_part(self.marks, {}))
        assert self._file is not None
        return self._file

    def draft(self, said: Mapping[str, float]) -> dict[str, float]:
        """Return what of a draft differs from the file; see `draft.moved_of`."""
        return moved_of(self.brief, self.marks, said)

    def brief_at(self, draft: Draft) -> Brief:
        """Return the brief as a draft has it.

        Raises:
            DataError: If a figure is refused.
        """
        return brief_at(self._place(draft).brief, live_part(self.marks, draft))

    def reloaded(self, draft: Draft) -> Brief:
        """Return the brief as it would be read with a draft kept, for any other question.

        Raises:
            DataError: If a figure is refused.
        """
        gone = [key.removeprefix(MISSING) for key, value in draft.items() if key.startswith(MISSING) and value]
        changes = [(key, f"{value!r}") for key, value in draft.items() if not own(key)]
        if gone:
            changes.append(("pool.without", ",".join([*self.brief.scenario.pool.without, *gone])))
        return load_brief(self.path, changes=changes) if changes else self.brief

    def setting(self, ph: float) -> Setting:
        """Return a target pH with the brief's tolerance."""
        return _setting(self.brief, ph)

    def ask(self, said: Mapping[str, float]) -> Ruled:
        """Return at once what is known of a draft.

        Raises:
            DataError: If a key leads nowhere or a figure is refused.
        """
        draft, number = self.draft(said), self._next()
        place = self._place(draft)
        figures = live_part(self.marks, draft)
        answer = place.live.ask(figures)
        return self._told(number, draft, place, answer, self._steps(place, figures, answer))

    def prove(self, said: Mapping[str, float], stopped: Stopped = never) -> Ruled | None:
        """Return the proven answer of a draft; None if it was stopped. One proof runs at a time.

        Raises:
            DataError: As `ask`.
        """
        draft = self.draft(said)
        place = self._place(draft)
        figures = live_part(self.marks, draft)
        with self.proving:
            answer = None if stopped() else place.live.prove(figures, stopped)
        if answer is None:
            return None
        return self._told(self._next(), draft, place, answer, self._steps(place, figures, answer))

    def reach(self, said: Mapping[str, float], stopped: Stopped = never) -> bool:
        """Find out for each limit of a draft where nothing fits any more; false if it was stopped on the way."""
        draft = self.draft(said)
        open_ = [m for m in self.marks if m.live and m.field != "exactly" and self._key(m, draft) not in self._reaches]
        if not open_:
            return True
        with self.proving:
            brief = self.brief_at(draft)
            probe = Probe(brief)
            rules = {rule.id: rule for rule in brief.modelled}
            for mark in open_:
                if stopped():
                    return False
                self._remember(self._key(mark, draft), _extreme(probe, rules[mark.rule.id], mark))
        return True

    def _next(self) -> int:
        with self._lock:
            self._number += 1
            return self._number

    def _place(self, draft: Draft) -> Place:
        key = structural(self.marks, draft)
        with self._lock:
            if key in self._places:
                self._places.move_to_end(key)
                return self._places[key]
        place = Place(load_brief(self.path, changes=key))
        with self._lock:
            self._places.setdefault(key, place)
            while len(self._places) > KEPT_LIVES:
                self._places.pop(next(k for k in self._places if k))
            return self._places.get(key, place)

    def _steps(self, place: Place, figures: Draft, answer: LiveAnswer) -> dict[str, tuple[float, float]]:
        """Return what raising and lowering each limit that binds by a step changes; NaN where nobody knows."""
        if answer.word != "proven" or isnan(answer.objective):
            return {}
        binding = {rule for rule, _ in answer.binding}
        here = [m for m in self.marks if m.live and m.rule.id in binding]
        moves = [(m, s, {**figures, m.key: figures[m.key] + s * m.step}) for m in here for s in (1, -1)]
        moves = [(m, s, at) for m, s, at in moves if _taken(m, s, figures)]
        looked = place.live.look([at for _, _, at in moves], seek=False) if moves else ()
        found: dict[str, tuple[float, float]] = dict.fromkeys((m.key for m in here), (nan, nan))
        for (mark, sign, _), there in zip(moves, looked, strict=True):
            change = inf if there.ending == "infeasible" else there.objective - answer.objective
            known = change if there.word == "proven" else nan
            raised, lowered = found[mark.key]
            found[mark.key] = (known, lowered) if sign > 0 else (raised, known)
        return found

    def _told(
        self, number_: int, draft: Draft, place: Place, answer: LiveAnswer, steps: Mapping[str, tuple[float, float]]
    ) -> Ruled:
        """Return the record of an answer."""
        scenario, file = self.brief.scenario, self.file
        formula = formula_at(place.brief.pool, answer.doses)
        setting = _setting(place.brief, answer.ph)
        goal = scenario.objective.goals[0][1]
        solved = bool(answer.doses)
        return Ruled(
            number_, scenario.name, self.digest, dict(draft), answer.word, answer.ending, answer.cost,
            scenario.currency, file.cost, answer.cost - file.cost, nan if goal == "cost" else answer.objective,
            answer.ph, self._verdict(answer, goal), self._against(answer.cost - file.cost), _standing(answer),
            tuple(self._ruler(mark, draft, answer, formula, setting, steps) for mark in self.marks),
            _lines(place.brief, answer.doses, file.doses),
            tuple(c.words for c in alarms_of(place.brief, formula, setting)) if solved else (),
        )  # fmt: skip

    def _verdict(self, answer: LiveAnswer, goal: str) -> str:
        if not answer.doses:
            return "Nothing fits" if answer.ending == "infeasible" else "Not known yet"
        words = f"{number(answer.cost, 3)} {self.brief.scenario.currency} per kg"
        if goal != "cost":
            words += f", {goal} {number(answer.objective, 2)}"
        return words

    def _against(self, change: float) -> str:
        if isnan(change):
            return ""
        if abs(change) < CHANGE_SHOWN:
            return "as in the file"
        return f"{change:+.3f} {self.brief.scenario.currency} against the file".replace("-", "−")

    def _ruler(
        self,
        mark: Mark,
        draft: Draft,
        answer: LiveAnswer,
        formula: Formula,
        setting: Setting,
        steps: Mapping[str, tuple[float, float]],
    ) -> Ruler:
        side = {"at_least": "low", "at_most": "high", "exactly": "equal"}.get(mark.field, "")
        at = draft.get(mark.key, mark.at)
        value = mark.rule.value(formula, setting) if answer.doses and isinstance(mark.rule, LimitRule) else nan
        raised, lowered = steps.get(mark.key, (nan, nan))
        binding = (mark.rule.id, side) in answer.binding
        fits = self._reaches.get(self._key(mark, draft))
        return Ruler(
            mark, mark.key, mark.words, mark.rule.unit, at, mark.at, min(mark.least, at), max(mark.most, at), mark.step,
            value, binding, raised, lowered, self._costs(mark, raised, lowered) if binding else "",
            nan if fits is None else fits, _nothing(mark, fits, at),
        )  # fmt: skip

    def _costs(self, mark: Mark, raised: float, lowered: float) -> str:
        """Return in words what a step of a limit does."""
        told = [
            f"{sign}{number(mark.step)} {mark.rule.unit}: {said}"
            for sign, change in (("+", raised), ("−", lowered))
            if (said := self._money(change))
        ]
        return "; ".join(told)

    def _money(self, change: float) -> str:
        if isnan(change):
            return ""
        if change == inf:
            return "nothing fits"
        if abs(change) < PRICE_SHOWN:
            return "no change"
        goal = self.brief.scenario.objective.goals[0][1]
        unit = f"{self.brief.scenario.currency} per kg" if goal == "cost" else goal
        return f"{change:+.3f} {unit}".replace("-", "−")

    def _key(self, mark: Mark, draft: Draft) -> tuple[str, tuple[tuple[str, float], ...]]:
        return mark.key, tuple((key, value) for key, value in draft.items() if key != mark.key)

    def _remember(self, key: tuple[str, tuple[tuple[str, float], ...]], reach: float | None) -> None:
        with self._lock:
            self._reaches[key] = reach
            while len(self._reaches) > KEPT_REACHES:
                self._reaches.popitem(last=False)


STANDING: dict[str, tuple[str, str, str]] = {
    "proven": (
        "Proven: nothing better keeps every limit.",
        "Proven: no formula keeps all of these limits.",
        "The search was cut short: nothing is known at these limits.",
    ),
    "same choices": ("Same materials, proof follows.", "", ""),
    "best found": (
        "The best that was found; that nothing is better is not proven.",
        "No formula was found; that there is none is not proven.",
        "The search was cut short: nothing is known at these limits.",
    ),
    "open": (
        "",
        "No formula was found yet; it is being looked for.",
        "No formula is known yet at these limits; it is being looked for.",
    ),
}
"""How sure an answer is, by its word: with a formula, if there is none, if that is not known."""


def _standing(answer: LiveAnswer) -> str:
    with_formula, impossible, unknown = STANDING[answer.word]
    return with_formula if answer.doses else impossible if answer.ending == "infeasible" else unknown


class Pool:
    """The briefs whose rulers are open, each read anew when a file of it has changed."""

    def __init__(self, most: int = 6) -> None:
        self._most, self._lock = most, threading.Lock()
        self._rulers: OrderedDict[Path, Rulers] = OrderedDict()

    def of(self, path: Path) -> Rulers:
        """Return the rulers of a brief as its files are now.

        Raises:
            DataError: If it cannot be used.
        """
        with self._lock:
            found = self._rulers.get(path)
        if found is None or found.stale:
            found = Rulers(path)
        with self._lock:
            self._rulers[path] = found
            self._rulers.move_to_end(path)
            while len(self._rulers) > self._most:
                self._rulers.popitem(last=False)
        return found


def _signature(path: Path, brief: Brief) -> tuple[tuple[int, int, int] | None, ...]:
    """Return what tells whether a file that a brief was read from is as it was."""
    files = [*map(Path, brief.files), path.with_name("bench.toml")]
    return tuple(map(_as_it_is, files))


def _as_it_is(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def _setting(brief: Brief, ph: float) -> Setting:
    """Return a target pH with the brief's tolerance."""
    if brief.acidity is None or isnan(ph):
        return Setting()
    return Setting(ph, ph - brief.acidity.tolerance, ph + brief.acidity.tolerance)


def _taken(mark: Mark, sign: int, figures: Draft) -> bool:
    """Return whether a rule takes a limit that is a step further: within its ends, and low below high."""
    rule = mark.rule
    assert isinstance(rule, LimitRule)
    there = figures[mark.key] + sign * mark.step
    low = figures.get(f"{rule.id}.at_least", -inf) if mark.field == "at_most" else -inf
    high = figures.get(f"{rule.id}.at_most", inf) if mark.field == "at_least" else inf
    return max(low, rule.lowest) <= there <= min(high, rule.highest)


def _extreme(probe: Probe, rule: object, mark: Mark) -> float | None:
    """Return how far a limit may go before nothing fits; infinite if it never stops anything, None if unknown."""
    assert isinstance(rule, LimitRule)
    side, sign = ("low", -1) if mark.field == "at_least" else ("high", 1)
    try:
        return probe.extreme(frozenset(probe.ids), rule, sign, (rule.id, side))
    except SolverError:
        return None


def _nothing(mark: Mark, fits: float | None, at: float) -> str:
    """Return in words where nothing fits any more; the figure lies on the side on which something fits."""
    upper = mark.field == "at_least"
    if fits is None or isnan(fits) or not min(mark.least, at) < fits < max(mark.most, at):
        return ""
    unit = 10 ** (2 if mark.step >= 0.1 else 3)
    near = (int(fits * unit) if upper else -int(-fits * unit // 1)) / unit
    return f"nothing fits {'above' if upper else 'below'} {number(near, 3)}"


def _lines(brief: Brief, doses: Mapping[str, float], before: Mapping[str, float]) -> tuple[Moved, ...]:
    """Return doses beside those of the file, most first."""
    names = {item.id: item.material.name for item in brief.pool.items}
    order = sorted({*doses, *before}, key=lambda n: (-doses.get(n, 0.0), -before.get(n, 0.0), n))
    found = []
    for name in order if doses else ():
        now, then = doses.get(name, 0.0), before.get(name, 0.0)
        found.append(Moved(name, names.get(name, name), now, then, now - then if abs(now - then) > SHOWN else nan))
    return tuple(found)


SHOWN = 10 * CHANGE_SHOWN
"""Least change of a dose that a page of two decimals shows [%]."""

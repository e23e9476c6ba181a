"""A brief whose limits are moved on rulers: what is said of each place, as one record with every figure and word.

`Rulers.ask` answers at once, `Rulers.prove` when there is time, `Rulers.reach` tells where nothing fits any more. What
is remembered is what was learnt of the brief, never a draft.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from math import inf, isnan, nan
from pathlib import Path

from optimizer.answers.draft import MISSING, Draft, Mark, live_part, marks_of, moved_of, structural
from optimizer.answers.ruled import FitsTo, Ruled, Steps, Teller, setting_of
from optimizer.answers.stock import records_of, with_stock_left
from optimizer.brief.brief import Brief, load_brief
from optimizer.errors import SolverError
from optimizer.files import digest
from optimizer.rules import LimitRule
from optimizer.rules.row import Setting
from optimizer.solve.feasibility import Probe
from optimizer.sweep.live import Live, LiveAnswer
from optimizer.sweep.single import brief_at, own
from optimizer.sweep.turns import Turns

KEPT_LIVES = 6
"""Briefs with another pH or the like that are kept ready beside that of the file."""
KEPT_REACHES = 400
Stopped = Callable[[], bool]


def never() -> bool:
    """Return that nobody stops it."""
    return False


class ReadyBrief:
    """A brief with some of its structure moved, ready to be asked."""

    def __init__(self, brief: Brief) -> None:
        self.brief, self.live = brief, Live(brief)


class Rulers:
    """A brief by its file, as it was when it was read, with what was learnt of it since."""

    def __init__(self, path: Path, proving: Turns | None = None) -> None:
        """Read the brief.

        Args:
            path: Its file.
            proving: Turns of whatever takes long; its own if it is left out.

        Raises:
            DataError: If it cannot be used.
        """
        self.path = path
        self.brief = _read(path)
        self.digest = digest(path)
        self.marks = marks_of(self.brief)
        self._places: OrderedDict[tuple[tuple[str, str], ...], ReadyBrief] = OrderedDict({(): ReadyBrief(self.brief)})
        self._reaches: OrderedDict[tuple[str, tuple[tuple[str, float], ...]], FitsTo | None] = OrderedDict()
        self._stepped: OrderedDict[tuple[tuple[str, float], ...], Steps] = OrderedDict()
        self._lock, self._number = threading.Lock(), 0
        self.proving = proving or Turns()
        self._seen = _signature(path, self.brief)
        self._file: LiveAnswer | None = None
        self._teller: Teller | None = None

    @property
    def stale(self) -> bool:
        """Whether a file that it was read from has changed since."""
        return self._seen != _signature(self.path, self.brief)

    @property
    def keys(self) -> frozenset[str]:
        """Keys of the figures that may be moved."""
        return frozenset(mark.key for mark in self.marks)

    @property
    def file(self) -> LiveAnswer:
        """The proven answer of the file as it is."""
        if self._file is None:
            with self.proving.first():
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
        changes = self.changes(draft)
        return _read(self.path, changes) if changes else self.brief

    def changes(self, draft: Draft) -> list[tuple[str, str]]:
        """Return the what-ifs that a draft is, as `--set` takes them."""
        gone = [key.removeprefix(MISSING) for key, value in draft.items() if key.startswith(MISSING) and value]
        without = [("pool.without", ",".join([*self.brief.scenario.pool.without, *gone]))] if gone else []
        return [*((key, f"{value!r}") for key, value in draft.items() if not own(key)), *without]

    def setting(self, ph: float) -> Setting:
        """Return a target pH with the brief's tolerance."""
        return setting_of(self.brief, ph)

    def ask(self, said: Mapping[str, float]) -> Ruled:
        """Return at once what is known of a draft; what a step of a limit costs only if it was proven before.

        Raises:
            DataError: If a key leads nowhere or a figure is refused.
        """
        draft, number = self.draft(said), self._next()
        place = self._place(draft)
        figures = live_part(self.marks, draft)
        answer = place.live.ask(figures)
        return self._told(number, draft, place, answer, self._stepped.get(_tuple(draft)))

    def prove(self, said: Mapping[str, float], stopped: Stopped = never) -> Ruled | None:
        """Return the proven answer of a draft; None if it was stopped. One proof runs at a time.

        Raises:
            DataError: As `ask`.
        """
        draft, number = self.draft(said), self._next()
        place = self._place(draft)
        figures = live_part(self.marks, draft)
        with self.proving.first():
            answer = None if stopped() else place.live.prove(figures, stopped)
        if answer is None:
            return None
        if not draft:
            self._file = self._file or answer
        steps = self._stepped.get(_tuple(draft)) or self._steps(place, figures, answer)  # `reach` makes them whole
        self._stepped[_tuple(draft)] = steps
        while len(self._stepped) > KEPT_REACHES:
            self._stepped.popitem(last=False)
        return self._told(number, draft, place, answer, steps)

    def reach(self, said: Mapping[str, float], stopped: Stopped = never) -> bool:
        """Find out what a step of each limit costs and where nothing fits any more; false if it was stopped."""
        draft = self.draft(said)
        place = self._place(draft)
        figures = live_part(self.marks, draft)
        with self.proving.after():
            answer = place.live.prove(figures, stopped)
            if answer is None:
                return False
            for _, _, at in self._moves(figures, answer):
                self.proving.give_way()
                if place.live.prove(at, stopped) is None:
                    return False
            self._stepped[_tuple(draft)] = self._steps(place, figures, answer)
            return self._extremes(draft, stopped)

    def _extremes(self, draft: Draft, stopped: Stopped) -> bool:
        open_ = [m for m in self.marks if m.live and m.field != "exactly" and self._key(m, draft) not in self._reaches]
        if not open_:
            return True
        brief = self.brief_at(draft)
        probe = Probe(brief)
        rules = {rule.id: rule for rule in brief.modelled}
        for mark in open_:
            self.proving.give_way()
            if stopped():
                return False
            self._remember(self._key(mark, draft), _extreme(probe, rules[mark.rule.id], mark))
        return True

    def _next(self) -> int:
        with self._lock:
            self._number += 1
            return self._number

    def _place(self, draft: Draft) -> ReadyBrief:
        key = structural(self.marks, draft)
        with self._lock:
            if key in self._places:
                self._places.move_to_end(key)
                return self._places[key]
        place = ReadyBrief(_read(self.path, key))
        with self._lock:
            self._places.setdefault(key, place)
            while len(self._places) > KEPT_LIVES:
                self._places.pop(next(k for k in self._places if k))
            return self._places.get(key, place)

    def _moves(self, figures: Draft, answer: LiveAnswer) -> list[tuple[Mark, int, dict[str, float]]]:
        """Return each limit that binds with its sign and its place one step up and one step down."""
        binding = {rule for rule, _ in answer.binding}
        here = [m for m in self.marks if m.live and m.rule.id in binding]
        moves = [(m, s, {**figures, m.key: figures[m.key] + s * m.step}) for m in here for s in (1, -1)]
        return [(m, s, at) for m, s, at in moves if _taken(m, s, figures)]

    def _steps(self, place: ReadyBrief, figures: Draft, answer: LiveAnswer) -> dict[str, tuple[float, float]]:
        """Return what raising and lowering each limit that binds by a step changes; NaN where nobody knows."""
        if answer.word != "proven" or isnan(answer.objective):
            return {}
        moves = self._moves(figures, answer)
        looked = place.live.look([at for _, _, at in moves], seek=False) if moves else ()
        found: dict[str, tuple[float, float]] = {}
        for (mark, sign, _), there in zip(moves, looked, strict=True):
            change = inf if there.ending == "infeasible" else there.objective - answer.objective
            known = change if there.word == "proven" else nan
            raised, lowered = found.get(mark.key, (nan, nan))
            found[mark.key] = (known, lowered) if sign > 0 else (raised, known)
        return found

    def _told(self, number: int, draft: Draft, place: ReadyBrief, answer: LiveAnswer, steps: Steps | None) -> Ruled:
        """Return the record of an answer."""
        if self._teller is None:
            self._teller = Teller(self.brief, self.digest, self.marks, self.file)
        known = {mark.key: self._key(mark, draft) for mark in self.marks}
        reaches = {key: self._reaches[at] for key, at in known.items() if at in self._reaches}
        return self._teller.told(number, draft, place.brief, answer, steps, reaches)

    def _key(self, mark: Mark, draft: Draft) -> tuple[str, tuple[tuple[str, float], ...]]:
        return mark.key, _tuple({key: value for key, value in draft.items() if key != mark.key})

    def _remember(self, key: tuple[str, tuple[tuple[str, float], ...]], reach: FitsTo | None) -> None:
        with self._lock:
            self._reaches[key] = reach
            while len(self._reaches) > KEPT_REACHES:
                self._reaches.popitem(last=False)


class OpenRulers:
    """The briefs whose rulers are open, each read anew when a file of it has changed."""

    def __init__(self, most: int = 6) -> None:
        self._most, self._lock = most, threading.Lock()
        self._proving = Turns()
        """The same for all of them, so that proofs never take more than one core of the person's machine."""
        self._rulers: OrderedDict[Path, Rulers] = OrderedDict()

    def of(self, path: Path) -> Rulers:
        """Return the rulers of a brief as its files are now.

        Raises:
            DataError: If it cannot be used.
        """
        with self._lock:
            found = self._rulers.get(path)
        if found is None or found.stale:
            found = Rulers(path, self._proving)
        with self._lock:
            self._rulers[path] = found
            self._rulers.move_to_end(path)
            while len(self._rulers) > self._most:
                self._rulers.popitem(last=False)
        return found


def _tuple(draft: Draft) -> tuple[tuple[str, float], ...]:
    return tuple(draft.items())


def _signature(path: Path, brief: Brief) -> tuple[tuple[int, int, int] | None, ...]:
    """Return what tells whether a file that a brief was read from is as it was."""
    records = records_of(path)
    kept = [] if records is None else [records, records.with_name(records.name + "-wal")]
    return tuple(map(_as_it_is, [*map(Path, brief.files), path.with_name("bench.toml"), *kept]))


def _read(path: Path, changes: Iterable[tuple[str, str]] = ()) -> Brief:
    """Return a brief as every command reads it: its shelf less what kept batches used."""
    return with_stock_left(load_brief(path, changes=changes))


def _as_it_is(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def _taken(mark: Mark, sign: int, figures: Draft) -> bool:
    """Return whether a rule takes a limit that is a step further: within its ends, and low below high."""
    rule = mark.rule
    assert isinstance(rule, LimitRule)
    there = figures[mark.key] + sign * mark.step
    low = figures.get(f"{rule.id}.at_least", -inf) if mark.field == "at_most" else -inf
    high = figures.get(f"{rule.id}.at_most", inf) if mark.field == "at_least" else inf
    return max(low, rule.lowest) <= there <= min(high, rule.highest)


def _extreme(probe: Probe, rule: object, mark: Mark) -> FitsTo | None:
    """Return how far a limit may go before nothing fits; infinite if it stops nothing, None if unknown."""
    assert isinstance(rule, LimitRule)
    side, sign = ("low", -1) if mark.field == "at_least" else ("high", 1)
    every = frozenset(probe.ids)
    try:
        if probe.idle(every, rule, (rule.id, side)):
            return FitsTo(-sign * inf, "certificate")
        fits = probe.extreme(every, rule, sign, (rule.id, side))
    except SolverError:
        return None
    return None if fits is None else FitsTo(fits, probe.proof)

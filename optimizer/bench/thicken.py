"""The thickening log: may the next step be taken, how much, and has the peak been passed? Read, never predicted."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf
from typing import Literal

from optimizer.assessment.electrolyte import Budget, electrolyte_of
from optimizer.assessment.thickening import WAIT_MIN, SaltRoute, against, plan_of, rule_of, step_of, window_of
from optimizer.bench.batch import Batch, ReadingKind, Scale, ThickenerStep, ThickeningEntry
from optimizer.bench.made import besides, held_left_g, last_ph
from optimizer.bench.stage import ended
from optimizer.bench.strike import lines_of
from optimizer.brief.brief import Brief
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.errors import DataError, Problem, nearest
from optimizer.immutable import Figure, immutable, seen, told_as, untold
from optimizer.rules.row import Setting
from optimizer.units import AS_TYPED, KEPT, USED, listed, number, whole_down

READ_AS = {"viscosity_mpas": "a viscosity", "flow_s": "a time to run out", "judged": "a judgement from 1 to 5"}
UNITS = {"viscosity_mpas": "mPa s", "flow_s": "s", "judged": "of 5"}
NOISE = {"viscosity_mpas": 0.05, "flow_s": 0.05, "judged": 0.0}
"""Part of a reading by which it may differ when nothing changed; an editable default, no source. A judged reading is a
whole number, so each change counts."""
COMPARABLE_C = 2.0
"""Readings further apart in temperature are not compared [°C]; an editable default, no source."""
NEAR_TARGET = 0.8
"""From this part of the target on steps are halved; an editable default, no source."""
TOP_JUDGED = 5.0

State = Literal[
    "closed", "open", "on samples", "read again", "target reached", "no longer rising", "peak passed", "limit reached",
    "finished",
]  # fmt: skip
"""on samples: the thickener goes in while a batch is made, so a finished one takes no further step of it; finished:
nothing goes into the batch any more."""


@immutable
class ThickeningPoint:
    """One step of the log."""

    step: ThickenerStep = untold()
    """As written."""
    number: int
    """By which it can be struck."""
    added_percent: float = seen("step.added_percent")
    """All additions together [% of the batch]."""
    value: float | None = told_as("reading")
    """Reading in the log's unit; None if it was read in another way."""
    comparable: bool
    """False if it was read more than 2 °C away from the last reading."""
    waited_min: float | None = seen("step.waited_min")
    temperature_c: float | None = seen("step.temperature_c")
    ph: float | None = seen("step.ph")
    on: str = seen("step.on")
    note: str = seen("step.note")


@immutable
class Next:
    """The next addition."""

    percent: float
    """[% of the batch as supplied]."""
    total_percent: float
    """All additions of the log together after it [%]."""
    grams: float
    """At the step of the scale [g]."""
    wait_min: float
    """Gentle mixing before the reading [min]."""
    temperature_c: float | None
    """Temperature at which it is to be read [°C]; None if none was noted."""


@immutable
class ThickeningLog:
    """One thickening log."""

    material: Material = untold()
    material_id: str = seen("material.id", key="material")
    name: str = seen("material.name")
    """The thickener."""
    kind: ReadingKind | None
    """How it is read; None before the first reading."""
    unit: str
    """Unit of the readings."""
    points: tuple[ThickeningPoint, ...] = told_as("steps")
    """Steps in the order of the file."""
    target: float | None
    """Wanted reading."""
    added: float = told_as("added_percent")
    """Thickener in the batch so far [%]."""
    weighed: float = told_as("weighed_percent")
    """Of that, what was weighed in as a line or besides the lines, and so is not in the log [%]."""
    most: float = told_as("most_percent")
    """Highest dose [%], the least of its limits."""
    limits: dict[str, float]
    """What limits the dose [% of the batch]."""
    ph: float | None
    """Last logged pH of the batch."""
    window: tuple[float, float] = untold()
    """PH window of the thickener."""
    ph_low: Figure = seen("window.0")
    ph_high: Figure = seen("window.1")
    state: State
    """What the log says."""
    verdict: str
    """That in a sentence, with the next step."""
    next: Next | None
    """The next addition; None if there is none."""
    notes: tuple[str, ...]
    """What else is to be told."""
    budget: Budget
    """Dissolved salt of the batch, salt of this log included."""

    @property
    def logged(self) -> float:
        """What the log alone has added [%]."""
        return self.added - self.weighed

    @property
    def words(self) -> str:
        """The limits of the dose in words."""
        return "; ".join(f"{name} {number(max(0.0, value), 2)} %" for name, value in self.limits.items())


def planned_thickeners(batch: Batch, brief: Brief, formula: Formula, setting: Setting) -> tuple[str, ...]:
    """Return the ids of the thickeners that may be added: held back for, logged already, or salt where it is a way."""
    names = [i.id for i in formula.thickeners] + [t.material for t in batch.thickening]
    plan = plan_of(formula, setting, brief)
    unfit = {c.material.id for c in plan.candidates if not c.suits}
    names += [c.material.id for c in plan.candidates if c.suits and c.material.function == "salt"]
    return tuple(sorted(dict.fromkeys(names), key=unfit.__contains__))


def logs_of(batch: Batch, brief: Brief, formula: Formula, setting: Setting, where: str) -> tuple[ThickeningLog, ...]:
    """Return the state of every log of a batch, and an empty one for each planned thickener if none was begun.

    Raises:
        DataError: If a log names no thickener, or its steps are out of order.
    """
    known = {m.id: m for m in brief.library.materials if m.thickener is not None}
    problems = []
    for number_, log in enumerate(batch.thickening):
        if log.material not in known:
            key = f"thickening.{number_}.material"
            problems.append(Problem(where, key, f"'{log.material}' is no thickener.", nearest(log.material, known)))
        doses = [s.added_percent for s in log.step]
        if doses != sorted(doses):
            what = "the steps are out of order: added_percent falls."
            step = "Write all additions together in each step, in the order in which they were made."
            problems.append(Problem(where, f"thickening.{number_}.step", what, step))
    if problems:
        raise DataError(problems)
    begun = list(batch.thickening)
    if not begun:
        begun = [ThickeningEntry(material=n) for n in planned_thickeners(batch, brief, formula, setting)]
    return tuple(_log(batch, log, known[log.material], brief, formula, setting) for log in begun)


def log_of(name: str, batch: Batch, brief: Brief, formula: Formula, setting: Setting) -> ThickeningLog:
    """Return the state of one planned thickener's log, an empty one if it was not begun."""
    return _log(batch, batch.thickened_by(name), brief.library.by_id[name], brief, formula, setting)


def acid_percent(batch: Batch) -> float | None:
    """Return the acid or alkali added so far, as pure chemical [% of the batch]; None if none is logged."""
    used = batch.adjusted
    return sum(a.added_g * a.strength_percent for a in used) / batch.size_g if used else None


@immutable
class _LogRead:
    """What a log and its batch say, and how far it may go."""

    batch: Batch
    log: ThickeningEntry
    material: Material
    kind: ReadingKind | None
    latest_c: float | None
    """Temperature of its last reading."""
    points: tuple[ThickeningPoint, ...]
    ph: float | None
    most: float
    """Highest dose [%]."""

    @property
    def weighed(self) -> float:
        """Of it weighed in, and so not in the log [%]."""
        return self.batch.apart_percent(self.material.id)

    @property
    def added(self) -> float:
        """Thickener in the batch so far [%]."""
        return self.weighed + self.log.added_percent


def _log(
    batch: Batch, log: ThickeningEntry, material: Material, brief: Brief, formula: Formula, setting: Setting
) -> ThickeningLog:
    kind, latest, points = _points(batch, log)
    budget, limits = _limits(batch, log, material, brief, formula)
    ph, notes = ph_of(batch, log)
    read = _LogRead(batch, log, material, kind, latest, points, ph, max(0.0, min(value for _, value in limits)))
    why = ended(batch)
    notes = [
        *([] if why else notes),
        *_unplanned(material, brief, formula, setting),
        *_doubts(points, kind),
        *_beyond_plan(read),
    ]
    judged: tuple[State, str] = ("finished", why) if why else _judge(read)
    state, said = judged
    if material.function == "salt" and state == "open":
        state, said, more = _salted(read, said, budget, plan_of(formula, setting, brief).salt)
        notes += more
    if state == "open" and material.thickens_from:
        state, said = "on samples", _on_samples(read)
    step = _next(read) if state == "open" else None
    if state == "open" and step is None:
        state, said = "limit reached", "What is left is less than the scale can weigh: stop here."
    return ThickeningLog(
        material,
        kind,
        UNITS[kind] if kind else "",
        points,
        log.target,
        read.added,
        read.weighed,
        read.most,
        dict(limits),
        ph,
        window_of(material),
        state,
        said,
        step,
        (*notes, *_hardly_weighed(step, batch.scale)),
        budget,
    )


def _unplanned(material: Material, brief: Brief, formula: Formula, setting: Setting) -> Iterator[str]:
    """Yield that nothing was held back for a thickener, and what speaks against it here."""
    held = any(item.id == material.id for item in formula.thickeners)
    if held or material.function == "salt" or formula.dose(material.id) > 0:
        return
    said = " ".join(against(material, formula, setting, brief)) or "Nothing that is known speaks against it."
    yield f"It was not planned for this batch. {said} Try it on a 100 g sample first."


def _beyond_plan(read: _LogRead) -> Iterator[str]:
    """Yield what is to be told of a thickener that the batch holds anyway, or that is in past its limit."""
    if read.weighed > USED:
        of_plan = "is a line of the batch" if read.material.id in read.batch.doses else "is in"
        yield (
            f"{number(read.weighed, 2)} % of it {of_plan}, weighed in as such: log here only what goes in besides, or "
            "it counts twice."
        )
    if read.added > read.most + KEPT:
        yield f"{number(read.added, 2)} % is in, past the limit of {number(read.most, 2)} %."


def _salted(read: _LogRead, said: str, budget: Budget, route: SaltRoute) -> tuple[State, str, list[str]]:
    """Return state, verdict and notes of an open log of salt: what is left of its budget, and whether salt is a way."""
    notes = []
    if budget.left.low < read.most - read.added:
        left = number(max(0.0, budget.left.low), 2)
        notes.append(f"At the upper ends of the printed ranges only {left} % of the salt budget is left.")
    if not route.open and read.log.added_percent <= KEPT:
        return "closed", f"Salt is not the way here. {' '.join(route.reasons)}", notes
    if not route.open:
        notes.append(f"Salt is not the way here, by what is known of it: {' '.join(route.reasons)}")
    return "open", said, notes


def _hardly_weighed(step: Next | None, scale: Scale) -> Iterator[str]:
    if step is not None and step.grams < scale.least_g - AS_TYPED:
        yield (
            f"{number(step.grams, 3)} g is less than the {number(scale.least_g, 2)} g that the scale weighs to "
            f"{number(scale.allowed_percent)} %: weigh it on a finer one, or as a solution."
        )


def _on_samples(read: _LogRead) -> str:
    material = read.material
    if read.weighed > USED:
        went_in = f"{number(read.weighed, 2)} % went in while this batch was made."
    else:
        went_in = "If some went in while this batch was made, note its weight, or log it here."
    return (
        f"Add none to this batch now: {material.name} goes {material.thickens_from}. Make 100 g samples with it, "
        f"{number(step_of(material), 2)} % more in each. {went_in}"
    )


def _points(batch: Batch, log: ThickeningEntry) -> tuple[ReadingKind | None, float | None, tuple[ThickeningPoint, ...]]:
    """Return how a log is read, the temperature of its last reading, and its steps."""
    kind = next(iter(log.step[0].read_as)) if log.step else None
    latest = next((s.temperature_c for s in reversed(log.step) if s.temperature_c is not None), None)
    numbers = {id(entry): n for n, _, entry in lines_of(batch, "step")}
    return kind, latest, tuple(_point(s, numbers[id(s)], kind, latest) for s in log.step)


def _values(points: tuple[ThickeningPoint, ...], weighed: float) -> list[tuple[float, float]]:
    """Return doses, with what was weighed in, and readings that may be held against the last one."""
    return [(weighed + p.step.added_percent, p.value) for p in points if p.comparable and p.value is not None]


def past_peaks(batch: Batch) -> dict[str, float]:
    """Return the thickeners of which more went in than made a batch thicker, with the dose that read most [%]."""
    found = {}
    for log in batch.thickening:
        kind, _, points = _points(batch, log)
        values = _values(points, batch.apart_percent(log.material))
        turned = None if kind is None else _turned(values, NOISE[kind])
        if turned and turned[0] == "peak passed":
            found[log.material] = _peak(values)[0]
    return found


def overdone(batch: Batch, brief: Brief, formula: Formula, setting: Setting) -> list[str]:
    """Return, in sentences, of which thickener more went in than it may or than helped."""
    told, peaks = [], past_peaks(batch)
    known = brief.library.by_id
    weighed = [name for name in batch.besides_g if known[name].thickener is not None]
    for name in dict.fromkeys([*(entry.material for entry in batch.thickening), *weighed]):
        log = log_of(name, batch, brief, formula, setting)
        inside = f"{number(log.added, 2)} % of {log.material.name} went in"
        if log.added > log.most + KEPT:
            why = min(log.limits, key=lambda name: log.limits[name])
            told.append(f"{inside}, past the limit of {number(log.most, 2)} % ({why})")
        if name in peaks:
            best = number(peaks[name], 2)
            told.append(f"{inside}, and it was thickest at {best} %: the next master formula stops there")
    return told


def _point(step: ThickenerStep, number_: int, kind: ReadingKind | None, latest: float | None) -> ThickeningPoint:
    value = step.read_as.get(kind) if kind else None
    apart = step.temperature_c is not None and latest is not None and abs(step.temperature_c - latest) > COMPARABLE_C
    return ThickeningPoint(step, number_, value, not apart)


def _limits(
    batch: Batch, log: ThickeningEntry, material: Material, brief: Brief, formula: Formula
) -> tuple[Budget, tuple[tuple[str, float], ...]]:
    """Return the salt budget with what is logged, and what limits the dose."""
    known = brief.library.by_id
    salts = {m.id for m in known.values() if m.thickener is not None and m.thickener.type == "salt"}
    salt_in = {t.material: t.added_percent for t in batch.thickening if t.material in salts}
    for name in salts & besides(batch, known).keys():
        salt_in[name] = salt_in.get(name, 0.0) + batch.apart_percent(name)
    own = batch.doses.get(material.id, 0.0)
    room = own + 100 * held_left_g(batch, known, but=material.id) / batch.size_g
    limit = rule_of(brief).salt
    before = electrolyte_of(formula, limit, acid_percent(batch))
    usual = material.thickener.use[1] if material.thickener else 0.0
    limits = [
        ("planned" if log.most_percent is not None else "usual upper dose", log.most_percent or usual),
        ("part held back", room),
    ]
    if log.most_percent == 0:
        limits[0] = ("planned", 0.0)
    if material.id in salts:
        others = sum(percent for name, percent in salt_in.items() if name != material.id)
        limits.append(("salt budget", own + before.left.typical - others))
    return electrolyte_of(formula, limit, acid_percent(batch), sum(salt_in.values())), tuple(limits)


def ph_of(batch: Batch, log: ThickeningEntry) -> tuple[float | None, list[str]]:
    """Return the last pH of the batch, and what is to be told of it beside a log."""
    ph = last_ph(batch)
    notes = []
    low, high = aim_of(batch)
    if ph is not None and not low <= ph <= high:
        window = f"{number(max(low, 0), 2)} to {number(min(high, 14), 2)}"
        notes.append(f"pH {number(ph, 2)} is outside the batch's window {window}: set it before you go on.")
    if log.added_percent > 0 and (not log.step or log.step[-1].ph is None):
        notes.append("Read the pH again: the last step has none.")
    return ph, notes


def _doubts(points: tuple[ThickeningPoint, ...], kind: ReadingKind | None) -> list[str]:
    notes = []
    mixed: list[str] = sorted({k for p in points for k in p.step.read_as} - {kind})
    if mixed:
        notes.append(f"The log mixes readings: only {kind} is followed, {listed(mixed)} is left aside.")
    apart = [p for p in points if not p.comparable]
    if apart:
        read = listed([f"{number(p.step.temperature_c or 0, 1)} °C" for p in apart])
        notes.append(f"Read at {read}: not comparable with the last reading, more than {number(COMPARABLE_C)} °C away.")
    if any(p.step.temperature_c is None for p in points):
        notes.append("A reading without its temperature is taken as comparable; note it, warm blends are thinner.")
    return notes


def _judge(read: _LogRead) -> tuple[State, str]:
    said = closed(read.batch, read.material, read.ph)
    if said:
        sentence = " ".join(said)
        return "closed", sentence[:1].upper() + sentence[1:]
    known = [p for p in read.points if p.value is not None]
    if len(known) > 1 and not any(p.comparable for p in known[:-1]):
        before, now = (number(p.step.temperature_c or 0.0, 1) for p in known[-2:])
        return (
            "read again",
            f"Add nothing yet: read again at {before} °C, or once more at {now} °C to go on from there.",
        )
    values, target = _values(read.points, read.weighed), read.log.target
    turned = None if read.kind is None else _turned(values, NOISE[read.kind])
    if turned and turned[0] == "peak passed":
        return turned
    if read.log.unread_percent > USED:
        there = f"{number(read.added, 3)} % is in, and no reading that counts was taken since"
        return "read again", f"Add nothing yet: {there}. Read what is there now."
    if values and target is not None and values[-1][1] >= target - KEPT:
        return "target reached", "The target is reached: stop, and read the pH and the thickness again tomorrow."
    if turned:
        return turned
    if values and read.kind == "judged" and values[-1][1] >= TOP_JUDGED:
        return "target reached", "It stands like a gel: stop."
    if read.added >= read.most - KEPT:
        limit = number(read.most, 2)
        return "limit reached", f"The limit of {limit} % is reached: stop. Try another thickener on a sample."
    if not values:
        return "open", "Read the blend without thickener first, then take the step."
    return "open", "Take the next step, wait, read at the same temperature, read the pH again."


def closed(batch: Batch, material: Material, ph: float | None) -> tuple[str, str] | None:
    """Return what keeps a log closed and what to do, None if a pH inside the thickener's window opens it."""
    low, high = window_of(material)
    needs = f"{material.name} needs pH {number(low, 2)} to {number(high, 2)}."
    aim_low, aim_high = aim_of(batch)
    shared = max(low, aim_low), min(high, aim_high)
    if shared[0] > shared[1] + KEPT:
        aim = f"the target of this batch is pH {number(aim_low, 2)} to {number(aim_high, 2)}, and {needs}"
        return aim, "Keep the pH at the target, where its preservative is planned to act, and take another thickener."
    if ph is None:
        sample = " A sample's pH does not count." if any(a.of == "sample" for a in batch.adjustment) else ""
        return f"no pH of the batch is logged, and {needs}", f"Adjust and log the pH first.{sample}"
    if not low - KEPT <= ph <= high + KEPT:
        both = " to ".join(number(x, 2) for x in dict.fromkeys(shared))
        said = f"the last pH is {number(ph, 2)}, and {needs}"
        return said, f"Adjust it to pH {both}, then log a reading with its pH."
    return None


def aim_of(batch: Batch) -> tuple[float, float]:
    """Return the pH that a batch may have, infinite where its plan sets no end."""
    low, high = batch.ph_low, batch.ph_high
    return (-inf if low is None else low), (inf if high is None else high)


def _turned(values: list[tuple[float, float]], noise: float) -> tuple[State, str] | None:
    """Return whether readings fell, or stopped rising after they had risen, though thickener was added."""
    earlier = _earlier(values)
    if not earlier:
        return None
    (dose, last), (best_dose, best) = values[-1], _peak(values)
    if last < best * (1 - noise) - KEPT:
        said = (
            f"PEAK PASSED: the reading fell from {number(best, 1)} at {number(best_dose, 2)} % to {number(last, 1)} at "
            f"{number(dose, 2)} %. Add no more: it thins further. Next batch stop at {number(best_dose, 2)} %."
        )
        return "peak passed", said
    rose = best > min(v for _, v in earlier) * (1 + noise) + KEPT
    if rose and last <= best * (1 + noise) + KEPT and noise > 0:
        said = (
            f"The reading no longer rises ({number(best, 1)} at {number(best_dose, 2)} %, {number(last, 1)} at "
            f"{number(dose, 2)} %): at or near the peak. Stop here; try one step more in a 100 g sample only."
        )
        return "no longer rising", said
    return None


def _earlier(values: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the doses and readings before the last dose."""
    return [(dose, value) for dose, value in values if dose < values[-1][0] - KEPT]


def _peak(values: list[tuple[float, float]]) -> tuple[float, float]:
    """Return the dose and the reading before the last dose that read most."""
    return max(_earlier(values), key=lambda x: (x[1], -x[0]))


def _next(read: _LogRead) -> Next | None:
    """Return the next addition, rounded down to the scale's step; None if nothing weighable is left."""
    step, size_g, scale_g = step_of(read.material), read.batch.size_g, read.batch.scale.step_g
    value = next((p.value for p in reversed(read.points) if p.value is not None), None)
    near = value is not None and read.log.target is not None and value >= NEAR_TARGET * read.log.target
    if near or (read.added > 0 and read.most - read.added < 2 * step - KEPT):
        step /= 2
    percent = min(step, read.most - read.added)
    grams = whole_down(percent * size_g / 100 / scale_g) * scale_g
    if grams <= 0:
        return None
    exact = 100 * grams / size_g
    return Next(exact, read.log.added_percent + exact, grams, WAIT_MIN, read.latest_c)

"""Acid or alkali to the target pH: a blind plan of a formula, and the log of a batch or a sample of it.

Before a reading the answer is a plan for buying. A log updates it (`chemistry.titration`), says the next safe addition
and when to stop. Everything is counted per gram of blend: the formula without the part held back for acid and
thickener.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from optimizer.assessment.alarms import ADJUSTER, foremost
from optimizer.assessment.alkalinity import AlkalinityBasis, estimated_ph, ingredients_of, known_of
from optimizer.assessment.preserving import Preservation, preservation_of
from optimizer.bench.batch import Adjustment, Batch, PhReading
from optimizer.bench.stage import ended
from optimizer.bench.strike import Struck, lines_of, struck_of
from optimizer.brief.brief import Brief
from optimizer.chemistry.advice import LARGEST_SHARE, AcidAdvice, Added, added, advise
from optimizer.chemistry.alkalinity import Alkaline, know
from optimizer.chemistry.constants import REFERENCE_TEMPERATURE
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Chemical, Solution, chemical_of, stock
from optimizer.chemistry.titration import LogReading, PhLog
from optimizer.data.cautions import Caution
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.errors import DataError, Problem, fault
from optimizer.immutable import immutable
from optimizer.rules.row import Setting
from optimizer.units import KEPT, USED, number

DEFAULT_ACID, DEFAULT_ALKALI = ("citric acid anhydrous", 50.0), ("sodium hydroxide", 10.0)
"""What is planned with if nobody says otherwise: name and strength [% w/w]; common practice."""

MOST_TITRATIONS = 3
"""So many ingredients at most are proposed for a titration."""

SOAP_FROM = 9.0
"""PH from which on soap stays soap; common practice, no source."""

BLIND = (
    "Blind: for buying and planning only. In simulated batches (nobody measured any) a dose from supplied pH and "
    "assumed ranges alone ended within 0.5 pH of the target in 18 to 75 of 100."
)
BLIND_TITRATED = (
    "Blind, but with titrated ingredients: in simulated batches (nobody measured any) such a dose ended within 0.5 pH "
    "of the target in about 2 of 3 to 5 of 6; never count on 0.3. The first reading and addition tell more."
)
NEAR_9 = 8.5
"""First reading from which the next sentence is said [pH]."""
TOO_LOW = (
    " With alkaline glucosides the dose after a first reading near pH 9 is likely told too low: soap, carbonate and "
    "amidoamine of lots are not in it. Take the first addition as proposed and read again."
)
"""Basis: docs/ph-accuracy.md."""
FEW = "The start alone adds little; the first addition adds most."
SURE = (
    "After the start and two additions, read with a meter, more than half of the simulated batches (nobody measured "
    "any) would end within 0.3 pH if the estimate were dosed at once, 9 of 10 or more with titrated ingredients. The "
    "reading decides."
)
POINTS = (
    "Measured points alone, no recipe: the estimate is worth what its range says, and the reading decides. The steps "
    "stay small because a product that hardly buffers cannot be ruled out; a formula or batch file allows larger ones."
)
"""What an estimate is worth; basis: docs/ph-accuracy.md, simulated batches."""


@immutable
class Window:
    """The pH range that brief and materials share."""

    low: float
    """Lower end; above `high` if they share none."""
    high: float
    """Upper end."""
    low_by: tuple[str, ...]
    """Who sets the lower end."""
    high_by: tuple[str, ...]
    """Who sets the upper end."""
    doubts: tuple[str, ...]
    """Windows that do not meet, and thickeners that the target does not suit."""


@immutable
class Gain:
    """What titrating a few ingredients would do to the dose [g per 100 g of blend]."""

    names: tuple[str, ...]
    """Whose titration would help most."""
    before: Interval
    """The dose now."""
    after: Interval
    """The dose if the titrations found what is expected."""


@immutable
class AcidSession:
    """One adjustment: a sample, or the batch itself, and its log.

    Attributes:
        of: 'sample' or 'batch'.
        log: Solution, target and readings.
        notes: Note and instrument of each reading, in order, for reports.
        advice: What to do now.
        total: Solution for what is adjusted, from its start [g], 10 %, middle and 90 % point.
        for_batch: The same for the whole batch [g].
        so_far: What is in already; None before the first addition.
        worth: Total per 100 g before any reading, after one, after two ... [g].
        numbers: Number of each reading in the batch file, by which it can be struck; 0 for one that stands in the
            thickening log.
        inside_g: Solution that is in by now [g], also where the reading after it is struck.
    """

    of: str
    log: PhLog
    notes: tuple[str, ...]
    advice: AcidAdvice
    total: Interval
    for_batch: Interval | None
    so_far: Added | None
    worth: tuple[Interval, ...]
    numbers: tuple[int, ...] = ()
    inside_g: float = 0.0


@immutable
class PhAnswer:
    """The pH of a formula or batch: where it stands, what it takes, what that rests on.

    Attributes:
        setting: Target and its tolerance.
        window: What brief and materials share; None for measured points alone.
        ingredients: What the alkalinity of each rests on.
        estimate: pH of the blend before anything is added, 10 %, middle and 90 % point.
        estimate_water: Water per gram at which it is meant [g/g].
        solution: What is added.
        assumed: What was assumed of the solution, empty if it was stated.
        dose: Solution per 100 g of blend [g], blind.
        blend_g: Blend of the batch before the part held back is filled [g]; None if no size is known.
        batch_dose: Solution for that [g].
        gain: What titrations would do; None if nothing is open.
        worth: How much the estimate is worth, in words.
        caution: Handling caution of the solution.
        sessions: Adjustments of the batch file, in order.
        preservation: Acid preservatives at the target.
        alarms: What is said before anything else, and on what it rests.
        struck: Readings of the batch file that count no more.
        finished: Why nothing goes into the batch any more; empty while something may.
        step_g: What the last digit of the batch's scale shows [g]; None without a batch file.
        back: What brings the pH back where the solution of the last log only moves it away; else None.
    """

    setting: Setting
    window: Window | None
    ingredients: tuple[AlkalinityBasis, ...]
    estimate: Interval
    estimate_water: float
    solution: Solution
    assumed: str
    dose: Interval
    blend_g: float | None
    batch_dose: Interval | None
    gain: Gain | None
    worth: str
    caution: str
    sessions: tuple[AcidSession, ...] = ()
    preservation: Preservation | None = None
    alarms: tuple[Caution, ...] = ()
    struck: tuple[Struck, ...] = ()
    finished: str = ""
    step_g: float | None = None
    back: Solution | None = None


def ph_answer(
    brief: Brief,
    formula: Formula,
    setting: Setting,
    *,
    solution: Solution | None = None,
    batch: Batch | None = None,
    size_g: float | None = None,
    water: float = 0.0,
) -> PhAnswer:
    """Return the pH of a formula, the dose to its target, and the log of its batch.

    Args:
        brief: The brief.
        formula: Its doses.
        setting: Target and tolerance.
        solution: What is to be added; by default what the brief keeps ready for the way to the target.
        batch: The batch file's content.
        size_g: Mass of the finished product [g], if there is no batch file.
        water: Water per gram of blend at which the blind pH is told [g/g].

    Raises:
        DataError: If there is no target pH, a figure of the batch file cannot be used, or acid would split a soap.
    """
    target = target_of(brief, setting)
    bases = ingredients_of(formula)
    estimate = estimated_ph(bases, water)
    chosen, assumed = (solution, "") if solution is not None else planned_solution(formula, estimate.typical, target)
    log = PhLog(chosen, target, 100, know(known_of(bases)), water=water)
    _refuse_to_split(formula, target, chosen)
    dose = log.total(100)
    size = batch.size_g if batch else size_g
    blend = None if size is None else size * (100 - formula.held_back) / 100
    scaled = None if blend is None else _times(dose, blend / 100)
    gain = _gain(log, bases, dose)
    sessions = sessions_of(batch, target, known_of(bases), blend, batch.where) if batch else ()
    sessions, back = _with_way_back(sessions, formula, target)
    aim = Setting(target.typical, target.low, target.high)
    return PhAnswer(
        aim,
        _window(brief, formula, target),
        bases,
        estimate,
        water,
        chosen,
        assumed,
        dose,
        blend,
        scaled,
        gain,
        worth_words(sessions, open_=gain is not None) + _too_low(formula, sessions),
        chosen.caution,
        sessions,
        preservation_of(brief, formula, aim),
        foremost(brief, formula, aim),
        struck_of(batch, "reading") if batch else (),
        ended(batch) if batch else "",
        batch.scale.step_g if batch else None,
        back,
    )


def _with_way_back(
    sessions: tuple[AcidSession, ...], formula: Formula, target: Interval
) -> tuple[tuple[AcidSession, ...], Solution | None]:
    """Return the sessions with what brings the pH back where the last one's solution only moves it away, and that."""
    if not sessions or sessions[-1].advice.state not in ("passed", "wrong way"):
        return sessions, None
    last = sessions[-1]
    solution, words = planned_solution(formula, last.log.readings[-1].ph, target)
    way = "down" if solution.chemical.acid else "up"
    reason = f"{last.advice.reason} What brings it {way} is {words}. Begin a log of its own with it."
    return (*sessions[:-1], replace(last, advice=replace(last.advice, reason=reason))), solution


def _refuse_to_split(formula: Formula, target: Interval, solution: Solution) -> None:
    """Refuse to dose acid below the pH down to which a soap stays soap.

    Raises:
        DataError: If there is such a soap.
    """
    for line in formula.lines:
        material = line.item.material
        soap = any(s.surfactant and s.buffer is not None and s.buffer.of == "soap" for s in material.substances)
        low = material.ph_stable[0] if material.ph_stable else SOAP_FROM
        if soap and line.percent > USED and solution.chemical.acid and target.low < low - KEPT:
            aim = f"{number(target.low, 2)} to {number(target.high, 2)}"
            what = f"acid to pH {aim} splits the soap: below pH {number(low)} it becomes fatty acid, which parts."
            step = f"Leave it at pH {number(low)} or more, or make the wash without soap; no dose is told."
            raise fault(material.name, "ph", what, step)


def points_answer(solution: Solution, target: Interval, sample_g: float, readings: Sequence[LogReading]) -> PhAnswer:
    """Return the log of measured points alone, without any recipe.

    Raises:
        DataError: If a figure is not possible or there is no reading.
    """
    if not readings:
        raise fault("points", "", "there is no reading.", "Give a line per reading: added_g and ph.")
    log = PhLog(solution, target, sample_g, know(), tuple(readings))
    session = _session("sample", log, ("",) * len(readings), None)
    return PhAnswer(
        Setting(target.typical, target.low, target.high),
        None,
        (),
        log.expected_ph(0.0),
        log.readings[-1].water,
        solution,
        "",
        log.total(100),
        None,
        None,
        None,
        POINTS,
        solution.caution,
        (session,),
    )


def target_of(brief: Brief, setting: Setting) -> Interval:
    """Return lower edge, target and upper edge of the pH.

    Raises:
        DataError: If the brief has no pH.
    """
    if setting.target is None:
        step = "Write [ph] with low, high and tolerance into the scenario, or ph_target into the batch file."
        raise fault("pH", "ph", "neither the brief nor the batch names a target pH.", step)
    tolerance = brief.acidity.tolerance if brief.acidity else 0.2
    low = setting.target - tolerance if setting.low is None else setting.low
    high = setting.target + tolerance if setting.high is None else setting.high
    return Interval(low, setting.target, high)


def adjuster(material: Material) -> Solution | None:
    """Return an acid or alkali of the library as it is dosed, None if no part of it is one that is known.

    A liquid alkali is dosed as it is sold, acids at 50 % at most, a powder as a solution of common strength.
    """
    for part in material.substances:
        chemical = chemical_of(part.inci)
        if chemical is not None:
            most = DEFAULT_ACID[1] if chemical.acid else DEFAULT_ALKALI[1] if material.powder else 100.0
            return Solution(chemical, min(part.typical, most))
    return None


def raises(material: Material) -> bool:
    """Return whether a pH adjuster is an alkali."""
    solution = adjuster(material)
    return solution is not None and not solution.chemical.acid


def _kept_ready(formula: Formula) -> tuple[Solution, ...]:
    """Return the acids and alkalis that the part held back is for, in the order of the brief."""
    found = (adjuster(item.material) for item in formula.later if ADJUSTER in item.material.functions)
    return tuple(solution for solution in found if solution is not None)


def planned_solution(formula: Formula, ph: float, target: Interval) -> tuple[Solution, str]:
    """Return what is added to a blend of a pH if nobody says otherwise, and the words for that.

    Acid above the target, alkali below it; inside it what the brief keeps room for, acid before alkali.
    """
    ready = _kept_ready(formula)
    inside = target.low <= ph <= target.high
    acid = ph > target.high or (inside and (not ready or any(s.chemical.acid for s in ready)))
    kept = next((s for s in ready if s.chemical.acid == acid), None)
    chosen = kept or stock(*(DEFAULT_ACID if acid else DEFAULT_ALKALI))
    words = f"{chosen.chemical.name}, {number(chosen.percent, 2)} % w/w, "
    own = "say yours with --with and --strength"
    if acid:
        return chosen, f"{words}taken because the brief {'keeps room for it' if kept else 'names no acid'}; {own}"
    if kept:
        return chosen, f"{words}taken because the blend lies below the target and the brief keeps room for it; {own}"
    return chosen, (
        f"{words}because the blend lies below the target and the brief names no alkali: name yours under 'acids' of "
        f"[held_back], which holds alkalis too, or {own}"
    )


def _window(brief: Brief, formula: Formula, target: Interval) -> Window | None:
    if brief.acidity is None:
        return None
    shared = brief.acidity.shared(formula)
    low, high = shared.low, shared.high
    names = {line.item.id: line.item.material.name for line in formula.lines}
    low_by = tuple(names[i] for i in shared.low_set_by) or ("the brief",)
    high_by = tuple(names[i] for i in shared.high_set_by) or ("the brief",)
    doubts = []
    if low > high:
        doubts.append(
            f"{low_by[0]} works from pH {low:g} up and {high_by[0]} only up to {high:g}: they share no pH; exchange "
            "one of them."
        )
    for item in formula.thickeners:
        ends = item.material.thickener.ph if item.material.thickener else None
        if ends and (ends[0] > target.low + KEPT or ends[1] < target.high - KEPT):
            against = ""
            if ends[0] > high:
                against = f"; {high_by[0]} only reaches {high:g}, so the two share no pH"
            elif ends[1] < low:
                against = f"; {low_by[0]} starts at {low:g}, so the two share no pH"
            doubts.append(
                f"{item.material.name} thickens from pH {ends[0]:g} to {ends[1]:g}, not over all of "
                f"{number(target.low, 2)} to {number(target.high, 2)}{against}."
            )
    return Window(low, high, low_by, high_by, tuple(doubts))


def _gain(log: PhLog, bases: tuple[AlkalinityBasis, ...], dose: Interval) -> Gain | None:
    """Return what titrating the ingredients that leave most open would do."""
    spread = {b.id: b.takes_up(log.target.typical)[1] for b in bases if b.open}
    most = max(spread.values(), default=0.0)
    names = [n for n in sorted(spread, key=lambda n: (-spread[n], n)) if spread[n] > 0.1 * most][:MOST_TITRATIONS]
    if not names:
        return None
    known = known_of(b.if_titrated() if b.id in names else b for b in bases)
    after = replace(log, known=know(known)).total(100)
    if after.high - after.low > 0.9 * (dose.high - dose.low):
        return None
    return Gain(tuple(b.name for n in names for b in bases if b.id == n), dose, after)


def worth_words(sessions: Sequence[AcidSession], *, open_: bool) -> str:
    """Return how much the estimate is worth; what a sample has shown counts for its batch too."""
    readings = [r for one in sessions for r in one.log.readings]
    if sum(len({r.grams for r in one.log.readings if r.grams > 0}) for one in sessions) >= 2:
        return SURE
    blind = BLIND if open_ else BLIND_TITRATED
    return f"{blind} {FEW}" if readings else blind


def _too_low(formula: Formula, sessions: Sequence[AcidSession]) -> str:
    """Return what is known to be told too low: glucosides after a first reading near pH 9."""
    kinds = {s.alkalinity for line in formula.lines if line.percent > USED for s in line.item.material.substances}
    read = [r.ph for one in sessions for r in one.log.readings]
    return TOO_LOW if "alkaline glucoside" in kinds and len(read) == 1 and read[0] >= NEAR_9 else ""


def sessions_of(
    batch: Batch, target: Interval, recipe: tuple[Alkaline, ...], blend_g: float | None, where: str
) -> tuple[AcidSession, ...]:
    """Return the adjustments of a batch file with their logs.

    What a sample has shown is known when the batch itself is adjusted. A second adjustment of the batch starts from the
    recipe with what the first one added as one more ingredient.

    Raises:
        DataError: If a figure cannot be used.
    """
    known, found = know(recipe), []
    numbers = {id(entry): n for n, _, entry in lines_of(batch, "reading")}
    steps = [None, *batch.logged]
    for number_, (before, one) in enumerate(pairwise(steps)):
        assert one is not None
        if before is not None and before.of == "batch":
            recipe = (*recipe, _brought(before))
            known = know(recipe)
        try:
            log = PhLog(stock(one.chemical, one.strength_percent), target, one.start_g, known, readings_of(one))
        except DataError as error:
            at = f"adjustment {number_ + 1}"
            raise DataError(
                Problem(where, f"{at}, {p.where} {p.key}", p.what, p.step) for p in error.problems
            ) from None
        notes = tuple(", ".join(w for w in (r.on, r.note) if w) for r in one.reading)
        own = tuple(numbers.get(id(r), 0) for r in one.reading)
        session = replace(_session(one.of, log, notes, blend_g, one.added_g), numbers=own)
        found.append(_finished(session, ended(batch)))
        known = log.estimate
    return tuple(found)


def _session(
    of: str, log: PhLog, notes: tuple[str, ...], blend_g: float | None, inside_g: float | None = None
) -> AcidSession:
    read_at = log.readings[-1].grams if log.readings else 0.0
    grams = read_at if inside_g is None else inside_g
    ph = log.readings[-1].ph if log.readings else log.target.typical
    so_far = added(log.solution, grams, log.sample, ph) if grams > 0 else None
    for_batch = None if blend_g is None else log.total(blend_g)
    advice = advise(log)
    if grams > read_at + USED:
        advice = _unread(advice, grams, read_at)
    return AcidSession(of, log, notes, advice, log.total(log.sample), for_batch, so_far, log.worth(), inside_g=grams)


def _finished(session: AcidSession, why: str) -> AcidSession:
    """Return a log that proposes nothing, if nothing goes into its batch any more."""
    if not why:
        return session
    advice = replace(session.advice, state="finished", next_addition=0.0, expected=None, reason=why)
    return replace(session, advice=advice, for_batch=None)


def _unread(advice: AcidAdvice, grams: float, read_at: float) -> AcidAdvice:
    """Return what is to be done where more is in than the last reading that counts was taken at."""
    reason = (
        f"{number(grams, 3)} g are in, and the last reading that counts was taken at {number(read_at, 3)} g: read the "
        "pH of what is there now, then the next addition is told."
    )
    return replace(advice, state="measure", next_addition=0.0, expected=None, reason=reason)


def readings_of(adjustment: Adjustment) -> tuple[LogReading, ...]:
    """Return the readings of an adjustment as the log takes them."""
    return tuple(
        LogReading(r.added_g, r.ph, r.water_per_g, r.with_ == "strip", _read_at(r), r.foam_free, r.taken_g)
        for r in adjustment.reading
    )


def _read_at(reading: PhReading) -> float:
    """Return the temperature that a reading is reckoned with [°C]."""
    return REFERENCE_TEMPERATURE if reading.temperature_c is None else reading.temperature_c


def start_of_batch(batch: Batch) -> float:
    """Return the mass of the batch before the first addition [g]: what was weighed in, or else the plan."""
    weighed = sum(line.grams for line in batch.weighed)
    return weighed if weighed > 0 else batch.blend_g


def first_portion(session: AcidSession) -> float | None:
    """Return what may go into the whole batch at once after a sample [g]: at most 60 % of the lowest estimate."""
    if session.of != "sample" or session.for_batch is None or session.advice.state in ("measure", "check"):
        return None
    return LARGEST_SHARE * session.for_batch.low


def _brought(adjustment: Adjustment) -> Alkaline:
    """Return what an adjustment has added as an ingredient of the blend."""
    solution = stock(adjustment.chemical, adjustment.strength_percent)
    return as_ingredient(solution.chemical, solution.percent, 100 * adjustment.added_g / adjustment.start_g)


def as_ingredient(chemical: Chemical, strength: float, percent: float) -> Alkaline:
    """Return a solution of an acid or alkali as an ingredient; strength and dose in %."""
    moles = 10 * strength / chemical.molar_mass
    bare = chemical.strong + (chemical.weak.top - len(chemical.weak.pka) if chemical.weak else 0)
    sites = {chemical.weak.name: Interval(moles, moles, moles)} if chemical.weak else {}
    alkali = Interval(moles * bare, moles * bare, moles * bare)
    return Alkaline(chemical.name, percent, sites, alkali)


def _times(interval: Interval, factor: float) -> Interval:
    return Interval(*(factor * x for x in (interval.low, interval.typical, interval.high)))

"""What is told as JSON of the pH of a formula or batch."""

from __future__ import annotations

from optimizer.assessment.alkalinity import AlkalinityBasis
from optimizer.assessment.preserving import Preservation
from optimizer.bench.acid import AcidSession, Gain, PhAnswer, Window, first_portion
from optimizer.bench.strike import Struck
from optimizer.chemistry.advice import Added
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Solution
from optimizer.chemistry.titration import LogReading
from optimizer.data.cautions import Caution
from optimizer.immutable import immutable, result, seen, told, untold


@immutable
class SolutionDose:
    """How much of the solution; never without its caution."""

    grams: Interval
    of_g: float
    """Blend that it goes into, before the addition [g]."""
    caution: str


def _dose(grams: Interval | None, of_g: float | None, caution: str) -> SolutionDose | None:
    return None if grams is None or of_g is None else SolutionDose(grams, of_g, caution)


@immutable
class PhIngredient:
    """One ingredient in the charge balance."""

    basis: AlkalinityBasis = untold()
    acid: tuple[float, float] = untold()
    id: str = seen("basis.id")
    name: str = seen("basis.name")
    percent: float = seen("basis.percent")
    """Dose [% of the blend without the part held back]."""
    rests_on: str = seen("basis.rests_on")
    words: str = seen("basis.words")
    takes_up_mmol_per_kg: float = seen("acid.0")
    """Acid that it takes up on the way to the target [mmol per kg of blend]."""
    sd_mmol_per_kg: float = seen("acid.1")


@immutable
class LogLine:
    """One reading."""

    reading: LogReading = untold()
    note: str
    number: int
    """By which it can be struck."""
    added_g: float = seen("reading.grams")
    """Solution added so far [g]."""
    ph: float = seen("reading.ph")
    water_per_g: float = seen("reading.water")
    temperature_c: float = seen("reading.temperature")
    foam_free: bool = seen("reading.foam_free")
    taken_g: float = seen("reading.taken")

    @told
    def with_(self) -> str:
        """'strip' or 'meter'."""
        return "strip" if self.reading.strip else "meter"


@immutable
class AdjustedSession:
    """A sample or batch that is being adjusted."""

    session: AcidSession = untold()
    blend_g: float | None = untold()
    of: str = seen("session.of")
    start_g: float = seen("session.log.sample")
    solution: Solution = seen("session.log.solution")
    state: str = seen("session.advice.state")
    """measure, add, stop, passed, wrong way, check or finished."""
    reason: str = seen("session.advice.reason")
    next_addition_g: float = seen("session.advice.next_addition")
    expected_ph: Interval | None = seen("session.advice.expected")
    so_far: Added | None = seen("session.so_far")
    worth_g_per_100_g: tuple[Interval, ...] = seen("session.worth")
    """Total before any reading, after one, after two ..."""
    doubts: tuple[str, ...] = seen("session.advice.doubts")

    @told
    def readings(self) -> tuple[LogLine, ...]:
        """In the order in which they were made."""
        readings, notes = self.session.log.readings, self.session.notes
        return tuple(map(LogLine, readings, notes, self.session.numbers or range(1, len(readings) + 1)))

    @told
    def total(self) -> SolutionDose:
        """From the start, for what is adjusted."""
        return SolutionDose(self.session.total, self.session.log.sample, self.session.advice.caution)

    @told
    def for_batch(self) -> SolutionDose | None:
        """The same for the whole batch; null without its size."""
        return _dose(self.session.for_batch, self.blend_g, self.session.advice.caution)

    @told
    def first_into_batch_g(self) -> float | None:
        """After a sample: what may go into the whole batch before its pH is read [g]."""
        return first_portion(self.session)


@result
class PhTold:
    """The pH of a formula or batch, the dose to its target, and its log."""

    FORMAT = 1
    title: str
    answer: PhAnswer = untold()
    window: Window | None = seen("answer.window")
    estimate: Interval = seen("answer.estimate")
    """pH before anything is added."""
    estimate_water_per_g: float = seen("answer.estimate_water")
    """Water per gram at which that pH is meant [g/g]."""
    solution: Solution = seen("answer.solution")
    assumed: str = seen("answer.assumed")
    worth: str = seen("answer.worth")
    titrate: Gain | None = seen("answer.gain")
    preservation: Preservation | None = seen("answer.preservation")
    cautions: tuple[Caution, ...] = seen("answer.alarms", ())
    """What is said before anything else; each dose has its caution with it."""
    notes: tuple[str, ...] = ()
    struck: tuple[Struck, ...] = seen("answer.struck")
    """Readings that count no more."""
    finished: str = seen("answer.finished")
    """Why nothing goes into the batch any more; empty while something may."""
    way_back: Solution | None = seen("answer.back")
    """What brings the pH back where the solution of the last log only moves it away; else null."""

    @told
    def target(self) -> Interval:
        """Lower edge, target and upper edge."""
        s = self.answer.setting
        assert s.low is not None
        assert s.target is not None
        assert s.high is not None
        return Interval(s.low, s.target, s.high)

    @told
    def dose(self) -> SolutionDose:
        """For 100 g of blend, blind."""
        return SolutionDose(self.answer.dose, 100, self.answer.caution)

    @told
    def batch_dose(self) -> SolutionDose | None:
        """For the batch; null without its size."""
        return _dose(self.answer.batch_dose, self.answer.blend_g, self.answer.caution)

    @told
    def ingredients(self) -> tuple[PhIngredient, ...]:
        """What the alkalinity of each rests on."""
        target = self.target.typical
        return tuple(PhIngredient(b, b.takes_up(target)) for b in self.answer.ingredients)

    @told
    def log(self) -> tuple[AdjustedSession, ...]:
        """Adjustments of the batch file, in order."""
        return tuple(AdjustedSession(one, self.answer.blend_g) for one in self.answer.sessions)

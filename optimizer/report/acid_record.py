"""The pH of a formula or batch as JSON."""

from pydantic import Field

from optimizer.assessment.preserving import Preservation
from optimizer.bench.acid import PhAnswer, Session, first_portion
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Stock
from optimizer.report.record import Record, SpanRecord, span_record


class SolutionRecord(Record):
    """An acid or alkali as it is added."""

    chemical: str
    strength_percent: float
    """Counted in the form that was weighed in [% w/w]."""
    mmol_per_g: float
    note: str
    caution: str
    """What to heed when handling it."""


class DoseRecord(Record):
    """How much of the solution; never without its caution."""

    grams: SpanRecord
    of_g: float
    """Blend that it goes into, before the addition [g]."""
    caution: str


class PhIngredientRecord(Record):
    """One ingredient in the charge balance."""

    id: str
    name: str
    percent: float
    """Dose [% of the blend without the part held back]."""
    rests_on: str
    words: str
    takes_up_mmol_per_kg: float
    """Acid that it takes up on the way to the target [mmol per kg of blend]."""
    sd_mmol_per_kg: float


class PhWindowRecord(Record):
    """The pH range that brief and materials share."""

    low: float
    high: float
    low_by: list[str]
    high_by: list[str]
    doubts: list[str]


class GainRecord(Record):
    """What titrating a few ingredients would do to the dose [g per 100 g of blend]."""

    names: list[str]
    before: SpanRecord
    after: SpanRecord


class LogLineRecord(Record):
    """One reading."""

    added_g: float
    """Solution added so far [g]."""
    ph: float
    water_per_g: float
    with_: str = Field(serialization_alias="with")
    temperature_c: float
    foam_free: bool
    taken_g: float
    note: str


class AddedRecord(Record):
    """What is in already."""

    active_g: float
    """Acid or alkali in the form that was weighed [g]."""
    as_salt_g: float
    """As its sodium salt at the pH read last (acids), or cation brought in (alkalis) [g]."""
    percent: float
    """Active, of what was adjusted [% w/w]."""
    mmol: float
    meq: float


class SessionRecord(Record):
    """A sample or batch that is being adjusted."""

    of: str
    start_g: float
    solution: SolutionRecord
    readings: list[LogLineRecord]
    state: str
    """measure, add, stop, passed, wrong way or check."""
    reason: str
    next_addition_g: float
    expected_ph: SpanRecord | None
    total: DoseRecord
    """From the start, for what is adjusted."""
    for_batch: DoseRecord | None
    first_into_batch_g: float | None
    """After a sample: what may go into the whole batch before its pH is read [g]."""
    so_far: AddedRecord | None
    worth_g_per_100_g: list[SpanRecord]
    """Total before any reading, after one, after two ..."""
    doubts: list[str]


class RoomRecord(Record):
    """A ceiling and what is left of it [%]."""

    reading: str
    used: float
    most: float
    room: float


class AcidPreservativeRecord(Record):
    """One acid preservative, summed over its materials."""

    acid: str
    materials: list[str]
    percent: float
    """Dose as free acid [% w/w]."""
    pka: SpanRecord
    undissociated: SpanRecord
    """Undissociated acid over the pH window [% w/w]."""
    ceilings: list[RoomRecord]


class ExclusionRecord(Record):
    """An exclusion that a used material falls under."""

    reading: str
    broken: bool


class PreservationRecord(Record):
    """Acid preservatives at the target pH."""

    acids: list[AcidPreservativeRecord]
    exclusions: list[ExclusionRecord]
    warning: str


class PhAnswerRecord(Record):
    """The pH of a formula or batch, the dose to its target, and its log."""

    title: str
    target: SpanRecord
    window: PhWindowRecord | None
    estimate: SpanRecord
    """pH before anything is added."""
    estimate_water_per_g: float
    """Water per gram at which that pH is meant [g/g]."""
    solution: SolutionRecord
    assumed: str
    dose: DoseRecord
    """For 100 g of blend, blind."""
    batch_dose: DoseRecord | None
    worth: str
    ingredients: list[PhIngredientRecord]
    titrate: GainRecord | None
    log: list[SessionRecord]
    preservation: PreservationRecord | None
    notes: list[str]


def ph_record(title: str, answer: PhAnswer, notes: tuple[str, ...] = ()) -> PhAnswerRecord:
    """Return the answer as a record."""
    s = answer.setting
    assert s.low is not None
    assert s.target is not None
    assert s.high is not None
    rows = [(b, *b.takes_up(s.target)) for b in answer.ingredients]
    batch = None
    if answer.batch_dose is not None and answer.blend_g is not None:
        batch = _dose(answer.batch_dose, answer.blend_g, answer.caution)
    gain = answer.gain
    return PhAnswerRecord(
        title=title,
        target=SpanRecord(low=s.low, typical=s.target, high=s.high),
        window=PhWindowRecord.model_validate(answer.window) if answer.window else None,
        estimate=span_record(answer.estimate),
        estimate_water_per_g=answer.estimate_water,
        solution=_solution(answer.solution),
        assumed=answer.assumed,
        dose=_dose(answer.dose, 100, answer.caution),
        batch_dose=batch,
        worth=answer.worth,
        ingredients=[
            PhIngredientRecord(
                id=b.id,
                name=b.name,
                percent=b.percent,
                rests_on=b.rests_on,
                words=b.words,
                takes_up_mmol_per_kg=mean,
                sd_mmol_per_kg=sd,
            )
            for b, mean, sd in rows
        ],
        titrate=None
        if gain is None
        else GainRecord(names=list(gain.names), before=span_record(gain.before), after=span_record(gain.after)),
        log=[_session_record(one, answer.blend_g) for one in answer.sessions],
        preservation=_preservation_record(answer.preservation) if answer.preservation else None,
        notes=list(notes),
    )


def _session_record(session: Session, blend_g: float | None) -> SessionRecord:
    log, caution = session.log, session.advice.caution
    so_far = session.so_far
    for_batch = None if session.for_batch is None or blend_g is None else _dose(session.for_batch, blend_g, caution)
    return SessionRecord(
        of=session.of,
        start_g=log.sample,
        solution=_solution(log.solution),
        readings=[
            LogLineRecord(
                added_g=r.grams,
                ph=r.ph,
                water_per_g=r.water,
                with_="strip" if r.strip else "meter",
                temperature_c=r.temperature,
                foam_free=r.foam_free,
                taken_g=r.taken,
                note=note,
            )
            for r, note in zip(log.readings, session.notes, strict=True)
        ],
        state=session.advice.state,
        reason=session.advice.reason,
        next_addition_g=session.advice.next_addition,
        expected_ph=None if session.advice.expected is None else span_record(session.advice.expected),
        total=_dose(session.total, log.sample, caution),
        for_batch=for_batch,
        first_into_batch_g=first_portion(session),
        so_far=None
        if so_far is None
        else AddedRecord(
            active_g=so_far.active,
            as_salt_g=so_far.as_salt,
            percent=so_far.percent,
            mmol=so_far.millimoles,
            meq=so_far.equivalents,
        ),
        worth_g_per_100_g=[span_record(w) for w in session.worth],
        doubts=list(session.advice.doubts),
    )


def _preservation_record(found: Preservation) -> PreservationRecord:
    return PreservationRecord(
        acids=[
            AcidPreservativeRecord(
                acid=a.acid,
                materials=list(a.materials),
                percent=a.percent,
                pka=span_record(a.pka),
                undissociated=span_record(a.undissociated),
                ceilings=[RoomRecord.model_validate(c) for c in a.ceilings],
            )
            for a in found.acids
        ],
        exclusions=[ExclusionRecord(reading=r, broken=b) for r, b in found.exclusions],
        warning=found.warning,
    )


def _solution(solution: Stock) -> SolutionRecord:
    return SolutionRecord(
        chemical=solution.chemical.name,
        strength_percent=solution.percent,
        mmol_per_g=solution.millimoles,
        note=solution.chemical.note,
        caution=solution.caution,
    )


def _dose(grams: Interval, of_g: float, caution: str) -> DoseRecord:
    return DoseRecord(grams=span_record(grams), of_g=of_g, caution=caution)

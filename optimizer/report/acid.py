"""The pH of a formula or batch as a document and as JSON."""

from __future__ import annotations

from math import floor, log10

from pydantic import Field

from optimizer.bench.acid import PhAnswer, Session, first_portion
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Stock
from optimizer.outlook.preserving import Preservation
from optimizer.report.document import Document, Listing, Table
from optimizer.report.jsonout import Record
from optimizer.units import listed, number

FINE = 0.05
"""Below this many grams an addition is hard to weigh on a balance that shows 0.01 g; common practice."""


class SpanRecord(Record):
    """A figure with its 10 % point, middle and 90 % point, or low, typical, high."""

    low: float
    typical: float
    high: float


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
        estimate=_range(answer.estimate),
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
        else GainRecord(names=list(gain.names), before=_range(gain.before), after=_range(gain.after)),
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
        expected_ph=None if session.advice.expected is None else _range(session.advice.expected),
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
        worth_g_per_100_g=[_range(w) for w in session.worth],
        doubts=list(session.advice.doubts),
    )


def _preservation_record(found: Preservation) -> PreservationRecord:
    return PreservationRecord(
        acids=[
            AcidPreservativeRecord(
                acid=a.acid,
                materials=list(a.materials),
                percent=a.percent,
                pka=_range(a.pka),
                undissociated=_range(a.undissociated),
                ceilings=[RoomRecord.model_validate(c) for c in a.ceilings],
            )
            for a in found.acids
        ],
        exclusions=[ExclusionRecord(reading=r, broken=b) for r, b in found.exclusions],
        warning=found.warning,
    )


def _range(interval: Interval) -> SpanRecord:
    return SpanRecord(low=interval.low, typical=interval.typical, high=interval.high)


def _solution(solution: Stock) -> SolutionRecord:
    return SolutionRecord(
        chemical=solution.chemical.name,
        strength_percent=solution.percent,
        mmol_per_g=solution.millimoles,
        note=solution.chemical.note,
        caution=solution.caution,
    )


def _dose(grams: Interval, of_g: float, caution: str) -> DoseRecord:
    return DoseRecord(grams=_range(grams), of_g=of_g, caution=caution)


def ph_document(title: str, answer: PhAnswer, notes: tuple[str, ...] = ()) -> Document:
    """Return the answer as a document: the log first if there is one, then the plan."""
    s = answer.setting
    assert s.low is not None
    assert s.target is not None
    assert s.high is not None
    session = answer.sessions[-1] if answer.sessions else None
    facts = [("target", f"pH {number(s.target, 2)}, {number(s.low, 2)} to {number(s.high, 2)}"), *_window_facts(answer)]
    blind = [
        ("estimated pH", f"{_ph(answer.estimate)} ({_dilution(answer.estimate_water)}), before anything is added"),
        ("solution", _said(answer.solution)),
    ]
    if answer.assumed:
        blind.append(("assumed", answer.assumed))
    blind.append(("dose", f"{_grams(answer.dose)} g per 100 g of blend"))
    if answer.batch_dose is not None and answer.blend_g is not None:
        blind.append(("", f"{_grams(answer.batch_dose)} g for {number(answer.blend_g, 1)} g of blend"))
    sections: list[Table | Listing] = []
    for one in answer.sessions:
        sections += _session_sections(one, answer)
    if session is None:
        facts += blind
        doubts: tuple[str, ...] = ()
    else:
        facts.append(("solution", _said(session.log.solution)))
        doubts = session.advice.doubts
    sections += [Listing("Does not fit together", doubts)] if doubts else []
    if answer.window and answer.window.doubts:
        sections.append(Listing("pH windows", answer.window.doubts))
    if answer.ingredients:
        sections.append(_ingredients(answer))
    if answer.gain and session is None:
        sections.append(_titrate(answer))
    if answer.preservation and (answer.preservation.acids or answer.preservation.exclusions):
        sections += _preservation_sections(answer.preservation)
    if notes:
        sections.append(Listing("Assumed", notes))
    cautions = [session.advice.caution if session else answer.caution]
    if answer.preservation and answer.preservation.acids:
        cautions.append(answer.preservation.warning)
    sections.append(Listing("Cautions", tuple(cautions), "caution"))
    facts.append(("worth", answer.worth))
    bad = bool(doubts) or bool(answer.window and answer.window.low > answer.window.high)
    return Document(title, _verdict(answer), tuple(facts), tuple(sections), good=not bad)


def _verdict(answer: PhAnswer) -> str:
    if not answer.sessions:
        way = "acid" if answer.solution.chemical.acid else "alkali"
        return f"A plan, not a reading: about {_about(answer.dose.typical)} g of {way} solution per 100 g of blend."
    advice = answer.sessions[-1].advice
    if advice.state == "add":
        return f"Add {_small(advice.next_addition)} g now, stir, wait about 10 minutes, read."
    words = {
        "measure": "Read the pH first.",
        "stop": "Stop: inside the target.",
        "passed": "Stop: beyond the target.",
        "wrong way": "Stop: this solution moves away from the target.",
        "check": "Add nothing: check first.",
    }
    return words[advice.state]


def _session_sections(session: Session, answer: PhAnswer) -> list[Table | Listing]:
    log = session.log
    rows = []
    for n, (r, note) in enumerate(zip(log.readings, session.notes, strict=True), 1):
        how = ["strip" if r.strip else "meter", _dilution(r.water), f"{number(r.temperature, 1)} °C"]
        how += [] if r.foam_free else ["foam"]
        how += [f"{number(r.taken, 2)} g taken"] if r.taken else []
        rows.append((str(n), number(r.grams, 3), number(r.ph, 2), ", ".join(how), note))
    first = (
        f"{session.of} of {number(log.sample, 1)} g, {log.solution.chemical.name} {number(log.solution.percent, 1)} %"
    )
    table = Table(
        f"Log: {first}", ("", "added so far g", "pH", "read", "note"), tuple(rows), frozenset({0, 1, 2})
    )  # fmt: skip
    said = [session.advice.reason]
    if 0 < session.advice.next_addition < FINE:
        said.append(f"Less than {FINE:g} g is hard to weigh: take a weaker solution in a new log, or a larger sample.")
    if session.advice.expected is not None:
        said.append(f"Expected after it: pH {_ph(session.advice.expected)}.")
    said.append(f"In all, from the start: {_grams(session.total)} g for this {session.of}.")
    if session.for_batch is not None and answer.blend_g is not None and session.of == "sample":
        said.append(f"Scaled to {number(answer.blend_g, 1)} g of batch: {_grams(session.for_batch)} g.")
        portion = first_portion(session)
        if portion:
            said.append(
                f"Into the batch at first not more than {_small(portion)} g (60 % of the lowest estimate); then start "
                "a log of the batch with --of batch."
            )
    if log.readings and log.readings[-1].water > 0:
        said.append(
            f"Target and estimate are meant at the last reading's dilution, {_dilution(log.readings[-1].water)}."
        )
    if session.so_far is not None:
        a, chemical = session.so_far, log.solution.chemical
        as_salt = "as its sodium salt" if chemical.acid else "of it cation or base"
        said.append(
            f"In already: {_small(a.active)} g {chemical.name} ({number(a.percent, 3)} %), {_small(a.as_salt)} g "
            f"{as_salt}, {number(a.millimoles, 2)} mmol."
        )
    if len(session.worth) > 1:
        steps = "; ".join(f"{k}: {_grams(w)}" for k, w in enumerate(session.worth))
        said.append(f"g per 100 g as it stood after so many readings: {steps}.")
    return [table, Listing("What it says", tuple(said))] if rows else [Listing(f"Log: {first}", tuple(said[:1]))]


def _window_facts(answer: PhAnswer) -> list[tuple[str, str]]:
    w = answer.window
    if w is None:
        return []
    low, high = number(w.low, 2), number(w.high, 2)
    if w.low > w.high:
        return [("windows", f"do not meet: from {low} up ({listed(w.low_by)}), up to {high} ({listed(w.high_by)})")]
    return [("shared window", f"{low} (set by {listed(w.low_by)}) to {high} (set by {listed(w.high_by)})")]


def _ingredients(answer: PhAnswer) -> Table:
    target = answer.setting.target
    assert target is not None
    rows = []
    for b in sorted(answer.ingredients, key=lambda b: (-sum(b.takes_up(target)), b.name)):
        mean, sd = b.takes_up(target)
        neutral = b.rests_on == "taken as neutral"
        spread = "" if neutral else f"{number(mean, 1)} +- {number(1.2816 * sd, 1)}"
        rows.append((b.name, f"{b.percent:.2f}", spread, b.rests_on, b.words))
    note = (
        "Acid that each takes up on the way to the target, mmol per kg of blend, with half the width of 8 in 10. Kinds "
        "and their ranges are assumptions that nobody measured on these materials."
    )
    columns = ("ingredient", "% of blend", "takes up", "rests on", "in words")
    return Table("What it rests on", columns, tuple(rows), frozenset({1, 2}), note)


def _titrate(answer: PhAnswer) -> Listing:
    gain = answer.gain
    assert gain is not None
    return Listing(
        "What a titration would tell",
        (
            f"Titrating {listed(gain.names)} would narrow the dose from {_span(gain.before)} g per 100 g to about "
            f"{_span(gain.after)} g.",
            "How: 10 g in 90 g of water, acid solution in small steps to pH 6; mmol of strong acid per g = grams of "
            "solution x its strength x what the acid takes up at pH 6 (50 % anhydrous citric: 2.60 x 2.69 mmol per g), "
            "divided by the 10 g. Put it on the shelf in a column 'titrated mmol/g'.",
        ),
    )


def _preservation_sections(found: Preservation) -> list[Table | Listing]:
    rows = tuple(
        (
            f"{a.acid} ({listed(a.materials)})",
            number(a.percent, 3),
            f"{number(a.undissociated.low, 3)} - {number(a.undissociated.high, 3)}",
            number(a.undissociated.typical, 3),
            "; ".join(f"{number(c.room, 2)} of {number(c.most, 2)}" for c in a.ceilings) or "none known",
        )
        for a in found.acids
    )
    columns = ("acid (from)", "as acid %", "undissociated in the window %", "at the target %", "room below ceilings %")
    sections: list[Table | Listing] = []
    if rows:
        sections.append(Table("Acid preservatives at this pH", columns, rows, frozenset({1, 2, 3})))
    if found.exclusions:
        said = tuple(f"{'Broken: ' if broken else ''}{reading}" for reading, broken in found.exclusions)
        sections.append(Listing("Exclusions that apply", said))
    return sections


def _said(solution: Stock) -> str:
    note = f"; {solution.chemical.note}" if solution.chemical.note else ""
    words = f"{solution.chemical.name}, {number(solution.percent, 2)} % w/w = {number(solution.millimoles, 2)} mmol/g"
    return words + note


def _dilution(water: float) -> str:
    return "neat" if water == 0 else f"{number(100 / (1 + water), 1)} % in water"


def _ph(interval: Interval) -> str:
    return f"{number(interval.typical, 1)} ({number(interval.low, 1)} to {number(interval.high, 1)})"


def _grams(interval: Interval) -> str:
    return f"{_about(interval.typical)} ({_span(interval)})"


def _span(interval: Interval) -> str:
    return f"{_about(interval.low)} to {_about(interval.high)}"


def _about(grams: float) -> str:
    """Return an estimated mass with two digits that count."""
    return number(grams, max(0, min(4, 1 - floor(log10(grams))))) if grams > 0 else "0"


def _small(grams: float) -> str:
    """Return a mass to be weighed, with three digits that count."""
    return number(grams, max(0, min(4, 2 - floor(log10(grams))))) if grams > 0 else "0"

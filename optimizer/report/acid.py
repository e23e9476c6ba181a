"""The pH of a formula or batch as a document."""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, log10

from optimizer.assessment.preserving import Preservation
from optimizer.bench.acid import AcidSession, PhAnswer, first_portion
from optimizer.chemistry.constants import REFERENCE_TEMPERATURE
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Solution
from optimizer.report.cautions import alarm_listing, rests_listing
from optimizer.report.document import Columns, Document, Listing, Table, figures, filled
from optimizer.report.ph_json import PhTold
from optimizer.report.struck import struck_listing
from optimizer.units import listed, number, whole_down

FINE = 0.05
"""Below this many grams an addition is hard to weigh on a balance that shows 0.01 g; common practice."""


def ph_document(told: PhTold) -> Document:
    """Return the answer as a document: the log first if there is one, then the plan."""
    answer, target = told.answer, told.target
    session = answer.sessions[-1] if answer.sessions else None
    middle, low, high = (number(ph, 2) for ph in (target.typical, target.low, target.high))
    facts = [("target", f"pH {middle}, {low} to {high}"), *_window_facts(answer)]
    facts += [("solution", solution_words(session.log.solution))] if session else _planned_facts(answer)
    doubts = session.advice.doubts if session else ()
    sections: list[Table | Listing] = [alarm_listing(answer.alarms)]
    for one in answer.sessions:
        sections += _session_sections(one, answer)
    sections += [struck_listing(answer.struck), Listing("Does not fit together", doubts)]
    if answer.window:
        sections.append(Listing("pH windows", answer.window.doubts))
    sections += filled(_ingredients(answer))
    if answer.gain and session is None and not answer.finished:
        sections.append(_titrate(answer))
    if answer.preservation:
        sections += _preservation_sections(answer.preservation)
    sections += [Listing("Assumed", told.notes), rests_listing(answer.alarms)]
    cautions = [session.advice.caution if session else answer.caution, *([answer.back.caution] if answer.back else [])]
    if answer.preservation and answer.preservation.acids:
        cautions.append(answer.preservation.warning)
    sections.append(Listing("Cautions", tuple(cautions), "caution"))
    bad = bool(doubts) or bool(answer.window and answer.window.low > answer.window.high)
    return Document(told.title, _verdict(answer), [*facts, ("worth", answer.worth)], sections, good=not bad)


def _planned_facts(answer: PhAnswer) -> list[tuple[str, str]]:
    """Return the dose as it is planned before anything is read."""
    estimate = f"{ph_words(answer.estimate)} ({_dilution(answer.estimate_water)}), before anything is added"
    facts = [("estimated pH", estimate), ("solution", solution_words(answer.solution))]
    facts += [("assumed", answer.assumed)] if answer.assumed else []
    if answer.finished:
        return facts
    facts.append(("dose", f"{_grams(answer.dose)} g per 100 g of blend"))
    if answer.batch_dose is not None and answer.blend_g is not None:
        facts.append(("", f"{_grams(answer.batch_dose)} g for {number(answer.blend_g, 1)} g of blend"))
    return facts


def _verdict(answer: PhAnswer) -> str:
    if answer.finished:
        return answer.finished
    if not answer.sessions:
        way = "acid" if answer.solution.chemical.acid else "alkali"
        return f"A plan, not a reading: about {_about(answer.dose.typical)} g of {way} solution per 100 g of blend."
    advice, solution = answer.sessions[-1].advice, answer.sessions[-1].log.solution
    if advice.state == "add":
        name = f"{solution.chemical.name}, {number(solution.percent, 1)} %"
        if advice.next_addition < FINE / 10:
            return f"The next step is less than {FINE / 10:g} g of {name}: dilute it, or take a larger sample."
        grams = _dosed(answer, advice.next_addition, answer.sessions[-1].of)
        return f"Add {grams} g of {name} now, stir, wait about 10 minutes, read."
    words = {
        "measure": "Read the pH first.",
        "stop": "Stop: inside the target.",
        "passed": "Stop: beyond the target.",
        "wrong way": "Stop: this solution moves away from the target.",
        "check": "Add nothing: check first.",
    }
    return words[advice.state]


def _session_sections(session: AcidSession, answer: PhAnswer) -> list[Table | Listing]:
    log = session.log
    of = f"Log: {session.of} of {number(log.sample, 1)} g, {log.solution.chemical.name} "
    title = f"{of}{number(log.solution.percent, 1)} %"
    if not log.readings:
        return [Listing(title, (session.advice.reason,))]
    return [_log_table(title, session), Listing("What it says", (session.advice.reason, *_said(session, answer)))]


def _log_table(title: str, session: AcidSession) -> Table:
    rows = []
    numbers = session.numbers or range(1, len(session.log.readings) + 1)
    for n, r, note in zip(numbers, session.log.readings, session.notes, strict=True):
        how = ["strip" if r.strip else "meter", _dilution(r.water)]
        how += [] if r.temperature == REFERENCE_TEMPERATURE else [f"{number(r.temperature, 1)} °C"]
        how += [] if r.foam_free else ["foam"]
        how += [f"{number(r.taken, 2)} g taken"] if r.taken else []
        rows.append((n or None, r.grams, r.ph, ", ".join(how), note))
    columns: Columns = (*figures(""), *figures("added so far g", digits=3), *figures("pH", digits=2), "read", "note")
    note = f"Reckoned with {REFERENCE_TEMPERATURE:g} °C where no other temperature stands."
    return Table(title, columns, tuple(rows), note)


def _said(session: AcidSession, answer: PhAnswer) -> Iterator[str]:
    """Yield what the readings of a log say besides the next step."""
    log = session.log
    if 0 < session.advice.next_addition < FINE:
        yield f"Less than {FINE:g} g is hard to weigh: take a weaker solution in a new log, or a larger sample."
    if session.advice.expected is not None:
        yield f"Expected after it: pH {ph_words(session.advice.expected)}."
    yield f"In all, from the start: {_grams(session.total)} g for this {session.of}."
    if session.for_batch is not None and answer.blend_g is not None and session.of == "sample":
        yield f"Scaled to {number(answer.blend_g, 1)} g of batch: {_grams(session.for_batch)} g."
        if portion := first_portion(session):
            yield (
                f"Into the batch at first not more than {_dosed(answer, portion)} g (60 % of the lowest estimate); "
                "then start a log of the batch with --of batch."
            )
    if log.readings[-1].water > 0:
        yield f"Target and estimate are meant at the last reading's dilution, {_dilution(log.readings[-1].water)}."
    if session.so_far is not None:
        a, chemical = session.so_far, log.solution.chemical
        as_salt = "as its sodium salt" if chemical.acid else "of it cation or base"
        yield (
            f"In already: {weighable(a.active)} g {chemical.name} ({number(a.percent, 3)} %), {weighable(a.as_salt)} g "
            f"{as_salt}, {number(a.millimoles, 2)} mmol."
        )
    if len(session.worth) > 1:
        steps = "; ".join(f"after {k} {_grams(w)}" for k, w in enumerate(session.worth) if k)
        yield f"How the total per 100 g moved: before any reading {_grams(session.worth[0])} g; {steps}."


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
        rows.append((b.name, b.percent, spread, b.rests_on, b.words))
    note = (
        "Acid that each takes up on the way to the target, mmol per kg of blend, with half the width of 8 in 10. Kinds "
        "and their ranges are assumptions that nobody measured on these materials."
    )
    columns: Columns = ("ingredient", *figures("% of blend", "takes up", form=".2f"), "rests on", "in words")
    return Table("What it rests on", columns, tuple(rows), note)


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
            "Cheaper: read the pH of the lots that you have, 10 g in 90 g of water, and put it into a column "
            "'lot pH (10 %)'.",
        ),
    )


def _preservation_sections(found: Preservation) -> list[Table | Listing]:
    rows = tuple(
        (
            f"{a.acid} ({listed(a.materials)})",
            a.percent,
            f"{number(a.undissociated.low, 3)} - {number(a.undissociated.high, 3)}",
            a.undissociated.typical,
            "; ".join(f"{number(c.room, 2)} of {number(c.most, 2)}" for c in a.ceilings) or "none known",
        )
        for a in found.acids
    )
    shares = figures("as acid %", "at most undissociated %", "at the target", digits=3)
    columns: Columns = ("acid (from)", *shares, "room below ceilings %")
    note = "Undissociated: over the whole window, then at the target; there is at most so much."
    said = tuple(f"{'Broken: ' if e.broken else ''}{e.reading}" for e in found.exclusions)
    acids = Table("Acid preservatives at this pH", columns, rows, note)
    return [*filled(acids), Listing("Exclusions that apply", said)]


def solution_words(solution: Solution) -> str:
    """Return what is added, with its strength."""
    note = f"; {solution.chemical.note}" if solution.chemical.note else ""
    words = f"{solution.chemical.name}, {number(solution.percent, 2)} % w/w = {number(solution.millimoles, 2)} mmol/g"
    return words + note


def _dilution(water: float) -> str:
    return "neat" if water == 0 else f"{number(100 / (1 + water), 1)} % in water"


def ph_words(interval: Interval) -> str:
    """Return an estimated pH with its range."""
    return f"{number(interval.typical, 1)} ({number(interval.low, 1)} to {number(interval.high, 1)})"


def _grams(interval: Interval) -> str:
    return f"{_about(interval.typical)} ({_span(interval)})"


def _span(interval: Interval) -> str:
    return f"{_about(interval.low)} to {_about(interval.high)}"


def _about(grams: float) -> str:
    """Return an estimated mass with two digits that count."""
    return number(grams, max(0, min(4, 1 - floor(log10(grams))))) if grams > 0 else "0"


def weighable(grams: float) -> str:
    """Return a mass to be weighed, with three digits that count."""
    return number(grams, max(0, min(4, 2 - floor(log10(grams))))) if grams > 0 else "0"


def steps_of(grams: float, step_g: float) -> str:
    """Return an addition as the scale can show it, never more; what is too small for the scale as it is."""
    whole = whole_down(grams / step_g) * step_g
    return number(whole, 6) if whole > 0 else weighable(grams)


def _dosed(answer: PhAnswer, grams: float, of: str = "batch") -> str:
    """Return what goes into a batch in steps of its scale; a sample is dosed on a finer one."""
    return weighable(grams) if answer.step_g is None or of == "sample" else steps_of(grams, answer.step_g)

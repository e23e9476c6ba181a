"""The pH of a batch: the next addition as the largest figure, of what, what is expected then, the log as a curve."""

from __future__ import annotations

from typing import Literal

from optimizer.answers.bench import batch_of
from optimizer.answers.logs import curve_of, note_ph, ph_of, solution_of, strike_ph
from optimizer.bench.acid import AcidSession, PhAnswer
from optimizer.bench.acid_log import Noted
from optimizer.bench.batch import Batch
from optimizer.bench.strike import Strike
from optimizer.chemistry.ph import CHEMICALS, Solution
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, choice, field, folded, form, report, sketched, tick
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.way import onwards, page_of, place, subject
from optimizer.report.acid import ph_document, ph_words, solution_words, weighable
from optimizer.report.charts import acid_curve
from optimizer.units import number, whole_down

SCREEN = Screen()
WORDS = {
    "measure": "Read the pH first",
    "stop": "Stop: inside the target",
    "passed": "Stop: beyond the target",
    "wrong way": "Stop: this solution moves away from the target",
    "check": "Add nothing: check first",
}
ADDED = "what was added since the last reading"


def act(asked: Asked) -> Outcome:
    """Note a reading, begin a log with one, or strike one."""
    found = subject(asked)
    to = place(asked, "ph")
    if asked.text("strike"):
        strike_ph(found, _wrong(asked))
        return asked.done(to, f"Struck: reading {asked.text('strike')}. It stays in the file and counts no more.")
    ph = asked.figure("ph", "the pH", most=14.0)
    begins = bool(asked.text("of"))
    before = 0.0 if begins else asked.figure("before", "what was in")
    now = asked.maybe("now", ADDED) or 0.0
    noted = Noted(
        ph,
        (round(before + now, 6), "g"),
        water=asked.maybe("water", "the water", most=1000.0) or 0.0,
        strip=asked.text("with") == "strip",
        temperature=25.0 if not asked.text("temperature") else asked.figure("temperature", "the temperature", most=80),
        foam_free=not asked.ticked("foam"),
        on=asked.today,
        note=asked.text("note"),
        sure=asked.ticked("sure"),
        lot=asked.text("lot"),
        after_g=before,
    )
    if begins:
        note_ph(found, noted, of=_of(asked), sample_g=_sample(asked), solution=_solution(asked))
    else:
        note_ph(found, noted)
    added = f" after {number(now, 4)} g more" if now else ""
    return asked.done(to, f"Noted: pH {number(ph, 2)}{added}.")


def _of(asked: Asked) -> Literal["sample", "batch"]:
    return "sample" if asked.text("of") == "sample" else "batch"


def _sample(asked: Asked) -> float | None:
    return asked.figure("sample", "the mass of the sample", least=0.01) if _of(asked) == "sample" else None


def _solution(asked: Asked) -> Solution | None:
    name = asked.text("chemical")
    if name not in CHEMICALS:
        raise RefusedError({"chemical": "Choose the acid or alkali with its hydrate form."})
    return solution_of(name, asked.figure("strength", "the strength", least=0.1, most=100.0))


def _wrong(asked: Asked) -> Strike:
    if not asked.text("why"):
        raise RefusedError({"why": "Say why; the reason is kept beside the reading."})
    if not asked.text("strike").isdigit():
        raise RefusedError({"": "There is no such reading; nothing was struck."})
    return Strike(int(asked.text("strike")), asked.text("why"), asked.today)


@SCREEN.at("/batch/{batch}/ph", act=act)
def acidity(asked: Asked) -> Page:
    """Show what to add next, and the log."""
    found = subject(asked)
    batch, answer = batch_of(found), ph_of(found)
    session = answer.sessions[-1] if answer.sessions else None
    document = ph_document(f"pH: {found.name}", answer, found.notes)
    parts = [_alarms(answer)]
    if session is None:
        parts += [_blind(answer), _begin(asked, answer)]
    else:
        on = onwards(asked, batch, "ph", done=session.advice.state == "stop")
        todo = tag("div", _now(batch, session, answer), on, _reading(_of_this(asked), session))
        curve = sketched(acid_curve(curve_of(session, session.advice.next_addition), session), "curve")
        parts += [tag("div", todo, tag("div", curve, _log(asked, session)), class_="two"), _another(asked, answer)]
    parts.append(folded("All of it: what it rests on, cautions", report(document)))
    return page_of(asked, batch, "ph", *parts)


def _alarms(answer: PhAnswer) -> Html | None:
    said = [tag("li", c.words) for c in answer.alarms if c.loud]
    return tag("div", tag("ul", *said), class_="caution", role="note") if said else None


def _target(answer: PhAnswer) -> str:
    s = answer.setting
    return f"target {number(s.target or 0, 2)}, from {number(s.low or 0, 2)} to {number(s.high or 0, 2)}"


def _blind(answer: PhAnswer) -> Html:
    said = f"Before anything is added about pH {ph_words(answer.estimate)} is estimated; {_target(answer)}."
    return markup(tag("p", "Read the pH first", class_="what"), tag("p", said, class_="of"))


def steps_of(grams: float, step_g: float) -> str:
    """Return an addition as the scale can show it, never more; what is too small for the scale as it is."""
    whole = whole_down(grams / step_g) * step_g
    return number(whole, 6) if whole > 0 else weighable(grams)


def _now(batch: Batch, session: AcidSession, answer: PhAnswer) -> Html:
    advice, solution = session.advice, session.log.solution
    last = session.log.readings[-1].ph if session.log.readings else None
    doubts = tag("ul", *(tag("li", said) for said in advice.doubts)) if advice.doubts else None
    reads = f"{session.of} at pH {number(last, 2)}; {_target(answer)}" if last is not None else _target(answer)
    if advice.state != "add":
        return markup(
            tag("p", WORDS[advice.state], class_="what"), tag("p", advice.reason), doubts, tag("p", reads, class_="of")
        )
    step = batch.scale.step_g
    scale = f"not more than {number(advice.next_addition, 2)} g at once; the scale shows {number(step)} g"
    if session.of == "sample" or advice.next_addition < step:
        scale = "weigh it on a finer scale, or take a weaker solution" if advice.next_addition < step else scale
    expected = f"Then about pH {ph_words(advice.expected)} is expected. " if advice.expected else ""
    return markup(
        tag("p", "Add now", class_="of"),
        tag("p", steps_of(advice.next_addition, step), tag("span", "g", class_="unit"), class_="figure"),
        tag("p", f"of {solution_words(solution)}", class_="what"),
        tag("p", f"{expected}Stir, wait about 10 minutes, read. {scale[:1].upper()}{scale[1:]}.", class_="of"),
        tag("p", f"Now: {reads}.", class_="of"),
        doubts,
        tag("div", tag("p", advice.caution), class_="caution"),
    )


def _how(asked: Asked, last_water: str = "", key: str = "") -> Html:
    """Return what else is noted of a reading; `key` begins the ids of its fields."""
    return folded(
        "How it was read, and the lot",
        tag(
            "div",
            field(asked, "lot", "Lot of the acid or alkali", key=f"{key}lot"),
            field(
                asked, "water", "Water per gram of product", figure=True, unit="g", value=last_water,
                hint="0 or empty for neat, 9 for a dilution to 10 %.", key=f"{key}water",
            ),
            choice(asked, "with", "Read with", (("meter", "a meter"), ("strip", "a strip")), key=f"{key}with"),
            field(
                asked, "temperature", "Temperature", figure=True, unit="°C", hint="25 if it is left empty.",
                key=f"{key}temperature",
            ),
            field(asked, "note", "Note", key=f"{key}note"),
            class_="fields",
        ),
        tick(asked, "foam", "There was foam on the probe or strip", key=f"{key}foam"),
        open_=any(name in asked.problems for name in ("water", "temperature")),
    )  # fmt: skip


def _sure(asked: Asked, key: str = "") -> Html | None:
    words = "It is meant so: more than the part held back is in"
    return tick(asked, "sure", words, key=f"{key}sure") if "" in asked.problems else None


def _reading(asked: Asked, session: AcidSession) -> Html:
    log = session.log
    inside = log.readings[-1].grams if log.readings else 0.0
    water = number(log.readings[-1].water, 3) if log.readings and log.readings[-1].water else ""
    return form(
        asked,
        place(asked, "ph"),
        tag("h2", "Note a reading"),
        tag("input", type="hidden", name="before", value=repr(inside)),
        tag(
            "div",
            field(asked, "now", "Added since then", figure=True, unit="g", big=True),
            field(asked, "ph", "pH that is read", figure=True, big=True, need=True),
            class_="fields pair",
        ),
        tag("p", f"{number(inside, 3)} g are in so far. Leave it empty if nothing was added.", class_="hint"),
        _how(asked, water),
        _sure(asked),
        button("Note it"),
        keep="ph",
    )  # fmt: skip


def _of_this(asked: Asked) -> Asked:
    """Return the request as the form of the present log sees it: what was typed into another one is not its."""
    if not asked.text("of"):
        return asked
    return Asked(asked.desk, asked.device, asked.place, asked.names, asked.query)


def _begin(asked: Asked, answer: PhAnswer, key: str = "") -> Html:
    """Return the form that begins a log; `key` begins the ids of its fields."""
    solution = answer.solution
    names = [(name, name) for name in CHEMICALS]
    kinds = (("batch", "the batch itself"), ("sample", "a sample of it"))
    percent = number(solution.percent, 2)
    return form(
        asked,
        place(asked, "ph"),
        tag("h2", "Begin with a reading"),
        tag(
            "div",
            field(asked, "ph", "pH that is read now", figure=True, big=True, need=True, key=f"{key}ph"),
            choice(asked, "of", "What is adjusted", kinds, key=f"{key}of"),
            field(asked, "sample", "Mass of the sample", figure=True, unit="g", hint="Only for a sample.",
                  key=f"{key}sample"),
            choice(asked, "chemical", "What will be added", names, value=solution.chemical.name, key=f"{key}chemical"),
            field(asked, "strength", "Its strength", figure=True, unit="%", value=percent, key=f"{key}strength"),
            class_="fields",
        ),
        _how(asked, key=key),
        _sure(asked, key),
        button("Begin the log"),
        keep="ph-begin",
    )  # fmt: skip


def _another(asked: Asked, answer: PhAnswer) -> Html:
    """Return the form of a further log; what was typed into it stands there alone."""
    mine = bool(asked.text("of"))
    asking = asked if mine else Asked(asked.desk, asked.device, asked.place, asked.names, asked.query)
    words = "Begin another log: the batch after a sample, or another solution"
    return folded(words, _begin(asking, answer, "begin-"), open_=mine)


def _log(asked: Asked, session: AcidSession) -> Html:
    rows = []
    for number_, reading, note in zip(session.numbers, session.log.readings, session.notes, strict=True):
        strike = form(
            asked,
            place(asked, "ph"),
            field(asked, "why", "Why it is wrong", key=f"why-{number_}"),
            button("Strike it", quiet=True, name="strike", value=str(number_)),
            keep=f"strike-ph-{number_}",
        )
        rows.append(
            tag(
                "li",
                tag("span", str(number_), class_="mark"),
                tag(
                    "div",
                    tag("span", f"pH {number(reading.ph, 2)}", class_="name"),
                    tag("span", f"{number(reading.grams, 3)} g in", class_="n"),
                    class_="line",
                ),
                tag("p", note, class_="of") if note else None,
                folded("Strike it", strike, open_=asked.text("strike") == str(number_)),
            )
        )
    said = f"{session.of} of {number(session.log.sample, 1)} g"
    return tag("section", tag("h2", "Log"), tag("p", said, class_="soft"), tag("ul", *rows, class_="entries"))

"""The pH of a batch: the next addition as the largest figure, of what, what is expected then, the log as a curve."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

from optimizer.answers.bench import batch_of
from optimizer.answers.logs import curve_of, note_ph, ph_of, solution_of, strike_ph
from optimizer.bench.acid import AcidSession, PhAnswer
from optimizer.bench.acid_log import Noted
from optimizer.bench.batch import Batch
from optimizer.bench.made import holders_of
from optimizer.bench.strike import struck_of
from optimizer.chemistry.ph import CHEMICALS, Solution
from optimizer.data.facts import Material
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, choice, field, fields, folded, form, hidden, report, sketched, tick
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import add_now, added, crossed, entry, late, log, notes, said_of, striking, struck, sure
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.way import first_said, onwards, page_of, place, subject
from optimizer.desk.words import on_page, sentence
from optimizer.report.acid import ph_words, solution_words, steps_of
from optimizer.report.charts import acid_curve
from optimizer.units import number

SCREEN = Screen()
WORDS = {
    "measure": "Read the pH first",
    "stop": "Stop: inside the target",
    "passed": "Stop: beyond the target",
    "wrong way": "Stop: this solution moves away from the target",
    "check": "Add nothing: check first",
    "finished": "Add nothing: the batch is finished",
}
ADDED = "what was added since the last reading"
ALREADY_IN = "Such as what the weigh sheet had you add apart; empty for none."
MORE_IN = "more than the part held back is in"


def act(asked: Asked) -> Outcome:
    """Note a reading, begin a log with one, or strike one."""
    found = subject(asked)
    to = place(asked, "ph")
    if asked.text("strike"):
        wrong = struck(asked, "reading")
        strike_ph(found, wrong)
        return asked.done(to, said_of(wrong, "reading", with_additions=True))
    ph = asked.figure("ph", "the pH", most=14.0)
    begins = bool(asked.text("of"))
    before = 0.0 if begins else asked.figure("before", "what was in")
    now = asked.maybe("now", ADDED, unit="g") or 0.0
    noted = Noted(
        ph,
        (round(before + now, 6), "g"),
        water=asked.maybe("water", "the water", most=1000.0) or 0.0,
        strip=asked.text("with") == "strip",
        temperature=None if not asked.text("temperature") else asked.figure("temperature", "the temperature", most=80),
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
    more = f" after {number(now, 4)} g more" if now else ""
    return asked.done(to, f"Noted: pH {number(ph, 2)}{more}.")


def _of(asked: Asked) -> Literal["sample", "batch"]:
    return "sample" if asked.text("of") == "sample" else "batch"


def _sample(asked: Asked) -> float | None:
    return asked.figure("sample", "the mass of the sample", least=0.01, unit="g") if _of(asked) == "sample" else None


def _solution(asked: Asked) -> Solution | None:
    name = asked.text("chemical")
    if name not in CHEMICALS:
        raise RefusedError({"chemical": "Choose the acid or alkali with its hydrate form."})
    return solution_of(name, asked.figure("strength", "the strength", least=0.1, most=100.0))


@SCREEN.at("/batch/{batch}/ph", act=act)
def acidity(asked: Asked) -> Page:
    """Show what to add next, and the log."""
    found = subject(asked)
    batch, told, known = batch_of(found), ph_of(found), found.brief.library.by_id
    answer = told.found.answer
    session = answer.sessions[-1] if answer.sessions else None
    parts = [first_said(found)]
    if session is None or _closed(session, known):
        begin = late(asked, _begin(asked, answer, known), answer.finished)
        parts += [_blind(answer, told.found.notes), begin, crossed(struck_of(batch, "reading"))]
    else:
        on = onwards(asked, found, "ph", done=session.advice.state == "stop")
        reading = _reading(asked.unasked if asked.text("of") else asked, session)
        todo = tag("div", _now(batch, session, answer), on, late(asked, reading, answer.finished))
        curve = sketched(acid_curve(curve_of(session, session.advice.next_addition), session), "curve")
        beside = tag("div", curve, _log(asked, session), crossed(struck_of(batch, "reading")))
        another = None if answer.finished else _another(asked, answer, known)
        parts += [tag("div", todo, beside, class_="two"), another]
    parts.append(folded("All of it: what it rests on, cautions", report(told.document(), materials=known)))
    return page_of(asked, batch, "ph", *parts)


def _closed(session: AcidSession, known: Mapping[str, Material]) -> bool:
    """Return whether a log that takes nothing more, because nobody can account for its acid, was struck as a whole."""
    unread = not session.log.readings and session.inside_g <= 0
    return unread and not holders_of(session.log.solution.chemical.name, known)


def _target(answer: PhAnswer) -> str:
    s = answer.setting
    return f"target {number(s.target or 0, 2)}, from {number(s.low or 0, 2)} to {number(s.high or 0, 2)}"


def _blind(answer: PhAnswer, assumed: Iterable[str]) -> Html:
    if answer.finished:
        return markup(tag("p", WORDS["finished"], class_="what"), tag("p", answer.finished))
    said = f"Before anything is added about pH {ph_words(answer.estimate)} is estimated; {_target(answer)}."
    planned = [f"What will be added: {on_page(answer.assumed)}"] if answer.assumed else []
    return markup(
        tag("p", "Read the pH first", class_="what"),
        tag("p", said, class_="of"),
        notes([*map(sentence, assumed), *planned]),
        tag("div", tag("p", answer.caution), class_="caution"),
    )


def _now(batch: Batch, session: AcidSession, answer: PhAnswer) -> Html:
    advice, solution = session.advice, session.log.solution
    last = session.log.readings[-1].ph if session.log.readings else None
    doubts = notes(advice.doubts)
    reads = f"{session.of} at pH {number(last, 2)}; {_target(answer)}" if last is not None else _target(answer)
    if advice.state != "add":
        return markup(
            tag("p", WORDS[advice.state], class_="what"),
            tag("p", on_page(advice.reason)),
            doubts,
            tag("p", reads, class_="of"),
            tag("div", tag("p", answer.back.caution), class_="caution") if answer.back else None,
        )
    step = batch.scale.step_g
    scale = f"not more than {number(advice.next_addition, 2)} g at once; the scale shows {number(step)} g"
    if session.of == "sample" or advice.next_addition < step:
        scale = "weigh it on a finer scale, or take a weaker solution" if advice.next_addition < step else scale
    expected = f"Then about pH {ph_words(advice.expected)} is expected. " if advice.expected else ""
    return markup(
        add_now(steps_of(advice.next_addition, step), solution_words(solution)),
        tag("p", f"{expected}Stir, wait about 10 minutes, read. {sentence(scale)}.", class_="of"),
        tag("p", f"Now: {reads}.", class_="of"),
        doubts,
        tag("div", tag("p", advice.caution), class_="caution"),
    )


def _how(asked: Asked, last_water: str = "", key: str = "") -> Html:
    """Return what else is noted of a reading; `key` begins the ids of its fields."""
    return folded(
        "How it was read, and the lot",
        fields(
            field(asked, "lot", "Lot of the acid or alkali", key=f"{key}lot"),
            field(
                asked, "water", "Water per gram of product", figure=True, unit="g", value=last_water,
                hint="0 or empty for neat, 9 for a dilution to 10 %.", key=f"{key}water",
            ),
            choice(asked, "with", "Read with", (("meter", "a meter"), ("strip", "a strip")), key=f"{key}with"),
            field(
                asked, "temperature", "Temperature", figure=True, unit="°C", hint="25 counts if it is empty.",
                key=f"{key}temperature",
            ),
            field(asked, "note", "Note", key=f"{key}note"),
        ),
        tick(asked, "foam", "There was foam on the probe or strip", key=f"{key}foam"),
        open_=any(name in asked.problems for name in ("water", "temperature")),
    )  # fmt: skip


def _reading(asked: Asked, session: AcidSession) -> Html:
    last = session.log.readings[-1] if session.log.readings else None
    inside = session.inside_g
    water = number(last.water, 3) if last and last.water else ""
    return form(
        asked,
        place(asked, "ph"),
        tag("h2", "Note a reading"),
        hidden({"before": repr(inside)}),
        fields(
            field(asked, "now", "Added since then", figure=True, unit="g", big=True),
            field(asked, "ph", "pH that is read", figure=True, big=True, need=True),
            pair=True,
        ),
        tag("p", f"{number(inside, 3)} g are in so far. Leave it empty if nothing was added.", class_="hint"),
        _how(asked, water),
        sure(asked, MORE_IN),
        button("Note it"),
        keep="ph",
    )


def _begin(asked: Asked, answer: PhAnswer, known: Mapping[str, Material], key: str = "") -> Html:
    """Return the form that begins a log, with what the library can account for; `key` begins the ids of its fields."""
    solution = answer.back or answer.solution
    names = [(name, name) for name in CHEMICALS if holders_of(name, known)]
    kinds = (("batch", "the batch itself"), ("sample", "a sample of it"))
    percent = number(solution.percent, 2)
    return form(
        asked,
        place(asked, "ph"),
        tag("h2", "Begin with a reading"),
        fields(
            field(asked, "ph", "pH that is read now", figure=True, big=True, need=True, key=f"{key}ph"),
            choice(asked, "of", "What is adjusted", kinds, key=f"{key}of"),
            field(asked, "sample", "Mass of the sample", figure=True, unit="g", hint="Only for a sample.",
                  key=f"{key}sample"),
            choice(asked, "chemical", "What will be added", names, value=solution.chemical.name, key=f"{key}chemical"),
            field(asked, "strength", "Its strength", figure=True, unit="%", value=percent, key=f"{key}strength"),
            field(asked, "now", "Of this already in it", figure=True, unit="g", hint=ALREADY_IN, key=f"{key}now"),
        ),
        _how(asked, key=key),
        sure(asked, MORE_IN, key),
        button("Begin the log"),
        keep="ph-begin",
    )  # fmt: skip


def _another(asked: Asked, answer: PhAnswer, known: Mapping[str, Material]) -> Html:
    """Return the form of a further log; what was typed into it stands there alone."""
    mine = bool(asked.text("of"))
    words = "Begin another log: the batch after a sample, or another solution"
    return folded(words, _begin(asked if mine else asked.unasked, answer, known, "begin-"), open_=mine)


def _log(asked: Asked, session: AcidSession) -> Html:
    entries = (
        entry(
            n,
            f"pH {number(reading.ph, 2)}",
            f"{number(reading.grams, 3)} g in",
            tag("p", note, class_="of") if note else None,
            striking(asked, place(asked, "ph"), n, "strike-ph", added(asked, n)) if n else None,
        )
        for n, reading, note in zip(session.numbers, session.log.readings, session.notes, strict=True)
    )
    return log(*entries, said=f"{session.of} of {number(session.log.sample, 1)} g")

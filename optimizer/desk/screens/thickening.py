"""Thickening a batch: the next step in grams, what was read, when to stop."""

from __future__ import annotations

from dataclasses import replace
from urllib.parse import urlencode

from optimizer.answers.bench import batch_of
from optimizer.answers.logs import thickened
from optimizer.answers.subject import Subject
from optimizer.bench.batch import Batch
from optimizer.bench.stage import ended
from optimizer.bench.thicken import ThickeningLog
from optimizer.data.facts import Material
from optimizer.desk.asked import Asked
from optimizer.desk.frame import asking, button, choice, field, fields, folded, form, hidden, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import (
    add_now,
    added,
    care,
    crossed,
    entry,
    late,
    log,
    notes,
    said_of,
    striking,
    struck,
    sure,
)
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.way import first_said, onwards, page_of, place, subject
from optimizer.desk.words import in_words
from optimizer.errors import DataError
from optimizer.report.thicken import Thickened, thicken_document
from optimizer.units import number

SCREEN = Screen()
READ = (("viscosity_mpas", "viscosity, mPa·s"), ("flow_s", "time to run out, s"), ("judged", "judged, 1 to 5"))


def act(asked: Asked) -> Outcome:
    """Note a step, or strike one."""
    found, to = subject(asked), place(asked, "thicken")
    if asked.text("strike"):
        wrong = struck(asked, "step")
        thickened(found, wrong=wrong)
        return asked.done(to, said_of(wrong, "step", with_additions=True))
    material, kind = asked.text("material"), asked.text("kind")
    if kind not in dict(READ):
        raise RefusedError({"kind": "Choose how it was read."})
    value = asked.figure("reading", "the reading")
    if kind == "judged" and value not in (1, 2, 3, 4, 5):
        raise RefusedError({"reading": "Type a whole number from 1, like water, to 5, like a gel."})
    before = asked.figure("before", "what was in", most=100.0)
    now = asked.maybe("now", "what was added since the last reading") or 0.0
    total = before + 100 * now / batch_of(found).size_g
    reading = {
        kind: int(value) if kind == "judged" else value,
        "waited_min": asked.maybe("waited", "the minutes"),
        "temperature_c": asked.maybe("temperature", "the temperature", most=100.0),
        "ph": asked.maybe("ph", "the pH", most=14.0),
        "on": asked.today,
        "note": asked.text("note") or None,
        "lot": asked.text("lot") or None,
    }
    thickened(
        found, material, added=f"{round(total, 6)!r}%", reading=reading, target=asked.maybe("target", "the target"),
        sure=asked.ticked("sure"), after_percent=before,
    )  # fmt: skip
    here = f"{to}?{urlencode({'material': material})}"
    return asked.done(here, f"Noted: {number(value, 2)} after {number(now, 4)} g more.")


@SCREEN.at("/batch/{batch}/thicken", act=act)
def thickening(asked: Asked) -> Page:
    """Show the next step and the log."""
    found = subject(asked)
    batch, told = batch_of(found), _told(asked, found)
    chosen = told.logs[0] if told.logs else None
    parts: list[Html | None] = [first_said(found)]
    if chosen is None:
        parts += [tag("p", "No thickener is planned for this batch."), _another(asked, found, open_=True)]
        parts.append(onwards(asked, found, "thicken"))
    else:
        noting = late(asked, _step(asked, batch, chosen), ended(batch))
        parts += [_ways(asked, told.ways, chosen), _now(chosen), care(chosen.material, found.brief.library), noting]
        parts += [onwards(asked, found, "thicken"), _log(asked, chosen), crossed(told.struck)]
        whole = report(thicken_document(told), materials=found.brief.library.by_id)
        parts.append(folded("All of it: limits, curve, cautions", whole, open_=bool(chosen.points)))
        parts.append(_another(asked, found, open_="material" in asked.problems))
    parts.append(tag("p", tag("a", "Advice", href=place(asked, "advice")), class_="go"))
    return page_of(asked, batch, "thicken", *parts)


def _told(asked: Asked, found: Subject) -> Thickened:
    """Return the log of the thickener that was asked for, be it planned or not; else what is told of the batch."""
    wanted = asked.text("material") or asked.query.get("material", "")
    if wanted:
        try:
            return thickened(found, wanted, sure=True)
        except DataError as error:
            asked.problems["material"] = in_words(error)
    return thickened(found)


def _ways(asked: Asked, ways: tuple[Material, ...], here: ThickeningLog) -> Html | None:
    """Return links to every thickener with a log, or planned."""
    if len(ways) < 2:
        return None
    items = (
        tag("li", tag("a", one.name, href=f"{place(asked, 'thicken')}?material={one.id}",
                      aria_current="true" if one.id == here.material_id else None))
        for one in ways
    )  # fmt: skip
    return tag("ol", *items, class_="way")


def _another(asked: Asked, found: Subject, *, open_: bool) -> Html:
    """Return the way to a thickener that was not planned."""
    asked = replace(asked, typed={name: [value] for name, value in asked.query.items()})
    names = sorted(m.name for m in found.brief.library.materials if m.thickener is not None)
    name = field(asked, "material", "Thickener", hint="Its name; what speaks against it here is told.", choices=names)
    return folded("Another thickener", asking(place(asked, "thicken"), name, button("Look", quiet=True)), open_=open_)


def _now(here: ThickeningLog) -> Html:
    if here.next is None:
        return markup(tag("p", f"{here.name}: {here.state}", class_="what"), tag("p", here.verdict), notes(here.notes))
    wait = f"Mix gently, then read once the air is out, after at least {number(here.next.wait_min)} minutes"
    warm = f" at {number(here.next.temperature_c, 1)} °C" if here.next.temperature_c is not None else ""
    then = number(here.added + here.next.percent, 2)
    return markup(
        add_now(number(here.next.grams, 4), here.name),
        tag("p", f"{wait}{warm}. In all {then} % then; at most {number(here.most, 2)} %.",
            class_="of"),
        tag("p", here.verdict),
        notes(here.notes),
    )  # fmt: skip


def _step(asked: Asked, batch: Batch, here: ThickeningLog) -> Html:
    inside = here.added * batch.size_g / 100
    hint = f"{number(inside, 3)} g are in so far. Leave it empty for a reading before any."
    kinds = [(kind, words) for kind, words in READ if here.kind in (None, kind)]
    return form(
        asked,
        place(asked, "thicken"),
        tag("h2", "Note a step"),
        hidden({"material": here.material_id, "before": repr(here.logged)}),
        fields(
            field(asked, "now", "Added since then", figure=True, unit="g", big=True),
            field(asked, "reading", "What is read", figure=True, unit=here.unit, big=True, need=True),
            pair=True,
        ),
        tag("p", hint, class_="hint"),
        fields(
            choice(asked, "kind", "Read as", kinds, value=here.kind or "viscosity_mpas"),
            field(asked, "ph", "pH read again", figure=True),
            field(asked, "target", "Wanted reading", figure=True, value=number(here.target) if here.target else ""),
            field(asked, "lot", "Lot of the thickener"),
        ),
        folded(
            "How it was read",
            fields(
                field(asked, "waited", "Mixed and waited", figure=True, unit="min"),
                field(asked, "temperature", "Temperature", figure=True, unit="°C"),
                field(asked, "note", "Note"),
            ),
        ),
        sure(asked, "it was not planned, or more than the limit is in"),
        button("Note it"),
        keep=f"thicken-{here.material_id}",
    )


def _log(asked: Asked, found: ThickeningLog) -> Html | None:
    if not found.points:
        return None
    entries = (
        entry(
            p.number,
            f"{number(p.value, 2)} {found.unit}" if p.value is not None else "read in another way",
            f"{number(p.added_percent, 3)} % in",
            striking(asked, place(asked, "thicken"), p.number, "strike-step", added(asked, p.number)),
        )
        for p in found.points
    )
    return log(*entries)

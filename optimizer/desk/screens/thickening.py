"""Thickening a batch: the next step in grams, what was read, when to stop."""

from __future__ import annotations

from optimizer.answers.bench import batch_of
from optimizer.answers.logs import thickened
from optimizer.bench.batch import Batch
from optimizer.bench.strike import Strike
from optimizer.bench.thicken import ThickeningLog
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, choice, field, folded, form, report, tick
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.way import onwards, page_of, place, subject
from optimizer.report.thicken import thicken_document
from optimizer.units import number

SCREEN = Screen()
READ = (("viscosity_mpas", "viscosity, mPa s"), ("flow_s", "time to run out, s"), ("judged", "judged, 1 to 5"))


def act(asked: Asked) -> Outcome:
    """Note a step, or strike one."""
    found, to = subject(asked), place(asked, "thicken")
    if asked.text("strike"):
        thickened(found, wrong=_wrong(asked))
        return asked.done(to, f"Struck: step {asked.text('strike')}. It stays in the file and counts no more.")
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
    return asked.done(to, f"Noted: {number(value, 2)} after {number(now, 4)} g more.")


def _wrong(asked: Asked) -> Strike:
    if not asked.text("why"):
        raise RefusedError({"why": "Say why; the reason is kept beside the step."})
    if not asked.text("strike").isdigit():
        raise RefusedError({"": "There is no such step; nothing was struck."})
    return Strike(int(asked.text("strike")), asked.text("why"), asked.today)


@SCREEN.at("/batch/{batch}/thicken", act=act)
def thickening(asked: Asked) -> Page:
    """Show the next step and the log."""
    found = subject(asked)
    batch, told = batch_of(found), thickened(found)
    wanted = asked.text("material") or asked.query.get("material", "")
    log = next((one for one in told.logs if one.material_id == wanted), told.logs[0] if told.logs else None)
    document = thicken_document(told)
    parts: list[Html | None] = []
    if log is None:
        parts += [tag("p", document.verdict), onwards(asked, batch, "thicken")]
    else:
        parts += [_others(asked, told.logs, log), _now(log), _step(asked, batch, log), onwards(asked, batch, "thicken")]
        parts += [_log(asked, log)]
    parts.append(folded("All of it: limits, curve, cautions", report(document), open_=bool(log and log.points)))
    return page_of(asked, batch, "thicken", *parts)


def _others(asked: Asked, logs: tuple[ThickeningLog, ...], here: ThickeningLog) -> Html | None:
    """Return links to the other thickeners that are planned, where nothing was begun."""
    if len(logs) < 2:
        return None
    items = (
        tag("li", tag("a", log.name, href=f"{place(asked, 'thicken')}?material={log.material_id}",
                      aria_current="true" if log is here else None))
        for log in logs
    )  # fmt: skip
    return tag("ol", *items, class_="way")


def _now(log: ThickeningLog) -> Html:
    notes = tag("ul", *(tag("li", said) for said in log.notes)) if log.notes else None
    if log.next is None:
        return markup(tag("p", f"{log.name}: {log.state}", class_="what"), tag("p", log.verdict), notes)
    wait = f"Mix gently for {number(log.next.wait_min)} minutes, then read"
    warm = f" at {number(log.next.temperature_c, 1)} °C" if log.next.temperature_c is not None else ""
    return markup(
        tag("p", "Add now", class_="of"),
        tag("p", number(log.next.grams, 4), tag("span", "g", class_="unit"), class_="figure"),
        tag("p", f"of {log.name}", class_="what"),
        tag("p", f"{wait}{warm}. In all {number(log.next.total_percent, 2)} % then; at most {number(log.most, 2)} %.",
            class_="of"),
        tag("p", log.verdict),
        notes,
    )  # fmt: skip


def _step(asked: Asked, batch: Batch, log: ThickeningLog) -> Html:
    inside = log.added * batch.size_g / 100
    hint = f"{number(inside, 3)} g are in so far. Leave it empty for a reading before any."
    kinds = [(kind, words) for kind, words in READ if log.kind in (None, kind)]
    return form(
        asked,
        place(asked, "thicken"),
        tag("h2", "Note a step"),
        tag("input", type="hidden", name="material", value=log.material_id),
        tag("input", type="hidden", name="before", value=repr(log.added)),
        tag(
            "div",
            field(asked, "now", "Added since then", figure=True, unit="g", big=True),
            field(asked, "reading", "What is read", figure=True, unit=log.unit, big=True, need=True),
            class_="fields pair",
        ),
        tag("p", hint, class_="hint"),
        tag(
            "div",
            choice(asked, "kind", "Read as", kinds, value=log.kind or "viscosity_mpas"),
            field(asked, "ph", "pH read again", figure=True),
            field(asked, "target", "Wanted reading", figure=True, value=number(log.target) if log.target else ""),
            field(asked, "lot", "Lot of the thickener"),
            class_="fields",
        ),
        folded(
            "How it was read",
            tag(
                "div",
                field(asked, "waited", "Mixed and waited", figure=True, unit="min"),
                field(asked, "temperature", "Temperature", figure=True, unit="°C"),
                field(asked, "note", "Note"),
                class_="fields",
            ),
        ),
        _sure(asked),
        button("Note it"),
        keep=f"thicken-{log.material_id}",
    )


def _sure(asked: Asked) -> Html | None:
    return tick(asked, "sure", "It is meant so: more than the limit is in") if "" in asked.problems else None


def _log(asked: Asked, log: ThickeningLog) -> Html | None:
    if not log.points:
        return None
    rows = []
    for point in log.points:
        strike = form(
            asked,
            place(asked, "thicken"),
            field(asked, "why", "Why it is wrong", key=f"why-{point.number}"),
            button("Strike it", quiet=True, name="strike", value=str(point.number)),
            keep=f"strike-step-{point.number}",
        )
        read = f"{number(point.value, 2)} {log.unit}" if point.value is not None else "read in another way"
        rows.append(
            tag(
                "li",
                tag("span", str(point.number), class_="mark"),
                tag("div", tag("span", read, class_="name"),
                    tag("span", f"{number(point.added_percent, 3)} % in", class_="n"), class_="line"),
                folded("Strike it", strike, open_=asked.text("strike") == str(point.number)),
            )
        )  # fmt: skip
    return tag("section", tag("h2", "Log"), tag("ul", *rows, class_="entries"))

"""A whole range of a product: a limit varied, a material there or missing, all answers in one table."""

from __future__ import annotations

from collections.abc import Hashable
from types import SimpleNamespace

from optimizer.answers.draft import Draft, Mark
from optimizer.answers.product import lots_differ, whole_range
from optimizer.answers.rulers import Rulers
from optimizer.desk.asked import Asked
from optimizer.desk.drafting import RANGE, address, back, carried, in_order, product_of
from optimizer.desk.frame import asking, button, choice, field, fields, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import named
from optimizer.desk.work import Work, Works, grown
from optimizer.units import number

SCREEN = Screen()
WORKS = Works()
MOST = 25
"""So many values of a limit at most: a table on a telephone ends somewhere."""


@SCREEN.at("/formula/{brief}/range-of")
def ask(asked: Asked) -> Page:
    """Ask what is varied."""
    rulers, draft = product_of(asked)
    body = markup(_ask(asked, rulers, draft), _lots(asked, draft))
    return Page("A whole range", body, back=back(asked, rulers, draft))


def _ask(asked: Asked, rulers: Rulers, draft: Draft) -> Html:
    """Return the form; beside a table what was asked for stands in it."""
    asked.typed = {name: [asked.query[name]] for name in RANGE if name in asked.query}
    materials = rulers.brief.library.by_id
    limits = [(m.key, named(m.words, materials)) for m in in_order(rulers)]
    lines = [(line.id, line.name) for line in rulers.ask(draft).lines if line.percent > 0 and line.id != "aqua"]
    return asking(
        address(asked, "range", {}),
        tag("p", "Each answer is the best formula there. Nothing is written."),
        carried(draft),
        fields(
            choice(asked, "vary", "What differs", limits),
            field(asked, "from", "From", figure=True, need=True),
            field(asked, "to", "To", figure=True, need=True),
            field(asked, "steps", "How many answers", figure=True, value="5", hint=f"2 to {MOST}."),
            choice(asked, "without", "With and without", [("", "nothing left out"), *lines]),
        ),
        tag("p", button("Work it out"), class_="buttons"),
        novalidate=True,
    )


def _lots(asked: Asked, draft: Draft) -> Html:
    """Return the question what lots that differ do to the formula."""
    ask = asking(
        address(asked, "lots", {}),
        carried(draft),
        field(asked, "off", "How many materials may be off at once", figure=True, value="1"),
        tag("p", button("What keeps its limits then?", quiet=True), class_="buttons"),
        novalidate=True,
    )
    said = "Lots differ within what their sheets allow. This asks for the formula that keeps its limits all the same."
    return tag("section", tag("h2", "If lots differ"), tag("p", said), ask)


def stop(asked: Asked) -> Outcome:
    """Break it off."""
    rulers, draft = product_of(asked)
    WORKS.stop(_key(asked, rulers, draft))
    return asked.done(address(asked, "range-of", draft), "It was broken off.")


def _key(asked: Asked, rulers: Rulers, draft: Draft) -> Hashable:
    asking = tuple(asked.query.get(name, "") for name in (*RANGE, "off"))
    return asked.place, rulers.path, rulers.digest, tuple(draft.items()), asking


@SCREEN.at("/formula/{brief}/range", act=stop)
def show(asked: Asked) -> Page:
    """Show every answer of a range, or how far it is."""
    rulers, draft = product_of(asked)
    way = (address(asked, "range-of", draft), "A whole range")
    form = _ask(asked, rulers, draft)
    try:
        mark, values, missing = _wanted(asked, rulers)
    except RefusedError as refused:
        asked.problems, asked.readings = refused.problems, refused.readings
        return Page("A whole range", _ask(asked, rulers, draft), back=way, status=422)

    materials = rulers.brief.library.by_id
    rules = {r.id: SimpleNamespace(name=named(r.name, materials)) for r in rulers.brief.rules}

    def ask(work: Work) -> Html:
        found = whole_range(rulers, draft, {mark.key: values}, missing, work.tell)
        return report(found, materials={**materials, **rules})

    work = WORKS.of(_key(asked, rulers, draft), ask)
    told = {name: asked.query[name] for name in RANGE if name in asked.query}
    body = grown(asked, work, address(asked, "range", draft, **told), "It is being worked out.")
    title = f"A whole range: {named(mark.words, materials)}"
    return Page(title, body if asked.fragment else markup(body, tag("h2", "Another one"), form), back=way)


def _wanted(asked: Asked, rulers: Rulers) -> tuple[Mark, list[float], list[str]]:
    """Return the limit, its values and what may be missing."""
    mark = next((m for m in rulers.marks if m.key == asked.text("vary")), None)
    if mark is None:
        raise RefusedError({"vary": "Choose what differs."})
    low, high = mark.ends
    first = asked.figure("from", "where it begins", least=low, most=high)
    last = asked.figure("to", "where it ends", least=low, most=high)
    steps = round(asked.figure("steps", "the number of answers", least=2, most=MOST))
    if first == last:
        raise RefusedError({"to": f"It begins and ends at {number(first, 6)}: give it some way."})
    values = [float(f"{first + (last - first) * k / (steps - 1):.10g}") for k in range(steps)]
    without = asked.text("without")
    if without and without not in rulers.brief.library.by_id:
        raise RefusedError({"without": "There is no such material."})
    return mark, values, [without] if without else []


@SCREEN.at("/formula/{brief}/lots", act=stop)
def lots(asked: Asked) -> Page:
    """Show the formula that is safe while lots differ, or how far it is."""
    rulers, draft = product_of(asked)
    way = (address(asked, "range-of", draft), "A whole range")
    asked.typed = {"off": [asked.query.get("off", "")]}
    try:
        off = asked.figure("off", "the number of materials", most=50)
    except RefusedError as refused:
        asked.problems, asked.readings = refused.problems, refused.readings
        return Page("If lots differ", _lots(asked, draft), back=way, status=422)
    work = WORKS.of(
        _key(asked, rulers, draft),
        lambda work: report(lots_differ(rulers, draft, off, work.go_on), materials=rulers.brief.library.by_id),
    )
    here = address(asked, "lots", draft, off=asked.query["off"])
    body = grown(asked, work, here, "It is being worked out.")
    return Page("If lots differ", body, back=way)

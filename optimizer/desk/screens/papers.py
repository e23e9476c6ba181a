"""What goes along with a batch: its label with what is missing, its cost, its card."""

from __future__ import annotations

from optimizer.answers.bench import batch_of, card_of
from optimizer.answers.papers import cost_for, costs_stated, label_for
from optimizer.answers.subject import Subject
from optimizer.desk.asked import Asked
from optimizer.desk.frame import asking, button, choice, field, fields, folded, report
from optimizer.desk.html import Html, tag
from optimizer.desk.logged import alarms
from optimizer.desk.screen import Download, Page, RefusedError, Screen
from optimizer.desk.way import page_of, place, subject
from optimizer.desk.words import on_page
from optimizer.report.card import card_document, card_pdf
from optimizer.report.costing import cost_document
from optimizer.report.label import CHECKLIST, label_document, missing_of

SCREEN = Screen()


@SCREEN.at("/batch/{batch}/label")
def label(asked: Asked) -> Page:
    """Show the list of ingredients ready to copy, and what is missing as a to-do list."""
    found = subject(asked)
    answer = label_for(found)
    document = label_document(answer)
    todo = missing_of(answer)
    parts = [
        alarms(c.words for c in answer.cautions if c.loud),
        tag("p", document.verdict, class_="verdict" if document.good else "verdict bad"),
        tag("h2", "List of ingredients"),
        tag("p", answer.line, class_="ready", id="ingredients"),
        tag("p", tag("button", "Copy it", type="button", data_copy="#ingredients", hidden=True), class_="buttons"),
        tag("h2", "To do before it is printed"),
        _todo(todo) if todo else tag("p", "Nothing that the desk can see."),
        tag("h2", "What else the label needs"),
        _todo(CHECKLIST),
        folded("All of it: order, allergens, natural origin, sources", report(document)),
    ]
    return page_of(asked, batch_of(found), "label", *parts)


def _todo(items: tuple[str, ...]) -> Html:
    return tag("ul", *(tag("li", on_page(item)) for item in items), class_="todo")


@SCREEN.at("/batch/{batch}/cost")
def cost(asked: Asked) -> Page:
    """Show what the batch costs, and its price at a margin."""
    found = subject(asked)
    names = ("costs", "margin", "plan")
    asked.typed = {name: [asked.query[name]] for name in names if name in asked.query}
    body, margin = _costed(asked, found)
    own = costs_stated(found)
    files = [(name, path.name) for name, path in asked.folder.costs().items()]
    asks = fields(
        choice(asked, "costs", "Costs besides materials", [("", own or "none"), *files]),
        field(asked, "margin", "Margin", figure=True, unit="% of the price", hint="Empty for that of these costs."),
        field(asked, "plan", "Batches to buy packs for", figure=True),
    )
    ask = asking(place(asked, "cost"), asks, button("Work it out", quiet=True))
    return page_of(asked, batch_of(found), "cost", body, ask, status=422 if margin else 200)


def _costed(asked: Asked, found: Subject) -> tuple[Html, bool]:
    """Return the report of costs, and whether a figure that was asked for could not be read."""
    try:
        margin = asked.maybe("margin", "the margin", most=99.9)
        plan = asked.maybe("plan", "the number of batches", most=100_000)
    except RefusedError as refused:
        asked.problems, asked.readings = refused.problems, refused.readings
        margin, plan = None, None
    chosen = asked.folder.costs().get(asked.text("costs"))
    costs = str(chosen) if chosen else ""
    costing = cost_for(found, called=str(found.batch_path), costs=costs, margin=margin, plan=int(plan or 0))
    return report(cost_document(costing)), bool(asked.problems)


@SCREEN.at("/batch/{batch}/card")
def card(asked: Asked) -> Page:
    """Show the formula on one page."""
    found = subject(asked)
    link = tag("a", "The card to print (PDF)", href=place(asked, "card.pdf"), class_="button quiet")
    body = report(card_document(card_of(found, on="" if found.batch else asked.today)))
    return page_of(asked, batch_of(found), "card", body, tag("p", link, class_="buttons"))


@SCREEN.at("/batch/{batch}/card.pdf")
def card_file(asked: Asked) -> Download:
    """Return the card to print."""
    found = subject(asked)
    return Download(card_pdf(card_of(found)), "application/pdf", f"card-{batch_of(found).batch}.pdf")

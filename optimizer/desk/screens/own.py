"""A formula of one's own: held against a product's brief, advised on, costed, labelled, laid as a batch."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlencode

from optimizer.answers import questions
from optimizer.answers.bench import lay_batch
from optimizer.answers.papers import advice_for, cost_for, label_for
from optimizer.answers.stock import stocked_brief
from optimizer.answers.subject import Subject, subject_of
from optimizer.desk.asked import Asked
from optimizer.desk.frame import asking, button, choice, field, fields, report, way_of
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.laying import ask_size, laid
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import in_words
from optimizer.errors import DataError, UsageError
from optimizer.report.costing import cost_document
from optimizer.report.document import Document
from optimizer.report.label import label_document

SCREEN = Screen()
PAGES = (
    ("check", "Against the brief"),
    ("advice", "Advice"),
    ("cost", "Cost"),
    ("label", "Label"),
    ("batch", "Lay a batch"),
)
"""Pages of a formula: end of the address, and name."""


def _place(asked: Asked, page: str = "check") -> str:
    about = urlencode({k: asked.query[k] for k in ("for", "rest") if asked.query.get(k)})
    return path_to("own", asked.names["formula"], page) + (f"?{about}" if about else "")


def _brief(asked: Asked) -> Path | None:
    """Return the brief that the formula is held against; the only one of the folder if none is named."""
    briefs = asked.folder.briefs()
    name = asked.query.get("for", "") or (briefs[0][0] if len(briefs) == 1 else "")
    return asked.folder.brief(name) if name else None


def _page(asked: Asked, here: str, answer: Callable[[Path, Path], Html]) -> Page:
    """Return a page of a formula: what is asked of it and its brief, or the question which brief that is."""
    formula, brief = asked.folder.formula(asked.names["formula"]), _brief(asked)
    asked.typed = asked.typed or {k: [v] for k, v in asked.query.items()}
    body: Html | None = None
    if brief is None:
        asked.problems |= {"for": "Choose the product."} if "for" in asked.query else {}
    else:
        try:
            body = answer(formula, brief)
        except (DataError, UsageError) as error:
            asked.problems["rest" if "the rest is" in str(error) else ""] = in_words(error)
    way = way_of(((_place(asked, page), words, page == here) for page, words in PAGES), "This formula")
    title = f"{dict(PAGES)[here]}: {formula.stem}"
    status = 422 if asked.problems else 200
    return Page(title, markup(body, _against(asked)), back=("/", "Bench"), way=way if brief else None, status=status)


def _against(asked: Asked) -> Html:
    """Return the question which product the formula is held against, and what its rest is."""
    briefs = asked.folder.products()
    rest = None
    if "rest" in asked.problems or asked.query.get("rest"):
        rest = field(asked, "rest", "What makes it up to 100 %?", hint="A material, such as water.")
    ask = asking(
        path_to("own", asked.names["formula"], "check"),
        fields(choice(asked, "for", "Product", briefs), rest),
        tag("p", button("Hold it against this product", quiet=True), class_="buttons"),
        novalidate=True,
    )
    return tag("section", tag("h2", "Which product"), ask)


def _subject(asked: Asked, formula: Path, brief: Path) -> Subject:
    return subject_of(str(formula), against=str(brief), rest=asked.query.get("rest", ""))


def _told(asked: Asked, here: str, document: Callable[[Subject], Document]) -> Page:
    """Return a page that shows a report on the formula."""

    def answer(formula: Path, brief: Path) -> Html:
        found = _subject(asked, formula, brief)
        return report(document(found), materials=found.brief.library.by_id)

    return _page(asked, here, answer)


@SCREEN.at("/own/{formula}")
@SCREEN.at("/own/{formula}/check")
def check(asked: Asked) -> Page:
    """Show what the formula keeps of a brief, what it breaks, and the nearest one that keeps all."""

    def answer(formula: Path, brief: Path) -> Html:
        loaded = stocked_brief(brief)
        found = questions.check(formula, loaded, rest=asked.query.get("rest", ""))
        return report(found.document(), materials=loaded.library.by_id)

    return _page(asked, "check", answer)


@SCREEN.at("/own/{formula}/advice")
def advice(asked: Asked) -> Page:
    """Show what a bench chemist would say to it."""
    return _told(asked, "advice", lambda found: advice_for(found).document())


@SCREEN.at("/own/{formula}/cost")
def cost(asked: Asked) -> Page:
    """Show what it costs."""
    return _told(asked, "cost", lambda found: cost_document(cost_for(found)))


@SCREEN.at("/own/{formula}/label")
def label(asked: Asked) -> Page:
    """Show its list of ingredients."""
    return _told(asked, "label", lambda found: label_document(label_for(found)))


def _lay(asked: Asked) -> Outcome:
    formula, brief = asked.folder.formula(asked.names["formula"]), _brief(asked)
    if brief is None:
        raise RefusedError({"": "Choose first which product it is."})
    return laid(asked, brief, lambda out, **size: lay_batch(_subject(asked, formula, brief), out, **size))


@SCREEN.at("/own/{formula}/batch", act=_lay, rights="formula")
def batch(asked: Asked) -> Page:
    """Ask how much is made of it."""

    def answer(formula: Path, brief: Path) -> Html:
        broken = questions.check(formula, stocked_brief(brief), rest=asked.query.get("rest", "")).found.broken
        said = f"It breaks {len(broken)} limits of the brief; a batch is laid of it as it is." if broken else ""
        return markup(tag("p", said, class_="wrong") if said else None, ask_size(asked, _place(asked, "batch"), brief))

    return _page(asked, "batch", answer)

"""Several products at once: side by side, and planned together from one shelf."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from optimizer.answers.product import from_one_shelf, side_by_side
from optimizer.desk.asked import Asked
from optimizer.desk.frame import asking, button, field, fields, report, tick
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.work import Work, Works, grown
from optimizer.files import digest
from optimizer.report.document import Document

SCREEN = Screen()
WORKS = Works()
BACK = ("/several", "Several products")


@SCREEN.at("/several")
def several(asked: Asked) -> Page:
    """Ask which products, and what about them."""
    return Page("Several products", _asks(asked), back=("/", "Bench"))


def _asks(asked: Asked) -> Html:
    briefs = asked.folder.products()
    if len(briefs) < 2:
        return tag("p", "There is one product here at most; with two they can be compared and planned together.")
    compare = _ask(
        "/several/side-by-side", "Side by side", "Their formulas, and what makes the difference in cost.",
        [tick(asked, f"is.{name}", words) for name, words in briefs], button("Lay them side by side"),
    )  # fmt: skip
    plan = _ask(
        "/several/one-shelf", "From one shelf", "Which product uses which material, and how many packs to buy.",
        [field(asked, f"kg.{name}", words, figure=True, unit="kg") for name, words in briefs],
        tick(asked, "stock-only", "Nothing is bought: only what is on the shelf"), button("Plan them together"),
    )  # fmt: skip
    return markup(compare, plan)


def _ask(to: str, heading: str, said: str, asks: list[Html], *acts: Html) -> Html:
    return tag("section", tag("h2", heading), tag("p", said), asking(to, fields(*asks), *acts, novalidate=True))


def _key(asked: Asked) -> tuple[str, ...]:
    """Return what makes an answer another one: what is asked, and all files of the folder as they are."""
    every = {*asked.folder.every(), *asked.folder.path.glob("*.csv"), *asked.folder.path.glob("records.db*")}
    return (asked.here, *(digest(path) for path in sorted(every) if path.is_file()))


def stop(asked: Asked) -> Outcome:
    """Break it off."""
    WORKS.stop(_key(asked))
    return asked.done("/several", "It was broken off.")


@SCREEN.at("/several/side-by-side", act=stop)
def beside(asked: Asked) -> Page:
    """Show products beside one another."""
    asked.typed = {name: [value] for name, value in asked.query.items()}
    paths = _ticked(asked)
    if len(paths) < 2:
        asked.problems = {"": "Tick two products or more."}
        return Page("Several products", _asks(asked), back=BACK, status=422)
    return _worked(asked, "Side by side", lambda work: side_by_side(tuple(paths), between=work.go_on))


@SCREEN.at("/several/one-shelf", act=stop)
def one_shelf(asked: Asked) -> Page:
    """Show the plan of several products from one shelf."""
    asked.typed = {name: [value] for name, value in asked.query.items()}
    try:
        kilos = _kilos(asked)
        if not kilos:
            raise RefusedError({"": "Say how many kg of two products or more."})
    except RefusedError as refused:
        asked.problems, asked.readings = refused.problems, refused.readings
        return Page("Several products", _asks(asked), back=BACK, status=422)
    buying = not asked.ticked("stock-only")
    return _worked(asked, "From one shelf", lambda work: from_one_shelf(kilos, buying=buying, between=work.go_on))


def _ticked(asked: Asked) -> list[Path]:
    return [asked.folder.brief(name) for name, _ in asked.folder.briefs() if asked.ticked(f"is.{name}")]


def _kilos(asked: Asked) -> dict[Path, float]:
    """Return how much is made of each product, of those of which something is."""
    wanted = {
        n: asked.maybe(f"kg.{n}", "the mass", least=0.001, most=100_000, unit="kg") for n, _ in asked.folder.briefs()
    }
    return {asked.folder.brief(name): kg for name, kg in wanted.items() if kg is not None}


def _worked(asked: Asked, title: str, ask: Callable[[Work], Document]) -> Page:
    work = WORKS.of(_key(asked), lambda work: report(ask(work)))
    return Page(title, grown(asked, work, asked.here, "It is being worked out."), back=BACK)

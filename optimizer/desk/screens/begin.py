"""A product begun by questions: what it is, how strong, how mild, what must not be in, pH, perfume, budget."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields

from optimizer.answers.beginning import begin, library_in, shelf_in
from optimizer.brief import beginning as offers
from optimizer.brief.beginning import Offer, Wanted
from optimizer.desk.asked import Asked
from optimizer.desk.folder import name_of
from optimizer.desk.frame import button, choice, field, folded, form, tick
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import sentence
from optimizer.errors import DataError
from optimizer.units import number

BUDGET = "Its materials; acid and thickener that the bench adds come on top. Empty: no limit."
SCREEN = Screen(entry=("/begin", "New product"), rank=20)
FIELDS = {f.name for f in fields(Wanted)}


def _begin(asked: Asked) -> Outcome:
    percent = asked.maybe("perfume_percent", "the perfume", most=100)
    wanted = Wanted(
        asked.text("name"),
        asked.text("product"),
        asked.text("strength"),
        asked.text("mildness"),
        asked.text("acidity"),
        tuple(offer.key for offer in offers.FREE if asked.ticked(f"free-{_word(offer.key)}")),
        tuple(m for m, _ in _stocked(asked) if asked.ticked(f"without-{m}")),
        asked.text("perfume"),
        offers.PERFUME_PERCENT if percent is None else percent,
        asked.maybe("budget", "the budget", least=0.001),
    )
    try:
        path = begin(asked.folder.path, wanted).path
    except DataError as error:
        told: dict[str, str] = {}
        for problem in error.problems:
            key = problem.key if problem.key in FIELDS else ""
            told[key] = f"{told.get(key, '')} {sentence(problem.what)} {problem.step}".strip()
        raise RefusedError(told) from None
    name = name_of(asked.folder.path, path)
    said = f"{wanted.name.strip()} is begun. Every figure is a place to begin: move it."
    return asked.done(path_to("formula", name), said)


@SCREEN.at("/begin", act=_begin, rights="formula")
def questions(asked: Asked) -> Page:
    """Ask."""
    scented = [("", "none"), *_scents(asked)]
    every = [(o.key, f"{o.words}") for o in offers.STRENGTHS["hand wash"]]
    asks = [
        field(asked, "name", "What is it called?", need=True),
        choice(asked, "product", "What is it?", [(o.key, o.words) for o in offers.PRODUCTS]),
        choice(asked, "strength", "How strong?", every, value="usual"),
        _strengths(),
        choice(asked, "mildness", "How mild?", [(o.key, o.words) for o in offers.MILDNESS], value="gentle"),
        choice(asked, "acidity", "Which pH?", [(o.key, _with_range(o)) for o in offers.ACIDITY], value="mild"),
        _ticks(asked, "What must not be in?", ((f"free-{_word(o.key)}", o.words) for o in offers.FREE)),
        choice(asked, "perfume", "Which perfume?", scented),
        _without_perfume() if "perfume" in asked.problems else None,
        field(
            asked, "perfume_percent", "How much of it", figure=True, unit="%", value=number(offers.PERFUME_PERCENT),
            hint="Of the product. 0.3 % is common practice, no source; your supplier knows the most that may be.",
        ),
        field(asked, "budget", "What may the blend cost?", figure=True, unit="per kg", hint=BUDGET),
        _left_out(asked),
    ]  # fmt: skip
    said = tag(
        "p",
        "A few questions lay a first brief. Its figures are common practice or made up, and say so: move them after.",
        class_="soft",
    )
    body = form(asked, "/begin", *asks, button("Begin"), keep="begin", class_="questions")
    return Page("A new product", markup(said, body), here="begin")


def _without_perfume() -> Html:
    """Return the way out where the perfume is what cannot be."""
    return tag("p", button("Begin without a perfume", quiet=True, name="perfume", value=""), class_="buttons")


def _strengths() -> Html:
    """Return what the words for strength stand for, product by product."""
    rows = [
        tag("tr", tag("th", product, scope="row"), *(tag("td", f"{o.low:g} to {o.high:g}", class_="n") for o in every))
        for product, every in offers.STRENGTHS.items()
    ]
    heads = (tag("th", o.words, scope="col", class_="n") for o in offers.STRENGTHS["hand wash"])
    table = tag(
        "table",
        tag("caption", f"Active matter, % of the product; {offers.COMMON}"),
        tag("thead", tag("tr", tag("td"), *heads)),
        tag("tbody", *rows),
    )
    return folded("What these words stand for", table)


def _with_range(offer: Offer) -> str:
    return f"{offer.words}: {offer.low:g} to {offer.high:g}"


def _ticks(asked: Asked, legend: str, boxes: Iterable[tuple[str, str]]) -> Html:
    picks = (tick(asked, name, words) for name, words in boxes)
    problem = asked.problems.get("free")
    told = tag("p", problem, class_="problem") if problem else None
    return tag("fieldset", tag("legend", legend), tag("div", *picks, class_="pick"), told)


def _left_out(asked: Asked) -> Html | None:
    stocked = _stocked(asked)
    if not stocked:
        return None
    return folded(
        "Leave out single materials", _ticks(asked, "Of your shelf", ((f"without-{m}", n) for m, n in stocked))
    )


def _word(key: str) -> str:
    return key.replace(" ", "-")


def _stocked(asked: Asked) -> list[tuple[str, str]]:
    """Return what lies on the folder's shelf, by id and name; nothing if there is none yet."""
    try:
        _, shelf = shelf_in(asked.folder.path)
        library = library_in(asked.folder.path)
    except DataError:
        return []
    names = library.names
    ids = {i for line in shelf.lines for i in names.get(line.material.casefold(), ())} - {"aqua"}
    return sorted(((i, library.by_id[i].name) for i in ids), key=lambda pair: pair[1])


def _scents(asked: Asked) -> list[tuple[str, str]]:
    """Return what can scent it: what is on the shelf, or where there is none yet, everything that is known."""
    try:
        library = library_in(asked.folder.path)
    except DataError:
        return []
    stocked = dict(_stocked(asked))
    known = offers.scents(library)
    there = [i for i in known if i in stocked] or [i for i in known if i == "parfum"]
    return [(i, library.by_id[i].name) for i in there]

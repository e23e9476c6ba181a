"""The library: a material found by an everyday word, what is known of it and on what that rests."""

from __future__ import annotations

from urllib.parse import quote, urlencode

from optimizer.answers.beginning import library_in
from optimizer.answers.known import doubts, evidence, law, material, materials_called, rules
from optimizer.data.facts import Material
from optimizer.desk.asked import Asked
from optimizer.desk.frame import asking, button, field, report, section
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, Screen
from optimizer.desk.words import on_page, sentence
from optimizer.errors import UsageError
from optimizer.units import listed, number

SCREEN = Screen(entry=("/library", "Library"), rank=25)
BACK = ("/library", "Library")
RESTS = (
    ("/library/how-backed", "How well its figures are backed"), ("/library/law", "What the law says"),
    ("/library/doubts", "What looks doubtful"), ("/library/limits", "What limits there are"),
)  # fmt: skip


@SCREEN.at("/library")
def find(asked: Asked) -> Page:
    """Ask for a word, and show every material that it speaks of."""
    known = library_in(asked.folder.path)
    words = asked.query.get("words", "").strip()
    asked.typed = {"words": [words]}
    found: list[Material] = []
    if words:
        try:
            found = list(materials_called(known, words).found.materials)
        except UsageError as error:
            asked.problems["words"] = sentence(on_page(str(error)))
    elif "words" in asked.query:
        asked.problems["words"] = "Type a word, such as salt."
    hint = "Part of a name, an everyday word such as salt, an abbreviation such as CAPB, or what it is for."
    ask = asking("/library", field(asked, "words", "Find a material", hint=hint), button("Find it"), novalidate=True)
    uses = sorted({f for m in known.materials for f in m.functions})
    links = (tag("a", use, href=f"/library?{urlencode({'words': use})}") for use in uses)
    further = (tag("a", said, href=to) for to, said in RESTS)
    body = markup(
        ask, section(f"Found: {len(found)}", map(_line, found)),
        tag("h2", "By what it is for"), tag("p", *links, class_="go"),
        tag("h2", "The library as a whole"), tag("p", *further, class_="go"),
    )  # fmt: skip
    return Page("Library", body, here="library", status=422 if asked.problems else 200)


def _line(found: Material) -> Html:
    active = found.surfactant_matter or found.active_matter
    facts = [found.inci, listed(list(found.functions)), f"{number(active, 1)} % active" if active else ""]
    return tag(
        "li",
        tag("p", tag("a", found.name, href=f"/library/of/{quote(found.id)}"), class_="name"),
        tag("p", ", ".join(filter(None, facts)), class_="of"),
    )


@SCREEN.at("/library/of/{material}")
def show(asked: Asked) -> Page:
    """Show everything known of a material, with who says so."""
    known = library_in(asked.folder.path)
    try:
        document = material(known, asked.names["material"]).document()
    except UsageError as error:
        said = tag("p", sentence(on_page(str(error))), class_="wrong")
        return Page("Not in the library", said, here="library", back=BACK, status=404)
    return Page(document.title, report(document), here="library", back=BACK)


@SCREEN.at("/library/how-backed")
def how_backed(asked: Asked) -> Page:
    """Show how many figures of the library were read, computed or believed."""
    document = evidence(library_in(asked.folder.path)).document()
    return Page("How well its figures are backed", report(document), here="library", back=BACK)


@SCREEN.at("/library/doubts")
def doubtful(asked: Asked) -> Page:
    """Show what looks doubtful in the library and in the maker's own materials."""
    known = library_in(asked.folder.path)
    document = doubts(known, asked.today).document()
    return Page("What looks doubtful", report(document, materials=known.by_id), here="library", back=BACK)


@SCREEN.at("/library/limits")
def limits(asked: Asked) -> Page:
    """Show which limits a brief can state, in words."""
    return Page("What limits there are", report(rules().document()), here="library", back=BACK)


@SCREEN.at("/library/law")
def in_law(asked: Asked) -> Page:
    """Show what the library holds of the law for a use."""
    use = "leave-on" if asked.query.get("use") == "leave-on" else "rinse-off"
    other = "rinse-off" if use == "leave-on" else "leave-on"
    link = tag("p", tag("a", f"For {other}", href=f"/library/law?use={other}"), class_="go")
    document = law(library_in(asked.folder.path), use).document()
    return Page(f"What the law says: {use}", markup(link, report(document)), here="library", back=BACK)

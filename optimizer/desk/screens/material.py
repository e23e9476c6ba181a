"""One material of a product: why it is in or out, and how the product goes on without it."""

from __future__ import annotations

from urllib.parse import quote

from optimizer.answers.draft import MISSING, Draft
from optimizer.answers.product import out_of_formula, swap, why
from optimizer.answers.rulers import Rulers
from optimizer.desk.asked import Asked
from optimizer.desk.drafting import address, back, carried, product_of
from optimizer.desk.frame import asking, button, choice, report
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen

SCREEN = Screen()


@SCREEN.at("/formula/{brief}/why")
def ask_why(asked: Asked) -> Page:
    """Ask which material, then show why it is in or out."""
    rulers, draft = product_of(asked)
    material = asked.query.get("material", "")
    offered = choice(asked, "material", "Material", out_of_formula(rulers, draft), value=material)
    send = tag("p", button("Why not this one?"), class_="buttons")
    ask = asking(address(asked, "why", {}), carried(draft), offered, send)
    title = "Why not this material?"
    if not material:
        return Page(title, ask, back=back(asked, rulers, draft))
    _known(rulers.brief.library.by_id, material)
    if nothing := _nothing(asked, rulers, draft):
        return nothing
    document = why(rulers, draft, material).document()
    return Page(
        document.title,
        markup(report(document, materials=rulers.brief.library.by_id), ask),
        back=back(asked, rulers, draft),
    )


@SCREEN.at("/formula/{brief}/swap")
def ask_instead(asked: Asked) -> Page:
    """Show the closest formula without a material, and what could stand in for it."""
    rulers, draft = product_of(asked)
    material = asked.query.get("material", "")
    _known(rulers.brief.library.by_id, material)
    if nothing := _nothing(asked, rulers, draft):
        return nothing
    document = swap(rulers, draft, material).document()
    without = address(asked, "", {**draft, f"{MISSING}{material}": 1.0})
    acts: list[Html] = []
    if material in rulers.brief.pool.index and f"{MISSING}{material}" not in draft:
        acts.append(tag("a", "Cheapest formula without it", href=without, class_="button quiet"))
    links = (("Why is it in, or out?", address(asked, "why", draft, material=material)),
             ("What is known of it", f"/library/of/{quote(material)}"))  # fmt: skip
    ask = tag("p", *(tag("a", words, href=to) for words, to in links), class_="go")
    body = markup(tag("p", *acts, class_="buttons"), ask, report(document, materials=rulers.brief.library.by_id))
    return Page(document.title, body, back=back(asked, rulers, draft))


def _nothing(asked: Asked, rulers: Rulers, draft: Draft) -> Page | None:
    """Return what is said where there is no formula that a material could be in."""
    found = rulers.prove(draft)
    if found is None or found.lines:
        return None
    clash = tag("a", "What clashes?", href=address(asked, "impossible", draft))
    return Page(
        "No formula", tag("p", "There is no formula as the limits stand. ", clash), back=back(asked, rulers, draft)
    )


def _known(materials: object, material: str) -> None:
    if material not in materials:  # type: ignore[operator]
        raise RefusedError({"": "There is no material of this name."})

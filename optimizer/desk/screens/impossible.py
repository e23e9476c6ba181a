"""A product whose limits clash: which, and every single mend with a button that tries it."""

from __future__ import annotations

from optimizer.answers.product import DraftMend, clash
from optimizer.desk.asked import Asked
from optimizer.desk.drafting import address, back, product_of
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, Screen
from optimizer.desk.words import named

SCREEN = Screen()


@SCREEN.at("/formula/{brief}/impossible")
def impossible(asked: Asked) -> Page:
    """Show what clashes and what would help."""
    rulers, draft = product_of(asked)
    found, mends = clash(rulers, draft)
    way = back(asked, rulers, draft)
    if found is None:
        body = tag("p", "Nothing clashes here: the limits can all be kept. ", tag("a", "To the formula", href=way[0]))
        return Page("What clashes", body, back=way)
    count, materials = len(found.readings), rulers.brief.library.by_id
    told = "This alone cannot be met:" if count == 1 else f"These {count} clash; without any one of them the rest fits:"
    said = [(named(mend.words, materials), mend) for mend in mends]
    return Page(
        "What clashes",
        markup(
            tag("p", told, class_="verdict"),
            tag("ul", *(tag("li", named(reading, materials)) for reading in found.readings)),
            _mends(asked, said, single=bool(found.single_repairs), hopeless=found.hopeless),
        ),
        back=way,
    )


def _mends(asked: Asked, mends: list[tuple[str, DraftMend]], *, single: bool, hopeless: bool) -> Html:
    if hopeless or not mends:
        words = "No limit of yours can give way here: other materials are needed, on the shelf or in the pool."
        return markup(tag("h2", "What would help"), tag("p", words))
    heading = "Each of these is enough by itself" if single else "These must give way together"
    return markup(tag("h2", heading), tag("ul", *(_mend(asked, *mend) for mend in mends), class_="entries"))


def _mend(asked: Asked, words: str, mend: DraftMend) -> Html:
    if mend.draft is None:
        below = tag("p", "No ruler does this: change it in the brief.", class_="of")
    else:
        below = tag(
            "p", tag("a", "Try this", href=address(asked, "", mend.draft), class_="button quiet"), class_="buttons"
        )
    return tag("li", tag("p", words, class_="name"), below)

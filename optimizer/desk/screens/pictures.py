"""Pictures of a product: the pH that suits everything, the trade-off with the formula as it stands, room to move."""

from __future__ import annotations

from collections.abc import Hashable

from optimizer.answers.draft import Draft
from optimizer.answers.product import against_of, leeway, trade_off, windows
from optimizer.answers.rulers import Rulers
from optimizer.desk.asked import Asked
from optimizer.desk.drafting import address, back, carried, product_of
from optimizer.desk.frame import asking, button, choice, field, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.work import Works, grown
from optimizer.report.document import Document

SCREEN = Screen()
WORKS = Works()
LOSS = 0.05
"""Loss at which room to move is drawn at first, in the unit of what is sought; an editable default, no source."""


@SCREEN.at("/formula/{brief}/pictures")
def pictures(asked: Asked) -> Page:
    """Show the pH windows at once; room to move follows by itself, the trade-off is asked for."""
    rulers, draft = product_of(asked)
    drawn = windows(rulers, draft)
    ph = report(Document("", "", (), tuple(drawn))) if drawn else tag("p", "There is no formula to draw here.")
    body = markup(ph, _trade_off(asked, rulers, draft), _room(asked, draft))
    return Page("Pictures", body, back=back(asked, rulers, draft))


def _trade_off(asked: Asked, rulers: Rulers, draft: Draft) -> Html:
    ask = asking(
        address(asked, "trade-off", {}),
        carried(draft),
        choice(asked, "against", "What is traded against it?", against_of(rulers)),
        tag("p", "Every break of the line is exact, which can take a minute; you may go on meanwhile.", class_="hint"),
        tag("p", button("Draw the trade-off", quiet=True), class_="buttons"),
    )
    return tag("section", tag("h2", "Trade-off"), ask)


def _room(asked: Asked, draft: Draft) -> Html:
    """Return room to move, which follows by itself, with a link for a browser without a script."""
    to = address(asked, "room", draft, loss=f"{LOSS:g}")
    waits = tag("p", "Being drawn, or ", tag("a", "look at it on a page of its own", href=to), ".", class_="soft")
    ask = asking(
        address(asked, "room", {}),
        carried(draft),
        field(
            asked, "loss", "What may it cost?", value=f"{LOSS:g}", figure=True, hint="In the unit of what is sought."
        ),
        tag("p", button("Draw it at this loss", quiet=True), class_="buttons"),
    )
    return tag("section", tag("h2", "Room to move"), tag("div", waits, id="room", data_follow=to), ask)


def stop(asked: Asked) -> Outcome:
    """Break a trade-off off."""
    rulers, draft = product_of(asked)
    WORKS.stop(_key(asked, rulers, draft))
    return asked.done(address(asked, "pictures", draft), "The trade-off was broken off.")


def _key(asked: Asked, rulers: Rulers, draft: Draft) -> Hashable:
    return rulers.path, rulers.digest, tuple(draft.items()), asked.query.get("against", "")


@SCREEN.at("/formula/{brief}/trade-off", act=stop)
def trade(asked: Asked) -> Page:
    """Show the trade-off, or how far it is."""
    rulers, draft = product_of(asked)
    against = asked.query.get("against", "")
    if against not in dict(against_of(rulers)):
        raise RefusedError({"": "This cannot be traded against it."})
    work = WORKS.of(
        _key(asked, rulers, draft),
        lambda work: report(trade_off(rulers, draft, against, work.tell, work.go_on)),
    )
    body = grown(asked, work, address(asked, "trade-off", draft, against=against), "It is being drawn.")
    return Page("Trade-off", body, back=(address(asked, "pictures", draft), "Pictures"))


@SCREEN.at("/formula/{brief}/room")
def room(asked: Asked) -> Page:
    """Return the room to move, as a part of the page or as one of its own."""
    rulers, draft = product_of(asked)
    asked.typed = {"loss": [asked.query.get("loss", "")]}
    document = leeway(rulers, draft, asked.figure("loss", "the loss", most=1000))
    return Page("Room to move", report(document, "r"), back=(address(asked, "pictures", draft), "Pictures"))

"""Pictures of a product: the pH that suits everything, the trade-off with the formula as it stands, room to move."""

from __future__ import annotations

from optimizer.answers.product import against_of, leeway, trade_off, windows
from optimizer.desk.asked import Asked
from optimizer.desk.drafting import address, back, hidden, rulers_of, sound_draft
from optimizer.desk.frame import button, choice, field, report
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.report.document import Document

SCREEN = Screen()
LOSS = 0.05
"""Loss at which room to move is drawn at first, in the unit of what is sought; an editable default, no source."""


@SCREEN.at("/formula/{brief}/pictures")
def pictures(asked: Asked) -> Page:
    """Show the pH windows at once; what takes longer follows by itself, or is asked for."""
    rulers = rulers_of(asked)
    draft = sound_draft(asked, rulers)
    offered = against_of(rulers)
    against = asked.query.get("against", offered[0][0])
    loss = asked.query.get("loss", f"{LOSS:g}")
    shown = asked.query.get("with", "")
    drawn = windows(rulers, draft)
    ph = report(Document("", "", (), tuple(drawn))) if drawn else tag("p", "There is no formula to draw here.")
    kept = hidden({key: f"{value:.10g}" for key, value in draft.items()})
    place = f"/formula/{asked.names['brief']}/pictures"
    ask = tag(
        "form",
        *kept,
        choice(asked, "against", "What is traded against it", offered, value=against),
        field(asked, "loss", "Loss that room to move may cost", value=loss, figure=True),
        tag("p", button("Draw it again", quiet=True), class_="buttons"),
        method="get",
        action=place,
    )
    parts = [
        _part(asked, "trade-off", "Trade-off", address(asked, "trade-off", draft, against=against), shown),
        _part(asked, "room", "Room to move", address(asked, "room", draft, loss=loss), shown),
    ]
    return Page("Pictures", markup(ph, *parts, ask), back=back(asked, rulers, draft))


def _part(asked: Asked, name: str, words: str, to: str, shown: str) -> Html:
    """Return a part that follows by itself, with a link for a browser without a script."""
    link = tag("noscript", tag("a", f"Draw it: {words.lower()}", href=to))
    waits = tag("p", "It is being drawn.", class_="soft", data_without_script=None)
    return tag("section", tag("h2", words), tag("div", waits, link, id=name, data_follow=to))


@SCREEN.at("/formula/{brief}/trade-off")
def trade(asked: Asked) -> Page:
    """Return the trade-off, as a part of the page or as one of its own."""
    rulers = rulers_of(asked)
    draft = sound_draft(asked, rulers)
    against = asked.query.get("against", "")
    if against not in dict(against_of(rulers)):
        raise RefusedError({"": "This cannot be traded against it."})
    document = trade_off(rulers, draft, against)
    return Page("Trade-off", report(document), back=(address(asked, "pictures", draft), "Pictures"))


@SCREEN.at("/formula/{brief}/room")
def room(asked: Asked) -> Page:
    """Return the room to move, as a part of the page or as one of its own."""
    rulers = rulers_of(asked)
    draft = sound_draft(asked, rulers)
    asked.typed = {"loss": [asked.query.get("loss", "")]}
    document = leeway(rulers, draft, asked.figure("loss", "the loss", most=1000))
    return Page("Room to move", report(document), back=(address(asked, "pictures", draft), "Pictures"))

"""A batch that was laid by mistake is put away: its file and its number stay, nothing asks for it any more."""

from __future__ import annotations

from optimizer.answers.bench import put_away, take_up_again
from optimizer.bench.batch import Batch, read_batch
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, field, form
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import alarms
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.way import away_said, file_of, page_of, place

SCREEN = Screen()


def act(asked: Asked) -> Outcome:
    """Put the batch away, or take it up again."""
    path = file_of(asked).path
    if asked.text("again"):
        take_up_again(path)
        return asked.done(place(asked, "weigh"), "It is under way again.")
    if not asked.text("why"):
        raise RefusedError({"why": "Say why; the reason is kept in the file."})
    put_away(path, asked.text("why"), asked.today)
    return asked.done("/", "Put away. Its file and its number stay.")


@SCREEN.at("/batch/{batch}/away", act=act)
def away(asked: Asked) -> Page:
    """Offer to put a batch away of which nothing is made, or tell that it is."""
    batch = read_batch(file_of(asked).path)
    return page_of(asked, batch, "weigh", _away(asked, batch))


def _away(asked: Asked, batch: Batch) -> Html:
    to = place(asked, "away")
    if batch.put_away:
        again = button("Take it up again", quiet=True, name="again", value="yes")
        return markup(alarms([away_said(batch)]), form(asked, to, again))
    if batch.begun:
        return tag("p", "Something went into this batch already, so it stays: strike what is wrong on its pages.")
    return form(
        asked,
        to,
        tag("p", "For a batch that was laid by mistake: the bench asks for it no more. The file stays in the folder, "
            "and its number is given to no other batch."),
        field(asked, "why", "Why", need=True),
        button("Put it away"),
    )  # fmt: skip

"""A batch laid from a product: how much, and where it lies then."""

from __future__ import annotations

from functools import partial

from optimizer.answers.product import lay
from optimizer.desk.asked import Asked
from optimizer.desk.guard import Outcome
from optimizer.desk.html import markup, path_to, tag
from optimizer.desk.laying import ask_size, laid
from optimizer.desk.screen import Page, Screen

SCREEN = Screen()


def _lay(asked: Asked) -> Outcome:
    brief = asked.folder.brief(asked.names["brief"])
    return laid(asked, brief, partial(lay, brief))


@SCREEN.at("/formula/{brief}/batch", act=_lay, rights="formula")
def batch(asked: Asked) -> Page:
    """Ask how much is made."""
    place = path_to("formula", asked.names["brief"])
    said = tag("p", "The formula is solved anew, proven, and rounded to what your scale can weigh.", class_="soft")
    body = markup(said, ask_size(asked, f"{place}/batch", asked.folder.brief(asked.names["brief"])))
    return Page("Lay a batch", body, back=(place, "To the formula"))

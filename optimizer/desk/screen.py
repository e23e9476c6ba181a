"""What a screen is: places of the desk, what is shown there, what may be sent there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html
from optimizer.errors import TensideError

if TYPE_CHECKING:
    from optimizer.desk.asked import Asked

Rights = Literal["bench", "formula"]
"""What a form changes: entries of the bench, which a telephone may, or anything else, which it may if it is allowed."""

SMALL, TABLE, LARGE = 64 * 1024, 2 * 1024 * 1024, 10 * 1024 * 1024
"""Longest form without a file, with a table and with a photo [bytes]."""


@dataclass(frozen=True)
class Page:
    """What a place shows.

    Attributes:
        title: What the page is about; also the title of the window.
        body: What stands below the title.
        here: The part of the desk that it belongs to: '' for the bench, 'shelf', 'records', 'briefs'.
        back: Where one comes from, as a link and its words, if that is not the bench.
        way: Links to the pages beside this one; who skips to the page skips them.
        status: HTTP status.
        bare: Only the body is wanted: a fragment that the script puts in place.
    """

    title: str
    body: Html
    here: str = ""
    back: tuple[str, str] | None = None
    way: Html | None = None
    status: int = 200
    bare: bool = False


@dataclass(frozen=True)
class Download:
    """A file to keep, or a picture to look at."""

    content: bytes
    kind: str
    name: str = ""
    """What the browser calls it; empty for one that is shown."""


class RefusedError(TensideError):
    """What was typed cannot be taken: a sentence for each field at fault, '' for the whole form.

    Attributes:
        problems: Sentence by field.
        readings: By field how a figure that can be read two ways can be read.
    """

    exit_code = 2

    def __init__(self, problems: Mapping[str, str], readings: Mapping[str, tuple[str, ...]] | None = None) -> None:
        super().__init__(" ".join(problems.values()))
        self.problems, self.readings = dict(problems), dict(readings or {})


Show = Callable[["Asked"], Page | Download]
Act = Callable[["Asked"], Outcome | None]
"""What a form does; None if it notes nothing yet, and the page is shown again with what was read of it."""


@dataclass(frozen=True)
class Place:
    """One address of a screen.

    Attributes:
        path: As Starlette writes it, such as '/batch/{batch}/weigh'.
        show: What is shown there.
        act: What a form that is sent there does; None if nothing is sent there.
        rights: What the form changes.
        longest: Longest form [bytes].
    """

    path: str
    show: Show
    act: Act | None = None
    rights: Rights = "bench"
    longest: int = SMALL


@dataclass
class Screen:
    """The places of one file of `desk/screens/`, which calls it `SCREEN`.

    Attributes:
        places: In the order in which addresses are compared.
        entry: The link in the head of every page, as address and words, if the screen has one.
        rank: Where that link stands among the others.
    """

    entry: tuple[str, str] | None = None
    rank: int = 0
    places: list[Place] = field(default_factory=list)

    def at(
        self, path: str, *, act: Act | None = None, rights: Rights = "bench", longest: int = SMALL
    ) -> Callable[[Show], Show]:
        """Register what is shown at an address, and what a form that is sent there does.

        If the form is refused, the same page is shown again with what was typed and the sentences beside the fields.
        """

        def register(show: Show) -> Show:
            self.places.append(Place(path, show, act, rights, longest))
            return show

        return register

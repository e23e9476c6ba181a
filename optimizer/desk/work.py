"""Work that takes longer than a page may: it goes on in a thread of its own, says how far it is, can be broken off."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, form
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.words import on_page, sentence
from optimizer.errors import TensideError

KEPT = 4
"""Works that are remembered; the oldest is broken off and forgotten."""
SOON_S = 3.0
"""How long a page waits for work before it says how far that is [s]."""


class BrokenOffError(TensideError):
    """Work that nobody waits for any more."""


class Work:
    """Something that is being worked out."""

    def __init__(self, ask: Callable[[Work], Html]) -> None:
        """Begin."""
        self.said, self.found, self.trouble = "It has begun.", Html(""), ""
        self.stopped = False
        self.done = threading.Event()
        threading.Thread(target=self._run, args=(ask,), daemon=True).start()

    def _run(self, ask: Callable[[Work], Html]) -> None:
        try:
            self.found = ask(self)
        except TensideError as error:
            self.trouble = str(error)
        except Exception:
            self.trouble = "This is a defect of the desk, not yours; your files are as they were."
            raise
        finally:
            self.done.set()

    def tell(self, words: str) -> None:
        """Say how far it is; broken off if nobody waits any more."""
        self.said = words
        self.go_on()

    def go_on(self) -> None:
        """Go on, unless nobody waits any more.

        Raises:
            BrokenOffError: If so.
        """
        if self.stopped:
            raise BrokenOffError("It was broken off; nothing is left of it.")


def grown(asked: Asked, work: Work, here: str, words: str) -> Html:
    """Return what a work found, or how far it is, which follows by itself, with the button that breaks it off.

    Args:
        asked: The request that it answers.
        work: The work.
        here: Its address, which also takes the form that breaks it off.
        words: What is being done.
    """
    if work.done.wait(SOON_S):
        body = tag("p", on_page(work.trouble), class_="wrong") if work.trouble else work.found
    else:
        body = markup(
            tag("p", words, class_="what"),
            tag("p", sentence(work.said), class_="of"),
            tag("noscript", tag("p", tag("a", "Look how far it is", href=here))),
            form(asked, here, button("Break it off", quiet=True)),
            tag("span", id="further", data_follow=here),
        )
    place = {"data_goes": "#growing"} if asked.fragment else {"id": "growing"}
    return tag("div", body, **place)


class Works:
    """What is being worked out, by what was asked."""

    def __init__(self) -> None:
        self._all, self._lock = OrderedDict[Hashable, Work](), threading.Lock()

    def of(self, key: Hashable, ask: Callable[[Work], Html]) -> Work:
        """Return the work that answers a question: the one that is under way or done, else a new one."""
        with self._lock:
            if key not in self._all:
                self._all[key] = Work(ask)
                while len(self._all) > KEPT:
                    self._all.popitem(last=False)[1].stopped = True
            return self._all[key]

    def stop(self, key: Hashable) -> None:
        """Break a work off and forget it."""
        with self._lock:
            found = self._all.pop(key, None)
        if found is not None:
            found.stopped = True

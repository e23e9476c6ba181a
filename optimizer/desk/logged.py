"""What pages with a log share: how much is added now, entries that can be struck, and how one is struck."""

from __future__ import annotations

from collections.abc import Iterable

from optimizer.bench.strike import Strike, Struck
from optimizer.data.cautions import cautions_from
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, choice, field, folded, form, section, tick
from optimizer.desk.html import Child, Html, markup, tag
from optimizer.desk.screen import RefusedError


def add_now(grams: str, of: str, words: str = "Add now") -> Html:
    """Return the next addition, as large as a balance shows it."""
    return markup(
        tag("p", words, class_="of"),
        tag("p", grams, tag("span", "g", class_="unit"), class_="figure"),
        tag("p", f"of {of}", class_="what"),
    )


def notes(said: Iterable[str]) -> Html | None:
    """Return sentences as a list, if there are any."""
    items = [tag("li", words) for words in said]
    return tag("ul", *items) if items else None


def alarms(said: Iterable[str]) -> Html | None:
    """Return what is said before anything else, if there is anything."""
    listed = notes(said)
    return tag("div", listed, class_="caution", role="note") if listed else None


def care(material: Material, library: Library) -> Html | None:
    """Return handling and cautions of a material that is weighed."""
    handling = tag("p", material.handling) if material.handling else None
    cautions = notes(c.text for c in cautions_from([material], library).values())
    return tag("div", handling, cautions, class_="caution") if handling or cautions else None


def sure(asked: Asked, words: str, key: str = "") -> Html | None:
    """Return the box by which somebody means it, once the desk has doubted it."""
    return tick(asked, "sure", f"It is meant so: {words}", key=f"{key}sure") if "" in asked.problems else None


def late(asked: Asked, noting: Html, finished: str) -> Html:
    """Return the form of a log: of a batch that is finished folded, for what was done before and is not noted yet."""
    if not finished:
        return noting
    return folded("Note what was done before it was finished", noting, open_=bool(asked.problems))


def entry(number: int, name: str, amount: str, *more: Child) -> Html:
    """Return one line of a log; its number, if it has one, hangs in the margin."""
    line = tag("div", tag("span", name, class_="name"), tag("span", amount, class_="n"), class_="line")
    return tag("li", tag("span", str(number or ""), class_="mark"), line, *more)


def log(*entries: Html, said: str = "") -> Html:
    """Return a log."""
    note = tag("p", said, class_="soft") if said else None
    return tag("section", tag("h2", "Log"), note, tag("ul", *entries, class_="entries"))


def striking(asked: Asked, to: str, number: int, keep: str, *hidden: Html) -> Html:
    """Return the folded form that strikes an entry; what was typed into another one is not its."""
    mine = asked.text("strike") == str(number)
    asking = asked if mine else asked.unasked
    sent = form(
        asking,
        to,
        *hidden,
        field(asking, "why", "Why it is wrong", key=f"why-{number}", need=True),
        button("Strike it", quiet=True, name="strike", value=str(number)),
        keep=f"{keep}-{number}",
    )
    return folded("Strike it", sent, open_=mine)


def added(asked: Asked, number: int) -> Html:
    """Return the question what of an entry is struck: its reading, or what was added as well."""
    mine = asked if asked.text("strike") == str(number) else asked.unasked
    both = (("reading", "the reading only: what was added stays in"), ("both", "both: it was not added either"))
    return choice(mine, "wrong", "What is wrong", both, key=f"wrong-{number}")


def strikable(number: int, said: str, *more: Child) -> Html:
    """Return a line with its number in the margin, and what strikes it."""
    return tag("li", tag("span", str(number), class_="mark"), said, *more)


def crossed(lines: Iterable[Struck]) -> Html | None:
    """Return the entries that count no more, each with its reason, if there are any."""
    items = (tag("li", tag("span", line.line, class_="struck"), f" struck: {line.why}") for line in lines)
    return section("Struck", items, entries=False)


def struck(asked: Asked, what: str) -> Strike:
    """Return what a form strikes.

    Raises:
        RefusedError: If it gives no reason, or names nothing.
    """
    if not asked.text("why"):
        raise RefusedError({"why": f"Say why; the reason is kept beside the {what}."})
    number = asked.whole("strike")
    if number < 1:
        raise RefusedError({"": f"There is no such {what}; nothing was struck."})
    return Strike(number, asked.text("why"), asked.today, asked.text("wrong") == "both")


def said_of(strike: Strike, what: str, *, with_additions: bool = False) -> str:
    """Return what is said once an entry is struck."""
    inside = " What was added before it is in all the same." if with_additions and not strike.not_added else ""
    return f"Struck: {what} {strike.number}. It stays in the file and counts no more.{inside}"

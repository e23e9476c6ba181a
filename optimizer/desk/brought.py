"""Tables that a maker brings: pasted or sent as a file, read before anything is kept, each doubtful name asked back.

A file that is sent stands as lines in the form from then on, where they can be mended; the desk remembers none of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from hashlib import sha256
from typing import Literal

from optimizer.answers.intake import sent_lines
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.data.names import material_of
from optimizer.desk.asked import Asked
from optimizer.desk.frame import area, button, field, fields, form, hidden, kept_as, written
from optimizer.desk.html import Child, Html, markup, tag
from optimizer.desk.screen import RefusedError
from optimizer.desk.words import in_full, in_words, sentence
from optimizer.errors import DataError, UsageError
from optimizer.immutable import replace
from optimizer.intake.typed import READINGS, settled_lines
from optimizer.intake.unclear import Unclear
from optimizer.report.document import Document, Listing

CALLED = "Its id, name or INCI name, as the library has it."
MOST = 40_000
"""Letters of a table on a page; a longer one is a page that no telephone shows."""
ASKED = 40
"""Names that are asked back at once."""
IS, NAMED, SEEN = "is.", "named.", "seen"


def taken_in(asked: Asked, of: Literal["formula", "prices"]) -> str:
    """Return the lines of the form; those of a file that came along take the place of what stood there.

    Raises:
        RefusedError: If there are none, they are too long, or the file is no table.
    """
    sent = asked.files.get("sheet")
    if sent is not None:
        try:
            lines = sent_lines(sent.name, sent.content, of)
        except DataError as error:
            raise RefusedError({"sheet": in_words(error)}) from None
        if len(lines) > MOST:
            raise RefusedError({"sheet": f"It has {len(lines)} letters, a page takes {MOST}: send a part of it."})
        asked.typed = {**asked.typed, "lines": [lines]}
    lines = written(asked, "lines")
    if asked.text("sign") in READINGS:
        lines = settled_lines(lines, asked.text("sign"))
        asked.typed = {**asked.typed, "lines": [lines], "sign": []}
    if not lines.strip():
        raise RefusedError({"lines": "Paste the lines, or choose a file."})
    if len(lines) > MOST:
        raise RefusedError({"lines": f"These are {len(lines)} letters, a page takes {MOST}: paste a part of it."})
    return lines


def bringing(asked: Asked, to: str, keep: str, hint: str, *more: Child) -> Html:
    """Return the form that takes a table: lines, a file, what else is asked, and what was read of it.

    Args:
        asked: The request that it answers.
        to: Where it is sent.
        keep: Under which name the browser keeps what is half typed.
        hint: How the lines may look.
        more: What else is asked.
    """
    shown = bool(asked.typed)  # the page says itself what was typed, and a file has become lines
    return form(
        asked,
        to,
        hidden({"keep": kept_as(to, keep)}) if shown else None,
        area(asked, "lines", "Lines", hint=hint),
        field(asked, "sheet", "Or a file", kind="file", hint="CSV or XLSX; its lines take the place of those above."),
        *more,
        keep="" if shown else keep,
        photo=True,
        class_="questions",
    )


def reading_button(asked: Asked) -> Html:
    """Return the button that reads the lines and keeps nothing."""
    return tag("p", button("Read it again" if asked.typed else "Read it", quiet=bool(asked.typed)), class_="buttons")


def readings(said: str) -> Html | None:
    """Return a button for each way to read lines, where something said is that nobody can know."""
    ways = [(key, words) for key, (phrase, words) in READINGS.items() if phrase in said]
    return (
        tag("p", *(button(words, name="sign", value=key) for key, words in ways), class_="readings") if ways else None
    )


def names_asked(asked: Asked, names: Iterable[Unclear], known: Library) -> Html | None:
    """Return a field for each name that is not certain, with a button for each material that it could be.

    What was said of others before stays, and can be said anew.
    """
    every = {_key(n.name): n for n in names}
    before = {
        key: asked.text(f"{NAMED}{key}") for key in _named(asked) if key not in every and asked.text(f"{IS}{key}")
    }
    if not every and not before:
        return None
    there = dict(list(every.items())[:ASKED])
    more = tag("p", f"{len(every) - ASKED} more names follow once these are told.") if len(every) > ASKED else None
    return tag(
        "section",
        tag("h2", "Which material is meant?"),
        tag("datalist", *(tag("option", value=n) for n in sorted(m.name for m in known.materials)), id="known"),
        hidden({f"{NAMED}{key}": n.name for key, n in there.items()} | {f"{NAMED}{k}": n for k, n in before.items()}),
        fields(_name_asked(asked, key, name, known) for key, name in there.items()),
        more,
        fields(field(asked, f"{IS}{key}", name, among="known") for key, name in before.items()),
    )


def _name_asked(asked: Asked, key: str, name: Unclear, known: Library) -> Html:
    could = tuple(known.by_id[i].name for i in name.candidates[:5] if i in known.by_id)
    asked.readings.setdefault(f"{IS}{key}", could)
    hint = "" if could else CALLED
    return field(asked, f"{IS}{key}", f"{name.name} (row {name.row})", among="known", hint=hint)


def _key(name: str) -> str:
    """Return what stands for a name in a form, whichever row it moves to."""
    return sha256(name.encode()).hexdigest()[:8]


def _named(asked: Asked) -> list[str]:
    """Return the keys of the names that a form was asked about."""
    return [key.removeprefix(NAMED) for key in asked.typed if key.startswith(NAMED)]


def words_said(asked: Asked, known: Library) -> dict[str, str]:
    """Return which material each name was said to mean, by the table's word.

    Raises:
        RefusedError: If one means no material.
    """
    found, wrong = dict[str, str](), dict[str, str]()
    for key in _named(asked):
        if asked.text(f"{IS}{key}"):
            try:
                found[asked.text(f"{NAMED}{key}")] = meant(asked, f"{IS}{key}", known).id
            except RefusedError as refused:
                wrong |= refused.problems
    if wrong:
        raise RefusedError(wrong)
    return found


def meant(asked: Asked, name: str, known: Library) -> Material:
    """Return the material that a field names.

    Raises:
        RefusedError: If it names none, or several.
    """
    text = asked.text(name)
    if not text:
        raise RefusedError({name: "Name the material."})
    try:
        return known.by_id[material_of(text, known.materials)]
    except UsageError as error:
        raise RefusedError({name: sentence(in_full(str(error), known.by_id))}) from None


def row_by_row(error: DataError, known: Library) -> str:
    """Return what is wrong with a table, each sentence with the row that it is about."""
    said = []
    for problem in error.problems:
        row = re.search(r", row (\d+)$", problem.where)
        said.append(f"Row {row[1]}: {problem.what} {problem.step}" if row else f"{problem.what} {problem.step}")
    return in_full(in_words(UsageError(" ".join(map(str.strip, map(sentence, said))))), known.by_id)


def in_names(document: Document, known: Library) -> Document:
    """Return a report whose sentences call materials by their whole names: two grades of one are told apart."""
    parts = (
        replace(part, items=tuple(in_full(item, known.by_id) for item in part.items))
        if isinstance(part, Listing)
        else part
        for part in document.sections
    )
    return replace(document, sections=tuple(parts))


def seen(*read: object) -> Html:
    """Return what the form remembers of what was read, so that nothing else is kept than what was shown."""
    return markup(hidden({SEEN: _mark(read)}))


def as_seen(asked: Asked, *read: object) -> bool:
    """Return whether what is read now is what the page showed."""
    return asked.text(SEEN) == _mark(read)


def _mark(read: object) -> str:
    return sha256(repr(read).encode()).hexdigest()[:16]

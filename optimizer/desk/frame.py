"""The frame of every page: head, the way back, what was said, the body. And the few pieces that screens share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from hashlib import sha256
from pathlib import Path

from optimizer.desk.asked import Asked
from optimizer.desk.guard import BENCH_ALONE
from optimizer.desk.html import Child, Html, markup, tag
from optimizer.desk.screen import Page
from optimizer.desk.words import NOBODY, Materials, document_on_page
from optimizer.report.document import Document, Sketch
from optimizer.report.formats.escape import escaped
from optimizer.report.formats.page import STYLE, piece
from optimizer.report.formats.pictures import drawn

STATIC = Path(__file__).with_name("static")
KINDS = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
STARTED_ANEW = (
    "The desk was started anew or does not let this browser in any more: use the address that 'tenside open' tells "
    "now, or the code under Devices, then load this page anew; what you have typed here stays."
)
"""What a page says whose stream is refused."""


@cache
def static() -> dict[str, tuple[str, bytes]]:
    """Return kind and content of each file that goes along with pages, by an address that changes with its content.

    The style begins with `page.css`, that of reports, whose pieces pages show.
    """
    found = {}
    for path in sorted(STATIC.iterdir()):
        content = path.read_bytes() if path.suffix != ".css" else STYLE.read_bytes() + path.read_bytes()
        found[f"/static/{sha256(content).hexdigest()[:12]}/{path.name}"] = KINDS[path.suffix], content
    return found


@cache
def address_of(name: str) -> str:
    """Return the address of a file that goes along with pages."""
    return next(address for address in static() if address.endswith(f"/{name}"))


def framed(asked: Asked, page: Page) -> str:
    """Return a page as HTML; of one that is wanted bare the body alone."""
    if page.bare or asked.fragment:
        return page.body
    entries = [("/", "Bench"), *asked.desk.entries]
    current = f"/{page.here}" if page.here else "/"
    links = (tag("a", words, href=to, aria_current="page" if to == current else None) for to, words in entries)
    said = asked.device.said(asked.query.get("said", ""))
    back = tag("a", f"‹ {page.back[1]}", href=page.back[0]) if page.back else None
    return markup(
        Html('<!DOCTYPE html>\n<html lang="en">'),
        tag(
            "head",
            tag("meta", charset="utf-8"),
            tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
            tag("title", f"{page.title} · tenside"),
            tag("link", rel="icon", href="data:,"),
            tag("link", rel="stylesheet", href=address_of("desk.css")),
            tag("script", src=address_of("desk.js"), defer=True),
        ),
        Html("<body>"),
        tag("a", "Skip to the page", href="#main", class_="skip"),
        tag("header", tag("nav", *links, aria_label="Desk"), class_="head"),
        tag("nav", back, class_="back", aria_label="Back") if back else None,
        page.way,
        tag(
            "main",
            tag("h1", page.title),
            _changes(asked),
            _said(said.words, said.clears) if said else None,
            _wrong(asked),
            page.body,
            id="main",
            tabindex="-1",
        ),
        tag("p", id="speaks", class_="unseen", aria_live="polite"),
        Html("</body></html>\n"),
    )


def _changes(asked: Asked) -> Html | None:
    """Return the place where is said that the file or the desk of the page is another, which nobody sees until then."""
    if not asked.watch:
        return None
    anew = tag("a", "Load the page anew", href=asked.here)
    watch = {"data_watch": asked.watch, "data_closed": STARTED_ANEW}
    return tag("p", tag("span"), " ", anew, ".", id="changed", class_="wrong", hidden=True, **watch)


def _said(words: str, clears: str) -> Html:
    return tag("p", words, class_="said", role="status", data_clears=clears)


def _wrong(asked: Asked) -> Html | None:
    """Return what is wrong with the form as a whole."""
    text = asked.problems.get("")
    others = [name for name in asked.problems if name]
    if text is None and not others:
        return None
    text = text or "Nothing was noted: look at the field that is marked."
    return tag("p", text, class_="wrong", role="alert")


def not_here(asked: Asked, to: str) -> Html | None:
    """Return what stands in the place of a form that this device may not send; None if it may, empty if it was said."""
    if asked.may_send(to):
        return None
    if BENCH_ALONE in asked.told:
        return markup()
    asked.told.add(BENCH_ALONE)
    return tag("p", BENCH_ALONE, class_="soft")


def form(asked: Asked, to: str, *parts: Child, keep: str = "", photo: bool = False, **attributes: str) -> Html:
    """Return a form that notes something once, however often it is sent.

    Args:
        asked: The request that it answers.
        to: Address that it is sent to.
        parts: Fields and buttons.
        keep: Under which name, beside the address, the browser keeps what is half typed until it is noted; empty for
            not at all.
        photo: Whether a file may come with it.
        attributes: Of the element.

    Returns:
        The form; where this device may not send it, once on a page who may.
    """
    refused = not_here(asked, to)
    if refused is not None:
        return refused
    return tag(
        "form",
        tag("input", type="hidden", name="form", value=asked.device.form_id(to.partition("?")[0])),
        tag("input", type="hidden", name="keep", value=kept_as(to, keep)) if keep else None,
        *parts,
        method="post",
        action=to,
        enctype="multipart/form-data" if photo else None,
        data_keep=kept_as(to, keep) if keep else None,
        novalidate=True,
        autocomplete="off",
        **attributes,
    )


def kept_as(to: str, keep: str) -> str:
    """Return what half-typed fields are kept as: the address names the thing, such as a batch, and `keep` the form."""
    return f"{to} {keep}"


def asking(to: str, *parts: Child, **attributes: str | bool) -> Html:
    """Return a form that asks for a page and notes nothing."""
    return tag("form", *parts, method="get", action=to, **attributes)


def hidden(told: Mapping[str, str]) -> list[Html]:
    """Return fields that a form sends and nobody sees."""
    return [tag("input", type="hidden", name=name, value=value) for name, value in told.items()]


def fields(*parts: Child, pair: bool = False) -> Html:
    """Return fields beside one another, where there is room; a pair of large ones always."""
    return tag("div", *parts, class_="fields pair" if pair else "fields")


def section(heading: str, items: Iterable[Html], *, entries: bool = True) -> Html | None:
    """Return a list under its heading, such as entries with their figures; nothing if it is empty."""
    rows = list(items)
    return tag("section", tag("h2", heading), tag("ul", *rows, class_="entries" if entries else None)) if rows else None


def way_of(links: Iterable[tuple[str, str, bool]], label: str) -> Html:
    """Return the links to pages that belong together, as address, words and whether it is the present one."""
    items = (tag("li", tag("a", words, href=to, aria_current="step" if here else None)) for to, words, here in links)
    return tag("nav", tag("ol", *items, class_="way"), aria_label=label)


def field(
    asked: Asked,
    name: str,
    label: str,
    *,
    value: str = "",
    figure: bool = False,
    unit: str = "",
    hint: str = "",
    choices: Iterable[str] = (),
    among: str = "",
    big: bool = False,
    kind: str = "text",
    need: bool = False,
    key: str = "",
) -> Html:
    """Return a field with its label, what was typed before, and below it what is wrong with that.

    Args:
        asked: The request that it answers.
        name: Name of the field; once on a page.
        label: What to type.
        value: What stands in it at first.
        figure: Whether a figure is typed: a keyboard of digits, and what was read is told beside it.
        unit: What follows the figure.
        hint: A few words below.
        choices: What is offered; anything else may be typed too.
        among: Id of a list on the page that is offered, instead of one of the field's own.
        big: Whether its letters are large.
        kind: Type of the field.
        need: Whether it may not be left empty.
        key: Its id, if several forms of the page have a field of this name.
    """
    key, problem, choices = key or name, asked.problems.get(name), list(choices)
    told = [n for n, there in ((f"{key}-hint", hint), (f"{key}-problem", problem)) if there]
    typed = tag(
        "input",
        id=key,
        name=name,
        type=kind,
        inputmode="decimal" if figure else None,
        value=asked.text(name, value),
        list=among or (f"{key}-list" if choices else None),
        aria_describedby=" ".join(told) or None,
        aria_invalid="true" if problem else None,
        aria_required="true" if need else None,
        data_echo=unit or "1" if figure else None,
        autocapitalize="off",
        spellcheck="false",
    )
    behind = tag("span", unit, class_="unit") if unit else None, _echo(key) if figure else None
    return tag(
        "div",
        tag("label", label, for_=key),
        tag("span", typed, behind, class_="entry"),
        tag("datalist", *(tag("option", value=c) for c in choices), id=f"{key}-list") if choices else None,
        tag("p", hint, id=f"{key}-hint", class_="hint") if hint else None,
        tag("p", problem, id=f"{key}-problem", class_="problem") if problem else None,
        _readings(name, asked.readings.get(name, ()), unit),
        class_="field big" if big else "field",
    )


def area(asked: Asked, name: str, label: str, *, hint: str = "", rows: int = 10) -> Html:
    """Return a field for several lines, with what was typed before, and below it what is wrong with that."""
    problem = asked.problems.get(name)
    typed = tag(
        "textarea",
        _lines_as_typed(written(asked, name)),
        id=name,
        name=name,
        rows=rows,
        aria_describedby=f"{name}-hint" + f" {name}-problem" * bool(problem),
        aria_invalid="true" if problem else None,
        autocapitalize="off",
        spellcheck="false",
    )
    return tag(
        "div",
        tag("label", label, for_=name),
        typed,
        tag("p", hint, id=f"{name}-hint", class_="hint"),
        tag("p", problem, id=f"{name}-problem", class_="problem") if problem else None,
        class_="field wide-field",
    )


def _lines_as_typed(text: str) -> Html:
    """Return lines as they were typed, with their tabs; the first line break of a textarea is dropped."""
    lines = ("\t".join(map(escaped, line.split("\t"))) for line in text.splitlines())
    return Html("\n" + "\n".join(lines))


def written(asked: Asked, name: str) -> str:
    """Return what stands in a field for several lines; blanks at the beginning of a line may be an empty cell."""
    return (asked.typed.get(name) or ("",))[-1].strip("\r\n")


def _echo(key: str) -> Html:
    """Return the place where is told what was read of a figure."""
    return tag("output", for_=key, class_="echo")


def _readings(name: str, readings: Iterable[str], unit: str) -> Html | None:
    """Return a button for each way in which a figure can be read: it sends the form with that figure."""
    buttons = [
        tag("button", f"{r} {unit}".strip(), type="submit", name=name, value=r, class_="reading") for r in readings
    ]
    return tag("p", *buttons, class_="readings") if buttons else None


def choice(
    asked: Asked, name: str, label: str, options: Iterable[tuple[str, str]], *, value: str = "", key: str = ""
) -> Html:
    """Return a list to choose one of: values with their words."""
    key, chosen, problem = key or name, asked.text(name, value), asked.problems.get(name)
    told = (tag("option", words, value=v, selected=v == chosen) for v, words in options)
    return tag(
        "div",
        tag("label", label, for_=key),
        tag("select", *told, id=key, name=name, aria_invalid="true" if problem else None),
        tag("p", problem, class_="problem") if problem else None,
        class_="field",
    )


def tick(asked: Asked, name: str, label: str, *, key: str = "") -> Html:
    """Return a box to tick."""
    box = tag("input", type="checkbox", id=key or name, name=name, value="yes", checked=asked.ticked(name))
    return tag("p", box, tag("label", label, for_=key or name), class_="tick")


def button(words: str, *, quiet: bool = False, **attributes: str) -> Html:
    """Return the button that sends a form."""
    return tag("button", words, type="submit", class_="quiet" if quiet else None, **attributes)


def folded(words: str, *parts: Child, open_: bool = False) -> Html:
    """Return what is seen when its words are touched; nothing if there is nothing to be seen."""
    inside = markup(*parts)
    return tag("details", tag("summary", words), inside, open=open_) if inside else inside


def report(document: Document, key: str = "s", materials: Materials = NOBODY) -> Html:
    """Return a report, without its title, as the body of a page or a part of it.

    Args:
        document: The report.
        key: Begins every id in it.
        materials: Those that it may speak of by their id, which are called by their names.
    """
    return tag("div", Html(piece(document_on_page(document, materials), key)), class_="report")


def sketched(sketch: Sketch, key: str) -> Html:
    """Return a drawing with its words; `key` begins every id in it."""
    note = tag("figcaption", sketch.note) if sketch.note else None
    return tag("figure", Html(drawn(sketch, key)), note)

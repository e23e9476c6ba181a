"""The formula of a product with its limits on rulers: a verdict that stays in sight, what a step costs, what moved.

Without a script the rulers are fields and a button. With it every move is asked at once, and the proof follows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import isnan
from urllib.parse import urlencode

from optimizer.answers.draft import SIDES, Draft, Mark
from optimizer.answers.keeping import ChangedMeanwhileError, can_be_put_back, keep, keep_as_variant, put_back
from optimizer.answers.ruled import Moved, Ruled, Ruler
from optimizer.answers.rulers import Rulers
from optimizer.desk.asked import Asked
from optimizer.desk.drafting import ELSE, LATEST, PLAIN, address, draft_of, in_order, rulers_of
from optimizer.desk.frame import button, field, folded, form, hidden
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import named, on_page, sentence
from optimizer.errors import DataError
from optimizer.units import number

SCREEN = Screen()
AT_REST = "600"
"""Time after which a ruler counts as at rest, so that what takes long does not hold up the next move [ms]."""
HATCHED = Html(
    '<svg width="0" height="0" aria-hidden="true"><defs><pattern id="hatched" width="5" height="5" '
    'patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="hatch" d="M2.5 0v5"/></pattern></defs>'
    "</svg>"
)


@SCREEN.at("/formula/{brief}")
def formula(asked: Asked) -> Page:
    """Show the formula with its rulers, or to the script only what a move changed."""
    return _formula(asked)


def _formula(asked: Asked) -> Page:
    rulers = rulers_of(asked)
    draft, wrong, readings = draft_of(asked, rulers)
    asked.problems, asked.readings = {**wrong, **asked.problems}, {**readings, **asked.readings}
    if wrong:
        nowhere = [sentence(text) for key, text in wrong.items() if key not in rulers.keys]
        words = " ".join(nowhere) or "A figure cannot be used as it stands."
        asked.problems.setdefault("", f"{words} Everything else counts.")
    LATEST.next(asked, rulers.path)
    if asked.query.get("reach"):
        rulers.reach(draft)
    found, trouble = _asked(rulers.ask if asked.fragment else rulers.prove, draft)
    if asked.fragment:
        return Page("", _moved(asked, rulers, found, trouble), bare=True)
    return Page(rulers.brief.scenario.name, _page(asked, rulers, draft, found, trouble), here="")


@SCREEN.at("/formula/{brief}/proof")
def proof(asked: Asked) -> Page:
    """Return what a move changed, proven; asked again where something newer came in between."""
    rulers = rulers_of(asked)
    draft, _, _ = draft_of(asked, rulers)
    found = rulers.prove(draft, LATEST.next(asked, rulers.path))
    if found is None:
        return Page("", _following(asked, draft, "Same materials, proof follows."), bare=True)
    return Page("", _moved(asked, rulers, found, "", within="#answer"), bare=True)


@SCREEN.at("/formula/{brief}/reach")
def reach(asked: Asked) -> Page:
    """Return where nothing fits any more."""
    rulers = rulers_of(asked)
    draft, _, _ = draft_of(asked, rulers)
    if not rulers.reach(draft, LATEST.next(asked, rulers.path)):
        return Page("", markup(), bare=True)
    return Page("", markup(_told(rulers.ask(draft).rulers)), bare=True)


def _asked(question: Callable[[Draft], Ruled | None], draft: Draft) -> tuple[Ruled | None, str]:
    """Return what is known of a draft, or why it cannot be."""
    try:
        return question(draft), ""
    except DataError as error:
        return None, " ".join(sentence(on_page(p.what)) for p in error.problems)


def _page(asked: Asked, rulers: Rulers, draft: Draft, found: Ruled | None, trouble: str) -> Html:
    every = in_order(rulers)
    marks, others = ([m for m in every if (m.rule.kind in PLAIN) == plain] for plain in (True, False))
    told = {ruler.key: ruler for ruler in found.rulers} if found else {}
    open_ = any(m.key in draft or m.key in asked.problems for m in others)
    gone = {key: "1" for key in draft if key not in {m.key for m in rulers.marks}}
    materials = rulers.brief.library.by_id

    def ruler(mark: Mark) -> Html:
        return _ruler(asked, mark, named(mark.rule.name, materials), draft, told.get(mark.key))

    fields = tag(
        "form",
        hidden(gone),
        *map(ruler, marks),
        folded("Further limits", *map(ruler, others), open_=open_) if others else None,
        tag("p", button("What does that come to?"), data_without_script=True, class_="buttons"),
        action=address(asked, "", {}),
        method="get",
        data_live="#answer",
        novalidate=True,
        autocomplete="off",
        class_="rulers",
    )
    doses = tag("div", _lines(asked, found), id="doses")
    side = tag("div", doses, _acting(asked, rulers, found, id="acts"), _cautions(found, id="cautions"))
    return markup(
        tag("div", _verdict(asked, found, trouble), id="answer", class_="verdict-line"),
        tag("div", _alarms(found), id="alarms"),
        HATCHED,
        tag("div", tag("section", tag("h2", "Limits"), fields), side, class_="two"),
    )


def _alarms(found: Ruled | None) -> Html | None:
    """Return what is said before anything else."""
    said = [tag("li", words) for words in found.alarms] if found else []
    return tag("ul", *said, class_="caution") if said else None


def _moved(asked: Asked, rulers: Rulers, found: Ruled | None, trouble: str, within: str = "") -> Html:
    """Return what takes its place on a page whose limits were moved: the verdict, and each part that it changes."""
    verdict = _verdict(asked, found, trouble)
    return markup(
        tag("div", verdict, data_goes=within) if within else verdict,
        tag("div", _alarms(found), data_goes="#alarms"),
        tag("div", _lines(asked, found), data_goes="#doses"),
        _acting(asked, rulers, found, data_goes="#acts"),
        _cautions(found, data_goes="#cautions"),
        _told(found.rulers) if found else _untold(rulers),
    )


def _verdict(asked: Asked, found: Ruled | None, trouble: str) -> Html:
    """Return the line that stays in sight: cost, change, pH, and how sure it is."""
    if found is None:
        return tag("p", tag("strong", "These limits cannot be"), f" {trouble}", class_="sum", data_speak=True)
    parts = [tag("strong", found.verdict)]
    if found.against and found.moved:
        parts.append(tag("span", found.against))
    if found.alone:
        parts.append(tag("span", found.alone))
    if not isnan(found.ph):
        parts.append(tag("span", f"pH {number(found.ph, 2)}"))
    what = tag("p", *parts, class_="sum", data_speak=True, data_number=str(found.number), data_word=found.word)
    address_ = address(asked, "", found.moved)
    if found.word in ("same choices", "open") or (found.ending == "optimal" and not found.stepped):
        standing = tag("p", _following(asked, found.moved, found.standing), class_="standing")
    else:
        standing = tag("p", found.standing, *_clash(asked, found), class_="standing")
    follow = address(asked, "reach", found.moved) if _unreached(found) else ""
    later = None
    if follow:
        asks = tag("noscript", tag("a", "Where does nothing fit?", href=address(asked, "", found.moved, reach="1")))
        later = tag("span", asks, id="reach", data_follow=follow, data_after=AT_REST)
    return markup(what, standing, tag("span", data_address=address_), later)


def _following(asked: Asked, draft: Draft, words: str) -> Html:
    return tag("span", words, id="proof", data_follow=address(asked, "proof", draft))


def _clash(asked: Asked, found: Ruled) -> Iterable[Html]:
    if found.ending == "infeasible":
        yield tag("a", "What clashes?", href=address(asked, "impossible", found.moved))


def _unreached(found: Ruled) -> bool:
    """Return whether it is not known yet where nothing fits any more."""
    sought = [r for r in found.rulers if r.mark.live and r.mark.field != "exactly"]
    return found.stepped and found.ending == "optimal" and any(isnan(r.fits_to) for r in sought)


def _ruler(asked: Asked, mark: Mark, name: str, draft: Draft, ruler: Ruler | None) -> Html:
    """Return one limit by its name: its figure to type, its ruler to move, and what is said of it."""
    at = number(draft.get(mark.key, mark.at), 6)
    key, problem = mark.key, asked.problems.get(mark.key)
    typed = asked.query.get(key, at) if problem else at
    low, high = min(mark.least, draft.get(key, mark.at)), max(mark.most, draft.get(key, mark.at))
    readings = (tag("a", r, href=address(asked, "", {**draft, key: float(r)})) for r in asked.readings.get(key, ()))
    return tag(
        "div",
        tag("label", name, tag("span", f" {SIDES[mark.field]}", class_="side"), for_=key),
        tag(
            "span",
            tag(
                "input", id=key, name=key, value=typed, inputmode="decimal", aria_describedby=f"told-{key}",
                aria_invalid="true" if problem else None, spellcheck="false", autocapitalize="off", size="6",
            ),
            tag("span", mark.rule.unit, class_="unit"),
            class_="entry",
        ),
        tag("p", problem, *readings, class_="problem") if problem else None,
        tag(
            "div",
            tag("div", _scale(ruler) if ruler else None, id=f"scale-{key}", class_="scale"),
            tag(
                "input", type="range", min=number(low, 6), max=number(high, 6), step=number(mark.step, 6), value=at,
                aria_label=f"{name} {SIDES[mark.field]}", data_moves=key, hidden=True,
            ),
            class_="slide",
        ),
        tag("div", _said(ruler) if ruler else None, id=f"told-{key}", class_="told"),
        class_="ruler",
    )  # fmt: skip


def _told(rulers: Iterable[Ruler]) -> list[Html]:
    return [
        tag("div", part(ruler), data_goes=f"#{place}-{ruler.key}")
        for ruler in rulers
        for place, part in (("told", _said), ("scale", _scale))
    ]


def _untold(rulers: Rulers) -> list[Html]:
    """Return the places of what is said of each ruler, emptied: nothing is known where there is no formula."""
    return [tag("div", data_goes=f"#told-{mark.key}") for mark in rulers.marks]


def _said(ruler: Ruler) -> Html:
    """Return what is said below a ruler."""
    words = []
    if not isnan(ruler.value):
        words.append(tag("span", f"has {number(ruler.value, 2)}"))
    if ruler.binding:
        words.append(tag("span", "sits on it", class_="on"))
    if ruler.costs:
        words.append(tag("span", ruler.costs))
    if ruler.nothing:
        words.append(tag("span", ruler.nothing))
    if ruler.at != ruler.in_file:
        words.append(tag("span", f"in the file {number(ruler.in_file, 6)}"))
    return tag("p", *words)


def _scale(ruler: Ruler) -> Html:
    """Return the scale: where nothing fits hatched, the figure of the file as a notch, that of the formula as a dot."""
    width = ruler.most - ruler.least or 1.0

    def at(value: float) -> str:
        return f"{100 * min(max((value - ruler.least) / width, 0.0), 1.0):.2f}%"

    parts = [tag("line", x1="0", x2="100%", y1="7", y2="7", class_="track")]
    if ruler.nothing:
        upper = ruler.mark.field == "at_least"
        share = 100 * (ruler.most - ruler.fits_to if upper else ruler.fits_to - ruler.least) / width
        left = at(ruler.fits_to) if upper else "0"
        parts.append(
            tag("rect", x=left, width=f"{share:.2f}%", y="3", height="8", class_="nothing", fill="url(#hatched)")
        )
    parts.append(tag("line", x1=at(ruler.in_file), x2=at(ruler.in_file), y1="0", y2="14", class_="notch"))
    if not isnan(ruler.value) and ruler.least <= ruler.value <= ruler.most:
        parts.append(tag("circle", cx=at(ruler.value), cy="7", r="4", class_="has"))
    return tag("svg", *parts, height="14", width="100%", aria_hidden="true")


def _lines(asked: Asked, found: Ruled | None) -> Html:
    """Return the formula, each dose with what it was in the file."""
    if found is None or not found.lines:
        return markup()
    moved = any(not isnan(line.change) for line in found.lines)
    rows = [_line(asked, found, line, moved) for line in found.lines if line.percent >= 0.005 or not isnan(line.change)]
    sums = (found.held_for, found.held_back), ("total", found.total)
    rows += [_sum(words, percent, moved) for words, percent in sums if words]
    heads = (tag("th", h, scope="col", class_="n") for h in ("%", *(["change"] if moved else [])))
    return markup(
        tag("h2", "Formula"),
        tag(
            "table",
            tag("caption", "% w/w as supplied, before it is rounded to your scale"),
            tag("thead", tag("tr", tag("th", "material", scope="col"), *heads)),
            tag("tbody", *rows),
        ),
        tag("p", f"Out of what is kept free: {found.planned}.") if found.planned else None,
        tag("p", tag("a", "Why not another material?", href=address(asked, "why", found.moved)), class_="go"),
    )


def _cautions(found: Ruled | None, **attributes: str) -> Html:
    """Return what always applies and what the materials ask for; it stays as it is while they are the same."""
    general, *own = found.cautions if found and found.cautions else ("",)
    listing = tag("ul", *(tag("li", words) for words in own), class_="caution") if own else None
    about = " ".join(line.id for line in found.lines if line.percent > 0) if found else ""
    said = tag("p", general, class_="soft") if general else None
    return tag("div", said, folded("Cautions", listing), data_as=about, **attributes)


def _sum(words: str, percent: float, moved: bool) -> Html:
    """Return what stands below the lines: what is kept free, and the total."""
    return tag(
        "tr",
        tag("th", words, scope="row"),
        tag("td", f"{percent:.2f}", class_="n"),
        tag("td", "", class_="n") if moved else None,
    )


def _line(asked: Asked, found: Ruled, line: Moved, moved: bool) -> Html:
    to = address(asked, "swap", found.moved, material=line.id)
    name = line.name if line.id == "aqua" else tag("a", line.name, href=to)
    change = "" if isnan(line.change) else f"{line.change:+z.2f}".replace("-", "−")
    return tag(
        "tr",
        tag("th", name, scope="row"),
        tag("td", f"{line.percent:.2f}" if line.percent > 0 else "out", class_="n"),
        tag("td", change, class_="n") if moved else None,
        class_="moved" if change else None,
    )


def _acting(asked: Asked, rulers: Rulers, found: Ruled | None, **attributes: str) -> Html:
    """Return what can be done, marked by what it is about: a proof that follows leaves what is typed there alone."""
    about = f"{found.ending} {address(asked, '', found.moved)}" if found else ""
    return tag("div", _acts(asked, rulers, found), data_as=about, **attributes)


def _acts(asked: Asked, rulers: Rulers, found: Ruled | None) -> Html:
    """Return what can be done with the formula as it stands."""
    place = path_to("formula", asked.names["brief"])
    if found is None:
        return tag("p", tag("a", "Leave the brief as it is", href=place), class_="go")
    draft = found.moved
    pictures = tag("a", "Pictures", href=address(asked, "pictures", draft))
    drawn = [
        pictures,
        tag("a", "A whole range", href=address(asked, "range-of", draft)),
        tag("a", "Advice", href=address(asked, "advice", draft)) if found.ending == "optimal" else None,
    ]
    if not draft:
        lay = tag("a", "Lay a batch", href=f"{place}/batch", class_="button")
        kept = _put_back(asked, rulers) if can_be_put_back(rulers.path) else None
        sides = tag("a", "Variants side by side", href=f"{place}/variants")
        own = tag("a", "A formula of your own", href=f"/bring?{urlencode({'for': asked.names['brief']})}")
        master = tag("a", "Master formula", href=f"{place}/master") if found.ending == "optimal" else None
        return markup(
            tag("p", lay, class_="buttons") if found.ending == "optimal" else None,
            tag("p", *drawn, sides, master, own, class_="go"),
            kept,
        )
    names = rulers.brief.library.by_id
    gone = [names[key.partition(".")[2]].name for key in draft if key.startswith("missing.")]
    return markup(
        tag("p", f"Without {', '.join(gone)}.", class_="of") if gone else None,
        form(asked, f"{place}/keep", *_kept(rulers, found), button("Keep in the brief")),
        folded(
            "Keep as a variant",
            form(
                asked, f"{place}/variant", *_kept(rulers, found),
                field(asked, "name", "What is it called?", key="variant-name"), button("Keep as a variant", quiet=True),
                keep="variant",
            ),
        ),
        tag("p", tag("a", "Leave the brief as it is", href=place), *drawn, class_="go"),
    )  # fmt: skip


def _kept(rulers: Rulers, found: Ruled) -> list[Html]:
    """Return the draft as fields that nobody sees, with what the page shows as the file's."""
    was = {f"was.{m.key}": f"{m.at!r}" for m in rulers.marks if m.key in found.moved}
    return hidden({f"to.{key}": f"{value!r}" for key, value in found.moved.items()} | was | {"digest": found.digest})


def _put_back(asked: Asked, rulers: Rulers) -> Html:
    place = path_to("formula", asked.names["brief"], "back")
    undo = button("Put back the brief as it was before", quiet=True)
    return form(asked, place, hidden({"digest": rulers.digest}), undo)


def _sent(asked: Asked, prefix: str) -> dict[str, float]:
    """Return the figures of a form whose fields begin with a word."""
    found = {}
    for name in asked.typed:
        if name.startswith(prefix):
            try:
                found[name.removeprefix(prefix)] = float(asked.text(name))
            except ValueError:
                raise RefusedError({"": "The form holds something that is no figure. Load the page anew."}) from None
    return found


def _keep(asked: Asked) -> Outcome:
    path = asked.folder.brief(asked.names["brief"])
    draft = _sent(asked, "to.")
    if not draft:
        raise RefusedError({"": "Nothing was moved, so there is nothing to keep."})
    try:
        keep(path, draft, _sent(asked, "was."))
    except ChangedMeanwhileError as error:
        said = "; ".join(
            f"{c.key.replace('.', ' ')}: {number(c.file)} in the file now, {number(c.yours)} of yours, "
            f"{number(c.page)} when you began"
            for c in error.clashes
        )
        raise RefusedError(
            {"": f"The brief was changed meanwhile, just where you moved it. {said}. Nothing was written."}
        ) from None
    return asked.done(path_to("formula", asked.names["brief"]), "Kept in the brief.")


def _variant(asked: Asked) -> Outcome:
    path = asked.folder.brief(asked.names["brief"])
    try:
        made = keep_as_variant(path, _sent(asked, "to."), asked.text("name"))
    except DataError as error:
        raise RefusedError({p.key if p.key == "name" else "": f"{p.what} {p.step}" for p in error.problems}) from None
    parent = asked.names["brief"].rpartition("~")[0]
    to = f"{parent}~{made.stem}" if parent else made.stem
    return asked.done(path_to("formula", to), f"Kept as {made.name}.")


def _back(asked: Asked) -> Outcome:
    path = asked.folder.brief(asked.names["brief"])
    put_back(path, asked.text("digest"))
    return asked.done(path_to("formula", asked.names["brief"]), "The brief is as it was before its last change.")


def _with_draft(asked: Asked) -> Page:
    """Show the formula again with the draft that could not be kept."""
    figures = {key: f"{value:.10g}" for key, value in _sent(asked, "to.").items()}
    asked.query = {**figures, **{k: v for k, v in asked.query.items() if k in ELSE}}
    return _formula(asked)


SCREEN.at("/formula/{brief}/keep", act=_keep, rights="formula")(_with_draft)
SCREEN.at("/formula/{brief}/variant", act=_variant, rights="formula")(_with_draft)
SCREEN.at("/formula/{brief}/back", act=_back, rights="formula")(_with_draft)

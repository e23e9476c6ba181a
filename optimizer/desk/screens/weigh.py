"""Weighing a batch: one line at a time, its grams as large as a balance shows them."""

from __future__ import annotations

from optimizer.answers.bench import batch_of, go_on_without, note_weights, sheet_of
from optimizer.answers.subject import Subject
from optimizer.bench.strike import Struck, lines_of, struck_of
from optimizer.bench.weigh import Step, WeighLine, WeighSheet
from optimizer.bench.weighed import Weight, tolerance_g
from optimizer.data.cautions import cautions_from
from optimizer.desk.asked import Asked
from optimizer.desk.frame import asking, button, choice, field, fields, folded, form, hidden, report, section
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import alarms, crossed, notes, said_of, strikable, striking, struck, sure
from optimizer.desk.screen import Download, Page, RefusedError, Screen
from optimizer.desk.way import onwards, page_of, place, subject, way
from optimizer.desk.words import sentence
from optimizer.immutable import replace
from optimizer.report.document_pdf import document_pdf
from optimizer.report.weigh import after_of, cautions_told, grams_text, head_of, remark, weigh_document
from optimizer.studies.substituted import SwapWish
from optimizer.units import AS_TYPED, number

SCREEN = Screen()


def note(asked: Asked) -> Outcome:
    """Note one weight, or strike one."""
    found = subject(asked)
    if asked.text("strike"):
        wrong = struck(asked, "weight")
        note_weights(found, wrong=wrong, on=asked.today)
        return asked.done(place(asked, "weigh"), said_of(wrong, "weight"))
    material = asked.text("material")
    # The pH of every step is estimated for a sheet: only what is held ready for the bench needs one here.
    sheet = sheet_of(found) if any(item.id == material for item in found.brief.pool.later) else None
    early = sheet is not None and any(
        m.id == material for step in sheet.steps if step.part.may_be_now for m in step.part.later
    )
    if material not in batch_of(found).doses and not early:
        raise RefusedError({"": "This line is not on the weigh sheet any more; nothing was noted."})
    grams = asked.figure("grams", "the weight", unit="g")
    meant = asked.ticked("sure") or (sheet is not None and early and grams <= sheet.held_g)
    weight = Weight(material, grams, asked.text("lot"), further=asked.ticked("further"))
    note_weights(found, [weight], sure=meant, on=asked.today)
    lot = f" of lot {weight.lot}" if weight.lot else ""
    return asked.done(
        place(asked, "weigh"), f"Noted: {number(grams, 4)} g of {found.brief.library.by_id[material].name}{lot}."
    )


@SCREEN.at("/batch/{batch}/weigh", act=note)
def weigh(asked: Asked) -> Page:
    """Show the line that is to be weighed now, and all lines of the sheet."""
    found = subject(asked)
    batch, sheet = batch_of(found), sheet_of(found)
    step, line = _chosen(asked, sheet)
    early = _before(asked, sheet, line)
    if early is not None:
        now = tag("div", _early(asked, found, early, line))
    elif line is None or step is None:
        done = tag("p", f"All {len(sheet.lines)} lines are weighed.", class_="what")
        now = tag("div", done, onwards(asked, batch, "weigh", done=True))
    else:
        now = tag("div", _one(asked, found, sheet, step, line))
    both = tag("div", now, tag("div", _all(asked, sheet), crossed(_struck(found))), class_="two")
    link = tag("p", tag("a", "The sheet to print, with cautions", href=place(asked, "sheet")), class_="go")
    return page_of(asked, batch, "weigh", alarms(c.words for c in sheet.alarms if c.loud), both, link)


def noted_g(line: WeighLine) -> float:
    """Return what is noted of a line [g]."""
    return sum(line.weighed_g)


def is_open(sheet: WeighSheet, line: WeighLine) -> bool:
    """Return whether more of a line is to be weighed than the scale's error."""
    return not line.weighed or noted_g(line) < line.grams - tolerance_g(sheet.batch, line.grams) - AS_TYPED


def _chosen(asked: Asked, sheet: WeighSheet) -> tuple[Step | None, WeighLine | None]:
    """Return the line that was asked for, else the first one that is open, with its step."""
    typed = asked.text("material")
    wanted = asked.query.get("line", "")
    pairs = [(step, line) for step in sheet.steps for line in step.lines]
    for step, line in pairs:
        if (typed and line.material.id == typed) or (not typed and wanted == str(line.number)):
            return step, line
    return next(((s, li) for s, li in pairs if is_open(sheet, li)), (None, None))


def _before(asked: Asked, sheet: WeighSheet, line: WeighLine | None) -> Step | None:
    """Return the step before the next line in which a thickener goes in or not at all, until somebody goes past it."""
    gone_past = asked.query.get("line") or (line is None and sheet.batch.ph_readings)
    if gone_past or asked.text("material") in {li.material.id for li in sheet.lines}:
        return None
    ahead = next((s.number for s in sheet.steps if line in s.lines), len(sheet.steps) + 1)
    behind = max((s.number for s in sheet.steps if s.number < ahead and s.lines), default=0)
    weighed = sheet.batch.weighed_g
    open_ = (s for s in sheet.steps[behind : ahead - 1] if s.part.may_be_now)
    return next((s for s in open_ if not any(m.id in weighed for m in s.part.later)), None)


def _early(asked: Asked, found: Subject, step: Step, line: WeighLine | None) -> Html:
    """Return the card of a step without a line: what may go in now, and how to go past it."""
    on = f"Nothing goes in: on to {f'line {line.number}' if line else 'the pH'}"
    to = f"{place(asked, 'weigh')}?line={line.number}" if line else place(asked, "ph")
    kinds = [(m.id, m.name) for m in step.part.later]
    return markup(
        tag("p", f"Before {f'line {line.number}' if line else 'the pH'}", class_="of"),
        tag("p", head_of(step), class_="what"),
        notes(after_of(step)),
        _besides(found, step),
        tag("p", tag("a", on, href=to, class_="button"), class_="buttons"),
        form(
            asked,
            place(asked, "weigh"),
            tag("h2", "It goes in now"),
            fields(
                choice(asked, "material", "What goes in", kinds),
                field(asked, "grams", "Weighed in", figure=True, unit="g", need=True),
                field(asked, "lot", "Lot"),
            ),
            sure(asked, "more than the part held back"),
            button("Note it", quiet=True),
            keep=f"weigh-early-{step.number}",
        ),
    )


def _one(asked: Asked, found: Subject, sheet: WeighSheet, step: Step, line: WeighLine) -> Html:
    noted, material = noted_g(line), line.material
    left = max(0.0, line.grams - noted)
    so_far = f"{grams_text(sheet, noted)} g of {grams_text(sheet, line.grams)} g are in. " if line.weighed else ""
    within = f"{number(tolerance_g(sheet.batch, line.grams), 2)} g more or less is within the line's tolerance"
    said = remark(sheet, line)
    return markup(
        tag("p", f"Line {line.number} of {len(sheet.lines)} · {head_of(step)}", class_="of"),
        tag("p", material.name, class_="what"),
        tag("p", material.inci, class_="of") if material.inci != material.name else None,
        notes(step.part.do),
        _besides(found, step),
        tag("p", grams_text(sheet, left), tag("span", "g", class_="unit"), class_="figure"),
        tag("p", f"{so_far}{within}; the scale shows {number(sheet.batch.scale.step_g)} g.", class_="of"),
        tag("p", said) if said else None,
        _care(found, line),
        form(
            asked,
            place(asked, "weigh"),
            hidden({"material": material.id} | ({"further": "yes"} if line.weighed else {})),
            fields(
                field(asked, "grams", "Weighed in", figure=True, unit="g", big=True, need=True),
                field(asked, "lot", "Lot", choices=lots_known(found, line), big=True),
                pair=True,
            ),
            sure(asked, "more than is planned"),
            button("Note it"),
            keep=f"weigh-{material.id}",
        ),
        _of_this_line(asked, found, line),
        _out_of_stock(asked, line),
    )


def _besides(found: Subject, step: Step) -> Html | None:
    """Return the cautions of what a step has one handle besides its lines, such as acid."""
    return alarms(c.words for c in cautions_from(step.part.besides, found.brief.library).values())


def _care(found: Subject, line: WeighLine) -> Html | None:
    """Return handling and cautions of the material that is weighed."""
    cautions = [tag("li", c.text) for c in cautions_from([line.material], found.brief.library).values()]
    handling = tag("p", line.material.handling) if line.material.handling else None
    listed = tag("ul", *cautions) if cautions else None
    return tag("div", handling, listed, class_="caution") if handling or listed else None


def lots_known(found: Subject, line: WeighLine) -> list[str]:
    """Return lots of a material that the shelf or the batch knows."""
    shelf = found.brief.shelf.lines if found.brief.shelf else ()
    names = {line.material.id, line.material.name.casefold(), line.material.inci.casefold()}
    there = [ln.lot for ln in shelf if ln.lot and (ln.material in names or ln.material.casefold() in names)]
    return list(dict.fromkeys([*there, *line.lots]))


def _of_this_line(asked: Asked, found: Subject, line: WeighLine) -> Html | None:
    """Return what is noted of the line, each weight with a way to strike it."""
    mine, to = line.material.id, place(asked, "weigh")
    items = (
        strikable(n, said.removeprefix(f"{mine} "), striking(asked, to, n, "strike", *hidden({"material": mine})))
        for n, said, entry in lines_of(batch_of(found), "weighed")
        if not entry.struck and getattr(entry, "material", "") == mine
    )
    return section("Noted of this line", items)


def _out_of_stock(asked: Asked, line: WeighLine) -> Html:
    left = field(asked, "left", "What is left of it, not yet weighed in", figure=True, unit="g", value="0")
    parts = (hidden({"material": line.material.id}), left, button("How to go on", quiet=True))
    return folded("It has run out", asking(place(asked, "without"), *parts))


def _all(asked: Asked, sheet: WeighSheet) -> Html | None:
    items = []
    for step in sheet.steps:
        items.append(
            tag(
                "li",
                tag("p", head_of(step), class_="soft"),
                *(tag("p", sentence(said)) for said in after_of(step)),
            )
        )
        items += [_line(asked, sheet, line) for line in step.lines]
        if care := alarms(cautions_told(step).items):
            items.append(tag("li", care))
    return section("The whole sheet", items)


def _line(asked: Asked, sheet: WeighSheet, line: WeighLine) -> Html:
    lots = ", ".join(line.lots)
    state = f"{grams_text(sheet, noted_g(line))} g weighed{f', lot {lots}' if lots else ''}" if line.weighed else ""
    if line.weighed and is_open(sheet, line):
        state += f"; {grams_text(sheet, line.grams - noted_g(line))} g left"
    link = tag("a", line.material.name, href=f"{place(asked, 'weigh')}?line={line.number}")
    return tag(
        "li",
        tag("span", str(line.number), class_="mark"),
        tag("div", tag("span", link, class_="name"), tag("span", f"{grams_text(sheet, line.grams)} g", class_="n"),
            class_="line"),
        tag("p", state or "to weigh", class_="done" if line.weighed else "next"),
    )  # fmt: skip


def _struck(found: Subject) -> list[Struck]:
    """Return the struck weights, their materials by name."""
    names = {i: m.name for i, m in found.brief.library.by_id.items()}
    lines = [(line, *line.line.partition(" ")) for line in struck_of(batch_of(found), "weighed")]
    return [replace(line, line=f"{names.get(material, material)} {said}") for line, material, _, said in lines]


@SCREEN.at("/batch/{batch}/sheet")
def to_print(asked: Asked) -> Page:
    """Show the whole sheet with its cautions, to be printed."""
    found = subject(asked)
    document = weigh_document(sheet_of(found))
    link = tag("a", "The sheet as a file (PDF)", href=place(asked, "sheet.pdf"), class_="button quiet")
    body = markup(tag("p", link, class_="buttons"), report(document, materials=found.brief.library.by_id))
    return Page(document.title, body, back=(place(asked, "weigh"), "Weigh"), way=way(asked, "weigh"))


@SCREEN.at("/batch/{batch}/sheet.pdf")
def sheet_file(asked: Asked) -> Download:
    """Return the sheet as a file."""
    found = subject(asked)
    name = f"weigh-sheet-{batch_of(found).batch}.pdf"
    return Download(document_pdf(weigh_document(sheet_of(found))), "application/pdf", name)


@SCREEN.at("/batch/{batch}/without")
def without(asked: Asked) -> Page:
    """Show how the batch goes on without a material."""
    found = subject(asked)
    asked.typed = {"left": [asked.query.get("left", "0")]}
    left = asked.figure("left", "what is left", unit="g")
    material = asked.query.get("material", "")
    answer = go_on_without(material, found, f"{left!r} g", SwapWish())
    document = answer.document()
    back = (place(asked, "weigh"), "Weigh")
    return Page(document.title, report(document), back=back, way=way(asked, "weigh"))

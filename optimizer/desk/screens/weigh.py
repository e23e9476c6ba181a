"""Weighing a batch: one line at a time, its grams as large as a balance shows them."""

from __future__ import annotations

import re
from urllib.parse import urlencode

from optimizer.answers.bench import batch_of, change_plan_without, go_on_without, note_weights, sheet_of
from optimizer.answers.logs import room_of
from optimizer.answers.subject import Subject
from optimizer.bench.stage import to_adjust
from optimizer.bench.strike import Struck, lines_of, struck_of
from optimizer.bench.weigh import Step, WeighLine, WeighSheet
from optimizer.bench.weighed import Weight, open_lines, tolerance_g
from optimizer.data.cautions import cautions_from
from optimizer.desk.asked import Asked, read_figure
from optimizer.desk.frame import asking, button, choice, field, fields, folded, form, hidden, report, section
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import alarms, crossed, notes, said_of, strikable, striking, struck, sure
from optimizer.desk.screen import Download, Page, RefusedError, Screen
from optimizer.desk.way import onwards, page_of, place, subject, way
from optimizer.desk.words import sentence
from optimizer.immutable import replace
from optimizer.report.acid import steps_of
from optimizer.report.formats.pdf import document_pdf
from optimizer.report.weigh import after_of, cautions_told, grams_text, head_of, remark, weigh_document
from optimizer.studies.substituted import SwapWish
from optimizer.units import AS_TYPED, listed, number

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
    if early and not asked.ticked("sure"):
        room, limits = room_of(found, material)
        if grams > room + AS_TYPED:
            most = f"at most {number(room, 2)} g more of it may go in ({limits})"
            raise RefusedError({"": f"{number(grams, 4)} g: {most}. Look at the scale again."})
    meant = early or asked.ticked("sure")
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
    stop = _before(asked, sheet, line)
    if stop is not None and stop.part.sets_ph:
        now = tag("div", _ph_first(asked, found, sheet, stop))
    elif stop is not None:
        now = tag("div", _early(asked, found, stop, line))
    elif line is None or step is None:
        done = tag("p", f"All {len(sheet.lines)} lines are weighed.", class_="what")
        now = tag("div", done, onwards(asked, found, "weigh", done=True))
    else:
        now = tag("div", _one(asked, found, sheet, step, line))
    both = tag(
        "div", now, tag("div", _all(asked, sheet), _no_line(asked, found), crossed(_struck(found))), class_="two"
    )
    link = tag("p", tag("a", "The sheet to print, with cautions", href=place(asked, "sheet")), class_="go")
    words = "Put away: take it up again" if batch.put_away else "It was laid by mistake: put it away"
    away = None if batch.begun else tag("p", tag("a", words, href=place(asked, "away")), class_="go")
    return page_of(asked, batch, "weigh", alarms(c.words for c in sheet.alarms if c.loud), both, link, away)


def noted_g(line: WeighLine) -> float:
    """Return what is noted of a line [g]."""
    return sum(line.weighed_g)


def is_open(sheet: WeighSheet, line: WeighLine) -> bool:
    """Return whether more of a line is to be weighed."""
    return line.material.id in open_lines(sheet.batch)


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
    """Return the step that comes before the next line, until somebody goes past it: a thickener, or the pH."""
    gone_past = asked.query.get("line") or (line is None and sheet.batch.ph_readings)
    if gone_past or asked.text("material") in {li.material.id for li in sheet.lines}:
        return None
    ahead = next((s.number for s in sheet.steps if line in s.lines), len(sheet.steps) + 1)
    behind = max((s.number for s in sheet.steps if s.number < ahead and s.lines), default=0)
    weighed = sheet.batch.weighed_g
    waits = line is not None and line.material.id in sheet.after_ph and to_adjust(sheet.batch) is not None
    stops = (
        s
        for s in sheet.steps[: ahead - 1]
        if (waits and s.part.sets_ph)
        or (s.number > behind and s.part.may_be_now and not any(m.id in weighed for m in s.part.later))
    )
    return next(stops, None)


def _ph_first(asked: Asked, found: Subject, sheet: WeighSheet, step: Step) -> Html:
    """Return the card of the pH while lines wait for it, with a way past it."""
    waiting = [line for line in sheet.lines if line.material.id in sheet.after_ph and is_open(sheet, line)]
    todo = to_adjust(sheet.batch)
    names = listed([line.material.name for line in waiting])
    past = f"{place(asked, 'weigh')}?line={waiting[0].number}"
    return markup(
        tag("p", f"Before line {waiting[0].number}", class_="of"),
        tag("p", head_of(step), class_="what"),
        tag("p", f"{todo.words if todo else ''} For it {'wait' if len(waiting) > 1 else 'waits'} {names}."),
        notes(after_of(step)),
        _besides(found, step),
        tag("p", tag("a", "Go to the pH", href=place(asked, "ph"), class_="button"), class_="buttons"),
        tag("p", tag("a", f"All the same, without the pH: on to line {waiting[0].number}", href=past), class_="go"),
    )


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
            sure(asked, "so much of it went in"),
            button("Note it", quiet=True),
            keep=f"weigh-early-{step.number}",
        ),
    )


def _one(asked: Asked, found: Subject, sheet: WeighSheet, step: Step, line: WeighLine) -> Html:
    noted, material = noted_g(line), line.material
    left = max(0.0, line.grams - noted)
    so_far = f"{number(noted)} g of {grams_text(sheet, line.grams)} g are in. " if line.weighed else ""
    most = tolerance_g(sheet.batch, line.grams)
    within = f"{steps_of(most, sheet.batch.scale.step_g)} g more or less is within tolerance."
    besides = () if any(li.weighed for li in step.lines) else step.part.besides
    cautions = [c.words for c in cautions_from([*besides, material], found.brief.library).values()]
    return markup(
        tag("p", f"Line {line.number} of {len(sheet.lines)} · {head_of(step)}", class_="of at-once"),
        tag("p", material.name, class_="what"),
        tag("p", grams_text(sheet, left), tag("span", "g", class_="unit"), class_="figure"),
        tag("p", f"{so_far}{within}", class_="of"),
        _remark(remark(sheet, line), short=bool(cautions)),
        alarms(cautions),
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
        _words(sheet, step, line),
        None if besides else _besides(found, step),
        section("Noted of this line", _noted_of(asked, found, line.material.id)),
        _out_of_stock(asked, material.id),
    )


def _besides(found: Subject, step: Step) -> Html | None:
    """Return the cautions of what a step has one handle besides its lines, such as acid."""
    return alarms(c.words for c in cautions_from(step.part.besides, found.brief.library).values())


def _remark(said: str, *, short: bool) -> Html | None:
    """Return what is said of a line; in short its first sentence, the rest folded, so that the field stays in sight."""
    first, *rest = re.split(r"(?<!no\.)(?<=\.) ", said, maxsplit=1)
    if rest and short:
        return folded(first, tag("p", *rest))
    return tag("p", said) if said else None


def _words(sheet: WeighSheet, step: Step, line: WeighLine) -> Html:
    """Return what the step has one do, and how its material is handled: below the grams, however long it is."""
    material = line.material
    inci = f"{material.inci}. " if material.inci != material.name else ""
    scale = tag("p", f"{inci}The scale shows {number(sheet.batch.scale.step_g)} g.", class_="of")
    handling = tag("p", material.handling) if material.handling else None
    return tag("section", tag("h2", head_of(step)), notes(step.part.do), tag("h2", material.name), scale, handling)


def lots_known(found: Subject, line: WeighLine) -> list[str]:
    """Return lots of a material that the shelf or the batch knows."""
    shelf = found.brief.shelf.lines if found.brief.shelf else ()
    names = {line.material.id, line.material.name.casefold(), line.material.inci.casefold()}
    there = [ln.lot for ln in shelf if ln.lot and (ln.material in names or ln.material.casefold() in names)]
    return list(dict.fromkeys([*there, *line.lots]))


def _noted_of(asked: Asked, found: Subject, mine: str, name: str = "") -> list[Html]:
    """Return what is noted of a material, each weight with a way to strike it."""
    to, name = place(asked, "weigh"), f"{name} " if name else ""
    return [
        strikable(
            n, f"{name}{said.removeprefix(f'{mine} ')}", striking(asked, to, n, "strike", *hidden({"material": mine}))
        )
        for n, said, entry in lines_of(batch_of(found), "weighed")
        if not entry.struck and getattr(entry, "material", "") == mine
    ]


def _no_line(asked: Asked, found: Subject) -> Html | None:
    """Return what was weighed in without a line of the plan, each weight with a way to strike it."""
    known = found.brief.library.by_id
    items = (_noted_of(asked, found, name, known[name].name) for name in batch_of(found).besides_g)
    return section("Weighed in besides the plan", [item for of_one in items for item in of_one])


def _out_of_stock(asked: Asked, material: str) -> Html:
    left = field(asked, "left", "What is left of it, not yet weighed in", figure=True, unit="g", value="0")
    parts = (hidden({"material": material}), left, button("How to go on", quiet=True))
    return folded("It has run out", asking(place(asked, "without"), *parts), open_="left" in asked.problems)


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
    state = f"{number(noted_g(line))} g weighed{f', lot {lots}' if lots else ''}" if line.weighed else ""
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


def go_on(asked: Asked) -> Outcome:
    """Make of what is told without a material the plan of the batch."""
    found, noted = subject(asked), asked.whole("noted")
    answer = change_plan_without(
        asked.query.get("material", ""), found, f"{_left(asked)!r} g", SwapWish(), on=asked.today, noted=noted
    )
    return asked.done(place(asked, "weigh"), f"The plan goes on without {answer.found.missing.material.name}.")


def _left(asked: Asked) -> float:
    return read_figure("left", asked.query.get("left", "0"), "what is left", 0.0, 1e9, "g")


@SCREEN.at("/batch/{batch}/without", act=go_on)
def without(asked: Asked) -> Page:
    """Show how the batch goes on without a material."""
    found = subject(asked)
    material = asked.query.get("material", "")
    try:
        left = _left(asked)
    except RefusedError as refused:
        asked.typed, asked.problems, asked.readings = (
            {"left": [asked.query["left"]]},
            refused.problems,
            refused.readings,
        )
        again = _out_of_stock(asked, material)
        return Page("It has run out", again, back=(place(asked, "weigh"), "Weigh"), way=way(asked, "weigh"), status=422)
    answer = go_on_without(material, found, f"{left!r} g", SwapWish())
    document, told = answer.document(), answer.found
    take = None
    if told.answer is not None and told.answer.changed:
        words = "The weigh sheet then tells these grams and lines; what the plan was stays in the file."
        take = form(
            asked,
            f"{place(asked, 'without')}?{urlencode({'material': material, 'left': repr(left)})}",
            hidden({"noted": str(len(batch_of(found).all_weighed))}),
            tag("p", words, class_="soft"),
            button("Go on like this"),
        )
    back = (place(asked, "weigh"), "Weigh")
    body = markup(report(document, materials=found.brief.library.by_id), take)
    return Page(document.title, body, back=back, way=way(asked, "weigh"))

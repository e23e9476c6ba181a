"""The bench: what is under way with its next step, what is due, what runs low, which products there are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from urllib.parse import urlencode

from optimizer.answers.bench import batch_subject, stage_now
from optimizer.answers.kept import Records, bring_back
from optimizer.answers.starter import lay
from optimizer.answers.stock import shelf_left, shelves_in
from optimizer.bench.batch import Batch
from optimizer.bench.stage import Stage, stage_of, waits_for_ph
from optimizer.desk.asked import Asked
from optimizer.desk.folder import BatchFile, apart
from optimizer.desk.frame import button, field, form, section
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.screen import LARGE, Page, RefusedError, Screen
from optimizer.desk.way import NEXT, away_said
from optimizer.desk.words import faults, in_words
from optimizer.errors import DataError
from optimizer.records.series import Task
from optimizer.records.stock import Holding
from optimizer.units import number

SCREEN = Screen()
AHEAD_DAYS = 14
"""How far the bench looks ahead for tests."""


def first(asked: Asked) -> Outcome:
    """Lay the first working folder, or put one back that was taken along."""
    if asked.text("back"):
        return _bring_back(asked)
    files = lay(asked.folder.path)
    return asked.done("/", f"Laid: {', '.join(path.name for path in files)}. Everything in them is yours to change.")


def _bring_back(asked: Asked) -> Outcome:
    sent = asked.files.get("packed")
    if sent is None:
        raise RefusedError({"packed": "Choose the file that was taken along."})
    try:
        count = bring_back(asked.folder.path, sent.content)
    except DataError as error:
        raise RefusedError({"packed": in_words(error)}) from None
    return asked.done("/", f"Put back: {count} files.")


@SCREEN.at("/", act=first, rights="formula", longest=LARGE)
def bench(asked: Asked) -> Page:
    """Show the bench."""
    if asked.folder.empty:
        return Page("On the bench", _offer(asked))
    batches = asked.folder.batches()
    shared = _shared(batches)
    parts = [
        _under_way(batches, shared), _readable(asked, _due, "What is to be read"),
        _readable(asked, _low, "What runs low"), _products(asked), _done(batches, shared), _away(batches),
        _broken(asked, batches),
    ]  # fmt: skip
    along = tag("p", tag("a", "Take everything along", href="/along"), class_="go")
    return Page("On the bench", markup(*parts, along))


def _offer(asked: Asked) -> Html:
    return markup(
        tag("p", "This folder is empty.", class_="what"),
        tag(
            "p",
            "A first working folder is five plain files: a shelf to fill in, your own raw materials, a first brief, "
            "what it costs besides, and the defaults of your bench. It can be blended as it lies; its figures are "
            "examples.",
        ),
        form(asked, "/", button("Lay the first working folder")),
        form(
            asked,
            "/",
            tag("h2", "Or put back what was taken along"),
            field(asked, "packed", "The file", kind="file", hint="From 'Take everything along'; at most 10 MB."),
            button("Put it back", quiet=True, name="back", value="yes"),
            photo=True,
        ),
    )


def _low(asked: Asked) -> Html | None:
    """Return what runs low on the shelves of the folder."""
    paths = shelves_in(asked.folder.path)
    found = [h for p in paths for h in shelf_left(p, asked.folder.records, asked.today).stock.materials if h.low]
    items = [
        tag(
            "li",
            tag("p", tag("a", h.name, href="/shelf"), class_="name"),
            tag("p", f"{number(h.left_kg, 3)} kg left{_until(h)}", class_="next"),
        )
        for h in found
    ]
    return section("Runs low", items)


def _readable(asked: Asked, part: Callable[[Asked], Html | None], what: str) -> Html | None:
    """Return a part of the bench, or which file it cannot be read from: the rest of the bench stands all the same."""
    try:
        return part(asked)
    except DataError as error:
        return tag("p", f"{what} cannot be told. ", *faults(error, asked.folder.path), class_="wrong")


def _until(held: Holding) -> str:
    lasts = f", until about {held.lasts_until} at the pace of late" if held.lasts_until else ""
    return f"{lasts}; buy by {held.buy_by}" if held.buy_by else lasts


def _shared(batches: list[BatchFile]) -> set[str]:
    """Return the names of products that batches of several briefs have, which are told with their brief."""
    known = {(b.batch.product, b.batch.brief) for b in batches if b.batch is not None}
    return {name for name, times in Counter(product for product, _ in known).items() if name and times > 1}


def _after(batch: Batch, shared: set[str]) -> str:
    return f", after {batch.brief}" if batch.product in shared else ""


def _under_way(batches: list[BatchFile], shared: set[str]) -> Html:
    items = [
        _batch(b, shared)
        for b in batches
        if b.batch is not None and not b.batch.put_away and stage_of(b.batch).step != "keep"
    ]
    if not items:
        return tag("p", "Nothing is under way.", class_="soft")
    return tag("ul", *items, class_="entries")


def _batch(file: BatchFile, shared: set[str]) -> Html:
    assert file.batch is not None
    batch, stage = file.batch, _stage(file)
    to = path_to("batch", file.name, stage.step)
    size = f"{number(batch.size_g / 1000, 2)} kg" if batch.size_g >= 1000 else f"{number(batch.size_g, 1)} g"
    planned = f", planned {batch.planned_on}" if batch.planned_on else ""
    return tag(
        "li",
        tag("span", batch.batch, class_="mark"),
        tag("p", tag("a", batch.product or batch.batch, href=to), class_="name"),
        tag("p", stage.words, class_="next"),
        tag("p", f"{size}{planned}{_after(batch, shared)}", class_="of"),
        tag("p", tag("a", NEXT[stage.step], href=to, class_="button"), class_="buttons"),
    )


def _stage(file: BatchFile) -> Stage:
    """Return the next step; what waits for the pH is known where its brief can be read."""
    assert file.batch is not None
    if not waits_for_ph(file.batch):
        return stage_of(file.batch)
    try:
        return stage_now(batch_subject(file.path))
    except DataError:
        return stage_of(file.batch)  # its own pages tell what is wrong


def _due(asked: Asked) -> Html | None:
    """Return what is to be read, and the alarms that stand."""
    if not asked.folder.records.exists():
        return None
    found = Records(asked.folder.records).due(asked.today, AHEAD_DAYS).found
    if not found.tasks and not found.alarms:
        return None
    alarms = (tag("li", said, class_="next") for said in found.alarms)
    days: dict[tuple[str, str], list[Task]] = {}
    for task in found.tasks:
        days.setdefault((task.batch, task.on), []).append(task)
    return tag(
        "section",
        tag("h2", "To be read"),
        tag("ul", *alarms) if found.alarms else None,
        tag("ul", *map(_day, days.values()), class_="entries"),
    )


def _day(due: list[Task]) -> Html:
    """Return what is to be read of one batch on one day."""
    task = due[0]
    said = {"coming": f"On {task.on}", "due": "Today", "overdue": f"Overdue since {task.on}"}[task.status]
    links = (
        tag("a", f"{t.what}, {t.place}", href=f"/record?{urlencode({'batch': t.batch, 'test': t.name})}") for t in due
    )
    return tag(
        "li",
        tag("span", task.batch, class_="mark"),
        tag("p", said, class_="of" if task.status == "coming" else "next"),
        tag("p", *links, class_="many"),
    )


def _products(asked: Asked) -> Html:
    briefs = dict(asked.folder.briefs())
    items = [
        tag(
            "li",
            _called(path_to("formula", name), title, file),
            tag("p", briefs[name].trouble or f"{briefs[name].product or 'wash'}, {briefs[name].aim}", class_="of"),
        )
        for name, title, file in apart((name, line.name or name) for name, line in briefs.items())
    ]
    several = tag("a", "Compare products, or plan them from one shelf", href="/several") if len(items) > 1 else None
    bring = tag("a", "Bring a formula of your own", href="/bring")
    formulas = apart((name, path.stem) for name, path in asked.folder.formulas())
    own = (tag("li", _called(path_to("own", name), title, file)) for name, title, file in formulas)
    return markup(
        section("Products", items), tag("p", several, bring, class_="go"), section("Formulas of your own", own)
    )


def _called(to: str, title: str, file: str) -> Html:
    """Return the link to what a list shows, with its file in quiet letters where another has the same title."""
    beside = (" ", tag("span", file, class_="of")) if file else ()
    return tag("p", tag("a", title, href=to), *beside, class_="name")


def _done(batches: list[BatchFile], shared: set[str]) -> Html | None:
    items = [
        tag(
            "li",
            tag("span", b.batch.batch, class_="mark"),
            tag("p", tag("a", b.batch.product or b.batch.batch, href=path_to("batch", b.name, "made")), class_="name"),
            tag("p", f"{_ended(b.batch)}{_after(b.batch, shared)}", class_="of"),
        )
        for b in batches
        if b.batch is not None and stage_of(b.batch).step == "keep"
    ]
    return section("Finished", items)


def _away(batches: list[BatchFile]) -> Html | None:
    items = (
        tag(
            "li",
            tag("span", b.batch.batch, class_="mark"),
            tag("p", tag("a", b.batch.product or b.batch.batch, href=path_to("batch", b.name, "away")), class_="name"),
            tag("p", away_said(b.batch), class_="of"),
        )
        for b in batches
        if b.batch is not None and b.batch.put_away
    )
    return section("Put away", items)


def _ended(batch: Batch) -> str:
    bottles = f", {batch.finish.bottles} bottles" if batch.finish.bottles is not None else ""
    on = f", {batch.finish.on}" if batch.finish.on else ""
    return f"{batch.scale.told(batch.finish.there_g or 0.0)} g{bottles}{on}"


def _broken(asked: Asked, batches: list[BatchFile]) -> Html | None:
    """Return files that cannot be read, with the reason."""
    told = [(b.path.name, b.trouble) for b in batches if b.trouble] + asked.folder.broken()
    return section("Cannot be read", (tag("li", tag("strong", name), f": {why}") for name, why in told), entries=False)

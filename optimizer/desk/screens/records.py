"""Records: what was kept, its tests and readings, photos, and where a lot went."""

from __future__ import annotations

from urllib.parse import urlencode

from optimizer.answers.beginning import library_in
from optimizer.answers.bench import batch_of
from optimizer.answers.days import day_of, time_of, years_on
from optimizer.answers.kept import Records, keep_batch
from optimizer.bench.batch import Observation
from optimizer.desk.asked import Asked
from optimizer.desk.frame import asking, button, choice, field, fields, folded, form, hidden, report, section
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.logged import strikable, striking, struck
from optimizer.desk.screen import LARGE, Download, Page, RefusedError, Screen
from optimizer.desk.way import file_of, first_said, page_of, subject
from optimizer.desk.words import in_words, sentence
from optimizer.errors import DataError
from optimizer.records.batches import photo_from, suffix_of
from optimizer.records.overview import Listed, NoteKept
from optimizer.records.series import Calendar
from optimizer.units import number

WHATS = ("foam", "feel", "clarity", "viscosity", "odour", "colour", "pH")
SCREEN = Screen(entry=("/records", "Records"), rank=30)
SOUND = "Are the records sound?"
KINDS = {
    ".jpg": "image/jpeg", ".png": "image/png", ".gif": "image/gif", ".webp": "image/webp", ".tif": "image/tiff",
}  # fmt: skip


def keep(asked: Asked) -> Outcome:
    """Keep the batch as it is now."""
    kept, doubt = keep_batch(file_of(asked).path, on=asked.today, store=asked.folder.records)
    said = (
        f"Kept as revision {kept.revision}." if kept.changed else f"Nothing has changed since revision {kept.revision}."
    )
    gaps = f" Weighed without a lot: {', '.join(kept.without_lot)}." if kept.without_lot else ""
    return asked.done(_record(kept.batch), said + gaps + (f" {sentence(doubt)}" if doubt else ""))


@SCREEN.at("/batch/{batch}/keep", act=keep)
def keeping(asked: Asked) -> Page:
    """Offer to keep the batch."""
    found = subject(asked)
    batch = batch_of(found)
    said = (
        "The records take in the batch as its file says it now, with its lots and what was made of it. Kept again "
        "after a change, it becomes a further revision; nothing that is recorded is changed."
    )
    there = tag("p", tag("a", f"What is recorded of batch {batch.batch}", href=_record(batch.batch)), class_="go")
    known = _records(asked).holds(batch.batch)
    parts = [
        first_said(found, finished=True),
        tag("p", said),
        None if batch.begun else tag("p", "Nothing of it is weighed or read yet: it is kept as a plan."),
        form(asked, asked.place, button("Keep it")),
        there if known else None,
    ]
    return page_of(asked, batch, "keep", *parts)


def _record(number_: str) -> str:
    return f"/record?{urlencode({'batch': number_})}"


def _records(asked: Asked) -> Records:
    return Records(asked.folder.records)


@SCREEN.at("/records")
def records(asked: Asked) -> Page:
    """Show what is kept, and where a lot went."""
    if not asked.folder.records.exists():
        said = "Nothing is kept yet. When a batch is finished, keep it: the last step on its way."
        return Page("Records", tag("p", said), here="records")
    lot = asked.query.get("lot", "").strip()
    asked.typed = {"lot": [lot]}
    found = _records(asked).listed().found
    traced = _traced(asked, lot) if lot else None
    checked = tag("p", tag("a", SOUND, href="/records/sound"), class_="go")
    return Page("Records", markup(_search(asked), traced, _list(found), checked), here="records")


@SCREEN.at("/records/sound")
def sound(asked: Asked) -> Page:
    """Show whether the file of the records, its references, photos and batch files are sound."""
    back = ("/records", "Records")
    if not asked.folder.records.exists():
        return Page(SOUND, tag("p", "Nothing is kept yet, so there is nothing to check."), here="records", back=back)
    return Page(SOUND, report(_records(asked).check().document()), here="records", back=back)


def _search(asked: Asked) -> Html:
    lot = field(asked, "lot", "Where did a lot go?", hint="The lot as it was written.")
    return asking("/records", lot, button("Look it up", quiet=True), role="search")


def _traced(asked: Asked, lot: str) -> Html:
    try:
        return report(_records(asked).where(lot).document(), materials=library_in(asked.folder.path).by_id)
    except DataError as error:
        return tag("p", in_words(error), class_="wrong", role="alert")


def _list(found: Listed) -> Html:
    batches = (
        tag(
            "li",
            tag("span", b.batch, class_="mark"),
            tag("p", tag("a", b.product or b.batch, href=_record(b.batch)), class_="name"),
            tag("p", _made(b.made_on, b.bottles, b.revision), class_="of"),
        )
        for b in found.batches
    )
    masters = (
        tag("li", tag("p", tag("a", m.name, href=f"/master?{urlencode({'name': m.name})}"), class_="name"),
            tag("p", f"version {m.version} of {m.on}", class_="of"))
        for m in found.masters
    )  # fmt: skip
    return markup(section("Batches", batches), section("Master formulas", masters))


def _made(on: str, bottles: int | None, revision: int) -> str:
    parts = [f"made {on}" if on else "", f"{bottles} bottles" if bottles is not None else "", f"revision {revision}"]
    return ", ".join(p for p in parts if p)


def act(asked: Asked) -> Outcome:
    """Note a reading, a result, a sample; lay tests; strike a reading."""
    number_ = asked.query.get("batch", "")
    acts = {"note": _note, "result": _result, "sample": _sample, "tests": _tests, "strike": _strike}
    chosen = acts.get(asked.text("what-for"))
    if chosen is None:
        raise RefusedError({"": "This form is not known; nothing was noted."})
    return asked.done(_record(number_), chosen(asked, number_))


def _note(asked: Asked, number_: str) -> str:
    what, value = asked.text("what"), asked.maybe("value", "the figure", least=-1e9)
    photo = asked.files.get("photo")
    if not 0 < len(what) <= 80:
        raise RefusedError({"what": "Say what was read, in at most 80 letters, such as foam, smell or pH."})
    if value is None and not asked.text("text") and photo is None:
        raise RefusedError({"value": "Give a figure, words or a photo."})
    taken = None
    if photo is not None and photo.content:
        try:
            taken = photo_from(photo.name[:200], photo.content)
        except DataError as error:
            raise RefusedError({"photo": in_words(error)}) from None
    seen = Observation(
        what=what, value=value, unit=asked.text("unit"), text=asked.text("text"), on=asked.day("day", time_of),
        photo=taken.name if taken else "",
    )  # fmt: skip
    _records(asked).note(number_, seen, photo=taken)
    return f"Noted: {what}{f' {number(value)}' if value is not None else ''}{', with a photo' if taken else ''}."


def _result(asked: Asked, number_: str) -> str:
    name, judged = asked.text("test"), asked.text("passed")
    value = asked.maybe("reading", "the reading", least=-1e9)
    if value is None and not judged and not asked.text("said"):
        raise RefusedError({"reading": "Give a figure, a judgement or words."})
    passed = {"passed": True, "failed": False}.get(judged)
    answer = _records(asked).result(number_, name, asked.day("read-on", time_of), value, passed, asked.text("said"))
    alarms = " ".join(a for t in answer.found.tests for a in t.alarms)
    return f"Noted for {name}{f': {number(value)}' if value is not None else ''}. {alarms}".strip()


def _sample(asked: Asked, number_: str) -> str:
    where = asked.text("where")
    if not where:
        raise RefusedError({"where": "Say where the sample is kept."})
    grams = asked.maybe("amount", "the amount", unit="g")
    until = asked.day("until") if asked.text("until") else years_on(day_of(asked.today), 2)
    _records(asked).put_away(number_, asked.today, where, until, grams)
    return f"Noted: a sample is kept in {where} until {until}."


def _tests(asked: Asked, number_: str) -> str:
    start = asked.day("start") if asked.text("start") else ""
    laid = _records(asked).lay_tests(number_, start, asked.today).found
    return f"{len(laid.tests)} tests are laid."


def _strike(asked: Asked, _: str) -> str:
    wrong = struck(asked, "reading")
    _records(asked).strike(wrong.number, wrong.on, wrong.why)
    return f"Struck: reading {wrong.number}. It stays, and counts no more."


@SCREEN.at("/record", act=act, longest=LARGE + 64 * 1024)
def record(asked: Asked) -> Page:
    """Show one batch as it is kept."""
    number_ = asked.query.get("batch", "")
    records, to = _records(asked), _record(number_)
    kept, lots, calendar = records.show(number_), records.lots(number_), records.tests(number_, asked.today)
    document, tests = kept.document(), calendar.found.tests
    parts: list[Html | None] = [
        report(document),
        _photos(number_, kept.found.observations),
        _ask(asked, to, tests=bool(tests), names=[(t.name, f"{t.name}: {t.what}, {t.place}") for t in tests]),
        tag("h2", "Tests") if tests else None,
        report(calendar.document(), "t") if tests else None,
        _strikes(asked, to, calendar.found),
        tag("h2", "Lots"),
        report(lots.document(), "l", library_in(asked.folder.path).by_id),
    ]
    return Page(document.title, markup(*parts), here="records", back=("/records", "Records"))


def _photos(number_: str, seen: tuple[NoteKept, ...]) -> Html | None:
    figures = [
        tag(
            "figure",
            tag(
                "img",
                src=_photo(number_, o.photo_sha256),
                alt=f"Photo: {o.what}, {o.on}",
                class_="photo",
                loading="lazy",
            ),
            tag("figcaption", f"{o.what}, {o.on}"),
        )
        for o in seen
        if o.photo_sha256
    ]
    return tag("section", tag("h2", "Photos"), *figures) if figures else None


def _photo(number_: str, sha256: str) -> str:
    return f"/photo?{urlencode({'batch': number_, 'sha256': sha256})}"


@SCREEN.at("/photo")
def photo(asked: Asked) -> Download:
    """Return a photo of a batch."""
    content = _records(asked).photo(asked.query.get("batch", ""), asked.query.get("sha256", ""))
    return Download(content, KINDS.get(suffix_of(content), "application/octet-stream"))


def _ask(asked: Asked, to: str, *, tests: bool, names: list[tuple[str, str]]) -> Html:
    def asks(what: str, words: str, *parts: Html, keep: bool = True, open_: bool = False, photo: bool = False) -> Html:
        """Return the form of one thing that can be noted, open if it was sent."""
        sent = form(asked, to, hidden({"what-for": what}), *parts, keep=what if keep else "", photo=photo)
        return folded(words, sent, open_=open_ or asked.text("what-for") == what)

    result = fields(
        choice(asked, "test", "Test", names, value=asked.query.get("test", "")),
        field(asked, "reading", "Reading", figure=True, big=True),
        choice(asked, "passed", "Judged", (("", "not judged"), ("passed", "passed"), ("failed", "failed"))),
        field(asked, "said", "In words"),
        field(asked, "read-on", "Read on", hint="Today if it is left empty; else such as 2026-05-04."),
    )
    seen = fields(
        field(asked, "what", "What was read", choices=WHATS, need=True),
        field(asked, "value", "Figure", figure=True),
        field(asked, "unit", "Unit", hint="'judged' for a rating by eye, hand or nose."),
        field(asked, "text", "In words"),
        field(asked, "photo", "Photo", kind="file", hint="At most 10 MB; place and owner are taken out."),
        field(asked, "day", "Read on", hint="Today if it is left empty."),
    )
    sample = fields(
        field(asked, "where", "Where it is kept", need=True),
        field(asked, "amount", "How much", figure=True, unit="g"),
        field(asked, "until", "Until", hint="Two years if it is left empty."),
    )
    days = tag("p", "Stability, freeze-thaw, challenge and pH tests with their days and who asks for them.")
    start = field(asked, "start", "Day 0", hint="The day on which the batch was finished, if it is left empty.")
    note_it, lay_them, wanted = button("Note it"), button("Lay the tests"), bool(asked.query.get("test"))
    return markup(
        asks("result", "Note a reading of a test", result, note_it, open_=wanted) if tests else None,
        None if tests else asks("tests", "Lay the tests of this batch", days, start, lay_them, keep=False),
        asks("note", "Note what was seen, with a photo", seen, note_it, photo=True),
        asks("sample", "Put a sample away", sample, note_it),
    )


def _strikes(asked: Asked, to: str, found: Calendar) -> Html | None:
    """Return the readings that count, each with a way to strike it."""
    items = (
        strikable(
            r.number,
            f"{t.name}, {r.on}: {number(r.value) if r.value is not None else r.text or 'judged'}",
            striking(asked, to, r.number, "strike-test", *hidden({"what-for": "strike"})),
        )
        for t in found.tests
        for r in t.readings
        if not r.struck
    )
    return section("Readings that count", items)

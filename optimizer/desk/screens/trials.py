"""Trials: the beakers that teach most, what was read of them, what that tells, the next beakers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.answers.trials import lay_trials, next_trials, note_trials, trial_sheet
from optimizer.answers.trials_fit import SURE, fit_trials, rate, salt, salt_readings
from optimizer.desk.asked import Asked
from optimizer.desk.folder import name_of
from optimizer.desk.frame import asking, button, choice, field, fields, folded, form, hidden, report, tick, way_of
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.logged import crossed, entry, said_of, striking, struck
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.words import on_page
from optimizer.errors import TensideError
from optimizer.report.trials import sheet_document
from optimizer.report.trials_fit import fit_document
from optimizer.trials.note import How
from optimizer.trials.plan import TrialsQuestion
from optimizer.trials.salt import SaltQuestion
from optimizer.trials.series import LOST, SEPARATED, USUAL, Kind, Series, read_series
from optimizer.units import file_stem, listed

if TYPE_CHECKING:
    from optimizer.trials.standing import BeakerRead, SeriesStanding

SCREEN = Screen(entry=("/trials", "Trials"), rank=35)
PARTS = (("", "Beakers"), ("/sheet", "Sheet"), ("/tells", "What they tell"), ("/expect", "What to expect"))
"""Pages of a series: the end of their address, and their name."""
FIRST = ("viscosity", "clarity")
"""What is offered to be read of a beaker before anything was."""
TYPED: dict[Kind, str] = {"judged": "1 to 5", "log": "such as 3200 or >60000", "number": ""}
"""How a reading is typed; yes and no have boxes of their own."""


def lay(asked: Asked) -> Outcome:
    """Plan a series on one of the maker's briefs."""
    name = asked.text("name")
    if not name:
        raise RefusedError({"name": "Give the series a name, such as body wash, spring."})
    brief = asked.folder.brief(asked.text("brief"))
    trials = asked.maybe("trials", "the number of beakers", least=4, most=40)
    days = asked.maybe("days", "the number of days", least=1, most=5) or 1
    free = tuple(word.strip() for word in asked.text("free").split(",") if word.strip())
    out = brief.with_name(f"trials-{file_stem(name)}.toml")
    wanted = TrialsQuestion(trials=None if trials is None else round(trials), days=round(days), free=free)
    lay_trials(brief, out, wanted, name=name, on=asked.today)
    return asked.done(path_to("trials", name_of(asked.folder.path, out), "sheet"), "The beakers are chosen.")


@SCREEN.at("/trials", act=lay, rights="formula")
def series(asked: Asked) -> Page:
    """Show the series of the folder, and a form for a new one."""
    said = (
        "Foam, thickness, clarity and mildness can only be measured. A day or two of beakers, chosen where they teach "
        "most and inside all rules of a brief, say how your own materials behave."
    )
    rows = [_line(name, path) for name, path in asked.folder.trials()]
    laid = tag("ul", *rows, class_="entries") if rows else tag("p", "No series is here yet.")
    briefs = asked.folder.products()
    if not briefs:
        plan = tag("p", "Lay a product first: trials are chosen inside the rules of its brief.")
    else:
        plan = _plan(asked, briefs)
    curve = tag("p", tag("a", "Salt curve", href="/salt"), ": doses of salt on one base, laid and read.", class_="go")
    return Page("Trials", markup(tag("p", said), laid, plan, curve if briefs else None), here="trials")


def _line(name: str, path: Path) -> Html:
    try:
        found = read_series(path)
    except TensideError as error:
        return tag("li", tag("span", path.name, class_="name"), tag("p", on_page(str(error)), class_="of"))
    open_ = _open(note_trials(path, (), How()).found)
    return tag(
        "li",
        tag("div", tag("a", found.trials, href=path_to("trials", name), class_="name"), class_="line"),
        tag("p", open_, class_="next"),
    )


def _open(standing: SeriesStanding) -> str:
    """Return what is still to be read, in words."""
    if not standing.open:
        return f"All {len(standing.beakers)} beakers are read."
    return f"{len(standing.open)} of {len(standing.beakers)} beakers are still to be read."


def _plan(asked: Asked, briefs: list[tuple[str, str]]) -> Html:
    hint = "Ratings that your readings shall replace, such as mildness; joined by commas."
    return form(
        asked,
        "/trials",
        tag("h2", "Choose beakers"),
        fields(
            choice(asked, "brief", "Of the product", briefs),
            field(asked, "name", "Name of the series", need=True),
            field(asked, "trials", "Beakers", figure=True, hint="Empty: as many as it takes."),
            field(asked, "days", "On how many days", figure=True, value="1"),
            field(asked, "free", "Leave out", hint=hint),
        ),
        button("Choose them"),
        keep="trials-plan",
    )


def note(asked: Asked) -> Outcome:
    """Note what was read of a beaker, or strike a reading."""
    path = asked.folder.series(asked.names["series"])
    to = _to(asked)
    beaker = asked.text("beaker")
    if asked.text("strike"):
        wrong = struck(asked, "reading")
        note_trials(path, (), How(), wrong=wrong)
        return asked.done(f"{to}#beaker-{beaker}", said_of(wrong, "reading"))
    known = read_series(path)
    if asked.whole("beaker") < 1:
        raise RefusedError({"": "There is no such beaker; nothing was noted."})
    words = [
        f"{what}={asked.text(f'{what}-{beaker}')}" for what, _, _ in _asks(known) if asked.text(f"{what}-{beaker}")
    ]
    words += [name for name in (SEPARATED, LOST) if asked.ticked(f"{name}-{beaker}")]
    if not words:
        raise RefusedError({"": f"Nothing was typed for beaker {beaker}, so nothing was noted."})
    how = How(
        temperature=asked.maybe(f"temperature-{beaker}", "the temperature", most=100.0),
        by=asked.text(f"by-{beaker}"),
        on=asked.today,
    )
    note_trials(path, (beaker, *words), how)
    return asked.done(f"{to}#beaker-{beaker}", f"Noted of beaker {beaker}: {', '.join(words)}.")


def more(asked: Asked) -> Outcome:
    """Choose the next beakers."""
    found = next_trials(asked.folder.series(asked.names["series"]), 2).found
    return asked.done(f"{_to(asked)}/sheet", f"Chosen: beakers {listed([str(b.number) for b in found.beakers])}.")


def _asks(found: Series) -> list[tuple[str, Kind, str]]:
    """Return what is read of a beaker: as the series has it, else what is usual; yes and no have boxes of their own."""
    named = [(m.what, m.kind, m.unit) for m in found.measure if m.kind in TYPED]
    return named or [(what, *USUAL[what]) for what in FIRST]


@SCREEN.at("/trials/{series}", act=note)
@SCREEN.at("/trials/{series}/more", act=more, rights="formula")
def beakers(asked: Asked) -> Page:
    """Show the beakers of a series with fields for what is read."""
    path = asked.folder.series(asked.names["series"])
    standing = note_trials(path, (), How()).found
    rows = [_beaker(asked, standing.series, beaker) for beaker in standing.beakers]
    further = form(asked, f"{_to(asked)}/more", button("Choose two more beakers", quiet=True))
    body = markup(tag("p", _open(standing)), tag("ul", *rows, class_="entries"), crossed(standing.struck), further)
    return _page(asked, standing.trials, "", body)


def _page(asked: Asked, title: str, here: str, body: Html) -> Page:
    """Return a page of a series."""
    way = way_of(((_to(asked) + end, words, end == here) for end, words in PARTS), "This series")
    return Page(title, body, here="trials", back=("/trials", "Trials"), way=way)


def _to(asked: Asked) -> str:
    """Return the address of the series."""
    return path_to("trials", asked.names["series"])


def _beaker(asked: Asked, found: Series, beaker: BeakerRead) -> Html:
    units = {what: f" {unit}" for what, _, unit in _asks(found) if unit}
    read = [f"{what} {', '.join(values)}{units.get(what, '')}" for what, values in beaker.readings.items()]
    said = "lost" if beaker.lost else "; ".join(read) or "not read yet"
    role = {"plan": "the plan itself", "repeat": f"again beaker {beaker.repeats}"}.get(beaker.role, "")
    key = str(beaker.number)
    wrong = asked.text("beaker") == key and bool(asked.problems)
    asks = [
        field(asked, f"{what}-{key}", what, unit=unit, hint=TYPED.get(kind, "")) for what, kind, unit in _asks(found)
    ]
    noting = form(
        asked,
        _to(asked),
        hidden({"beaker": key}),
        fields(*asks, pair=True),
        tick(asked, f"{SEPARATED}-{key}", "It separated"),
        tick(asked, f"{LOST}-{key}", "The beaker was lost"),
        folded(
            "How it was read",
            fields(
                field(asked, f"temperature-{key}", "Temperature", figure=True, unit="°C"),
                field(asked, f"by-{key}", "Spindle, speed or cup"),
            ),
        ),
        button("Note it"),
        keep=f"trials-{asked.names['series']}-{key}",
    )
    return tag(
        "li",
        tag("span", key, class_="mark"),
        tag("div", tag("span", said, class_="name"), tag("span", f"day {beaker.day}", class_="n"), class_="line"),
        tag("p", role, class_="of") if role else None,
        folded("Note a reading, or strike one", noting, _readings(asked, found, beaker), open_=wrong)
        if beaker.readings or beaker.lost
        else folded("Note what is read", noting, open_=wrong),
        id=f"beaker-{key}",
    )


def _readings(asked: Asked, found: Series, beaker: BeakerRead) -> Html | None:
    """Return the readings of a beaker, each with a way to strike it."""
    mine = hidden({"beaker": str(beaker.number)})
    items = [
        entry(n, r.what, r.read, striking(asked, _to(asked), n, "strike-reading", *mine))
        for n, r in enumerate(found.all_readings, 1)
        if r.beaker == beaker.number and not r.struck
    ]
    return tag("ul", *items, class_="entries") if items else None


@SCREEN.at("/trials/{series}/sheet")
def sheet(asked: Asked) -> Page:
    """Show the weigh sheet of all beakers."""
    path = asked.folder.series(asked.names["series"])
    document = sheet_document(trial_sheet(path).found)
    return _page(asked, document.title, "/sheet", report(document))


@SCREEN.at("/trials/{series}/tells")
def tells(asked: Asked) -> Page:
    """Show what the readings tell, or why they do not yet."""
    path = asked.folder.series(asked.names["series"])
    try:
        shown = report(fit_document(fit_trials(path).found))
    except TensideError as error:
        shown = tag("p", f"Nothing can be told yet: {on_page(str(error))}")
    return _page(asked, read_series(path).trials, "/tells", shown)


@SCREEN.at("/trials/{series}/expect")
def expect(asked: Asked) -> Page:
    """Show what readings are to be expected of a product's best formula, or of a formula of the folder."""
    path = asked.folder.series(asked.names["series"])
    own = read_series(path)
    briefs = [(name, line.name) for name, line in asked.folder.briefs()]
    usual = next((name for name, _ in briefs if asked.folder.brief(name).stem == Path(own.brief).stem), "")
    asked.typed = {name: [asked.query.get(name, value)] for name, value in (("brief", usual), ("formula", ""))}
    formulas = [("", "its best one"), *((name, name) for name, _ in asked.folder.formulas())]
    ask = asking(
        f"{_to(asked)}/expect",
        fields(choice(asked, "brief", "Of the product", briefs), choice(asked, "formula", "Formula", formulas)),
        button("Tell it", quiet=True),
    )
    body = markup(ask, _expected(asked, path)) if briefs else tag("p", "Lay a product first: its formula is rated.")
    return _page(asked, own.trials, "/expect", body)


def _expected(asked: Asked, path: Path) -> Html | None:
    """Return what is expected once that was asked for, or why nothing is."""
    if "brief" not in asked.query:
        return None
    brief, formula = asked.folder.brief(asked.text("brief")), asked.text("formula")
    try:
        found = rate(brief, path, formula=asked.folder.formula(formula) if formula else None, sure=SURE)
    except TensideError as error:
        return tag("p", f"Nothing can be told: {on_page(str(error))}", class_="wrong", role="alert")
    return report(found.document())


@SCREEN.at("/salt")
def curve(asked: Asked) -> Page:
    """Lay the beakers of a salt curve on a product's best formula, and show what their readings tell."""
    asked.typed = {name: [asked.query.get(name, "").strip()] for name in ("brief", "readings", "target")}
    briefs = [(name, line.name) for name, line in asked.folder.briefs()]
    hint = "Dose and viscosity of each beaker, such as 0=120 0.1=300 0.2=800 (%, mPa·s); empty before they are made."
    problems: dict[str, str] = {}
    shown = None
    if asked.text("brief"):
        try:
            shown = _curve(asked)
        except RefusedError as error:
            problems = error.problems
        except TensideError as error:
            problems = {"readings": on_page(str(error))}
    asked.problems.update(problems)
    ask = asking(
        "/salt",
        fields(
            choice(asked, "brief", "Of the product", briefs),
            field(asked, "readings", "What was read", hint=hint),
            field(asked, "target", "Wanted viscosity", figure=True, unit="mPa·s"),
        ),
        button("Lay it, or tell it"),
        novalidate=True,
    )
    back = ("/trials", "Trials")
    return Page("Salt curve", markup(ask, shown), here="trials", back=back, status=422 if problems else 200)


def _curve(asked: Asked) -> Html:
    read = salt_readings(asked.text("readings").split())
    target = asked.maybe("target", "the wanted viscosity", least=1)
    found = salt(asked.folder.brief(asked.text("brief")), SaltQuestion(read, target=target))
    return report(found.document())

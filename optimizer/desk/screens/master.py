"""Master formulas: the versions that are kept; a product's formula, or what a batch taught, kept as the next one."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode

from optimizer.answers.beginning import library_in
from optimizer.answers.bench import batch_of, made_of
from optimizer.answers.kept import Records
from optimizer.answers.subject import Subject, subject_of
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, field, form, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import Html, markup, path_to, tag
from optimizer.desk.screen import Page, RefusedError, Screen
from optimizer.desk.way import place, subject, way
from optimizer.immutable import replace

SCREEN = Screen()


@SCREEN.at("/master")
def versions(asked: Asked) -> Page:
    """Show the versions of a master formula, newest first."""
    document = Records(asked.folder.records).versions(asked.query.get("name", "")).document()
    body = report(document, materials=library_in(asked.folder.path).by_id)
    return Page(document.title, body, here="records", back=("/records", "Records"))


def keep(asked: Asked) -> Outcome:
    """Keep the formula of a product as the next version."""
    return _kept(asked, lambda: subject_of(str(asked.folder.brief(asked.names["brief"]))))


def keep_next(asked: Asked) -> Outcome:
    """Keep the next master formula of a batch as the next version of its product."""

    def taught() -> Subject:
        found = subject(asked)
        if not batch_of(found).begun:
            raise RefusedError({"": "Nothing is weighed in yet, so this batch teaches nothing."})
        master = made_of(found).master
        if not master.keeps:
            raise RefusedError({"": "It breaks rules of the brief, as 'As made' tells, so it is not kept."})
        return replace(found, name=found.brief.scenario.name, formula=master.formula, setting=master.setting)

    return _kept(asked, taught)


def _kept(asked: Asked, of: Callable[[], Subject]) -> Outcome:
    why = asked.text("why")
    if not why:
        raise RefusedError({"why": "Say why, such as 'first version' or 'less perfume'; it is kept beside it."})
    kept = Records(asked.folder.records).master(of(), why, asked.today).found
    return asked.done(f"/master?{urlencode({'name': kept.name})}", f"Kept as version {kept.version}.")


@SCREEN.at("/batch/{batch}/master", act=keep_next, rights="formula")
def keeping_next(asked: Asked) -> Page:
    """Ask why what a batch taught is kept as a version."""
    found = subject(asked)
    said = (
        f"The records keep the next master formula of batch {batch_of(found).batch}, as 'As made' tells it, with the "
        f"day and your reason, as the next version of {found.brief.scenario.name}. Versions are never changed."
    )
    body = markup(tag("p", said), _ask(asked, place(asked, "master")))
    return Page("Master formula", body, back=(place(asked, "made"), "As made"), way=way(asked, "made"))


@SCREEN.at("/formula/{brief}/master", act=keep, rights="formula")
def keeping(asked: Asked) -> Page:
    """Ask why the formula is kept as a version."""
    product = path_to("formula", asked.names["brief"])
    said = (
        "The records keep the proven formula of the brief as it is now, with the day and your reason, as the next "
        "version of its master formula. Versions are never changed."
    )
    body = markup(tag("p", said), _ask(asked, f"{product}/master"))
    return Page("Master formula", body, back=(product, "To the formula"))


def _ask(asked: Asked, to: str) -> Html:
    return form(asked, to, field(asked, "why", "Why", need=True), button("Keep this version"), keep="master")

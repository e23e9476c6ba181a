"""Master formulas: the versions that are kept, and a product's formula kept as the next one."""

from __future__ import annotations

from urllib.parse import urlencode

from optimizer.answers.beginning import library_in
from optimizer.answers.kept import Records
from optimizer.answers.subject import subject_of
from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, field, form, report
from optimizer.desk.guard import Outcome
from optimizer.desk.html import markup, path_to, tag
from optimizer.desk.screen import Page, RefusedError, Screen

SCREEN = Screen()


@SCREEN.at("/master")
def versions(asked: Asked) -> Page:
    """Show the versions of a master formula, newest first."""
    document = Records(asked.folder.records).versions(asked.query.get("name", "")).document()
    body = report(document, materials=library_in(asked.folder.path).by_id)
    return Page(document.title, body, here="records", back=("/records", "Records"))


def keep(asked: Asked) -> Outcome:
    """Keep the formula as the next version."""
    why = asked.text("why")
    if not why:
        raise RefusedError({"why": "Say why, such as 'first version' or 'less perfume'; it is kept beside it."})
    found = subject_of(str(asked.folder.brief(asked.names["brief"])))
    kept = Records(asked.folder.records).master(found, why, asked.today).found
    return asked.done(f"/master?{urlencode({'name': kept.name})}", f"Kept as version {kept.version}.")


@SCREEN.at("/formula/{brief}/master", act=keep, rights="formula")
def keeping(asked: Asked) -> Page:
    """Ask why the formula is kept as a version."""
    place = path_to("formula", asked.names["brief"])
    said = (
        "The records keep the proven formula of the brief as it is now, with the day and your reason, as the next "
        "version of its master formula. Versions are never changed."
    )
    ask = form(
        asked, f"{place}/master", field(asked, "why", "Why", need=True), button("Keep this version"), keep="master"
    )
    return Page("Master formula", markup(tag("p", said), ask), back=(place, "To the formula"))

"""The folder taken along: everything in one file, and the records as tables."""

from __future__ import annotations

from optimizer.answers.kept import packed, tables
from optimizer.desk.asked import Asked
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.screen import Download, Page, Screen

SCREEN = Screen()
ZIP = "application/zip"


@SCREEN.at("/along")
def along(asked: Asked) -> Page:
    """Offer what can be taken along."""
    whole = "Products, shelf, own materials and formulas, batches, costs, trials and the records, as they are now."
    loose = "Every table of the records as a plain file that a spreadsheet opens; photos are in it, too."
    there = asked.folder.records.exists()
    body = markup(
        _offer("The whole folder", whole, "/along/folder.zip", "Take it along"),
        _offer("The records as tables", loose, "/along/records.zip", "Take the tables along") if there else None,
        tag("p", "Put it where this machine's disk is not: another machine, a stick, a safe place.", class_="soft"),
    )
    return Page("Take everything along", body)


def _offer(heading: str, said: str, to: str, words: str) -> Html:
    link = tag("p", tag("a", words, href=to, class_="button"), class_="buttons")
    return tag("section", tag("h2", heading), tag("p", said), link)


@SCREEN.at("/along/folder.zip")
def whole_folder(asked: Asked) -> Download:
    """Return the folder as one file."""
    return Download(packed(asked.folder.path), ZIP, f"{asked.folder.path.resolve().name}-{asked.today}.zip")


@SCREEN.at("/along/records.zip")
def as_tables(asked: Asked) -> Download:
    """Return the records as tables."""
    return Download(tables(asked.folder.records), ZIP, f"records-{asked.today}.zip")

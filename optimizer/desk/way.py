"""The way of a batch: which batch a page is about, its steps in order, and where the next one is."""

from __future__ import annotations

from optimizer.answers.bench import alarms_now, batch_of, batch_subject, stage_now, still_to_come
from optimizer.answers.subject import Subject
from optimizer.bench.batch import Batch
from optimizer.bench.stage import Step, may_thicken
from optimizer.desk.asked import Asked
from optimizer.desk.folder import BatchFile
from optimizer.desk.frame import way_of
from optimizer.desk.html import Child, Html, markup, path_to, tag
from optimizer.desk.logged import alarms
from optimizer.desk.screen import Page

STEPS = (
    ("weigh", "Weigh"),
    ("ph", "pH"),
    ("thicken", "Thicken"),
    ("finish", "Finish"),
    ("made", "As made"),
    ("label", "Label"),
    ("cost", "Cost"),
    ("card", "Card"),
    ("keep", "Keep"),
)
"""Pages of a batch in the order of the bench: the end of their address, and their name."""
NEXT: dict[Step, str] = {
    "weigh": "Weigh", "ph": "Go to the pH", "thicken": "Thicken", "finish": "Finish the batch", "keep": "Keep it",
}  # fmt: skip


def file_of(asked: Asked) -> BatchFile:
    """Return the batch file that an address names."""
    return asked.folder.batch(asked.names["batch"])


def subject(asked: Asked) -> Subject:
    """Return what that file is about."""
    return batch_subject(file_of(asked).path)


def place(asked: Asked, step: str) -> str:
    """Return the address of a page of the batch."""
    return path_to("batch", asked.names["batch"], step)


def way(asked: Asked, here: str) -> Html:
    """Return the links to the pages of the batch; the present one is marked."""
    return way_of(((place(asked, step), words, step == here) for step, words in STEPS), "This batch")


def page_of(asked: Asked, batch: Batch, here: str, *parts: Child, status: int = 200) -> Page:
    """Return a page of a batch."""
    title = f"{dict(STEPS)[here]}: {batch.product or 'batch'} {batch.batch}"
    return Page(title, markup(*parts), way=way(asked, here), status=status)


def first_said(found: Subject, *, finished: bool = False) -> Html | None:
    """Return what is said of a batch before anything else, and that it is not finished where that matters."""
    told = (*(still_to_come(found) if finished else ()), *alarms_now(found))
    return alarms(c.words for c in told if c.loud)


def onwards(asked: Asked, found: Subject, here: str, *, done: bool = False) -> Html | None:
    """Return the button that leads to the next step, if that is on another page; a quiet one while this is not done."""
    stage = stage_now(found)
    if stage.step == here:
        return None
    quiet = "button" if done else "button quiet"
    link = tag("a", NEXT[stage.step], href=place(asked, stage.step), class_=quiet)
    thicker = None
    if may_thicken(batch_of(found), stage) and here != "thicken":
        thicker = tag("a", "Thicken it first", href=place(asked, "thicken"), class_="button quiet")
    return markup(tag("p", link, thicker, class_="buttons"), tag("p", stage.words, class_="soft"))


def away_said(batch: Batch) -> str:
    """Return when and why a batch was put away, in a sentence."""
    on = f" on {batch.put_away_on}" if batch.put_away_on else ""
    return f"Put away{on}: {batch.put_away.rstrip('.')}. Nothing of it is made."

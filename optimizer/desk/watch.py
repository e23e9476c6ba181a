"""What a page that is looked at is told of its file: that it was changed elsewhere, cannot be read, or is gone.

A page says from what it was made and how that was then. As long as it is in sight it holds a stream open, on which it
is told once; nothing is asked and nothing read while nobody looks.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from hashlib import sha256
from itertools import count
from pathlib import Path
from urllib.parse import urlencode

from anyio import sleep

from optimizer.answers.stock import shelves_in
from optimizer.desk.asked import Asked
from optimizer.desk.folder import Folder
from optimizer.errors import DataError
from optimizer.files import read_toml

EVERY_S = 2.0
"""How often the file of a page in sight is looked at [s]."""
BEAT = 10
"""After how many looks something is sent: only so it shows that a telephone which slept or went away hears no more."""
NAMED = ("batch", "brief", "series", "formula")
"""What a part of an address can name."""
PLACES = {"/": "folder", "/shelf": "shelf", "/records": "records", "/record": "records"}
STAYS = "What you have typed here stays."


def watched(asked: Asked) -> str:
    """Return the address of the stream of a page, empty for one that is made from no file that could change."""
    kind = next((k for k in NAMED if k in asked.names), PLACES.get(asked.place, ""))
    name = asked.names.get(kind, "")
    paths = paths_of(asked.folder, kind, name)
    return f"/changes?{urlencode({'kind': kind, 'name': name, 'was': as_they_are(paths)})}" if paths else ""


def paths_of(folder: Folder, kind: str, name: str) -> list[Path]:
    """Return the files that a page is made from, by what its address names; none if they cannot be told."""
    if kind == "folder":
        return folder.every()
    if kind == "shelf":
        return list(shelves_in(folder.path))
    if kind == "records":
        return [folder.records]
    if kind == "formula":
        return [path for called, path in folder.formulas() if called == name]
    return [path for path in folder.every() if folder.name_of(path) == name] if kind in NAMED else []


def as_they_are(paths: list[Path]) -> str:
    """Return what tells whether files are as they were."""
    found = []
    for path in paths:
        try:
            there = path.stat()
        except OSError:
            continue
        found.append((path.name, there.st_mtime_ns, there.st_size, there.st_ino))
    return sha256(repr(found).encode()).hexdigest()[:16]


def told(folder: Folder, kind: str, name: str, was: str) -> str:
    """Return what has become of the files of a page since, in one sentence and what stays; empty if nothing."""
    paths = paths_of(folder, kind, name)
    if as_they_are(paths) == was:
        return ""
    if kind not in NAMED:
        return f"Something has changed here since this page was made. {STAYS}"
    if not paths:
        return f"The file of this page is not in the folder any more. {STAYS}"
    try:
        if kind != "formula":
            read_toml(paths[0])
    except DataError as error:
        return f"{paths[0].name} cannot be read any more: {error.problems[0].what} {STAYS}"
    return f"{paths[0].name} was changed elsewhere since this page was made. {STAYS}"


async def stream(look: Callable[[], str], welcome: Callable[[], bool]) -> AsyncIterator[str]:
    """Yield once what has become of the files of a page; end before that when its device is turned away."""
    for looks in count(1):
        if not welcome():
            return
        if said := look():
            yield f"data: {said}\n\n"
            return
        if looks % BEAT == 0:
            yield ":\n\n"
        await sleep(EVERY_S)

"""What a maker moved, kept: written into the brief with its remarks, or as a brief of its own that varies it.

Before a brief is changed its text is laid aside, so that it can be put back as long as nobody changed the file since.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import ParseError

from optimizer.answers.draft import MISSING, PRICE, Draft
from optimizer.brief.scenario import read_scenario, rule_id
from optimizer.errors import DataError, Problem, TensideError, fault, hyphened
from optimizer.files import changing, found_at, read_bytes, read_text, write_atomic, write_bytes_atomic
from optimizer.immutable import immutable
from optimizer.units import file_stem

ASIDE = ".tenside-before"
"""Folder beside the briefs in which their earlier texts lie."""
KEPT_TEXTS = 50
"""Earlier texts that are kept of each file."""


@immutable
class Clash:
    """A figure that somebody else has changed in the file since the page was made."""

    key: str
    page: float
    """What the page showed as the file's."""
    file: float
    """What the file has now."""
    yours: float


class ChangedMeanwhileError(TensideError):
    """The file has changed where the draft changes it; both are told and nothing was written."""

    exit_code = 3

    def __init__(self, clashes: tuple[Clash, ...]) -> None:
        super().__init__("the brief has been changed in the meantime, just where you moved it; nothing was written.")
        self.clashes = clashes


def keep(path: Path, draft: Draft, was: Mapping[str, float]) -> str:
    """Write a draft into a brief, remarks and order kept; return the digest of the file as it is now.

    A file that has changed since the page was made is changed all the same, unless a figure that the draft moves is no
    longer what the page showed.

    Args:
        path: The brief.
        draft: The figures that differ from the file.
        was: What the page showed as the file's figures, by key.

    Raises:
        ChangedMeanwhileError: If one of these figures is another one now.
        DataError: If the file cannot be read, or the draft makes no brief of it; then nothing is written.
    """
    limits = {key: value for key, value in draft.items() if not key.startswith((MISSING, PRICE))}
    with changing(path) as place:
        text = read_text(place)
        now = stated(path)
        clashes = [Clash(key, was[key], now.get(key, float("nan")), v) for key, v in limits.items() if key in was]
        clashes = [clash for clash in clashes if clash.file != clash.page]
        if clashes:
            raise ChangedMeanwhileError(tuple(clashes))
        read_scenario(path, [(key, f"{value!r}") for key, value in limits.items()])  # refused before it is written
        document = _parsed(text, path)
        for key, value in limits.items():
            _set(document, key, value)
        _leave_out(document, draft, read_scenario(path)[0].pool.without)
        changed = tomlkit.dumps(document)
        if read_text(place) != text:  # an editor asks nobody
            raise fault(str(path), "", "it was changed in an editor in the meantime.", "Send it again.")
        lay_aside(place, text.encode("utf-8"))
        write_atomic(place, changed, overwrite=True)
        try:
            _hold_against(path, limits)
        except DataError:
            write_bytes_atomic(place, text.encode("utf-8"), overwrite=True)
            raise
    return digest_of(changed.encode("utf-8"))


def keep_as_variant(path: Path, draft: Draft, name: str) -> Path:
    """Write a draft as a brief of its own that varies another one; return where it lies.

    Raises:
        DataError: If the name cannot be used, or a file of that name is there.
    """
    if not file_stem(name) or len(name) > 80:
        raise fault("your answers", "name", "a variant needs a name of at most 80 letters.", "Such as 'Milder'.")
    variant = path.with_name(f"{file_stem(name)}.toml")
    if found_at(variant):
        raise fault("your answers", "name", f"a file {variant.name} is there already.", "Choose another name.")
    document = tomlkit.document()
    document.add(tomlkit.comment(f"A variant: what is not stated here is as in {path.name}."))
    document.add("extends", tomlkit.string(path.name))
    document.add("name", tomlkit.string(name.strip()))
    for key, value in draft.items():
        if not key.startswith((MISSING, PRICE)):
            _set(document, key, value)
    _leave_out(document, draft, read_scenario(path)[0].pool.without)
    write_atomic(variant, tomlkit.dumps(document))
    return variant


def put_back(path: Path, digest: str) -> str:
    """Put the text back that a brief or a shelf had before its last change; return the digest of the file as it is now.

    Args:
        path: The file.
        digest: Of it as the page knew it.

    Raises:
        DataError: If the file has changed since, or nothing was laid aside; then nothing is written.
    """
    with changing(path) as place:
        content = read_bytes(place)
        if digest_of(content) != digest:
            what = "the file has been changed since, in an editor or by another page; nothing was put back."
            raise fault(str(path), "", what, "Look at it anew.")
        before = _texts(place)
        if not before:
            raise fault(str(path), "", "there is no earlier text of it.", "")
        earlier = read_bytes(before[-1])
        write_bytes_atomic(place, earlier, overwrite=True)
        before[-1].unlink(missing_ok=True)
    return digest_of(earlier)


def can_be_put_back(path: Path) -> bool:
    """Return whether an earlier text of a file is kept."""
    return bool(_texts(path))


def digest_of(content: bytes) -> str:
    """Return the first 16 hex digits of the SHA-256, as `files.digest` does of a file."""
    return sha256(content).hexdigest()[:16]


def stated(path: Path) -> dict[str, float]:
    """Return the figures of a brief by key: limits of its rules and the ends of its pH.

    Raises:
        DataError: If it cannot be read.
    """
    scenario, _ = read_scenario(path)
    figures = {f"ph.{end}": getattr(scenario.ph, end) for end in ("low", "high")} if scenario.ph else {}
    figures |= {f"fixed.{name}": percent for name, percent in scenario.fixed.items()}
    for rule in scenario.rule:
        for field in ("at_least", "at_most", "exactly"):
            value = getattr(rule, field, None)
            if value is not None:
                figures[f"{rule.id}.{field}"] = value
    return figures


def _hold_against(path: Path, limits: Mapping[str, float]) -> None:
    """Read a brief anew and see that it says what was to be written."""
    now = stated(path)
    wrong = [key for key, value in limits.items() if now.get(key) != value]
    if wrong:
        what = "the figure could not be written there; the file is as it was."
        raise DataError(Problem(str(path), key, what, "Change it in an editor.") for key in wrong)


def _parsed(text: str, path: Path) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except (ParseError, RecursionError, ValueError) as error:
        raise fault(str(path), "", f"this is not valid TOML: {error}.", "Correct that line.") from None


def _set(document: tomlkit.TOMLDocument, key: str, value: float) -> None:
    """Write one figure where the brief states it, or beside what it takes from another brief."""
    owner, _, field = key.rpartition(".")
    number = int(value) if value == int(value) else value
    if key.startswith(("ph.", "fixed.")):
        owner, _, field = key.partition(".")
        table: Any = document[owner] if owner in document else _new_table(document, owner)
    else:
        table = next((rule for rule, name in _rules(document) if name == owner), None)
        table = _new_rule(document, owner) if table is None else table
    table[field] = number
    beside = table[field].trivia
    if "source" in beside.comment:  # of the figure before, which is none of this one
        beside.comment_ws = beside.comment = ""


def _rules(document: tomlkit.TOMLDocument) -> list[tuple[Any, str]]:
    """Return the rules of a document with their ids, given or made as the reader makes them."""
    taken: set[str] = set()
    found = []
    for rule in document.get("rule", []):
        name = hyphened(str(rule.get("id") or rule_id(rule.unwrap(), taken)))
        taken.add(name)
        found.append((rule, name))
    return found


def _new_table(document: tomlkit.TOMLDocument, key: str) -> Any:
    document.add(tomlkit.nl())
    table = tomlkit.table()
    document.add(key, table)
    return document[key]


def _new_rule(document: tomlkit.TOMLDocument, name: str) -> Any:
    """Append what a variant states of a rule of the brief that it extends."""
    table = tomlkit.table()
    table.add("id", tomlkit.string(name))
    if "rule" in document:
        document["rule"].append(table)
    else:
        rows = tomlkit.aot()
        rows.append(table)
        document.add(tomlkit.nl())
        document.add("rule", rows)
    return document["rule"][-1]


def _leave_out(document: tomlkit.TOMLDocument, draft: Draft, named: tuple[str, ...]) -> None:
    """Name what a draft has run out of among the materials that the brief leaves out."""
    gone = [key.removeprefix(MISSING) for key, value in draft.items() if key.startswith(MISSING) and value]
    if not gone:
        return
    pool: Any = document["pool"] if "pool" in document else _new_table(document, "pool")
    pool["without"] = [*named, *(name for name in gone if name not in named)]


def lay_aside(path: Path, content: bytes) -> None:
    """Keep what a file was, so that `put_back` can; the oldest texts give way."""
    before = _texts(path)
    number = int(before[-1].name.rpartition(".")[2]) + 1 if before else 1
    folder = path.parent / ASIDE
    write_bytes_atomic(folder / f"{path.name}.{number:06d}", content, overwrite=True)
    for old in before[: max(0, len(before) + 1 - KEPT_TEXTS)]:
        old.unlink(missing_ok=True)


def _texts(path: Path) -> list[Path]:
    """Return the earlier texts of a file, the latest last."""
    folder = path.parent / ASIDE
    numbered = re.compile(rf"{re.escape(path.name)}\.\d+")
    return sorted(p for p in folder.glob("*") if numbered.fullmatch(p.name)) if folder.is_dir() else []

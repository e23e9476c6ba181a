"""What a range has answered so far, kept beside its table so that a run that was cut short goes on.

A folder NAME.parts holds `plan.json` (what is being run, in which pieces) and one file per finished
piece. Every file is written under another name and then renamed, so a piece is there whole or not at all.
"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from shutil import rmtree
from zipfile import BadZipFile

import numpy as np

from optimizer.errors import TensideError, fault
from optimizer.files import draft_beside, put_new, refuse_existing, unwritable
from optimizer.immutable import immutable
from optimizer.rules import Stock, UndissociatedAcid
from optimizer.sweep import learnt
from optimizer.sweep.frame import ARRAYS, Frame
from optimizer.sweep.grid import Grid
from optimizer.sweep.learnt import Pools
from optimizer.sweep.source import Source

ANSWERS = "0.1.0"
"""Version since which a range answers, and keeps its parts, as now: older parts are refused, later ones go on."""

Piece = tuple[int, int, int]
"""Source, first scenario and the one after the last."""


def place_atomic(path: Path, write: Callable[[Path], None], *, overwrite: bool = False) -> None:
    """Let `write` make a file and give it its name only when it is whole.

    Raises:
        DataError: If the folder cannot be written, or, unless `overwrite` is set, somebody made such a file meanwhile.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = draft_beside(path, path.suffix)
        os.close(handle)
        draft = Path(name)
        try:
            write(draft)
            with draft.open("rb+") as stream:
                os.fsync(stream.fileno())
            draft.chmod(0o644)
            if overwrite:
                draft.replace(path)
            else:
                put_new(name, path)
        finally:
            draft.unlink(missing_ok=True)
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError as error:
        raise unwritable(path, error) from None


def fingerprint(sources: tuple[Source, ...], grid: Grid, digests: list[str]) -> str:
    """Return what tells one range from another: what its files say, wherever they lie, what-ifs and every value."""
    found = hashlib.sha256(ANSWERS.encode())
    for source, digest in zip(sources, digests, strict=True):
        found.update(repr((source.name, source.changes, source.time_limit, digest)).encode())
        for told in _also(source):
            found.update(repr(told).encode())
    for key, column in zip(grid.keys, grid.columns, strict=True):
        found.update(repr((key, str(column.dtype))).encode())
        found.update(json.dumps(column.tolist()).encode() if column.dtype == object else column.tobytes())
    return found.hexdigest()


def _also(source: Source) -> Iterator[list[float]]:
    """Yield what of a brief decides and no file of it says; nothing of one that cannot be read, which its rows tell."""
    try:
        brief = source.load()
    except TensideError:
        return
    if strengths := [r.ionic_strength for r in brief.modelled if isinstance(r, UndissociatedAcid)]:
        yield strengths  # until it knew one, the rule answered otherwise
    if source.stocked is not None and (left := [r.limits[1] for r in brief.modelled if isinstance(r, Stock)]):
        yield left


@immutable
class State:
    """The folder of parts of one table."""

    folder: Path

    def open(self, identity: str, pieces: list[Piece]) -> tuple[list[Piece], dict[int, Frame]]:
        """Return the pieces of the run and those that are answered already.

        Raises:
            DataError: If the folder belongs to another range.
        """
        plan = self.folder / "plan.json"
        if not plan.exists():
            content = json.dumps({"range": identity, "pieces": pieces})

            def write(draft: Path) -> None:
                draft.write_text(content, encoding="utf-8")

            place_atomic(plan, write, overwrite=True)
            return pieces, {}
        try:
            kept = json.loads(plan.read_text(encoding="utf-8"))
            planned = [(int(s), int(a), int(b)) for s, a, b in kept["pieces"]]
        except (OSError, ValueError, TypeError, KeyError, RecursionError):
            what = "its plan.json is damaged, so nobody knows what the parts are of."
            raise fault(str(self.folder), "", what, "Delete the folder; the range starts anew.") from None
        if kept.get("range") != identity:
            what = "the folder holds the parts of another range: brief, shelf, library or scenarios differ."
            raise fault(str(self.folder), "", what, "Delete the folder or name another file.")
        pieces = planned
        done = {k: frame for k in range(len(pieces)) if (frame := self._read(k)) is not None}
        return pieces, done

    def keep(self, number: int, frame: Frame, pools: Pools | None = None) -> None:
        """Write a finished piece; first what it taught, without which it does not count as finished."""
        if pools is not None:
            place_atomic(self._taught(number), lambda draft: learnt.write(draft, pools), overwrite=True)
        place_atomic(self._file(number), lambda draft: _write(draft, frame), overwrite=True)

    def taught(self, number: int) -> Pools:
        """Return what a finished piece taught: nothing, if an older version answered it."""
        return learnt.read(self._taught(number)) if self._taught(number).exists() else {}

    def close(self) -> None:
        """Remove the folder once the table is written."""
        rmtree(self.folder, ignore_errors=True)

    def _file(self, number: int) -> Path:
        return self.folder / f"{number:06d}.npz"

    def _taught(self, number: int) -> Path:
        return self.folder / f"{number:06d}.json"

    def _read(self, number: int) -> Frame | None:
        path = self._file(number)
        if not path.exists():
            return None
        try:
            self.taught(number)
            with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
                texts = json.loads(str(kept["texts"]))
                arrays = {name: kept[name] for name in ARRAYS}
            return Frame(
                **arrays,
                ids=tuple(texts["ids"]),
                limits=tuple((rule, side) for rule, side in texts["limits"]),
                messages={int(k): text for k, text in texts["messages"].items()},
                calls=int(texts["calls"]),
                kept=int(texts.get("kept", 0)),
                kept_bytes=int(texts.get("kept_bytes", 0)),
            )
        except (OSError, EOFError, ValueError, TypeError, KeyError, AttributeError, BadZipFile, zlib.error):
            return None  # an empty or damaged part is answered again


def _write(path: Path, frame: Frame) -> None:
    texts = {"ids": frame.ids, "limits": frame.limits, "messages": frame.messages, **frame.told}
    np.savez(path, texts=np.array(json.dumps(texts)), **{name: getattr(frame, name) for name in ARRAYS})

"""A working folder with its records as one zip to put away or to carry to another machine, and back.

A store of records is copied by SQLite itself, whole even while somebody writes. Every file's SHA-256 goes along; what
comes back is checked against it before the folder gets its name, so that it is there whole or not at all.
"""

from __future__ import annotations

import errno
import hashlib
import json
import lzma
import os
import shutil
import sqlite3
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path, PurePosixPath

from optimizer.errors import DataError, fault
from optimizer.files import draft_beside, found_at, is_folder, put_new, refuse_existing, writing
from optimizer.immutable import result

LIST = "tenside-packed.json"
"""The file in the zip that says what is in it."""
MOST_BYTES = 4_000_000_000
MOST_FILES = 50_000
"""Beyond these a folder is no bench's, and a zip is no friend's."""
SQLITE = b"SQLite format 3\0"
_BLOCK = 1 << 20
_NO_ZIP = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, KeyError, RuntimeError, ValueError)
"""What reading a damaged zip ends in, besides an `OSError` that no disk is to blame for."""


@result
class Packed:
    """What was packed or unpacked: the output of `tenside pack-up | unpack --json`."""

    FORMAT = 1
    zip: str
    folder: str
    files: int
    bytes: int
    records: tuple[str, ...]
    """Stores of records among them."""
    left_out: tuple[str, ...]
    """Hidden files and folders, links, and zips made before; empty when unpacked."""


def pack(folder: Path, out: Path) -> Packed:
    """Write a folder with its records into a new zip.

    Raises:
        DataError: If there is no such folder, it is beyond the limits, or the zip exists or cannot be written.
    """
    if not is_folder(folder):
        raise fault(str(folder), "", "there is no such folder.", "Name the folder that your briefs lie in.")
    refuse_existing(out)
    left_out: list[str] = []
    paths = list(_held(folder, folder, left_out))
    total = sum(path.stat().st_size for path in paths)
    if len(paths) > MOST_FILES or total > MOST_BYTES:
        what = f"{len(paths)} files of {total / 1e6:.0f} MB are more than a working folder holds."
        raise fault(str(folder), "", what, "Name the folder that your briefs lie in.")
    with writing(out):
        out.parent.mkdir(parents=True, exist_ok=True)
        handle, draft = draft_beside(out)
        os.close(handle)
        try:
            records = _write(Path(draft), folder, paths)
            os.chmod(draft, 0o644)
            put_new(draft, out)
        finally:
            Path(draft).unlink(missing_ok=True)
    return Packed(
        zip=str(out),
        folder=str(folder),
        files=len(paths),
        bytes=total,
        records=records,
        left_out=tuple(sorted(left_out)),
    )


def _held(folder: Path, root: Path, left_out: list[str]) -> Iterator[Path]:
    """Yield the plain files of a folder; hidden ones, links and zips made before are left out."""
    for path in sorted(folder.iterdir()):
        mode = path.lstat().st_mode
        if path.name.startswith(".") or stat.S_ISLNK(mode) or (stat.S_ISREG(mode) and _is_packed(path)):
            left_out.append(path.relative_to(root).as_posix())
        elif stat.S_ISDIR(mode):
            yield from _held(path, root, left_out)
        elif stat.S_ISREG(mode):
            yield path


def _is_packed(path: Path) -> bool:
    if path.suffix.lower() != ".zip" or not zipfile.is_zipfile(path):
        return False
    try:
        with zipfile.ZipFile(path) as packed:
            return LIST in packed.namelist()
    except _NO_ZIP:
        return False


def _write(draft: Path, folder: Path, paths: list[Path]) -> tuple[str, ...]:
    """Write the zip and return the stores of records in it."""
    records, digests = [], {}
    with zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in paths:
            name = path.relative_to(folder).as_posix()
            if _is_store(path):
                copy = Path(f"{draft}.copy")
                try:
                    with closing(sqlite3.connect(path)) as old, closing(sqlite3.connect(copy)) as new:
                        old.backup(new)
                    packed.write(copy, name)
                    digests[name] = _digest(copy)
                except sqlite3.Error as error:
                    what = f"the store cannot be copied ({error})."
                    raise fault(str(path), "", what, "Run 'tenside records check'.") from None
                finally:
                    copy.unlink(missing_ok=True)
                records.append(name)
            else:
                content = path.read_bytes()
                about = zipfile.ZipInfo.from_file(path, name, strict_timestamps=False)  # a zip knows no day before 1980
                packed.writestr(about, content, zipfile.ZIP_DEFLATED)
                digests[name] = hashlib.sha256(content).hexdigest()
        packed.writestr(LIST, json.dumps({"tenside_packed": 1, "files": digests}, indent=1))
    return tuple(records)


def _is_store(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(len(SQLITE)) == SQLITE


def _digest(path: Path) -> str:
    found = hashlib.sha256()
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            found.update(block)
    return found.hexdigest()


def unpack(packed: Path, folder: Path) -> Packed:
    """Put a packed folder back under a name that is free.

    Raises:
        DataError: If the zip was not packed here or is damaged, or something lies where the folder would.
    """
    refuse_existing(folder)
    if found_at(packed) is None:
        raise fault(str(packed), "", "there is no such file.", "Name the zip that 'tenside pack-up' wrote.")
    draft = folder.with_name(f".{folder.name}.unpacking")
    with writing(folder):
        shutil.rmtree(draft, ignore_errors=True)
        draft.mkdir(parents=True)
        try:
            digests = _read(packed, draft)
            os.rename(draft, folder)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    paths = [folder / name for name in digests]
    records = tuple(sorted(p.relative_to(folder).as_posix() for p in paths if _is_store(p)))
    return Packed(
        zip=str(packed),
        folder=str(folder),
        files=len(paths),
        bytes=sum(p.stat().st_size for p in paths),
        records=records,
        left_out=(),
    )


def unpack_into(packed: Path, folder: Path) -> int:
    """Put a packed folder back into one that is there; return how many files came. Nothing in it is replaced.

    Raises:
        DataError: If the zip was not packed here or is damaged, or something of it is there already; then none comes.
    """
    draft = folder / ".unpacking"
    with writing(folder):
        shutil.rmtree(draft, ignore_errors=True)
        draft.mkdir()
        try:
            digests = _read(packed, draft)
            tops = sorted(draft.iterdir())
            for top in tops:
                refuse_existing(folder / top.name)
            for top in tops:
                os.rename(top, folder / top.name)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    return len(digests)


def _read(packed: Path, draft: Path) -> dict[str, str]:
    """Unpack what the list names into a folder, each file checked, and return the list."""
    try:
        with zipfile.ZipFile(packed) as opened:
            digests = _listed(opened, packed)
            for name, digest in digests.items():
                place = draft / name
                place.parent.mkdir(parents=True, exist_ok=True)
                with opened.open(name) as source, place.open("xb") as target:
                    shutil.copyfileobj(source, target, _BLOCK)
                if _digest(place) != digest:
                    raise _damaged(packed, f"'{name}' is not what was packed")
            return digests
    except (*_NO_ZIP, FileExistsError):
        raise _damaged(packed, "it cannot be read") from None
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            raise _damaged(packed, "a name in it is longer than names can be here") from None
        if error.errno in (None, errno.EINVAL):  # of a stream that bz2 cannot read, of a place before the beginning
            raise _damaged(packed, "it cannot be read") from None
        raise


def _listed(opened: zipfile.ZipFile, packed: Path) -> dict[str, str]:
    """Return the digests by name, once no name leads out of the folder and nothing unpacks without end."""
    if LIST not in opened.namelist():
        what = "this is no folder that 'tenside pack-up' packed."
        raise fault(str(packed), "", what, "Unpack it by other means.")
    sizes = {item.filename: item.file_size for item in opened.infolist()}
    if sizes[LIST] > MOST_FILES * 400 or sum(sizes.values()) > MOST_BYTES or len(sizes) > MOST_FILES + 1:
        raise _damaged(packed, "it unpacks to more than a working folder holds")
    try:
        digests = json.loads(opened.read(LIST))["files"]
        names = [PurePosixPath(name) for name in digests]
    except (ValueError, TypeError, KeyError, RecursionError):
        raise _damaged(packed, "its list cannot be read") from None
    inside = all(n.parts and not n.is_absolute() and ".." not in n.parts and "\\" not in str(n) for n in names)
    if not isinstance(digests, dict) or not inside or not digests.keys() <= sizes.keys():
        raise _damaged(packed, "its list does not fit what is in it")
    return {str(name): str(digest) for name, digest in digests.items()}


def _damaged(packed: Path, what: str) -> DataError:
    return fault(str(packed), "", f"the zip is damaged: {what}; nothing was put back.", "Take another copy of it.")

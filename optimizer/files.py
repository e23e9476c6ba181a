"""Reading and writing the files that people pass around: sizes bounded, nothing half-written."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import stat
import sys
import time
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import tomli

from optimizer.errors import DataError, fault

if TYPE_CHECKING:
    from collections.abc import Iterator

MAX_BYTES = 5_000_000
"""Largest file that is read; a folder of real data stays far below."""

PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """Return the folder `library` or `scenarios` as installed, or of this checkout."""
    inside = PACKAGE / "shipped" / name
    return inside if inside.is_dir() else PACKAGE.parent / name


def found_at(path: Path) -> os.stat_result | None:
    """Return what lies at a path, or None; links are followed.

    Raises:
        DataError: If nothing can be called so, links lead in a circle, or the folder may not be read.
    """
    try:
        return path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        step = "Check its permissions." if error.errno == errno.EACCES else "Check the name."
        raise fault(str(path), "", f"the file cannot be read ({error.strerror}).", step) from None
    except ValueError:
        raise fault(str(path), "", "no file can be called so.", "Check the name.") from None


def is_folder(path: Path) -> bool:
    """Return whether a folder lies there; see `found_at`."""
    found = found_at(path)
    return found is not None and stat.S_ISDIR(found.st_mode)


def is_file(path: Path) -> bool:
    """Return whether a plain file lies there; see `found_at`."""
    found = found_at(path)
    return found is not None and stat.S_ISREG(found.st_mode)


def resolved(path: Path) -> Path:
    """Return where a path leads once links are followed; see `found_at`."""
    found_at(path)
    return path.resolve()


def refuse_unreadable(path: Path, limit: int = MAX_BYTES) -> None:
    """Refuse what no plain file of at most `limit` bytes is.

    Raises:
        DataError: If it is missing, no plain file or too large.
    """
    found = found_at(path)
    if found is None:
        step = "Check the name; shipped briefs are found by name alone, such as 'hand-wash'."
        raise fault(str(path), "", "there is no such file.", step)
    if stat.S_ISDIR(found.st_mode):
        raise fault(str(path), "", "this is a folder, a file was expected.", "Name a file in it.")
    if not stat.S_ISREG(found.st_mode):
        raise fault(str(path), "", "this is a pipe or a device, a file was expected.", "Save it as a file first.")
    if found.st_size > limit:
        what = f"the file has {found.st_size / 1e6:.1f} MB, more than the {limit / 1e6:.0f} MB that are read."
        raise fault(str(path), "", what, "Is it the right file? Otherwise split it.")


@contextlib.contextmanager
def reading(path: Path) -> Iterator[None]:
    """Tell what fails while a file is read.

    Raises:
        DataError: If it is unreadable or not UTF-8.
    """
    try:
        yield
    except OSError as error:
        raise fault(str(path), "", f"the file cannot be read ({error.strerror}).", "Check its permissions.") from None
    except UnicodeDecodeError as error:
        what = f"byte {error.start} is not UTF-8 text."
        raise fault(str(path), "", what, "Save the file again as UTF-8.") from None


def read_bytes(path: Path, limit: int = MAX_BYTES) -> bytes:
    """Return a file's content.

    Raises:
        DataError: If it is missing, no plain file, unreadable or above `limit` [bytes].
    """
    refuse_unreadable(path, limit)
    with reading(path):
        return path.read_bytes()


def read_text(path: Path, limit: int = MAX_BYTES) -> str:
    """Return a file's text, which must be UTF-8 (a byte order mark is accepted)."""
    content = read_bytes(path, limit)
    with reading(path):
        return content.decode("utf-8-sig")


@contextlib.contextmanager
def open_text(path: Path, limit: int = MAX_BYTES) -> Iterator[TextIO]:
    """Open a text file to read it line by line; like `read_text`, but it never lies in memory as a whole."""
    refuse_unreadable(path, limit)
    with reading(path), path.open(encoding="utf-8-sig", newline="") as stream:
        try:
            yield stream
        except UnicodeDecodeError:
            read_text(path, limit)  # which byte of the whole it is
            raise


def read_toml(path: Path) -> dict[str, Any]:
    """Return a TOML file as plain values.

    Raises:
        DataError: If it is empty or not TOML, with the line.
    """
    return toml_of(read_text(path), str(path))


def toml_of(text: str, where: str) -> dict[str, Any]:
    """Return a TOML text as plain values; see `read_toml`."""
    if not text.strip():
        raise fault(where, "", "the file is empty.", "Run 'tenside start FOLDER' for commented examples.")
    try:
        return tomli.loads(text)
    except tomli.TOMLDecodeError as error:
        raise fault(where, "", f"this is not valid TOML: {error}.", "Correct that line.") from None
    except RecursionError:
        raise fault(where, "", "the file is nested too deeply.", "Flatten it.") from None
    except ValueError:  # Python refuses whole numbers of more than 4300 digits
        line = next((n for n, said in enumerate(text.splitlines(), 1) if re.search(r"[\d_]{4300}", said)), 1)
        what = f"line {line} holds a number of more than 4300 digits."
        raise fault(where, "", what, "Correct that line.") from None


def digest(path: Path) -> str:
    """Return the first 16 hex digits of the file's SHA-256, for provenance."""
    return hashlib.sha256(read_bytes(path)).hexdigest()[:16]


def refuse_existing(path: Path, why: str = "") -> None:
    """Refuse a name that a new file cannot get: something is there already, or no file can be called so.

    Args:
        path: The name.
        why: Why what is there is not replaced, if that needs saying.

    Raises:
        DataError: If it is.
    """
    try:
        path.lstat()
    except FileNotFoundError:
        return
    except OSError as error:
        raise fault(str(path), "", f"no file can be written there ({error.strerror}).", "Name another file.") from None
    except ValueError:
        raise fault(str(path), "", "a file cannot be called so.", "Name another file.") from None
    raise _taken(path, why)


def _taken(path: Path, why: str = "") -> DataError:
    return fault(str(path), "", f"the file exists and would be lost{why}.", "Name another file or move this one.")


def put_new(temporary: str, path: Path) -> None:
    """Give a finished file its name unless that is taken; where links are not known, look once more."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:
        with changing(path):
            refuse_existing(path)
            os.replace(temporary, path)
    else:
        os.unlink(temporary)


PATIENCE = 60.0
"""How long a command waits for others that change the same file [s]."""
ON_WINDOWS = sys.platform == "win32"
"""Which of two locks there is: it locks parts of files, and keeps the names of open ones."""
_GLANCE = 0.005
"""Time between two looks whether a file is free again [s]."""


@contextlib.contextmanager
def changing(path: Path) -> Iterator[Path]:
    """Keep a file for oneself from before it is read until what replaces it lies there; others wait for their turn.

    The lock is a file `.NAME.lock` beside it, because the file itself is replaced. The system lets go of it when a
    command ends, however it ends, so none is ever left closed. It does not nest.

    Yields:
        Where the file lies once links are followed.

    Raises:
        DataError: If others hold it for longer than `PATIENCE`, or the folder cannot be written.
    """
    place = resolved(path)
    lock = place.with_name(f".{place.name}.lock")
    with writing(path):
        handle = _locked(lock, path)
    try:
        yield place
    finally:
        _let_go(handle, lock)


def _locked(lock: Path, path: Path) -> int:
    """Return an open handle on the lock of a file, once nobody else holds it."""
    until = time.monotonic() + PATIENCE
    while True:
        lock.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(lock, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
        try:
            if _taken_by_us(handle) and _still_there(handle, lock):
                return handle
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)
        if time.monotonic() > until:
            what = f"other commands have been changing it for {PATIENCE:g} s; nothing was written."
            raise fault(str(path), "", what, "Wait until they end, then run the command again.")
        time.sleep(_GLANCE)


def _taken_by_us(handle: int) -> bool:
    """Return whether the lock was free and is ours now."""
    try:
        if ON_WINDOWS:
            windows = import_module("msvcrt")
            windows.locking(handle, windows.LK_NBLCK, 1)
        else:
            unix = import_module("fcntl")
            unix.flock(handle, unix.LOCK_EX | unix.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            return False
        raise
    return True


def _still_there(handle: int, lock: Path) -> bool:
    """Return whether the lock still has its name: who held it before takes the name away when done."""
    try:
        return os.path.samestat(os.fstat(handle), os.stat(lock))
    except FileNotFoundError:
        return False


def _let_go(handle: int, lock: Path) -> None:
    """Take the lock's name away while it is held, so that nobody's is taken away; Windows keeps the empty file."""
    with contextlib.suppress(OSError):
        os.unlink(lock)
    if ON_WINDOWS:  # which may take its time over what is closed while it is locked
        windows = import_module("msvcrt")
        with contextlib.suppress(OSError):
            windows.locking(handle, windows.LK_UNLCK, 1)
    os.close(handle)


def write_atomic(path: Path, text: str, *, overwrite: bool = False) -> None:
    """Write a text file; see `write_bytes_atomic`."""
    write_bytes_atomic(path, text.encode("utf-8"), overwrite=overwrite)


STALE = 3600.0
"""Age [s] from which a draft beside a file is what a killed command left behind."""


def unwritable(path: Path, error: BaseException) -> DataError:
    """Return in words why a file could not be written; nothing half-written is left."""
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        what = f"the disk is full or the file too large for it ({error.strerror}); nothing was written."
        return fault(str(path), "", what, "Make room, or choose another folder.")
    said = getattr(error, "strerror", None) or error
    return fault(str(path), "", f"the file cannot be written ({said}).", "Choose another folder.")


@contextlib.contextmanager
def writing(path: Path) -> Iterator[None]:
    """Tell what fails while a file is made, wherever its parts are laid down first; see `unwritable`."""
    try:
        yield
    except OSError as error:
        raise unwritable(path, error) from None


def draft_beside(path: Path, suffix: str = "") -> tuple[int, str]:
    """Return an open handle and the name of a new draft beside a file; drafts of it that are stale are removed."""
    start = f".{path.name}."
    with os.scandir(path.parent) as entries:
        for entry in entries:
            mine = entry.name.startswith(start) and re.fullmatch(r"[a-z0-9_]{8}(\.[a-z]+)?", entry.name[len(start) :])
            with contextlib.suppress(OSError):
                if mine and entry.is_file(follow_symlinks=False) and time.time() - entry.stat().st_mtime > STALE:
                    os.unlink(entry.path)
    import tempfile

    return tempfile.mkstemp(dir=path.parent, prefix=start, suffix=suffix)


def write_bytes_atomic(path: Path, content: bytes, *, overwrite: bool = False) -> None:
    """Write a file so that readers see the old content or the new, never half.

    A file that is replaced keeps its permissions; one that is reached through a link is replaced where it lies. A new
    file never takes the place of one that somebody else made in the meantime.

    Raises:
        DataError: If the file exists and `overwrite` is false, or the folder cannot be written.
    """
    if not overwrite:
        refuse_existing(path)
    try:
        path = path.resolve() if overwrite else path
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = draft_beside(path)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(temporary, stat.S_IMODE(path.stat().st_mode) if overwrite and path.exists() else 0o644)
            if overwrite:
                os.replace(temporary, path)
            else:
                put_new(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except FileExistsError:
        raise _taken(path) from None
    except (OSError, RuntimeError) as error:
        raise unwritable(path, error) from None


UNSEALED = "0" * 64
"""Stands in a mark until the file is written."""
MARKED = re.compile(rb"tenside ([a-z ]+) sha256 ([0-9a-f]{64})")
LARGEST_REPORT = 50_000_000
"""Largest file, also unpacked, that is looked at as a report [bytes]."""
IN_WORKBOOK = "docProps/custom.xml"
"""Where a workbook keeps its mark: the properties of the document."""


def report_mark(kind: str) -> str:
    """Return what a report of a kind carries where its format keeps facts about a file; see `write_report`."""
    return f"tenside {kind} sha256 {UNSEALED}"


def refuse_unless_report(path: Path, kind: str) -> None:
    """Refuse a name that a report cannot get; one that it had before is free as long as nobody changed that file.

    Raises:
        DataError: If something else is there, or no file can be called so.
    """
    if not _untouched(path, kind):
        refuse_existing(path, f": only a {kind} (HTML, PDF or XLSX) that is as it was written is written anew")


def write_report(path: Path, content: bytes, kind: str) -> None:
    """Write a report; one of the same kind that is still as it was written is replaced, nothing else is.

    Args:
        path: The file.
        content: HTML, PDF or a workbook that carries `report_mark(kind)`, in which the SHA-256 of the rest is put.
        kind: What it is, such as 'report' or 'weigh sheet'.

    Raises:
        DataError: If something else is there, or the file cannot be written.
    """
    with changing(path) as place:
        write_bytes_atomic(place, _sealed(_with_digest(content, UNSEALED)), overwrite=_untouched(place, kind))


def _untouched(path: Path, kind: str) -> bool:
    """Return whether a report of a kind lies there as it was written: sealed anew it is the same to the last byte."""
    try:
        content = read_bytes(path, LARGEST_REPORT)
        found = MARKED.search(_about(content))
        if found is None or found[1] != kind.encode():
            return False
        return _sealed(_with_digest(content, UNSEALED)) == content
    except (DataError, ValueError, KeyError):
        return False


def _sealed(content: bytes) -> bytes:
    return _with_digest(content, hashlib.sha256(content).hexdigest())


def _is_zip(content: bytes) -> bool:
    return content.startswith(b"PK\x03\x04")


def _about(content: bytes) -> bytes:
    """Return the part of a report that carries its mark."""
    return _unpacked(content)[IN_WORKBOOK] if _is_zip(content) else content


def _with_digest(content: bytes, digest: str) -> bytes:
    """Return a report with a digest in its mark; a workbook is packed anew, the same each time."""

    def marked(part: bytes) -> bytes:
        return MARKED.sub(lambda m: m[0][: -len(UNSEALED)] + digest.encode(), part, count=1)

    if not _is_zip(content):
        return marked(content)
    import io
    import zipfile

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as book:
        for name, part in _unpacked(content).items():
            entry = zipfile.ZipInfo(name)  # its date is the earliest there is
            entry.compress_type = zipfile.ZIP_DEFLATED
            book.writestr(entry, marked(part) if name == IN_WORKBOOK else part)
    return packed.getvalue()


def _unpacked(content: bytes) -> dict[str, bytes]:
    """Return the parts of a workbook.

    Raises:
        ValueError: If it is no sound workbook, or larger than any report.
    """
    import io
    import zipfile
    import zlib

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as book:
            if sum(entry.file_size for entry in book.infolist()) > LARGEST_REPORT:
                raise ValueError
            return {name: book.read(name) for name in book.namelist()}
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, OSError) as error:
        raise ValueError from error

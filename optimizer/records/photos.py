"""Photos without what a camera writes beside the picture: place, owner, device, time; the picture itself stays.

JPEG (ITU-T T.81), PNG (ISO/IEC 15948) and WebP are chains of parts; those that hold notes are left out. How a JPEG is
to be turned is kept, in a note of its own. Formats whose parts cannot be left out are not kept.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

LARGEST_PHOTO = 10 * 1024 * 1024
"""Largest photo that is kept [bytes]."""
ORIENTATION = 0x0112
"""Tag of the Exif note that says how a picture is to be turned."""
PNG_NOTES = (b"eXIf", b"tEXt", b"iTXt", b"zTXt", b"tIME")
WEBP_NOTES = (b"EXIF", b"XMP ")
GIF_STARTS = (b"GIF87a", b"GIF89a")


SIGNS = (b"Exif", b"EXIF", b"eXIf", b"tEXt", b"iTXt", b"zTXt", b"XMP", b"xmp", b"8BIM", b"\xff\xfe", b"\x21\xfe")
"""What a damaged picture may have only if there are notes in it."""


class UncleanError(ValueError):
    """A picture whose notes cannot be taken out; the text says what it is."""


def bare(content: bytes, suffix: str) -> bytes:
    """Return a picture without its notes.

    Args:
        content: The file.
        suffix: How its kind's names end.

    Raises:
        UncleanError: If its notes cannot be taken out. A damaged picture without any sign of notes stays as it is.
    """
    ways = {".jpg": _jpeg, ".png": _png, ".webp": _webp, ".gif": _gif}
    if suffix not in ways:
        raise UncleanError(f"a {suffix.lstrip('.').upper()} file holds place and owner where they cannot be taken out")
    try:
        return ways[suffix](content)
    except (struct.error, IndexError, UncleanError):
        if any(sign in content for sign in SIGNS):
            raise UncleanError("the picture is damaged, and place and owner may be in it") from None
        return content


def _jpeg(content: bytes) -> bytes:
    out, turned = [b"\xff\xd8"], 1
    for marker, part in _segments(content):
        if marker == 0xE1 and part[4:10] == b"Exif\0\0":
            turned = _orientation(part[10:]) or turned
        icc = marker == 0xE2 and part[4:16] == b"ICC_PROFILE\0"
        if (0xE1 <= marker <= 0xEF and marker != 0xEE and not icc) or marker == 0xFE:
            continue
        out.append(part)
    if turned != 1:
        note = b"Exif\0\0II*\0\x08\0\0\0\x01\0" + struct.pack("<HHIHH", ORIENTATION, 3, 1, turned, 0) + b"\0\0\0\0"
        out.insert(1, b"\xff\xe1" + struct.pack(">H", len(note) + 2) + note)
    return b"".join(out)


def _segments(content: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield marker and bytes of each segment behind the start; picture data go with the scan that they belong to."""
    at = 2
    while True:
        while content[at] == 0xFF and content[at + 1] == 0xFF:  # padding
            at += 1
        if content[at] != 0xFF:
            raise UncleanError("the picture is damaged")
        marker = content[at + 1]
        if marker == 0xD9:
            yield marker, b"\xff\xd9"
            return
        end = at + 2 + struct.unpack(">H", content[at + 2 : at + 4])[0]
        if marker == 0xDA:
            while content[end] != 0xFF or content[end + 1] == 0 or 0xD0 <= content[end + 1] <= 0xD7:
                end += 1
        yield marker, content[at:end]
        at = end


def _orientation(note: bytes) -> int:
    """Return how the Exif note says that the picture is to be turned, 0 if it does not."""
    order = "<" if note[:2] == b"II" else ">"
    try:
        (first,) = struct.unpack(f"{order}I", note[4:8])
        (count,) = struct.unpack(f"{order}H", note[first : first + 2])
        for k in range(count):
            tag, _, _, value = struct.unpack(f"{order}HHIH", note[first + 2 + 12 * k : first + 12 + 12 * k])
            if tag == ORIENTATION:
                return int(value) if 1 <= value <= 8 else 0
    except struct.error:
        return 0
    return 0


def _png(content: bytes) -> bytes:
    out, at = [content[:8]], 8
    while True:
        length, name = struct.unpack(">I4s", content[at : at + 8])
        end = at + 12 + length
        if end > len(content):
            raise UncleanError("the picture is damaged")
        if name not in PNG_NOTES:
            out.append(content[at:end])
        if name == b"IEND":
            return b"".join(out)
        at = end


def _webp(content: bytes) -> bytes:
    if content[8:12] != b"WEBP":
        raise UncleanError("the picture is damaged")
    (size,) = struct.unpack("<I", content[4:8])
    out, at, whole = [], 12, min(len(content), 8 + size)
    while at + 8 <= whole:
        name, length = struct.unpack("<4sI", content[at : at + 8])
        end = at + 8 + length + length % 2
        part = content[at:end]
        if name == b"VP8X":
            part = part[:8] + bytes([part[8] & ~0x0C]) + part[9:]
        if name not in WEBP_NOTES:
            out.append(part)
        at = end
    body = b"WEBP" + b"".join(out)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _gif(content: bytes) -> bytes:
    if content[:6] not in GIF_STARTS:
        raise UncleanError("the picture is damaged")
    at = 13 + _table(content[10])
    out = [content[:at]]
    while content[at] != 0x3B:
        start, kind = at, content[at]
        if kind == 0x21:
            label, at = content[at + 1], at + 2
            note = label == 0xFE or content[at + 1 : at + 12] == b"XMP DataXMP"
        elif kind == 0x2C:
            at, note = at + 11 + _table(content[at + 9]), False
        else:
            raise UncleanError("the picture is damaged")
        while content[at]:
            at += content[at] + 1
        at += 1
        if not note:
            out.append(content[start:at])
    return b"".join([*out, b"\x3b"])


def _table(packed: int) -> int:
    """Return the bytes of a table of colours that a packed field announces."""
    return 3 << ((packed & 7) + 1) if packed & 0x80 else 0

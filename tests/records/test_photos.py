"""Photos are kept without place and owner, and the picture itself stays: another program's reader looks at both."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from PIL import Image, PngImagePlugin

from optimizer.records.photos import UncleanError, bare
from tests.support.harbour import batch_file, weighed
from tests.support.hostile import ask

OWNER = b"Ada of the harbour"
FORMATS = {".jpg": "JPEG", ".png": "PNG", ".webp": "WEBP", ".gif": "GIF"}


def photo(suffix: str, turned: int = 1) -> bytes:
    """Return a picture with an owner, a place and a remark beside it."""
    picture = Image.effect_noise((64, 48), 80).convert("P" if suffix == ".gif" else "RGB")
    exif = Image.Exif()
    exif[0x013B] = OWNER.decode()  # artist
    exif[0x0112] = turned
    exif.get_ifd(0x8825)[2] = (53.0, 8.0, 1.0)  # latitude
    out = io.BytesIO()
    if suffix == ".png":
        said = PngImagePlugin.PngInfo()
        said.add_text("Author", OWNER.decode())
        picture.save(out, "PNG", pnginfo=said, exif=exif)
    elif suffix == ".gif":
        picture.save(out, "GIF", comment=OWNER)
    else:
        picture.save(out, FORMATS[suffix], exif=exif, quality=90)
    return out.getvalue()


@pytest.mark.parametrize("suffix", FORMATS)
def test_place_and_owner_go_and_the_picture_stays(suffix: str) -> None:
    content = photo(suffix)
    assert OWNER in content
    kept = bare(content, suffix)
    assert OWNER not in kept
    before, after = Image.open(io.BytesIO(content)), Image.open(io.BytesIO(kept))
    assert before.convert("RGB").tobytes() == after.convert("RGB").tobytes()
    assert not dict(after.getexif())
    assert not {"Author", "comment", "exif", "xmp"} & after.info.keys()
    assert bare(kept, suffix) == kept


def test_how_a_jpeg_is_to_be_turned_is_kept_alone() -> None:
    kept = bare(photo(".jpg", turned=6), ".jpg")
    assert OWNER not in kept
    assert dict(Image.open(io.BytesIO(kept)).getexif()) == {0x0112: 6}


def test_what_follows_the_picture_goes_too() -> None:
    """Some telephones append a film, with its place, behind the end of the picture."""
    for suffix in (".jpg", ".png"):
        assert OWNER not in bare(photo(suffix) + b"film by " + OWNER, suffix)


@pytest.mark.parametrize("suffix", [".heic", ".tif"])
def test_what_cannot_be_cleaned_is_refused(suffix: str) -> None:
    with pytest.raises(UncleanError, match="holds place and owner where they cannot be taken out"):
        bare(b"anything", suffix)


@pytest.mark.parametrize("suffix", FORMATS)
def test_damaged_pictures_are_told_not_half_kept(suffix: str) -> None:
    content = photo(suffix)
    for end in range(14, len(content) - 3, max(1, len(content) // 60)):
        try:
            kept = bare(content[:end], suffix)
        except UncleanError:
            continue
        assert OWNER not in kept


def test_it_is_said_when_a_photo_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "foam.jpg").write_bytes(photo(".jpg"))
    seen = '[[observation]]\nwhat = "foam"\nphoto = "foam.jpg"\n'
    path = batch_file(tmp_path, "B1", weighed("aqua", 1, "W"), seen)
    told = ask("records", "keep", str(path), "--store", "r.db")
    assert told.code == 0, told.err
    assert "place, owner and other notes of the camera left out: foam.jpg" in " ".join(told.out.split())
    note = ("records", "note", "B1", "--what", "colour", "--text", "pale", "--store", "r.db")
    assert "foam.jpg: kept without place, owner" in ask(*note, "--photo", "foam.jpg").err
    assert ask("records", "export", "out", "--store", "r.db").code == 0
    assert OWNER not in b"".join(p.read_bytes() for p in Path("out").rglob("*") if p.is_file())
    assert OWNER in Path("foam.jpg").read_bytes(), "the maker's own file is left alone"
    assert json.loads(ask("records", "keep", str(path), "--store", "r.db", "--json").out)["photos_cleaned"] == [
        "foam.jpg"
    ]

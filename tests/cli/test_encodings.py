"""What a terminal cannot hold: never a trace, never a sign that drives it or turns its reading direction."""

from __future__ import annotations

import io
import json
import os
import sys
from pathlib import Path

import pytest

from optimizer import cli
from optimizer.report.document import Document, Listing, Sketch, Table
from optimizer.report.formats.escape import forgive_encodings, json_for
from tests.support.hostile import ask

TURNING = "".join(map(chr, (*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F, 0x1B, 0x07, 0x9B)))
COMMANDS = (
    (),
    ("--help",),
    ("--version",),
    ("blend", "hand-wash"),
    ("blend", "hand-wash", "--markdown"),
    ("blend", "hand-wash", "--json"),
    ("blend", "nothing"),
    ("blend", "--help"),
    ("check", "hand-wash", "f.csv"),
    ("check", "hand-wash", "f.csv", "--markdown"),
    ("check", "hand-wash", "f.csv", "--json"),
    ("why", "hand-wash", "aqua"),
    ("batch", "f.csv", "--for", "hand-wash", "--size", "1kg", "--out", "b.toml"),
    ("weigh", "b.toml"),
    ("label", "f.csv", "--for", "hand-wash"),
    ("label", "f.csv", "--for", "hand-wash", "--markdown"),
    ("cost", "f.csv", "--for", "hand-wash", "--size", "1kg"),
    ("ph", "f.csv", "--for", "hand-wash"),
    ("ph", "f.csv", "--for", "hand-wash", "--json"),
    ("advice", "f.csv", "--for", "hand-wash"),
    ("card", "f.csv", "--for", "hand-wash"),
    ("rules",),
    ("rules", "active"),
    ("rules", "--markdown"),
    ("library", "list"),
    ("library", "check"),
    ("library", "show", "aqua", "--json"),
    ("library", "show", "cocamidopropyl-betaine"),
    ("schema", "blend"),
    ("start", "wörk→"),
    ("records", "list"),
    ("records", "keep", "€.toml"),
    ("range", "hand-wash", "--vary", "active.at_least=8,9"),
    ("frontier", "--help"),
)  # fmt: skip
SOME = (
    (),
    ("blend", "nothing"),
    ("blend", "hand-wash"),
    ("check", "hand-wash", "f.csv", "--markdown"),
    ("check", "hand-wash", "f.csv", "--json"),
    ("library", "show", "cocamidopropyl-betaine"),
    ("start", "wörk→"),
    ("records", "keep", "€.toml"),
)
"""One of each way to print; what they print goes through the same streams in every encoding."""


def asked(args: tuple[str, ...], encoding: str, monkeypatch: pytest.MonkeyPatch) -> tuple[int, bytes, bytes]:
    """Run a command with strict streams of an encoding, as Python opens them there."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict") for _ in range(2))
    monkeypatch.setattr(sys, "argv", ["tenside", *args])
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    try:
        cli.main()
        code = 0
    except SystemExit as ended:
        code = int(ended.code or 0)
    out.flush()
    err.flush()
    return code, out.buffer.getvalue(), err.buffer.getvalue()  # type: ignore[attr-defined]


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("encoding", "commands"),
    [("ascii", COMMANDS), ("cp1252", SOME), ("latin-1", SOME), ("utf-8", SOME)],
    ids=["ascii", "cp1252", "latin-1", "utf-8"],
)
def test_no_command_trips_over_an_encoding(
    encoding: str, commands: tuple[tuple[str, ...], ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("f.csv").write_text("material,percent\naqua,80\ncocamidopropyl-betaine,20\n", encoding="utf-8")
    for args in commands:
        with monkeypatch.context() as changed:
            code, out, err = asked(args, encoding, changed)
        assert code in (0, 2, 3, 4), (args, code, err)
        assert out or err, args
        assert b"Traceback" not in err
        if "--json" in args:
            json.loads(out)


def test_json_says_the_same_in_every_encoding() -> None:
    text = json.dumps({"a": f"1 µ ≤ 2 € \U0001f9fc é {TURNING}"}, ensure_ascii=False)
    for encoding in ("ascii", "latin-1", "cp1252", "utf-8"):
        told = json_for(text, encoding)
        told.encode(encoding)
        assert json.loads(told) == json.loads(text)
        assert not set(TURNING) & set(told)


def test_nothing_that_drives_a_terminal_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    from optimizer.cli.common import aside, say, show

    odd = f"x{TURNING}y"
    document = Document(
        odd,
        odd,
        ((odd, odd),),
        (Table(odd, (odd, odd), ((odd, odd),), note=odd), Listing(odd, (odd,)), Sketch(odd, (odd,), odd)),
    )
    for markdown in (False, True):
        show(document, markdown)
    say(odd)
    aside(odd)
    told = "".join(capsys.readouterr())
    assert told.count("x") >= 20
    assert not set(TURNING) & set(told)


def test_a_name_that_turns_the_text_is_shown_without(tmp_path: Path) -> None:
    answer = ask("blend", f"{tmp_path}/a\u202e\x1b[31m.toml")
    assert answer.code == 3
    assert not set(TURNING) & set(answer.err)


def test_signs_that_the_font_of_pictures_lacks_are_no_warning(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    import warnings

    from optimizer.report.formats.picture_file import canvas, write_plotted

    path = tmp_path / "p.png"
    figure, axes = canvas()
    axes.set_title("手洗い")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        write_plotted(figure, path)
    assert not caught
    assert capfd.readouterr() == ("", "")
    assert os.path.getsize(path) > 0


def test_a_sign_between_letters_of_a_unit_is_left_out_where_it_cannot_be_shown() -> None:
    forgive_encodings()
    assert "3000 mPa·s · 5".encode("ascii", "plain") == b"3000 mPa s . 5"
    assert "Next ··".encode("ascii", "plain") == b"Next .."

"""Names that are no files, and files that are made to choke a program: told in a sentence, without a wait."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path
from time import monotonic

import pytest

from tests.support.hostile import Told, ask

BRIEF = 'name = "Wash"\nproduct = "wash"\n'
READERS = (
    (".toml", ("blend", "{}")),
    ("", ("blend", "{}")),
    (".csv", ("blend", "hand-wash", "--shelf", "{}")),
    (".xlsx", ("blend", "hand-wash", "--shelf", "{}")),
    ("", ("blend", "hand-wash", "--library", "{}")),
    (".json", ("check", "hand-wash", "{}")),
    (".toml", ("weighed", "{}", "aqua=3")),
    ("", ("cost", "hand-wash", "--costs", "{}")),
    (".toml", ("variants", "{}", "--base", "hand-wash")),
    ("", ("range", "{}")),
    (".csv", ("range", "hand-wash", "--table", "{}")),
    (".toml", ("records", "keep", "{}", "--store", "s.db")),
    (".db", ("records", "list", "--store", "{}")),
    (".json", ("records", "import", "{}", "--store", "n.db")),
    (".csv", ("import", "formula", "{}")),
)
WRITERS = (
    (".html", ("blend", "hand-wash", "--html", "{}")),
    (".lp", ("blend", "hand-wash", "--export", "{}")),
    (".csv", ("range", "hand-wash", "--out", "{}")),
    ("", ("records", "export", "{}", "--store", "s.db")),
    ("", ("start", "{}")),
)
"""Commands that read or write the file that stands for {}, and how its name ends."""


def told(answer: Told) -> None:
    """Expect a short text with exit code 2 or 3."""
    assert answer.code in (2, 3), answer
    assert "Traceback" not in answer.err
    assert 0 < len(answer.err) < 3000


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(("ending", "args"), READERS, ids=[" ".join(a) for _, a in READERS])
def test_pipes_devices_and_folders_are_no_files(ending: str, args: tuple[str, ...]) -> None:
    os.mkfifo(f"fifo{ending}")
    os.symlink("/dev/zero", f"zero{ending}")
    os.symlink(f"loop{ending}", f"loop{ending}")
    names = [f"fifo{ending}", f"zero{ending}", f"loop{ending}", "n" * 5000 + ending]
    if ending:
        Path(f"folder{ending}").mkdir()
        names.append(f"folder{ending}")
    for name in (*names, f"a\0b{ending}"):
        answer = ask(*(a.replace("{}", name) for a in args), seconds=10)
        told(answer)
        if name[:4] in ("fifo", "zero") and answer.code == 3:
            assert "this is a pipe or a device" in answer.err
        if name.startswith("folder") and "variants" not in args and "keep" not in args and "range" not in args:
            assert "folder" in answer.err


@pytest.mark.parametrize(("ending", "args"), WRITERS, ids=[" ".join(a) for _, a in WRITERS])
def test_nothing_is_written_under_a_name_that_no_file_can_have(ending: str, args: tuple[str, ...]) -> None:
    os.symlink(f"loop{ending}", f"loop{ending}")
    Path("plain").write_text("a file", encoding="utf-8")
    for name in ("n" * 5000 + ending, f"a\0b{ending}", f"loop{ending}", f"plain/x{ending}"):
        told(ask(*(a.replace("{}", name) for a in args)))
    assert sorted(os.listdir()) == [f"loop{ending}", "plain"]


def test_a_file_that_a_brief_names_is_looked_at_with_the_same_care() -> None:
    for key, value in (("shelf", "a\\u0000b.csv"), ("extends", "loop.toml"), ("library", "n" * 5000)):
        Path("loop.toml").unlink(missing_ok=True)
        os.symlink("loop.toml", "loop.toml")
        text = f'["{value}"]' if key == "library" else f'"{value}"'
        Path("brief.toml").write_text(f"{BRIEF}{key} = {text}\n", encoding="utf-8")
        answer = ask("blend", "brief.toml")
        told(answer)
        assert f"brief.toml, {key}" in answer.err


def test_a_number_of_thousands_of_digits_is_told_with_its_line() -> None:
    Path("brief.toml").write_text(f"{BRIEF}batch_kg = {'9' * 5000}\n", encoding="utf-8")
    answer = ask("blend", "brief.toml")
    told(answer)
    assert "brief.toml: line 3 holds a number of more than 4300 digits. Correct that line." in answer.err
    Path("batch.toml").write_text(f'batch = "1"\nsize_g = {"9" * 5000}\n', encoding="utf-8")
    told(ask("weighed", "batch.toml", "aqua=3"))
    Path("blend.json").write_text(f'{{"formula": [{{"id": "aqua", "percent": {"9" * 400}}}]}}', encoding="utf-8")
    told(ask("check", "hand-wash", "blend.json"))


def test_a_price_of_hundreds_of_digits_is_told_with_its_cell() -> None:
    Path("shelf.csv").write_text(f"material,price per kg\naqua,{'9' * 400}\n", encoding="utf-8")
    answer = ask("blend", "hand-wash", "--shelf", "shelf.csv")
    told(answer)
    assert "shelf.csv, row 2, column 'price per kg'" in answer.err
    assert "is larger than any figure that is read." in answer.err
    Path("brief.toml").write_text(f"{BRIEF}batch_kg = {'9' * 400}\n", encoding="utf-8")
    told(ask("blend", "brief.toml"))


def test_rules_are_counted_before_they_are_named() -> None:
    rule = '[[rule]]\nkind = "active"\nat_least = 6\n'
    Path("brief.toml").write_text(BRIEF + rule * 20_000, encoding="utf-8")
    start = monotonic()
    answer = ask("blend", "brief.toml")
    told(answer)
    assert "brief.toml, rule: 20000 rules, more than the 500 that are read." in answer.err
    assert monotonic() - start < 10
    from optimizer.brief.scenario import read_scenario

    Path("brief.toml").write_text(BRIEF + rule * 500, encoding="utf-8")
    ids = [r.id for r in read_scenario(Path("brief.toml"))[0].rule]
    assert (len(set(ids)), ids[0], ids[-1]) == (500, "active", "active-500")


def test_a_row_of_millions_of_cells_is_refused_before_it_is_built(tmp_path: Path) -> None:
    from openpyxl import Workbook

    book = Workbook()
    assert book.active is not None
    book.active.append(["material", "price per kg"])
    book.save("small.xlsx")
    with zipfile.ZipFile("small.xlsx") as small, zipfile.ZipFile("wide.xlsx", "w", zipfile.ZIP_DEFLATED) as wide:
        for item in small.infolist():
            content = small.read(item)
            if item.filename == "xl/worksheets/sheet1.xml":
                content = content.replace(b"</row>", b"<c/>" * 3_000_000 + b"</row>")
            wide.writestr(item, content)
    Path("wide.csv").write_text("material,price per kg\naqua" + "," * 1_000_000, encoding="utf-8")
    for name, row in (("wide.xlsx", 1), ("wide.csv", 2)):
        answer = ask("blend", "hand-wash", "--shelf", name, seconds=10)
        told(answer)
        assert f"{name}, row {row}: more than 1000 cells in one row." in answer.err


def test_a_cell_of_endless_letters_is_told_with_its_row() -> None:
    for letters in ("9", "a", " 9", "1.", "("):
        Path("long.csv").write_text(f"material,percent\naqua,80\n{letters * 60_000},20\n", encoding="utf-8")
        answer = ask("import", "formula", "long.csv", seconds=5)
        told(answer)
        assert "long.csv, row 3: more than 5000 letters in one cell." in answer.err


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01", "9999-12-31T10:00"])
def test_days_that_no_calendar_can_count_on_from_are_refused(day: str) -> None:
    from optimizer.records.store import open_store
    from tests.support.harbour import batch_file, weighed

    path = batch_file(Path(), "B1", weighed("aqua", 800, "W1"))
    assert ask("records", "keep", str(path), "--store", "s.db").code == 0
    day_only = day[:10]
    for args in (
        ("records", "due", "--on", day_only),
        ("records", "tests", "B1", "--on", day_only),
        ("records", "tests", "B1", "--from", day_only),
        ("records", "sample", "B1", "--place", "shelf", "--on", day_only),
        ("records", "result", "B1", "ph-room", "--value", "5.1", "--on", day),
        ("records", "note", "B1", "--what", "foam", "--text", "x", "--on", day),
    ):
        told(ask(*args, "--store", "s.db"))
    path.write_text(path.read_text(encoding="utf-8").replace("2026-03-03", day_only), encoding="utf-8")
    answer = ask("records", "keep", str(path), "--store", "s.db")
    assert (answer.code, "from 1900 to 2999" in answer.err) == (3, True)
    with open_store(Path("s.db")) as store:
        assert store.rows("SELECT count(*) FROM revision")[0][0] == 1

"""Reports as PDF: nothing lost of what Markdown tells. Files of reports: written anew only if nobody changed them."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from pypdfium2 import PdfDocument

from optimizer.files import write_report
from optimizer.report.document import Bar, Bars, Curve, Curves, Document, Listing, Sketch, Strong, Table, figures
from optimizer.report.formats.markdown import markdown
from optimizer.report.formats.paper import page_count
from optimizer.report.formats.pdf import document_pdf
from tests.support.hostile import ask

FORMULA = "material,percent\naqua,80\ncocamidopropyl-betaine,20\n"


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def text_of(pdf: bytes) -> str:
    """Return the text of a PDF without spaces: where a line is broken is not what these tests are about."""
    document = PdfDocument(pdf)
    try:
        text = "".join(page.get_textpage().get_text_bounded() for page in document)
    finally:
        document.close()
    return squeezed(text)


def squeezed(text: str) -> str:
    return re.sub(
        r"[\s\u00a0\ufffe\x02-]+", "", text
    )  # pdfium tells a hyphen at the end of a line as a mark of its own


def words_of(text: str) -> list[str]:
    """Return the lines and cells of a Markdown text, without its marks."""
    cells = []
    for line in text.splitlines():
        if re.fullmatch(r"[|\s:-]*", line):
            continue
        for cell in re.split(r": " if line.startswith("- ") else r"(?<!\\)\|", line):
            plain = re.sub(r"\\(.)", r"\1", html.unescape(re.sub(r"^(#+ |- |\*\*)|\*\*$", "", cell.strip())))
            cells += [squeezed(plain)] if squeezed(plain) else []
    return cells


# --- PDF -----------------------------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize(
    "args", [("blend", "hand-wash"), ("cost", "hand-wash"), ("label", "hand-wash"), ("library", "list")], ids=" ".join
)
def test_a_pdf_loses_nothing_that_markdown_tells(args: tuple[str, ...]) -> None:
    told = ask(*args, "--pdf", "a.pdf", "--markdown")
    assert told.code == 0, told.err
    assert "wrote a.pdf" in told.err
    text = text_of(Path("a.pdf").read_bytes())
    assert [w for w in words_of(told.out) if w not in text] == []


@pytest.mark.thorough
def test_a_blend_as_pdf_has_title_verdict_dose_caution_and_pictures() -> None:
    assert ask("blend", "hand-wash", "--pdf", "a.pdf").code == 0
    text = text_of(Path("a.pdf").read_bytes())
    for words in (
        "Harbour hand wash",
        "groups of choices ruled out or worse, each checked outside the solver",
        "Cocamidopropyl Betaine 7.62",
        "Caution. A candidate for",
    ):
        assert squeezed(words) in text, words
    assert squeezed("cost, EUR per kg of product") in text  # an axis, which stands in the picture alone


@pytest.mark.thorough
def test_the_same_report_gives_the_same_bytes() -> None:
    for name in ("a.pdf", "b.pdf"):
        assert ask("blend", "hand-wash", "--pdf", name).code == 0
    assert Path("a.pdf").read_bytes() == Path("b.pdf").read_bytes()


@pytest.mark.slow
def test_tables_of_any_shape_keep_every_cell() -> None:
    wide = tuple(f"column-{c}-of-many" for c in range(40))
    tall = tuple((f"row {r}", "w" * 300, f"{r}.5") for r in range(120))
    huge = (("all in one cell", "word and word " * 3000 + "end.", "1"),)
    sections = (
        Table("Wide", (wide[0], *figures(*wide[1:])), (tuple(f"w{c}c" for c in range(40)),)),
        Table("Tall", ("a", "b", *figures("c")), (*tall[:-1], Strong(tall[-1]))),
        Table("Huge", ("a", "b", "c"), huge),
        Table("Empty", ("no", "rows"), ()),
        Document("A chapter", "Bad news.", (("fact", "value " * 2000 + "last"),), good=False),
        Listing("", ("an <i>item</i> & more", "شامبو"), "plain"),
        Listing("Cautions", ("careful " * 1500 + "indeed",), "caution"),
    )
    pdf = document_pdf(Document("T" * 500, "", sections=sections))
    text = text_of(pdf)
    for word in (*wide, *(f"w{c}c" for c in range(40)), *(f"row {r}" for r in range(120)), "end.", "last", "indeed"):
        assert squeezed(word) in text, word
    assert text.count("w") >= 120 * 300
    assert "<i>item</i>&more" in text
    assert text.count("abc") > 10  # headings are repeated on every page


def test_a_table_with_many_columns_leaves_room_for_its_texts() -> None:
    # measured before: a text column of 55 pt beside nine keys, 16 lines to a row, and headings repeated within a page
    keys = tuple(f"mildness-rule-{k}.at_least" for k in range(7))
    rows = tuple((str(k), *(["1"] * 7), "active at least; perfume at least; " * 8) for k in range(30))
    pdf = document_pdf(Document("Wide", "", sections=(Table("T", ("no.", *keys, "sits on"), rows),)))
    assert page_count(pdf) <= 4


def test_drawings_of_any_shape_fit_a_page() -> None:
    bars = tuple(
        Bar(f"bar {k} " + "long " * (k % 40), k, k + 1.0, f"told {k}", k + 0.5, bool(k % 2)) for k in range(90)
    )
    points = tuple((float(x), float(x * x)) for x in range(9))
    lines = tuple(Curve(f"line {k}", points, points[:2]) for k in range(6))
    sections = (
        Sketch("Bars", note="a note", drawing=Bars("axis", bars, (-5.0, 95.0), (3, 60, "the band"), (40, "the line"))),
        Sketch("No bars", drawing=Bars("nothing", (), (0.0, 0.0))),
        Sketch("Curves", drawing=Curves("across", "up", lines)),
        Sketch("A point", drawing=Curves("x", "y", (Curve("", ((1.0, 1.0),)),))),
        Sketch("Letters", ("  /\\  " * 40, "plain")),
    )
    text = text_of(document_pdf(Document("Drawings", "Done.", sections=sections)))
    for word in (
        *(f"told {k}" for k in range(90)),
        "a note",
        "the band",
        "the line",
        "line 5",
        "across",
        "up",
        "plain",
    ):
        assert squeezed(word) in text, word


@pytest.mark.thorough
def test_words_that_look_like_markup_or_a_mark_are_shown_as_they_are() -> None:
    mark = "tenside report sha256 " + "0" * 64
    odd = ("<b>", "</para>", "a & b &lt; c", "(\\)", "\u202eevil", "\x00\x07", "\ud800", "{}%s", mark, "", "\U0001f600")
    cells = tuple((word, word) for word in odd)
    drawing = Bars(odd[0], tuple(Bar(word, 0, 1, word) for word in odd), (0, 1), (0, 1, odd[1]), (1, odd[2]))
    parts = (
        Table(mark, ("a", "b"), cells),
        Listing("c", odd, "caution"),
        Sketch("s", odd),
        Sketch("d", drawing=drawing),
    )
    for word in odd:
        pdf = document_pdf(Document(word, word, cells, parts))
        Path("a.pdf").unlink(missing_ok=True)
        for _ in range(2):
            write_report(Path("a.pdf"), pdf, "report")
        text = text_of(Path("a.pdf").read_bytes())
        assert [w for w in (odd[0], odd[1], odd[2], odd[3], mark) if squeezed(w) not in text] == []


def test_what_markdown_says_is_split_into_words_as_it_should() -> None:
    made = Document("A * title", "Solved; a_b.", (("cost", "0.9 | kg"),), (Table("T", ("a", "b"), (("1 | 2", "-3"),)),))
    assert words_of(markdown(made)) == ["A*title", "Solved;a_b.", "cost", "0.9|kg", "T", "a", "b", "1|2", "3"]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--pdf", "a.txt"), "ends otherwise"),
        (("--pdf", "a.html"), "ends otherwise"),
        (("--html", "a.pdf"), "ends otherwise"),
        (("--json", "--pdf", "a.pdf"), "not with --json"),
        (("--pdf", "a.pdf", "--json"), "not with --json"),
        (("--pdf", "there.pdf"), "the file exists and would be lost"),
    ],
)
def test_a_pdf_that_could_not_be_written_is_refused_before_anything_is_found(args: tuple[str, ...], says: str) -> None:
    Path("there.pdf").write_text("mine", encoding="utf-8")
    told = ask("blend", "hand-wash", *args)
    assert told.code in (2, 3)
    assert says in told.err
    assert "Betaine" not in told.out
    assert [p.name for p in Path().iterdir()] == ["there.pdf"]
    assert Path("there.pdf").read_text(encoding="utf-8") == "mine"


# --- written anew ----------------------------------------------------------------------------------------------


def lay() -> None:
    Path("f.csv").write_text(FORMULA, encoding="utf-8")
    assert ask("batch", "f.csv", "--for", "hand-wash", "--size", "1kg", "--out", "batch.toml").code == 0


REPORTS = (
    ("blend", "hand-wash", "--html", "a.html"),
    ("blend", "hand-wash", "--pdf", "a.pdf"),
    ("page", "hand-wash", "--out", "a.html"),
    ("weigh", "batch.toml", "--html", "a.html"),
    ("weigh", "batch.toml", "--pdf", "a.pdf"),
    ("weigh", "batch.toml", "--xlsx", "a.xlsx"),
    ("card", "batch.toml", "--pdf", "a.pdf"),
)


@pytest.mark.thorough
@pytest.mark.parametrize("args", REPORTS, ids=" ".join)
def test_a_report_is_written_anew_unless_a_byte_of_it_was_changed(args: tuple[str, ...]) -> None:
    lay()
    path = Path(args[-1])
    assert ask(*args).code == 0
    first = path.read_bytes()
    assert ask(*args).code == 0
    if path.suffix != ".xlsx":  # a workbook tells when it was made
        assert path.read_bytes() == first
    whole = path.read_bytes()
    places = [*range(0, len(whole), len(whole) // 6), len(whole) - 1, whole.find(b"sha256") + 12]
    for place in places:
        changed = whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :]
        path.write_bytes(changed)
        told = ask(*args)
        assert told.code == 3, place
        assert "the file exists and would be lost: only a " in told.err
        assert path.read_bytes() == changed
    path.write_bytes(whole + b"\n")
    assert ask(*args).code == 3
    path.write_bytes(whole)
    assert ask(*args).code == 0


@pytest.mark.thorough
def test_a_report_that_tells_something_else_by_now_takes_the_place_of_the_old_one() -> None:
    for form, name in (("--html", "a.html"), ("--pdf", "a.pdf")):
        assert ask("blend", "hand-wash", form, name).code == 0
        before = Path(name).read_bytes()
        assert ask("blend", "hand-wash", "--set", "active.at_least=10", form, name).code == 0
        assert Path(name).read_bytes() != before
        assert ask("blend", "hand-wash", form, name).code == 0
        assert Path(name).read_bytes() == before


def test_no_other_file_gives_way_to_a_report() -> None:
    lay()
    assert ask("weigh", "batch.toml", "--html", "sheet.html", "--xlsx", "sheet.xlsx").code == 0
    for name, source in (
        ("a.html", "f.csv"),
        ("b.html", "batch.toml"),
        ("c.html", "sheet.xlsx"),
        ("d.html", "sheet.html"),
    ):
        content = Path(source).read_bytes()
        Path(name).write_bytes(content)
        told = ask("blend", "hand-wash", "--html", name)
        assert told.code == 3
        assert "only a report (HTML, PDF or XLSX) that is as it was written" in told.err
        assert Path(name).read_bytes() == content
    Path("e.xlsx").write_bytes(Path("sheet.xlsx").read_bytes()[:3000])  # a workbook of which a part is missing
    assert ask("weigh", "batch.toml", "--xlsx", "e.xlsx").code == 3
    Path("g.pdf").mkdir()
    assert ask("blend", "hand-wash", "--pdf", "g.pdf").code == 3


def test_files_of_facts_are_never_written_anew() -> None:
    lay()
    before = Path("batch.toml").read_bytes()
    assert ask("batch", "f.csv", "--for", "hand-wash", "--size", "1kg", "--out", "batch.toml").code == 3
    assert Path("batch.toml").read_bytes() == before


def test_a_workbook_that_unpacks_to_far_too_much_is_no_report() -> None:
    import zipfile

    lay()
    with zipfile.ZipFile("a.xlsx", "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("docProps/custom.xml", b"0" * 60_000_000)
    told = ask("weigh", "batch.toml", "--xlsx", "a.xlsx")
    assert told.code == 3
    assert "the file exists" in told.err

"""Documents as Markdown and on a terminal: cells are shown as they are, never read, computed or lost."""

from __future__ import annotations

import io
from io import BytesIO
from math import nan
from pathlib import Path

import pytest
from openpyxl import load_workbook

from optimizer.report.document import Column, Document, Listing, Strong, Sum, Table, figures, filled
from optimizer.report.formats.markdown import markdown
from optimizer.report.formats.page import page
from optimizer.report.formats.terminal import lines, show
from optimizer.report.formats.workbook import workbook
from optimizer.units import beside

ODD = (
    "a | b", "*bold*", "_slanted_", "`code`", "[link](there)", "<b>html</b>", "back\\slash", "50 % of 10", "-0", "1e9",
    "nan", "=1+2", "+1", "-1", "@name", "{braces}", "a  b", "é ± · – °", "7.005", "0.30000000000000004", "",
)  # fmt: skip
"""Cells that a careless renderer would read as markup, a number or a formula."""


def document(*cells: str, right: tuple[int, ...] = ()) -> Document:
    """Return a document with one table row."""
    columns = tuple(Column(f"c{n}", "figure" if n in right else "text") for n in range(len(cells)))
    return Document("Title", "Verdict.", sections=(Table("Table", columns, (cells,)),))


def row(text: str) -> str:
    """Return the table row of a Markdown document."""
    return [line for line in text.splitlines() if line.startswith("|")][2]


# --- Markdown ----------------------------------------------------------------------------------------------


def test_a_whole_document() -> None:
    """Markdown as CommonMark 0.31 with the pipe tables of GitHub Flavored Markdown 0.29 writes it."""
    made = Document(
        "A * title",
        "Solved; a_b.",
        facts=(("cost", "0.9 | kg"), ("pH", "5")),
        sections=(
            Table("Doses", ("material", *figures("%")), (("Water", "80.00"), ("x|y", "20.00")), "A *note*."),
            Listing("Cautions", ("Mind <this>.", "And\nthat."), "caution"),
            Table("Empty", ("a", "b"), ()),
        ),
    )
    assert markdown(made) == (
        "# A \\* title\n\n"
        "**Solved; a\\_b.**\n\n"
        "- cost: 0.9 \\| kg\n- pH: 5\n\n"
        "## Doses\n\n"
        "| material | % |\n| --- | ---: |\n| Water | 80.00 |\n| x\\|y | 20.00 |\n\n"
        "A \\*note\\*.\n\n"
        "## Cautions\n\n"
        "- Mind &lt;this&gt;.\n- And that.\n\n"
        "## Empty\n\n"
        "| a | b |\n| --- | --- |\n"
    )


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("a | b", "a \\| b"),
        ("*bold*", "\\*bold\\*"),
        ("_slanted_", "\\_slanted\\_"),
        ("`code`", "\\`code\\`"),
        ("[link](there)", "\\[link\\](there)"),
        ("<b>", "&lt;b&gt;"),
        ("back\\slash", "back\\\\slash"),
        ("back\\|pipe", "back\\\\\\|pipe"),
        ("two\nlines", "two lines"),
        ("7.005", "7.005"),
        ("-0", "-0"),
        ("=1+2", "=1+2"),
    ],
)
def test_markdown_cells_are_escaped(cell: str, written: str) -> None:
    assert row(markdown(document(cell, "next"))) == f"| {written} | next |"


def unescaped(text: str) -> str:
    """Return what a Markdown reader shows of escaped text (CommonMark 0.31, 2.4 and 2.5)."""
    shown, position = "", 0
    while position < len(text):
        if text[position] == "\\":
            position += 1
        shown += text[position]
        position += 1
    return shown.replace("&lt;", "<").replace("&gt;", ">")


@pytest.mark.parametrize("cell", ODD)
def test_markdown_gives_every_cell_back(cell: str) -> None:
    written = row(markdown(document(cell, "next"))).removeprefix("| ").removesuffix(" | next |")
    assert unescaped(written) == cell


@pytest.mark.parametrize("cell", ODD)
def test_markdown_rows_keep_their_number_of_cells(cell: str) -> None:
    table = [line for line in markdown(document(cell, cell, cell)).splitlines() if line.startswith("|")]
    pipes = [line.replace("\\\\", "").replace("\\|", "").count("|") for line in table]
    assert pipes == [4, 4, 4]


# --- Terminal ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", range(14, 40))
def test_a_per_cent_sign_stays_with_its_figure(width: int) -> None:
    told = "Glucoside 13.87 %, above 6.9 % measured; at most 10 % (some allow 2 %)."
    shown = lines(Document("t", "v", sections=(Listing("Measured", (told,)),)), width)
    assert not [line for line in shown if line.strip().startswith("%")]
    assert " ".join(" ".join(shown).split()).endswith(told)


@pytest.mark.parametrize("width", range(14, 40))
def test_a_sign_of_degrees_stays_with_its_figure(width: int) -> None:
    shown = lines(Document("t", "v", sections=(Listing("Heat", ("Melt in at 70 °C, cool to 40 °C.",)),)), width)
    assert not [line for line in shown if line.strip().startswith("°C")]


def test_a_long_word_is_kept_whole_where_another_column_can_give_way() -> None:
    words = "before the surfactants, into the warm blend, then wait and stir"
    table = Table("T", ("thickener", "goes in", "why"), (("Hydroxyethylcellulose", words, words),))
    shown = lines(Document("t", "v", sections=(table,)), 60)
    assert any("Hydroxyethylcellulose" in line for line in shown)
    assert max(map(len, shown)) <= 60


@pytest.mark.parametrize(("form", "told"), [("+.2f", "+0.00"), (".2f", "0.00"), ("", "0")])
def test_what_rounds_to_nothing_has_no_minus(form: str, told: str) -> None:
    assert Column("change", "figure", form=form, digits=2).text(-1e-9) == told


def test_a_whole_document_on_a_terminal() -> None:
    made = Document(
        "A title",
        "Solved.",
        facts=(("cost", "0.9"), ("a longer name", "5")),
        sections=(
            Table("Doses", ("material", *figures("%")), (("Water", "80.00"), ("Soap", "5.00")), "A note."),
            Listing("Cautions", ("Mind this.",), "caution"),
            Listing("Notes", ("And that.",)),
        ),
    )
    assert lines(made, 20) == [
        "",
        "A title",
        "Solved.",
        "cost           0.9",
        "a longer name  5",
        "",
        "Doses ··············",
        "material      %",
        "Water     80.00",
        "Soap       5.00",
        "A note.",
        "",
        "Cautions ···········",
        "! Mind this.",
        "",
        "Notes ··············",
        "- And that.",
        "",
    ]


@pytest.mark.parametrize("cell", [c for c in ODD if c.strip() == c and "  " not in c])
def test_the_terminal_shows_every_cell_as_it_is(cell: str) -> None:
    """Numbers too: nothing is rounded, added up or put into another form here."""
    for right in ((), (0,)):
        shown = lines(document(cell, "next", right=right), 80)
        assert shown[6].split("next")[0].strip() == cell
        assert shown[6].endswith("next")


def test_long_cells_are_wrapped_and_nothing_is_lost() -> None:
    words = " ".join(f"word{n}" for n in range(40))
    shown = lines(document(words, "12.5", words, right=(1,)), 60)[6:-1]
    assert max(map(len, shown)) <= 60
    assert len(shown) > 5
    left, right = ([line[:25].split() for line in shown], [line[33:].split() for line in shown])
    assert [w for part in left for w in part if w.startswith("word")] == words.split()
    assert [w for part in right for w in part] == words.split()
    assert "12.5" in shown[0]


def test_numbers_stand_right() -> None:
    table = Table("T", ("a", *figures("n")), (("x", "1"), ("yy", "100.5")))
    assert lines(Document("t", "v", sections=(table,)), 40)[5:8] == ["a       n", "x       1", "yy  100.5"]


@pytest.mark.parametrize("width", [60, 80, 120])
def test_verdict_facts_notes_and_listings_fit(width: int) -> None:
    long = "A sentence of some words that goes on. " * 12
    made = Document(
        "t", long, facts=(("name", long),),
        sections=(Table("T", ("a",), (("b",),), note=long), Listing("L", (long, long), "caution")),
    )  # fmt: skip
    shown = lines(made, width)
    assert max(map(len, shown)) <= width
    assert " ".join(" ".join(shown).split()).count("A sentence of some words that goes on.") >= 12


def test_wide_characters_take_two_cells() -> None:
    """Unicode Standard Annex 11: East Asian wide characters take two cells of a terminal."""
    table = Table("T", ("a", *figures("n")), (("水", "1"), ("water", "2")))
    assert lines(Document("t", "v", sections=(table,)), 40)[6:8] == ["水     1", "water  2"]


def test_strong_rows_and_verdicts_are_painted_and_nothing_else_changes() -> None:
    table = Table("T", ("a",), (("x",), Strong(("total",))))
    made = Document("t", "v", sections=(table, Listing("L", ("c",), "caution")))
    painted = lines(made, 20, colour=True)
    assert painted[1:3] == ["\x1b[1mt\x1b[0m", "\x1b[32mv\x1b[0m"]
    assert "\x1b[1mtotal\x1b[0m" in painted
    assert "x" in painted
    bad = Document("t", "v", good=False)
    assert lines(bad, 20, colour=True)[2] == "\x1b[1;31mv\x1b[0m"
    plain = lines(made, 20)
    codes = ("\x1b[1m", "\x1b[2m", "\x1b[32m", "\x1b[33m", "\x1b[36m", "\x1b[0m")
    stripped = []
    for line in painted:
        for code in codes:
            line = line.replace(code, "")
        stripped.append(line)
    assert stripped == plain


def test_figures_are_written_as_their_column_says() -> None:
    columns = (Column("a"), *figures("n"), *figures("f", form=".2f", unit=" %"), *figures("w", digits=1))
    rows = (("x", 2.0, 1, 2.25), ("y", None, nan, "none"), ("z", (0.5, 2.0), -1.0, 0.0))
    assert Table("T", columns, rows).told() == [
        ("x", "2", "1.00 %", "2.2"),
        ("y", "", "", "none"),
        ("z", "0.5 + 2", "-1.00 %", "0"),
    ]


def test_an_empty_table_shows_its_headings() -> None:
    shown = lines(Document("t", "v", sections=(Table("T", ("a", "bc"), ()),)), 20)
    assert shown == ["", "t", "v", "", "T ··················", "a  bc", ""]


def test_a_listing_without_items_is_left_out_wherever_it_stands() -> None:
    told = Document("t", "v", [("a", "b")], [Listing("None", ()), Listing("One", ("x",)), Table("T", ("a",), ())])
    assert [section.title for section in told.sections] == ["One", "T"]
    assert told == Document("t", "v", (("a", "b"),), (Listing("One", ("x",)), Table("T", ("a",), ())))
    assert filled(Table("T", ("a",), ()), Table("U", ("a",), (("x",),))) == (Table("U", ("a",), (("x",),)),)


@pytest.mark.parametrize("written", ["mPas", "mPa s"])
def test_the_unit_of_viscosity_is_shown_as_it_is_printed_however_files_write_it(written: str, tmp_path: Path) -> None:
    table = Table(f"In {written}", (f"read, {written}",), ((f"300 {written}",),), f"Note {written}.")
    told = Document(f"At 20 {written}", f"{written}?", (("target", written),), (table, Listing("", (written,))))
    sheet = load_workbook(BytesIO(workbook(told, tmp_path / "w.xlsx"))).worksheets[0]
    cells = " ".join(str(cell.value) for cells in sheet for cell in cells if cell.value)
    for text in ("\n".join(lines(told, 60)), markdown(told), page(told).partition("<body>")[2], cells):
        assert "mPa·s" in text
        assert "mPas" not in text
        assert "mPa s" not in text


def test_show_writes_to_a_stream_that_is_no_terminal_without_colour() -> None:
    stream = io.StringIO()
    show(document("x", "y"), stream, width=30)
    assert stream.getvalue() == "\n".join(lines(document("x", "y"), 30)) + "\n"
    assert "\x1b" not in stream.getvalue()


def form() -> Document:
    """Return a document with a kind of column each; its figures are made up."""
    columns = (
        Column("", "tick"), Column("what", "name"), Column("key", "key"), *figures("g", form=".1f"),
        Column("noted", "write"), Column("how", "note"),
    )  # fmt: skip
    rows = (
        (None, "=Water", "aqua", 2.0, (0.5, 1.0), ("slowly", "! far off")),
        (None, "Salt", "salt", nan, None, ""),
        Strong(("", "sum", "", Sum(2.0), Sum(nan), "")),
    )
    step = Document("Step 1", "", sections=(Listing("", ("Hot.",), "caution"), Table("", columns, rows, "A note.")))
    blank = Table("", (Column("by", "write"), Column("on", "write")), ((None, None),))
    return Document("Sheet", "To do.", (("batch", "B & 1"),), (step, blank), running="batch B & 1", kind="weigh sheet")


def test_a_form_shows_its_boxes_and_notes_below_their_row_and_leaves_keys_out_of_a_text() -> None:
    shown = lines(form(), 60)
    assert "[ ]  =Water  2.0  0.5 + 1" in shown
    assert "[ ]  Salt" in shown
    assert "     sum     2.0" in shown
    assert not [line for line in shown if "aqua" in line]
    assert shown[shown.index("[ ]  =Water  2.0  0.5 + 1") + 1] == "     slowly. ! far off."
    assert sum("slowly" in line for line in shown) == 1


def test_a_form_on_a_page_has_boxes_and_notes_below_names() -> None:
    text = page(form())
    assert text.count('class="box"') == 2
    assert '<th scope="row" role="rowheader">=Water<p class="note">slowly</p><p class="note">! far off</p></th>' in text
    assert text.count('<td class="write"') == 5, "three lines and two to sign"
    assert "aqua" not in text
    assert "page.css" in text, "the style of forms names the one that it follows"


def test_a_form_in_a_workbook_has_figures_sums_and_all_columns(tmp_path: Path) -> None:
    book = load_workbook(BytesIO(workbook(form(), tmp_path / "x.xlsx")))
    (sheet,) = book.worksheets
    rows = [row[:6] for row in sheet.iter_rows(values_only=True)]
    assert sheet.title == "weigh sheet"
    assert rows == [
        ("Sheet", None, None, None, None, None),
        (None, None, "To do.", None, None, None),
        ("batch", None, "B & 1", None, None, None),
        ("done", "what", "key", "g", "noted", "how"),
        ("Step 1", None, None, None, None, None),
        (None, None, "CAUTION: Hot.", None, None, None),
        (None, "'=Water", "aqua", 2, 1.5, "slowly ! far off"),
        (None, "Salt", "salt", None, None, None),
        (None, "sum", None, "=SUM(D5:D8)", "=SUM(E5:E8)", None),
        (None, None, "A note.", None, None, None),
    ]
    assert (sheet.freeze_panes, sheet.oddFooter.left.text) == ("A5", "batch B && 1")


def test_a_report_of_any_tables_may_be_a_workbook(tmp_path: Path) -> None:
    broad = Table("Broad", ("a", *figures("b", "c")), (("x", 1, 2.5),))
    other = Table("Other", ("d",), (("y",),))
    book = load_workbook(BytesIO(workbook(Document("T", "V.", sections=(other, broad)), tmp_path / "x.xlsx")))
    rows = [tuple(cell for cell in row if cell is not None) for row in book.worksheets[0].iter_rows(values_only=True)]
    assert rows == [("T",), ("V.",), ("a", "b", "c"), ("Other",), ("d",), ("y",), ("Broad",), ("x", 1, 2.5)]
    empty = load_workbook(BytesIO(workbook(Document("T", "V."), tmp_path / "x.xlsx")))
    assert empty.worksheets[0]["A1"].value == "T"


@pytest.mark.parametrize(
    ("end", "limit", "said"),
    [(1.19668, 1.2, "1.197"), (1.36163, 1.2, "1.36"), (1.2, 1.2, "1.2"), (1.2 + 1e-9, 1.2, "1.2"), (9, 9.004, "9")],
)
def test_an_end_of_a_range_is_not_told_as_the_limit_itself(end: float, limit: float, said: str) -> None:
    assert beside(end, limit, 2) == said

"""A price list on the desk: held against the shelf before it is written, written whole, put back.

Prices and suppliers are made up; by hand: 22.50 EUR for 5 kg is 4.50 EUR per kg.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.answers.intake import take_prices
from optimizer.data.library import read_library
from optimizer.data.shelf import read_shelf
from optimizer.files import shipped
from optimizer.intake.onto_shelf import onto_shelf
from optimizer.intake.price_list import TakenPrice
from optimizer.intake.typed import as_table
from tests.support.desk import TODAY, Answer, Browser, desk_of

LINES = """Article;Pack;Net price (EUR)
Glycerine;5 kg;22,50
Coco-Glucoside;10 kg;31,00
SLES;5 kg;12
Candle wax;1 kg;9"""
SHELF = """Material,Supplier,Pack kg,Price per kg,Currency,Stock kg,Remark
glycerin,,5,4.10,EUR,3.2,mine
coco-glucoside,,10,3.10,EUR,1,
"""


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """Return a shelf in a folder of its own."""
    path = tmp_path / "shelf.csv"
    path.write_text(SHELF, encoding="utf-8")
    return path


@pytest.fixture
def desk(shelf: Path) -> Browser:
    """Return a browser on its desk."""
    return desk_of(shelf.parent)


def read(desk: Browser, lines: str = LINES, **more: str) -> Answer:
    """Paste a list."""
    desk.get("/prices")
    return desk.submit("/prices", {"lines": lines, **more})


def test_what_a_list_does_to_the_shelf_is_shown_before_anything_is_written(desk: Browser, shelf: Path) -> None:
    assert "/prices?shelf=shelf.csv" in desk.get("/shelf").links
    page = read(desk)
    assert page.status == 200
    for said in ("4.1 4.5 EUR changes row 2", "3.1 3.1 EUR as in row 3", "Candle wax: not in the library"):
        assert said in page.text
    assert "2 prices read, 2 lines left out; nothing is written yet." in page.text
    assert "SLES (row 4)" in page.text
    assert "--as" not in page.text
    assert shelf.read_text(encoding="utf-8") == SHELF


def test_it_is_written_whole_and_put_back(desk: Browser, shelf: Path) -> None:
    page = read(desk)
    named = {name: key.replace("named.", "is.") for key, name in page.form("/prices").fields if "named." in key}
    page = desk.submit("/prices", {named["SLES"]: "sodium-laureth-sulfate-2eo-70"})
    assert "3 prices read, 1 lines left out" in page.text
    done = desk.submit("/prices", {"keep-it": "yes"})
    assert done.address.startswith("/shelf?")
    assert "Lines written onto shelf.csv: 2. Left out of the list: 1." in done.text
    glycerin, glucoside, sles = read_shelf(shelf).lines
    assert (glycerin.price_per_kg, glycerin.stock_kg, str(glycerin.priced_on)) == (4.5, 3.2, TODAY)
    assert (glucoside.price_per_kg, glucoside.priced_on) == (3.1, None)
    assert (sles.material, sles.price_per_kg, sles.pack_kg) == ("sodium-laureth-sulfate-2eo-70", 2.4, 5.0)
    assert ",mine" in shelf.read_text(encoding="utf-8")
    undo = next(f for f in done.forms if "back" in dict(f.buttons))
    assert "as it was before" in desk.submit("/shelf", dict(undo.buttons), form=undo).text
    assert shelf.read_text(encoding="utf-8") == SHELF


def test_a_price_in_another_currency_than_the_shelf_is_told_before_it_is_written(desk: Browser) -> None:
    said = "its price is in USD, the shelf's in EUR. No rate is assumed"
    assert said in read(desk, "Article;Price per kg\nGlycerine;5.20 USD\nCAPB;3 USD").text.replace("\xa0", " ")
    assert said not in read(desk).text


def test_a_shelf_that_changed_since_is_shown_again_before_it_is_written(desk: Browser, shelf: Path) -> None:
    read(desk)
    other = SHELF.replace("4.10", "4.20")
    shelf.write_text(other, encoding="utf-8")
    page = desk.submit("/prices", {"keep-it": "yes"})
    assert "4.2 4.5 EUR changes row 2" in page.text
    assert shelf.read_text(encoding="utf-8") == other


def test_without_a_shelf_one_is_laid_as_the_command_lays_it(tmp_path: Path) -> None:
    (tmp_path / "desk").mkdir()
    desk = desk_of(tmp_path / "desk")
    assert "/prices" in desk.get("/shelf").links
    read(desk)
    desk.submit("/prices", {"keep-it": "yes"})
    with as_table(LINES) as table:
        take_prices(table, out=tmp_path / "command.csv")
    assert (tmp_path / "desk" / "shelf.csv").read_bytes() == (tmp_path / "command.csv").read_bytes()


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"lines": ""}, "lines", "Paste the lines"),
        ({"lines": "nothing;here\n1;2"}, "lines", "No line of headings"),
        ({"lines": "Article;Unit price\nGlycerin;3"}, "lines", "of a kg or of a pack"),
        ({"lines": "Article;Price per kg\nNobody knows this;3"}, "lines", "No line could be taken"),
        ({"density": "heavy"}, "density", "is not a number"),
        ({"currency": "euros"}, "currency", "with three letters"),
    ],
)
def test_what_cannot_be_read_is_told_beside_its_field(
    desk: Browser, shelf: Path, typed: dict[str, str], field: str, said: str
) -> None:
    page = read(desk, **{"lines": LINES, **typed})
    assert page.status == 422
    assert said in page.html.partition(f'id="{field}-problem"')[2].partition("</p>")[0]
    assert shelf.read_text(encoding="utf-8") == SHELF


def test_a_price_that_can_be_read_two_ways_is_asked(desk: Browser) -> None:
    page = read(desk, "Article;Price per kg\nGlycerin;1,234\nCoco-Glucoside;3,1")
    assert ("sign", "decimal") in page.form("/prices").buttons
    page = desk.submit("/prices", {"sign": "decimal"})
    assert "4.1 1.234" in page.text


def test_a_workbook_of_a_shelf_is_left_to_the_spreadsheet(tmp_path: Path) -> None:
    from optimizer.data.workbook import write_rows

    write_rows(tmp_path / "shelf.xlsx", [("material", "price per kg"), ("glycerin", 3.0)])
    desk = desk_of(tmp_path)
    read(desk)
    page = desk.submit("/prices", {"keep-it": "yes"})
    assert (page.status, "a workbook is changed in your spreadsheet" in page.text.lower()) == (422, True)


def price(pack: float | None, supplier: str = "", per_kg: float = 2.0) -> TakenPrice:
    return TakenPrice(2, "glycerin", "Glycerine", supplier, per_kg, pack, "EUR")


@pytest.mark.parametrize(
    ("prices", "rows"),
    [
        ([price(None)], [2, 3]),  # every pack of the only supplier who is named nowhere in the list
        ([price(5.0)], [2]),
        ([price(5.0, "B")], [None]),
        ([price(5.0, "a")], [2]),
        ([price(None, "A"), price(25.0, "A")], [2, None]),  # row 3 could be that of both
        ([price(1.0)], [None]),
    ],
)
def test_a_price_goes_to_the_lines_of_its_supplier_and_pack(
    tmp_path: Path, prices: list[TakenPrice], rows: list[int | None]
) -> None:
    path = tmp_path / "shelf.csv"
    head = "material,supplier,pack kg,price per kg,min packs\n"
    path.write_text(f"{head}glycerin,A,5,3,\nglycerin,A,25,2.5,\nglycerin,A,5,2.8,10\n", encoding="utf-8")
    found = onto_shelf(prices, read_shelf(path), read_library([shipped("library")]).materials)
    assert [p.line.row if p.line else None for p in found] == rows

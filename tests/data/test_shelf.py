"""The shelf: headings and numbers as people write them, CSV and XLSX alike, cheapest supplier, lots, errors by cell.

Prices, suppliers and lots are made up.
"""

from __future__ import annotations

import json
from math import isnan
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook

from optimizer.brief.brief import make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.data.pool import Ingredient, join, with_lot
from optimizer.data.shelf import Shelf, ShelfLine, read_shelf
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.solve.best import solve
from tests.support.hostile import ask

BACKING = {"default": ("own", "common practice")}


def material(id_: str, substances: list[dict[str, Any]], **more: Any) -> Material:
    """Return a material of given substances."""
    facts = {"id": id_, "name": id_.replace("-", " "), "function": "surfactant", "phase": "anionic"}
    return Material.model_validate({**facts, "backing": BACKING, "substances": substances, **more})


def part(inci: str, share: float, **more: Any) -> dict[str, Any]:
    return {"inci": inci, "share": (share, share, share), **more}


def betaine() -> Material:
    """Return a betaine of 30 % with its salt."""
    parts = [
        part("Betaine", 30, surfactant=True, charge="amphoteric"),
        part("Sodium Chloride", 5, role="salt"),
        part("Aqua", 65, role="water"),
    ]
    return material("betaine", parts)


def water() -> Material:
    return material("aqua", [part("Aqua", 100, role="water")], function="solvent", phase="water")


def library() -> Library:
    """Return a betaine, an anionic of 70 % and water."""
    parts = [part("Anionic", 70, surfactant=True, charge="anionic"), part("Aqua", 30, role="water")]
    return Library(materials=(material("anionic", parts), water(), betaine()))


def write_csv(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_text(text, encoding=encoding)
    return path


def write_xlsx(path: Path, rows: list[list[object]]) -> Path:
    book = Workbook()
    sheet = book.active
    for row in rows:
        sheet.append(row)
    book.save(path)
    return path


def values(shelf: Shelf) -> list[dict[str, Any]]:
    """Return what each line says, without its row number."""
    return [line.model_dump(exclude={"row"}, exclude_defaults=True) for line in shelf.lines]


# --- Headings ----------------------------------------------------------------------------------------------

PLAIN = {"material": "betaine", "supplier": "quay", "price_per_kg": 3.5, "pack_kg": 5.0, "currency": "EUR"}
PLAIN |= {"stock_kg": 7.0, "lot": "L-1", "lot_active": 29.6}

HEADINGS = {
    "as the field": "material,supplier,price_per_kg,pack_kg,currency,stock_kg,lot,lot_active",
    "in words": "Material,Supplier,Price per kg,Pack kg,Currency,Stock kg,Lot,Lot active",
    "in capitals": "RAW MATERIAL,VENDOR,COST PER KG,PACK SIZE,CURRENCY,STOCK,BATCH,ACTIVE MATTER",
    "with units": "Ingredient,From,Price/kg (€),Pack (kg),Cur,On hand (kg),Lot number,Active (%)",
    "with other units": "INCI name,Source,Cost/kg (EUR),Size kg,Cur.,Left kg,Batch number,Active %",
    "with odd spaces": "  Item , Supplier:,Price  per--kg,pack_kg,currency,in stock kg,LOT,Measured active",
    "in short": "id,supplier,per kg,pack,cur,stock,lot,ASM",
    "in German": "Rohstoff,supplier,price kg,weight kg,currency,on hand,batch,lot active %",
}


@pytest.mark.parametrize("headings", HEADINGS.values(), ids=list(HEADINGS))
def test_headings_are_recognised(tmp_path: Path, headings: str) -> None:
    path = write_csv(tmp_path / "shelf.csv", f"{headings}\nbetaine,quay,3.5,5,EUR,7,L-1,29.6\n")
    shelf = read_shelf(path)
    assert values(shelf) == [PLAIN]
    assert shelf.columns == dict(zip(PLAIN, (h.strip() for h in headings.split(",")), strict=True))


def test_the_order_of_columns_and_columns_of_no_interest_do_not_matter(tmp_path: Path) -> None:
    text = "shelf place,ASM,material,remarks,price per kg\nA4,29.6,betaine,nice,3.5\n"
    assert values(read_shelf(write_csv(tmp_path / "shelf.csv", text))) == [
        {"material": "betaine", "price_per_kg": 3.5, "lot_active": 29.6}
    ]


def test_a_misspelt_heading_is_asked_instead_of_left_out(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "shelf.csv", "material,price per kg,stok kg,lot activ %,note\nbetaine,3.5,5,29,-\n")
    with pytest.raises(DataError) as told:
        read_shelf(path)
    assert str(told.value).splitlines() == [
        f"{path}, row 1, column '{heading}': this heading is not known. Did you mean '{meant}'? Else call it otherwise."
        for heading, meant in (("stok kg", "stock kg"), ("lot activ %", "lot active %"))
    ]


def test_a_column_like_one_that_is_there_is_of_no_interest(tmp_path: Path) -> None:
    text = "material,price per kg,prices per kg\nbetaine,3.5,3.4\n"
    assert values(read_shelf(write_csv(tmp_path / "shelf.csv", text))) == [{"material": "betaine", "price_per_kg": 3.5}]


def test_a_price_of_a_pack_below_0_is_refused_as_it_is_written(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "shelf.csv", "material,pack kg,pack price\nbetaine,5,-2\n")
    with pytest.raises(DataError, match=r"column 'pack price': -2\.0 cannot be used here"):
        read_shelf(path)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiters(tmp_path: Path, delimiter: str) -> None:
    rows = [["material", "supplier", "price per kg"], ["betaine", "quay", "3.5"], ["anionic", "", "2"]]
    text = "\n".join(delimiter.join(row) for row in rows)
    assert values(read_shelf(write_csv(tmp_path / "shelf.csv", text))) == [
        {"material": "betaine", "supplier": "quay", "price_per_kg": 3.5},
        {"material": "anionic", "price_per_kg": 2.0},
    ]


def test_byte_order_mark_windows_line_ends_blank_lines_and_quotes(tmp_path: Path) -> None:
    text = '\r\nmaterial,supplier,price per kg\r\n,,\r\nbetaine,"quay, ""nine""",3.5\r\n\r\nanionic,gulls,2\r\n'
    path = tmp_path / "shelf.csv"
    path.write_bytes(text.encode("utf-8-sig"))
    shelf = read_shelf(path)
    assert [(line.row, line.supplier) for line in shelf.lines] == [(4, 'quay, "nine"'), (6, "gulls")]


# --- Numbers -----------------------------------------------------------------------------------------------

NUMBERS = {
    "12.5": 12.5, "12": 12.0, "0": 0.0, "12,5": 12.5, "12,50": 12.5, "1,5": 1.5, "1.234,50": 1234.5,
    "1,234.50": 1234.5, "12.345.678,9": 12345678.9, "1,234,567.8": 1234567.8, "1 234,5": 1234.5, "1'234.50": 1234.5,
    "1\u00a0234.5": 1234.5, "€ 12.50": 12.5, "12,50 €": 12.5, "EUR 12.50": 12.5, "£12.50": 12.5, "$1,234.50": 1234.5,
    "12.5 EUR": 12.5, "1e1": 10.0, "12.5 kg": 12.5,
}  # fmt: skip


@pytest.mark.parametrize(("written", "read"), NUMBERS.items())
def test_numbers_as_people_write_them(tmp_path: Path, written: str, read: float) -> None:
    path = write_csv(tmp_path / "shelf.csv", f"material;price per kg\nbetaine;{written}\n")
    assert read_shelf(path).lines[0].price_per_kg == pytest.approx(read, rel=1e-12)


def test_a_percent_sign_of_the_measured_active(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "shelf.csv", "material;active;price per kg\nbetaine;29,6 %;3\n")
    assert read_shelf(path).lines[0].lot_active == 29.6


@pytest.mark.parametrize("written", ["two", "1.2.3", "12-50", "1,2,3", "12.50.", "--5", "about 5", "5/kg"])
def test_what_is_no_number(tmp_path: Path, written: str) -> None:
    path = write_csv(tmp_path / "shelf.csv", f"material;Price per kg\nbetaine;3\nanionic;{written}\n")
    with pytest.raises(DataError) as told:
        read_shelf(path)
    where = f"{path}, row 3, column 'Price per kg'"
    assert str(told.value) == f"{where}: '{written}' is not a number. Write digits only, such as 12.50."


def test_the_price_of_a_pack_is_divided_by_its_size(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "shelf.csv", "material,pack kg,pack price\nbetaine,25,67.50\nanionic,0.5,29\n")
    assert [line.price_per_kg for line in read_shelf(path).lines] == [pytest.approx(2.7), pytest.approx(58)]


def test_the_price_per_kg_goes_before_the_price_of_the_pack(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "shelf.csv", "material,pack kg,pack price,price per kg\nbetaine,25,67.50,3\n")
    assert read_shelf(path).lines[0].price_per_kg == 3


def test_cells_left_empty_say_nothing(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "shelf.csv", "material,price per kg,stock,lot active\nbetaine,,,\nanionic,3\n")
    assert values(read_shelf(path)) == [{"material": "betaine"}, {"material": "anionic", "price_per_kg": 3.0}]


# --- XLSX --------------------------------------------------------------------------------------------------


def test_a_workbook_reads_as_its_csv(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        ["Material", "Supplier", "Pack kg", "Pack price", "Currency", "Stock kg", "Lot", "Lot active %"],
        ["betaine", "quay", 25, 67.5, "EUR", 50, "QN-1", 29.6],
        [None, None, None, None, None, None, None, None],
        ["anionic", None, "10", "34,00", "EUR", 25.5, 2207, None],
        ["aqua", "harbour tap, de-ionised", 1000, 25, "EUR", None, None, None],
    ]
    book = read_shelf(write_xlsx(tmp_path / "shelf.xlsx", rows))
    text = "\n".join(";".join("" if cell is None else str(cell) for cell in row) for row in rows)
    sheet = read_shelf(write_csv(tmp_path / "shelf.csv", text))
    assert book.lines == sheet.lines
    assert book.columns == sheet.columns
    assert [line.row for line in book.lines] == [2, 4, 5]
    assert [line.price_per_kg for line in book.lines] == [2.7, 3.4, 0.025]


def test_the_first_sheet_of_a_workbook_counts(tmp_path: Path) -> None:
    book = Workbook()
    book.active.append(["material", "price per kg"])
    book.active.append(["betaine", 3])
    other = book.create_sheet("old prices")
    other.append(["material", "price per kg"])
    other.append(["betaine", 99])
    book.save(tmp_path / "shelf.xlsx")
    assert values(read_shelf(tmp_path / "shelf.xlsx")) == [{"material": "betaine", "price_per_kg": 3.0}]


def test_an_error_of_a_workbook_names_row_and_column(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "shelf.xlsx", [["material", "Price per kg"], [None, None], ["betaine", "dear"]])
    with pytest.raises(DataError) as told:
        read_shelf(path)
    said = "'dear' is not a number. Write digits only, such as 12.50."
    assert str(told.value) == f"{path}, row 3, column 'Price per kg': {said}"


def test_every_error_of_a_shelf_is_told_at_once(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "shelf.csv", "material,Price per kg,Stock,ASM\nbetaine,-1,x,120\n,2,1,30\n")
    with pytest.raises(DataError) as told:
        read_shelf(path)
    mend = "Correct the value or leave the cell empty."
    assert str(told.value).splitlines() == [
        f"{path}, row 2, column 'Stock': 'x' is not a number. Write digits only, such as 12.50.",
        f"{path}, row 2, column 'Price per kg': -1.0 cannot be used here: it must not be below 0. " + mend,
        f"{path}, row 2, column 'ASM': 120.0 cannot be used here: it must not be above 100. {mend}",
        f"{path}, row 3, column 'material': the cell is empty. Fill it in or delete the row.",
    ]


# --- Joining -----------------------------------------------------------------------------------------------


def shelf(*lines: dict[str, Any]) -> Shelf:
    return Shelf(where="shelf.csv", lines=tuple(ShelfLine(row=n, **line) for n, line in enumerate(lines, 2)))


def test_the_cheapest_of_several_suppliers_is_taken_with_its_lot() -> None:
    joined = join(
        library(),
        shelf(
            {"material": "betaine", "supplier": "gulls", "price_per_kg": 3.58, "lot_active": 31},
            {"material": "betaine", "supplier": "quay", "price_per_kg": 2.7, "lot_active": 29.6},
            {"material": "betaine", "supplier": "wharf", "price_per_kg": 2.8},
            {"material": "betaine", "supplier": "nowhere"},
        ),
        "EUR",
    )
    chosen = joined["betaine"]
    assert chosen.line is not None
    assert (chosen.line.supplier, chosen.line.row, chosen.price) == ("quay", 3, 2.7)
    assert chosen.material.surfactant_matter == pytest.approx(29.6)


def test_of_equal_prices_the_first_line_is_taken() -> None:
    lines = [{"material": "betaine", "supplier": s, "price_per_kg": 3} for s in ("gulls", "quay")]
    for order in (lines, lines[::-1]):
        chosen = join(library(), shelf(*order), "EUR")["betaine"].line
        assert chosen is not None
        assert chosen.supplier == order[0]["supplier"]


def test_what_nobody_sells_has_no_price() -> None:
    joined = join(library(), shelf({"material": "betaine"}), "EUR")
    assert isnan(joined["betaine"].price)
    assert isnan(joined["anionic"].price)
    assert isnan(join(library(), None, "EUR")["betaine"].price)


@pytest.mark.parametrize("name", ["betaine", "BETAINE", "Betaine"])
def test_a_material_is_found_by_id_in_any_case(name: str) -> None:
    assert join(library(), shelf({"material": name, "price_per_kg": 3}), "EUR")["betaine"].price == 3


def test_a_material_is_found_by_its_name_or_inci() -> None:
    other = material("wash-70", [part("Long Name", 70), part("Aqua", 30, role="water")], name="A wash of 70 %")
    for name in ("a wash of 70 %", "LONG NAME", "wash-70"):
        joined = join(Library(materials=(other,)), shelf({"material": name, "price_per_kg": 3}), "EUR")
        assert joined["wash-70"].price == 3


def test_errors_of_the_join_name_row_and_column() -> None:
    with pytest.raises(DataError) as told:
        join(
            library(),
            shelf(
                {"material": "betain", "price_per_kg": 3},
                {"material": "anionic", "price_per_kg": 3, "currency": "USD"},
                {"material": "betaine", "price_per_kg": 3, "currency": "EUR"},
            ),
            "EUR",
        )
    assert str(told.value).splitlines() == [
        "shelf.csv, row 2, column 'material': 'betain' is not in the library. Did you mean 'betaine'?",
        "shelf.csv, currency: the price in row 3 is in USD, the brief is in EUR. Convert them; no rate is assumed.",
    ]


# --- Lots --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("measured", "salt", "rest"), [(27.0, 4.5, 68.5), (33.0, 5.5, 61.5), (30.0, 5.0, 65.0)])
def test_a_lots_active_matter_moves_its_salt_and_water(measured: float, salt: float, rest: float) -> None:
    """Salt is a by-product of the synthesis, so it scales with the active matter; water takes up the rest.

    Stoichiometry: textbook chemistry, from memory; 30 : 5 as measured : salt.
    """
    lot = Ingredient(with_lot(betaine(), measured), 1.0)
    assert lot.surfactant == pytest.approx(measured / 100)
    assert lot.salt == pytest.approx(salt / 100)
    assert lot.water == pytest.approx(rest / 100)
    assert sum(s.typical for s in lot.material.substances) == pytest.approx(100)


def test_a_lot_is_exact_at_both_ends() -> None:
    ranged = material(
        "ranged", [{"inci": "X", "share": (28, 30, 32), "surfactant": True}, part("Aqua", 70, role="water")]
    )
    lot = with_lot(ranged, 31)
    assert [s.share for s in lot.substances] == [pytest.approx((31, 31, 31)), pytest.approx((69, 69, 69))]
    assert [s.share for s in ranged.substances] == [(28, 30, 32), (70, 70, 70)]


def test_the_parts_of_a_blend_keep_their_proportion() -> None:
    blend = material(
        "blend", [part("A", 20), part("B", 10), part("Solvent", 8, role="solvent"), part("Aqua", 62, role="water")]
    )
    shares = [s.typical for s in with_lot(blend, 36).substances]
    assert shares == pytest.approx([24, 12, 8, 56])


def test_a_material_without_active_matter_is_left_as_it_is() -> None:
    assert with_lot(water(), 50) == water()


def test_a_weaker_lot_takes_more_of_it_and_carries_the_same_salt() -> None:
    """6 % active from a 30 % betaine is 20 %, from a lot of 24 % it is 25 %; salt 1 % either way (30 : 5 = 24 : 4)."""
    tables = {
        "name": "x", "rule": [
            {"id": "active", "kind": "active", "exactly": 6}, {"id": "salt", "kind": "salt"},
            {"id": "water", "kind": "water"},
        ],
    }  # fmt: skip
    for lot, dose in ((None, 20.0), (24.0, 25.0)):
        lines = shelf({"material": "betaine", "price_per_kg": 3, "lot_active": lot})
        result = solve(make_brief(scenario_from(tables, "brief"), library(), lines))
        assert result.formula is not None
        assert result.formula.dose("betaine") == pytest.approx(dose, abs=1e-9)
        assert result.cost == pytest.approx(3 * dose / 100, abs=1e-9)
        found = {o.id: o.value for o in result.rules}
        assert found["active"] == pytest.approx(6, abs=1e-9)
        assert found["salt"] == pytest.approx(1, abs=1e-9)
        assert found["water"] == pytest.approx(93, abs=1e-9)


def test_the_stock_is_a_limit_once_the_batch_has_a_size() -> None:
    """5 kg of a betaine at 2 per kg are 10 % of a 50 kg batch; the rest of 6 % active comes from the dearer anionic."""
    tables = {"name": "x", "rule": [{"id": "active", "kind": "active", "exactly": 6}]}
    lines = shelf({"material": "betaine", "price_per_kg": 2, "stock_kg": 5}, {"material": "anionic", "price_per_kg": 9})
    free = solve(make_brief(scenario_from(tables, "brief"), library(), lines))
    assert free.formula is not None
    assert free.formula.dose("betaine") == pytest.approx(20, abs=1e-9)
    limited = solve(make_brief(scenario_from({**tables, "batch_kg": 50}, "brief"), library(), lines))
    assert limited.formula is not None
    assert limited.formula.dose("betaine") == pytest.approx(10, abs=1e-9)
    assert limited.formula.dose("anionic") == pytest.approx(3 / 0.7, abs=1e-9)
    assert next(o.binding for o in limited.rules if o.id == "stock-betaine") == "high"


def test_stock_counts_every_shelf_line_and_not_the_cheapest_alone() -> None:
    """2 kg of a betaine for 10 kg at 20 %: 1 kg of the cheap line and 1 kg of the dear one. Made-up figures."""
    tables = {"name": "x", "batch_kg": 10, "rule": [{"id": "active", "kind": "active", "exactly": 6}]}
    cheap = {"material": "betaine", "price_per_kg": 2, "stock_kg": 1}
    dear = {"material": "Betaine", "price_per_kg": 3, "stock_kg": 100}
    for lines in (shelf(cheap, dear), shelf(dear, cheap)):
        brief = make_brief(scenario_from(tables, "brief"), library(), lines)
        result = solve(brief)
        assert result.formula is not None
        assert result.formula.dose("betaine") == pytest.approx(20, abs=1e-9)
        assert result.cost == pytest.approx(0.4, abs=1e-9)
        assert brief.assumptions[-1] == (
            "betaine: the 101 kg in stock on 2 shelf lines count together, at the price per kg and the strength of the "
            "cheapest line (2, the dearest in stock is 3)"
        )
    stock = {r.id: r for r in brief.modelled}["stock-betaine"]
    assert stock.limits[1] == pytest.approx(1010)
    assert stock.reading() == "betaine (stock of 2 shelf lines for this batch) at most 1010 % (shelf)"


def test_stock_of_a_cheapest_line_that_states_none_is_what_the_other_lines_hold() -> None:
    tables = {"name": "x", "batch_kg": 10, "rule": [{"id": "active", "kind": "active", "exactly": 6}]}
    lines = [{"material": "betaine", "price_per_kg": 2}, {"material": "betaine", "price_per_kg": 3, "stock_kg": 1}]
    brief = make_brief(scenario_from(tables, "brief"), library(), shelf(*lines))
    stock = {r.id: r for r in brief.modelled}["stock-betaine"]
    assert stock.limits[1] == pytest.approx(10)
    assert "lines" not in stock.reading()
    assert solve(brief).ending == "infeasible"
    unstated = make_brief(scenario_from(tables, "brief"), library(), shelf(lines[0]))
    assert "stock-betaine" not in {r.id for r in unstated.modelled}


def test_water_that_is_not_on_the_shelf_is_free_and_told() -> None:
    tables = {"name": "x", "rule": [{"id": "active", "kind": "active", "exactly": 6}]}
    brief = make_brief(scenario_from(tables, "brief"), library(), shelf({"material": "betaine", "price_per_kg": 3}))
    assert brief.assumptions == ("aqua has no price on the shelf and counts as free of charge",)
    lines = shelf({"material": "betaine", "price_per_kg": 3}, {"material": "aqua", "price_per_kg": 0.1})
    priced = make_brief(scenario_from(tables, "brief"), library(), lines)
    assert priced.assumptions == ()
    assert solve(priced).cost - solve(brief).cost == pytest.approx(0.08, abs=1e-9)


def test_what_stands_on_the_shelf_without_a_price_is_said_to_be_left_out(tmp_path: Path) -> None:
    for file in shipped("scenarios").glob("*.*"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    with (tmp_path / "shelf.csv").open("a", encoding="utf-8") as shelf:
        shelf.write("potassium-cocoyl-glutamate,Quay Nine Drysalters,5,,EUR,,,\n")
    told = ask("blend", str(tmp_path / "hand-wash.toml"))
    said = "left out, no price: {}; write one on the shelf to let them in"
    assert said.format("Potassium Cocoyl Glutamate") in " ".join(told.out.split())
    record = json.loads(ask("blend", str(tmp_path / "hand-wash.toml"), "--json").out)
    assert said.format("potassium-cocoyl-glutamate") in record["assumptions"]

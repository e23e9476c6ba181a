"""Sheets that makers keep: what is taken, what is refused with a reason, what is told. Figures are invented."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from typer.testing import CliRunner

from optimizer.cli.every import app
from optimizer.data.formula_file import read_formula
from optimizer.data.library import read_library
from optimizer.data.names import Names
from optimizer.data.shelf import read_shelf
from optimizer.data.workbook import write_rows
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.intake.formula_sheet import read_formula_sheet
from optimizer.intake.price_list import read_price_list, shelf_rows

LIBRARY = read_library([shipped("library")])
RUN = CliRunner()

SHEET = """My hand wash,,,
version 3,,,
Phase,Ingredient,Function,%
A,Distilled water,solvent,q.s. to 100
A,Glycerine,humectant,"2,5"
A,Xanthan gum,thickener,0.2 - 0.4
B,SLES 70%,surfactant,6
B,CAPB (30%),surfactant,8
C,Fragrance,perfume,0.3
D,Citric acid,ph,q.s.
,Total,,100
"""


def sheet(tmp_path: Path, text: str, name: str = "old.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def told(error: pytest.ExceptionInfo[DataError]) -> str:
    return "\n".join(map(str, error.value.problems))


def test_a_sheet_with_titles_a_rest_a_range_and_lines_to_effect(tmp_path: Path) -> None:
    own = {"SLES 70%": "sodium-laureth-sulfate-2eo-70"}
    taken = read_formula_sheet(sheet(tmp_path, SHEET), LIBRARY, held_back=4.0, own=own)
    doses = {line.material: line.percent for line in taken.lines}
    # By hand: 100 - 4 - (2.5 + 0.3 + 6 + 8 + 0.3) = 78.9.
    assert doses == pytest.approx(
        {
            "aqua": 78.9,
            "glycerin": 2.5,
            "xanthan-gum": 0.3,
            "sodium-laureth-sulfate-2eo-70": 6,
            "cocamidopropyl-betaine": 8,
            "parfum": 0.3,
        }
    )
    assert taken.held_back == 4.0
    assert taken.to_effect == ("citric-acid",)
    said = " ".join(taken.assumed)
    for part in ("Rows above row 3", "the range 0.2 - 0.4", "the rest to 100 %", "Citric acid: to effect"):
        assert part in said


def test_what_is_written_is_a_formula_that_the_tool_reads_back(tmp_path: Path) -> None:
    out = tmp_path / "taken.csv"
    old = str(sheet(tmp_path, SHEET))
    words = ["--as", "SLES 70%=sodium-laureth-sulfate-2eo-70"]
    done = RUN.invoke(app, ["import", "formula", old, "--for", "hand-wash", "--out", str(out), *words, "--json"])
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    back = read_formula(out, LIBRARY.materials, record["held_back"])
    assert back.doses == pytest.approx({line["material"]: line["percent"] for line in record["lines"]})
    again = RUN.invoke(app, ["import", "formula", old, "--for", "hand-wash", "--out", str(out), *words])
    assert isinstance(again.exception, DataError)
    assert "would be lost" in str(again.exception)


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("1 tbsp", "a tbsp is no measure"),
        ("5 drops", "a drop is no measure"),
        ("20 ml", "1 ml is not 1 g"),
        ("some", "this is no figure"),
        ("-3 %", "cannot be below 0"),
        ("3", "the unit is missing"),
        ("2 oz", "differs from country to country"),
    ],
)
def test_what_is_no_weight_is_refused_with_a_reason(tmp_path: Path, cell: str, reason: str) -> None:
    text = f"Ingredient,Amount\nWater,90 g\nGlycerin,{cell}\n"
    with pytest.raises(DataError) as error:
        read_formula_sheet(sheet(tmp_path, text), LIBRARY)
    assert reason in told(error)
    assert "row 3" in told(error)


def test_all_problems_are_told_at_once_and_a_guess_is_only_offered(tmp_path: Path) -> None:
    text = "Ingredient,%\nSLES,6\ndecyl glucosid,3\nmoon dust,1\n"
    with pytest.raises(DataError) as error:
        read_formula_sheet(sheet(tmp_path, text), LIBRARY)
    said = told(error)
    assert "'SLES' could be sodium-laureth-sulfate-1eo-70" in said
    assert '--as "decyl glucosid=decyl-glucoside"' in said
    assert "'moon dust' is not in the library" in said


def test_a_total_that_is_not_100_is_scaled_and_told(tmp_path: Path) -> None:
    # A published thread scaled 108 % by hand: 41.398 of 108 is 38.331 % (forum, recomputed).
    text = "Ingredient,%\nWater,66.602\nGlycerin,41.398\n"
    taken = read_formula_sheet(sheet(tmp_path, text), LIBRARY)
    assert {line.material: round(line.percent, 3) for line in taken.lines}["glycerin"] == 38.331
    assert "sum to 108 %" in " ".join(taken.assumed)


QS = """Ingredient;%
Water;q.s.
CAPB;7,62
Glycerine;2
Sodium benzoate;0,5
Citric acid;q.s.
"""


def test_water_qs_is_the_rest_as_it_is_for_check(tmp_path: Path) -> None:
    # By hand: 100 - 4 - (7.62 + 2 + 0.5) = 85.88; acid stays what is added to effect. Made-up recipe.
    taken = read_formula_sheet(sheet(tmp_path, QS), LIBRARY, held_back=4.0)
    doses = {"aqua": 85.88, "cocamidopropyl-betaine": 7.62, "glycerin": 2, "sodium-benzoate": 0.5}
    assert {line.material: line.percent for line in taken.lines} == pytest.approx(doses)
    assert (taken.held_back, taken.to_effect, taken.alarm) == (4.0, ("citric-acid",), "")
    same = "material;%\naqua;q.s.\ncocamidopropyl-betaine;7.62\nglycerin;2\nsodium-benzoate;0.5\n"
    assert read_formula(sheet(tmp_path, same, "same.csv"), LIBRARY.materials, 4.0).doses == pytest.approx(doses)


def test_a_rest_smaller_than_what_the_brief_keeps_free_is_the_rest_and_keeps_nothing_free(tmp_path: Path) -> None:
    # By hand: 60 + 37 = 97, so 3 % of water are left and 4 % cannot be kept free of them. Made-up recipe.
    text = "Name,%\nAqua,60\nCoco-Glucoside,20\nCAPB,13.5\nGlycerin,3\nSodium benzoate,0.5\nAqua,q.s.\n"
    taken = read_formula_sheet(sheet(tmp_path, text), LIBRARY, held_back=4.0)
    assert {line.material: line.percent for line in taken.lines}["aqua"] == pytest.approx(63)
    assert (sum(line.percent for line in taken.lines), taken.held_back) == (pytest.approx(100), 0)
    assert "the other lines leave no room for the 4 % that the brief keeps free" in " ".join(taken.assumed)
    given = read_formula(sheet(tmp_path, text.replace("CAPB", "cocamidopropyl-betaine")), LIBRARY.materials, 4.0)
    assert (given.doses["aqua"], given.held_back) == (pytest.approx(63), 0)
    assert "nothing is kept free: the 4 % of the brief do not fit" in " ".join(given.notes)


@pytest.mark.parametrize(
    ("text", "told_of"),
    [
        ("Name,%\nCAPB,10\nDecyl glucoside,10\nCitric acid,q.s.\n", "the doses sum to 20 %, far from 100"),
        ("Name,%\nWater,89\nGlycerin,0.5\n", "the doses sum to 89.5 %, far from 100"),
        ("Name,%\nWater,90\nGlycerin,10\nCAPB,30\n", "the doses sum to 130 %, far from 100"),
        ("Name,%\nWater,q.s.\nGlycerin,10\nAqua,q.s.\n", "are all the rest to 100"),
    ],
)
def test_doses_are_never_multiplied_by_much(tmp_path: Path, text: str, told_of: str) -> None:
    with pytest.raises(DataError, match=told_of):
        read_formula_sheet(sheet(tmp_path, text), LIBRARY)


def test_scaled_doses_are_the_first_thing_said(tmp_path: Path) -> None:
    old = sheet(tmp_path, "Name,%\nWater,85\nGlycerin,10\n")
    done = RUN.invoke(app, ["import", "formula", str(old)])
    verdict = " ".join(done.stdout.split("Formula, %")[0].split())
    assert "The doses sum to 95 %, not 100: each was multiplied by 1.05263. Nothing was written" in verdict


def test_fractions_weights_and_doubled_lines(tmp_path: Path) -> None:
    fractions = read_formula_sheet(sheet(tmp_path, "Name,Share\nWater,0.9\nGlycerin,0.1\n"), LIBRARY)
    assert [line.percent for line in fractions.lines] == pytest.approx([90, 10])
    assert "fractions" in " ".join(fractions.assumed)
    grams = read_formula_sheet(sheet(tmp_path, "Name,Grams\nWater,150\nGlycerin,25\nwater,25\n"), LIBRARY)
    assert {line.material: line.percent for line in grams.lines} == pytest.approx({"aqua": 87.5, "glycerin": 12.5})
    assert "stands twice" in " ".join(grams.assumed)
    mixed = "Name,Amount\nWater,1.5 kg\nGlycerin,0.5 kg\n"
    amounts = read_formula_sheet(sheet(tmp_path, mixed), LIBRARY)
    assert {line.material: line.percent for line in amounts.lines} == pytest.approx({"aqua": 75, "glycerin": 25})


def test_percent_and_weights_in_one_column_and_two_rests_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="mixed in one column"):
        read_formula_sheet(sheet(tmp_path, "Name,Amount\nWater,90 %\nGlycerin,10 g\n"), LIBRARY)
    with pytest.raises(DataError, match="are all the rest"):
        read_formula_sheet(sheet(tmp_path, "Name,%\nWater,to 100\nGlycerin,ad 100\n"), LIBRARY)
    with pytest.raises(DataError, match="cannot be worked out"):
        read_formula_sheet(sheet(tmp_path, "Name,%\nWater,to 100\nGlycerin,120\n"), LIBRARY)


def test_columns_without_headings_in_other_languages_and_in_workbooks(tmp_path: Path) -> None:
    bare = read_formula_sheet(sheet(tmp_path, "90,Water\n10,Glycerin\n"), LIBRARY)
    assert {line.material: line.percent for line in bare.lines} == pytest.approx({"aqua": 90, "glycerin": 10})
    assert "No headings" in bare.assumed[0]
    book = Workbook()
    book.active.append(["Quantità", "Materia prima"])
    book.active.append(["90 g", "Acqua"])
    book.active.append(["10 g", "Glycerin"])
    book.save(tmp_path / "foglio.xlsx")
    other = read_formula_sheet(tmp_path / "foglio.xlsx", LIBRARY)
    assert {line.material: line.percent for line in other.lines} == pytest.approx({"aqua": 90, "glycerin": 10})


def test_every_material_is_found_by_its_id_and_by_its_name() -> None:
    names = Names(LIBRARY.materials)
    for material in LIBRARY.materials:
        assert names.meaning(material.id).id == material.id
        meant = names.meaning(material.name)
        assert meant.id == material.id or material.id in meant.candidates


def test_a_strength_tells_materials_of_one_name_apart() -> None:
    names = Names(LIBRARY.materials)
    assert names.meaning("Sodium Lauroyl Sarcosinate 30%").id == "sodium-lauroyl-sarcosinate"
    assert set(names.meaning("SLES 28 %").candidates) == {
        "sodium-laureth-sulfate-2eo-28",
        "sodium-laureth-sulfate-3eo-28",
    }


PRICES = """Price list spring;;;
Article;Pack;Price (EUR);Supplier
Decyl Glucoside;5 kg;24,50;Grey Heron
Coco-Glucoside;2 x 1 kg;14.00;Grey Heron
Glycerin 99.5%;1 L;6.30;Grey Heron
Mystery powder;1 kg;3;Grey Heron
CAPB;500 g;€ 2.44 per kg;=cmd()
"""


def test_a_price_list_becomes_a_shelf_and_says_what_it_left_out(tmp_path: Path) -> None:
    path = sheet(tmp_path, PRICES)
    taken = read_price_list(path, LIBRARY)
    # By hand: 24.50 / 5, 14 / 2, and as written.
    prices = {line.material: line.price_per_kg for line in taken.lines}
    assert prices == pytest.approx({"decyl-glucoside": 4.9, "coco-glucoside": 7.0, "cocamidopropyl-betaine": 2.44})
    reasons = {left.written: left.reason for left in taken.left_out}
    assert "1 ml is not 1 g" in reasons["Glycerin 99.5%"]
    assert reasons["Mystery powder"] == "not in the library"
    with_density = read_price_list(path, LIBRARY, density_g_per_ml=1.26)
    assert {line.material: line.price_per_kg for line in with_density.lines}["glycerin"] == pytest.approx(5.0)
    write_rows(tmp_path / "shelf.csv", shelf_rows(taken))
    shelf = read_shelf(tmp_path / "shelf.csv")
    assert [line.price_per_kg for line in shelf.lines] == pytest.approx([4.9, 7.0, 2.44])
    assert [line.currency for line in shelf.lines] == ["EUR", "EUR", "EUR"]
    assert shelf.lines[2].supplier == "'=cmd()"


def test_a_line_without_a_price_is_told_and_a_title_is_none(tmp_path: Path) -> None:
    text = "Material;Pack;Price\nHumectants;;\nGlycerin;5 kg;14,00\nCitric acid;1 kg;\nMoon dust;1 kg;\n"
    taken = read_price_list(sheet(tmp_path, text), LIBRARY)
    assert [line.material for line in taken.lines] == ["glycerin"]
    assert [(left.row, left.written, left.reason) for left in taken.left_out] == [
        (4, "Citric acid", "it has no price."),
        (5, "Moon dust", "it has no price."),
    ]


def test_a_price_list_of_nothing_known_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no line could be taken"):
        read_price_list(sheet(tmp_path, "Article;Price per kg\nMoon dust;3\n"), LIBRARY)
    with pytest.raises(DataError, match="no line of headings"):
        read_price_list(sheet(tmp_path, "a;b\nMoon dust;3\n"), LIBRARY)


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
@settings(max_examples=25, deadline=None)
@given(texts=st.lists(st.text(st.characters(codec="utf-8", exclude_categories=("C",)), max_size=12), min_size=1))
def test_no_written_cell_begins_like_a_formula(
    tmp_path_factory: pytest.TempPathFactory, ending: str, texts: list[str]
) -> None:
    path = tmp_path_factory.mktemp("out") / f"table{ending}"
    write_rows(path, [[text, f"={text}", f"@{text}"] for text in texts])
    if ending == ".xlsx":
        cells = [cell for row in load_workbook(path).active.iter_rows(values_only=True) for cell in row if cell]
    else:
        import csv

        with path.open(encoding="utf-8", newline="") as stream:
            cells = [cell for row in csv.reader(stream) for cell in row if cell]
    assert cells
    assert not any(cell[0] in "=+-@\t\r" for cell in cells)


def price_of(tmp_path: Path, text: str, **more: float) -> float:
    """Return the price per kg of the only line that a list holds."""
    taken = read_price_list(sheet(tmp_path, text), LIBRARY, density_g_per_ml=more.get("density"))
    (line,) = taken.lines
    return line.price_per_kg


@pytest.mark.parametrize(
    ("text", "per_kg"),
    [  # by hand: a pound is 0.45359237 kg
        ("Material;Price (USD/lb)\nGlycerin;4.5359237\n", 10.0),
        ("Material;Price (per 100 g)\nGlycerin;1.20\n", 12.0),
        ("Material;Price per 100 g;Pack\nGlycerin;1.20;5 kg\n", 12.0),
        ("Material;Price (EUR/t)\nGlycerin;1850\n", 1.85),
        ("Material;Price EUR/kg;Pack\nGlycerin;1.85;25 kg\n", 1.85),
        ("Material;Unit price (EUR/kg);Pack\nGlycerin;1.85;25 kg\n", 1.85),
        ("Material;Unit price;per;Pack\nGlycerin;1.85;kg;25 kg\n", 1.85),
        ("Material;Price;Per;Pack\nGlycerin;0.185;100 g;25 kg\n", 1.85),
        ("Material;Price;Per;Pack\nGlycerin;46.25;pack;25 kg\n", 1.85),
        ("Material;Price;Unit\nGlycerin;1.85;kg\n", 1.85),
        ("Material;Pack;Price\nGlycerin;1.000 kg;2.300,00 EUR\n", 2.3),
        ("Material;Pack;Price\nGlycerin;5 kg canister;10.00\n", 2.0),
        ("Material;Pack;Price\nGlycerin;4*5 kg;50.00\n", 2.5),
        ("Material;Pack;Price\nGlycerin;5 kg x 4;50.00\n", 2.5),
        ("Material;Price in EUR per tonne\nGlycerin;1850\n", 1.85),
        ("Bezeichnung;Gebinde;Preis\nGlycerin;25kg Kanister;46,25 EUR\n", 1.85),
        ("Material;Price/kg;Price/100g\nGlycerin;1.85;0.19\n", 1.85),
        ("Material;Pack kg;Price;Unit price\nGlycerin;25;46.25;1.85\n", 1.85),
        ("Material;Price incl. VAT;Net price;Pack kg\nGlycerin;11.90;10;5\n", 2.0),
        ("Material;Price (gross);Price (net);VAT;Pack kg\nGlycerin;11.90;10;19;5\n", 2.0),
    ],
)
def test_what_a_price_is_of_is_read_as_it_is_written(tmp_path: Path, text: str, per_kg: float) -> None:
    assert price_of(tmp_path, text) == pytest.approx(per_kg)


def test_a_price_of_a_litre_needs_a_density(tmp_path: Path) -> None:
    text = "Material;Price (EUR/L)\nGlycerin;2.52\n"
    assert price_of(tmp_path, text, density=1.26) == pytest.approx(2.0)
    with pytest.raises(DataError, match="1 ml is not 1 g"):
        price_of(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("Material;Unit price;Pack\nGlycerin;1.85;25 kg\n", "of a kg or of a pack? The list does not say."),
        ("Material;Price (incl. VAT);Pack\nGlycerin;1.85;25 kg\n", "these prices include the tax"),
        ("Material;Price per pallet;Pack\nGlycerin;1.85;25 kg\n", "'pallet' is no measure that is read"),
        ("Material;Price/kg;Price/100g\nGlycerin;2.1;0.4\n", "contradict each other: 2.1 per kg and 4 per kg"),
        ("Material;Pack kg;Pack price;Price per kg\nGlycerin;25;46.25;2.50\n", "contradict each other"),
        ("Material;Pack;Price\nGlycerin;1.000 kg;12 EUR\n", "can be read two ways"),
        ("Material;Pack;Price\nGlycerin;canister;12 EUR\n", "'canister' is no pack size"),
    ],
)
def test_a_price_that_can_be_of_two_things_is_refused(tmp_path: Path, text: str, reason: str) -> None:
    with pytest.raises(DataError) as error:
        price_of(tmp_path, text)
    assert reason in told(error)


def doses_of(path: Path, **more: float) -> dict[str, float]:
    taken = read_formula_sheet(path, LIBRARY, held_back=more.get("held_back", 0.0))
    return {line.material: line.percent for line in taken.lines}


@pytest.mark.parametrize(
    "text",
    [
        "Name,kg\nWater,4.5\nGlycerin,0.5\n",
        "Name,Weight (kg)\nWater,4.5\nGlycerin,0.5\n",
        "Name,Weight (lb)\nWater,4.5\nGlycerin,0.5\n",
        "Name,Amount (%)\nWater,90\nGlycerin,10\n",
        "Name,Amount (g)\nWater,90\nGlycerin,10\n",
        "Name,g per 100 g\nWater,90\nGlycerin,10\n",
        "Name,Quantity,Unit\nWater,0.9,kg\nGlycerin,100,g\n",
        "Name,%\nPhase A,\nWater,90\nSubtotal A,90\nGlycerin,10\nTotal batch,100\n",
        "Name,%\nWater,90\nGlycerin,10\n,100\n",
        "No.,Name,%\n1,Water,90\n2,Glycerin,10\n",
        "1,Water,90\n2,Glycerin,10\n",
        "Name;%\nWater;90,0\nGlycerin;10,0\n",
        "Name,% (w/w)\nWater,90\nGlycerin,10\n",
        "Name,Amount (% m/m)\nWater,90\nGlycerin,10\n",
        "INCI;Gew.-%\nWater;90,0\nGlycerin;10,0\n",
        "Name,%\nWater,90\nGlycerin,10\nSodium hydroxide,to pH 5.5\n",
    ],
)
def test_plain_headings_are_read(tmp_path: Path, text: str) -> None:
    assert doses_of(sheet(tmp_path, text)) == pytest.approx({"aqua": 90, "glycerin": 10})


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("Name,%\nWater,75\nCocamidopropyl Betaine,\nGlycerin,10\n", "this material has no dose"),
        ("Name,%\nWater,75\nSLES,\nGlycerin,10\n", "this material has no dose"),
        ("Name,%\nWater,75\n,15\nGlycerin,10\n", "the dose 15 has no name"),
        ("Name;%\nWater;85,5\nGlycerin;7.750\nParfum;6,75\n", "7.750, which can be read two ways"),
        ("Name;g\nWater;1.250\nGlycerin;2.500\n", "which can be read two ways"),
        (
            "Name,Share\nSodium Benzoate,0.5\nGlycerin,0.3\nParfum,0.2\n",
            "per cent of a part, or fractions?",
        ),
        ("Name,Dose (g/kg)\nWater,900\nGlycerin,100\n", "which is neither per cent nor a weight"),
        ("Ingredient,ppm\nWater,900000\nGlycerin,100000\n", "no column of doses is read here: 'ppm'"),
        ("Ingredient,Trial 1 %,Trial 2 %\nWater,90,80\nGlycerin,10,20\n", "'Trial 1 %' and 'Trial 2 %'"),
        ("1,Water\n2,Glycerin\n", "no columns of names and figures were found"),
    ],
)
def test_what_would_be_read_wrongly_is_refused(tmp_path: Path, text: str, reason: str) -> None:
    with pytest.raises(DataError) as error:
        doses_of(sheet(tmp_path, text))
    assert reason in told(error)


def test_cells_that_are_shown_as_percent_count_as_percent_beside_a_rest(tmp_path: Path) -> None:
    book = Workbook()
    book.active.append(["Material", "Dose"])
    book.active.append(["Water", "to 100"])
    book.active.append(["Glycerin", 0.1])
    book.active["B3"].number_format = "0.0%"
    book.save(tmp_path / "sheet.xlsx")
    assert doses_of(tmp_path / "sheet.xlsx") == pytest.approx({"aqua": 90, "glycerin": 10})


def test_figures_of_a_workbook_are_no_texts_that_can_be_read_two_ways(tmp_path: Path) -> None:
    book = Workbook()
    book.active.append(["Material", "g"])
    book.active.append(["Water", 1.125])
    book.active.append(["Glycerin", 0.125])
    book.save(tmp_path / "sheet.xlsx")
    assert doses_of(tmp_path / "sheet.xlsx") == pytest.approx({"aqua": 90, "glycerin": 10})


def test_the_table_on_the_second_sheet_is_found(tmp_path: Path) -> None:
    book = Workbook()
    book.active.append(["Notes of the bench"])
    other = book.create_sheet("Formula")
    for row in (["Material", "%"], ["Water", 90], ["Glycerin", 10]):
        other.append(row)
    book.save(tmp_path / "sheet.xlsx")
    taken = read_formula_sheet(tmp_path / "sheet.xlsx", LIBRARY)
    assert [line.percent for line in taken.lines] == [90, 10]
    assert "Of 2 sheets 'Formula' was taken" in taken.assumed[0]
    prices = Workbook()
    prices.active.append(["Valid from May"])
    for row in (["Material", "Price per kg"], ["Glycerin", 1.85]):
        (prices["List"] if "List" in prices.sheetnames else prices.create_sheet("List")).append(row)
    prices.save(tmp_path / "prices.xlsx")
    assert read_price_list(tmp_path / "prices.xlsx", LIBRARY).lines[0].price_per_kg == 1.85


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "utf-16-le", "utf-8", "utf-8-sig"])
def test_sheets_of_older_programs_are_read(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "old.csv"
    path.write_bytes("Quantité (%);Matière première\n90;Eau\n10;Glycerin\n".encode(encoding))
    assert doses_of(path) == pytest.approx({"aqua": 90, "glycerin": 10})

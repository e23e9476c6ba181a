"""Odd but plausible sheets: nothing that was pasted vanishes without a word. All recipes and prices are made up."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.data.formula_file import read_formula
from optimizer.data.library import read_library
from optimizer.data.names import Names, material_of
from optimizer.data.sheet import number_of
from optimizer.data.shelf import read_shelf
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.intake.formula_sheet import TakenFormula, read_formula_sheet
from optimizer.intake.price_list import TakenPrices, read_price_list
from optimizer.intake.typed import as_table, settled_lines
from optimizer.intake.unclear import UnclearError

LIBRARY = read_library([shipped("library")])
CUT = "Decyl Glucoside,12,5\nCocamidopropyl Betaine,20,0\nPhenoxyethanol,0,9\nCitric acid,0,4\n"
WHOLE = {
    "decyl-glucoside": 12.5, "cocamidopropyl-betaine": 20, "phenoxyethanol": 0.9, "citric-acid": 0.4, "aqua": 66.2
}  # fmt: skip
"""By hand: 100 - 12.5 - 20 - 0.9 - 0.4 = 66.2."""


def taken(lines: str, held_back: float = 0.0) -> TakenFormula:
    with as_table(lines) as table:
        return read_formula_sheet(table, LIBRARY, held_back=held_back)


def doses(lines: str) -> dict[str, float]:
    return {line.material: line.percent for line in taken(lines).lines}


def refusal(lines: str) -> str:
    with pytest.raises(DataError) as error:
        taken(lines)
    return "\n".join(f"row {p.where.rpartition('row ')[2]}: {p.what} {p.step}" for p in error.value.problems)


def priced(lines: str) -> TakenPrices:
    with as_table(lines) as table:
        return read_price_list(table, LIBRARY)


@pytest.mark.parametrize(
    "lines",
    [
        f"Ingredient,%\n{CUT}Water,to 100\n",
        f"Ingredient,%\n{CUT}Water,66,2\n",
        f"{CUT}Water,to 100\n",
        f"{CUT}Water,66,2\n",
        "%,Ingredient\n" + "".join(f"{','.join(ln.split(',')[1:])},{ln.split(',')[0]}\n" for ln in CUT.splitlines())
        + "66,2,Water\n",
        f"Ingredient,%\n{CUT.replace('20,0', '20')}Water,66,2\n",
    ],
)  # fmt: skip
def test_a_figure_that_its_comma_cut_in_two_is_read_whole_where_it_can_be_nothing_else(lines: str) -> None:
    assert doses(lines) == pytest.approx(WHOLE)
    assert "'12,5' was read as one figure with a decimal comma" in " ".join(taken(lines).assumed)


@pytest.mark.parametrize(
    "lines",
    [
        "Ingredient,%,Function\nDecyl Glucoside,12,5\nPhenoxyethanol,0,9\nWater,86,6\n",  # sums to 100 so only
        "Ingredient,%,Note\nDecyl Glucoside,12,5,foam\nCocamidopropyl Betaine,20,0\nWater,67,5\n",
        "Ingredient,%\nDecyl Glucoside,12,5\nWater,88,5\n",  # 12 + 88 is 100, too
        "Decyl Glucoside,12,5\nGlycerin,3,1\nWater,to 100,1\n",  # the phase, or decimals?
        "%,Ingredient\n12,5 % Decyl Glucoside\n87,5 % Water\n",
    ],
)
def test_a_figure_that_may_be_two_cells_is_asked_back(lines: str) -> None:
    assert "'12,5" in refusal(lines)
    assert "may be one figure or two cells" in refusal(lines)


@pytest.mark.parametrize(
    "lines",
    [
        "Ingredient,%,Phase\nDecyl Glucoside,12,1\nGlycerin,20,2\nWater,68,1\n",
        "Decyl Glucoside,12,1\nGlycerin,20,2\nWater,68,1\n",
        "Ingredient,%,Phase\nDecyl Glucoside,12,1\nGlycerin,20,2\nWater,to 100,1\n",
    ],
)
def test_a_column_of_its_own_is_no_decimals(lines: str) -> None:
    assert doses(lines) == {"decyl-glucoside": 12, "glycerin": 20, "aqua": 68}
    assert any(told.startswith("Not read: ") for told in taken(lines).assumed)


def test_the_buttons_of_the_desk_lead_to_the_one_reading() -> None:
    asked = "Ingredient,%,Note\nDecyl Glucoside,12,5,foam\nCocamidopropyl Betaine,20,0\nWater,67,5\n"
    told = doses(settled_lines(asked, "comma"))
    assert told == pytest.approx({"decyl-glucoside": 12.5, "cocamidopropyl-betaine": 20, "aqua": 67.5})
    blanks = "Decyl Glucoside 12,5\nCocamidopropyl Betaine: 20 %\nPhenoxyethanol\t0.9\nCitric acid 0,4\nWater to 100\n"
    assert "is one cell; is 12,5 its dose?" in refusal(blanks)
    assert doses(settled_lines(blanks, "blank")) == pytest.approx(WHOLE)
    first = "12,5 % Decyl Glucoside\n87,5 % Water\n"
    assert doses(settled_lines(first, "blank")) == pytest.approx({"decyl-glucoside": 12.5, "aqua": 87.5})


def test_a_dose_in_one_cell_with_its_name_is_asked_back() -> None:
    lines = "Decyl Glucoside; 12\nCoco betaine; 20\nPhenoxyethanol 0.8\nCitric acid\t0.2\nGlycerin,3\nmoon dust 5\n"
    said = refusal(f"{lines}Phase 2\n* of palm, lot 3\nWater; to 100\n")
    for part in ("row 3: 'Phenoxyethanol 0.8' is one cell; is 0.8 its dose?", "is 0.2 its", "is 3 its", "is 5 its"):
        assert part in said
    assert "Phase 2" not in said
    assert "lot 3" not in said
    assert "'Water to 100' is one cell" in refusal("Glycerin; 3\nDecyl Glucoside; 12\nWater to 100\n")
    assert "is one cell; is 12.5 its dose?" in refusal("Decyl Glucoside 12.5\nCoco betaine 20\nWater to 100\n")


def test_what_is_left_out_is_told() -> None:
    lines = (
        "Ingredient;%;Function\nWater;ad 100 %;solvent\nPhenoxyethanol;0;preservative\nDecyl Glucoside;20;;best\n"
        ";see note;\n;;only a remark\nGlycerin;2;\nTotal;95;\n"
    )
    said = " ".join(taken(lines.replace("Water;ad 100 %;solvent", "Water;78;solvent")).assumed)
    for part in (
        "Not read: 'Function'.",
        "'Phenoxyethanol' has a dose of 0 and was left out",
        "Row 4: 'best': beyond the headings, so not read.",
        "Row 5: 'see note' stands beside no material and was not read",
        "Row 6 holds neither a material nor a dose and was not read: 'only a remark'.",
        "'Total' says 95, but the lines above it come to 100",
    ):
        assert part in said
    assert "'Total'" not in " ".join(taken(lines).assumed)
    assert "'7': a figure beyond the headings" in refusal("Ingredient;%\nWater;ad 100\nGlycerin;3;7\n")
    assert "this material has no dose" in refusal("Ingredient;%\nWater;ad 100\nDecyl glucosid;\nGlycerin;3\n")


@pytest.mark.parametrize(
    ("cell", "dose"),
    [
        ("12,5 %", 12.5), ("12.5% w/w", 12.5), ("12,5 % (w/w)", 12.5), ("12.5\u00a0%", 12.5), ("12-13", 12.5),
        ("12,0 – 13,0 %", 12.5),
    ],
)  # fmt: skip
@pytest.mark.parametrize("rest", ["q.s. to 100", "ad 100", "ad 100,0 %", "to 100 % w/w", "qs", "q.s.", "qsp 100"])
def test_doses_as_people_write_them(cell: str, dose: float, rest: str) -> None:
    lines = f"• AQUA; {rest}\n- DECYL\u00a0GLUCOSIDE; {cell}\n\n* Glycerin*; 3\n"
    assert doses(lines) == pytest.approx({"aqua": 97 - dose, "decyl-glucoside": dose, "glycerin": 3})


@pytest.mark.parametrize("cell", ["< 0.1", "~12", "ca. 3", "1 2", "12 5", "0,9¹", "5*", "–", "1/2", "traces"])
def test_what_is_no_plain_figure_is_asked_back(cell: str) -> None:
    assert "row 3:" in refusal(f"Ingredient;%\nWater;ad 100\nGlycerin;{cell}\n")


def test_blanks_part_thousands_and_nothing_else() -> None:
    assert number_of("1 250,5") == 1250.5
    with pytest.raises(ValueError, match="a blank between its digits"):
        number_of("12 5")


def test_the_materials_are_in_the_column_of_most_different_names() -> None:
    lines = "A;Water;ad 100\nA;Glycerin;3\nB;Decyl Glucoside;20\nC;Phenoxyethanol;0,9\n"
    assert doses(lines) == pytest.approx({"aqua": 76.1, "glycerin": 3, "decyl-glucoside": 20, "phenoxyethanol": 0.9})


@pytest.mark.parametrize("name", ["Sodium hydroxide", "lye", "SODIUM HYDROXIDE", "sodium hydroxide 50 %"])
def test_a_solution_is_never_taken_for_the_pure_substance(name: str) -> None:
    with pytest.raises(UnclearError) as error:
        taken(f"Ingredient;%\nWater;to 100\n{name};0,3\n")
    assert [n.candidates for n in error.value.names] == [("sodium-hydroxide-20",)]
    assert "20 %" in str(error.value)
    left = priced(f"Article;Price per kg\n{name};3\nGlycerin;2\n").left_out
    assert [line.written for line in left] == [name]
    said = "Ingredient;%\nWater;to 100\nSodium Hydroxide, 20 % solution;0,3\n"
    assert doses(said)["sodium-hydroxide-20"] == 0.3
    effect = taken(f"Ingredient;%\nWater;80\nGlycerin;20\n{name.removesuffix(' 50 %')};to pH 5.5\n")
    assert effect.to_effect == ("sodium-hydroxide-20",), "without a dose its strength does not matter"


@pytest.mark.parametrize(
    ("name", "meant", "told"),
    [
        ("Citric acid", "citric-acid", "not Citric Acid, 50 % solution"),
        ("citric acid 50%", "citric-acid-50", ""),
        ("Lactic acid", "lactic-acid", "holds 85 % Lactic Acid"),
        ("lactic acid 80 %", "lactic-acid", "read as Lactic Acid, 80-90 %"),
        ("Glycerin", "glycerin", ""),
        ("Coco Glucoside 30 %", "", "coco-glucoside holds 51.5 %"),
        ("CAPB (46%)", "", "cocamidopropyl-betaine holds 30 %"),
        ("GLDA", "", "1 g of the pure substance is 2.1 g of it"),  # by hand: 100 / 47
    ],
)
def test_another_strength_than_the_words_say_is_told_or_asked(name: str, meant: str, told: str) -> None:
    found = Names(LIBRARY.materials).meaning_of_amount(name)
    assert found.id == meant
    assert told in found.how
    assert bool(told) == bool(found.how)
    assert bool(found.candidates) == (not meant)


def test_a_word_with_another_strength_names_no_material_of_a_command() -> None:
    with pytest.raises(UsageError, match=r"could be coco-glucoside; coco-glucoside holds 51\.5 %\. Write the id"):
        material_of("Coco Glucoside 30 %", LIBRARY.materials)


def test_a_rest_smaller_than_the_part_kept_free_is_a_finished_formula() -> None:
    lines = "Aqua;60\nCoco-Glucoside;20\nCocamidopropyl betaine;13.5\nGlycerin;3\nSodium benzoate;0.5\nAqua;q.s.\n"
    found = taken(lines, held_back=4.0)
    assert {line.material: line.percent for line in found.lines}["aqua"] == pytest.approx(63)
    assert found.held_back == 0.0
    assert "3 %; the other lines leave no room for the 4 % that the brief keeps free" in " ".join(found.assumed)


def test_a_price_beside_a_pack_is_told_as_that_of_a_pack() -> None:
    found = priced("Article,Pack size,Price,Currency\nCoco-Glucoside,25 kg,52.50,EUR\n")
    assert [line.price_per_kg for line in found.lines] == [2.1]
    assert "taken as the price of a pack, such as 52.5 for 25 kg in row 2" in " ".join(found.assumed)
    for said in ("Pack;Pack price", "Pack;Price per canister", "Pack;Price per kg"):
        assert "price of a pack" not in " ".join(priced(f"Article;{said}\nCoco-Glucoside;25 kg;52.50\n").assumed)


def test_a_line_of_prices_that_is_not_taken_is_told() -> None:
    found = priced(
        "Article,Pack,Price,Supplier\nCoco-Glucoside,25 kg,52,50\nDecyl Glucoside,25 kg,52,50,Heron\n"
        "Glycerin,5 kg,10.50,Heron\nNew prices\nCAPB 3.20\n,,7\nCitric acid,1 kg,0\nAqua,1 kg,2,Heron,9\n"
        "Parfum,1 kg,9,Heron,soon\n"
    )
    assert [line.material for line in found.lines] == ["glycerin", "parfum"]
    left = {line.row: line.reason for line in found.left_out}
    assert "'52,50' may be one figure or two cells" in left[2]
    assert "'52,50' may be one figure or two cells" in left[3]
    assert left[6] == "it has no price."
    assert left[7] == "it has no material."
    assert left[8].startswith("its price is 0.")
    assert "'9': a figure beyond the headings" in left[9]
    assert "Row 5, 'New prices', has no price and was taken as a title." in found.assumed
    assert "Row 10: 'soon': beyond the headings, so not read." in found.assumed
    stagger = priced("Article;Price per kg;from 25 kg\nGlycerin;3;2.5\n")
    assert "Not read: 'from 25 kg'." in stagger.assumed


def test_shelves_and_formula_files_lose_no_figure_at_a_comma(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("material,price per kg\ndecyl-glucoside,4,5\n", encoding="utf-8")
    with pytest.raises(DataError, match="'5': a figure beyond the headings"):
        read_shelf(path)
    path.write_text("material,%\ndecyl-glucoside,12,5\naqua,87,5\n", encoding="utf-8")
    with pytest.raises(DataError, match="row 2: '5': a figure beyond the headings"):
        read_formula(path, LIBRARY.materials, 0.0)
    path.write_text("material,price per kg\ndecyl-glucoside,4,a remark\n", encoding="utf-8")
    assert read_shelf(path).lines[0].price_per_kg == 4

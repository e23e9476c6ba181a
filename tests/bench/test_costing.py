"""Costing against examples that others worked out, by hand, and by what must add up."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook
from typer.testing import CliRunner

from optimizer import cli
from optimizer.answers.starter import lay
from optimizer.bench.amount import amount_of, mass_of
from optimizer.bench.batch import read_batch
from optimizer.bench.costing import Costing, cost_of_batch, freight_of, price_of
from optimizer.bench.costs import Costs, Freight, Sale, costs_from, find_costs, read_costs
from optimizer.bench.size import Size, size_of
from optimizer.data.formula import Formula, Line
from optimizer.data.library import Library, read_library
from optimizer.data.pool import Ingredient
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.report.costing import cost_document, cost_sheets
from optimizer.report.document import Table
from optimizer.report.formats.markdown import markdown
from optimizer.report.formats.workbook import write_workbook
from optimizer.report.record import as_json
from optimizer.sweep.source import sources_of
from tests.support.command import Run

LB = 0.45359237
"""kg per pound: international agreement of 1959."""


@pytest.fixture(scope="module")
def library() -> Library:
    return read_library([shipped("library")])


def formula_of(library: Library, doses: dict[str, tuple[float, float]], held: float = 0.0) -> Formula:
    """Return a formula from dose [%] and price per kg by id."""
    lines = [Line(Ingredient(library.by_id[name], price), dose) for name, (dose, price) in sorted(doses.items())]
    return Formula(tuple(lines), held)


WASH = {
    "sodium-laureth-sulfate-2eo-28": (25.0, 1.64),
    "cocamidopropyl-betaine": (12.0, 2.70),
    "glycerin": (3.0, 2.30),
    "parfum": (0.4, 58.0),
    "aqua": (59.6, 0.025),
}
COSTS = costs_from(
    {
        "packaging": [{"what": "bottle", "price": 0.46}, {"what": "carton", "price": 0.96, "pieces_per_bottle": 0.25}],
        "labour": {"hours_per_batch": 1.5, "price_per_hour": 20.0},
        "freight": [{"amount": 30.0, "covers_kg": 60.0}, {"what": "van", "amount": 12.0, "per_order": True}],
        "overhead": {"per_batch": 5.0},
        "sale": {"margin_percent": 60.0, "vat_percent": 20.0},
    },
    "costs.toml",
)


# --- Examples that others worked out -------------------------------------------------------------------------


def test_perfume_at_11_a_pound_and_0_225_percent(library: Library) -> None:
    # "Calculating cosmetic formula costs", cosmetic chemistry education site: perfume at 11 per lb, used at 0.225 %;
    # printed 0.0248 per lb of product, exact 0.02475.
    formula = formula_of(library, {"parfum": (0.225, 11 / LB), "aqua": (99.775, 0.0)})
    costing = cost_of_batch(formula, Size(1000 * LB))
    assert costing.lines[0].cost == pytest.approx(0.02475, abs=1e-12)
    assert costing.materials_per_kg * LB == pytest.approx(0.02475, abs=1e-12)


def test_50_ml_at_20_a_kg_with_the_density_taken_as_1() -> None:
    # Cost-of-sale article of a product-creation company: 50 mL at 20 per kg, density taken as 1: 1.00.
    assert mass_of(50, 1.0, "50 ml") * 20 / 1000 == pytest.approx(1.00)
    with pytest.raises(DataError, match="no density is stated"):
        mass_of(50, None, "50 ml")


def test_freight_by_the_pound_and_a_sum_that_the_page_adds_wrong(library: Library) -> None:
    # "Cost breakdown", soap makers' forum: 38 shipping over 25 lb = 1.52 per lb; 17.50 for 7 lb = 2.50 per lb.
    # The page prints 3.07 as their sum; 1.52 + 2.50 is 4.02.
    formula = formula_of(library, {"coco-glucoside": (100.0, 17.50 / (7 * LB))})
    freight = Freight(amount=38, covers_kg=25 * LB)
    costing = cost_of_batch(formula, Size(1000 * LB), costs=Costs(freight=(freight,)))
    assert freight_of(freight, formula, LB) == pytest.approx(1.52)
    assert costing.materials_per_kg * LB == pytest.approx(2.50)
    assert costing.total == pytest.approx(4.02)
    assert costing.total != pytest.approx(3.07, abs=0.5)


def test_a_batch_of_twelve_and_three_times_its_cost(library: Library) -> None:
    # "Cost breakdown", soap makers' forum: batch 17.00 / 12 units + 0.28 packing, sold at three times that; printed
    # 1.42, 1.70, 5.10 (each step rounded), unrounded 1.4167, 1.6967, 5.09.
    costs = costs_from({"packaging": [{"what": "pack", "price": 0.28}], "sale": {"markup_percent": 200}}, "x")
    formula = formula_of(library, {"coco-glucoside": (100.0, 17.0)})
    costing = cost_of_batch(formula, Size(1000, bottles=12, fill_g=1000 / 12), costs=costs)
    assert costing.parts[0].cost / 12 == pytest.approx(1.4167, abs=5e-5)
    assert costing.per_bottle == pytest.approx(1.6967, abs=5e-5)
    assert costing.price is not None
    assert costing.price.net == pytest.approx(5.09, abs=1e-9)
    assert round(3 * round(costing.per_bottle, 2), 2) == 5.10


# --- What must add up ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def costing(library: Library) -> Costing:
    size = size_of(amount_of("20 bottles"), amount_of("250 ml"), 1.02, 4.0)
    return cost_of_batch(formula_of(library, WASH), size, costs=COSTS)


def test_bottles_times_fill_is_the_batch_less_the_loss(costing: Costing) -> None:
    assert costing.size.fill_g == pytest.approx(255)
    assert costing.size.made_g * 0.96 == pytest.approx(20 * 255)
    assert costing.size.filled_g == pytest.approx(costing.size.sold_g)
    assert costing.size.rest_g == pytest.approx(0, abs=1e-6)


def test_the_batch_by_hand(costing: Costing) -> None:
    kg = 5.1 / 0.96
    per_kg = 0.25 * 1.64 + 0.12 * 2.70 + 0.03 * 2.30 + 0.004 * 58 + 0.596 * 0.025  # 1.0499
    assert costing.materials_per_kg == pytest.approx(per_kg)
    by_name = {p.what: p.cost for p in costing.parts if p.what not in ("packaging", "freight")}
    assert by_name == {
        "materials": pytest.approx(per_kg * 5.1),
        "loss": pytest.approx(per_kg * (kg - 5.1)),
        "labour": pytest.approx(30.0),
        "overhead": pytest.approx(5.0),
    }
    assert [p.cost for p in costing.parts if p.what == "packaging"] == pytest.approx([20 * 0.46, 20 * 0.25 * 0.96])
    # 40.4 % of the batch came with the carrier; the tap water did not.
    assert [p.cost for p in costing.parts if p.what == "freight"] == pytest.approx([0.5 * 0.404 * kg, 12.0])
    assert costing.total == pytest.approx(sum(p.cost for p in costing.parts))
    assert sum(p.share for p in costing.parts) == pytest.approx(1)
    assert costing.per_bottle == pytest.approx(costing.total / 20)
    assert costing.per_kg == pytest.approx(costing.total / 5.1)


def test_per_kg_of_active_is_cost_over_active(costing: Costing) -> None:
    active = costing.active_percent[1]
    assert active == pytest.approx(0.25 * 28 + 0.12 * 30, abs=0.5)  # 28 % and about 30 % active
    assert costing.materials_per_kg_active == pytest.approx(costing.materials_per_kg / (active / 100))
    assert costing.per_kg_active == pytest.approx(costing.per_kg / (active / 100))
    assert costing.actives_range is not None
    assert costing.actives_range[0] <= costing.materials_per_kg_active <= costing.actives_range[1]


def test_drivers_are_ranked_and_a_point_more_is_a_difference(library: Library, costing: Costing) -> None:
    costs = [line.cost for line in costing.lines]
    assert costs == sorted(costs, reverse=True)
    assert sum(line.share for line in costing.lines) == pytest.approx(1)
    costing = cost_of_batch(formula_of(library, WASH), Size(1000), water_price=0.025)
    more = {**WASH, "parfum": (1.4, 58.0), "aqua": (58.6, 0.025)}
    dearer = cost_of_batch(formula_of(library, more), Size(1000), water_price=0.025)
    line = next(line for line in costing.lines if line.id == "parfum")
    assert line.point == pytest.approx(dearer.materials_per_kg - costing.materials_per_kg)


def test_what_fills_no_whole_bottle_is_borne_by_the_others(library: Library) -> None:
    size = size_of(amount_of("5 kg"), amount_of("250 ml"), 1.02, 3.0)
    assert (size.bottles, size.rest_g) == (19, pytest.approx(4850 - 19 * 255))
    costing = cost_of_batch(formula_of(library, WASH), size)
    assert costing.total == pytest.approx(costing.materials_per_kg * 5)
    assert "5 g fill no whole bottle" in costing.parts[1].detail


@given(st.integers(1, 5000), st.floats(20, 2000), st.floats(0.9, 1.2), st.floats(0, 30))
def test_sizes_come_back(bottles: int, ml: float, density: float, loss: float) -> None:
    bottle = replace(amount_of("1 ml"), value=ml)
    made = size_of(amount_of(f"{bottles} bottles"), bottle, density, loss)
    again = size_of(replace(amount_of("1 g"), value=made.made_g), bottle, density, loss)
    assert made.filled_g == pytest.approx(bottles * ml * density)
    assert again.bottles == bottles


def test_prices_and_lots_that_range_give_ends(library: Library) -> None:
    lines = [
        ShelfLine(row=2, material="glycerin", price_per_kg=2.3, pack_kg=5),
        ShelfLine(row=3, material="glycerin", price_per_kg=4.0, pack_kg=1),
    ]
    shelf = Shelf(where="shelf", lines=tuple(lines))
    costing = cost_of_batch(formula_of(library, WASH), Size(10_000), shelf=shelf)
    assert costing.totals == (pytest.approx(costing.total), pytest.approx(costing.total + 10 * 0.03 * 1.7))
    low, typical, high = costing.active_percent
    assert low < typical < high


def test_what_is_held_back_counts_as_water_and_its_worst_is_told(library: Library) -> None:
    later = (Ingredient(library.by_id["sorbitan-sesquicaprylate"], 21.0),)
    formula = replace(formula_of(library, {"aqua": (96.0, 0.025)}), held_back=4.0, later=later)
    costing = cost_of_batch(formula, Size(1000), water_price=0.025)
    assert costing.held_cost == (pytest.approx(0.001), pytest.approx(0.84))
    assert costing.materials_per_kg == pytest.approx(0.025)
    assert "at most 0.84 EUR" in markdown(cost_document(costing))


# --- Price ---------------------------------------------------------------------------------------------------


def test_margin_is_on_the_price_and_markup_on_the_cost() -> None:
    size = Size(1000, bottles=4, fill_g=250, bottle_ml=245)
    margin = price_of(2.0, Sale(margin_percent=60, vat_percent=20), size)
    markup = price_of(2.0, Sale(markup_percent=60, vat_percent=20), size)
    assert margin is not None
    assert markup is not None
    assert (margin.net, margin.gross, margin.markup_percent) == pytest.approx((5.0, 6.0, 150.0))
    assert (markup.net, markup.gross, markup.margin_percent) == pytest.approx((3.2, 3.84, 37.5))
    assert margin.per_100_ml == pytest.approx(6.0 / 2.45)
    assert margin.per_litre == pytest.approx(6.0 / 0.245)
    assert price_of(2.0, Sale(vat_percent=20), size) is None


def test_a_stated_price_tells_its_margin_and_a_kg_needs_a_density_for_a_litre() -> None:
    stated = Sale(price=6.0, vat_percent=20)
    found = price_of(2.0, stated, Size(1000))
    assert found is not None
    assert (found.per, found.net, found.margin_percent, found.per_100_ml) == ("kg", 5.0, pytest.approx(60), None)
    dense = price_of(2.0, stated, Size(1000, density=1.02))
    assert dense is not None
    assert dense.per_litre == pytest.approx(6.0 * 1.02)
    loss = price_of(8.0, stated, Size(1000))
    assert loss is not None
    assert loss.margin_percent == pytest.approx(-60)


# --- Units and files -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "bottle", "density", "reason"),
    [
        ("3 L", None, None, "1 ml is not 1 g"),
        ("5 kg", "250 ml", None, "1 ml is not 1 g"),
        ("20 bottles", None, None, "what one holds"),
        ("20 bottles", "3 bottles", 1.0, "no content of a bottle"),
        ("200 g", "250 ml", 1.02, "do not fill one bottle"),
        ("5 kg", "250 ml", 1020.0, "not 1020 kg per m3"),
    ],
)
def test_units_are_not_confused(size: str, bottle: str | None, density: float | None, reason: str) -> None:
    with pytest.raises(DataError, match=reason):
        size_of(amount_of(size), amount_of(bottle) if bottle else None, density)


def test_another_currency_is_not_converted(library: Library) -> None:
    with pytest.raises(DataError, match="the costs are in USD, the brief is in EUR"):
        cost_of_batch(formula_of(library, WASH), Size(1000), costs=Costs(currency="USD"))


def test_all_problems_of_a_costs_file_at_once(tmp_path: Path, library: Library) -> None:
    path = tmp_path / "c.toml"
    path.write_text(
        'currncy = "EUR"\n[[packaging]]\nwhat = "x"\nprice = 1\npeices_per_bottle = 1\n'
        "[labor]\n[[freight]]\namount = 3\n[sale]\nmargin_percent = 20\nmarkup_percent = 2\n",
        encoding="utf-8",
    )
    with pytest.raises(DataError) as caught:
        read_costs(str(path), library.by_id)
    told = "\n".join(str(p).removeprefix(str(path)) for p in caught.value.problems)
    assert told == (
        ", packaging.0.peices_per_bottle: this key is not known. Did you mean 'pieces_per_bottle'?\n"
        ", freight.0: say what it covers: either covers_kg = 25, or per_order = true. Correct the value.\n"
        ", sale: state one of margin_percent (of the price), markup_percent (on the cost) and price. "
        "Correct the value.\n"
        ", currncy: this key is not known. Did you mean 'currency'?\n"
        ", labor: this key is not known. Did you mean 'labour'?"
    )


def test_packaging_goes_with_its_bottle(library: Library) -> None:
    costs = read_costs("refill", library.by_id)
    assert {p.what for p in costs.packed(250)} == {"bottle, 250 ml", "pump", "label", "carton of twelve"}
    assert {p.what for p in costs.packed(500)} == {"bottle, 500 ml", "pump", "label", "carton of six"}
    assert {p.what for p in costs.packed(300)} == {p.what for p in costs.packed(None)} == {"pump", "label"}
    assert costs.without_own(300) == (
        "nothing is priced for this bottle alone (only for 250 ml and 500 ml): of packaging pump and label are counted"
    )
    assert costs.without_own(250) == ""
    own = costs_from({"packaging": [{"what": "bottle", "price": 0.3, "bottle_ml": 250}]}, "x")
    with pytest.raises(DataError, match="no packaging for a bottle of 300 ml, only for 250 ml"):
        own.packed(300)
    with pytest.raises(DataError, match="unknown volume"):
        own.packed(None)
    assert Costs().packed(300) == ()


def test_freight_of_an_unknown_material_is_refused(tmp_path: Path, library: Library) -> None:
    path = tmp_path / "c.toml"
    path.write_text('[[freight]]\namount = 3\ncovers_kg = 5\nmaterials = ["glycerinn"]\n', encoding="utf-8")
    with pytest.raises(DataError, match="Did you mean 'glycerin'"):
        read_costs(str(path), library.by_id)


def test_the_shipped_costs_are_read_by_name(library: Library) -> None:
    assert read_costs("refill", library.by_id).packaging
    assert find_costs("refill").parent.name == "costs"
    for name in ("refil", "../refill"):
        with pytest.raises(DataError, match="no shipped costs file"):
            find_costs(name)


def test_a_folder_of_briefs_may_hold_costs_and_materials(tmp_path: Path, library: Library) -> None:
    for path in lay(tmp_path):
        assert path.is_file()
    assert read_costs(str(tmp_path / "costs.toml"), library.by_id).sale.margin_percent == 50
    assert [s.name for s in sources_of(str(tmp_path))] == ["first-brief"]


def test_cells_that_look_like_formulas_are_text(tmp_path: Path, library: Library) -> None:
    path = tmp_path / "x.xlsx"
    write_workbook(path, [Table("one", ("a", "b"), (("=1+1", 2.5), ("@x", None)))])
    rows = list(load_workbook(path).worksheets[0].iter_rows(values_only=True))
    assert rows == [("a", "b"), ("'=1+1", 2.5), ("'@x", None)]
    with pytest.raises(DataError, match="the file exists"):
        write_workbook(path, [Table("one", ("a",), ())])
    sheets = cost_sheets(cost_of_batch(formula_of(library, WASH), Size(1000), name="=cmd()"))
    write_workbook(tmp_path / "y.xlsx", sheets)
    book = load_workbook(tmp_path / "y.xlsx")
    assert book["cost"]["B2"].value == "'=cmd()"
    assert all(cell.data_type != "f" for page in book for row in page.iter_rows() for cell in row)


# --- The command ---------------------------------------------------------------------------------------------


def test_the_command_costs_a_brief_and_its_plan(run: Run, tmp_path: Path) -> None:
    asked = ("--bottles", "40", "--bottle", "250", "--density", "1.02", "--costs", "refill", "--plan", "200")
    record = run("cost", "hand-wash", *asked, "--json", "--out", tmp_path / "cost.xlsx").json
    assert record["size"]["made_g"] * 0.97 == pytest.approx(40 * 255)
    assert record["total"] == pytest.approx(sum(p["cost"] for p in record["parts"]))
    assert record["price"]["margin_percent"] == pytest.approx(55)
    assert record["per_kg_active"] == pytest.approx(record["per_kg"] / record["active_percent"][1] * 100)
    needs: list[dict[str, Any]] = record["plan"]["needs"]
    assert all(n["left"] >= 0 and n["short"] == 0 for n in needs)
    made = record["size"]["made_g"] / 1000 * 200
    assert sum(n["need"] for n in needs) == pytest.approx(made * (1 - record["held_percent"] / 100), rel=1e-3)
    assert load_workbook(tmp_path / "cost.xlsx").sheetnames == ["cost", "parts", "materials", "buy", "stock"]
    text = run("cost", "hand-wash", *asked, "--margin", "60", "--markdown").out
    assert "margin, part of the price without VAT | 60.0 %" in text


def test_the_cost_per_kg_is_the_blend_s_with_what_is_planned_for_the_bench(run: Run) -> None:
    blend = run("blend", "hand-wash", "--json").json
    record = run("cost", "hand-wash", "--json").json
    doses = {line["id"]: line["percent"] for line in blend["rounded"]["formula"]}
    planned = {d["material"]: d["percent"]["typical"] for d in blend["planned_cost"]["doses"]}
    assert not doses.keys() & planned.keys()
    assert {line["id"]: line["percent"] for line in record["lines"]} == pytest.approx(doses | planned)
    blended = sum(line["cost"] for line in record["lines"] if line["id"] in doses)
    assert blended == pytest.approx(sum(x["cost_per_kg"] for x in blend["rounded"]["formula"]))
    assert record["total"] == pytest.approx(blend["planned_cost"]["per_kg"]["typical"])


BATCH = """\
batch = "24-117"
product = "Hand wash"
brief = "hand-wash"
size_g = 5000
bottle_ml = 250
density_g_per_ml = 1.02
loss_percent = 2
held_back_percent = 4
line = [
  {material = "sodium-laureth-sulfate-2eo-70", percent = 10}, {material = "cocamidopropyl-betaine", percent = 10},
  {material = "aqua", percent = 76},
]
[costs.labour]
hours_per_batch = 1
price_per_hour = 20
"""


def test_a_batch_file_brings_its_size_and_its_costs(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    path.write_text(BATCH, encoding="utf-8")
    assert read_batch(path).costs is not None
    record = run("cost", path, "--json").json
    assert (record["size"]["made_g"], record["size"]["bottles"]) == (5000, 19)
    assert [p["cost"] for p in record["parts"] if p["what"] == "labour"] == [20]
    assert record["lines"][0]["cost"] == pytest.approx(0.5 * 3.4)
    path.write_text(BATCH.replace("density_g_per_ml = 1.02\n", "").replace("_hour", "_huor"), encoding="utf-8")
    assert "Did you mean 'price_per_hour'?" in run("cost", path).err
    path.write_text(BATCH.replace("density_g_per_ml = 1.02\n", ""), encoding="utf-8")
    bare = run("cost", path, "--json").json
    assert bare["size"]["bottles"] is None
    assert any("bottles are not counted" in note for note in bare["notes"])


@pytest.mark.parametrize(
    ("args", "code", "told"),
    [
        (("--costs", "refill"), 2, "labour, overhead and freight per order belong to a batch"),
        (("--size", "5"), 2, "--size '5': the unit is missing"),
        (("--size", "2 cups"), 2, "a cup is no measure"),
        (("--bottles", "20"), 2, "needs the content of one"),
        (("--size", "5kg", "--bottles", "20"), 2, "state one of them"),
        (("--margin", "50", "--markup", "50"), 2, "state one of them"),
        (("--size", "5kg", "--bottle", "250"), 3, "1 ml is not 1 g"),
        (("--out", "x.csv"), 2, "must end in .xlsx"),
    ],
)
def test_slips_are_told(run: Run, args: tuple[str, ...], code: int, told: str) -> None:
    ran = run("cost", "hand-wash", *args)
    assert ran.code == code
    assert told in ran.err
    assert not ran.out


def test_a_shortage_is_bad_news(library: Library) -> None:
    costing = cost_of_batch(formula_of(library, WASH), Size(1000), batches=2)
    document = cost_document(costing)
    assert not document.good
    assert "nowhere to be had" in document.verdict
    assert json.loads(as_json(costing))["plan"]["needs"][1]["short"] > 0


# --- A batch that is finished -------------------------------------------------------------------------------------

FINISHED = """batch = "7"
brief = "hand-wash"
size_g = 1000
held_back_percent = 4.0
bottle_ml = 250
density_g_per_ml = 1.0
line = [{material = "aqua", percent = 76.0}, {material = "sodium-laureth-sulfate-2eo-70", percent = 20.0}]
weighed = [{material = "aqua", grams = 760.0}, {material = "sodium-laureth-sulfate-2eo-70", grams = 220.0}]
"""


def costed(tmp_path: Path, text: str, *options: str) -> dict[str, Any]:
    path = tmp_path / "batch.toml"
    path.write_text(text, encoding="utf-8")
    done = CliRunner().invoke(cli.app, ["cost", str(path), *options, "--json"], catch_exceptions=False)
    assert done.exit_code == 0
    return dict(json.loads(done.stdout))


def test_a_finished_batch_is_costed_as_made(tmp_path: Path) -> None:
    # By hand: 980 g, of them 220 g of paste at 3.40 EUR/kg and 760 g of water at 0.025 (the demo shelf); 3 bottles of
    # 250 g came out of it.
    told = costed(tmp_path, FINISHED + "finish = {mass_g = 980.0, bottles = 3}\n")
    assert told["total"] == pytest.approx(0.22 * 3.4 + 0.76 * 0.025, abs=1e-9)
    assert told["per_bottle"] == pytest.approx(told["total"] / 3, abs=1e-9)
    assert told["size"]["bottles"] == 3


@pytest.mark.parametrize(
    ("options", "bottles", "made", "lost"),
    [
        (("--bottle", "200"), 3, 980, 380),  # 3 x 200 g of the 980 g are sold
        (("--bottle", "200", "--density", "1.02"), 3, 980, 368),
        (("--bottle", "250 g"), 3, 980, 230),
        (("--density", "1.1"), 3, 980, 155),
        (("--bottles", "2"), 2, 980, 480),
        (("--loss", "50"), 3, 980, 230),  # what was counted stands
        (("--size", "2 kg"), 8, 2000, 0),  # another size of the same
    ],
)
def test_what_a_bottle_holds_changes_neither_the_mass_nor_the_bottles_that_were_counted(
    tmp_path: Path, options: tuple[str, ...], bottles: int, made: float, lost: float
) -> None:
    told = costed(tmp_path, FINISHED + "finish = {mass_g = 980.0, bottles = 3}\n", *options)
    size = told["size"]
    assert (size["bottles"], size["made_g"]) == (bottles, made)
    assert size["made_g"] - size["sold_g"] == pytest.approx(lost)
    whole = (0.22 * 3.4 + 0.76 * 0.025) * made / 980
    assert told["total"] == pytest.approx(whole, abs=1e-9)
    assert told["per_bottle"] == pytest.approx(whole / bottles, abs=1e-9)
    assert any("--loss is not used" in note for note in told["notes"]) == ("--loss" in options)
    assert any("instead of the 980 g that were made" in note for note in told["notes"]) == ("--size" in options)


def test_a_finished_batch_without_counted_bottles_fills_those_that_it_can(tmp_path: Path) -> None:
    """980 g less 10 % are 882 g: three bottles of 250 g."""
    told = costed(tmp_path, FINISHED + "finish = {mass_g = 980.0}\n", "--loss", "10")
    assert (told["size"]["bottles"], told["size"]["made_g"]) == (3, 980)
    assert told["size"]["filled_g"] == pytest.approx(882)


def test_a_batch_without_its_final_mass_is_costed_as_planned_and_says_so(tmp_path: Path) -> None:
    # With 0.2 % of acid at 4.20 and, as salt thickens this one, 0.5 % of salt at 0.95 EUR/kg (the demo shelf) in place
    # of water.
    told = costed(tmp_path, FINISHED)
    bench = 0.002 * (4.2 - 0.025) + 0.005 * (0.95 - 0.025)
    assert told["total"] == pytest.approx(0.2 * 3.4 + 0.8 * 0.025 + bench, abs=1e-9)
    assert "costed as planned: the finished mass is not noted yet." in told["notes"]


def test_more_bottles_than_the_batch_fills_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="4 bottles of 250 g are more than the 980 g"):
        costed(tmp_path, FINISHED + "finish = {mass_g = 980.0, bottles = 4}\n")


# --- What a sample of slips once left standing -----------------------------------------------------------------


def test_the_cost_per_kg_of_active_ranges_over_lots_and_prices_at_once(library: Library) -> None:
    """Cheapest price at the strongest lot to dearest price at the weakest; prices are made up."""
    lines = [ShelfLine(row=2 + k, material="coco-glucoside", price_per_kg=price) for k, price in enumerate((5.0, 3.0))]
    shelf = Shelf(where="shelf", lines=tuple(lines))
    formula = formula_of(library, {"coco-glucoside": (20.0, 3.0), "aqua": (80.0, 0.0)})
    costing = cost_of_batch(formula, Size(2000), shelf=shelf)
    (low, typical, high), *more = [s.share for s in library.by_id["coco-glucoside"].substances if s.surfactant]
    assert not more
    assert costing.active_percent == pytest.approx((0.2 * low, 0.2 * typical, 0.2 * high))
    assert costing.actives_range == pytest.approx((3.0 / (high / 100), 5.0 / (low / 100)))
    assert costing.actives_range[0] < costing.materials_per_kg_active < costing.actives_range[1]


def test_freight_by_the_kg_is_borne_by_each_batch_and_an_order_is_shared(library: Library) -> None:
    formula = formula_of(library, {"coco-glucoside": (20.0, 3.0), "aqua": (80.0, 0.0)})
    by_kg, order = Freight(amount=30.0, covers_kg=60.0), Freight(what="van", amount=12.0, per_order=True)
    for batches in (1, 2, 4):
        assert freight_of(by_kg, formula, 10.0, batches) == pytest.approx(30 / 60 * 2)
        assert freight_of(order, formula, 10.0, batches) == pytest.approx(12 / batches)
    named = Freight(amount=30.0, covers_kg=60.0, materials=("aqua",))
    assert freight_of(named, formula, 10.0) == pytest.approx(30 / 60 * 8)
    costing = cost_of_batch(formula, Size(10_000), costs=Costs(freight=(by_kg, order)), batches=4)
    assert [p.cost for p in costing.parts if p.what == "freight"] == pytest.approx([1.0, 3.0])

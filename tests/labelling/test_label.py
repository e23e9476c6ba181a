"""The label: order of substances over lots, allergens, natural origin, content, the pack for the assessor."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from typer.testing import CliRunner

from optimizer.bench.batch import Batch, batch_from
from optimizer.brief.brief import Brief, load_brief
from optimizer.cli.every import app
from optimizer.data.cautions import cautions_from
from optimizer.data.facts import AllergenList, Material
from optimizer.data.library import read_library
from optimizer.errors import DataError, UsageError
from optimizer.files import shipped
from optimizer.labelling.allergens import Allergen, allergens_of, judged, sheet_wishes
from optimizer.labelling.content import content_of, read_content, tolerable_error
from optimizer.labelling.label import Label, label_of, swaps_of
from optimizer.labelling.natural import natural_of
from optimizer.labelling.substances import Dosed, SubstanceAmount, parts_of, substances_of
from optimizer.report.assessor import write_pack
from optimizer.report.formats.markdown import markdown
from optimizer.report.label import label_document
from optimizer.report.record import record
from optimizer.rules.composition import Natural
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from tests.support.draws import CI, drawn
from tests.support.hostile import ask

BACKING = {"default": ["invented", "common practice"]}
DOSES = {
    "sodium-laureth-sulfate-2eo-28": 12.0,
    "cocamidopropyl-betaine": 8.0,
    "decyl-glucoside": 3.0,
    "glycerin": 2.0,
    "parfum": 0.5,
    "benzyl-alcohol": 0.5,
    "sodium-benzoate": 0.5,
}


def material(name: str, *substances: dict[str, Any], **more: Any) -> Material:
    """Return a material of invented facts; its typical shares are to sum to 100."""
    plain = {"id": name, "name": name, "function": "surfactant", "phase": "water", "backing": BACKING, **more}
    return Material.model_validate({**plain, "substances": list(substances)})


def held(inci: str, *share: float, **more: Any) -> dict[str, Any]:
    """Return a substance; one number stands for all three."""
    return {"inci": inci, "share": list(share) if len(share) == 3 else [share[0]] * 3, **more}


@cache
def lists() -> tuple[AllergenList, ...]:
    """Return the shipped allergen lists."""
    return read_library([shipped("library")]).allergen_lists


@cache
def hand_wash() -> Brief:
    """Return the hand wash's brief with every material of the test formula."""
    return load_brief(shipped("scenarios") / "hand-wash.toml", also={**DOSES, "aqua": 1.0, "citric-acid": 1.0})


def planned(held_back: float = 4.0, **changes: float) -> Label:
    """Return the label of the test formula, filled up with water."""
    doses = {**DOSES, **{k.replace("_", "-"): v for k, v in changes.items()}}
    doses["aqua"] = 100 - held_back - sum(doses.values())
    brief = hand_wash()
    formula = formula_at(brief.pool, doses)
    return label_of(brief, type(formula)(formula.lines, held_back, formula.later if held_back else ()))


def perfume(**allergens: list[float]) -> Material:
    return material("perfume", held("Parfum", 100), function="perfume", lipid="perfume", allergens=allergens)


def found(parts: list[Dosed], name: str, use: str = "rinse-off") -> Allergen:
    return next(a for a in allergens_of(parts, lists(), use) if a.name == name)


# --- Substances and their order ------------------------------------------------------------------------------


def test_blends_are_split_and_equal_names_added_up() -> None:
    """By hand: 10 % of a solution 30/5/65 and 5 % of a blend 40/10/50 in 85 % water."""
    betaine = material("b", held("Betaine X", 30), held("Sodium Chloride", 5, role="salt"), held("Aqua", 65))
    blend = material("x", held("Betaine X", 40), held("Glycerin", 10, role="solvent"), held("Aqua", 50, role="water"))
    parts = (
        Dosed(betaine, 10),
        Dosed(blend, 5),
        Dosed(material("w", held("Aqua", 100, role="water")), 85),
    )
    amounts = {a.inci: a for a in substances_of(parts)}
    assert list(amounts) == ["Aqua", "Betaine X", "Glycerin", "Sodium Chloride"]
    assert amounts["Aqua"].typical == pytest.approx(85 + 6.5 + 2.5)
    assert amounts["Betaine X"].typical == pytest.approx(3 + 2)
    assert amounts["Glycerin"].typical == amounts["Sodium Chloride"].typical == pytest.approx(0.5)
    assert [c.material.id for c in amounts["Betaine X"].carriers] == ["b", "x"]
    assert sum(a.typical for a in amounts.values()) == pytest.approx(100)
    assert amounts["Glycerin"].jobs == ("solvent carried in",)


def test_ranges_use_that_a_lot_sums_to_100() -> None:
    """Shares 20-60, 20-60 and 0-30: no lot has 60 and 60, and none has less than 10 in two."""
    one = material("m", held("A", 20, 40, 60), held("B", 20, 40, 60), held("C", 0, 20, 30))
    a, b, c = substances_of([Dosed(one, 100)])
    assert (a.low, a.typical, a.high) == pytest.approx((20, 40, 60))
    assert (b.low, b.high) == pytest.approx((20, 60))
    assert (c.low, c.high) == pytest.approx((0, 30))
    tight = material("t", held("A", 10, 50, 60), held("B", 10, 40, 45), held("C", 0, 10, 20))
    least = {x.inci: x.low for x in substances_of([Dosed(tight, 100)])}
    assert least["A"] == pytest.approx(35)  # 100 - 45 - 20
    assert least["B"] == pytest.approx(20)  # 100 - 60 - 20


def test_order_is_free_below_one_percent_only() -> None:
    pair = (
        material("p", held("P", 80, 90, 100), held("Aqua", 0, 10, 20)),
        material("q", held("Q", 85, 88, 95), held("Aqua", 5, 12, 15)),
    )
    water = Dosed(material("w", held("Aqua", 100)), 90)
    for dose, uncertain in ((5.0, True), (1.06, True), (1.04, False), (0.9, False)):
        parts = (Dosed(pair[0], dose), Dosed(pair[1], dose), water)
        swaps = swaps_of(parts, substances_of(parts))
        assert [(s.first, s.second, s.neighbours) for s in swaps] == ([("P", "Q", True)] if uncertain else [])
    # Q reaches 1.06 x 95 % = 1.007 %, at 1.04 only 0.988 %: below 1 % its place is free


def test_measured_lots_settle_the_order() -> None:
    parts = tuple(Dosed(material(n, held(n.upper(), s), held("Aqua", 100 - s)), 10) for n, s in (("p", 30), ("q", 29)))
    assert swaps_of(parts, substances_of(parts)) == ()


def test_colourants_stand_last_whatever_they_weigh() -> None:
    colour = material("c", held("CI 00000", 100), function="colourant")
    parts = (
        Dosed(colour, 5),
        Dosed(material("s", held("S", 60, 70, 80), held("Aqua", 20, 30, 40)), 1),
        Dosed(perfume(), 0.2),
    )
    amounts = substances_of(parts)
    assert [a.inci for a in amounts] == ["S", "Aqua", "Parfum", "CI 00000"]
    assert swaps_of(parts, amounts) == ()


def shares(rng: Random, count: int) -> list[list[float]]:
    """Return low, typical, high of substances whose typical shares sum to 100."""
    cuts = sorted(rng.uniform(0, 100) for _ in range(count - 1))
    typical = [b - a for a, b in zip([0.0, *cuts], [*cuts, 100.0], strict=True)]
    wide = rng.choice((0.0, 0.05, 0.3))
    return [[max(0.0, t - rng.uniform(0, wide) * t), t, min(100.0, t + rng.uniform(0, wide) * t)] for t in typical]


def lot(rng: Random, part: Dosed) -> dict[str, float]:
    """Return shares of one lot: within their ranges, together 100."""
    rest = list(part.material.substances)
    rng.shuffle(rest)
    left, drawn = 100.0, {}
    while rest:
        s = rest.pop()
        low = max(s.low, left - sum(o.high for o in rest))
        high = min(s.high, left - sum(o.low for o in rest))
        value = rng.choice((low, high, rng.uniform(low, high)))
        drawn[s.inci] = value
        left -= value
    return drawn


def drawn_parts(rng: Random) -> tuple[Dosed, ...]:
    """Return a random product of five materials that share names."""
    names = ["Aqua", *"ABCDEFG"]
    parts = []
    for number in range(5):
        chosen = rng.sample(names, rng.randint(1, 4))
        made = material(f"m{number}", *(held(n, *s) for n, s in zip(chosen, shares(rng, len(chosen)), strict=True)))
        parts.append(Dosed(made, rng.uniform(0.2, 12)))
    return tuple(parts)


@settings(CI, max_examples=drawn(50, of=150))
@given(st.integers(0, 10**6))
def test_the_printed_order_holds_for_every_lot_unless_it_is_marked(seed: int) -> None:
    rng = Random(seed)
    parts = drawn_parts(rng)
    amounts = substances_of(parts)
    marked = {(s.first, s.second) for s in swaps_of(parts, amounts)}
    for _ in range(20):
        lots = [lot(rng, part) for part in parts]
        share = {
            a.inci: sum(p.percent * shares_.get(a.inci, 0) / 100 for p, shares_ in zip(parts, lots, strict=True))
            for a in amounts
        }
        for a in amounts:
            assert a.low - 1e-9 <= share[a.inci] <= a.high + 1e-9
        for place, first in enumerate(amounts):
            for second in amounts[place + 1 :]:
                wrong = share[second.inci] >= 1 and share[second.inci] > share[first.inci] + 1e-7
                assert not wrong or (first.inci, second.inci) in marked


def test_a_marked_pair_can_swap() -> None:
    """Marks are not given away: with two substances of one material each, the swap is shown by the end lots."""
    rng = Random(5)
    for _ in range(100):
        parts = tuple(
            Dosed(material(n.lower(), held(n, *s), held("Aqua", *(100 - x for x in reversed(s)))), rng.uniform(1, 20))
            for n, s in (("A", shares(rng, 2)[0]), ("B", shares(rng, 2)[0]))
        )
        amounts = {a.inci: a for a in substances_of(parts)}
        for s in swaps_of(parts, tuple(amounts.values())):
            if "Aqua" not in (s.first, s.second):
                assert amounts[s.second].high >= 1
                assert amounts[s.second].high > amounts[s.first].low


# --- Plan, lots, as made -------------------------------------------------------------------------------------


def test_a_plan_says_what_is_not_in_yet() -> None:
    label = planned()
    assert label.basis == "plan"
    assert "Citric Acid" in label.pending
    assert "Citric Acid" not in label.line
    text = markdown(label_document(label))
    assert "not everything is in yet" in text
    assert "4 % kept free for Citric Acid" in text
    assert sum(a.typical for a in label.amounts) == pytest.approx(96)


def test_what_was_made_counts_everything() -> None:
    made = {**DOSES, "citric-acid": 0.3}
    made["aqua"] = 100 - sum(made.values())
    label = label_of(hand_wash(), formula_at(hand_wash().pool, DOSES), made=made)
    whole = planned(held_back=0.0, **{"citric-acid": 0.3})
    assert label.basis == "made"
    assert label.line == whole.line
    assert label.amounts == whole.amounts
    assert "Citric Acid" in label.line
    assert not label.pending
    assert sum(a.typical for a in label.amounts) == pytest.approx(100)


def test_what_was_made_must_be_known_and_whole() -> None:
    formula = formula_at(hand_wash().pool, DOSES)
    with pytest.raises(DataError, match="citric-acid"):
        label_of(hand_wash(), formula, made={"citric-acit": 1.0, "aqua": 99.0})
    with pytest.raises(DataError, match="sum to 98 %"):
        label_of(hand_wash(), formula, made={"aqua": 98.0})
    with pytest.raises(DataError, match="-1 % is not a dose"):
        label_of(hand_wash(), formula, made={"aqua": 101.0, "glycerin": -1.0})


def batch(*weighed: dict[str, Any]) -> Batch:
    rest = 100 - sum(DOSES.values())
    lines = [{"material": m, "percent": p} for m, p in {**DOSES, "aqua": rest}.items()]
    plain = {"batch": "HH-1", "brief": "hand-wash", "size_g": 1000, "bottle_ml": 250, "line": lines}
    return batch_from({**plain, "weighed": list(weighed)}, "test")


def test_weighed_lots_replace_the_ranges() -> None:
    """By hand: 60 g of a 26 % and 60 g of a 30 % lot at a dose of 12 % hold 3.36 % of the product."""
    name = "sodium-laureth-sulfate-2eo-28"
    lots = batch(
        {"material": name, "grams": 60, "lot": "A", "lot_active_percent": 26},
        {"material": name, "grams": 60, "lot": "B", "lot_active_percent": 30},
        {"material": "glycerin", "grams": 20},
    )
    parts = parts_of(formula_at(hand_wash().pool, DOSES), lots)
    amount = next(a for a in substances_of(parts) if a.inci == "Sodium Laureth Sulfate")
    assert (amount.low, amount.typical, amount.high) == pytest.approx((3.36, 3.36, 3.36))
    with pytest.raises(DataError, match="is it a fraction"):
        parts_of(formula_at(hand_wash().pool, DOSES), batch({"material": name, "grams": 1, "lot_active_percent": 0.28}))


# --- Allergens -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content", "dose", "percent", "rinse_off", "leave_on"),
    [
        # "Allergen calculation", label help page of an ingredient seller (page, name withheld): printed 0.504 %
        ("Benzyl Alcohol", 2.8, 18, 0.504, "certain", "certain"),
        # same page: linalool 38 % in an oil at 1.2 %, printed 0.456 %
        ("Linalool", 38, 1.2, 0.456, "certain", "certain"),
        # same page: the text says 0.3 % cinnamal, the sum printed beside it (0.00072 %) uses 0.06 %
        ("Cinnamal", 0.3, 1.2, 0.0036, "below", "certain"),
        ("Cinnamal", 0.06, 1.2, 0.00072, "below", "below"),
        # arithmetic on thresholds of Regulation (EU) 2023/1545: limonene 3 % in a perfume at 0.5 and 0.3 %
        ("Limonene", 3, 0.5, 0.015, "certain", "certain"),
        ("Limonene", 3, 0.3, 0.009, "below", "certain"),
    ],
)
def test_published_allergen_sums(
    name: str, content: float, dose: float, percent: float, rinse_off: str, leave_on: str
) -> None:
    parts = [Dosed(perfume(**{name: [content] * 3}), dose)]
    assert found(parts, name).typical == pytest.approx(percent)
    assert found(parts, name).verdict == rinse_off
    assert found(parts, name, "leave-on").verdict == leave_on


def test_the_printed_mistake_changes_the_label() -> None:
    """The page's own inputs ask for cinnamal on a leave-on label, its printed sum does not."""
    stated, used = (found([Dosed(perfume(Cinnamal=[x] * 3), 1.2)], "Cinnamal", "leave-on") for x in (0.3, 0.06))
    assert (stated.verdict, used.verdict) == ("certain", "below")


def test_an_allergen_is_added_up_over_materials() -> None:
    """By hand: 0.4 % x 1.5 % and 0.2 % x 3 % are 0.006 % each: only together above 0.01 %."""
    oil = material("oil", held("Oil X", 100), function="essential oil", allergens={"Linalool": [1.5] * 3})
    both = [Dosed(perfume(Linalool=[3] * 3), 0.2), Dosed(oil, 0.4)]
    assert found(both, "Linalool").typical == pytest.approx(0.012)
    assert found(both, "Linalool").verdict == "certain"
    assert {s.material.id for s in found(both, "Linalool").sources} == {"oil", "perfume"}
    assert found(both[:1], "Linalool").verdict == "below"


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [(0.011, 0.02, "certain"), (0.005, 0.02, "possible"), (0.01, 0.02, "possible"), (0.005, 0.01, "below")],
)
def test_a_range_that_straddles_the_threshold_is_possible(low: float, high: float, verdict: str) -> None:
    assert judged(low, high, 0.01) == verdict


def test_a_listed_substance_counts_even_as_preservative() -> None:
    """Regulation (EC) No 1223/2009, Annex III entry 45: benzyl alcohol counts whatever it is used for."""
    label = planned(parfum=0.0)
    benzyl = next(a for a in label.allergens if a.name == "Benzyl Alcohol")
    assert benzyl.verdict == "certain"
    assert benzyl.typical == pytest.approx(0.5 * 0.99)
    assert label.line.count("Benzyl Alcohol") == 1


def test_a_stated_figure_is_not_counted_twice() -> None:
    one = material("m", held("Benzyl Alcohol", 90), held("Aqua", 10), allergens={"Benzyl Alcohol": [90, 90, 90]})
    assert found([Dosed(one, 1)], "Benzyl Alcohol").typical == pytest.approx(0.9)


def test_a_whole_oil_counts_under_its_name_on_the_list() -> None:
    oil = material("oil", held("Lavandula Angustifolia Oil", 100), function="essential oil")
    whole = found([Dosed(oil, 0.1)], "Lavandula Oil/Extract")
    assert (whole.typical, whole.listed_as) == (pytest.approx(0.1), "Lavandula Angustifolia Oil")


def test_missing_and_doubtful_sheets_are_told() -> None:
    bare = material("scent", held("Parfum", 100), function="perfume")
    none = material("quiet", held("Parfum", 100), function="perfume", allergens={})
    typo = material("typo", held("Parfum", 100), function="perfume", allergens={"Limonen": [1, 1, 1]})
    wishes = sheet_wishes([Dosed(m, 1) for m in (bare, none, typo)], lists())
    assert len(wishes) == 2
    assert wishes[0].startswith("scent: no allergen figures. Ask the supplier for the allergen sheet")
    assert wishes[1] == "typo: 'Limonen' is on no list known here. Did you mean 'Limonene'?"
    assert any("placeholder" in w for w in planned().wishes)


def test_lists_hold_24_and_56_names() -> None:
    """Regulation (EU) 2023/1545 as summarised: 24 before, 56 added, about 80 in all."""
    old, new = lists()
    assert (old.id, len(set(old.names))) == ("eu-2003", 24)
    assert (new.id, len(set(new.names))) == ("eu-2023", 56)
    assert not set(old.names) & set(new.names)
    assert {(a.rinse_off_above, a.leave_on_above) for a in lists()} == {(0.01, 0.001)}
    assert "31 Jul 2026" in new.note
    assert "31 Jul 2028" in new.note


def test_allergen_figures_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="the allergen Linalool are not in the order"):
        perfume(Linalool=[3, 2, 4])


def test_a_perfume_whose_figures_hold_an_allergen_carries_its_caution_without_a_key() -> None:
    scent, quiet = perfume(Linalool=[1, 2, 3]), perfume(Linalool=[0, 0, 0])
    text = read_library([shipped("library")]).cautions["allergen"]
    asked, none = (cautions_from([m], read_library([shipped("library")])) for m in (scent, quiet))
    assert asked["allergen"].text == text
    assert asked["allergen"].materials == (scent.name,)
    assert "allergen" not in none


def test_possible_allergens_are_printed_to_be_safe() -> None:
    label = planned(parfum=0.3)  # limonene 0.003 to 0.018 %
    assert label.line.endswith("Potassium Sorbate, Limonene, Linalool") or label.line.endswith("Limonene, Linalool")
    assert "Citronellol" not in label.line


# --- Natural origin ------------------------------------------------------------------------------------------


def test_published_natural_origin_sum() -> None:
    """Maker's page on ISO 16128 (name withheld): 50 at 1.0, 25 at 0.8, 23 water, 2 at 0 are 93 %; 90.9 % without."""
    parts = [
        Dosed(material("a", held("A", 100, natural=[1, 1])), 50),
        Dosed(material("b", held("B", 100, natural=[0.8, 0.8])), 25),
        Dosed(material("w", held("Aqua", 100, natural=[1, 1])), 23),
        Dosed(material("c", held("C", 100, natural=[0, 0])), 2),
    ]
    wet, dry = natural_of(parts)
    assert dry is not None
    assert (wet.low, wet.declared, wet.high) == pytest.approx((93, 93, 93))
    assert (dry.low, dry.declared, dry.high) == pytest.approx((100 * 70 / 77,) * 3)


def test_the_declared_content_is_that_of_the_rule() -> None:
    label = planned()
    for with_water, origin in ((True, label.natural), (False, label.natural_dry)):
        assert origin is not None
        rule = Natural(id="natural", with_water=with_water)
        assert origin.declared == pytest.approx(rule.value(label.formula, Setting()))
        assert origin.low <= origin.declared <= origin.high


def test_the_range_of_natural_content_is_met_by_lots_and_not_passed() -> None:
    """Two materials of two substances each: the extreme lots are tried one by one."""
    one = material("a", held("A", 30, 40, 60, natural=[0.2, 0.9]), held("Aqua", 40, 60, 70))
    two = material("b", held("B", 80, 90, 95, natural=[1, 1]), held("C", 5, 10, 20, natural=[0, 0.1]))
    wet, dry = natural_of([Dosed(one, 50), Dosed(two, 10)], 2)
    assert dry is not None
    ends = []
    for a in (30, 60):
        for b in (80, 95):
            for index, rest in ((0, 0.0), (1, 2.0)):
                natural = 50 * a / 100 * (0.2, 0.9)[index] + 10 * (b + (100 - b) * (0, 0.1)[index]) / 100 + rest
                water = 50 * (100 - a) / 100
                ends.append(((natural + water) / 62 * 100, natural / (62 - water) * 100))
    assert (wet.low, wet.high) == pytest.approx((min(e[0] for e in ends), max(e[0] for e in ends)))
    assert (dry.low, dry.high) == pytest.approx((min(e[1] for e in ends), max(e[1] for e in ends)))


def test_nothing_but_water_has_no_content_without_it() -> None:
    wet, dry = natural_of([Dosed(material("w", held("Aqua", 100)), 100)])
    assert wet.declared == pytest.approx(100)
    assert dry is None


# --- Content -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("nominal", "error", "none_below"),
    [
        # Directive 76/211/EEC, Annex I, 2.4; every row of the table, and both sides of its breaks
        (250, 9, 232), (400, 12, 376), (30, 2.7, 24.6), (50, 4.5, 41), (75, 4.5, 66), (100, 4.5, 91), (150, 6.8, 136.4),
        (200, 9, 182), (300, 9, 282), (500, 15, 470), (750, 15, 720), (1000, 15, 970), (5000, 75, 4850),
        (10000, 150, 9700), (5, 0.5, 4),
    ],
)  # fmt: skip
def test_tolerable_errors(nominal: float, error: float, none_below: float) -> None:
    content = content_of(nominal, "ml", 1.0)
    assert tolerable_error(nominal) == pytest.approx(error)
    assert content.none_below == pytest.approx(none_below)
    assert content.few_below == pytest.approx(nominal - error)


def test_mass_needs_a_measured_density() -> None:
    assert content_of(250, "ml").grams(250) is None
    assert content_of(250, "ml", 1.02).grams(250) == pytest.approx(255)
    assert content_of(250, "g").grams(232) == 232


def test_outside_the_e_mark() -> None:
    for nominal in (4.9, 10_001):
        content = content_of(nominal, "g")
        assert not content.e_mark
        assert content.few_below is None
        with pytest.raises(ValueError, match="outside 5 to 10 000"):
            tolerable_error(nominal)
    assert not content_of(4.9, "ml").must_be_stated


@pytest.mark.parametrize(
    ("text", "nominal", "unit"),
    [("250", 250, "ml"), ("0,5 l", 500, "ml"), ("1 L", 1000, "ml"), ("500 g", 500, "g"), ("1.5kg", 1500, "g")],
)
def test_contents_are_read_as_people_write_them(text: str, nominal: float, unit: str) -> None:
    content = read_content(text)
    assert (content.nominal, content.unit) == (nominal, unit)


@pytest.mark.parametrize("text", ["", "0", "-5", "250 oz", "3 bottles", "1e99", "9" * 20])
def test_other_contents_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--bottle"):
        read_content(text)


# --- Pack, documents, command --------------------------------------------------------------------------------


def test_the_pack_holds_figures_sources_and_ceilings(tmp_path: Path) -> None:
    label = planned()
    write_pack(tmp_path / "pack.xlsx", label)
    book = load_workbook(tmp_path / "pack.xlsx")
    assert book.sheetnames == ["substances", "allergens", "raw materials", "about"]
    heads, *rows = book["substances"].iter_rows(values_only=True)
    benzoate = dict(zip(heads, next(r for r in rows if r[0] == "Sodium Benzoate"), strict=True))
    assert benzoate["CAS"] == "532-32-1"
    assert benzoate["% typical"] == pytest.approx(0.495)
    assert (
        "of at most 2.5 % as acid (law, EU Annex V/1, (EC) 1223/2009, as read 2026-06-17)"
        in benzoate["ceilings that apply"]
    )
    assert "Regulation (EC) No 1223/2009, Annexes II, III and V as the European Commission" in benzoate["sources"]
    assert "0.5 % Sodium Benzoate that holds 98-100 %" in benzoate["contained in"]
    betaine = dict(zip(heads, next(r for r in rows if r[0] == "Cocamidopropyl Betaine"), strict=True))
    assert "as measured on the lot" in betaine["sources"]  # the shelf states 29.6 % for lot QN-2231
    assert "as measured on the lot" not in benzoate["sources"]
    with pytest.raises(DataError, match="exists"):
        write_pack(tmp_path / "pack.xlsx", label)
    with pytest.raises(UsageError, match="must end in"):
        write_pack(tmp_path / "pack.pdf", label)


@pytest.mark.parametrize("text", ["=1+2", "+1", "-1", "@sum", "\t=1", "\x01=1"])
def test_cells_are_never_formulas(tmp_path: Path, text: str) -> None:
    odd = material("odd", held(text, 100)).model_copy(update={"name": text})
    label = planned()
    parts = (Dosed(odd, 100),)
    changed = Label(**{**vars(label), "parts": parts, "amounts": substances_of(parts), "name": text})
    write_pack(tmp_path / "p.csv", changed)
    with (tmp_path / "p.csv").open(encoding="utf-8", newline="") as stream:
        assert list(csv.reader(stream))[1][0] == "'" + text.strip().lstrip("\x01").strip()
    write_pack(tmp_path / "p.xlsx", changed)
    for sheet in load_workbook(tmp_path / "p.xlsx"):
        for row in sheet.iter_rows():
            assert not any(c.data_type == "f" or str(c.value or "").startswith(("=", "+", "-", "@")) for c in row)


def test_an_exceeded_law_is_not_ready() -> None:
    label = planned(held_back=0.0, **{"benzyl-alcohol": 1.2})
    met = next(m for m in label.ceilings if m.ceiling.id == "eu-annex-v-34-benzyl-alcohol")
    assert met.exceeded
    document = label_document(label)
    assert "a legal ceiling is exceeded" in document.verdict
    assert not document.good
    kept = next(m for m in planned().ceilings if m.ceiling.id == "eu-annex-v-34-benzyl-alcohol")
    assert not kept.exceeded


def test_the_record_is_what_its_schema_says() -> None:
    label = planned()
    told = record(label)
    again = type(told).model_validate(json.loads(told.model_dump_json()))
    assert again.ingredients == label.line
    assert again.not_in_yet_percent == 4
    assert [s.inci for s in again.substances] == [a.inci for a in label.amounts]


def run(*words: str) -> str:
    done = CliRunner().invoke(app, list(words))
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture
def batch_file(tmp_path: Path) -> Path:
    path = tmp_path / "batch.toml"
    values = batch({"material": "glycerin", "grams": 20, "lot": "G-7", "lot_active_percent": 99}).model_dump(
        mode="json", by_alias=True, exclude_defaults=True, exclude_none=True
    )
    path.write_text(tomlkit.dumps(values), encoding="utf-8")
    return path


def test_the_command_on_a_scenario_a_formula_and_a_batch(tmp_path: Path, batch_file: Path) -> None:
    pack = tmp_path / "pack.csv"
    text = run("label", "hand-wash", "--bottle", "250", "--density", "1.02", "--assessor", str(pack), "--markdown")
    assert "255 g" in text
    assert "[nano]" in text.replace("\\", "")
    assert pack.read_text(encoding="utf-8").startswith("INCI,CAS,")
    formula = tmp_path / "f.csv"
    formula.write_text("material,percent\nglycerin,5\nparfum,0.5\naqua,94.5\n", encoding="utf-8")
    record = json.loads(run("label", str(formula), "--for", "hand-wash", "--json"))
    assert (
        record["ingredients"]
        == "Ingredients: Aqua, Glycerin, Parfum, Limonene, Linalool, Linalyl Acetate, Hexyl Cinnamal"
    )
    assert record["basis"] == "formula"
    batched = json.loads(run("label", str(batch_file), "--json"))
    assert batched["content"]["nominal"] == 250
    assert batched["content"]["fill_g"] is None
    glycerin = next(s for s in batched["substances"] if s["inci"] == "Glycerin")
    assert glycerin["low"] == glycerin["high"] == pytest.approx(1.98)
    told = run("label", str(batch_file), "--markdown")
    assert "measure the density at 20 °C" in told
    assert batched["basis"] == "made"
    assert "what the batch file records is not counted" not in told


def test_a_batch_label_of_what_was_made_counts_the_records() -> None:
    lots = batch({"material": "glycerin", "grams": 20, "lot_active_percent": 99})
    brief, formula = hand_wash(), formula_at(hand_wash().pool, DOSES)
    assert label_of(brief, formula, batch=lots).not_counted
    made = {"glycerin": 3.0, "aqua": 97.0}
    label = label_of(brief, formula, batch=lots, made=made)
    assert not label.not_counted
    assert next(a.typical for a in label.amounts if a.inci == "Glycerin") == pytest.approx(2.97)


def test_density_alone_is_refused() -> None:
    with pytest.raises(UsageError, match="state --bottle too"):
        CliRunner().invoke(app, ["label", "hand-wash", "--density", "1.02"], catch_exceptions=False)


def test_a_leave_on_product_has_stricter_thresholds_and_ceilings() -> None:
    text = run("label", "hand-wash", "--set", "use=leave-on", "--markdown")
    assert "above 0.001 % in leave-on" in text
    assert (
        "of at most 0.5 % as acid (law, EU Annex V/1, (EC) 1223/2009, as read 2026-06-17)" in text
    )  # Annex V entry 1, leave-on
    assert text.index("Leave-on stays on the skin") < text.index("List of ingredients")
    assert "Citronellol" in text.split("Substances by weight")[0]  # 0.0006 to 0.0045 %: possible, so it is printed


@pytest.mark.parametrize("find", [lambda a: a.jobs, lambda a: a.carriers])
def test_every_substance_says_why_and_whence(find: Callable[[SubstanceAmount], tuple[Any, ...]]) -> None:
    assert all(find(a) for a in planned().amounts)


def test_placeholder_names_stand_in_the_to_do_list(tmp_path: Path) -> None:
    table = tmp_path / "f.csv"
    table.write_text("material,percent\naqua,87\nhydrosol,10\nplant-extract,3\n", encoding="utf-8")
    told = json.loads(ask("label", str(table), "--for", "hand-wash", "--json").out)
    assert any("the INCI name 'Lavandula Angustifolia Flower Water" in wish for wish in told["ask"])
    assert sum("is a placeholder. Write the supplier's" in wish for wish in told["ask"]) == 2
    assert "INCI names or allergen figures are missing or placeholders" in " ".join(
        ask("label", str(table), "--for", "hand-wash").out.split()
    )

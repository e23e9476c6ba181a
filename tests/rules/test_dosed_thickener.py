"""A thickener that is in the formula is a way to thicken, in rows and measure alike; polymers go into the water.

Usual doses and windows are the shipped library's: hydroxyethylcellulose 0.3 to 2 %, pH 3 to 11. Prices are made up.
"""

from __future__ import annotations

from typing import Any

import pytest

from optimizer.bench.batch import batch_from
from optimizer.bench.steps import parts_of
from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.library import read_library
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.files import shipped
from optimizer.rules.row import Setting
from optimizer.rules.thickening import Thickening
from optimizer.solve.best import solve
from optimizer.solve.existing import formula_at
from optimizer.studies.check import check
from optimizer.studies.restandardise import BatchAsked, restandardise

LIBRARY = read_library([shipped("library")])
GUM, LIQUID = "hydroxyethylcellulose", "peg-18-glyceryl-oleate-cocoate"
PRICES = {"aqua": 0.0, "decyl-glucoside": 4.6, "cocamidopropyl-betaine": 2.7, GUM: 20.0, LIQUID: 12.0}
RULE = Thickening(id="thickening")
WASH = {"decyl-glucoside": 12.0, "cocamidopropyl-betaine": 12.0}


def low_of(name: str) -> float:
    thickener = LIBRARY.by_id[name].thickener
    assert thickener is not None
    return thickener.use[0]


def brief_of(**more: Any) -> Brief:
    rules = [{"id": "thickening", "kind": "thickening"}, {"id": "active", "kind": "active", "at_least": 9}]
    table = {"name": "gel", "ph": {"low": 5.0, "high": 6.0}, "rule": rules, **more}
    lines = [
        ShelfLine.model_validate({"row": n, "material": k, "price_per_kg": p})
        for n, (k, p) in enumerate(PRICES.items())
    ]
    return make_brief(scenario_from(table, "made up"), LIBRARY, Shelf(where="shelf", lines=tuple(lines)))


def doses_of(**more: float) -> dict[str, float]:
    doses = {**WASH, **more}
    return {**doses, "aqua": 100 - sum(doses.values())}


@pytest.mark.parametrize(
    ("doses", "ways"),
    [
        ({}, 0),
        ({GUM: low_of(GUM)}, 1),
        ({GUM: low_of(GUM) / 2}, 0),
        ({GUM: low_of(GUM) / 2, LIQUID: low_of(LIQUID) / 2}, 1),  # together one usual lower dose
        ({GUM: low_of(GUM), LIQUID: low_of(LIQUID)}, 2),
    ],
)
def test_dosed_thickeners_are_counted(doses: dict[str, float], ways: int) -> None:
    brief = brief_of()
    assert RULE.value(formula_at(brief.pool, doses_of(**doses)), Setting(5.5, 5.3, 5.7)) == ways


def test_one_outside_its_window_is_no_way() -> None:
    brief = brief_of()
    assert RULE.value(formula_at(brief.pool, doses_of(**{GUM: 1.0})), Setting(11.5, 11.3, 11.7)) == 0


def test_a_fixed_polymer_makes_a_brief_possible() -> None:
    """Nothing is held back and glucosides do not answer to salt: the gum in the formula is the only way."""
    found = solve(brief_of(fixed={GUM: 0.8}))
    assert found.ending == "optimal"
    assert found.proof == "certificate"


def test_the_cheapest_way_to_thicken_is_bought_if_there_is_no_other() -> None:
    """Per usual lower dose the dearer gum is cheaper or dearer: by hand."""
    cheapest = min(PRICES[n] * low_of(n) / 100 for n in (GUM, LIQUID))
    rules = [{"id": "active", "kind": "active", "at_least": 9}, {"id": "salt", "kind": "salt", "at_most": 5}]
    without = solve(brief_of(rule=rules))
    found = solve(brief_of())
    assert found.objective == pytest.approx(without.objective + cheapest, abs=2e-3)
    assert RULE.value(found.formula, found.setting) >= 1  # type: ignore[arg-type]


def test_check_and_lots_agree_that_a_formula_with_its_thickener_is_whole() -> None:
    brief, doses = brief_of(), doses_of(**{GUM: 0.8})
    assert check(brief, doses, 0.0).broken == ()
    done = restandardise(brief, doses, {"cocamidopropyl-betaine": 29.0}, BatchAsked(kg=1.0, step=0.1))
    assert done.conflict == ()
    assert done.weighed is not None


def test_a_polymer_that_is_held_back_is_told_with_the_water() -> None:
    known = LIBRARY.by_id
    line = [{"material": n, "percent": p} for n, p in doses_of().items()]
    batch = batch_from({"batch": "T", "brief": "hand-wash", "size_g": 1000.0, "line": line}, "t")
    steps = parts_of(batch, {n: known[n] for n in batch.doses}, (known[GUM], known[LIQUID]))
    told = {step.title: step for step in steps}
    assert "out of the part held back, and not at the end" in told["Gum or polymer, hydrated"].do[0]
    assert [m.id for m in told["Thickening"].later] == [LIQUID]
    assert not any(known[GUM].name in line for line in told["Thickening"].do)


@pytest.mark.parametrize(
    ("held", "salt", "open_"), [(0, 0.0, False), (0.1, 0.0, False), (0.2, 0.0, True), (0, 0.3, True)]
)
def test_salt_is_a_way_only_with_room_for_it_or_with_it_in_the_formula(held: float, salt: float, open_: bool) -> None:
    """A salt curve begins at 0.2 %: what is kept free holds as much, or the formula does; by hand."""
    lines = [
        ShelfLine.model_validate({"row": n, "material": k, "price_per_kg": 1.0})
        for n, k in enumerate(("aqua", "sodium-laureth-sulfate-2eo-28", "cocamidopropyl-betaine", "sodium-chloride"))
    ]
    table = {
        "name": "salted",
        "held_back": {"percent": held},
        "fixed": {"sodium-chloride": salt} if salt else {},
        "pool": {} if salt else {"without": ["sodium-chloride"]},
        "rule": [
            RULE.model_dump(exclude_unset=True) | {"kind": "thickening"},
            {"id": "active", "kind": "active", "at_least": 12},
        ],
    }
    brief = make_brief(scenario_from(table, "made up"), LIBRARY, Shelf(where="shelf", lines=tuple(lines)))
    doses = {"sodium-laureth-sulfate-2eo-28": 36.0, "cocamidopropyl-betaine": 8.0, "sodium-chloride": salt}
    formula = formula_at(brief.pool, {**doses, "aqua": 100 - held - sum(doses.values())})
    assert RULE.routes(formula, Setting()) == ["salt"] * open_
    assert (solve(brief).ending == "optimal") == open_

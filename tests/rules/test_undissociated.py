"""Undissociated acid: the rule against an own search over every pH, and the preservation of a formula."""

from __future__ import annotations

from itertools import product
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog

from optimizer.answers.subject import subject_of
from optimizer.assessment.preserving import preservation_of
from optimizer.brief.brief import Brief, load_brief
from optimizer.chemistry.preservation import WARNING
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.immutable import replace
from optimizer.rules import UndissociatedAcid
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import formula_at
from optimizer.studies.check import check
from optimizer.studies.explain import explain
from optimizer.sweep.family import Family
from optimizer.sweep.grid import crossed
from optimizer.sweep.source import unknown_keys
from tests.support.acids import PRICES, TOLERANCE, case
from tests.support.briefs import brief_of

SHARES = {  # share at the low end, mass of acid per mass, pKa at its low end
    "benzo": ((0.98, 122.12 / 144.11, 4.18),),
    "sorb": ((0.98, 112.13 / 150.22, 4.66),),
    "blend": ((0.2, 122.12 / 144.11, 4.18), (0.1, 112.13 / 150.22, 4.66)),
}
DAMP = 0.509 * 0.35**0.5 / (1 + 1.5 * 0.35**0.5)
"""-log10 of the activity coefficient of an ion at 0.35 mol/kg: Bates and Guggenheim, Pure Appl. Chem. 1 (1960) 163."""
WINDOWS = {"benzo": (3.0, 5.2), "sorb": (3.0, 5.8), "soap": (4.6, 8.0)}


def brief(*args: Any, **kwargs: Any) -> Brief:
    return brief_of(case(*args, **kwargs))


def least_cost(at_least: float, acid: str, low: float, high: float) -> float:
    """Return the least cost over a grid of pH, by scipy, with coefficients written out here."""
    names, best = list(PRICES), np.inf
    edges = [e + s * TOLERANCE for w in WINDOWS.values() for e in w for s in (1, -1)]
    grid = [low + TOLERANCE + 0.1 * k for k in range(60)]
    for target in sorted({round(t, 6) for t in [*grid, *edges, high - TOLERANCE]}):
        if not low + TOLERANCE - 1e-9 <= target <= high - TOLERANCE + 1e-9:
            continue
        top = target + TOLERANCE
        acids = np.zeros(len(names))
        for name, parts in SHARES.items():
            for share, mass, pka in parts:
                if acid in ("", {4.18: "Benzoic Acid", 4.66: "Sorbic Acid"}[pka]):
                    acids[names.index(name)] += share * mass / (1 + 10 ** (top - pka + DAMP))
        active = np.array([0.28 if n == "soap" else 0.0 for n in names])
        bounds = []
        for n in names:
            window = WINDOWS.get(n, (-np.inf, np.inf))
            fits = window[0] <= target - TOLERANCE + 1e-6 and top <= window[1] + 1e-6
            bounds.append((0.0, 100.0 if fits else 0.0))
        done = linprog(
            [PRICES[n] / 100 for n in names],
            A_ub=np.array([-acids, -active]),
            b_ub=[-at_least, -5.0],
            A_eq=np.ones((1, len(names))),
            b_eq=[100.0],
            bounds=bounds,
        )
        if done.success:
            best = min(best, done.fun)
    return float(best)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("at_least", "acid", "low"),
    [*product((0.02, 0.1, 0.4), ("", "Benzoic Acid", "sorbic acid"), (4.0, 5.0))],
)
def test_cost_is_that_of_an_own_search(at_least: float, acid: str, low: float) -> None:
    found = solve(brief(at_least, acid, low))
    wanted = least_cost(at_least, acid.title(), low, 7.0)
    assert found.ending == ("optimal" if wanted < np.inf else "infeasible")
    if found.formula is not None:
        assert found.objective == pytest.approx(wanted, abs=1e-7)
        rule = next(r for r in found.brief.modelled if isinstance(r, UndissociatedAcid))
        assert rule.value(found.formula, found.setting) >= at_least - 1e-6


def test_more_is_never_cheaper_and_the_price_says_by_how_much() -> None:
    costs = [solve(brief(x)).objective for x in (0.02, 0.05, 0.1, 0.2)]
    assert costs == sorted(costs)
    one = solve(brief(0.1, low=4.6, high=5.0))
    price = next(o.price for o in one.rules if o.id == "undissociated")
    more = solve(brief(0.101, low=4.6, high=5.0))
    assert (more.objective - one.objective) / 0.001 == pytest.approx(price, rel=1e-3)


def test_the_worse_end_and_the_low_pka_count() -> None:
    """At pKa 4.2 and pH 4.2 half is undissociated (J. Soc. Cosmet. Chem. 18 (1967) 207); here the low pKa 4.18."""
    pool = brief(0.1).pool
    rule = UndissociatedAcid(id="r", at_least=0.1, acid="Benzoic Acid", ionic_strength=0)
    formula = formula_at(pool, {"benzo": 1.0, "aqua": 99.0})
    acid = 0.98 * 122.12 / 144.11
    assert rule.value(formula, Setting(4.0, 3.8, 4.18)) == pytest.approx(acid / 2, abs=1e-12)
    typical = rule.model_copy(update={"pka": "typical"})
    assert typical.value(formula, Setting(4.0, 3.8, 4.2)) == pytest.approx(acid / 2, abs=1e-12)
    salty = rule.model_copy(update={"ionic_strength": 0.35})
    assert salty.value(formula, Setting(4.0, 3.8, 4.18)) == pytest.approx(acid / (1 + 10**DAMP), abs=1e-12)
    assert isnan(rule.value(formula, Setting())), "without a pH there is no telling"


def test_impossible_brief_names_the_rule() -> None:
    """Above pH 6.3 no preservative but the blend fits, and 100 % of it holds 0.003 % at pH 6.5 and more."""
    asked = brief(0.5, low=6.3)
    assert solve(asked).ending == "infeasible"
    told = explain(asked)
    assert "undissociated" in told.conflict


@pytest.mark.slow
def test_a_ph_that_makes_it_impossible_is_in_the_conflict_and_among_the_mends() -> None:
    """At a pKa of 4.18 pH 5 leaves 13 % of benzoic acid undissociated (J. Cosmet. Sci. 56 (2005) 361), salt 9.5 %."""
    typed = [("undissociated-acid.at_least", "0.367")]
    path = shipped("scenarios") / "hand-wash.toml"
    told = explain(load_brief(path, changes=typed))
    assert {"ph", "undissociated-acid"} <= set(told.conflict)
    assert solve(load_brief(path, changes=[*typed, ("ph.low", "4.6")])).ending == "optimal"
    changes = {(c.id, c.side): c for c in told.single_repairs}
    assert changes["ph", "low"].words == "pH at least 4.8 -> 4.6 pH"
    least = changes["undissociated-acid", "low"].words.split()[-2]
    for key, figure, ending in (
        ("ph.low", "4.61", "infeasible"),
        ("undissociated-acid.at_least", least, "optimal"),
        ("undissociated-acid.at_least", str(float(least) + 1e-4), "infeasible"),
    ):
        assert solve(load_brief(path, changes=[*typed, (key, figure)])).ending == ending, (key, figure)


def test_a_smaller_limit_is_taken_at_the_best_of_all_settings() -> None:
    """The most that any pH allows, by an own search: the least cost is known for less and infinite for more."""
    (change,) = (c for c in explain(brief(0.5, low=6.3)).single_repairs if c.side == "low" and c.id != "ph")
    assert least_cost(change.new, "", 6.3, 7.0) < np.inf
    assert least_cost(change.new + 1e-4, "", 6.3, 7.0) == np.inf


def test_without_the_ph_rule_all_of_the_acid_may_act() -> None:
    acids = 0.98 * 122.12 / 144.11
    (row,) = UndissociatedAcid(id="r", at_least=0.1, acid="Benzoic Acid").rows(brief(0.1).pool, Setting())
    assert row.doses[brief(0.1).pool.index["benzo"]] == pytest.approx(acids, abs=1e-12)


def test_a_range_varies_the_limit_as_any_other() -> None:
    asked = brief(0.1)
    key = "undissociated.at_least"
    frame = Family(asked, (key,)).solve(crossed([(key, (0.05, 0.1, 0.2, -1.0))]))
    found = [solve(brief(x)).objective for x in (0.05, 0.1, 0.2)]
    assert frame.objective[:3] == pytest.approx(found, abs=1e-9)
    assert not unknown_keys(asked, [key], "x")
    assert np.isnan(frame.objective[3]), "no limit below 0"


def test_what_mends_a_formula_outside_the_ph_keeps_the_acid_at_its_ph() -> None:
    """Outside its window the pH rule is broken; what is kept is kept at the pH of the formula, not at any."""
    asked = brief(0.1, low=6.0, high=7.0)
    asked = replace(asked, watched=())  # without the guard that a mended wash must be preserved
    found = check(asked, {"benzo": 2.0, "soap": 10.0, "aqua": 88.0}, 0.0)
    assert {"ph", "active", "undissociated"} <= set(found.broken)
    mend = next(m for m in found.mends if m.id == "undissociated")
    benzoic = 0.98 * 122.12 / 144.11 / (1 + 10 ** (found.setting.high - 4.18 + DAMP))
    sorbic = 0.98 * 112.13 / 150.22 / (1 + 10 ** (found.setting.high - 4.66 + DAMP))
    # sorbate holds more of its acid at this pH, so that less of it is added: at 9 per kg, in place of water
    assert mend.changed == ("sorb",)
    assert mend.cost == pytest.approx((0.1 - 2.0 * benzoic) / sorbic * 0.09, abs=1e-6)


def test_unknown_acid_and_missing_ph_are_told() -> None:
    with pytest.raises(DataError, match=r"there is no 'Benzoik Acid'\. Did you mean 'Benzoic Acid'"):
        brief(0.1, "Benzoik Acid")
    bare = case(0.1)
    del bare["scenario"]["ph"]
    with pytest.raises(DataError, match="depends on the pH, and the brief has none"):
        brief_of(bare)


# What a formula's preservatives amount to.


def formula_of(doses: dict[str, float], tmp_path: Path) -> Any:
    rows = "\n".join(f"{k},{v}" for k, v in doses.items())
    path = tmp_path / "f.csv"
    path.write_text(f"material,percent\n{rows}\naqua,q.s.\n", encoding="utf-8")
    return subject_of(str(path), against="hand-wash")


def test_salts_of_several_materials_add_up_as_acid(tmp_path: Path) -> None:
    """0.5 % benzoate is 0.4237 % acid, 0.5 % sorbate 0.3732 % (molar masses 122.12/144.10 and 112.13/150.22).

    Ceilings 2.5 % and 0.6 % as acid: Regulation (EC) No 1223/2009, Annex V entries 1 and 4. The library's benzoate is
    99 % pure, and a blend of 23 % benzoate and 13 % sorbate adds its own.
    """
    doses = {"sodium-benzoate": 0.5, "potassium-sorbate": 0.5, "sodium-benzoate-potassium-sorbate": 1.0}
    found = formula_of(doses, tmp_path)
    told = preservation_of(found.brief, found.formula, Setting(5.0, 4.8, 5.2))
    benzoic, sorbic = told.acids
    assert (benzoic.acid, sorbic.acid) == ("Benzoic Acid", "Sorbic Acid")
    assert benzoic.percent == pytest.approx(0.4237 * 0.99 + 0.23 * 122.12 / 144.11, abs=2e-4)
    assert sorbic.percent == pytest.approx(0.3732 * 0.99 + 0.13 * 112.13 / 150.22, abs=2e-4)
    assert len(benzoic.materials) == 2
    room = benzoic.ceilings[0]
    assert room.most == 2.5
    # Ceilings count the high end of the shares.
    assert room.used >= benzoic.percent
    assert room.room == pytest.approx(room.most - room.used)
    assert told.warning == WARNING


def test_undissociated_over_the_window(tmp_path: Path) -> None:
    """0.5 % sodium benzoate: 0.424 % as acid, of which 13 % is undissociated at pH 5 in water without salt.

    J. Cosmet. Sci. 56 (2005) 361. Here at the formula's own salt: 34.7 mmol/kg of benzoate (144.1 g/mol, 99 % pure) and
    10.4 of citric acid that is yet to come (0.2 % of 192.12 g/mol, common practice), 45.1 together.
    """
    found = formula_of({"sodium-benzoate": 0.505}, tmp_path)
    told = preservation_of(found.brief, found.formula, Setting(5.0, 4.8, 5.2))
    (acid,) = told.acids
    assert told.ionic_strength.typical == pytest.approx(0.0451, abs=2e-4)

    def left(share: float, ionic: float) -> float:
        return acid.percent / (1 + 10 ** (share + 0.509 * ionic**0.5 / (1 + 1.5 * ionic**0.5)))

    assert acid.undissociated.typical == pytest.approx(left(5.0 - 4.2, 0.0451), rel=1e-3)
    assert acid.undissociated.low == pytest.approx(left(5.2 - 4.18, told.ionic_strength.high))
    assert acid.undissociated.high == pytest.approx(left(4.8 - 4.21, told.ionic_strength.low))
    assert acid.undissociated.typical < acid.percent / (1 + 10 ** (5.0 - 4.2)), "salt takes some away"


def test_the_figures_of_the_hand_wash_are_those_at_its_own_salt() -> None:
    """0.134 mol/kg of dissolved salt: 0.045 % of benzoic, 0.067 % of sorbic acid at pH 5, by hand; not 0.057, 0.081."""
    found = subject_of("hand-wash")
    told = preservation_of(found.brief, found.formula, found.setting)
    assert told.ionic_strength.typical == pytest.approx(0.134, abs=0.001)
    assert [round(a.undissociated.typical, 3) for a in told.acids] == [0.045, 0.067]


def test_without_a_target_nothing_is_claimed(tmp_path: Path) -> None:
    found = formula_of({"sodium-benzoate": 0.5}, tmp_path)
    assert preservation_of(found.brief, found.formula, Setting()).acids == ()


def test_exclusion_that_applies_is_named(tmp_path: Path) -> None:
    """The 3:1 mixture and methylisothiazolinone alone exclude each other: Regulation (EU) No 1003/2014."""
    mixture = "methylchloroisothiazolinone-methylisothiazolinone"
    both = formula_of({mixture: 0.05, "methylisothiazolinone": 0.01}, tmp_path)
    told = preservation_of(both.brief, both.formula, Setting(5.0, 4.8, 5.2))
    assert any(one.broken for one in told.exclusions)


def test_each_ph_has_the_preservative_that_is_best_at_it() -> None:
    """One preservative only: benzoate at the lower pH, sorbate at the higher; costs by the equation of the rule.

    What is chosen at one pH may not be carried over to another at which the rows differ. Made-up prices.
    """
    drawn = case(0.1, low=4.0, high=5.2)
    drawn["materials"] = [
        {**m, "ph_stable": [3.0, 8.0]} for m in drawn["materials"] if m["id"] in ("benzo", "sorb", "aqua")
    ]
    prices = {"benzo": 4.0, "sorb": 8.0}
    drawn["shelf"] = [{"material": name, "price_per_kg": price} for name, price in prices.items()]
    one = {"id": "one", "kind": "count", "of": ["benzo", "sorb"], "at_most": 1}
    drawn["scenario"]["rule"] = [drawn["scenario"]["rule"][1], one]
    result = solve(brief_of(drawn))
    assert len(result.settings) > 1
    best = set()
    for told in result.settings:
        costs = {}
        for name, price in prices.items():
            ((share, as_acid, pka),) = SHARES[name]
            per_unit = share * as_acid / (1 + 10 ** (told.last + TOLERANCE - pka + DAMP))
            costs[name] = 0.1 / per_unit * price / 100
        assert told.objective == pytest.approx(min(costs.values()), rel=1e-6)
        best.add(min(costs, key=costs.__getitem__))
    assert best == {"benzo", "sorb"}

"""The electrolyte budget against sums by hand."""

from __future__ import annotations

import pytest

from optimizer.assessment.electrolyte import ACID_ALLOWANCE, ORIGINS, USUAL_LIMIT, Budget, electrolyte_of
from tests.support.benches import library, situation

DOSES = {
    "sodium-laureth-sulfate-2eo-70": 10.0,
    "cocamidopropyl-betaine": 8.0,
    "sodium-benzoate": 0.5,
    "potassium-sorbate": 0.3,
    "sodium-citrate": 0.2,
    "tetrasodium-glutamate-diacetate": 0.1,
    "polyquaternium-10": 0.2,
    "sodium-chloride": 0.4,
}


def budget_of(doses: dict[str, float] = DOSES, acids: tuple[str, ...] = (), **more: float) -> Budget:
    return electrolyte_of(situation(doses, acids=acids).formula, **more)


def test_every_origin_against_sums_by_hand() -> None:
    """Shares of the shipped library; sums by hand: 8 x 5.1 %, 10 x 0.3 %, 0.2 x 1 % and so on."""
    budget = budget_of()
    found = {p.origin: p.percent.typical for p in budget.parts}
    assert found == pytest.approx(
        {
            ORIGINS[0]: 8 * 0.051,
            ORIGINS[1]: 10 * 0.003,
            ORIGINS[2]: 0.2 * 0.01,
            ORIGINS[3]: 0.5 * 0.99 + 0.3 * 0.99,
            ORIGINS[4]: 0.2 * 0.995,
            ORIGINS[5]: 0.1 * 0.47,
            ORIGINS[7]: 0.4 * 0.995,
        }
    )
    assert [p.origin for p in budget.parts] == [o for o in ORIGINS if o in found]
    assert budget.total.typical == pytest.approx(sum(found.values()))
    assert budget.left.typical == pytest.approx(USUAL_LIMIT - sum(found.values()))


def test_ends_come_from_the_printed_ranges() -> None:
    """Betaine 4.33 to 5.86 % salt, laureth sulfate 0.26 to 0.34 % (library shares)."""
    budget = budget_of({"cocamidopropyl-betaine": 10.0, "sodium-laureth-sulfate-2eo-70": 10.0})
    assert budget.total.low == pytest.approx(0.433 + 0.026)
    assert budget.total.high == pytest.approx(0.586 + 0.034)
    assert budget.left.low == pytest.approx(USUAL_LIMIT - 0.62)
    assert budget.left.high == pytest.approx(USUAL_LIMIT - 0.459)


def test_amount_of_substance() -> None:
    """0.5 % sodium benzoate of 99 %: 4.95 g/kg / 144.11 g/mol = 34.35 mmol/kg (molar mass by formula)."""
    part = budget_of({"sodium-benzoate": 0.5}).parts[0]
    assert part.mmol_per_kg is not None
    assert part.mmol_per_kg.typical == pytest.approx(34.349, abs=1e-3)
    assert part.materials == ("sodium-benzoate",)


def test_acid_that_is_still_to_come_is_allowed_for_and_replaced_by_what_was_added() -> None:
    allowed = budget_of({"sodium-benzoate": 0.5}, ("citric-acid-50",))
    assert allowed.parts[-1].origin == ORIGINS[8]
    assert allowed.parts[-1].percent == ACID_ALLOWANCE
    # 0.2 % citric acid for about 0.9 pH units, 0.5 % for an alkaline blend (common practice, no source).
    assert (ACID_ALLOWANCE.low, ACID_ALLOWANCE.typical, ACID_ALLOWANCE.high) == (0.0, 0.2, 0.5)
    assert allowed.parts[-1].materials == ("citric-acid-50",)
    known = budget_of({"sodium-benzoate": 0.5}, ("citric-acid-50",), acid_percent=0.35)
    assert known.total.typical == pytest.approx(0.495 + 0.35)
    assert budget_of({"sodium-benzoate": 0.5}).total.typical == pytest.approx(0.495)


def test_salt_of_the_bench_and_the_limit() -> None:
    budget = budget_of({"sodium-benzoate": 0.5}, limit=1.5, salt_percent=0.6)
    assert budget.percent("added salt").typical == pytest.approx(0.6)
    assert budget.left.typical == pytest.approx(1.5 - 0.495 - 0.6)
    assert budget.mmol_per_kg is not None
    assert budget.mmol_per_kg.typical == pytest.approx(34.349 + 6 / 58.44 * 1000, abs=1e-3)


def test_salts_that_nobody_states_are_named_not_guessed() -> None:
    budget = budget_of({"aloe-vera-juice": 10.0, "tea-lauryl-sulfate": 10.0})
    assert budget.unknown == ("aloe-vera-juice", "tea-lauryl-sulfate")
    assert not budget.percent(ORIGINS[1]).high


def test_a_surfactant_is_no_electrolyte_of_the_budget() -> None:
    """Surfactants form micelles; only what is beside them counts. The library must not mark one by mistake."""
    for material in library().materials:
        assert not [s.inci for s in material.substances if s.surfactant and s.electrolyte]


def test_same_substances_count_in_a_blend() -> None:
    """Preservative blend 1 %: 23 % benzoate and 13 % sorbate of the library."""
    assert budget_of({"sodium-benzoate-potassium-sorbate": 1.0}).total.typical == pytest.approx(0.36)

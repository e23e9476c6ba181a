"""Acid and alkali of materials whose groups are plain chemistry, held against sums by hand.

pKa and equivalent weights from memory, sources believed to be those that stand in `chemistry/constants.py`.
"""

from __future__ import annotations

import pytest

from optimizer.assessment.alkalinity import AlkalinityBasis, estimated_ph, ingredients_of
from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.data.library import read_library
from optimizer.data.pool import Ingredient
from optimizer.files import shipped

LIBRARY = read_library([shipped("library")])

BY_HAND = [
    # moles per kg of a blend with 0.5 %, times the charge that goes on the way to pH 5.8
    ("arginine", 0.99 * 5 / 174.2 * 1e3 * 1.0),  # the amine of pKa 9.0 is all protonated
    ("phytic-acid", -0.5 * 5 / 660.03 * 1e3 * 6.7),  # six strong protons, 0.6 to 0.7 of the one near 5.7
    ("trisodium-ethylenediamine-disuccinate", 0.365 * 5 / 358.19 * 1e3 * 0.73),  # 6.84 is 6.2 in a wash
    ("piroctone-olamine", 0.99 * 5 / 298.42 * 1e3 * 0.97),
    ("carbomer", -0.985 * 5 / 76 * 1e3 * 0.5),  # half neutralised near 6
]


def basis_of(material: Material, percent: float) -> AlkalinityBasis:
    """Return what is known of a material in water."""
    water = Line(Ingredient(LIBRARY.by_id["aqua"], 0.0), 100 - percent)
    (basis,) = ingredients_of(Formula((Line(Ingredient(material, 1.0), percent), water)))
    return basis


@pytest.mark.parametrize(("name", "by_hand"), BY_HAND)
def test_what_formulas_tell_is_within_the_band(name: str, by_hand: float) -> None:
    basis = basis_of(LIBRARY.by_id[name], 0.5)
    found, sd = basis.takes_up(5.8)
    assert basis.rests_on in ("formula", "supplied pH")
    assert abs(found - by_hand) < max(1.3 * sd, 0.12 * abs(by_hand))
    assert sd < 0.4 * abs(by_hand)


def test_sodium_phytate_is_one_salt() -> None:
    """Each sodium takes a proton's place, 22.990 - 1.008 g/mol; nine protons come off below pH 9.

    At pH 5.8 phytic acid has lost 6.7, the salt 6.2: it takes up half a mole of alkali, as sure as pKa within 0.4 are.
    """
    (salt, *_), (acid, *_) = (LIBRARY.by_id[name].substances for name in ("sodium-phytate", "phytic-acid"))
    assert salt.molar_mass
    assert acid.molar_mass
    assert salt.buffer
    assert (salt.molar_mass - acid.molar_mass) / 21.982 == pytest.approx(9 + salt.buffer.alkali, abs=0.01)
    found, sd = basis_of(LIBRARY.by_id["sodium-phytate"], 0.5).takes_up(5.8)
    by_hand = -0.5 * 5 / 796.32 * 1e3 * (6.7 - 6.2)
    assert abs(found - by_hand) < 1.3 * sd < abs(by_hand)


def test_a_bath_of_phytic_acid_is_told_as_sour() -> None:
    """0.27 % of a 50 % solution are 2.05 mmol and 12 mmol of protons per kg: pH 1.9, on paper."""
    ph = estimated_ph([basis_of(LIBRARY.by_id["phytic-acid"], 0.271)])
    assert ph.typical < 2.5


@pytest.mark.parametrize(("supplied", "least", "most"), [((10.5, 12.0), 0, 50), ((6.0, 8.0), -35, 50), (None, -35, 50)])
def test_of_an_unknown_adjuster_nothing_is_sure(
    supplied: tuple[float, float] | None, least: float, most: float
) -> None:
    """A pH without a group that holds it tells next to no alkali: neither its size nor a narrow band may rest on it."""
    material = LIBRARY.by_id["arginine"]
    strange = material.substances[0].model_copy(update={"inci": "Something Basic", "buffer": None})
    own: Material = material.model_copy(
        update={"substances": (strange, *material.substances[1:]), "ph_supplied": supplied}
    )
    basis = basis_of(own, 0.5)
    found, sd = basis.takes_up(5.8)
    assert basis.rests_on == "nothing known"
    assert found - 1.3 * sd <= least + 1
    assert found + 1.3 * sd >= 0.7 * most

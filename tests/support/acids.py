"""A brief of three preservatives whose undissociated acid is asked for.

Prices and shares are made up; molar masses and pKa are handbook values.
"""

from __future__ import annotations

from typing import Any

from tests.support.briefs import aqua, material, substance

BENZOIC = {"name": "Benzoic Acid", "molar_mass": 122.12, "pka": [4.18, 4.2, 4.21]}
SORBIC = {"name": "Sorbic Acid", "molar_mass": 112.13, "pka": [4.66, 4.76, 4.86]}
PRICES = {"benzo": 4.0, "sorb": 9.0, "blend": 5.0, "soap": 2.0, "aqua": 0.0}
TOLERANCE = 0.2


def case(at_least: float, acid: str = "", low: float = 4.0, high: float = 7.0) -> dict[str, Any]:
    """Return a brief of three preservatives with one undissociated-acid rule, as `briefs` writes cases."""
    benzo = {**substance("Sodium Benzoate", 99, molar_mass=144.11, acid=BENZOIC), "share": [98, 99, 100]}
    sorb = {**substance("Potassium Sorbate", 99, molar_mass=150.22, acid=SORBIC), "share": [98, 99, 100]}
    mixed = [{**benzo, "share": [20, 23, 25]}, {**sorb, "share": [10, 13, 15]}, substance("Aqua", 64, "water")]
    soap = substance("Sodium Laureth Sulfate", 28, charge="anionic", surfactant=True)
    rules: list[dict[str, Any]] = [
        {"id": "active", "kind": "active", "at_least": 5},
        {"id": "undissociated", "kind": "undissociated-acid", "at_least": at_least, **({"acid": acid} if acid else {})},
    ]
    return {
        "scenario": {"name": "x", "ph": {"low": low, "high": high, "tolerance": TOLERANCE}, "rule": rules},
        "materials": [
            material("benzo", [benzo, substance("Aqua", 1, "water")], "preservative", ph_stable=[3.0, 5.2]),
            material("sorb", [sorb, substance("Aqua", 1, "water")], "preservative", ph_stable=[3.0, 5.8]),
            material("blend", mixed, "preservative"),
            material("soap", [soap, substance("Aqua", 72, "water")], ph_stable=[4.6, 8.0]),
            aqua(),
        ],
        "shelf": [{"material": name, "price_per_kg": price} for name, price in PRICES.items() if name != "aqua"],
    }

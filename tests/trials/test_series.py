"""The series file: read strictly, all problems at once; readings as typed and as understood."""

from __future__ import annotations

from math import inf
from typing import Any

import numpy as np
import pytest

from optimizer.errors import DataError
from optimizer.trials.series import Series, series_from, understood


def plain(**more: Any) -> dict[str, Any]:
    """Return a small series: two directions of four materials, three beakers; made up."""
    return {
        "trials": "t1",
        "brief": "gentle-wash",
        "held_back_percent": 4.0,
        "region": {
            "materials": ["aqua", "betaine", "glucoside", "salt"],
            "centre": [70.0, 10.0, 14.0, 2.0],
            "directions": [[-1.0, 1.0, 0.0, 0.0], [-2.0, 0.0, 2.0, 0.0]],
            "rest": ["aqua"],
        },
        "measure": [{"what": "viscosity", "kind": "log"}, {"what": "clarity", "kind": "judged"}],
        "beaker": [
            {"number": 1, "role": "plan", "doses": {"aqua": 70.0, "betaine": 10.0, "glucoside": 14.0, "salt": 2.0}},
            {"number": 2, "day": 2, "doses": {"aqua": 67.0, "betaine": 11.0, "glucoside": 16.0, "salt": 2.0}},
            {"number": 3, "day": 2, "doses": {"aqua": 71.0, "betaine": 9.0, "glucoside": 14.0, "salt": 2.0}},
        ],
        **more,
    }


def series(**more: Any) -> Series:
    return series_from(plain(**more), "t.toml")


@pytest.mark.parametrize(
    ("typed", "kind", "ends"),
    [
        ("3200", "log", (3200, 3200)),
        ("3200,5", "log", (3200.5, 3200.5)),
        (">60000", "log", (60000, inf)),
        ("< 50", "number", (-inf, 50)),
        ("1", "judged", (-inf, 1.5)),
        ("3", "judged", (2.5, 3.5)),
        ("5", "judged", (4.5, inf)),
        ("yes", "yes/no", (1, 1)),
        ("no", "yes/no", (0, 0)),
    ],
)
def test_a_reading_is_understood_as_typed(typed: str, kind: Any, ends: tuple[float, float]) -> None:
    assert understood(typed, kind) == ends


@pytest.mark.parametrize(
    ("typed", "kind"),
    [("0", "log"), ("6", "judged"), ("2.5", "judged"), (">3", "judged"), ("maybe", "yes/no"), ("1,234", "number")],
)
def test_what_says_nothing_is_refused(typed: str, kind: Any) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        understood(typed, kind)


def test_all_problems_are_told_at_once() -> None:
    wrong = plain(
        reading=[{"beaker": 9, "what": "viscosity", "read": "1,234"}, {"beaker": 1, "what": "foam", "read": "3"}]
    )
    wrong["beaker"][1]["doses"]["betaine"] = 12.0
    wrong["beaker"][2]["doses"]["betain"] = 0.0
    wrong["region"]["centre"] = [1.0]
    with pytest.raises(DataError) as refused:
        series_from(wrong, "t.toml")
    assert [p.key for p in refused.value.problems] == [
        "region.centre",
        "beaker.1.doses",
        "beaker.2.doses.betain",
        "reading.0.beaker",
        "reading.0.read",
        "reading.1.what",
    ]


def test_struck_and_lost_readings_do_not_count() -> None:
    read = [
        {"beaker": 1, "what": "viscosity", "read": "3200"},
        {"beaker": 2, "what": "viscosity", "read": "320", "struck": "a digit was missing"},
        {"beaker": 2, "what": "viscosity", "read": ">6000"},
        {"beaker": 3, "what": "viscosity", "read": "900"},
        {"beaker": 3, "what": "lost", "read": "yes"},
        {"beaker": 1, "what": "clarity", "read": "lost"},
    ]
    found = series(reading=read)
    assert [(r.number, r.beaker, r.day, r.low, r.high) for r in found.reads("viscosity")] == [
        (1, 1, 1, 3200, 3200),
        (3, 2, 2, 6000, inf),
    ]
    assert found.reads("clarity") == ()
    assert found.lost == {3}


def test_what_was_read_otherwise_did_not_separate() -> None:
    measures = [{"what": "viscosity", "kind": "log"}, {"what": "separated", "kind": "yes/no"}]
    read = [
        {"beaker": 3, "what": "separated", "read": "yes"},
        {"beaker": 1, "what": "viscosity", "read": "3200"},
    ]
    found = series(measure=measures, reading=read)
    assert [(r.number, r.beaker, r.low, r.typed) for r in found.reads("separated")] == [
        (0, 1, 0.0, ""),
        (1, 3, 1.0, "yes"),
    ]
    assert len(found.reads()) == 2
    assert series(measure=measures, reading=read[1:]).reads("separated") == (), "nobody looked"


def test_doses_are_those_weighed_and_coordinates_follow() -> None:
    """By hand: 12 g of betaine in 100 g is 12 %, two units above the centre's 10 along the first coordinate."""
    put = [
        {"beaker": 1, "material": "betaine", "grams": 12.0},
        {"beaker": 2, "material": "betaine", "grams": 5.0, "struck": "other beaker"},
    ]
    found = series(weighed=put)
    assert found.made(1).tolist() == [70.0, 12.0, 14.0, 2.0]
    assert np.allclose(found.z(), [[2, 0], [1, 1], [-1, 0]])


@pytest.mark.parametrize(
    ("put", "salt", "glucoside"),
    [
        ([], 2.0, 14.0),
        ([("mix-a", 8.4)], 2.1, 14.0),
        ([("salt", 2.2)], 2.2, 14.0),
        ([("glucoside", 8.0)], 2.0, 14.0),
        ([("glucoside", 8.1), ("mix-a", 8.4)], 2.1, 14.4),
        ([("glucoside", 14.1), ("salt", 2.2)], 2.2, 14.1),
        ([("mix-a", 4.0), ("mix-a", 4.4)], 2.1, 14.0),
    ],
)
def test_a_pre_dilution_brings_both_along(put: list[tuple[str, float]], salt: float, glucoside: float) -> None:
    """By hand: one part of salt in three of glucoside; 8 g hold 2 g and 6 g, so 8 g more are weighed by itself."""
    mix = [{"id": "mix-a", "material": "salt", "into": "glucoside", "parts": 3.0}]
    weighed = [{"beaker": 1, "material": name, "grams": grams} for name, grams in put]
    made = series(mix=mix, weighed=weighed).made(1)
    assert np.allclose(made, [70.0, 10.0, glucoside, salt])


def test_water_that_was_weighed_otherwise_moves_no_coordinate() -> None:
    found = series(weighed=[{"beaker": 1, "material": "aqua", "grams": 65.0}])
    assert np.allclose(found.z()[0], [0, 0])


def test_ph_counts_as_it_was_read() -> None:
    found = series(
        ph_levels=[5.0, 5.4, 5.8],
        measure=[{"what": "ph", "kind": "number"}],
        reading=[{"beaker": 1, "what": "ph", "read": "5.2"}],
    )
    process = found.process()
    assert process is not None
    assert np.allclose(process, [-0.5, 0, 0])

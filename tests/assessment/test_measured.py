"""Measured blends: counts held against the shipped file, neighbours against ingredient sets that are left out."""

from __future__ import annotations

import csv
import random
from functools import cache
from itertools import combinations
from math import isnan

import numpy as np
import pytest

from optimizer.assessment.chemistry import chemistry_of
from optimizer.assessment.measured import NEAREST, REACH, Measured, measured_of, neighbours_of
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.data.measured import ANIONIC, THICKENERS, Blends, measured_blends
from optimizer.files import read_text, shipped
from optimizer.report.blend import blend_document
from optimizer.report.chemistry import chemistry_sections
from optimizer.report.formats.markdown import markdown
from optimizer.report.formats.page import page
from optimizer.report.formats.terminal import lines
from tests.support.benches import library, situation
from tests.support.solved import SHIPPED, solved


@cache
def rows() -> list[dict[str, str]]:
    """Return the lines of the shipped file, read apart from the program."""
    text = read_text(shipped("library") / "measured-blends.csv")
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


POLYMERS = frozenset({"Polyquaternium-6", "Polyquaternium-7", "Polyquaternium-16"})
"""The cationic polymers of the data descriptor."""


def held(row: dict[str, str], name: str) -> float:
    """Return the dose of an INCI name, over its grades."""
    grades = (name, f"{name} (a)", f"{name} (b)")
    return sum(float(row.get(f"{grade} [% as supplied]", 0)) for grade in grades)


def told(doses: dict[str, float]) -> Measured:
    return measured_of(situation(doses).formula)


def test_the_file_names_source_and_licence() -> None:
    head = [line for line in read_text(shipped("library") / "measured-blends.csv").splitlines() if line.startswith("#")]
    assert any("10.1038/s41597-024-03573-w" in line for line in head)
    assert any("MIT licence" in line for line in head)
    notice = read_text(shipped("library") / "measured-blends.LICENSE")
    assert "Permission is hereby granted, free of charge" in notice
    assert "WITHOUT WARRANTY OF ANY KIND" in notice


def test_blends_are_those_of_the_file() -> None:
    every = measured_blends()
    assert len(rows()) == len(every.stable) == 657
    for k, row in enumerate(rows()):
        assert [held(row, name) for name in every.names] == pytest.approx(every.doses[k].tolist())
        assert every.stable[k] == (row["stable"] == "True")
        assert every.clear[k] == (row["stable"] == "True" and float(row["turbidity_NTU"]) < 100)
    assert every.names.count("Polyquaternium-7") == 1
    assert set(every.names) >= ANIONIC | THICKENERS | POLYMERS
    for row in rows():
        kinds = [sum(held(row, name) > 0 for name in group) for group in (POLYMERS, THICKENERS)]
        assert kinds == [1, 1], "what is told of each: a cationic polymer and a thickener in it"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (("coco-glucoside", "Coco-Glucoside"), ("cocamidopropyl-betaine", "Cocamidopropyl Betaine")),
        (("sodium-cocoamphoacetate", "Sodium Cocoamphoacetate"), ("polyquaternium-7", "Polyquaternium-7")),
        (("decyl-glucoside", "Decyl Glucoside"), ("sodium-cocoyl-glutamate", "Sodium Cocoyl Glutamate")),
    ],
)
def test_a_pair_is_counted_as_by_hand(one: tuple[str, str], other: tuple[str, str]) -> None:
    both = [row for row in rows() if held(row, one[1]) > 0 and held(row, other[1]) > 0]
    stable = [row for row in both if row["stable"] == "True"]
    clear = [row for row in stable if float(row["turbidity_NTU"]) < 100]
    (pair,) = told({one[0]: 9.0, other[0]: 2.0, "glycerin": 1.0}).pairs
    assert (pair.blends, pair.stable, pair.clear) == (len(both), len(stable), len(clear))
    for side, name, dose in ((pair.one, one[1], 9.0), (pair.other, other[1], 2.0)):
        doses = [held(row, name) for row in both]
        assert (side.inci, side.percent) == (name, dose)
        assert (side.least, side.most) == pytest.approx((min(doses), max(doses)))
        assert side.lies == ("below" if dose < min(doses) else "above" if dose > max(doses) else "within")
    said = (
        f"{one[1]} with {other[1]}: of {len(both)} measured blends of these two, {len(stable) or 'none'} stayed stable"
    )
    assert pair.words.startswith(said)
    assert ("of these clear" in pair.words) == bool(stable)


def test_the_least_stable_pair_comes_first_and_every_measured_pair_is_told() -> None:
    names = {
        "cocamidopropyl-betaine": 10.0,
        "coco-glucoside": 8.0,
        "sodium-cocoamphoacetate": 8.0,
        "polyquaternium-7": 2.0,
    }
    found = told(names).pairs
    met = [
        two
        for two in combinations(
            ("Cocamidopropyl Betaine", "Coco-Glucoside", "Polyquaternium-7", "Sodium Cocoamphoacetate"), 2
        )
        if any(held(row, two[0]) > 0 and held(row, two[1]) > 0 for row in rows())
    ]
    assert {frozenset((p.one.inci, p.other.inci)) for p in found} == set(map(frozenset, met))
    assert [p.share for p in found] == sorted(p.share for p in found)
    assert found[0].share < found[-1].share


def test_the_library_keeps_dense_polymers_from_measured_anionics_by_what_was_counted() -> None:
    pair = next(e for e in library().exclusions if e.id == "dense-polymers-against-anionics")
    assert set(pair.other) == ANIONIC
    shares = {}
    for polymer in (*pair.one, "Polyquaternium-7"):
        beside = [row for row in rows() if held(row, polymer) > 0 and any(held(row, name) > 0 for name in ANIONIC)]
        shares[polymer] = round(100 * sum(row["stable"] == "True" for row in beside) / len(beside))
    assert shares == {"Polyquaternium-6": 7, "Polyquaternium-16": 14, "Polyquaternium-7": 58}
    assert all(f"{share} %" in pair.note for share in shares.values())


def test_what_was_not_measured_is_silent() -> None:
    nothing = told({"sodium-laureth-sulfate-2eo-70": 12.0, "cocamidopropyl-hydroxysultaine": 6.0})
    assert nothing.pairs == ()
    assert nothing.neighbours is None
    assert isnan(nothing.nearest)
    # A mixture under one name is another material than its part; one measured surfactant alone makes no pair.
    alone = told({"coco-glucoside-glyceryl-oleate": 5.0, "cocamidopropyl-betaine": 8.0})
    assert alone.pairs == ()
    assert alone.nearest > REACH


def bought(*incis: str) -> Library:
    """Return the library with one more material, half of it water; its make-up is made up."""
    share = 50 / len(incis)
    entry = {
        "id": "bought", "name": "Bought", "function": "thickener", "phase": "thickening",
        "substances": [
            *({"inci": inci, "share": [share] * 3, "charge": "nonionic"} for inci in incis),
            {"inci": "Aqua", "role": "water", "share": [50, 50, 50]},
        ],
        "backing": {"default": ["invented", "from memory"]},
    }  # fmt: skip
    return library().model_copy(update={"materials": (*library().materials, Material.model_validate(entry))})


@pytest.mark.parametrize(
    ("incis", "counted"),
    [
        (("Laureth-2",), True),
        (("PEG/PPG-120/10 Trimethylolpropane Trioleate", "Laureth-2"), True),
        (("Laureth-2", "PEG/PPG-120/10 Trimethylolpropane Trioleate"), True),
        (("PEG/PPG-120/10 Trimethylolpropane Trioleate",), True),
        (("PEG/PPG-120/10 Trimethylolpropane Trioleate", "Glycerin"), False),
        (("Laureth-3",), False),
    ],
)
def test_a_thickener_counts_in_the_distance_if_it_was_measured(incis: tuple[str, ...], counted: bool) -> None:
    """Such blends hold 1 to 5 % of a thickener: with a measured one the make-up comes nearer, with another farther."""
    doses = {"cocamidopropyl-betaine": 11.0, "sodium-cocoyl-glutamate": 10.0}
    without = told(doses).nearest
    made = situation({**doses, "bought": 3.0}, own=bought(*incis))
    found = measured_of(made.formula)
    assert (found.nearest < without) == counted
    assert len(found.pairs) == 1, "a thickener makes no pair"


def left_out(every: Blends, fifths: int = 20) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray]]:
    """Return the share told, what came true, and the nearest distance, of each random fifth of the ingredient sets."""
    sets = [tuple(np.flatnonzero(doses)) for doses in every.doses]
    kinds = sorted(set(sets))
    shares, truths, nearest = [], [], []
    for seed in range(fifths // 5):
        order = random.Random(seed).sample(range(len(kinds)), len(kinds))
        fold = {kind: order[k] % 5 for k, kind in enumerate(kinds)}
        of = np.array([fold[kind] for kind in sets])
        for part in range(5):
            kept = every.only(of != part)
            ways = [kept.distances(dict(zip(every.names, doses, strict=True))) for doses in every.doses[of == part]]
            shares.append(np.array([neighbours_of(kept, d).stable / NEAREST for d in ways]))
            truths.append(every.stable[of == part])
            nearest.append(np.array([d.min() for d in ways]))
    return shares, truths, nearest


def auc(shares: np.ndarray, truth: np.ndarray) -> float:
    """Return how often a stable blend was told a higher share than one that was not, ties half."""
    one, other = shares[truth][:, None], shares[~truth]
    return float(((one > other).sum() + (one == other).sum() / 2) / (one.shape[0] * other.shape[0]))


def test_neighbours_order_left_out_sets_and_are_calibrated_within_the_reach() -> None:
    """Mean AUC 0.74 over random fifths; within the reach the share told is within 0.1 of what came true."""
    shares, truths, nearest = left_out(measured_blends())
    assert np.mean([auc(s, t) for s, t in zip(shares, truths, strict=True)]) == pytest.approx(0.74, abs=0.02)
    inside = np.concatenate(nearest) <= REACH
    share, truth = np.concatenate(shares)[inside], np.concatenate(truths)[inside]
    assert inside.mean() > 0.5
    assert auc(share, truth) > 0.72
    for part in np.array_split(np.argsort(share, kind="stable"), 4):
        assert abs(share[part].mean() - truth[part].mean()) < 0.1
    assert auc(share, truth) > auc(np.concatenate(shares)[~inside], np.concatenate(truths)[~inside])


def test_whole_neighbours_are_told_within_the_reach_only() -> None:
    near = told({"cocamidopropyl-betaine": 11.0, "sodium-cocoyl-glutamate": 10.0, "glycerin": 1.0})
    assert near.neighbours is not None
    assert near.nearest <= REACH
    assert near.neighbours.blends == NEAREST
    assert near.neighbours.clear <= near.neighbours.stable <= NEAREST
    assert near.neighbours.farthest > near.nearest
    # The same with a surfactant that nobody measured, or far from the doses that were: nothing near.
    far = told({"cocamidopropyl-betaine": 11.0, "sodium-cocoyl-glutamate": 10.0, "sodium-laureth-sulfate-2eo-70": 10.0})
    weak = told({"cocamidopropyl-betaine": 3.0, "sodium-cocoyl-glutamate": 3.0})
    for found in (far, weak):
        assert found.neighbours is None
        assert found.nearest > REACH
        assert len(found.pairs) == 1


def test_distance_by_hand() -> None:
    every = measured_blends()
    row = every.doses[40]
    here = dict(zip(every.names, row, strict=True))
    assert every.distances(here)[40] == pytest.approx(0.0)
    first = next(n for n in every.names if here[n] > 0)
    most = every.most[every.names.index(first)]
    assert every.distances({**here, first: here[first] + most / 2}, beside=1.2)[40] == pytest.approx(1.3)


@pytest.mark.thorough
@pytest.mark.parametrize("name", SHIPPED)
def test_only_the_plain_wash_of_two_has_whole_neighbours(name: str) -> None:
    result = solved(name)
    assert result.weighable is not None
    found = measured_of(result.weighable)
    assert (found.neighbours is not None) == (name == "measured-wash")


def test_terminal_has_a_line_and_pages_fold_the_rest() -> None:
    result = solved("measured-wash")
    assert result.weighable is not None
    chemistry = chemistry_of(result.brief, result.weighable, result.setting)
    document = blend_document(result, None, chemistry)
    text, words = "\n".join(lines(document, 400)), markdown(document)
    for shown in (text, words):
        assert "of 8 measured blends of these two, 5 stayed stable, 5 of these clear" in shown
        assert "measured blends nearest to the whole formula" in shown
        assert shown.count("each with a cationic polymer and a thickener in it") == 2
        assert "Measured pairs" not in shown
    folded = page(document)
    assert "Measured pairs" in folded
    assert "<details><summary>All 1 rows</summary>" in folded[folded.index("Measured pairs</h2>") :][:400]
    assert "10.1038/s41597-024-03573-w" in folded


def test_a_formula_without_a_measured_pair_has_no_line() -> None:
    made = situation({"sodium-laureth-sulfate-2eo-70": 14.0, "cocamidopropyl-betaine": 7.0})
    found = chemistry_of(made.brief, made.formula, made.setting)
    assert found.measured.pairs == ()
    assert not [s for s in chemistry_sections(found) if s.title.startswith("Measured")]

"""The pH that a maker read of a lot narrows the estimate, and no estimate lies beyond what goes in.

Recipes, lots and readings are made up.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from random import Random

import pytest
import tomlkit
from hypothesis import given, settings

from optimizer.answers.logs import curve_of
from optimizer.answers.subject import subject_of
from optimizer.assessment.alkalinity import AlkalinityBasis, estimated_ph, ingredients_of
from optimizer.bench.acid import AcidSession, ph_answer
from optimizer.bench.order import order_of
from optimizer.chemistry.advice import advise
from optimizer.chemistry.alkalinity import know
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import stock
from optimizer.chemistry.titration import LogReading, PhLog
from optimizer.data.formula import Formula, Line
from optimizer.data.library import Library, chosen_library
from optimizer.data.pool import Ingredient
from optimizer.data.shelf import ShelfLine, read_shelf
from optimizer.errors import DataError
from tests.support.draws import CI, SEED, drawn
from tests.support.hostile import ask

GLUTAMATE, BETAINE = "sodium-cocoyl-glutamate", "cocamidopropyl-betaine"


@cache
def library() -> Library:
    return chosen_library()


def mixture(doses: dict[str, float], **lots: ShelfLine) -> tuple[AlkalinityBasis, ...]:
    known, doses = library().by_id, {**doses, "aqua": 100 - sum(doses.values())}
    lines = (Line(Ingredient(known[n], 1.0, lots.get(n.replace("-", "_"))), p) for n, p in doses.items())
    return ingredients_of(Formula(tuple(lines)))


def lot(ph: float | None, at: float | None = None, titrated: float | None = None) -> ShelfLine:
    return ShelfLine(row=2, material="x", lot_ph=ph, lot_ph_at=at, titrated_mmol_per_g=titrated)


def glutamate(line: ShelfLine | None) -> AlkalinityBasis:
    return mixture({GLUTAMATE: 10.0}, **({GLUTAMATE.replace("-", "_"): line} if line else {}))[0]


def test_a_lots_own_ph_narrows_what_it_takes_up_and_is_told() -> None:
    printed, read = glutamate(None), glutamate(lot(6.0))
    assert (printed.rests_on, read.rests_on) == ("supplied pH", "lot pH")
    assert "this lot's own pH 6 at 10 %" in read.words
    assert "supplied pH" not in read.words
    assert read.takes_up(5.5)[1] < 0.5 * printed.takes_up(5.5)[1]
    # A lot that is more acid takes up less acid on its way.
    took = [glutamate(lot(ph)).takes_up(5.5)[0] for ph in (5.6, 6.0, 7.0, 9.5)]
    assert took == sorted(took)
    assert took[0] < took[-1] / 3


def test_the_ingredient_alone_has_the_ph_that_was_read() -> None:
    for ph in (6.0, 7.5, 9.0):
        low, high = glutamate(lot(ph, 10.0)).alone(0.0) or (0.0, 0.0)
        assert low - 0.05 <= ph <= high + 0.05
        assert high - low < 1


def test_a_titration_beside_it_still_counts() -> None:
    both = glutamate(lot(6.0, None, 0.1))
    assert both.rests_on == "titrated"
    assert "this lot's own pH 6" in both.words
    assert both.takes_up(5.5)[1] <= glutamate(lot(None, None, 0.1)).takes_up(5.5)[1]


@pytest.mark.parametrize(
    ("heading", "cell", "expected"),
    [
        ("lot pH (10 %)", "6.1", (6.1, 10)),
        ("Measured pH (neat)", "6,1", (6.1, 100)),
        ("pH of the lot (5 % in water)", "6.1", (6.1, 5)),
        ("lot pH (1,5 %)", "6.1", (6.1, 1.5)),
        ("Own pH", "6.1", (6.1, None)),
        ("lot pH;lot pH at %", "6.1;20", (6.1, 20)),
    ],
)
def test_the_shelf_says_at_which_strength_it_was_read(
    tmp_path: Path, heading: str, cell: str, expected: tuple[float, float | None]
) -> None:
    path = tmp_path / "shelf.csv"
    path.write_text(f"material;{heading}\n{GLUTAMATE};{cell}\n", encoding="utf-8")
    (line,) = read_shelf(path).lines
    assert (line.lot_ph, line.lot_ph_at) == expected


@pytest.mark.parametrize(
    ("heading", "cell", "told"),
    [
        ("lot pH (last week)", "6", "at which strength it was read"),
        ("lot pH", "61", "column 'lot pH'"),
        ("lot pH", "5-6", "is not a number"),
    ],
)
def test_what_cannot_be_a_lots_ph_is_refused(tmp_path: Path, heading: str, cell: str, told: str) -> None:
    path = tmp_path / "shelf.csv"
    path.write_text(f"material;{heading}\n{GLUTAMATE};{cell}\n", encoding="utf-8")
    with pytest.raises(DataError, match=told.replace("(", r"\(")):
        read_shelf(path)


def test_without_a_strength_it_is_that_of_the_supplier_or_a_tenth() -> None:
    read = mixture({BETAINE: 10.0}, cocamidopropyl_betaine=lot(5.1))[0]
    assert "at 5 %" in read.words  # as the library has it for this material
    assert "at 10 %" in glutamate(lot(6.1)).words


# The batch: the lot that was weighed counts.


def written(folder: Path, weighed: list[dict[str, object]]) -> Path:
    shelf = "material,supplier,price per kg,lot,lot pH (10 %)\n"
    shelf += f"{GLUTAMATE},one,3.00,A,6.0\n{GLUTAMATE},two,3.40,B,9.5\naqua,,0.04,,\n"
    (folder / "shelf.csv").write_text(shelf, encoding="utf-8")
    brief = 'name = "W"\nshelf = "shelf.csv"\nunpreserved = "Made up."\n[ph]\nlow = 5\nhigh = 6\n'
    (folder / "w.toml").write_text(f'{brief}[objective]\nminimise = "cost"\n', encoding="utf-8")
    values = {
        "batch": "B1", "brief": "w.toml", "size_g": 1000, "held_back_percent": 0,
        "ph_low": 5.3, "ph_target": 5.5, "ph_high": 5.7,
        "line": [{"material": GLUTAMATE, "percent": 20}, {"material": "aqua", "percent": 80}], "weighed": weighed,
    }  # fmt: skip
    (folder / "b.toml").write_text(tomlkit.dumps(values), encoding="utf-8")
    return folder / "b.toml"


@pytest.mark.parametrize(
    ("weighed", "told"),
    [
        ([], "this lot's own pH 6 "),
        ([("A", 200.0)], "this lot's own pH 6 "),
        ([("B", 200.0)], "this lot's own pH 9.5 "),
        ([("C", 200.0)], "supplied pH"),
        ([("A", 100.0), ("B", 100.0)], "supplied pH"),
    ],
)
def test_the_lot_that_was_weighed_counts(tmp_path: Path, weighed: list[tuple[str, float]], told: str) -> None:
    lines: list[dict[str, object]] = [{"material": GLUTAMATE, "grams": g, "lot": n} for n, g in weighed]
    found = subject_of(str(written(tmp_path, lines)))
    answer = ph_answer(found.brief, found.formula, found.setting, batch=found.batch)
    (words,) = [b.words for b in answer.ingredients if b.id == GLUTAMATE]
    assert told in words


def test_the_command_tells_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, [])
    monkeypatch.chdir(tmp_path)
    told = " ".join(ask("ph", "b.toml").out.split())
    assert "lot pH" in told
    assert "this lot's own pH 6 at 10 %" in told


@pytest.mark.parametrize(("lot_weighed", "near"), [("A", 6.0), ("B", 9.5)])
def test_each_step_is_estimated_from_the_lot_that_was_weighed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lot_weighed: str, near: float
) -> None:
    written(tmp_path, [{"material": GLUTAMATE, "grams": 200.0, "lot": lot_weighed}])
    monkeypatch.chdir(tmp_path)
    last = [s["ph_estimate"] for s in json.loads(ask("weigh", "b.toml", "--json").out)["steps"] if s["ph_estimate"]][-1]
    # The whole is the lot in water, in which it was read at half the strength: what `ph` tells of it.
    whole = json.loads(ask("ph", "b.toml", "--json").out)["estimate"]
    assert last == pytest.approx(whole, abs=1e-9)
    assert last["typical"] == pytest.approx(near, abs=0.5)
    assert last["high"] - last["low"] < 1.5


def test_a_protein_waits_for_the_acid_only_where_the_lot_is_alkaline() -> None:
    known = library().by_id
    doses = {"aqua": 79.5, GLUTAMATE: 20.0, "hydrolyzed-oat-protein": 0.5}
    by_phase: dict[str, list[str]] = {}
    for name in doses:
        by_phase.setdefault(known[name].phase, []).append(name)
    waits = []
    for ph in (6.0, 9.5):
        lots = {GLUTAMATE: Ingredient(known[GLUTAMATE], 1.0, lot(ph, 10.0))}
        found = order_of(by_phase, {n: known[n] for n in doses}, doses, acid=True, lots=lots)
        waits.append("hydrolyzed-oat-protein" in found.steps.get("after", ()))
    assert waits == [False, True]


# No estimate lies beyond what goes in, and acid raises nothing.


def test_the_clear_shampoo_is_not_told_more_acid_than_its_betaine() -> None:
    found = subject_of("clear-shampoo")
    estimate = ph_answer(found.brief, found.formula, found.setting).estimate
    # Printed for the betaine: 4.5 to 6; before, the range began at 2.9.
    assert estimate.low >= 4.5
    assert estimate.high > 11


AS_PRINTED = (
    BETAINE,
    "sodium-laureth-sulfate-2eo-28",
    "coco-glucoside",
    "sodium-cocoyl-isethionate",
    "decyl-glucoside",
)


@settings(CI, max_examples=drawn(12, of=200))
@given(SEED)
def test_no_mixture_is_told_beyond_the_most_acid_or_alkaline_of_it(seed: int) -> None:
    r = Random(seed)
    names = r.sample(AS_PRINTED, r.randint(1, 4))
    doses = {n: r.uniform(0.5, 15) for n in names}
    estimate, printed = estimated_ph(mixture(doses)), [library().by_id[n].ph_supplied or (0, 14) for n in names]
    alkaline = any(p[0] > 9 for p in printed)
    # Diluted, a glucoside lies below what is printed of it at 10 or 20 %, but never below pH 7.
    assert estimate.low >= min(7.0 if alkaline and len(names) == 1 else p[0] for p in printed) - 1e-9
    assert estimate.high <= max(p[1] for p in printed) + 0.5


def test_an_acid_in_the_formula_may_bring_it_below_the_surfactants() -> None:
    assert estimated_ph(mixture({BETAINE: 5.0, "citric-acid": 1.0})).typical < 4


@pytest.mark.parametrize("start", [6.3, 7.5, 9.4])
def test_the_drawn_curve_never_rises_above_what_was_read_last(start: float) -> None:
    acid, target = stock("citric acid anhydrous", 50), Interval(5.3, 5.5, 5.7)
    known = know(tuple(b.known for b in mixture({GLUTAMATE: 15.0, BETAINE: 10.0}) if b.known))
    log = PhLog(acid, target, 1000, known, (LogReading(0.0, 9.5), LogReading(4.0, start)))
    session = AcidSession("batch", log, ("", ""), advise(log), log.total(1000), None, None, log.worth())
    after = [ph for grams, ph in curve_of(session, 5.0) if grams >= 4.0]
    assert len(after) > 3
    assert max(ph.high for ph in after) <= start

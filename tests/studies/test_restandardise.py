"""Measured lots: brute force, intervals over all corners, grams that sum, figures worked by hand, the command."""

from __future__ import annotations

import json
from copy import deepcopy
from functools import cache
from itertools import product
from math import inf, isnan
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

import optimizer.cli.lots
from optimizer.brief.brief import Brief
from optimizer.cli.every import app
from optimizer.data.pool import Group
from optimizer.errors import UsageError
from optimizer.files import shipped
from optimizer.report.formats.terminal import lines
from optimizer.report.lots import restandardise_document
from optimizer.report.record import record_of
from optimizer.rules import Dose, LimitRule
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import asking, kept_rules
from optimizer.solve.rounding import broken, largest_remainder
from optimizer.studies.restandardise import BatchAsked, Restandardised, restandardise
from optimizer.uncertainty.lots import at_lots, linear, lot_range, lots_of
from tests.support.briefs import PLAIN, Wish, aqua, brief_of, draw, material, substance
from tests.support.by_hand import kept_by_hand, nearest_by_hand
from tests.support.draws import CI
from tests.support.draws import drawn as amount
from tests.support.oracle import Case, candidates, targets_of, value_at
from tests.support.solved import solved

assert optimizer.cli.lots
LINEAR = Wish(kinds=tuple(k for k in PLAIN if k != "clear"), rules=(1, 4), sizes=(3, 5), extras=False, goals=False)
SEEDS = range(amount(30, of=120))


@cache
def drawn(seed: int) -> tuple[Case, Case, Brief, Restandardised] | None:
    """Return a random brief, the same at random lots, and its best formula brought to them."""
    r = Random(seed)
    case = draw(r, LINEAR)
    brief = brief_of(case)
    formula = solve(brief, weighable=True).weighable
    if formula is None:
        return None
    lots = {}
    for line in formula.lines:
        low, high = lot_range(line.item.material)
        if high > low and r.random() < 0.7:
            lots[line.item.id] = round(r.uniform(low, high), 2)
    if not lots:
        return None
    real = deepcopy(case)
    for line in real["shelf"]:
        if line["material"] in lots:
            line["lot_active"] = lots[line["material"]]
    return case, real, brief, restandardise(brief, formula.doses, lots, BatchAsked(10, 1))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_nearest_formula_is_what_brute_force_finds(seed: int) -> None:
    found = drawn(seed)
    if found is None:
        return
    case, real, _, done = found
    doses = done.formula.doses
    more = [r for r in kept_by_hand(case, doses, "aqua", 100.0) if r["id"] != "gone"]
    some = {**real, "materials": [m for m in real["materials"] if m["id"] in {*doses, "aqua"}]}
    some["shelf"] = [line for line in real["shelf"] if line["material"] in {*doses, "aqua"}]
    best = nearest_by_hand(some, done.setting.target, more, doses, set(doses), set())
    if best[0] == inf:
        targets = targets_of(some, candidates(some))
        best = min(nearest_by_hand(some, t, more, doses, set(doses), set()) for t in targets)
    if done.near is None:
        assert best[0] == inf
        return
    assert len(done.near.changed) == best[0]
    assert done.near.found.objective == pytest.approx(best[1], abs=2e-5)


@pytest.mark.slow
def test_the_random_lots_are_of_every_sort() -> None:
    found = [d[3] for seed in SEEDS if (d := drawn(seed)) is not None]
    assert len(found) >= 25
    assert any(d.near is not None and not d.near.changed for d in found)
    assert any(d.near is not None and len(d.near.changed) == 1 for d in found)
    assert any(d.near is not None and len(d.near.changed) >= 2 for d in found)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_weighed_keeps_every_rule_at_the_measured_lots_and_sums(seed: int) -> None:
    found = drawn(seed)
    if found is None:
        return
    _, _, brief, done = found
    if done.near is None or done.weighed is None:
        return
    real = asking(done.brief, kept_rules(done.formula), at_lots(done.brief.pool, brief.library, done.lots).items)
    setting = done.near.ph.setting if done.near.ph else done.setting
    bad = [r.reading() for r in real.enforced if r.id != "total" and broken(r, done.weighed, setting)]
    assert bad == list(done.stopped)
    assert sum(done.grams.values()) == pytest.approx((100 - done.formula.held_back) * 100, abs=1e-6)
    assert all(abs(g - round(g)) < 1e-9 for g in done.grams.values())


@pytest.mark.parametrize("seed", SEEDS)
def test_an_interval_is_what_every_corner_of_the_lots_gives(seed: int) -> None:
    found = drawn(seed)
    if found is None:
        return
    case, _, brief, done = found
    doses = done.formula.doses
    stated = {r["id"]: r for r in case["scenario"]["rule"]}
    open_ = [(i, lot_range(brief.library.by_id[i])) for i in doses if np.ptp(lot_range(brief.library.by_id[i])) > 0]
    for span in done.spans:
        if span.rule.id not in stated or not linear(span.rule):
            continue
        values = []
        for ends in product(*(e for _, e in open_)):
            corner = deepcopy(case)
            at = dict(zip([i for i, _ in open_], ends, strict=True))
            for line in corner["shelf"]:
                if line["material"] in at:
                    line["lot_active"] = at[line["material"]]
            values.append(value_at(corner, stated[span.rule.id], doses, done.setting.target))
        assert span.low == pytest.approx(min(*values, span.planned), abs=1e-6), span.rule.id
        assert span.high == pytest.approx(max(*values, span.planned), abs=1e-6), span.rule.id


@pytest.mark.parametrize("seed", SEEDS[::3])
def test_the_planned_lots_need_no_change(seed: int) -> None:
    found = drawn(seed)
    if found is None:
        return
    _, _, brief, done = found
    planned = {i.id: i.material.active_matter for i in brief.pool.items if i.id in done.lots}
    same = restandardise(brief, done.formula.doses, planned, BatchAsked(10, 1))
    assert same.near is not None
    assert same.near.changed == ()
    assert same.weighed.doses == pytest.approx(done.formula.doses, abs=1e-9)  # type: ignore[arg-type]


# worked by hand -------------------------------------------------------------------------------------


def single(low: float, typical: float, high: float, salt: float = 0.0, **active: Any) -> Brief:
    main = substance("INCI one", typical, charge="amphoteric", family="betaine", surfactant=True)
    main["share"] = [low, typical, high]
    parts = [main, *([substance("Sodium Chloride", salt, "salt")] if salt else [])]
    parts.append(substance("Aqua", 100 - typical - salt, "water"))
    scenario = {
        "name": "one",
        "rule": [
            {"id": "active", "kind": "active", **active},
            {"id": "salt", "kind": "salt"},
            {"id": "w", "kind": "water"},
        ],
    }
    shelf = [{"material": "aqua", "price_per_kg": 0}, {"material": "one", "price_per_kg": 2}]
    return brief_of({"materials": [aqua(), material("one", parts)], "shelf": shelf, "scenario": scenario})


def test_the_interval_of_a_29_to_35_grade() -> None:
    """12 % of a grade printed as 29-35 % (a trade magazine's column on active matter): 3.48 to 4.20."""
    done = restandardise(single(29, 32, 35), {"one": 12.0, "aqua": 88.0}, {"one": 32.0}, BatchAsked(1, 0.1))
    span = next(s for s in done.spans if s.rule.id == "active")
    assert (span.planned, span.low, span.high) == pytest.approx((3.84, 3.48, 4.20))


def test_active_matter_water_and_salt_of_a_lot_move_together() -> None:
    """18 % of a 30 % grade with 6 % salt, lot at 28 %: salt 6 x 28/30 = 5.6, water 100 - 28 - 5.6 = 66.4."""
    done = restandardise(single(28, 30, 32, 6), {"one": 18.0, "aqua": 82.0}, {"one": 28.0}, BatchAsked(1, 0.1))
    spans = {s.rule.id: s for s in done.spans}
    assert spans["active"].unchanged == pytest.approx(18 * 0.28)
    assert spans["salt"].unchanged == pytest.approx(18 * 0.056)
    assert spans["w"].unchanged == pytest.approx(82 + 18 * 0.664)
    assert (spans["salt"].low, spans["salt"].high) == pytest.approx((18 * 0.056, 18 * 0.064))


def test_a_weak_lot_takes_more_of_it() -> None:
    """12.6 % active from 18 % of a 70 % grade; a lot at 68 % gives 12.24; 12.55 / 0.68 is the least that is kept."""
    done = restandardise(single(66, 70, 74), {"one": 18.0, "aqua": 82.0}, {"one": 68.0}, BatchAsked(10, 0.1))
    assert done.near is not None
    assert done.near.changed == ("one",)
    assert done.near.found.objective == pytest.approx(12.55 / 0.68 - 18, abs=1e-6)
    assert done.grams["one"] == pytest.approx(1845.6)
    assert sum(done.grams.values()) == pytest.approx(10_000)
    exact = restandardise(
        single(66, 70, 74), {"one": 18.0, "aqua": 82.0}, {"one": 68.0}, BatchAsked(10, 0.1, active_band=0.0)
    )
    assert exact.grams["one"] == pytest.approx(1852.9)
    assert exact.near is not None
    assert exact.near.formula.dose("one") == pytest.approx(12.6 / 0.68)


def test_a_lot_outside_the_library_is_doubted() -> None:
    done = restandardise(single(29, 30, 31), {"one": 18.0, "aqua": 82.0}, {"one": 36.0}, BatchAsked(10, 1))
    assert done.outside == ("one",)
    assert any("total solids" in value for _, value in restandardise_document(done).facts)


def test_a_lot_of_what_the_formula_does_not_hold_is_refused() -> None:
    with pytest.raises(UsageError, match="which the formula does not use"):
        restandardise(single(29, 30, 31), {"aqua": 100.0}, {"one": 30.0}, BatchAsked(10, 1))


def test_impossible_lots_name_what_clashes() -> None:
    brief, planned = single(20, 30, 40, at_most=10), {"one": 33.0, "aqua": 67.0}
    assert restandardise(brief, planned, {"one": 20.0}, BatchAsked(10, 1)).near is not None
    cap = Dose(id="cap", of=Group(materials=("one",)), at_most=34.0)
    done = restandardise(asking(brief, (cap,)), planned, {"one": 20.0}, BatchAsked(10, 1))
    assert done.near is None
    assert done.weighed is None
    assert "one at most 34 %" in done.conflict
    assert "one at most 34 %" in " ".join(lines(restandardise_document(done), 80))


# grams ----------------------------------------------------------------------------------------------


@settings(CI, max_examples=amount(60, of=200))
@given(
    st.dictionaries(st.text("abcdef", min_size=1, max_size=3), st.floats(0.01, 1000), min_size=1, max_size=9),
    st.sampled_from([0.01, 0.1, 0.5, 1.0, 5.0]),
)
def test_largest_remainder(amounts: dict[str, float], step: float) -> None:
    """Sums exactly; within a step of the share; no amount that was rounded down has a larger remainder."""
    total = round(sum(amounts.values()) / step) * step or step
    got = largest_remainder(amounts, step, total)
    exact = {k: v * total / sum(amounts.values()) for k, v in amounts.items()}
    assert sum(got.values()) == pytest.approx(total, abs=1e-6)
    for name, value in got.items():
        assert abs(value / step - round(value / step)) < 1e-6
        assert abs(value - exact[name]) < step * (1 + 1e-6)
    up = [exact[n] % step for n in got if got[n] > exact[n] + 1e-6 * step]
    down = [exact[n] % step for n in got if got[n] < exact[n] - 1e-6 * step]
    assert not up or not down or min(up) >= max(down) - 1e-6 * step


def test_largest_remainder_worked() -> None:
    """53.3 + 30.7 + 16 in whole steps of 1 to 100: 53, 31, 16."""
    assert largest_remainder({"a": 53.3, "b": 30.7, "c": 16.0}, 1.0, 100.0) == {"a": 53, "b": 31, "c": 16}


# the report and the command -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def blend(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from optimizer.report.formula_json import Blend
    from optimizer.report.record import as_json

    path = tmp_path_factory.mktemp("blend") / "wash.json"
    path.write_text(as_json(Blend(result=solved("hand-wash"))))
    return path


def run(*args: str | Path) -> tuple[int, Any]:
    result = CliRunner().invoke(app, ["restandardise", *map(str, args), "--json"])
    return result.exit_code, json.loads(result.stdout) if result.stdout else result.exception


def test_the_command_with_lots(blend: Path) -> None:
    lots = ("--lot", "sodium-laureth-sulfate-2eo-70=68", "--lot", "cocamidopropyl-betaine = 29.1 %")
    code, record = run(blend, "hand-wash", "--batch", "25", "--step", "1", *lots)
    assert code == 0
    assert record["lots"] == {"sodium-laureth-sulfate-2eo-70": 68, "cocamidopropyl-betaine": 29.1}
    assert sum(record["grams"].values()) == 24_000
    assert record["held_back_percent"] == 4
    active = next(r for r in record["rules"] if r["id"] == "active")
    assert active["low"] < active["unchanged"] < active["planned"] <= active["high"]
    assert active["after"] >= 9 - 1e-6
    assert not active["keeps"]
    record_of(Restandardised).model_validate(record)


def test_the_shelfs_lots_count_where_none_is_named(blend: Path) -> None:
    code, record = run(blend, "hand-wash", "--batch", "10")
    assert code == 0
    assert record["lots"] == {"cocamidopropyl-betaine": 29.6, "sodium-laureth-sulfate-2eo-70": 69.4}
    assert record["step_g"] == pytest.approx(1.0)


def test_lots_that_a_blend_counted_are_not_brought_twice(blend: Path, tmp_path: Path) -> None:
    """A blend's own answer was planned with the lots of its shelf; a table was not, as far as anybody knows."""
    _, own = run(blend, "hand-wash", "--batch", "10")
    planned = {line["id"]: line["percent"] for line in own["planned"]}
    assert own["grams"] == pytest.approx({name: 100 * percent for name, percent in planned.items()}, abs=0.6)
    assert any("the blend tells with which lots it was planned" in note for note in own["notes"])
    table = tmp_path / "table.csv"
    table.write_text("material,percent\n" + "".join(f"{n},{p}\n" for n, p in planned.items()), encoding="utf-8")
    _, typical = run(table, "hand-wash", "--batch", "10")
    assert abs(typical["grams"]["cocamidopropyl-betaine"] - 100 * planned["cocamidopropyl-betaine"]) > 5
    assert any("planned at typical active matter" in note for note in typical["notes"])


def test_a_lot_that_was_written_into_the_shelf_is_not_taken_for_the_planned_one(blend: Path, tmp_path: Path) -> None:
    """Planned with 29.6 %, weighed at 31.5 %: 1.064 times the betaine's active matter, so others give way."""
    betaine, text = "cocamidopropyl-betaine", (shipped("scenarios") / "shelf.csv").read_text(encoding="utf-8")
    written = tmp_path / "shelf.csv"
    written.write_text(text.replace(",29.6\n", ",31.5\n"), encoding="utf-8")
    assert written.read_text(encoding="utf-8") != text
    lot, other = ("--lot", f"{betaine}=31.5"), ("--shelf", written)
    code, expected = run(blend, "hand-wash", "--batch", "5", *lot)
    assert code == 0
    assert expected["changed"]
    assert expected["outside"] == [betaine]
    for asked in (other, (*other, *lot)):
        _, found = run(blend, "hand-wash", "--batch", "5", *asked)
        assert found["grams"] == pytest.approx(expected["grams"])
        assert found["outside"] == [betaine]
        planned = {line["id"]: line["active_percent"] for line in found["planned"]}
        at_plan = next(line for line in json.loads(blend.read_text())["rounded"]["formula"] if line["id"] == betaine)
        assert planned[betaine] == pytest.approx(at_plan["active_percent"])
    _, with_old = run(blend, "hand-wash", "--batch", "5", "--lot", "sodium-laureth-sulfate-2eo-70=69.4", *other)
    assert with_old["lots"] == {betaine: 31.5, "sodium-laureth-sulfate-2eo-70": 69.4}


def test_a_table_is_not_planned_with_the_lot_that_is_brought(blend: Path, tmp_path: Path) -> None:
    """Typical of the betaine is 30 %: where the shelf holds the named lot, a table can tell no other plan."""
    _, own = run(blend, "hand-wash", "--batch", "10")
    table = tmp_path / "table.csv"
    rows = "".join(f"{line['id']},{line['percent']}\n" for line in own["planned"])
    table.write_text("material,percent\n" + rows, encoding="utf-8")
    _, found = run(table, "hand-wash", "--batch", "10", "--lot", "cocamidopropyl-betaine=29.6")
    before = next(line for line in found["planned"] if line["id"] == "cocamidopropyl-betaine")
    assert before["active_percent"] == pytest.approx(before["percent"] * 0.30)
    assert any("the shelf holds the lot that is named for cocamidopropyl-betaine" in note for note in found["notes"])


@pytest.mark.parametrize("lots", ["x", -1, 101, None, [30]])
def test_a_blend_whose_lots_cannot_be_is_refused(lots: object, tmp_path: Path) -> None:
    path = tmp_path / "b.json"
    path.write_text(json.dumps({"formula": [{"id": "aqua", "percent": 100, "lot_active_percent": lots}]}))
    _, error = run(path, "hand-wash", "--batch", "10", "--lot", "aqua=3")
    assert "this is not the JSON of a blend" in str(error)


@pytest.mark.parametrize(
    ("lot", "said"),
    [
        ("sodium-laureth-sulfate-2eo-70", "write MATERIAL=ACTIVE"),
        ("sodium-lareth=70", "there is no material 'sodium-lareth'"),
        ("cocamidopropyl-betaine=much", "is not a number"),
        ("cocamidopropyl-betaine=0", "above 0"),
        ("cocamidopropyl-betaine=0.296", "is it a fraction"),
        ("lauramine-oxide=30", "which the formula does not use"),
    ],
)
def test_lots_must_be_told_well(blend: Path, lot: str, said: str) -> None:
    code, error = run(blend, "hand-wash", "--batch", "10", "--lot", lot)
    assert code != 0
    assert isinstance(error, UsageError)
    assert said in str(error)


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("seed", SEEDS[:6])
def test_no_line_is_wider_than_the_terminal(seed: int, width: int) -> None:
    found = drawn(seed)
    if found is None:
        return
    assert max(map(len, lines(restandardise_document(found[3]), width))) <= width


def test_the_record_round_trips() -> None:
    found = next(found for seed in SEEDS if (found := drawn(seed)) is not None)
    assert found is not None
    told = record_of(Restandardised).model_validate(found[3])
    assert type(told).model_validate_json(told.model_dump_json()) == told


def test_a_ratio_to_nothing_has_no_interval() -> None:
    brief = single(29, 30, 31)
    lots = lots_of(brief.pool, brief.library)
    share = next(r for r in kept_rules(solve_one(brief), 0.05, 2.0) if r.id == "kept anionic")
    assert isinstance(share, LimitRule)
    assert all(isnan(v) for v in lots.extremes(share, np.zeros(len(brief.pool))))
    assert share.value(solve_one(brief), Setting()) == 0


def solve_one(brief: Brief) -> Any:
    from optimizer.solve.existing import formula_at

    return formula_at(brief.pool, {"one": 18.0, "aqua": 82.0})

"""Plans of trials: every beaker held against the rules themselves, order and days, what is told, refusals."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
import tomli

from optimizer.answers.beginning import library_in, shelf_in
from optimizer.answers.questions import read_brief
from optimizer.answers.starter import lay
from optimizer.brief.beginning import Wanted, first_brief
from optimizer.brief.brief import make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.errors import DataError, UsageError
from optimizer.files import toml_of
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.solve.rounding import broken
from optimizer.trials.more import more_beakers
from optimizer.trials.plan import TrialPlan, TrialsQuestion, plan
from optimizer.trials.series import series_from
from optimizer.trials.text import series_text
from optimizer.units import is_whole
from tests.support import briefs
from tests.support.draws import drawn

SHARES = ("strength", "amphoteric-share", "nonionic-share")


@cache
def planned(name: str, **asked: Any) -> TrialPlan:
    return plan(read_brief(name), TrialsQuestion(**asked))


CASES: dict[str, dict[str, Any]] = {
    "gentle-wash": {"free": ("mildness",), "factors": SHARES, "days": 2},
    "hand-wash": {"factors": SHARES, "trials": 12},
    "body-wash": {"trials": 10, "grams": 200.0, "step_g": 0.1},
    "facial-wash": {"factors": ("strength",), "materials": ("glycerin",), "ph": (5.4, 5.7), "repeats": 3},
}


@pytest.mark.parametrize("name", CASES)
def test_every_beaker_keeps_every_rule_and_can_be_weighed(name: str) -> None:
    """The rules' own values at each pH of the trials; grams are whole steps of the scale and sum up."""
    found = planned(name, **CASES[name])
    brief, asked = found.brief, found.asked
    room = (found.setting.high or 0) - (found.setting.target or 0)
    for beaker in found.beakers:
        ph = beaker.ph
        assert ph is not None
        formula = formula_at(brief.pool, beaker.doses)
        at = Setting(ph, ph - room, ph + room)
        assert [r.id for r in brief.enforced if r.id not in found.freed and broken(r, formula, at)] == []
        assert sum(beaker.doses.values()) == pytest.approx(100 - brief.pool.held_back)
        assert all(is_whole(d / asked.step_percent) for d in beaker.doses.values())
    assert 0.85 < found.kept_after_rounding <= 1.02


@pytest.mark.parametrize("name", CASES)
def test_days_begin_and_end_with_the_plan_and_nothing_is_in_order(name: str) -> None:
    found = planned(name, **CASES[name])
    assert [b.number for b in found.beakers] == list(range(1, len(found.beakers) + 1))
    for day in range(1, found.asked.days + 1):
        own = [b for b in found.beakers if b.day == day]
        assert own[0].role == own[-1].role == "plan"
        assert sum(b.role == "plan" for b in own) == found.asked.repeats
        chosen = [b for b in own if b.role != "plan"]
        assert len(chosen) == pytest.approx(sum(b.role != "plan" for b in found.beakers) / found.asked.days, abs=1)
        for span in found.materials:
            doses = [b.doses[span.material] for b in chosen]
            assert len(set(doses)) == 1 or doses not in (sorted(doses), sorted(doses)[::-1])


def test_a_beaker_like_another_one_says_so() -> None:
    found = planned("gentle-wash", **CASES["gentle-wash"])
    first = {}
    for beaker in found.beakers:
        key = (tuple(beaker.doses.items()), beaker.ph)
        assert beaker.repeats == first.get(key)
        assert (beaker.role == "chosen") == (beaker.repeats is None and beaker.number != 1)
        first.setdefault(key, beaker.number)


def test_the_series_file_holds_what_was_planned() -> None:
    found = planned("facial-wash", **CASES["facial-wash"])
    text = series_text(found, name="t", brief="facial-wash", planned_on="2026-05-04")
    series = series_from(tomli.loads(text), "t.toml")
    assert [(b.number, b.day, b.role, b.repeats, b.ph, b.doses) for b in series.beaker] == [
        (b.number, b.day, b.role, b.repeats, b.ph, b.doses) for b in found.beakers
    ]
    known, told = found.region.coordinates, series.coordinates
    doses = np.array([list(b.doses.values()) for b in found.beakers])
    assert np.allclose(known.z(doses), series.z(), atol=1e-6)
    assert np.allclose(known.centre, told.centre)
    assert series.ph_levels == (5.4, 5.55, 5.7)
    assert [f.id for f in series.factor] == ["strength", "glycerin", "ph"]
    sides = found.region.space.body
    assert np.allclose([r.along for r in series.region.row], sides.along)
    assert {r.rule for r in series.region.row} == set(found.region.sides)
    process = series.process()
    assert process is not None
    assert {round(p, 6) for p, b in zip(process, series.beaker, strict=True) if b.role != "plan"} <= {-1.0, 0.0, 1.0}


def test_the_same_seed_gives_the_same_file_and_another_one_another_order() -> None:
    asked = {"factors": SHARES, "free": ("mildness",)}
    texts = [
        series_text(
            plan(read_brief("gentle-wash"), TrialsQuestion(**asked, seed=s)), name="t", brief="b", planned_on=""
        )  # type: ignore[arg-type]
        for s in (3, 3, 4)
    ]
    assert texts[0] == texts[1]
    assert texts[0] != texts[2]


@pytest.mark.parametrize(
    ("asked", "model", "count"),
    [
        ({"materials": ("glycerin",)}, "quadratic", 6),
        ({"factors": ("strength", "humectant")}, "quadratic", 8),
        ({"factors": SHARES}, "quadratic", 12),
        ({"factors": SHARES, "trials": 8}, "line", 8),
        ({}, "line", 12),
    ],
)
def test_how_many_beakers_tell_what(asked: dict[str, Any], model: str, count: int) -> None:
    """The design's table: 8 + 2 in two directions, 12 + 2 in three, above a straight line, and it is said."""
    found = planned("hand-wash", **asked)
    assert found.model == model
    assert sum(b.role != "plan" for b in found.beakers) == count
    assert sum(b.role == "plan" for b in found.beakers) == 2
    assert any("tell straight lines" in note for note in found.notes) == (model == "line")


def test_factors_are_told_in_grams_that_are_so() -> None:
    """Along a factor from low to high its figure changes by just that; grams balance, water making the rest."""
    found = planned("gentle-wash", **CASES["gentle-wash"])
    strength = next(f for f in found.factors if f.id == "strength")
    moves = {m.material: m.grams for m in strength.moves}
    active = {i.id: i.surfactant for i in found.region.formula.items}
    assert sum(moves.values()) == pytest.approx(0)
    assert sum(g * active[n] for n, g in moves.items()) == pytest.approx(strength.high - strength.low)
    assert moves["aqua"] < 0


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"trials": 4}, "--trials 4: a straight line in 4 directions needs at least 6"),
        ({"trials": 61}, "at most 60"),
        ({"step_g": 2.0}, "too coarse for 100 g"),
        ({"step_g": 0.7}, "keeps every rule"),
        ({"ph": (5.8, 5.0)}, "--with ph: write the lowest and the highest target"),
        ({"free": ("active",)}, "--free active: only rules on planning ratings"),
    ],
)
def test_refusals(asked: dict[str, Any], said: str) -> None:
    with pytest.raises(UsageError) as refused:
        planned("hand-wash", **asked)
    assert said in str(refused.value)


@pytest.mark.parametrize("seed", range(drawn(14, of=120)))
def test_drawn_briefs_are_planned_within_their_rules_or_refused(seed: int) -> None:
    """Each beaker by the rules' own values; the file reads back; two further beakers make predictions surer."""
    draw = Random(seed)
    brief = briefs.brief_of(briefs.draw(draw) if seed % 2 else briefs.draw_large(draw))
    asked = TrialsQuestion(
        seed=seed, days=1 + seed % 3, trials=None if seed % 3 else 9, step_g=0.1 if seed % 5 == 0 else 0.01
    )
    try:
        found = plan(brief, asked)
    except (UsageError, DataError):
        return
    for beaker in found.beakers:
        formula = formula_at(brief.pool, beaker.doses)
        assert [r.id for r in brief.enforced if broken(r, formula, found.setting)] == []
    series = series_from(tomli.loads(series_text(found, name="t", brief="b", planned_on="")), "t.toml")
    more = more_beakers(series, brief, 2)
    assert more.variance_after < more.variance_before


def test_targets_that_the_bench_cannot_tell_apart_are_no_factor() -> None:
    """The shipped briefs meet a target pH to 0.2."""
    with pytest.raises(UsageError, match=r"ph=5\.5:5\.52: targets 0\.02 apart .* each is met to 0\.2\. Vary the pH by"):
        planned("gentle-wash", ph=(5.5, 5.52))
    assert planned("gentle-wash", factors=("emollient",), ph=(5.4, 5.6)).levels == (5.4, 5.5, 5.6)


def test_an_impossible_brief_is_refused() -> None:
    with pytest.raises(UsageError, match=r"the brief has no formula, so there is nothing to vary"):
        planned("impossible-wash")


def test_a_curved_rule_is_never_passed_over(tmp_path: Path) -> None:
    """A limit on free monomer is linear only around a formula: the region cannot hold it."""
    brief = tmp_path / "b.toml"
    shipped = read_brief("gentle-wash").where
    rule = '[[rule]]\nid = "mono"\nkind = "free-monomer"\nat_most = 1000000\n'
    text = Path(shipped).read_text("utf-8").replace('extends = "common.toml"', 'extends = "common.toml"\n')
    for name in ("common.toml", "shelf.csv"):
        (tmp_path / name).write_bytes(Path(shipped).with_name(name).read_bytes())
    brief.write_text(text + "\n" + rule, "utf-8")
    with pytest.raises(DataError, match=r"linear only around a formula"):
        plan(read_brief(brief), TrialsQuestion())


def test_a_begun_product_is_not_planned_with_absurd_doses_of_its_solubiliser(tmp_path: Path) -> None:
    """Without an upper end it went up to 65 g in 100 g; where a brief has none, that is said."""
    lay(tmp_path)
    library, shelf = library_in(tmp_path), shelf_in(tmp_path)[1]
    text = first_brief(Wanted("A", "shampoo", free=("sulfate", "ethoxylate"), perfume="parfum"), library)

    doses = TrialsQuestion(factors=("strength", "solubiliser"))

    def laid(brief_text: str) -> TrialPlan:
        return plan(make_brief(scenario_from(toml_of(brief_text, "x"), "x"), library, shelf), doses)

    found = laid(text)
    factor = next(f for f in found.factors if f.id == "solubiliser")
    assert factor.high == pytest.approx(2 * 3 * 0.3)  # twice 3 g per g of 0.3 % of perfume
    assert {b.doses["polyglyceryl-6-caprylate"] <= 1.8 for b in found.beakers} == {True}
    assert not any("usual are at most" in n for n in found.notes)
    open_ended = "[[rule]]".join(r for r in text.split("[[rule]]") if 'id = "solubiliser-dose"' not in r)
    wide = laid(open_ended)
    assert max(b.doses["polyglyceryl-6-caprylate"] for b in wide.beakers) > 20
    assert any(n.startswith("polyglyceryl-6-caprylate may go up to") and "at most 5 %" in n for n in wide.notes)

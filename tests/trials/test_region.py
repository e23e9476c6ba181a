"""The region of trials and its factors: the shipped briefs' own rules, sums by hand, refusals by name."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from optimizer.brief.brief import Brief, load_brief
from optimizer.data.formula import Formula
from optimizer.errors import DataError, UsageError
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.solve.linear import solve_fully
from optimizer.solve.solved import Solved
from optimizer.trials.factors import Way, Ways, effect, ends
from optimizer.trials.region import Region, freed_rules, gain_of_freeing, region_of, rows_of, settings_of

STEP = 0.01
FROZEN = Path(__file__).resolve().parents[1] / "benchmarks" / "frozen"


def frozen(name: str, *changes: tuple[str, str]) -> Brief:
    """Return a brief of the refill shop as it once was, so that figures stay when the library learns."""
    return load_brief(FROZEN / "scenarios" / f"{name}.toml", changes=changes, libraries=[FROZEN / "library"])


@cache
def solved(name: str) -> tuple[Brief, Solved, Formula]:
    brief = frozen(name)
    found = solve_fully(brief, weighable=True, priced=False)
    assert found.result.weighable is not None
    return brief, found, found.result.weighable


def region(name: str, *factors: str, free: tuple[str, ...] = (), vary: tuple[str, ...] = ()) -> Region:
    brief, found, formula = solved(name)
    ways = Ways(formula)
    wanted = ways.named(factors, vary) if factors or vary else ways.proposed()
    rows = rows_of(brief, found, formula, [found.result.setting])
    return region_of(brief, rows, formula, wanted, freed_rules(brief, free), STEP)


def spans(found: Region, material: str) -> tuple[float, float]:
    doses = found.corners[:, found.formula.ids.index(material)]
    return round(float(doses.min()), 2), round(float(doses.max()), 2)


def test_freeing_a_rating_opens_the_region() -> None:
    """Figures of the prototype, made on the same brief: betaine 7.09 to 7.85 %, without the rating to 9.74 %."""
    assert spans(region("gentle-wash"), "cocamidopropyl-betaine") == (7.09, 7.85)
    assert spans(region("gentle-wash", free=("mildness",)), "cocamidopropyl-betaine") == (7.09, 9.74)
    assert "mildness" in region("gentle-wash").sides
    assert "mildness" not in region("gentle-wash", free=("mildness",)).sides


@pytest.mark.parametrize("name", ["gentle-wash", "hand-wash", "body-wash", "facial-wash", "clear-shampoo"])
def test_every_corner_keeps_the_rules_and_no_further_step_does(name: str) -> None:
    """By the rules' own values, which share nothing with the rows: within at each corner, broken just beyond it."""
    brief, found, _ = solved(name)
    here = region(name)
    middle = here.corners.mean(axis=0)
    for corner in here.corners:
        assert broken(brief, here, corner, found.result.setting) == []
        assert broken(brief, here, corner + 0.05 * (corner - middle), found.result.setting) != []


def broken(brief: Brief, found: Region, doses: np.ndarray, setting: Setting) -> list[str]:
    formula = formula_at(brief.pool, dict(zip(found.formula.ids, doses, strict=True)))
    return [r.id for r in brief.enforced if r.violation(formula, setting) > 1e-6 * max(1.0, *map(finite, r.limits))]


def finite(limit: float) -> float:
    return abs(limit) if np.isfinite(limit) else 0.0


def test_choices_stay_those_of_the_plan() -> None:
    """A surfactant that is used stays worth its line: at least 1 % as active, as the brief's 'worth-weighing' says."""
    found = region("hand-wash", "strength", "nonionic-share", free=("mildness", "flash-foam"))
    assert "worth-weighing" in found.sides
    least = {i.id: i.surfactant * found.corners[:, k].min() for k, i in enumerate(found.formula.items)}
    assert min(v for v in least.values() if v > 0) == pytest.approx(1.0, abs=1e-4)


def way(name: str, factor: str) -> tuple[Ways, Way]:
    known = Ways(solved(name)[2])
    return known, known.known()[factor]


def test_strength_moves_all_surfactants_in_proportion() -> None:
    known, strength = way("gentle-wash", "strength")
    change = effect(strength, known.plan, 7.0, 7.7)
    used = known.active > 0
    assert np.allclose(change[used], 0.1 * known.plan[used] * 7.0 / (known.plan @ known.active))
    assert change.sum() == pytest.approx(0)
    assert change @ known.active == pytest.approx(0.7)


def test_a_share_moves_at_the_same_active_matter() -> None:
    known, share = way("gentle-wash", "amphoteric-share")
    after = known.plan + effect(share, known.plan, 30.0, 31.0)
    before, now = share.told(np.array([known.plan, after]))
    assert now - before == pytest.approx(1.0)
    assert after @ known.active == pytest.approx(known.plan @ known.active)
    assert after.sum() == pytest.approx(known.plan.sum())
    others = [k for k, i in enumerate(known.items) if i.surfactant and i.material.charge != "amphoteric"]
    assert np.allclose(after[others] / known.plan[others], after[others[0]] / known.plan[others[0]])


def test_what_is_proposed() -> None:
    assert [w.id for w in Ways(solved("gentle-wash")[2]).proposed()] == [
        "strength",
        "amphoteric-share",
        "nonionic-share",
        "emollient",
    ]
    assert [w.id for w in Ways(solved("gentle-wash")[2]).proposed(room=3)][-1] == "nonionic-share"


def test_a_material_that_is_varied_displaces_water() -> None:
    found = region("gentle-wash", vary=("glycerin",))
    assert spans(found, "glycerin") == (2.0, 4.0)
    assert ends(found.ways[0], found.corners) == (pytest.approx(2.0), pytest.approx(4.0))
    assert len(found.corners) == 2
    assert np.allclose(np.ptp(found.corners, axis=0).sum(), 4.0)


def test_a_factor_that_can_hardly_move_is_left_out() -> None:
    found = region("clear-shampoo")
    assert [w.id for w in found.ways] == ["strength", "humectant"]
    said = found.notes[0]
    assert said.startswith(
        "nonionic share of the active matter stays as in the plan: within the rules it can move by 0.00"
    )
    assert "Widen what holds it (" in said
    assert "mean mildness rating at least 68 rating points" in said


def test_what_a_factor_moves_is_what_is_weighed_and_not_the_water_that_makes_the_rest() -> None:
    """Strength from 7 to 7.014 %: each surfactant moves by 0.2 % of itself, so by 0.014 % of 7 % at most, while water
    moves by them all together, here more than three steps of 0.01 %."""
    brief = frozen("gentle-wash", ("active.at_most", "7.014"))
    found = solve_fully(brief, weighable=True, priced=False)
    formula = found.result.weighable
    assert formula is not None
    rows = rows_of(brief, found, formula, [found.result.setting])
    ways = Ways(formula).named(["strength", "emollient"], [])
    here = region_of(brief, rows, formula, ways, (), STEP)
    assert [w.id for w in here.ways] == ["emollient"]
    water = np.abs(effect(ways[0], Ways(formula).plan, 7.0, 7.014))[Ways(formula).rest]
    assert water >= 0.03
    assert "active matter 7 to 7.014 %" in here.notes[0]


def test_a_factor_that_changes_every_dose_by_next_to_nothing_is_left_out_and_it_is_said_why() -> None:
    """Strength from 7 to 7.1 %: 1.4 % of each surfactant is more than the scale's steps, less than readings tell."""
    brief = frozen("gentle-wash", ("active.at_most", "7.1"))
    found = solve_fully(brief, weighable=True, priced=False)
    formula = found.result.weighable
    assert formula is not None
    rows = rows_of(brief, found, formula, [found.result.setting])
    here = region_of(brief, rows, formula, Ways(formula).named(["strength", "emollient"], []), (), STEP)
    assert [w.id for w in here.ways] == ["emollient"]
    assert here.notes[0].startswith(
        "strength (active matter) stays as in the plan: within the rules it goes from 7 to 7.1 % only, which changes "
        "no dose by more than 1.41 % of itself, and readings scatter more than such a change could show. Widen what "
    )
    with pytest.raises(
        UsageError, match=r"nothing can be varied: strength \(active matter\): within the rules it goes"
    ):
        region_of(brief, rows, formula, Ways(formula).named(["strength"], []), (), STEP)


def test_nothing_to_vary_is_refused_with_the_rules_that_make_it_so() -> None:
    brief = frozen("gentle-wash", ("active.at_most", "7"))
    found = solve_fully(brief, weighable=True, priced=False)
    formula = found.result.weighable
    assert formula is not None
    rows = rows_of(brief, found, formula, [found.result.setting])
    ways = Ways(formula).named(["strength"], [])
    with pytest.raises(UsageError) as refused:
        region_of(brief, rows, formula, ways, (), STEP)
    said = str(refused.value)
    assert said.startswith("nothing can be varied: strength (active matter): within the rules it can move by")
    assert "What holds it: active matter exactly 7 %" in said
    assert said.endswith("Move a limit of the brief, or vary something else.")


def test_a_rating_that_holds_everything_is_named_to_be_freed() -> None:
    with pytest.raises(UsageError) as refused:
        region("body-wash", "nonionic-share")
    assert str(refused.value) == (
        "nothing can be varied: nonionic share of the active matter: within the rules it can move by 0.009 % only, "
        "less than 3 steps of the scale (0.03 %). "
        "What holds it: mean mildness rating at least 58 rating points. With --free mildness it may move by 1.06 %."
    )
    assert region("body-wash", "nonionic-share", free=("mildness",)).sides


def test_rules_that_hold_everything_together_are_named() -> None:
    with pytest.raises(UsageError) as refused:
        region("clear-shampoo", "amphoteric-share")
    said = str(refused.value)
    assert "What holds it, several together: " in said
    assert "mean mildness rating at least 68 rating points" in said


def test_more_than_five_directions_are_refused() -> None:
    names = ("strength", "amphoteric-share", "nonionic-share", "emollient", "humectant")
    with pytest.raises(UsageError, match=r"6 directions .* are more than the 5"):
        region("gentle-wash", *names, vary=("tetrasodium-glutamate-diacetate",))


@pytest.mark.parametrize(
    ("factors", "vary", "said"),
    [
        (("strenght",), (), "--factors strenght: this formula has no such factor. Did you mean 'strength'?"),
        (("salt",), (), "make one a candidate in [pool] and ask for its dose in a rule. The curve of salt that is"),
        ((), ("betaine",), "--vary betaine: the plan does not use it"),
        ((), ("aqua",), "it makes the rest, so it moves by itself"),
        (("strength", "amphoteric-share", "nonionic-share", "anionic-share"), (), "'anionic-share' moves nothing"),
    ],
)
def test_what_cannot_be_varied_is_told_by_name(factors: tuple[str, ...], vary: tuple[str, ...], said: str) -> None:
    with pytest.raises(UsageError) as refused:
        region("gentle-wash", *factors, vary=vary)
    assert said in str(refused.value)


def test_only_ratings_can_be_freed() -> None:
    brief = solved("gentle-wash")[0]
    assert freed_rules(brief, ["flash_foam", "mildness"]) == ("flash-foam", "mildness")
    for name in ("active", "load", "level-eu-annex-v-29-phenoxyethanol"):
        with pytest.raises(UsageError, match="only rules on planning ratings can be freed"):
            freed_rules(brief, [name])


def test_what_freeing_would_gain_is_said() -> None:
    brief, found, formula = solved("gentle-wash")
    rows = rows_of(brief, found, formula, [found.result.setting])
    said = gain_of_freeing(brief, region("gentle-wash"), rows, formula, ())
    assert said == (
        "'mildness' rests on planning ratings: with --free mildness, amphoteric share of the active matter may go "
        "from 30 to 41.2 % instead of 30 to 31.7",
    )
    assert gain_of_freeing(brief, region("gentle-wash", free=("mildness",)), rows, formula, ("mildness",)) == ()


def test_a_ph_at_which_the_plan_breaks_a_rule_is_refused() -> None:
    """The pH window of clear-shampoo is 6 to 6.8 with 0.2 to either side, so a target of 6 reaches below it."""
    brief, found, formula = solved("clear-shampoo")
    with pytest.raises(DataError, match=r"at pH 6 the plan breaks 'pH 6 to 6\.8"):
        rows_of(brief, found, formula, settings_of(found.result.setting, (6.0, 6.3, 6.6)))
    assert rows_of(brief, found, formula, settings_of(found.result.setting, (6.2, 6.4, 6.6))).owners


def test_a_ph_that_a_material_does_not_stand_is_refused_with_those_that_all_stand() -> None:
    brief, found, formula = solved("gentle-wash")
    with pytest.raises(DataError, match=r"Vary it between 5\.2 and 5\.8 at most"):
        rows_of(brief, found, formula, settings_of(found.result.setting, (5.0, 5.4, 5.8)))
    assert rows_of(brief, found, formula, settings_of(found.result.setting, (5.2, 5.5, 5.8))).owners
    brief, found, formula = solved("hand-wash")
    settings = settings_of(found.result.setting, (4.9, 5.6, 6.3))
    with pytest.raises(DataError, match=r"sodium-benzoate: at pH 5\.6 it may not be used, and the plan uses it"):
        rows_of(brief, found, formula, settings)

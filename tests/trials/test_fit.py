"""What readings tell: made-up truths come back, nothing is told of noise, and what is odd is said."""

from math import log

import numpy as np
import pytest

from optimizer.errors import UsageError
from optimizer.trials.basis import Terms
from optimizer.trials.fit import choose, predicted, readings_of, usual_noise
from optimizer.trials.fitted import fits_of, sides_of
from optimizer.trials.regression import Noise
from optimizer.trials.told import told_apart
from tests.support.readings import demo, gentle, read_of, with_reads

SLOPES = np.array([0.3, -0.2, 0.15])
"""Made up."""


def line(z):
    return 6.5 + float(SLOPES @ z)


def bent(z):
    return line(z) + 0.35 * z[0] ** 2 - 0.3 * z[0] * z[1]


def fitted(series, what="viscosity", **noise):
    readings = readings_of(series, what)
    return choose(readings, Noise(**noise) if noise else usual_noise(readings))


def test_a_line_comes_back_without_noise():
    found = fitted(read_of(line))
    assert found.fitted.model == "line"
    assert found.posterior.mean == pytest.approx([6.5, *SLOPES], abs=1e-5)


def test_a_bend_is_taken_for_a_quadratic_only_if_it_is_one():
    assert fitted(read_of(bent, 0.05)).fitted.model == "quadratic"
    straight = [fitted(read_of(line, 0.1, seed)).fitted.model for seed in range(20)]
    assert straight.count("line") >= 18


def test_noise_alone_predicts_nothing():
    found = [fitted(read_of(lambda z: 6.5, 0.1, seed)).predicts for seed in range(20)]
    assert sum(found) <= 5
    silent = next(seed for seed, told in enumerate(found) if not told)
    told = fits_of(read_of(lambda z: 6.5, 0.1, silent)).by_name["viscosity"]
    assert told.verdict == (
        "These trials do not predict viscosity: left-out readings are met no better than by their mean."
    )
    assert told.measure is None


def test_five_beakers_are_too_few_to_judge_a_line_of_four_figures():
    """A perfect line in three factors: with five beakers only one is left to judge it by."""
    by = {k: r.read for k, r in enumerate(read_of(line).all_readings, 1)}
    spread = [1, 2, 3, 4, 5]
    few = with_reads({"viscosity": {k: by[k] for k in spread}}, {"viscosity": "log"})
    assert not fits_of(few).by_name["viscosity"].predicts
    assert fits_of(read_of(line)).by_name["viscosity"].predicts


@pytest.mark.thorough
def test_an_interval_holds_the_line_as_often_as_it_says():
    """200 made-up lines at the demo's beakers; 90 % intervals of the mean in the middle and at a beaker."""
    terms, rng, kept = Terms(3), np.random.default_rng(2), []
    places = np.vstack([np.zeros(3), demo().z()[4]])
    for seed in range(200):
        b = np.append(6.5, 0.3 * rng.standard_normal(3))
        found = fitted(read_of(lambda z, b=b: float(terms.columns(z)[0] @ b), 0.1, seed))
        held = predicted(found, places, None)
        kept.append((held[:, 1] <= terms.columns(places) @ b) & (terms.columns(places) @ b <= held[:, 2]))
    assert np.mean(kept) >= 0.9


def test_limits_pull_as_far_as_they_say():
    plain = read_of(line, 0.05)
    above = {b: r.read for b, r in enumerate(plain.all_readings, 1)}
    top = sorted(above, key=lambda b: float(above[b]))[-3:]
    cut = min(float(above[b]) for b in top) * 0.9
    limited = with_reads({"viscosity": above | dict.fromkeys(top, f">{cut:.0f}")}, {"viscosity": "log"})
    as_numbers = with_reads({"viscosity": above | dict.fromkeys(top, f"{cut:.0f}")}, {"viscosity": "log"})
    whole, part, wrong = (fitted(s).posterior.mean[1:] for s in (plain, limited, as_numbers))
    assert np.abs(part - whole).max() < np.abs(wrong - whole).max()


def test_what_separated_is_a_chance_and_what_nobody_noted_is_a_no():
    base = read_of(line, 0.05)
    by = {k: r.read for k, r in enumerate(base.all_readings, 1)}
    apart = {b.number: "yes" for b, z in zip(demo().beaker, demo().z(), strict=True) if z[1] > 0.6}
    for number in apart:
        del by[number]
    series = with_reads({"viscosity": by, "separated": apart}, {"viscosity": "log", "separated": "yes/no"})
    told = fits_of(series).by_name["separated"]
    assert told.readings == len(demo().beaker)
    assert {p.typed for p in told.points} == {"yes", "no"}
    assert told.predicts
    assert told.brier < told.brier_of_guessing


def test_what_is_odd_is_told():
    base = read_of(line, 0.02)
    by = {k: r.read for k, r in enumerate(base.all_readings, 1)}
    days = {b.number: b.day for b in demo().beaker}
    own = [b.number for b in demo().beaker if b.role == "plan" and b.day == 1]
    repeat = next(b for b in demo().beaker if b.repeats is not None and days[b.repeats] == b.day)
    drifted = by | {own[-1]: f"{float(by[own[0]]) * 1.6:.1f}"}
    told = fits_of(with_reads({"viscosity": drifted}, {"viscosity": "log"})).by_name["viscosity"].notes
    assert any(n.startswith("Drift: the plan's last beaker of a day reads") for n in told)
    off = by | {repeat.number: f"{float(by[repeat.repeats]) * 1.5:.1f}"}
    told = fits_of(with_reads({"viscosity": off}, {"viscosity": "log"})).by_name["viscosity"].notes
    assert any(
        n.startswith(f"beaker {repeat.number} repeats beaker {repeat.repeats}, and they disagree:") for n in told
    )
    later = {n: f"{float(v) * (1.5 if days[n] == 2 else 1):.1f}" for n, v in by.items()}
    told = fits_of(with_reads({"viscosity": later}, {"viscosity": "log"})).by_name["viscosity"].notes
    assert any(n.startswith(("Day 1 reads", "Day 2 reads")) for n in told)
    assert (
        not fits_of(base).by_name["viscosity"].notes[:1] or "Drift" not in fits_of(base).by_name["viscosity"].notes[0]
    )


def test_too_few_or_one_sided_trials_are_refused_by_name():
    by = {k: r.read for k, r in enumerate(read_of(line).all_readings, 1)}
    few = with_reads({"viscosity": dict(list(by.items())[:3])}, {"viscosity": "log"})
    assert fits_of(few).left == ("viscosity: 3 beakers have a reading of viscosity; at least 4 are needed to fit it.",)
    same = demo().beaker[0].doses
    beakers = tuple(b.model_copy(update={"doses": same}) for b in demo().beaker)
    alike = read_of(line, 0.05, series=demo().model_copy(update={"beaker": beakers, "all_weighed": ()}))
    told = fits_of(alike).by_name["viscosity"]
    assert not told.predicts
    assert any(n.startswith("No line: the trials tell 1 of 4 terms apart") for n in told.notes)
    with pytest.raises(UsageError, match="the series measures no foam, but viscosity"):
        fits_of(alike, only=["foam"])


def test_effects_are_in_the_makers_words_and_as_large_as_the_truth():
    told = fits_of(read_of(line, 0.02), gentle()).by_name["viscosity"]
    assert [e.factor for e in told.effects] == ["strength", "amphoteric-share", "nonionic-share"]
    at, ways = demo().coordinates, told.ways
    every = at.doses(demo().z())
    for effect, way in zip(told.effects, ways, strict=True):
        figure = way.told(every)
        assert (effect.low, effect.high) == pytest.approx((figure.min(), figure.max()), rel=1e-3)
        z = at.z(np.vstack([at.centre, at.centre + way.direction]))
        per_unit = line(z[1]) - line(z[0])
        steps = (effect.high - effect.low) / float(np.diff(way.told(at.doses(z)))[0])
        assert log(effect.effect) == pytest.approx(per_unit * steps, abs=0.05)
        assert effect.effect_low < effect.effect < effect.effect_high


def test_sides_hold_all_points_and_no_more():
    rng = np.random.default_rng(3)
    points = rng.standard_normal((12, 3))
    along, ends = sides_of(points)
    assert (points @ along.T <= ends + 1e-9).all()
    # Each side touches at least three points, so none can move inwards.
    assert (np.isclose(points @ along.T, ends, atol=1e-7).sum(axis=0) >= 3).all()


def test_errors_that_look_alike_are_told_by_one_more_digit() -> None:
    assert told_apart("log", "", 0.1195, 0.124) == ("12.7 %", "13.2 %")
    assert told_apart("log", "", 0.1, 0.5) == ("11 %", "65 %")
    assert told_apart("judged", "", 0.924, 0.924) == ("0.9 steps", "0.9 steps")
    assert told_apart("number", "s", 1.004, 1.002) == ("1.004 s", "1.002 s")

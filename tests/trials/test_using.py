"""Blending by what was measured: limits on the bound against a general nonlinear solver and the equation itself."""

from math import exp, inf, log, sqrt

import numpy as np
import pytest
import tomli
from scipy.optimize import minimize
from scipy.stats import norm, t

from optimizer.answers import questions
from optimizer.errors import UsageError
from optimizer.rules.fitted import FittedLine, MeasuredRule, WithinTrials
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import case_at, formula_at
from optimizer.studies.check import check
from optimizer.trials.fitted import fits_of
from optimizer.trials.plan import TrialsQuestion, plan
from optimizer.trials.series import series_from
from optimizer.trials.text import series_text
from optimizer.trials.using import ReadingsWish, with_readings
from tests.support.readings import demo, gentle, read_of, with_reads

SLOPES = np.array([0.3, -0.2, 0.15])


def line(z):
    return 6.5 + float(SLOPES @ z)


def bent(z):
    return line(z) - 0.25 * z[0] ** 2 - 0.2 * z[1] ** 2


@pytest.fixture(scope="module")
def fits():
    return fits_of(read_of(line, 0.08, 4))


def rule(brief, name):
    return next(r for r in brief.modelled if r.id == name)


def bound_by_hand(fit, doses, sure):
    """The one-sided bound from the fit's own matrices, apart from the rule."""
    at, post = demo().coordinates, fit.chosen.posterior
    z = at.z(np.array([doses.get(n, 0.0) for n in at.materials]))[0]
    terms = np.array([1.0, *z])
    error = sqrt(terms @ (post.variance * post.unit) @ terms)
    return exp(terms @ post.mean - t.ppf(sure / 100, post.df) * error)


def test_a_limit_is_kept_on_its_bound_and_the_cost_is_the_least(fits):
    brief = with_readings(gentle(), fits, ReadingsWish({"viscosity": (800.0, None)}))
    result = solve(brief, weighable=True)
    assert (result.ending, result.proof) == ("optimal", "certificate")
    fit = fits.by_name["viscosity"]
    assert bound_by_hand(fit, result.formula.doses, 90) == pytest.approx(800, rel=1e-5)
    assert bound_by_hand(fit, result.weighable.doses, 90) >= 800 * (1 - 1e-6)
    plain = with_readings(gentle(), fits, ReadingsWish({"viscosity": (1.0, None)}))
    assert solve(plain).objective < result.objective
    assert _by_a_nonlinear_solver(brief, result) == pytest.approx(result.formula.cost, rel=1e-5)


def _by_a_nonlinear_solver(brief, result):
    """The least cost of the blend at the answer's choices, which fix what is planned for the bench.

    By sequential quadratic programming, from another start.
    """
    case = case_at(brief.__replace__(modelled=tuple(r for r in brief.modelled if not isinstance(r, MeasuredRule))),
                   result.setting)  # fmt: skip
    names, ids = case.model.names, brief.pool.ids
    x = np.array([result.formula.dose(n) if n in ids else 0.0 for n in names])
    for k, choice in enumerate(case.model.choices):
        own = choice.key.removeprefix("use:")
        said = choice.key.startswith("use:") and result.formula.dose(own) > 0
        x[len(ids) + k] = 1.0 if said or choice.says in result.choices else 0.0
    moving = [k for k in range(len(ids)) if x[k] > 0]
    measure, fit = rule(brief, "viscosity"), demo()
    base = np.where(np.isin(np.arange(len(names)), moving), 0.0, x)
    rows, low, high = case.model.matrix[:, moving], case.model.row_low, case.model.row_high
    off = case.model.matrix @ base

    def full(v):
        out = base.copy()
        out[moving] = v
        return out

    ends = [{"type": "ineq", "fun": lambda v, a=a, e=e: e - a @ v} for a, e in zip(rows, high - off, strict=True)
            if e < inf and np.abs(a).max() > 0]  # fmt: skip
    ends += [{"type": "ineq", "fun": lambda v, a=a, e=e: a @ v - e} for a, e in zip(rows, low - off, strict=True)
             if e > -inf and np.abs(a).max() > 0]  # fmt: skip
    ends.append({"type": "ineq", "fun": lambda v: measure.straight(brief.pool, full(v)[: len(ids)])[0] - log(800)})
    prices = brief.pool.prices[moving] / 100
    assert len(fit.beaker) > 0
    start = x[moving] * 1.01
    found = minimize(lambda v: prices @ v, start, jac=lambda v: prices, constraints=ends, method="SLSQP",
                     bounds=[(0, 100)] * len(moving), options={"maxiter": 500, "ftol": 1e-12})  # fmt: skip
    assert found.success
    return found.fun


def test_the_surer_the_dearer(fits):
    costs = [solve(with_readings(gentle(), fits, ReadingsWish({"viscosity": (700.0, None)}, sure))).objective
             for sure in (50, 80, 95)]  # fmt: skip
    assert costs == sorted(costs)
    assert costs[0] < costs[2]


def test_what_no_formula_keeps_is_proven_and_named(fits):
    answer = questions.blend(with_readings(gentle(), fits, ReadingsWish({"viscosity": (9000.0, None)})))
    assert (answer.found.ending, answer.found.proof, answer.exit_code) == ("infeasible", "certificate", 4)
    clash = answer.document().sections
    told = next(s for s in clash if s.title.startswith("These"))
    assert any("viscosity at least 9000 mPas, 90 % sure (measured here, " in line for line in told.items)


def test_an_upper_limit_holds_on_the_upper_bound(fits):
    brief = with_readings(gentle(), fits, ReadingsWish({"viscosity": (None, 800.0)}))
    found = solve(brief)
    fit, post = fits.by_name["viscosity"], fits.by_name["viscosity"].chosen.posterior
    upper = bound_by_hand(fit, found.formula.doses, 90)
    mean = rule(brief, "viscosity-expected").value(found.formula, found.setting)
    assert mean**2 / upper <= 800 * (1 + 1e-6)  # the bounds lie alike on both sides of the mean, in logarithms
    assert post.df > 0


def test_a_chance_is_limited(fits):
    base = read_of(line, 0.05)
    by = {k: r.read for k, r in enumerate(base.all_readings, 1)}
    apart = {b.number: "yes" for b, z in zip(demo().beaker, demo().z(), strict=True) if z[1] > 0.6}
    series = with_reads({"viscosity": by, "separated": apart}, {"viscosity": "log", "separated": "yes/no"})
    fit = fits_of(series).by_name["separated"]
    brief = with_readings(
        gentle(), fits_of(series), ReadingsWish({"separated": (None, 20.0), "viscosity": (1.0, None)})
    )
    found = solve(brief)
    assert found.ending == "optimal"
    at, post = demo().coordinates, fit.chosen.posterior
    z = at.z(np.array([found.formula.dose(n) for n in at.materials]))
    terms = fit.chosen.fitted.terms.columns(z)[0]
    chance = norm.cdf(terms @ post.mean / sqrt(1 + terms @ post.covariance @ terms))
    assert 100 * chance <= 20 * (1 + 1e-6)
    assert rule(brief, "separated").value(found.formula, found.setting) == pytest.approx(100 * chance)
    with pytest.raises(UsageError, match="a chance of separated is only limited from above"):
        with_readings(gentle(), fits_of(series), ReadingsWish({"separated": (5.0, None)}))


@pytest.mark.thorough
def test_an_objective_and_trade_offs_on_the_mean(fits):
    scenario = gentle().scenario
    goal = scenario.objective.model_copy(update={"minimise": None, "maximise": "viscosity", "then": ()})
    wish = ReadingsWish({"viscosity": (1.0, None)})
    brief = with_readings(gentle(), fits, wish)
    brief = brief.__replace__(scenario=scenario.model_copy(update={"objective": goal}))
    found = solve(brief)
    assert found.proof == "certificate"
    assert isinstance(brief.measure("viscosity"), FittedLine)
    # The most is reached among the corners of what was tried and the brief's rules: no beaker reads more on the mean.
    assert found.objective >= max(
        line_at(fits, b.doses) for b in demo().beaker if not check(brief, dict(b.doses), 4.0).broken
    ) - 1e-6  # fmt: skip
    curve = questions.frontier(with_readings(gentle(), fits, wish), best="minimise cost", against="maximise viscosity")
    points = curve.found[0][1].breaks
    assert len(points) >= 2
    ends = sorted((p.x, p.y) for p in points)
    assert ends[0][1] < ends[-1][1]


def line_at(fits, doses):
    at, post = demo().coordinates, fits.by_name["viscosity"].chosen.posterior
    return float(np.array([1.0, *at.z(np.array([doses.get(n, 0.0) for n in at.materials]))[0]]) @ post.mean)


def test_a_rating_gives_way_to_its_reading():
    judged = {b.number: str(int(np.clip(round(3 + z[0] - 0.8 * z[1]), 1, 5)))
              for b, z in zip(demo().beaker, demo().z(), strict=True)}  # fmt: skip
    series = with_reads({"mildness": judged}, {"mildness": "judged"})
    fits = fits_of(series)
    brief = with_readings(gentle(), fits, ReadingsWish({"mildness": (2.5, None)}))
    assert isinstance(rule(brief, "mildness"), MeasuredRule)
    assert any("gives way to what was measured here" in note for note in brief.assumptions)
    kept = with_readings(gentle(), fits, ReadingsWish())
    assert not isinstance(rule(kept, "mildness"), MeasuredRule)


def test_nothing_is_told_outside_what_was_tried(fits):
    brief = with_readings(gentle(), fits, ReadingsWish({"viscosity": (100.0, None)}))
    plan = dict(demo().beaker[0].doses)
    inside = check(brief, plan, 4.0)
    assert "within-trials" not in inside.broken
    far = plan | {"cocamidopropyl-betaine": plan["cocamidopropyl-betaine"] + 6, "aqua": plan["aqua"] - 6}
    beyond = check(brief, far, 4.0)
    assert "within-trials" in beyond.broken
    held = rule(brief, "within-trials")
    assert isinstance(held, WithinTrials)
    formula = formula_at(brief.pool, plan | {"glycerin": plan["glycerin"] + 1, "aqua": plan["aqua"] - 1})
    assert held.tried.outside(formula)[1] == "no trial had glycerin at 3 % with the other doses"
    assert np.isnan(rule(brief, "viscosity").value(formula, Setting()))


def test_what_does_not_predict_enters_no_blend():
    silent = fits_of(read_of(lambda z: 6.5, 0.1, next(s for s in range(20) if not _predicts(s))))
    with pytest.raises(UsageError, match=r"do not predict viscosity.* So no limit on it enters a blend\."):
        with_readings(gentle(), silent, ReadingsWish({"viscosity": (500.0, None)}))
    with pytest.raises(UsageError, match="--want foam: the trials did not measure it, but viscosity"):
        with_readings(gentle(), silent, ReadingsWish({"foam": (3.0, None)}))


def _predicts(seed):
    return fits_of(read_of(lambda z: 6.5, 0.1, seed)).by_name["viscosity"].predicts


@pytest.mark.thorough
def test_a_quadratic_is_followed_by_steps_and_called_local():
    fits = fits_of(read_of(bent, 0.03, 2))
    assert fits.by_name["viscosity"].model == "quadratic"
    brief = with_readings(gentle(), fits, ReadingsWish({"viscosity": (520.0, None)}))
    result = solve(brief, weighable=True)
    assert (result.ending, result.proof) == ("feasible", "local")
    assert rule(brief, "viscosity").value(result.formula, result.setting) >= 520 * (1 - 1e-6)
    assert result.weighable is not None
    assert rule(brief, "viscosity").value(result.weighable, result.setting) >= 520 * (1 - 1e-6)


def test_slopes_are_those_of_finite_differences():
    for truth, model in ((line, "line"), (bent, "quadratic")):
        fits = fits_of(read_of(truth, 0.03, 2))
        assert fits.by_name["viscosity"].model == model
        brief = with_readings(gentle(), fits, ReadingsWish({"viscosity": (300.0, None)}))
        measure, pool = rule(brief, "viscosity"), brief.pool
        doses = np.array([demo().beaker[3].doses.get(n, 0.0) for n in pool.ids])
        value, slopes = measure.tangent(pool, doses)
        for k in np.flatnonzero(slopes):
            step = np.zeros(len(pool))
            step[k] = 1e-4
            ahead, behind = measure.tangent(pool, doses + step)[0], measure.tangent(pool, doses - step)[0]
            assert (ahead - behind) / 2e-4 == pytest.approx(slopes[k], rel=1e-4)
        assert value > 0


def test_where_the_ph_was_varied_it_must_be_stated_and_counts():
    asked = TrialsQuestion(factors=("strength", "amphoteric-share"), free=("mildness",), ph=(5.2, 5.6), trials=12)
    text = series_text(plan(gentle(), asked), name="ph", brief="gentle-wash", planned_on="")
    series = series_from(tomli.loads(text), "ph.toml")
    levels = series.process()
    by = {
        b.number: f"{exp(6.5 + 0.3 * z[0] + 0.25 * p):.3f}"
        for b, z, p in zip(series.beaker, series.z(), levels, strict=True)
    }
    fits = fits_of(with_reads({"viscosity": by}, {"viscosity": "log"}, series), gentle())
    told = {e.factor: e.effect for e in fits.by_name["viscosity"].effects}
    assert told["ph"] == pytest.approx(exp(0.5), rel=1e-3)
    wish = {"viscosity": (1.0, None)}
    with pytest.raises(UsageError, match=r"the trials varied the pH from 5.2 to 5.6; no pH is stated\. Write --at-ph"):
        with_readings(gentle(), fits, ReadingsWish(wish))
    with pytest.raises(UsageError, match=r"the trials varied the pH from 5.2 to 5.6; pH 5.8 lies outside"):
        with_readings(gentle(), fits, ReadingsWish(wish, ph=5.8))
    low, high = (with_readings(gentle(), fits, ReadingsWish(wish, ph=ph)) for ph in (5.2, 5.6))
    plan_doses = dict(series.beaker[0].doses)
    at = [
        rule(b, "viscosity-expected").value(formula_at(b.pool, plan_doses), Setting()) for b in (low, high)
    ]  # fmt: skip
    assert at[1] / at[0] == pytest.approx(exp(0.5), rel=1e-3)
    assert (high.acidity.low, high.acidity.high) == pytest.approx((5.4, 5.8))

"""The plan of a series: what is varied, which beakers, in which order, on which day."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.solubiliser import usual_most
from optimizer.brief.brief import Brief
from optimizer.data.cautions import Caution
from optimizer.data.formula import Formula
from optimizer.data.pool import Vector
from optimizer.errors import UsageError
from optimizer.immutable import immutable, replace, result, seen, told_as, untold
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at
from optimizer.solve.linear import solve_fully
from optimizer.solve.solved import Solved
from optimizer.trials.basis import ModelName, on_three_levels
from optimizer.trials.choosing import ENOUGH, Field, best_places, days_of, enough_for, field_of, told_by
from optimizer.trials.design import DesignTask, Places, efficiency, in_groups
from optimizer.trials.factors import Way, Ways, effect, ends
from optimizer.trials.region import Region, freed_rules, gain_of_freeing, region_of, rows_of, settings_of
from optimizer.trials.series import Beaker, Role
from optimizer.trials.weighable import ScaleGrid, keeping
from optimizer.units import AS_TYPED, KEPT, listed, number

MOST_TRIALS = 60
LEAST_PH = 0.1
"""What a target pH is met to at best, meter and drops together; common practice, no source."""
FAR_ABOVE = 2.0
"""How many times its highest usual dose a material may go before that is said; an editable default, no source."""


@immutable
class TrialsQuestion:
    """What a plan is asked for.

    Attributes:
        factors: Factors by name; with no material and no pH either, the tool proposes.
        materials: Materials that vary by themselves.
        trials: Chosen beakers; as many as the model takes if it is None.
        repeats: Beakers of the plan itself on each day: the first, the last, then others between.
        ph: Lowest and highest target pH, if it is varied.
        free: Rating rules that are left out.
        grams: Product in a beaker [g].
        step_g: Step of the scale [g].
    """

    factors: tuple[str, ...] = ()
    materials: tuple[str, ...] = ()
    trials: int | None = None
    repeats: int = 2
    days: int = 1
    ph: tuple[float, float] | None = None
    free: tuple[str, ...] = ()
    aim: str = "learn"
    grams: float = 100.0
    step_g: float = 0.01
    seed: int = 1

    @property
    def step_percent(self) -> float:
        """The scale's step [% of a beaker]."""
        return self.step_g / self.grams * 100


@immutable
class Move:
    """What a factor does to one material on its way from low to high, the others as in the plan."""

    material: str
    grams: float
    """More of it in a beaker [g]; less if below 0."""


@immutable
class Varied:
    """A factor of the plan."""

    id: str
    name: str
    why: str
    unit: str
    low: float
    """Least over the region."""
    high: float
    """Most."""
    moves: tuple[Move, ...] = ()


@immutable
class Span:
    """Where a dose may go."""

    material: str
    plan: float
    """In the plan [% as supplied]."""
    least: float
    """Over the region [%]."""
    most: float
    """Over the region [%]."""


@immutable
class PlannedBeaker:
    """A beaker that is to be made."""

    number: int
    """In the order of making."""
    day: int
    role: Role
    ph: float | None
    """Target."""
    doses: dict[str, float]
    """By material [% as supplied]."""
    repeats: int | None = None
    """The beaker that it repeats."""


@result
class TrialPlan:
    """A series as planned: the output of `tenside trials plan --json`."""

    FORMAT = 1
    brief: Brief = untold()
    name: str = seen("brief.scenario.name")
    """Of the brief."""
    aim: str = seen("asked.aim")
    model: str
    """What the beakers can tell: a line, or a full quadratic."""
    criterion: str
    """D: all effects at once; I: the prediction over the region."""
    directions: int
    """How much is varied at once, pH included."""
    factors: tuple[Varied, ...]
    materials: tuple[Span, ...]
    freed: tuple[str, ...]
    """Rating rules that are left out."""
    held_by: tuple[str, ...]
    """Readings of the rules that bound the region."""
    beakers: tuple[PlannedBeaker, ...]
    kept_after_rounding: float
    """Part of the information that is left once the beakers are on the scale's grid."""
    notes: tuple[str, ...]
    cautions: tuple[Caution, ...]
    asked: TrialsQuestion = untold()
    held_back: float = told_as("held_back_percent")
    """Water kept back for acid and thickener [%]."""
    region: Region = untold()
    setting: Setting = untold()
    levels: tuple[float, ...] = untold(default=())


def plan(brief: Brief, asked: TrialsQuestion) -> TrialPlan:
    """Return the beakers of a series that teach most.

    Raises:
        UsageError: If the brief has no formula that the scale can weigh, or nothing can be learnt as asked.
        DataError: If a rule is linear only around a formula, or the pH rules out a material of the plan.
    """
    _refuse(asked)
    solved, formula = _weighable_plan(brief, asked)
    setting, levels = solved.result.setting, _levels(asked, solved.result.setting)
    settings = settings_of(setting, levels)
    freed = freed_rules(brief, asked.free)
    rows = rows_of(brief, solved, formula, settings)
    ways = Ways(formula)
    region = region_of(brief, rows, formula, _wanted(ways, asked), freed, asked.step_percent, process=bool(levels))
    field = field_of(region.space.body, bool(levels), asked.seed)
    count = enough_for(field, asked.trials)
    _refuse_too_few(field, count)
    model, ph = told_by(field, count), _plan_ph(setting, levels)
    given = _given(field, region, asked, ph, levels)
    field, task, chosen = best_places(field, asked.seed, days_of(count, asked.days), given, asked.days, model)
    grid = ScaleGrid(
        region.coordinates, asked.step_percent, float(ways.plan.sum()), region.rows.hold,
        keeping(brief, ways.ids, frozenset(freed), settings),
    )  # fmt: skip
    doses = on_grid(grid, field.z[chosen])
    targets = [levels[round(p) + 1] if levels else setting.target for p in field.process[chosen]]
    beakers = _in_order(asked, ways, doses, targets, task, ph)
    notes = (
        *region.notes,
        *_notes(field, model, asked),
        *_far_above_use(region),
        *gain_of_freeing(brief, region, rows, formula, freed),
    )
    return TrialPlan(
        brief=brief,
        model=model,
        criterion=task.criterion,
        directions=len(field.full.variables),
        factors=_varied(region, asked, levels),
        materials=_spans(region),
        freed=freed,
        held_by=_held_by(brief, region),
        beakers=beakers,
        kept_after_rounding=after_rounding(task, field, grid, chosen, doses),
        notes=notes,
        cautions=beaker_cautions(brief, beakers, settings),
        asked=asked,
        held_back=formula.held_back,
        region=region,
        setting=setting,
        levels=levels,
    )


def _refuse(asked: TrialsQuestion) -> None:
    """Refuse what no plan can be made of."""
    if asked.step_percent > 1:
        raise UsageError(
            f"a scale that shows {number(asked.step_g)} g is too coarse for {number(asked.grams)} g: one step is more "
            "than 1 %. Weigh finer (--scale 0.01), or make more (--grams)."
        )
    if asked.trials is not None and asked.trials > MOST_TRIALS:
        raise UsageError(f"--trials {asked.trials}: at most {MOST_TRIALS}; more teach next to nothing.")
    if asked.ph is not None and not 0 < asked.ph[0] < asked.ph[1] < 14:
        raise UsageError("--with ph: write the lowest and the highest target, such as --with ph=5.0:5.8.")


def _refuse_too_few(field: Field, count: int) -> None:
    varied = len(field.full.variables)
    if count < varied + 2:
        raise UsageError(
            f"--trials {count}: a straight line in {varied} direction{'s' * (varied > 1)} needs at least {varied + 2}. "
            "Make more beakers, or vary less."
        )


def _weighable_plan(brief: Brief, asked: TrialsQuestion) -> tuple[Solved, Formula]:
    """Return the answer of a brief and its formula on the grid of the beakers' scale."""
    scenario = brief.scenario.model_copy(update={"scale_step": asked.step_percent})
    solved = solve_fully(replace(brief, scenario=scenario), weighable=True, priced=False)
    rounded = solved.result.rounded
    if solved.chosen is None or rounded is None:
        raise UsageError(
            "the brief has no formula, so there is nothing to vary. See what clashes with 'tenside blend'."
        )
    if rounded.formula is None:
        why = listed(list(rounded.stopped_by)) or "none was found in time"
        raise UsageError(
            f"no formula in steps of {number(asked.step_g)} g in {number(asked.grams)} g keeps every rule ({why}). "
            "Weigh finer (--scale), or make more (--grams)."
        )
    return solved, rounded.formula


def _levels(asked: TrialsQuestion, setting: Setting) -> tuple[float, ...]:
    """Return low, middle and high target pH, if it is varied."""
    if asked.ph is None:
        return ()
    if setting.target is None:
        raise UsageError("--with ph: the brief has no [ph], so nothing says which pH its materials stand.")
    low, high = asked.ph
    apart = max(LEAST_PH, (setting.high or 0.0) - setting.target)
    if high - low < apart - KEPT:
        raise UsageError(
            f"--with ph={number(low)}:{number(high)}: targets {number(high - low)} apart cannot be told from one "
            f"another at the bench, where each is met to {number(apart)}. Vary the pH by more than that, or leave it "
            "where it is."
        )
    return (low, round((low + high) / 2, 3), high)


def _plan_ph(setting: Setting, levels: tuple[float, ...]) -> float | None:
    """Return the pH of the beakers of the plan itself: its own, or the middle one if that is not among those tried."""
    own = setting.target
    return levels[1] if levels and (own is None or not levels[0] <= own <= levels[2]) else own


def _wanted(ways: Ways, asked: TrialsQuestion) -> tuple[Way, ...]:
    if asked.factors or asked.materials:
        return ways.named(asked.factors, asked.materials)
    return ways.proposed(room=3 if asked.ph else 4)


def _given(field: Field, region: Region, asked: TrialsQuestion, ph: float | None, levels: tuple[float, ...]) -> Vector:
    """Return the columns of the beakers of the plan itself, on each day."""
    process = on_three_levels(np.array([ph]), levels[0], levels[-1]) if levels else np.zeros(1)
    one = in_groups(field.columns(region.coordinates.z(region.formula.plan), process), asked.days)
    return np.repeat(one[:, 0, :], asked.repeats, axis=0)


def on_grid(grid: ScaleGrid, z: Vector) -> Vector:
    """Return the doses of chosen points on the scale's grid, shape (k, n).

    Raises:
        UsageError: If none near one of them keeps every rule.
    """
    found = [grid.nearest(point) for point in z]
    if any(x is None for x in found):
        raise UsageError("no beaker on the scale's grid keeps every rule near a chosen point. Weigh finer (--scale).")
    return np.array(found)


def after_rounding(task: DesignTask, field: Field, grid: ScaleGrid, chosen: Places, doses: Vector) -> float:
    """Return the part of the information that chosen trials keep on the grid."""
    ideal = task.candidates[task.group, chosen]
    columns = field.columns(grid.known.z(doses), field.process[chosen])
    return efficiency(task, np.hstack([columns, ideal[:, columns.shape[1] :]]), ideal)


def _in_order(
    asked: TrialsQuestion, ways: Ways, doses: Vector, ph: list[float | None], task: DesignTask, plan_ph: float | None
) -> tuple[PlannedBeaker, ...]:
    """Return all beakers in the order of making: by chance within a day, between beakers of the plan."""
    rng = np.random.default_rng(asked.seed)
    found: list[PlannedBeaker] = []
    for day in range(asked.days):
        own: list[int | None] = [int(k) for k in rng.permutation(np.flatnonzero(task.group == day))]
        for extra in range(2, asked.repeats):
            own.insert((extra - 1) * len(own) // (asked.repeats - 1), None)
        own = [None] * (asked.repeats > 0) + own + [None] * (asked.repeats > 1)
        for k in own:
            here, target = (ways.plan, plan_ph) if k is None else (doses[k], ph[k])
            role: Role = "plan" if k is None else "chosen"
            found.append(as_one_more(found, role, day + 1, target, as_doses(ways.ids, here)))
    return tuple(found)


def as_one_more(
    before: Sequence[PlannedBeaker | Beaker], role: Role, day: int, ph: float | None, doses: dict[str, float]
) -> PlannedBeaker:
    """Return the next beaker; one with the doses and the pH of an earlier one repeats that."""
    same = next((b.number for b in before if b.doses == doses and b.ph == ph), None)
    told: Role = "repeat" if same is not None and role == "chosen" else role
    return PlannedBeaker(len(before) + 1, day, told, ph, doses, same)


def as_doses(names: Sequence[str], doses: Vector) -> dict[str, float]:
    """Return doses by material as they are written."""
    return {name: round(float(x), 6) for name, x in zip(names, doses, strict=True)}


def _varied(region: Region, asked: TrialsQuestion, levels: tuple[float, ...]) -> tuple[Varied, ...]:
    """Return the factors as they are told."""
    found = []
    ids, here = region.formula.ids, region.formula.plan
    for way in region.ways:
        low, high = ends(way, region.corners)
        change = effect(way, here, low, high) * asked.grams / 100
        by_size = np.argsort(-np.abs(change), kind="stable")
        moves = tuple(Move(ids[k], float(change[k])) for k in by_size if abs(change[k]) > AS_TYPED)
        found.append(Varied(way.id, way.name, way.why, way.unit, low, high, moves))
    if levels:
        why = "foam, viscosity and clarity all move with it"
        found.append(Varied("ph", "target pH", why, "", levels[0], levels[-1]))
    return tuple(found)


def _spans(region: Region) -> tuple[Span, ...]:
    """Return where each dose that moves may go, the largest first."""
    least, most = region.corners.min(axis=0), region.corners.max(axis=0)
    rows = [
        Span(*told_)
        for told_ in zip(region.formula.ids, *map(list, (region.formula.plan, least, most)), strict=True)
        if told_[3] - told_[2] > AS_TYPED
    ]
    return tuple(sorted(rows, key=lambda s: (-s.plan, s.material)))


def _held_by(brief: Brief, region: Region) -> tuple[str, ...]:
    """Return the readings of the rules that bound the region."""
    asked = {r.id: r for r in brief.enforced}
    return tuple(asked[name].reading() for name in dict.fromkeys(region.sides) if name in asked)


def _notes(field: Field, model: ModelName, asked: TrialsQuestion) -> list[str]:
    """Return what must be known of the plan."""
    varied, said = len(field.full.variables), []
    if model == "line":
        few = f"{ENOUGH[varied]} trials could tell them" if varied in ENOUGH else "vary three at most to tell them"
        said.append(
            f"in {varied} directions these beakers tell straight lines; curves only as far as they are moderate ({few})"
        )
    if asked.repeats < 2:
        said.append("without the plan as first and last beaker of each day, drift within a day cannot be seen")
    said.append("what lies between beakers is only guessed: a peak or a break of the emulsion between them is not seen")
    return said


def _far_above_use(region: Region) -> list[str]:
    """Return which doses may go far above usual use, where that is known: useless beakers, or a material sold out."""
    most = region.corners.max(axis=0).tolist()
    return [
        f"{item.id} may go up to {number(dose, 1)} %, usual are at most {number(usual, 1)} %: give it an upper end "
        "in the brief, or vary something else"
        for item, dose in zip(region.formula.items, most, strict=True)
        if (usual := usual_most(item.material)) is not None and dose > FAR_ABOVE * usual
    ]


def beaker_cautions(
    brief: Brief, beakers: tuple[PlannedBeaker, ...], settings: tuple[Setting, ...]
) -> tuple[Caution, ...]:
    """Return the cautions of all beakers, each once."""
    found: dict[str, Caution] = {}
    for beaker in beakers:
        here = min(settings, key=lambda s: abs((s.target or 0.0) - (beaker.ph or 0.0)))
        for caution in cautions_at(brief, formula_at(brief.pool, beaker.doses), here):
            found.setdefault(caution.text, caution)
    return tuple(found.values())

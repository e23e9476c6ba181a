"""The brief as arrays: every column and row knows its owner."""

from __future__ import annotations

from collections.abc import Container, Hashable, Iterable
from dataclasses import field
from math import inf

import numpy as np
import numpy.typing as npt

from optimizer.data.planned import plan_of_pool
from optimizer.data.pool import Pool, Vector
from optimizer.immutable import immutable
from optimizer.rules import Acidity, LimitRule, Rule
from optimizer.rules.row import Choice, Row, Setting
from optimizer.units import NO_COEFFICIENT, ROUND_OFF

NO_SETTING = Setting()
LOOSE = 1.001
"""Factor by which the row that ties a dose to its yes/no stays clear of the dose's own cap, so that a rule's
limit keeps its price."""


@immutable
class Model:
    """minimise cost @ z with row_low <= A z <= row_high, lower <= z <= upper.

    z holds the doses [% as supplied] in the order of the pool, then the yes/no columns.

    Attributes:
        names: Column names: material ids, then choice keys.
        doses: Number of dose columns.
        rows: Rows in order, shape (m,).
        matrix: A as a dense array, shape (m, n).
        row_low: Shape (m,).
        row_high: Shape (m,).
        lower: Shape (n,).
        upper: Shape (n,).
        choices: What the yes/no columns say.
        planned: What a yes is planned to cost at the bench, per kg of product, shape (choices,).
    """

    names: tuple[str, ...]
    doses: int
    rows: tuple[Row, ...]
    matrix: Vector
    row_low: Vector
    row_high: Vector
    lower: Vector
    upper: Vector
    choices: tuple[Choice, ...] = ()
    planned: Vector = field(default_factory=lambda: np.zeros(0))

    @property
    def size(self) -> int:
        """Number of columns."""
        return len(self.names)

    def spread(self, doses: Vector) -> Vector:
        """Return a dose vector padded with zeros for the choices, shape (n,)."""
        return np.concatenate([doses, np.zeros(self.size - self.doses)]) if self.size > self.doses else doses

    def objective(self, measure: LimitRule, pool: Pool, sign: int, ratio: float = 0.0) -> tuple[Vector, float]:
        """Return cost per column, shape (n,), and the constant of sign x (numerator - ratio x denominator).

        The one place where an objective is formed: a planned cost has its coefficients on the choices, too.
        """
        vector, constant = _over_doses(measure, pool, sign, ratio)
        if not measure.counts_plan or not self.planned.any():
            return self.spread(vector), constant
        return np.concatenate([vector, sign * self.planned]), constant


@immutable
class Case:
    """One linear (or mixed-integer) program of a brief: a group of pH settings that it is equal for."""

    model: Model
    settings: tuple[Setting, ...]
    upper: Vector
    """Column upper bounds at these settings, shape (n,); a material that the pH rules out has 0."""
    barred: tuple[str, ...] = ()
    """Ids that the pH rules out."""


def build(rules: Iterable[Rule], pool: Pool, setting: Setting = NO_SETTING, *, loose: Container[str] = ()) -> Model:
    """Return the model of a set of rules at one pH setting.

    Rows come in the order of the rules' ids, then the rows that tie a yes/no to its dose.

    Args:
        rules: The rules.
        pool: The candidates.
        setting: The pH.
        loose: Ids of rules whose rows may be opened or moved later: those ties do not lean on them.
    """
    rules = tuple(rules)
    n = len(pool)
    choices: dict[str, Choice] = {}
    rows: list[Row] = []
    for rule in rules:
        for choice in rule.columns(pool):
            choices.setdefault(choice.key, choice)
        rows += rule.rows(pool, setting)
    keys = sorted(choices)
    caps = implied_caps((row for row in rows if row.owner not in loose), pool) if keys else np.full(n, 100.0)
    for key in keys:
        if key.startswith("use:"):
            position = pool.index[key.removeprefix("use:")]
            doses = np.zeros(n)
            doses[position] = 1.0
            rows.append(Row("use", "link", doses, high=0.0, choices={key: -LOOSE * float(caps[position])}))
    planned = _planned(rules, pool, setting) if keys else {}
    column = {key: n + k for k, key in enumerate(keys)}
    matrix = np.zeros((len(rows), n + len(keys)))
    if rows:
        matrix[:, :n] = [row.doses for row in rows]
    for r, row in enumerate(rows):
        for key, coefficient in row.choices.items():
            matrix[r, column[key]] += coefficient
    return Model(
        names=(*pool.ids, *keys),
        doses=n,
        rows=tuple(rows),
        matrix=matrix,
        row_low=np.array([row.low for row in rows]),
        row_high=np.array([row.high for row in rows]),
        lower=np.zeros(n + len(keys)),
        upper=np.concatenate([np.full(n, 100.0), np.ones(len(keys))]),
        choices=tuple(choices[key] for key in keys),
        planned=np.array([planned.get(key, 0.0) for key in keys]),
    )


def implied_caps(rows: Iterable[Row], pool: Pool) -> Vector:
    """Return the highest dose of each candidate that single rows allow, shape (n,).

    A row sum a_j x_j <= b with all a_j >= 0 and x >= 0 implies x_j <= b / a_j.
    """
    caps = np.full(len(pool), 100.0)
    for row in rows:
        dust = NO_COEFFICIENT * float(np.abs(row.doses).max(initial=0.0))
        if row.choices or row.high == inf or row.high < 0 or (row.doses < -dust).any():
            continue
        used = row.doses > dust
        caps[used] = np.minimum(caps[used], row.high / row.doses[used])
    return caps


def cases(
    rules: Iterable[Rule], acidity: Acidity | None, pool: Pool, *, loose: Container[str] = ()
) -> tuple[Case, ...]:
    """Return every distinct program of a brief, in ascending order of its first target pH.

    Settings that allow the same materials and give the same rows are one program. What is `loose` says `build`.
    """
    rules = tuple(rules)
    if acidity is None:
        model = build(rules, pool, loose=loose)
        return (Case(model, (NO_SETTING,), model.upper),)
    edges = acidity.edges(pool) + tuple(e for rule in rules for e in rule.edges(pool))
    models: dict[Hashable, Model] = {}
    groups: dict[Hashable, tuple[Model, npt.NDArray[np.bool_], list[Setting]]] = {}
    for setting in acidity.settings(edges):
        allowed = acidity.allowed(pool, setting)
        key = tuple(rule.ph_key(pool, setting) for rule in rules)
        if key not in models:
            models[key] = build(rules, pool, setting, loose=loose)
        group = groups.setdefault((key, allowed.tobytes()), (models[key], allowed, []))
        group[2].append(setting)
    found = []
    for model, allowed, settings in groups.values():
        upper = model.upper.copy()
        upper[: model.doses][~allowed] = 0.0
        barred = tuple(name for name, ok in zip(pool.ids, allowed, strict=True) if not ok)
        found.append(Case(model, tuple(settings), upper, barred))
    return tuple(found)


def widest(cases: tuple[Case, ...]) -> list[Case]:
    """Return the cases that no other one contains; what allows less is never better."""

    def contained(case: Case) -> bool:
        others = (c for c in cases if c is not case and c.model is case.model)
        return any((case.upper <= other.upper).all() for other in others)

    return [case for case in cases if not contained(case)]


def _planned(rules: Iterable[Rule], pool: Pool, setting: Setting) -> dict[str, float]:
    """Return what a yes is planned to cost at the bench, per kg of product, by its key."""
    planning = [rule for rule in rules if rule.of_plan]
    if not pool.counts_plan or not planning:
        return {}
    plan = plan_of_pool(pool)
    return {key: plan.cost(doses) for rule in planning for key, doses in rule.planned(plan, setting).items()}


def _over_doses(measure: LimitRule, pool: Pool, sign: int, ratio: float) -> tuple[Vector, float]:
    """Return cost per dose, shape (doses,), and the constant of sign x (numerator - ratio x denominator)."""
    above, below = measure.constants(pool.held_back)
    amounts = measure.amounts(pool)
    if not measure.ratio:
        return sign * amounts / below, sign * above / below
    vector = amounts - ratio * measure.pers(pool)
    # What is left of two equal figures is rounding, not chemistry.
    vector[np.abs(vector) <= ROUND_OFF * np.abs(amounts)] = 0.0
    return sign * vector, sign * (above - ratio * below)

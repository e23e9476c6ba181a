"""What rules hand to the model: rows and yes/no columns that know their owner."""

from __future__ import annotations

from dataclasses import field
from math import inf
from typing import Literal

from optimizer.data.pool import Vector
from optimizer.immutable import immutable

Side = Literal["low", "high", "equal", "link"]


@immutable
class Setting:
    """One choice of target pH with its tolerance; `None` stands for a product without one."""

    target: float | None = None
    low: float | None = None
    high: float | None = None


@immutable
class Choice:
    """A yes/no column.

    Attributes:
        key: 'use:<material id>' for a material's own, which rules share, or '<rule id>:<name>'.
        says: What yes means, for reports.
    """

    key: str
    says: str


@immutable
class Lever:
    """How one limit of a rule moves a row: low <= doses @ coefficients, or the same from above.

    Attributes:
        limit: Field of the rule that the limit stands in.
        side: Which end of what is measured the limit is.
        at: The limit as it stands.
        per_limit: d(row)/d(limit) as in `Row`.
        rhs_per_limit: d(end)/d(limit), where the yes/no is taken.
        choice: Key of the yes/no column without which the row says nothing, or ''.
        unit: Unit of the limit.
        step: One noticeable step of it.
        down: Most negative move for which the row moves like this; 0 where it stands still below.
        up: Most positive move.
    """

    limit: str
    side: Literal["low", "high", "equal"]
    at: float
    per_limit: Vector | None = None
    rhs_per_limit: float = 1.0
    choice: str = ""
    unit: str = "%"
    step: float = 0.1
    down: float = -inf
    up: float = inf


@immutable
class Row:
    """One row low <= doses @ coefficients + choices <= high.

    Attributes:
        owner: Id of the rule.
        side: Which limit of the rule the row stands for; 'link' rows stand for none of its own two, only
            for what their levers name.
        doses: Coefficient per candidate, shape (n,).
        low: Lower end.
        high: Upper end.
        choices: Coefficients of yes/no columns by key.
        per_limit: d(row)/d(limit) coefficients: moving the limit by t subtracts t x this
            from `doses`, shape (n,), or None where the limit is a right-hand side.
        rhs_per_limit: d(right-hand side)/d(limit).
        limit_choice: Key of the yes/no column that multiplies the limit, if one does.
        levers: The limits that move a 'link' row.
    """

    owner: str
    side: Side
    doses: Vector
    low: float = -inf
    high: float = inf
    choices: dict[str, float] = field(default_factory=dict)
    per_limit: Vector | None = None
    rhs_per_limit: float = 1.0
    limit_choice: str = ""
    levers: tuple[Lever, ...] = ()

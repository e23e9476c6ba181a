"""Formulas of real library materials at a pH, for tests of what the bench is told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from optimizer.assessment.advice import Situation
from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.formula import Formula
from optimizer.data.library import Library, read_library
from optimizer.files import shipped
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at


@cache
def library() -> Library:
    """Return the shipped library."""
    return read_library([shipped("library")])


def brief_for(
    doses: Mapping[str, float],
    *,
    held: float = 4.0,
    thickeners: Iterable[str] = (),
    acids: Iterable[str] = (),
    rules: Iterable[Mapping[str, Any]] = (),
    pool: Mapping[str, Any] | None = None,
    own: Library | None = None,
) -> Brief:
    """Return a brief whose pool holds every material, unpriced."""
    raw = {
        "name": "bench",
        "pool": {"unpriced": True, **(pool or {})},
        "held_back": {"percent": held, "thickeners": list(thickeners), "acids": list(acids)},
        "rule": [dict(r) for r in rules],
    }
    return make_brief(scenario_from(raw, "bench"), own or library(), None, also=doses)


def situation(doses: Mapping[str, float], *, ph: float | None = 5.5, **about: Any) -> Situation:
    """Return a formula, filled with water beside the part held back, at a target pH with 0.2 on both sides."""
    brief = brief_for(doses, **about)
    rest = 100 - brief.pool.held_back - sum(doses.values())
    formula: Formula = formula_at(brief.pool, {**doses, "aqua": rest})
    setting = Setting() if ph is None else Setting(ph, ph - 0.2, ph + 0.2)
    return Situation(formula, setting, brief)

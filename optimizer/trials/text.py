"""The text of a new series file, and of beakers that are added to one."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import tomlkit

from optimizer.bench.batch import Scale, append
from optimizer.brief.brief import Brief
from optimizer.data.pool import Vector
from optimizer.trials.plan import PlannedBeaker, TrialPlan, Varied
from optimizer.trials.series import USUAL, Mix
from optimizer.trials.sheet import mixes_for
from optimizer.units import number

DIGITS = 12
"""Significant digits of coordinates and limits."""
READ = ("viscosity", "clarity", "separated")
"""What is declared in a new file; further readings are declared as they come."""


def digest_of(brief: Brief) -> str:
    """Return the first 16 hex digits of what a brief was read from, the library of materials aside."""
    own = sorted(value for name, value in brief.files.items() if name not in brief.library.files)
    return hashlib.sha256("".join(own).encode()).hexdigest()[:16]


def series_text(plan: TrialPlan, *, name: str, brief: str, planned_on: str) -> str:
    """Return the text of a new series file, with comments that say what is filled in where.

    Args:
        plan: What is written.
        name: Of the series.
        brief: How the file names its scenario.
        planned_on: Day.
    """
    asked = plan.asked
    out = [
        "# Series of trials: the plan, then what the bench adds. Fill it in by hand or with 'tenside trials note'.",
        "# Beakers are for measuring, not for use: nothing in them was assessed.",
        *(
            f"{key} = {_value(value)}{f'   # {why}' * bool(why)}"
            for key, value, why in _head(plan, name, brief, planned_on)
        ),
        "",
        "[scale]",
        f"step_g = {_value(asked.step_g)}",
        "",
    ]
    for factor in plan.factors:
        out += ["[[factor]]", *_lines({"id": factor.id, "name": factor.name, "why": factor.why})]
        out += [f"words = {_value(words_of(factor, asked.grams))}", ""]
    for mix in mixes_of(plan):
        out += ["[[mix]]", *_lines(mix.model_dump()), ""]
    out += _region(plan)
    for what in READ:
        kind, unit = USUAL[what]
        out += ["[[measure]]", *_lines({"what": what, "kind": kind, "unit": unit}), ""]
    out += ["# The beakers, in the order of making, doses in % w/w as supplied.", ""]
    for beaker in plan.beakers:
        out += ["[[beaker]]", *_lines(beaker_entry(beaker)), ""]
    return "\n".join([*out, LATER])


def _head(plan: TrialPlan, name: str, brief: str, planned_on: str) -> list[tuple[str, Any, str]]:
    """Return the keys of a series with their values, and what some of them mean."""
    asked, setting = plan.asked, plan.setting
    head: list[tuple[str, Any, str]] = [
        ("trials", name, ""),
        ("product", plan.name, ""),
        ("brief", brief, "whose rules the beakers keep"),
        ("brief_digest", digest_of(plan.brief), "of the brief as planned on"),
        ("planned_on", planned_on, ""),
        ("aim", plan.aim, "learn the whole region, or find the best in it"),
        ("model", plan.model, "what the beakers can tell"),
        ("seed", asked.seed, "the same seed gives the same beakers"),
        ("grams", asked.grams, "product in each beaker"),
        ("held_back_percent", plan.held_back, "water kept back for acid and thickener; then made up"),
        ("freed", list(plan.freed), "rules on ratings that these trials shall replace"),
    ]
    if setting.target is not None and setting.high is not None:
        head.append(("ph_tolerance", round(setting.high - setting.target, 4), ""))
    if plan.levels:
        head.append(("ph_levels", list(plan.levels), ""))
    return head


def mixes_of(plan: TrialPlan) -> tuple[Mix, ...]:
    """Return the pre-dilutions that the beakers of a plan need."""
    materials = {i.id: i.material for i in plan.region.formula.items}
    return mixes_for(plan.beakers, plan.asked.grams, Scale(step_g=plan.asked.step_g).least_g, materials)


def words_of(factor: Varied, grams: float) -> str:
    """Return from where to where a factor goes, and what that does in grams."""
    ends = f"{number(factor.low, 2)} to {number(factor.high, 2)} {factor.unit}".rstrip()
    moves = ", ".join(f"{m.material} {m.grams:+z.2f} g" for m in factor.moves if abs(m.grams) >= 0.005)
    return f"{ends}; all of it in {number(grams)} g: {moves}" if moves else ends


def beaker_entry(beaker: PlannedBeaker) -> dict[str, Any]:
    """Return a beaker as it is written."""
    entry: dict[str, Any] = {"number": beaker.number, "day": beaker.day, "role": beaker.role}
    if beaker.repeats is not None:
        entry["repeats"] = beaker.repeats
    if beaker.ph is not None:
        entry["ph"] = beaker.ph
    return {**entry, "doses": dict(beaker.doses)}


def _region(plan: TrialPlan) -> list[str]:
    region, space = plan.region, plan.region.space
    known = {r.id: r.reading() for r in plan.brief.enforced}
    out = [
        "# The doses that keep the rules: centre + z @ directions, each row along @ z <= at_most. Not to be edited.",
        "[region]",
        f"materials = {_value(list(region.formula.ids))}",
        f"centre = {_figures(space.centre)}",
        f"directions = [{', '.join(_figures(d) for d in space.directions)}]",
        f"rest = {_value([region.formula.ids[region.formula.rest]])}",
        "",
    ]
    for name, along, at_most in zip(region.sides, space.body.along, space.body.at_most, strict=True):
        out += ["[[region.row]]", f"rule = {_value(name)}", f"words = {_value(known.get(name, 'no dose below 0'))}"]
        out += [f"along = {_figures(along)}", f"at_most = {_figure(at_most)}", ""]
    return out


def _lines(entry: Mapping[str, Any]) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in entry.items()]


def _value(value: Any) -> str:
    """Return a value as TOML."""
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{_key(k)} = {_value(v)}' for k, v in value.items())} }}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, float):
        return _figure(value)
    return str(tomlkit.item(value).as_string())


def _key(key: str) -> str:
    return str(tomlkit.key(key).as_string()) if "." not in key else f'"{key}"'


def _figures(values: Vector | Sequence[float]) -> str:
    return f"[{', '.join(map(_figure, np.asarray(values, dtype=float)))}]"


def _figure(value: float) -> str:
    text = f"{float(value):.{DIGITS}g}"
    return text if "." in text or "e" in text else f"{text}.0"


def added_beakers(document: Any, beakers: Iterable[PlannedBeaker]) -> None:
    """Append beakers to a parsed series file."""
    for beaker in beakers:
        entry = beaker_entry(beaker)
        doses = tomlkit.inline_table()
        doses.update(entry["doses"])
        append(document, "beaker", {**entry, "doses": doses})


LATER = """\
# --- What the bench adds, with the command that is named or by hand. ---------------------------------
# Readings:  tenside trials note THIS-FILE 3 viscosity=3200 clarity=4       (a number, >60000, <50, 1 to 5, lost)
#            tenside trials note THIS-FILE 3 separated
# [[reading]]
# beaker = 3
# what = "viscosity"
# read = "3200"
# temperature_c = 25
# with = "spindle 3, 12 rpm"
#
# Weights, if they differ from the sheet:  tenside trials note THIS-FILE 3 cocamidopropyl-betaine=7.62g
# [[weighed]]
# beaker = 3
# material = "cocamidopropyl-betaine"
# grams = 7.62
"""
"""What follows the plan in a new series file."""

"""From a formula to the batch file that is filled in at the bench: its size, its doses, its pH window."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import ROUND_CEILING, Decimal
from math import fsum
from pathlib import Path
from typing import get_args

import tomlkit

from optimizer.bench.amount import mass_of, option
from optimizer.data.facts import Material, Phase
from optimizer.data.formula import Formula, Line
from optimizer.errors import UsageError, fault
from optimizer.files import shipped
from optimizer.immutable import immutable
from optimizer.rules.row import Setting
from optimizer.shell import quoted
from optimizer.solve.rounding import largest_remainder
from optimizer.units import AS_TYPED, number

ORDER = {phase: k for k, phase in enumerate(get_args(Phase))}
"""Position of each phase in the order of addition."""
FINEST = 1e-4
"""Doses that are on no grid are written in steps of this [%]."""


@immutable
class BatchSize:
    """How much is made.

    Attributes:
        grams: Mass of the finished batch [g].
        bottle_ml: Nominal content of a bottle [ml].
        density: Stated density [g/ml].
        loss_percent: Part that does not reach the bottles [%].
        words: How the mass was worked out.
    """

    grams: float
    bottle_ml: float | None = None
    density: float | None = None
    loss_percent: float = 0.0
    words: str = ""


def batch_size(
    size: str = "",
    *,
    bottles: int | None = None,
    bottle_ml: float | None = None,
    density: float | None = None,
    loss_percent: float = 0.0,
    step_g: float = 1.0,
) -> BatchSize:
    """Return the batch that is wanted: batch = bottles x ml x density / (1 - loss), rounded up to the scale's step.

    Args:
        size: An amount such as '5 kg' or '3 L'; a volume needs the density.
        bottles: Bottles to fill, instead of a size.
        bottle_ml: Nominal content of a bottle [ml].
        density: Measured density [g/ml]; never assumed.
        loss_percent: Part of the batch that stays behind [%].
        step_g: Step of the scale [g].

    Raises:
        UsageError: If neither or both of size and bottles are given, or a bottle's content is missing.
        DataError: If volume and mass meet and no density is stated.
    """
    asked = option(size, "--size") if size else None
    if asked is not None and asked.unit == "bottles":
        if bottles is not None:
            raise UsageError("--size names bottles and so does --bottles: give one of them.")
        bottles, asked = round(asked.value), None
    if (asked is None) == (bottles is None):
        raise UsageError("say how much: --size 5kg, or --bottles 20 --bottle 250 --density 1.02.")
    if asked is not None:
        grams = asked.grams(density)
        words = "" if asked.unit == "g" else f"{asked} at {number(density or 0.0)} g/ml"
        return BatchSize(_up(grams, step_g) if words else grams, bottle_ml, density, loss_percent, words)
    if bottle_ml is None:
        raise UsageError("--bottles needs the content of a bottle: --bottle 250 (ml).")
    fill = mass_of(bottle_ml, density, f"{bottles} bottles of {number(bottle_ml)} ml")
    assert bottles is not None
    words = f"{bottles} bottles of {number(bottle_ml)} ml at {number(density or 0.0)} g/ml"
    if loss_percent:
        words += f" and {number(loss_percent)} % loss"
    return BatchSize(_up(bottles * fill / (1 - loss_percent / 100), step_g), bottle_ml, density, loss_percent, words)


def _up(grams: float, step: float) -> float:
    """Return an amount rounded up to the next multiple of a step."""
    unit = Decimal(f"{step:.12g}")
    return float((Decimal(f"{grams:.9f}") / unit).to_integral_value(ROUND_CEILING) * unit)


def hold_back(formula: Formula, percent: float) -> Formula:
    """Return a formula that keeps another part free; its water gives way.

    Raises:
        DataError: If there is not that much water.
    """
    more = percent - formula.held_back
    waters = [line for line in formula.lines if line.item.material.function == "solvent"]
    water = max(waters, key=lambda line: line.percent, default=None)
    if water is None or water.percent <= more:
        have = 0.0 if water is None else water.percent
        what = f"{number(percent)} % cannot be held back: the formula has {number(have)} % of free water."
        raise fault("--held", "", what, "Hold back less.")
    lines = tuple(Line(li.item, li.percent - more) if li is water else li for li in formula.lines)
    return replace(formula, lines=lines, held_back=percent)


def written_doses(formula: Formula) -> dict[str, float]:
    """Return doses [%] that can be written and sum with the part held back to exactly 100."""
    exact = {line.item.id: line.percent for line in formula.lines if line.percent > 0}
    short = {k: round(v, 4) for k, v in exact.items()}
    if abs(fsum(short.values()) + formula.held_back - 100) <= AS_TYPED:
        return {k: v for k, v in short.items() if v > 0}
    rounded = largest_remainder(exact, FINEST, 100 - formula.held_back)
    return {k: v for k, v in rounded.items() if v > 0}


def in_order(materials: Mapping[str, Material], doses: Mapping[str, float]) -> list[str]:
    """Return ids in the order of addition, then by descending dose, then by id."""
    return sorted(doses, key=lambda n: (ORDER[materials[n].phase], -doses[n], n))


@immutable
class BatchHead:
    """What a batch file says of itself.

    Attributes:
        batch: Number.
        product: Name of the product.
        brief: How the file names its scenario.
        planned_on: Day.
        master: Name and version of the master formula.
    """

    batch: str
    product: str
    brief: str
    planned_on: str
    master: str = ""


def batch_text(formula: Formula, setting: Setting, size: BatchSize, head: BatchHead, scale_step_g: float) -> str:
    """Return the text of a new batch file, with comments that say what is filled in where."""
    doses = written_doses(formula)
    materials = {line.item.id: line.item.material for line in formula.lines}
    out = [
        "# Batch file: the plan, then what the bench adds. Fill it in by hand or with the commands; keep it with the",
        "# batch. A plan for the bench, no safety assessment: record what you really did.",
        f"batch = {_text(head.batch)}",
        f"product = {_text(head.product)}",
        f"brief = {_text(head.brief)}                  # whose rules it must keep",
        f"master = {_text(head.master)}                # master formula and version that it follows",
        f"planned_on = {_text(head.planned_on)}",
        *_size_lines(size),
        f"held_back_percent = {_figure(formula.held_back)}           # water kept back for acid, thickener, vapour",
        *_window_lines(setting),
        "",
        "[scale]",
        f"step_g = {_figure(scale_step_g)}                       # what its last digit shows",
        "# error_g = 0.5                  # by how much a weight may be off; one step if it is left out",
        "# allowed_percent = 5            # error that a line may have; common practice",
        "",
        "# The plan, % w/w as supplied, by phase; the weigh sheet has the order of addition.",
    ]
    for name in in_order(materials, doses):
        out += ["[[line]]", f"material = {_text(name)}", f"percent = {_figure(doses[name])}", ""]
    return "\n".join([*out, LATER])


def _size_lines(size: BatchSize) -> Iterator[str]:
    """Yield how much is made, in which bottles, and what of it is lost."""
    yield f"size_g = {_figure(size.grams)}{f'   # {size.words}' if size.words else ''}"
    if size.bottle_ml is not None:
        yield f"bottle_ml = {_figure(size.bottle_ml)}"
    if size.density is not None:
        yield f"density_g_per_ml = {_figure(size.density)}   # as stated; weigh 100 ml of the product"
    else:
        yield "# density_g_per_ml = 1.02        # measure it (weigh 100 ml); never assumed"
    yield f"loss_percent = {_figure(size.loss_percent)}                # stays behind in vessels and hoses"


def _window_lines(setting: Setting) -> Iterator[str]:
    for key, value in (("ph_low", setting.low), ("ph_target", setting.target), ("ph_high", setting.high)):
        if value is not None:
            yield f"{key} = {_figure(round(value, 4))}"


def brief_reference(scenario: Path, batch_file: Path) -> str:
    """Return how a batch file names its scenario: a shipped one by name, another by its path below the batch file.

    Raises:
        DataError: If the scenario lies elsewhere; a batch file that is passed around must not reach other folders.
    """
    here, folder = scenario.resolve(), batch_file.resolve().parent
    if here.parent == shipped("scenarios").resolve():
        return scenario.stem
    if here.is_relative_to(folder):
        return here.relative_to(folder).as_posix()
    what = f"its scenario {scenario} does not lie in the batch file's folder, nor below it."
    beside = quoted(scenario.parent / batch_file.name)
    raise fault(str(batch_file), "brief", what, f"Write it beside the scenario: --out {beside}")


def formula_table(formula: Formula) -> str:
    """Return a formula as a table of material and percent that sums to 100: what is held back stands in the water."""
    whole = hold_back(formula, 0.0) if formula.held_back else formula
    doses = written_doses(whole)
    names = in_order({line.item.id: line.item.material for line in whole.lines}, doses)
    return "\n".join(["material,percent", *(f"{n},{_figure(doses[n])}" for n in names), ""])


LATER = """\
# --- What the bench adds. Take the '#' away, or use the command that is named. ---------------------
# Weights:     tenside weighed THIS-FILE aqua=3400.5 decyl-glucoside=250.2@LOT-7
# [[weighed]]
# material = "aqua"
# grams = 3400.5
# lot = ""
# lot_active_percent = 52.8        # measured active matter of this lot, if you have it
#
# Acid or alkali, one table per sample or batch ("sample" is a trial that does not count as made):
# [[adjustment]]
# of = "batch"
# start_g = 4800                   # product before the first addition
# chemical = "citric acid monohydrate"
# strength_percent = 50            # counted in the form that was weighed in
# reading = [
#   { added_g = 0, ph = 7.4 },     # added_g: all additions together
#   { added_g = 6.5, ph = 5.6 },
# ]
#
# Thickener, all additions together in % of the planned size, with a reading after each:
# [[thickening]]
# material = "sodium-chloride"
# step = [ { added_percent = 0.5, judged = 3 } ]
#
# The end: tenside weighed THIS-FILE --finish-mass 4870 --water-added 120 --bottles 19
# [finish]
# mass_g = 4870                    # product before filling; what is missing has evaporated
# lost_g = 0                       # product left in vessels or taken as samples
# water_added_g = 120              # water put back, held-back water and rinses included
# bottles = 19
#
# Readings of the product:
# [[observation]]
# what = "clarity"
# text = "clear at 20 degrees"
"""
"""What follows the plan in a new batch file."""


def _text(text: str) -> str:
    return tomlkit.string(text).as_string()


def _figure(value: float) -> str:
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return text or "0"

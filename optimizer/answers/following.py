"""What a maker does after an answer, as the command that comes next; the desk has a button for it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.shell import quoted
from optimizer.units import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimizer.bench.batch import Batch
    from optimizer.bench.reconcile import Made
    from optimizer.bench.stage import Stage
    from optimizer.bench.thicken import ThickeningLog
    from optimizer.solve.result import Result

READING = {"viscosity_mpas": "--viscosity", "flow_s": "--flow", "judged": "--judged"}
"""Option by the kind of a thickening log."""


def after_start(brief: Path) -> str:
    """Return the command that follows a first brief."""
    return f"tenside blend {quoted(brief)}"


def after_blend(name: str, result: Result, *, altered: bool = False) -> str:
    """Return what follows a blend; nothing where no proof tells what to change.

    Args:
        name: What the brief is called by: its file, or a shipped name.
        result: The answer.
        altered: Whether it answers a what-if that the brief's file does not hold.
    """
    if result.formula is None:
        return "change one of the limits below in the brief, then ask again" if result.ending == "infeasible" else ""
    size = "" if result.brief.scenario.batch_kg else " --size 5kg"
    batch = f"tenside batch {quoted(name)}{size} --out batch.toml"
    return f"write what you changed into the brief, then {batch}" if altered else batch


def after_thickening(logs: Sequence[ThickeningLog], batch: Path) -> str:
    """Return what follows the thickening logs of a batch file, if anything does."""
    if any(log.state == "finished" for log in logs):
        return ""
    if all(log.ph is None for log in logs):
        return f"tenside ph {quoted(batch)} --of batch --read PH"
    going = next((log for log in logs if log.state == "open"), None)
    if going is None:
        return ""
    step = going.next if going.points else None  # the blend without thickener is read first
    so_far = number(step.total_percent if step else going.logged, 3)
    reading = READING[going.kind or "viscosity_mpas"]
    command = f"tenside thicken {quoted(batch)} --material {going.material.id} --added {so_far}% {reading} READING"
    return f"add {number(step.grams, 3)} g, mix, read, then {command}" if step else command


def after_bench(stage: Stage, batch: Batch, path: str) -> str:
    """Return what is done next with a batch file, and the command that notes it."""
    from optimizer.bench.stage import command_of, may_thicken

    thicker = f", or thicken it first: {command_of('thicken', path, batch)}" if may_thicken(batch, stage) else ""
    return f"{stage.words} Then {command_of(stage.step, path, batch)}{thicker}"


def after_made(table: Path, batch: Batch, done: Made) -> str:
    """Return the command that lays the next batch of a master formula, as large as this one and for its bottles."""
    options = [f"--for {quoted(batch.brief)}", f"--size {batch.size_g:.12g}g"]
    options += [f"--held {done.master.formula.held_back:g}", f"--scale {batch.scale.step_g:g}"]
    for name, value in (("bottle", batch.bottle_ml), ("density", batch.density_g_per_ml), ("loss", batch.loss_percent)):
        options += [f"--{name} {value:g}"] if value else []
    return " ".join([f"tenside batch {quoted(table)}", *options, "--out NEXT.toml"])

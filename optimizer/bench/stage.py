"""How far a batch is, and what is to be done next, from its file alone: in the order of the bench."""

from __future__ import annotations

from collections.abc import Container
from typing import Literal

from optimizer.bench.batch import Batch
from optimizer.bench.made import last_ph
from optimizer.bench.weighed import open_lines
from optimizer.immutable import immutable
from optimizer.shell import quoted
from optimizer.units import KEPT, USED, number

Step = Literal["weigh", "ph", "thicken", "finish", "keep"]


@immutable
class Stage:
    """What is to be done next."""

    step: Step
    words: str


def stage_of(batch: Batch, after_ph: Container[str] = ()) -> Stage:
    """Return the next step of a batch.

    Args:
        batch: The batch file's content.
        after_ph: Ids of the lines that wait until the pH is set; without them every line comes before it.
    """
    if batch.finish.mass_g is None:
        return _on_the_way(batch, after_ph) or Stage("finish", "Weigh the finished batch.")
    to_do = _to_weigh(batch) or to_read(batch) or (None if batch.finish.bottles else to_adjust(batch))
    if to_do is not None:
        return to_do
    if batch.bottle_ml and batch.finish.bottles is None:
        return Stage("finish", "Fill, and count the bottles.")
    return Stage("keep", "Finished: look at what was made, and keep it in the records.")


def command_of(step: Step, path: str, batch: Batch) -> str:
    """Return the command for a step of a batch file; a pH that was read once is told by the log."""
    path, line = quoted(path), next(iter(open_lines(batch)), "MATERIAL")
    return {
        "weigh": f"tenside weighed {path} {line}=GRAMS@LOT",
        "ph": f"tenside ph {path}{'' if batch.ph_readings else ' --of batch --read PH'}",
        "thicken": f"tenside thicken {path}",
        "finish": f"tenside weighed {path} --finish-mass GRAMS --water-added GRAMS --bottles NUMBER",
        "keep": f"tenside made {path}, then tenside records keep {path}",
    }[step]


def may_thicken(batch: Batch, stage: Stage) -> bool:
    """Return whether a batch that is to be finished next could be thickened first: nobody has begun to."""
    return stage.step == "finish" and not batch.thickening and batch.finish.mass_g is None


def unfinished(batch: Batch, after_ph: Container[str] = ()) -> Stage | None:
    """Return what a batch that was begun still lacks, whatever was noted of its end; None if nothing is seen.

    Args:
        batch: The batch file's content.
        after_ph: As for `stage_of`.
    """
    if not batch.begun:
        return None
    weigh_it = None if batch.finish.mass_g is not None else Stage("finish", "Weigh the finished batch.")
    return _on_the_way(batch, after_ph) or weigh_it


def ended(batch: Batch) -> str:
    """Return why nothing goes into a batch any more, in a sentence; empty while something may."""
    if batch.finish.bottles:
        filled = f"{batch.finish.bottles} {'bottle is' if batch.finish.bottles == 1 else 'bottles are'} filled"
        return f"{filled}, and what is filled is not opened again: nothing more goes into this batch."
    if stage_of(batch).step == "keep" and unfinished(batch) is None:
        return "The batch is finished: nothing more goes into it."
    return ""


def waits_for_ph(batch: Batch) -> bool:
    """Return whether lines of a batch that is weighed may have to wait: some are left, and its pH is not set yet."""
    begun = bool(batch.weighed) and batch.finish.mass_g is None
    return begun and _to_weigh(batch) is not None and to_adjust(batch) is not None


def _on_the_way(batch: Batch, after_ph: Container[str]) -> Stage | None:
    return _to_weigh(batch, after_ph) or to_adjust(batch) or _to_weigh(batch) or _to_thicken(batch)


def _to_weigh(batch: Batch, but: Container[str] = ()) -> Stage | None:
    open_ = open_lines(batch)
    if all(name in but for name in open_):
        return None
    left = len(open_)
    if not batch.weighed:
        return Stage("weigh", f"Weigh {left} lines.")
    return Stage("weigh", f"Weigh on: {left} of {len(batch.doses)} lines {'is' if left == 1 else 'are'} left.")


def to_read(batch: Batch) -> Stage | None:
    """Return that the pH of a batch is to be read, None where nothing went in since it was, or none is planned."""
    if batch.ph_target is None:
        return None
    unread = last_ph(batch) is None or (batch.adjusted and batch.adjusted[-1].unread_g > USED)
    return Stage("ph", "Read the pH.") if unread else None


def to_adjust(batch: Batch) -> Stage | None:
    """Return what is to be done for the pH of a batch, None if it is inside the window or none is planned."""
    to_do, ph = to_read(batch), last_ph(batch)
    if to_do is not None or batch.ph_target is None or ph is None:
        return to_do
    low = batch.ph_target if batch.ph_low is None else batch.ph_low
    high = batch.ph_target if batch.ph_high is None else batch.ph_high
    if low - KEPT <= ph <= high + KEPT:
        return None
    window = f"between {number(low, 2)} and {number(high, 2)}"
    told = f", not {window}, and it is filled" if batch.finish.bottles else f": bring it to {window}"
    return Stage("ph", f"The pH is {number(ph, 2)}{told}.")


def _to_thicken(batch: Batch) -> Stage | None:
    """Return what a thickening log still asks for: a reading of all that is in, then its target if it has one."""
    for log in batch.thickening:
        if log.unread_percent > USED:
            inside = f"{number(log.added_percent, 3)} % is in"
            return Stage("thicken", f"Read the thickness: {inside}, and no reading that counts was taken since.")
        if not log.step or log.target is None:
            continue
        value = next(iter(log.step[-1].read_as.values()))
        if value < log.target:
            return Stage("thicken", f"Thicken on: {number(value)} was read, {number(log.target)} is wanted.")
    return None

"""What may be written into a thickening log: planned thickeners, steps in order, a pH that opens the log."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from optimizer.bench.amount import portion_of
from optimizer.bench.batch import Batch, ThickenerStep, ThickeningEntry, append, change_batch
from optimizer.bench.thicken import READ_AS, ThickeningLog, closed, log_of, ph_of, planned_thickeners
from optimizer.brief.brief import Brief
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.errors import DataError, Problem, UsageError, fault, from_validation, nearest
from optimizer.rules.row import Setting
from optimizer.units import KEPT, listed, number


def record(
    path: Path,
    name: str,
    entry: Mapping[str, Any],
    brief: Brief,
    formula: Formula,
    setting: Setting,
    target: float | None = None,
    *,
    sure: bool = False,
    after_percent: float | None = None,
) -> Batch:
    """Append a step to the log of a thickener in the batch file, or only set its target.

    Args:
        path: The batch file.
        name: Id of the thickener.
        entry: Fields of a `ThickenerStep`; none for no step.
        brief: The batch's brief.
        formula: The batch's formula.
        setting: The batch's pH.
        target: Wanted reading, in the unit of the log.
        sure: Whether more than the limit, or a thickener that is not planned, is meant so.
        after_percent: What the log ended with when this was read [%]; if it ends otherwise now, the step is refused.

    Raises:
        DataError: If the thickener is not planned, the step cannot follow the log or passes the limit, or no pH opens
            the log.
    """
    where = str(path)

    def change(document: Any, now: Batch) -> None:
        material = check_planned(name, where, now, brief, formula, setting, sure=sure)
        table = log_table(document, now, name)
        if target is not None:
            table["target"] = target
        if entry:
            _refuse_stale(now, name, after_percent, where)
            step = _step(now, material, entry, where)
            if not sure:
                _check_limit(log_of(name, now, brief, formula, setting), step, where)
            place = {} if step.ph is None else {"after_reading": sum(len(a.all_readings) for a in now.adjustment)}
            append(table, "step", {**entry, **place})

    return change_batch(path, change, brief.library.materials)


def _refuse_stale(batch: Batch, name: str, after: float | None, where: str) -> None:
    """Refuse a step whose additions were counted on from a log that has gone on since."""
    there = batch.thickened_by(name).added_percent
    if after is not None and abs(after - there) > KEPT:
        what = f"the log has gone on in the meantime: {number(there, 3)} % is in by now."
        raise fault(where, f"thickening.{name}", what, "Look at the log, then note what was added since.")


def percent_added(text: str, size_g: float) -> float:
    """Return thickener as typed with its unit [% of the batch]; see `portion_of`.

    Raises:
        UsageError: If it has no unit, because the advice is in grams and the log in per cent, or is no amount.
    """
    value, unit = portion_of("--added", text)
    if unit == "g":
        return 100 * value / size_g
    if not unit and value:
        plain = number(value, 6)
        raise UsageError(
            f"--added {text}: grams or per cent? Write --added {plain}g ({number(100 * value / size_g, 3)} % of the "
            f"{number(size_g, 3)} g batch) or --added {plain}% ({number(value * size_g / 100, 3)} g)."
        )
    return value


def _check_limit(log: ThickeningLog, step: ThickenerStep, where: str) -> None:
    """Refuse what passes the limit of the log."""
    total = log.weighed + step.added_percent
    if total <= max(log.most, log.added) + KEPT:
        return
    what = f"{number(total, 3)} % is past the limit of {number(log.most, 2)} % ({log.words})."
    raise fault(where, f"thickening.{log.material.id}", what, "Look again; if so much really is in, add --sure.")


def _step(batch: Batch, material: Material, entry: Mapping[str, Any], where: str) -> ThickenerStep:
    """Return a step; refuse one that cannot follow what is logged, or for which no pH opens the log."""
    name = material.id
    try:
        step = ThickenerStep.model_validate(entry)
    except ValidationError as error:
        raise DataError(from_validation(error, where, ThickenerStep, f"thickening.{name}")) from None
    logged = batch.thickened_by(name)
    check_step(logged, step, where)
    last = logged.added_percent
    said = closed(batch, material, ph_of(batch, logged)[0]) if step.added_percent > last + KEPT else None
    if said:
        what, todo = said
        also = f"Or log a reading of what is in the vessel with its pH: --added {number(last)}% --ph ..."
        raise fault(where, f"thickening.{name}", what, f"{todo} {also}")
    return step


def check_planned(
    name: str, where: str, batch: Batch, brief: Brief, formula: Formula, setting: Setting, *, sure: bool
) -> Material:
    """Return the thickener with an id.

    Raises:
        DataError: If there is none, it is no thickener, or it is neither planned nor meant so (`sure`).
    """
    known = {m.id: m for m in brief.library.materials if m.thickener is not None}
    if name not in known:
        what = "this is no thickener." if name in brief.library.by_id else "there is no such thickener."
        raise fault(where, f"thickening.{name}", what, nearest(name, known))
    planned = planned_thickeners(batch, brief, formula, setting)
    if name not in planned and not sure:
        step = (
            "If it is meant so, add --sure; for the next batch name it under [held_back] thickeners of the brief. "
            + _planned_words(planned)
        )
        raise fault(where, f"thickening.{name}", "this thickener is not planned for the batch.", step)
    return known[name]


def check_step(logged: ThickeningEntry | None, step: ThickenerStep, where: str) -> None:
    """Refuse a step that cannot follow the log.

    Raises:
        DataError: If it has two readings, another kind than the log, or less thickener than the step before.
    """
    key = f"thickening.{logged.material}" if logged else "thickening"
    problems = []
    kinds = list(step.read_as)
    if len(kinds) > 1:
        what = f"one step has {len(kinds)} readings ({listed(list[str](kinds))})."
        problems.append(Problem(where, key, what, "Give one of them; the log keeps to one kind."))
    if logged and logged.step:
        before = next(iter(logged.step[0].read_as))
        if before not in kinds:
            what = f"the log is read as {READ_AS[before]}, this step as {READ_AS[kinds[0]]}; they cannot be compared."
            problems.append(Problem(where, key, what, f"Read {READ_AS[before]} too."))
        last = logged.added_percent
        if step.added_percent < last - KEPT:
            what = f"{number(step.added_percent)} % is less than the {number(last)} % of the step before."
            problems.append(Problem(where, key, what, "Write all additions together, not the last one alone."))
    if problems:
        raise DataError(problems)


def log_table(document: Any, batch: Batch, name: str) -> Any:
    """Return the log of a thickener in a parsed batch file, which is made if it is not there.

    Args:
        document: The parsed file.
        batch: What it holds, materials by id.
        name: Id of the thickener.
    """
    for table, log in zip(document.get("thickening", []), batch.thickening, strict=True):
        if log.material == name:
            return table
    append(document, "thickening", {"material": name})
    return document["thickening"][-1]


def _planned_words(planned: Iterable[str]) -> str:
    names = list(planned)
    return f"Planned: {listed(names)}." if names else "No thickener is planned."

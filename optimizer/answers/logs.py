"""The logs of a batch through the door: pH and thickening, noted and read back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from optimizer.answers.answer import Answer
from optimizer.answers.bench import batch_of, sheet_of
from optimizer.answers.following import after_thickening
from optimizer.answers.subject import Subject
from optimizer.assessment.alarms import foremost
from optimizer.bench.acid import AcidSession, PhAnswer, adjuster, ph_answer, points_answer
from optimizer.bench.acid_log import Noted, note_reading, read_points, strike_reading
from optimizer.bench.strike import Strike, strike_in, struck_of
from optimizer.bench.thicken import log_of, logs_of, planned_thickeners
from optimizer.bench.thicken_entry import check_planned, percent_added, record
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import Solution, stock
from optimizer.data.cautions import cautions_from
from optimizer.data.facts import Material
from optimizer.data.names import material_of
from optimizer.errors import UsageError
from optimizer.immutable import replace
from optimizer.report.ph_json import PhTold
from optimizer.report.thicken import Thickened
from optimizer.units import number


def solution_of(chemical: str, strength: float | None, materials: Sequence[Material] = ()) -> Solution | None:
    """Return an acid or alkali as it is named, None if none is.

    Args:
        chemical: With its hydrate form, or a material by id or name, which brings its own strength.
        strength: Of the solution [% w/w].
        materials: What may be named.

    Raises:
        UsageError: If its strength is not stated, or only that.
        DataError: If it is not known.
    """
    if chemical:
        material = next((m for m in materials if chemical.casefold() in (m.id, m.name.casefold())), None)
        own = adjuster(material) if material is not None else None
        if own is not None:
            return own if strength is None else Solution(own.chemical, strength)
        found = stock(chemical, 50.0 if strength is None else strength)
        if strength is None and not chemical.startswith("citric acid"):
            raise UsageError(f"ph: how strong is the {chemical}? Add --strength PERCENT, such as --strength 10.")
        return found
    if strength is not None:
        raise UsageError("ph: --strength needs --with: whose strength is it? Such as --with 'citric acid anhydrous'.")
    return None


def note_ph(
    found: Subject,
    noted: Noted,
    *,
    of: Literal["", "sample", "batch"] = "",
    sample_g: float | None = None,
    solution: Solution | None = None,
) -> Subject:
    """Note a pH reading in a batch file and return the subject as it is then; see `bench.acid_log.note_reading`."""
    assert found.batch_path is not None
    kept = note_reading(
        found.batch_path, found.brief, found.formula, found.setting, noted,
        of=of, sample_g=sample_g, solution=solution,
    )  # fmt: skip
    return replace(found, batch=kept)


def strike_ph(found: Subject, wrong: Strike) -> Subject:
    """Strike a pH reading of a batch file and return the subject as it is then."""
    assert found.batch_path is not None
    kept = strike_reading(found.batch_path, found.brief, found.formula, found.setting, wrong)
    return replace(found, batch=kept)


def ph_of(
    found: Subject, *, solution: Solution | None = None, size_g: float | None = None, water: float = 0.0
) -> Answer[PhTold]:
    """Return the pH of a subject, the dose to its target, and the log of its batch."""
    batch_kg = found.brief.scenario.batch_kg
    answer = ph_answer(
        found.brief,
        found.formula,
        found.setting,
        solution=solution,
        batch=found.batch,
        size_g=size_g if size_g is not None else 1000 * batch_kg if batch_kg else None,
        water=0.0 if found.batch else water,
    )
    notes = (*found.notes, *_acid_apart(found, answer))
    return Answer("ph", PhTold(title=f"pH: {found.name}", answer=answer, notes=notes)).by(found.brief.library.called)


def _acid_apart(found: Subject, answer: PhAnswer) -> Iterator[str]:
    """Yield how the estimate goes with that of the weigh sheet, which counts acid that a step takes before the log."""
    if found.batch is None or answer.sessions or answer.finished:
        return
    apart = [step for step in sheet_of(found).steps if step.part.apart]
    last = next((step.part.ph for step in reversed(apart) if step.part.ph is not None), None)
    if last is not None:
        yield (
            f"about pH {number(answer.estimate.typical, 1)} is the batch without any acid; with that of step "
            f"{apart[0].number} of the weigh sheet in it about pH {number(last.typical, 1)} is estimated, and the dose "
            "counts that acid, too: note it as already in when the log begins"
        )


def ph_of_points(table: Path, target: Interval, sample_g: float, solution: Solution) -> Answer[PhTold]:
    """Return what a table of readings tells without a formula: the dose to a target.

    Args:
        table: Its columns are added_g and ph, perhaps also water_per_g, with, temperature_c and taken_g.
        target: Lower edge, target and upper edge.
        sample_g: Mass of what was read [g].
        solution: What was added.

    Raises:
        DataError: If the table cannot be used.
    """
    answer = points_answer(solution, target, sample_g, read_points(table))
    return Answer("ph", PhTold(title=f"Measured points, {table.name}", answer=answer))


CURVE_POINTS = 24
"""Points of the drawn estimate."""


def curve_of(session: AcidSession, more_g: float = 0.0) -> tuple[tuple[float, Interval], ...]:
    """Return the expected pH along what may be added: grams of solution, and 10 %, middle and 90 % point.

    Args:
        session: An adjustment with its log.
        more_g: What is proposed besides what is in [g]; the curve goes on a little beyond.
    """
    log = session.log
    inside = log.readings[-1].grams if log.readings else 0.0
    end = 1.25 * max(inside + more_g, session.total.typical)
    grams = [end * k / CURVE_POINTS for k in range(CURVE_POINTS + 1)]
    return tuple((g, (log.expected_ph if g < inside else log.expected_after)(g / log.sample)) for g in grams)


def note_thickening(found: Subject, material: str = "", **asked: Any) -> Answer[Thickened]:
    """Answer with what `thickened` returns, asked alike, and with the command that comes next."""
    logged = thickened(found, material, **asked)
    answer = Answer("thicken", logged).by(found.brief.library.called)
    assert found.batch_path is not None
    answer.following = after_thickening(logged.logs, found.batch_path)
    return answer


def room_of(found: Subject, material: str) -> tuple[float, str]:
    """Return how much of a thickener may still go into a batch [g], and what limits it in words."""
    batch = batch_of(found)
    log = log_of(material, batch, found.brief, found.formula, found.setting)
    return max(0.0, log.most - log.added) * batch.size_g / 100, log.words


def thickened(
    found: Subject,
    material: str = "",
    *,
    added: str = "",
    reading: Mapping[str, Any] | None = None,
    target: float | None = None,
    wrong: Strike | None = None,
    sure: bool = False,
    after_percent: float | None = None,
) -> Thickened:
    """Return the thickening logs of a batch, after a step was noted or struck if that is asked.

    Args:
        found: The batch.
        material: The thickener, as it is typed; every log, if it is left out.
        added: Thickener added so far, all additions together, with its unit.
        reading: Further fields of the step, such as viscosity_mpas and ph.
        target: Wanted reading, in the unit of the log.
        wrong: A step to strike.
        sure: Whether more than the limit, or a thickener that is not planned, is meant so.
        after_percent: What the log ended with when this was read [%]; see `bench.thicken_entry.record`.

    Raises:
        UsageError: If something is missing.
        DataError: If the step cannot follow the log; then nothing is noted.
    """
    path, content = found.batch_path, found.batch
    assert path is not None
    assert content is not None
    given = {name: value for name, value in (reading or {}).items() if value is not None}
    material = material_of(material, found.brief.library.materials, unknown=True) if material else ""
    about = (found.brief, found.formula, found.setting)
    if wrong is not None:
        if given or added or target is not None:
            raise UsageError("thicken: strike the wrong line first, then log the right one with a command of its own.")
        content = strike_in(path, "step", wrong)
    if (given or added or target is not None) and not material:
        raise UsageError("name the thickener with --material.")
    if given and not added:
        raise UsageError("say how much is in so far with --added (0 for the blend before any).")
    if added or target is not None:
        entry = {"added_percent": percent_added(added, content.size_g), **given} if added else {}
        content = record(path, material, entry, *about, target, sure=sure, after_percent=after_percent)
    logs = logs_of(content, *about, str(path))
    chosen = tuple(log for log in logs if material in ("", log.material.id))
    if material and not chosen:
        check_planned(material, str(path), content, *about, sure=sure)
        chosen = (log_of(material, content, *about),)
    own = cautions_from((log.material for log in chosen), found.brief.library).values()
    cautions = (*foremost(found.brief, found.formula, found.setting), *own)
    planned = planned_thickeners(content, *about)
    ways = dict.fromkeys([*(log.material_id for log in logs), *planned, *(log.material_id for log in chosen)])
    return Thickened(
        batch=found.name,
        logs=chosen,
        cautions=cautions,
        struck=struck_of(content, "step"),
        begun=bool(content.thickening),
        ways=tuple(found.brief.library.by_id[name] for name in ways),
    )

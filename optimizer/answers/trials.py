"""What a series of trials can be asked, each composed once: by the command line, by pages and by programs alike."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import tomli

from optimizer.answers.answer import Answer
from optimizer.bench.plan import brief_reference
from optimizer.bench.strike import Strike
from optimizer.brief.brief import Brief, load_brief
from optimizer.brief.scenario import find_scenario, named_beside
from optimizer.data.library import chosen_library
from optimizer.data.names import material_of
from optimizer.errors import UsageError
from optimizer.files import refuse_existing, write_atomic
from optimizer.immutable import replace
from optimizer.trials.more import NextBeakers, add_beakers, more_beakers
from optimizer.trials.note import How, Typed, expected, note, typed_words
from optimizer.trials.plan import TrialPlan, TrialsQuestion, plan
from optimizer.trials.series import Series, read_series, series_from
from optimizer.trials.sheet import TrialSheet, sheet_of
from optimizer.trials.standing import SeriesStanding, standing_of
from optimizer.trials.text import series_text


def lay_trials(
    scenario: str | Path,
    out: Path,
    asked: TrialsQuestion,
    *,
    name: str = "",
    on: str = "",
    shelf: Path | None = None,
    libraries: Sequence[Path] | None = None,
) -> Answer[TrialPlan]:
    """Plan a series of trials and write its file.

    Args:
        scenario: A scenario file, or the name of a shipped one.
        out: The series file (.toml); it must not exist, and lies beside the scenario or above it.
        asked: What is varied, how many beakers, on which scale.
        name: Of the series; else the file's name.
        on: Day of the plan, ISO 8601.
        shelf: Shelf instead of the brief's own.
        libraries: Library files instead of the shipped ones.

    Raises:
        UsageError: If nothing can be learnt as asked; the reason and what would help are told.
        DataError: If a file cannot be used, or the series file cannot be written.
    """
    if out.suffix.lower() != ".toml":
        raise UsageError(f"--out {out.name}: the name of a series file ends in .toml.")
    refuse_existing(out)
    path = find_scenario(str(scenario))
    reference = brief_reference(path, out)
    brief = load_brief(path, shelf=shelf, libraries=libraries)
    found = plan(brief, asked)
    text = series_text(found, name=name or out.stem, brief=reference, planned_on=on)
    series = series_from(tomli.loads(text), str(out))
    write_atomic(out, text)
    return Answer("trials plan", found, 0, plan=found, series=series).by(brief.library.called)


def read_trials(
    path: Path, *, shelf: Path | None = None, libraries: Sequence[Path] | None = None
) -> tuple[Series, Brief]:
    """Return a series and the brief it was planned on.

    Raises:
        DataError: If a file cannot be used.
    """
    series = read_series(path)
    scenario = named_beside(path, series.brief, "series file")
    return series, load_brief(scenario, shelf=shelf, libraries=libraries, also=series.region.materials)


def trial_sheet(path: Path, *, beakers: Sequence[int] = (), **files: Any) -> Answer[TrialSheet]:
    """Return the weigh sheet of all beakers of a series, or of some.

    Args:
        path: The series file.
        beakers: Numbers of those that are wanted; all if there are none.
        **files: See `read_trials`.

    Raises:
        UsageError: If there is no such beaker.
        DataError: If a file cannot be used.
    """
    series, brief = read_trials(path, **files)
    missing = sorted(set(beakers) - {b.number for b in series.beaker})
    if missing:
        raise UsageError(f"there is no beaker {missing[0]}: the series has 1 to {max(series.by_number)}.")
    return Answer("trials sheet", sheet_of(series, brief, beakers), 0)


def note_trials(
    path: Path, words: Sequence[str], how: How, *, wrong: Strike | None = None, weight: Strike | None = None
) -> Answer[SeriesStanding]:
    """Note readings and weights of a series as typed, or strike what was noted wrongly.

    Args:
        path: The series file.
        words: A beaker's number and its readings, such as '3', 'viscosity=3200', 'clarity=4', or a table's file.
        how: What goes along with them.
        wrong: The reading that is struck.
        weight: The weight that is struck.

    Raises:
        UsageError: If no beaker is named.
        DataError: With every problem at once; then nothing is written.
    """
    typed = _known(path, typed_words(words))
    changes = bool(typed or wrong is not None or weight is not None)
    series = note(path, typed, how, wrong, weight) if changes else read_series(path)
    return Answer("trials note", standing_of(series, str(path)), 0).by(chosen_library().called)


def _known(path: Path, typed: tuple[Typed, ...]) -> tuple[Typed, ...]:
    """Return what was typed with materials by their ids, whatever name or everyday word was written for them."""
    known = expected(read_series(path))
    if all(one.what in known for one in typed):
        return typed
    series, brief = read_trials(path)
    materials = [m for m in brief.library.materials if m.id in series.region.materials]
    named = {one.what: material_of(one.what, materials, unknown=True) for one in typed if one.what not in known}
    return tuple(replace(one, what=named.get(one.what, one.what)) for one in typed)


def next_trials(
    path: Path, count: int, *, aim: str = "", goal: str = "", repeats: int = 1, **files: Any
) -> Answer[NextBeakers]:
    """Choose the next beakers of a series and write them into its file.

    Args:
        path: The series file.
        count: Beakers besides those of the plan.
        aim: 'learn' or 'best'; 'best' with a goal, else as the series has it, if it is empty.
        goal: What shall be best, such as 'maximise viscosity'.
        repeats: Beakers of the plan itself, the first and the last of the day.
        **files: See `read_trials`.

    Raises:
        UsageError: If the aim cannot be followed.
        DataError: If a file cannot be used, or the brief has changed since.
    """
    series, brief = read_trials(path, **files)
    aim = aim or ("best" if goal else series.aim)
    if aim == "best":
        from optimizer.trials.best import better_by, hoped_of, looked_for

        found = more_beakers(series, brief, count, aim=aim, repeats=repeats, better=better_by(goal))
        notes = (*found.notes, *looked_for(series, goal))
        found = replace(found, hoped=hoped_of(series, goal, found.beakers), notes=notes)
    else:
        found = more_beakers(series, brief, count, aim=aim, repeats=repeats)
    add_beakers(path, found)
    return Answer("trials next", found, 0).by(brief.library.called)

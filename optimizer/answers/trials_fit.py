"""What the readings of trials can be asked: what they tell, what they tell of a formula, a brief that uses them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.answers.answer import Answer
from optimizer.answers.questions import Asked, brief_of
from optimizer.answers.trials import read_trials
from optimizer.assessment.alarms import cautions_at
from optimizer.bench.batch import Batch, change_batch
from optimizer.bench.thicken_entry import log_table
from optimizer.brief.brief import Brief
from optimizer.data.facts import Material
from optimizer.data.formula import Formula
from optimizer.data.sheet import number_of
from optimizer.errors import UsageError
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import best_setting, formula_at, held_against
from optimizer.trials.fitted import Fits, fits_of
from optimizer.trials.rating import Rated, rated
from optimizer.trials.salt import SaltCurve, SaltQuestion, salt_curve
from optimizer.trials.series import read_series
from optimizer.trials.using import ReadingsWish, Wanted, with_readings
from optimizer.units import KEPT

if TYPE_CHECKING:
    from tomlkit import TOMLDocument


SURE = 90.0


def fit_trials(path: Path, *, only: Sequence[str] = (), shelf: Path | None = None) -> Answer[Fits]:
    """Say what the readings of a series tell: effects, what left-out readings are missed by, what cannot be told.

    Args:
        path: The series file.
        only: Readings that are fitted; all without it.
        shelf: Shelf instead of the brief's own.

    Raises:
        UsageError: If nothing can be fitted.
        DataError: If a file cannot be used.
    """
    series, brief = read_trials(path, shelf=shelf)
    found = fits_of(series, brief, only)
    if not found.fits:
        left = " ".join(found.left) or "no beaker has a reading yet; write them down with 'tenside trials note'."
        raise UsageError(f"nothing can be fitted: {left}")
    return Answer("trials fit", found, 0)


def readings_in(
    asked: Asked,
    path: Path,
    *,
    want: Mapping[str, Wanted] | None = None,
    sure: float = SURE,
    at_ph: float | None = None,
    aim: str = "",
    shown: Sequence[str] = (),
) -> Brief:
    """Return a brief in which what a series measured takes the place of the ratings that it measures.

    Args:
        asked: The brief.
        path: The series file.
        want: Limits by reading (at least, at most), before those of the series.
        sure: How sure limits are to be kept [%].
        at_ph: Target pH, where the trials varied it.
        aim: 'maximise READING' or 'minimise READING' instead of the brief's objective.
        shown: Further readings that are used, for trade-offs.

    Raises:
        UsageError: If a limit is on what the trials do not predict.
        DataError: If a file cannot be used.
    """
    wish = ReadingsWish(want or {}, sure, at_ph, aim, tuple(shown))
    return with_readings(brief_of(asked), fits_of(read_series(path)), wish)


def rate(
    asked: Asked,
    path: Path,
    *,
    formula: str | Path | None = None,
    rest: str = "",
    sure: float = SURE,
    at_ph: float | None = None,
) -> Answer[Rated]:
    """Say what readings are to be expected of a brief's best formula, or of one in a file.

    Args:
        asked: The brief.
        path: The series file.
        formula: A formula file; the brief's best formula without it.
        rest: Material that makes the formula up to 100 %, if no line of it says so.
        sure: How sure the bounds are [%].
        at_ph: Target pH, where the trials varied it.

    Raises:
        UsageError: If the brief has no formula.
        DataError: If a file cannot be used.
    """
    if not 50 <= sure < 100:
        raise UsageError(f"--sure {sure:g}: write 50 to 99.9.")
    fits = fits_of(read_series(path))
    brief, found, setting = _subject(brief_of(asked), formula, rest)
    told = cautions_at(brief, found, setting)
    line = rated(brief, found, setting, fits, sure=sure, ph=at_ph, cautions=told)
    return Answer("trials rate", line, 0 if line.told else 4)


def _subject(brief: Brief, formula: str | Path | None, rest: str) -> tuple[Brief, Formula, Setting]:

    if formula is not None:
        wide, given = held_against(Path(formula), brief, rest)
        found = formula_at(wide.pool, given.doses)
        return wide, found, best_setting(wide, found, given.target)
    result = solve(brief, weighable=True)
    if result.formula is None:
        raise UsageError("the brief has no formula to rate. See what clashes with 'tenside blend'.")
    return brief, result.weighable or result.formula, result.setting


def salt(asked: Asked, wish: SaltQuestion, *, into: Path | None = None) -> Answer[SaltCurve]:
    """Lay the beakers of a salt curve on a brief's best formula, and say what their readings tell.

    Args:
        asked: The brief.
        wish: Readings, or how many beakers.
        into: A batch file whose thickening log shall stop at the peak's lower end, and know the target.

    Raises:
        UsageError: If the doses or the readings cannot be used, or nothing is told that the log could stop at.
        DataError: If a file cannot be used.
    """
    brief, formula, setting = _subject(brief_of(asked), None, "")
    found = salt_curve(brief, formula, setting, wish, cautions_at(brief, formula, setting))
    if into is not None:
        _feed(found, into, brief.library.materials)
    return Answer("trials salt", found, 0).by(brief.library.called)


def salt_readings(texts: Iterable[str]) -> dict[float, float]:
    """Return viscosity by dose as typed, 'DOSE=VISCOSITY' each; a dose is read once.

    Raises:
        UsageError: If one is none, or a dose is written twice.
    """
    found: dict[float, float] = {}
    for dose, value in map(_salt_reading, texts):
        if dose in found:
            raise UsageError(
                f"{dose:g} % is written twice ({found[dose]:g} and {value:g}): write it once, as their mean."
            )
        found[dose] = value
    return found


def _salt_reading(text: str) -> tuple[float, float]:
    dose, _, value = text.partition("=")
    try:
        return number_of(dose.strip().removesuffix("%").strip()), number_of(value.strip())
    except ValueError:
        raise UsageError(f"'{text}': write DOSE=VISCOSITY, such as 0.4=900.") from None


def _feed(found: SaltCurve, path: Path, materials: Iterable[Material]) -> None:
    """Write target and stop of a salt curve into the thickening log of a batch file."""
    if not found.told or isnan(found.stop_percent):
        raise UsageError(f"--into {path}: nothing is told that its log could stop at.")
    if found.stop_percent <= KEPT:
        raise UsageError(f"--into {path}: nothing is written, because no dose of salt is open here. {found.verdict}")

    def change(document: TOMLDocument, now: Batch) -> None:
        log = log_table(document, now, found.salt)
        log["most_percent"] = round(found.stop_percent, 2)
        if not isnan(found.target):
            log["target"] = found.target

    change_batch(path, change, materials)

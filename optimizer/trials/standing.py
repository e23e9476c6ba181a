"""Where a series stands: what was read of each beaker, what is missing, what was struck."""

from __future__ import annotations

from optimizer.bench.strike import Struck
from optimizer.immutable import immutable, result, seen, untold
from optimizer.trials.note import said_of
from optimizer.trials.series import LOST, Series


@immutable
class BeakerRead:
    """One beaker with its readings."""

    number: int
    day: int
    role: str
    repeats: int | None
    """The beaker that it repeats."""
    ph: float | None
    """Target."""
    lost: bool
    readings: dict[str, tuple[str, ...]]
    """As typed, by what is read; struck ones are left out."""
    weighed: dict[str, float]
    """Weights that differ from the sheet or were noted all the same, by material [g]."""


@result
class SeriesStanding:
    """A series as it stands: the output of `tenside trials note --json`."""

    FORMAT = 1
    series: Series = untold()
    trials: str = seen("series.trials")
    """Name of the series."""
    file: str
    beakers: tuple[BeakerRead, ...]
    open: tuple[int, ...]
    """Beakers without any reading."""
    struck: tuple[Struck, ...]
    """Readings that count no more."""


def standing_of(series: Series, file: str) -> SeriesStanding:
    """Return where a series stands."""
    found = []
    for beaker in series.beaker:
        read: dict[str, list[str]] = {}
        for entry in series.all_readings:
            if entry.beaker == beaker.number and not entry.struck and entry.what != LOST:
                read.setdefault(entry.what, []).append(entry.read)
        found.append(
            BeakerRead(
                beaker.number,
                beaker.day,
                beaker.role,
                beaker.repeats,
                beaker.ph,
                beaker.number in series.lost,
                {what: tuple(values) for what, values in read.items()},
                series.put_in(beaker.number),
            )
        )
    struck = tuple(
        Struck(n, said_of(series, n), e.struck, e.struck_on) for n, e in enumerate(series.all_readings, 1) if e.struck
    )
    still = tuple(b.number for b in found if not b.readings and not b.lost)
    return SeriesStanding(series=series, file=file, beakers=tuple(found), open=still, struck=struck)

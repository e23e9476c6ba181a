"""The series file: one plain TOML file that grows from the plan of the trials to their readings.

It holds the brief it was planned on, the factors, the region of doses that keep the rules, the beakers in the order of
making, then what the bench adds: weights as made and readings as typed. A wrong line is struck: it stays, with the
reason, and counts no more.
"""

from collections.abc import Callable, Iterator, Mapping
from math import fsum, inf, isfinite
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import tomlkit
from pydantic import Field, PrivateAttr, ValidationError

from optimizer.bench.batch import Scale, change_file
from optimizer.bench.lines import BenchLine, Day, counting
from optimizer.data.facts import Amount, Celsius, Frozen, Key, Percent, Ph, Positive
from optimizer.data.pool import Vector
from optimizer.data.sheet import number_of
from optimizer.errors import DataError, Problem, fault, from_validation, nearest
from optimizer.files import read_toml
from optimizer.immutable import immutable
from optimizer.rules.row import Setting
from optimizer.trials.basis import Coordinates, Terms, on_three_levels

Kind = Literal["number", "log", "judged", "yes/no"]
"""How a reading is read: as a number, a number whose logarithm counts, a judgement from 1 to 5, or yes and no."""
Role = Literal["plan", "chosen", "repeat"]
Number = Annotated[int, Field(ge=1)]
Short = Annotated[str, Field(max_length=40)]
USUAL: dict[str, tuple[Kind, str]] = {
    "viscosity": ("log", "mPas"),
    "turbidity": ("log", "NTU"),
    "flow": ("log", "s"),
    "foam-height": ("number", "mm"),
    "foam-volume": ("number", "ml"),
    "ph": ("number", ""),
    "clarity": ("judged", ""),
    "feel": ("judged", ""),
    "foam": ("judged", ""),
    "mildness": ("judged", ""),
    "rinsing": ("judged", ""),
    "smell": ("judged", ""),
    "separated": ("yes/no", ""),
    "cloudy": ("yes/no", ""),
}
"""Readings whose kind and unit go without saying; common practice, no source."""
SAYS = {"yes": 1.0, "no": 0.0}
SEPARATED = "separated"
LOST = "lost"
"""What is read of a beaker that fell, or of a reading that did not come about."""
SUMMED = 0.011
"""By how much the doses of a beaker may miss their sum [%]: as written with two decimals."""


class Factor(Frozen):
    """What is varied, in the maker's words."""

    id: Key
    name: str
    why: str = ""
    words: str = ""
    """From where to where it goes, and what that means in materials and grams."""


class RegionRow(Frozen):
    """One limit that bounds the region: along @ z <= at_most."""

    rule: str
    words: str
    along: tuple[float, ...]
    at_most: float


class RegionTable(Frozen):
    """The doses that keep the rules, in whitened coordinates: doses = centre + z @ directions."""

    materials: tuple[Key, ...]
    centre: tuple[float, ...]
    """Doses at z = 0 [% as supplied]."""
    directions: tuple[tuple[float, ...], ...]
    """What one unit of each coordinate adds to the doses [%]."""
    rest: tuple[Key, ...] = ()
    """What makes the rest: water."""
    row: tuple[RegionRow, ...] = ()


class Measure(Frozen):
    """What is read of the beakers, and how."""

    what: Key
    kind: Kind
    unit: Short = ""
    repeatability: Positive | None = None
    """Standard deviation of a repeated reading: of the logarithm of a `log` one (0.1 is 10 %), else in its unit."""
    at_least: float | None = None
    """What the next blend shall have at least, with `blend --readings`; for a judgement, a step."""
    at_most: float | None = None
    """What it shall have at most; for a yes or no, its chance [%]."""


class Beaker(Frozen):
    """One beaker of the plan; beakers are made in the order of their numbers."""

    number: Number
    day: Number = 1
    role: Role = "chosen"
    """The plan itself (which shows drift), a chosen point, or a repeat of one."""
    repeats: Number | None = None
    """Beaker that it repeats."""
    ph: Ph | None = None
    """Target pH."""
    doses: dict[Key, Percent]
    """Planned doses [% as supplied]; with the part held back they sum to 100."""


class Reading(BenchLine):
    """One reading of a beaker, as typed."""

    beaker: Number
    what: Key
    read: Annotated[str, Field(min_length=1, max_length=40)]
    """A number, a limit such as '>60000', 1 to 5, yes, no or lost."""
    temperature_c: Celsius | None = None
    after: Short = ""
    """How long after making, such as '24 h'."""
    with_: Annotated[Short, Field(alias="with")] = ""
    """Spindle and speed, or cup."""
    on: Day = ""
    note: Annotated[str, Field(max_length=200)] = ""


class Mix(Frozen):
    """A pre-dilution for all beakers: one part of a material that is too little to weigh, in some of another."""

    id: Key
    material: Key
    into: Key
    parts: Annotated[float, Field(gt=0, le=1000)]
    """Parts of the other to one part of the material."""


class PutIn(BenchLine):
    """What was really weighed into a beaker of one material, or of a pre-dilution."""

    beaker: Number
    material: Key
    """Id of the material or of the pre-dilution."""
    grams: Amount
    lot: Short = ""
    on: Day = ""


@immutable
class Read:
    """A reading as understood.

    Attributes:
        number: Its number among all readings of the file; 0 if it follows from others.
        low: What was read, or the lower end of what it can be (-inf if there is none); 1 for yes, 0 for no.
        high: The same, or the upper end (inf if there is none).
    """

    number: int
    beaker: int
    day: int
    what: str
    kind: Kind
    typed: str
    low: float
    high: float

    @property
    def exact(self) -> bool:
        """Whether a single value was read."""
        return self.low == self.high


class Series(Frozen):
    """A series file as written."""

    trials: Annotated[str, Field(min_length=1, max_length=60)]
    """Name of the series."""
    product: str = ""
    brief: str
    """Scenario whose rules the beakers keep: a file beside this one, or the name of a shipped one."""
    brief_digest: str = ""
    """First digits of the SHA-256 of the scenario and all that it reads, as planned."""
    planned_on: Day = ""
    aim: Literal["learn", "best"] = "learn"
    model: Literal["line", "quadratic"] = "line"
    """What the beakers were chosen for."""
    seed: int = 1
    grams: Positive = 100.0
    """Product in each beaker [g]."""
    held_back_percent: Percent = 0.0
    """Water kept back for acid and thickener [%]; each beaker is made up to its grams with it."""
    freed: tuple[Key, ...] = ()
    """Rules on ratings that the trials shall replace, so that the region leaves them out."""
    scale: Scale = Scale(step_g=0.01)
    ph_tolerance: Annotated[float, Field(ge=0, le=2)] = 0.0
    ph_levels: tuple[Ph, ...] = ()
    """Low, middle and high target pH, if pH is varied."""
    factor: tuple[Factor, ...] = ()
    mix: tuple[Mix, ...] = ()
    region: RegionTable
    measure: tuple[Measure, ...] = ()
    beaker: Annotated[tuple[Beaker, ...], Field(min_length=1)]
    all_readings: Annotated[tuple[Reading, ...], Field(alias="reading")] = ()
    """Struck ones included."""
    all_weighed: Annotated[tuple[PutIn, ...], Field(alias="weighed")] = ()
    """Struck ones included."""
    note: str = ""
    _file: str = PrivateAttr("")

    @property
    def where(self) -> str:
        """How problems name it: by its file, else by its name."""
        return self._file or f"trials {self.trials}"

    @property
    def weighed(self) -> tuple[PutIn, ...]:
        """The weights that count."""
        return counting(self.all_weighed)

    @property
    def by_number(self) -> dict[int, Beaker]:
        """The beakers by number."""
        return {b.number: b for b in self.beaker}

    @property
    def own(self) -> Beaker | None:
        """The first beaker of the plan itself."""
        return next((b for b in self.beaker if b.role == "plan"), None)

    def setting_at(self, ph: float | None) -> Setting:
        """Return the pH setting of beakers with a target."""
        room = self.ph_tolerance
        return Setting() if ph is None else Setting(ph, ph - room, ph + room)

    @property
    def lost(self) -> frozenset[int]:
        """Beakers that were lost whole."""
        return frozenset(r.beaker for r in counting(self.all_readings) if r.what == LOST)

    @property
    def measures(self) -> dict[str, Measure]:
        """What is read, by name."""
        return {m.what: m for m in self.measure}

    @property
    def coordinates(self) -> Coordinates:
        """The coordinates that the trials were planned in."""
        region = self.region
        rest = np.isin(region.materials, region.rest)
        directions = np.array(region.directions, dtype=float).reshape(-1, len(region.materials))
        return Coordinates(region.materials, np.array(region.centre), directions, rest)

    @property
    def terms(self) -> Terms:
        """The terms that the beakers were chosen for."""
        return Terms(len(self.region.directions), self.model, bool(self.ph_levels))

    def reads(self, what: str = "") -> tuple[Read, ...]:
        """Return the readings that count of one kind, or of all; what was lost is left out.

        Asked for separation by name, a beaker of which something else was read counts as one that held, typed ''.
        """
        days = {b.number: b.day for b in self.beaker}
        kinds = {name: m.kind for name, m in self.measures.items()}
        found = []
        for number, entry in enumerate(self.all_readings, 1):
            wanted = entry.what == what if what else entry.what != LOST
            if entry.struck or not wanted or entry.read == LOST or entry.beaker in self.lost:
                continue
            kind = kinds[entry.what]
            low, high = understood(entry.read, kind)
            found.append(Read(number, entry.beaker, days[entry.beaker], entry.what, kind, entry.read, low, high))
        if what == SEPARATED and found:
            looked = {r.beaker for r in found}
            other = dict.fromkeys(r.beaker for r in self.reads() if r.beaker not in looked)
            found += [Read(0, b, days[b], what, kinds[what], "", 0.0, 0.0) for b in other]
        return tuple(sorted(found, key=lambda r: r.beaker)) if what == SEPARATED else tuple(found)

    def made(self, number: int) -> Vector:
        """Return the doses of a beaker as weighed, those not weighed yet as planned, shape (n,) [% as supplied]."""
        planned, noted = self.by_number[number].doses, self.put_in(number)
        doses = {name: noted[name] * 100 / self.grams if name in noted else dose for name, dose in planned.items()}
        for mix in self.mix:
            taken = planned.get(mix.material, 0.0) * (1 + mix.parts)
            if mix.id in noted:
                taken = noted[mix.id] * 100 / self.grams
                doses[mix.material] = taken / (1 + mix.parts) + (doses[mix.material] if mix.material in noted else 0.0)
            elif mix.material in noted:
                continue
            # What is weighed of the other material by itself comes on top of what the pre-dilution brings along.
            if mix.into in noted:
                doses[mix.into] += taken * mix.parts / (1 + mix.parts)
        return np.array([doses.get(n, 0.0) for n in self.region.materials])

    def put_in(self, number: int) -> dict[str, float]:
        """Return what was weighed into a beaker of each material and pre-dilution, all portions together [g]."""
        noted: dict[str, float] = {}
        for entry in self.weighed:
            if entry.beaker == number:
                noted[entry.material] = noted.get(entry.material, 0.0) + entry.grams
        return noted

    def z(self) -> Vector:
        """Return the coordinates of all beakers as made, in the order of the file, shape (m, q)."""
        return self.coordinates.z(np.array([self.made(b.number) for b in self.beaker]))

    def process(self) -> Vector | None:
        """Return pH as the process variable of all beakers, as read where it was, shape (m,); None if it stays."""
        if not self.ph_levels:
            return None
        read = {r.beaker: r.low for r in self.reads("ph") if r.exact}
        ph = [read.get(b.number, b.ph if b.ph is not None else self.ph_levels[1]) for b in self.beaker]
        return on_three_levels(np.array(ph), self.ph_levels[0], self.ph_levels[-1])


def understood(typed: str, kind: Kind) -> tuple[float, float]:
    """Return the ends of what a reading says: equal for a number, infinite where it is only limited.

    A judgement stands for the half step round it.

    Raises:
        ValueError: If it says nothing of this kind; the text completes a sentence.
    """
    text = typed.strip()
    if kind == "yes/no":
        if text not in SAYS:
            raise ValueError("is neither yes nor no")
        return SAYS[text], SAYS[text]
    sign, value = text[:1], number_of(text.lstrip("<>").strip())
    if kind == "judged":
        if value not in (1, 2, 3, 4, 5) or sign in "<>":
            raise ValueError("is no judgement from 1 to 5")
        return (value - 0.5 if value > 1 else -inf), (value + 0.5 if value < 5 else inf)
    if kind == "log" and value <= 0:
        raise ValueError("is not above 0, and its logarithm counts")
    return (value if sign != "<" else -inf), (value if sign != ">" else inf)


def read_series(path: Path) -> Series:
    """Read a series file.

    Raises:
        DataError: With every problem at once.
    """
    raw = read_toml(path)
    if "trials" not in raw:
        step = "Lay one with 'tenside trials plan BRIEF --out trials.toml'."
        raise fault(str(path), "", "this is no series of trials.", step)
    return series_from(raw, str(path))


def series_from(raw: Mapping[str, Any], where: str) -> Series:
    """Return a series from plain values.

    Raises:
        DataError: With every problem at once.
    """
    try:
        series = Series.model_validate(raw)
    except ValidationError as error:
        raise DataError(from_validation(error, where, Series)) from None
    problems = [*_shapes(series, where), *_beakers(series, where), *_entries(series, where)]
    if problems:
        raise DataError(problems)
    series._file = where
    return series


def change_series(path: Path, change: Callable[[tomlkit.TOMLDocument, Series], None]) -> Series:
    """Change a series file in place and return what it holds now; see `bench.batch.change_file`.

    Raises:
        DataError: If the file, before or after, is no sound series; then nothing is written.
    """
    return change_file(path, change, series_from)


def _shapes(series: Series, where: str) -> Iterator[Problem]:
    """Yield what does not fit together in the region."""
    region, step = series.region, "Plan the series anew; the region is not written by hand."
    n, q = len(region.materials), len(region.directions)
    wide = [("region.centre", region.centre), *((f"region.directions.{k}", d) for k, d in enumerate(region.directions))]
    for key, values in wide:
        if len(values) != n:
            yield Problem(where, key, f"it has {len(values)} figures for {n} materials.", step)
    for k, row in enumerate(region.row):
        if len(row.along) != q:
            yield Problem(where, f"region.row.{k}.along", f"it has {len(row.along)} figures for {q} directions.", step)
    for k, mix in enumerate(series.mix):
        for name in {mix.material, mix.into} - set(region.materials):
            yield Problem(where, f"mix.{k}", f"'{name}' is in no beaker.", nearest(name, region.materials))
    if not q and not series.ph_levels:
        yield Problem(where, "region.directions", "nothing is varied.", step)
    if series.ph_levels and (len(series.ph_levels) != 3 or list(series.ph_levels) != sorted(set(series.ph_levels))):
        yield Problem(where, "ph_levels", "three rising values are expected.", "Write low, middle and high.")


def _beakers(series: Series, where: str) -> Iterator[Problem]:
    """Yield what is wrong with the beakers."""
    numbers = [b.number for b in series.beaker]
    whole = 100 - series.held_back_percent
    for k, beaker in enumerate(series.beaker):
        key = f"beaker.{k}"
        if numbers.count(beaker.number) > 1:
            yield Problem(where, f"{key}.number", f"there are two beakers {beaker.number}.", "Number them anew.")
        if beaker.repeats is not None and beaker.repeats not in numbers:
            yield Problem(where, f"{key}.repeats", f"there is no beaker {beaker.repeats}.", "Correct the number.")
        for name in beaker.doses.keys() - set(series.region.materials):
            yield Problem(
                where, f"{key}.doses.{name}", "the region does not know it.", nearest(name, series.region.materials)
            )
        total = fsum(beaker.doses.values())
        if abs(total - whole) > SUMMED:
            what = f"the doses sum to {total:.4g} %, not {whole:.4g} %."
            yield Problem(where, f"{key}.doses", what, "Correct them, or plan the series anew.")


def _entries(series: Series, where: str) -> Iterator[Problem]:
    """Yield what is wrong with weights and readings."""
    numbers, measures = {b.number for b in series.beaker}, series.measures
    there = f"There are beakers 1 to {max(numbers)}."
    for k, put in enumerate(series.all_weighed):
        if put.beaker not in numbers:
            yield Problem(where, f"weighed.{k}.beaker", f"there is no beaker {put.beaker}.", there)
        known = {*series.region.materials, *(m.id for m in series.mix)}
        if put.material not in known:
            step = nearest(put.material, known)
            yield Problem(where, f"weighed.{k}.material", "it is in no beaker.", step)
    for k, entry in enumerate(series.all_readings):
        if entry.beaker not in numbers:
            yield Problem(where, f"reading.{k}.beaker", f"there is no beaker {entry.beaker}.", there)
        if entry.what == LOST:
            continue
        if entry.what not in measures:
            step = f"Add a [[measure]] with what = '{entry.what}' and its kind."
            yield Problem(where, f"reading.{k}.what", f"no measure '{entry.what}' is declared.", step)
        elif entry.read != LOST:
            try:
                low, high = understood(entry.read, measures[entry.what].kind)
            except ValueError as error:
                yield Problem(where, f"reading.{k}.read", f"'{entry.read}' {error}.", "Correct it, or strike the line.")
            else:
                if not (isfinite(low) or isfinite(high)):
                    yield Problem(where, f"reading.{k}.read", f"'{entry.read}' says nothing.", "Correct it.")

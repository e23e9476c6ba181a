"""The batch file: one plain TOML file that goes along from the plan to the bottles, so that nothing is typed twice.

It holds the plan (doses, size, pH window), then what the bench adds: weights with their lots, pH readings, thickening
steps, the final mass, readings of the finished product. Every command appends to it and keeps what is there, comments
included; the file is replaced as a whole, so that a crash leaves the old one or the new one.
"""

import os
from collections.abc import Callable, Iterable, Mapping
from math import fsum
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar, get_args

import tomli
import tomlkit
from pydantic import Field, PrivateAttr, ValidationError, model_validator
from tomlkit.exceptions import ParseError
from tomlkit.items import Array

from optimizer.bench.costs import Costs
from optimizer.bench.lines import AddedLine, BenchLine, Day, additions, counting
from optimizer.data.facts import Amount, Celsius, Frozen, Material, Percent, Ph, Positive
from optimizer.data.names import ids_of, unmeant
from optimizer.errors import DataError, Problem, fault, from_validation
from optimizer.files import changing, read_text, read_toml, write_atomic
from optimizer.units import number


class Scale(Frozen):
    """The balance that weighs the batch."""

    step_g: Positive = 1.0
    """What its last digit shows [g]."""
    error_g: Positive | None = None
    """By how much a weight may be off [g]; one step if it is not stated."""
    allowed_percent: Annotated[float, Field(gt=0, le=50)] = 5.0
    """Error that a line may have [% of its weight]; common practice, an upper bound of teaching texts."""

    @property
    def off_g(self) -> float:
        """By how much a weight may be off [g]: as stated, else one step."""
        return self.error_g or self.step_g

    @property
    def least_g(self) -> float:
        """Least amount that can be weighed well enough [g]: error / allowed error."""
        return self.off_g * 100 / self.allowed_percent

    @property
    def decimals(self) -> int:
        """How many decimals it shows."""
        return len(f"{self.step_g:.9f}".rstrip("0").partition(".")[2])

    def nearest(self, grams: float) -> float:
        """Return grams as it can show them; what is less than its step with three digits, for a finer scale."""
        if abs(grams) < self.step_g:
            return float(f"{grams:.3g}")
        return round(round(grams / self.step_g) * self.step_g, 9)

    def told(self, grams: float) -> str:
        """Return grams that were worked out as it can show them."""
        return number(self.nearest(grams), max(4, self.decimals))


ReadingKind = Literal["viscosity_mpas", "flow_s", "judged"]
READINGS: tuple[ReadingKind, ...] = get_args(ReadingKind)
"""How the thickness of a blend is read."""
Held = TypeVar("Held")

Word = Annotated[str, Field(min_length=1, max_length=80)]
"""A material as it is written: its id, or another word for it; see `meant`."""


class PlannedLine(Frozen):
    """One dose of the plan."""

    material: Word
    percent: Percent
    """As supplied [% w/w of the product]."""


class WeighedLine(BenchLine):
    """What was really weighed in of one material from one lot; several lines per material are allowed."""

    material: Word
    grams: Amount
    lot: str = ""
    lot_active_percent: Percent | None = None
    on: Day = ""
    note: str = ""


class PhReading(AddedLine):
    """One reading of an acid or alkali adjustment."""

    added_g: Amount = 0.0
    """Solution added so far, all additions together [g]."""
    ph: Ph
    lot: str = ""
    """Of what was added since the reading before, if it is another one than before."""
    water_per_g: Annotated[float, Field(ge=0, le=1000)] = 0.0
    """Water per gram of product in what was read [g/g]: 0 neat, 9 for 10 %."""
    with_: Annotated[Literal["meter", "strip"], Field(alias="with")] = "meter"
    temperature_c: Celsius | None = None
    """Of what was read; nothing where nobody noted it."""
    foam_free: bool = True
    taken_g: Amount = 0.0
    """Product used up for the reading that does not go back [g]."""
    on: Day = ""
    note: str = ""


class Adjustment(Frozen):
    """A sample, or the batch itself, that is brought to its pH with one solution."""

    of: Literal["sample", "batch"] = "batch"
    start_g: Positive
    """Product before the first addition [g]."""
    chemical: str
    """Acid or alkali with its hydrate form, such as 'citric acid monohydrate'."""
    strength_percent: Annotated[float, Field(gt=0, le=100)]
    """Counted in the form that was weighed in [% w/w of the solution]."""
    material: Word | None = None
    """Library id of the acid or alkali, for the formula as made; found by its name if it is left out."""
    lot: str = ""
    all_readings: Annotated[tuple[PhReading, ...], Field(alias="reading")] = ()
    """Struck ones included."""

    @property
    def reading(self) -> tuple[PhReading, ...]:
        """The readings that count."""
        return counting(self.all_readings)

    @property
    def additions(self) -> tuple[PhReading, ...]:
        """The lines whose additions are in, also where their reading is struck."""
        return additions(self.all_readings)

    @property
    def added_g(self) -> float:
        """Solution that is in by now [g]."""
        return self.additions[-1].added_g if self.additions else 0.0

    @property
    def unread_g(self) -> float:
        """Solution that went in after the last reading that counts [g]."""
        return self.added_g - (self.reading[-1].added_g if self.reading else 0.0)


class ThickenerStep(AddedLine):
    """One addition of thickener, or a first reading without one, and what it did."""

    added_percent: Percent
    """As supplied, all additions together [% of the batch]."""
    lot: str = ""
    """Of what was added since the step before, if it is another one than before."""
    waited_min: Amount | None = None
    temperature_c: Celsius | None = None
    ph: Ph | None = None
    """pH read again after the addition."""
    after_reading: Annotated[int, Field(ge=0)] | None = None
    """How many readings the pH logs of the file held then; without it, all that are not dated later."""
    viscosity_mpas: Amount | None = None
    flow_s: Amount | None = None
    """Time to run out of a cup or funnel [s]."""
    judged: Annotated[int, Field(ge=1, le=5)] | None = None
    """1 like water to 5 like a gel."""
    on: Day = ""
    note: str = ""

    @property
    def read_as(self) -> dict[ReadingKind, float]:
        """What was read, by how."""
        read = {kind: getattr(self, kind) for kind in READINGS}
        return {kind: float(value) for kind, value in read.items() if value is not None}

    @model_validator(mode="after")
    def _read(self) -> Self:
        if not self.read_as:
            raise ValueError("write a reading: viscosity_mpas, flow_s or judged")
        return self


class ThickeningEntry(Frozen):
    """The thickening log of one thickener."""

    material: Word
    target: Amount | None = None
    """Wanted reading, in the unit that the steps use."""
    most_percent: Percent | None = None
    """Planned limit [% as supplied]; the library's usual upper dose if it is left out."""
    lot: str = ""
    all_steps: Annotated[tuple[ThickenerStep, ...], Field(alias="step")] = ()
    """Struck ones included."""

    @property
    def step(self) -> tuple[ThickenerStep, ...]:
        """The steps that count."""
        return counting(self.all_steps)

    @property
    def additions(self) -> tuple[ThickenerStep, ...]:
        """The steps whose additions are in, also where their reading is struck."""
        return additions(self.all_steps)

    @property
    def added_percent(self) -> float:
        """Thickener that is in by now [% of the batch]."""
        return self.additions[-1].added_percent if self.additions else 0.0

    @property
    def unread_percent(self) -> float:
        """Thickener that went in after the last reading that counts [% of the batch]."""
        return self.added_percent - (self.step[-1].added_percent if self.step else 0.0)


class Finish(Frozen):
    """The end of the batch."""

    mass_g: Positive | None = None
    """Mass of the product before filling, as it was read last [g]; what is missing has evaporated or stayed behind."""
    lost_g: Amount = 0.0
    """Product left in vessels or taken as samples [g]; it had the product's make-up, so it changes no percentage."""
    water_added_g: Amount = 0.0
    """Water put back for what had evaporated, and water spent on rinsing weighing vessels [g]."""
    water_at_mass_g: Amount | None = None
    """How much of this water was in when `mass_g` was read [g]; all of it if it is left out."""
    bottles: Annotated[int, Field(ge=0)] | None = None
    """Bottles filled."""
    on: Day = ""

    @property
    def figures(self) -> str:
        """What is noted, as one text that is another one as soon as any figure of it is changed."""
        return repr((self.mass_g, self.lost_g, self.water_added_g, self.water_at_mass_g, self.bottles))

    @property
    def water_since_g(self) -> float:
        """Water that was put back after the product was weighed [g]."""
        at_mass = self.water_added_g if self.water_at_mass_g is None else self.water_at_mass_g
        return max(0.0, self.water_added_g - at_mass)

    @property
    def there_g(self) -> float | None:
        """The product's mass with the water that was put back since it was weighed [g]; None if nobody weighed it."""
        return None if self.mass_g is None else self.mass_g + self.water_since_g


class Observation(Frozen):
    """One structured reading of the product: foam, feel, clarity, viscosity, odour, colour, pH, mass ..."""

    what: Annotated[str, Field(min_length=1, max_length=80)]
    value: float | None = None
    unit: str = ""
    text: str = ""
    photo: str = ""
    """File name beside the batch file."""
    temperature_c: Celsius | None = None
    on: Day = ""


class Changed(Frozen):
    """The plan as it was before it was changed under way."""

    why: Annotated[str, Field(min_length=1, max_length=200)]
    on: Day = ""
    size_g: Positive
    held_back_percent: Percent = 0.0
    ph_target: Ph | None = None
    line: tuple[PlannedLine, ...]


class Batch(Frozen):
    """A batch file as written."""

    batch: Annotated[str, Field(min_length=1, max_length=60)]
    """Batch number as it stands on the bottles."""
    product: str = ""
    brief: str
    """Scenario whose rules it must keep: a file beside this one, or the name of a shipped one."""
    master: str = ""
    """Master formula and version that it follows."""
    planned_on: Day = ""
    put_away: Annotated[str, Field(max_length=200)] = ""
    """Why a batch that was laid by mistake is not made; empty for every other."""
    put_away_on: Day = ""
    size_g: Positive
    """Planned mass of the finished batch [g]."""
    bottle_ml: Positive | None = None
    """Nominal content of a bottle [ml]."""
    density_g_per_ml: Annotated[float, Field(ge=0.8, le=1.4)] | None = None
    """Measured density of the product; needed wherever volume and mass meet."""
    loss_percent: Percent = 0.0
    """Part of the batch that does not reach the bottles [%]."""
    held_back_percent: Percent = 0.0
    """Water kept back for acid, thickener and evaporation [% of the batch]."""
    ph_low: Ph | None = None
    ph_target: Ph | None = None
    ph_high: Ph | None = None
    scale: Scale = Scale()
    line: Annotated[tuple[PlannedLine, ...], Field(min_length=1)]
    all_weighed: Annotated[tuple[WeighedLine, ...], Field(alias="weighed")] = ()
    """Struck ones included."""
    adjustment: tuple[Adjustment, ...] = ()
    thickening: tuple[ThickeningEntry, ...] = ()
    finish: Finish = Finish()
    observation: tuple[Observation, ...] = ()
    costs: Costs | None = None
    """What it costs besides its materials; the same keys as in a costs file."""
    changed: tuple[Changed, ...] = ()
    """What the lines were before a material ran out, oldest first; `line` is the plan that holds."""
    note: str = ""
    _file: str = PrivateAttr("")

    @model_validator(mode="after")
    def _sound(self) -> Self:
        total = sum(line.percent for line in self.line) + self.held_back_percent
        if abs(total - 100) > 0.011:
            raise ValueError(f"the planned doses and the part held back sum to {total:.4g} %, not 100 %")
        names = [line.material for line in self.line]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"{twice[0]} is planned twice; add the two doses up")
        window = [p for p in (self.ph_low, self.ph_target, self.ph_high) if p is not None]
        if window != sorted(window):
            raise ValueError("ph_low, ph_target and ph_high are not in this order")
        return self

    @property
    def where(self) -> str:
        """How problems name it: by its file, else by its number."""
        return self._file or f"batch {self.batch}"

    @property
    def weighed(self) -> tuple[WeighedLine, ...]:
        """The weights that count."""
        return counting(self.all_weighed)

    @property
    def weighed_g(self) -> dict[str, float]:
        """What is weighed in by material, all portions together [g]."""
        names = dict.fromkeys(line.material for line in self.weighed)
        return {n: fsum(line.grams for line in self.weighed if line.material == n) for n in names}

    @property
    def planned_g(self) -> dict[str, float]:
        """What the plan takes by material [g]."""
        return {line.material: line.percent * self.size_g / 100 for line in self.line}

    @property
    def changes(self) -> tuple[str, ...]:
        """How the plan came to be another one than was laid, in sentences."""
        return tuple(f"the plan was changed{f' on {c.on}' if c.on else ''}: {c.why}" for c in self.changed)

    @property
    def besides_g(self) -> dict[str, float]:
        """What was weighed in of materials that are no line of the plan [g]."""
        return {name: grams for name, grams in self.weighed_g.items() if name not in self.doses and grams > 0}

    def apart_percent(self, material: str) -> float:
        """Return what is in of a thickener apart from its log [% of the batch]: as weighed, or as planned."""
        grams = self.weighed_g.get(material, self.planned_g.get(material, 0.0))
        return 100 * grams / self.size_g

    @property
    def blend_g(self) -> float:
        """The planned batch without the part held back [g]."""
        return self.size_g * (100 - self.held_back_percent) / 100

    @property
    def adjusted(self) -> tuple[Adjustment, ...]:
        """The adjustments of the batch itself that were begun; a sample does not go back."""
        return tuple(a for a in self.logged if a.of == "batch" and a.additions)

    @property
    def logged(self) -> tuple[Adjustment, ...]:
        """All adjustments, those of the batch with the pH that was read again while it was thickened."""
        again = self._read_again()
        if not again:
            return self.adjustment
        of_batch = [
            (k, n) if one.of == "batch" else None
            for k, one in enumerate(self.adjustment)
            for n in range(len(one.all_readings))
        ]
        lines = [list(one.all_readings) for one in self.adjustment]
        for place, step in reversed(again):  # from behind, so that the places before it stay
            before = [found for found in of_batch[:place] if found is not None]
            if before:
                k, n = before[-1]
                lines[k].insert(n + 1, _read_while_thickened(step, self.adjustment[k].all_readings[: n + 1]))
        return tuple(
            one.model_copy(update={"all_readings": tuple(line)})
            for one, line in zip(self.adjustment, lines, strict=True)
        )

    @property
    def ph_readings(self) -> tuple[PhReading, ...]:
        """What was read of the pH of the batch, in order, in whichever log it was noted."""
        found = tuple(r for a in self.adjusted for r in a.reading)
        return found or tuple(_read_while_thickened(step) for _, step in self._read_again())

    def _read_again(self) -> list[tuple[int, ThickenerStep]]:
        """Return the steps with a pH in order, each with the number of pH readings that were noted before it."""
        read = [r for a in self.adjustment for r in a.all_readings]

        def place(step: ThickenerStep) -> int:
            if step.after_reading is not None:
                return min(step.after_reading, len(read))
            return max((n for n, r in enumerate(read, 1) if not (r.on and step.on and r.on > step.on)), default=0)

        steps = [step for log in self.thickening for step in log.step if step.ph is not None]
        return sorted(((place(s), s) for s in steps), key=lambda found: (found[0], found[1].on))

    def thickened_by(self, material: str) -> ThickeningEntry:
        """Return the log of a thickener, an empty one if it was not begun."""
        return next((t for t in self.thickening if t.material == material), ThickeningEntry(material=material))

    @property
    def begun(self) -> bool:
        """Whether anything is recorded that makes the product differ from the plan."""
        steps = any(log.added_percent > 0 for log in self.thickening)
        return bool(self.weighed or self.adjusted) or steps or self.finish.mass_g is not None

    @property
    def doses(self) -> dict[str, float]:
        """Planned doses by id [% as supplied]."""
        return {line.material: line.percent for line in self.line}


def _read_while_thickened(step: ThickenerStep, before: tuple[PhReading, ...] = ()) -> PhReading:
    """Return the pH of a step as a reading of the log whose lines stand before it, read as the last one was."""
    assert step.ph is not None
    now = PhReading(ph=step.ph, on=step.on, note="while it was thickened", temperature_c=step.temperature_c)
    if not before:
        return now
    inside = additions(before)
    how = {"added_g": inside[-1].added_g if inside else 0.0} | {
        name: getattr(before[-1], name) for name in ("water_per_g", "with_")
    }
    return now.model_copy(update=how)


Named = TypeVar("Named", PlannedLine, WeighedLine, Adjustment, ThickeningEntry)


def is_batch(path: Path) -> bool:
    """Return whether a TOML file is a batch file: it has the key `batch`."""
    return path.suffix.lower() == ".toml" and os.path.isfile(path) and "batch" in read_toml(path)


def read_batch(path: Path) -> Batch:
    """Read a batch file; its materials as they are written, until the library of its brief is known (`meant`).

    Raises:
        DataError: With every problem at once.
    """
    return batch_from(read_toml(path), str(path))


def batch_from(raw: Mapping[str, Any], where: str, materials: Iterable[Material] = ()) -> Batch:
    """Return a batch from plain values.

    Args:
        raw: The values.
        where: How problems name them.
        materials: Of the library; with them its materials are named by id.

    Raises:
        DataError: With every problem at once.
    """
    known = tuple(materials)
    batch = _read(raw, where)
    return meant(batch, known) if known else batch


def meant(batch: Batch, materials: Iterable[Material]) -> Batch:
    """Return a batch whose materials are named by id, whatever words for them the file holds.

    Raises:
        DataError: If a word could be several materials, or two lines of the plan mean the same one.
    """
    known = {m.id: m for m in materials}
    sections = {"line": "line", "all_weighed": "weighed", "adjustment": "adjustment", "thickening": "thickening"}
    words = {s: [e.material for e in getattr(batch, s) if e.material is not None] for s in sections}
    ids = ids_of({w for named in words.values() for w in named} - known.keys(), known.values())
    if not ids:
        return batch
    lost = {s: [ids[w] for w in named if w in ids] for s, named in words.items()}
    told = [p for s, key in sections.items() for p in unmeant(batch.where, f"{key}.material", lost[s], known)]
    if told:
        raise DataError(told)

    def by_id(entry: Named) -> Named:
        name = entry.material
        return entry if name is None or name not in ids else entry.model_copy(update={"material": ids[name]})

    named = batch.model_copy(update={s: tuple(map(by_id, getattr(batch, s))) for s in sections})
    plan = [line.material for line in named.line]
    for word, line in zip(batch.doses, named.line, strict=True):
        if plan.count(line.material) > 1:
            what = f"'{word}' is '{line.material}', which is planned twice."
            raise fault(batch.where, "line", what, "Add the two doses up.")
    return named


def _read(raw: Mapping[str, Any], where: str) -> Batch:
    try:
        batch = Batch.model_validate(raw)
    except ValidationError as error:
        raise DataError(from_validation(error, where, Batch)) from None
    batch._file = where
    return batch


def change_batch(
    path: Path, change: Callable[[tomlkit.TOMLDocument, Batch], None], materials: Iterable[Material] = ()
) -> Batch:
    """Change a batch file in place and return what it holds now; see `change_file`.

    Args:
        path: The file.
        change: Edits the parsed document, whose batch it is given as well.
        materials: Of the library; with them that batch names its materials by id.

    Raises:
        DataError: If the file, before or after, is no sound batch file; then nothing is written.
    """
    known = tuple(materials)
    return change_file(path, change, lambda raw, where: batch_from(raw, where, known))


def change_file(
    path: Path, change: Callable[[tomlkit.TOMLDocument, Held], None], read: Callable[[Mapping[str, Any], str], Held]
) -> Held:
    """Change a file that grows at the bench in place; comments and order of what is there are kept.

    Nobody else changes it meanwhile, so whatever a change depends on is looked up in what it is given.

    Args:
        path: The file.
        change: Edits the parsed document; what that holds is given to it as well.
        read: Makes of plain values and the file's name what the file holds.

    Returns:
        What it holds now.

    Raises:
        DataError: If the file, before or after, is not sound; then nothing is written.
    """
    with changing(path) as place:
        text = read_text(place)
        try:
            document = tomlkit.parse(text)
        except (ParseError, RecursionError, ValueError) as error:
            raise fault(str(path), "", f"this is not valid TOML: {error}.", "Correct that line.") from None
        change(document, read(document.unwrap(), str(path)))
        written = tomlkit.dumps(document)
        held = read(tomli.loads(written), str(path))
        if read_text(place) != text:  # an editor asks nobody
            what = "it was changed in an editor in the meantime."
            raise DataError([Problem(str(path), "", what, "Run the command again.")])
        write_atomic(place, written, overwrite=True)
    return held


def append(table: Any, key: str, entry: Mapping[str, Any]) -> None:
    """Append an entry to a list of tables of a parsed document, which is made if it is not there."""
    inline = isinstance(table.get(key), Array)  # written by hand on one line
    row = tomlkit.inline_table() if inline else tomlkit.table()
    for name, value in entry.items():
        row.add(name, value)
    if not inline:
        row.add(tomlkit.nl())
    if key in table:
        table[key].append(row)
    else:
        rows = tomlkit.aot()
        rows.append(row)
        table.add(key, rows)

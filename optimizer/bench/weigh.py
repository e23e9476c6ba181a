"""The weigh sheet: what is weighed in which order, how it is handled, what is seen, what is written down."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import count
from math import fsum

from optimizer.bench.batch import Batch
from optimizer.bench.grams import Dilution, diluted, grams_of, spreads_in
from optimizer.bench.order import EMPTY, Lots
from optimizer.bench.steps import NONE_UNFIT, PhaseStep, Unfit, parts_of
from optimizer.chemistry.interval import Interval
from optimizer.data.cautions import ALWAYS, PAPER, Caution, cautions_from
from optimizer.data.facts import Material
from optimizer.data.library import Library
from optimizer.errors import DataError, Problem, nearest
from optimizer.immutable import immutable, result, seen, told, told_as, untold
from optimizer.units import AS_TYPED, WHOLE, whole_down


@immutable
class Diluted:
    """A small amount weighed as a larger one, spread in a diluent of which a part is taken."""

    by: Dilution = untold()
    diluent: str = seen("by.diluent")
    factor: int = seen("by.factor")
    weigh_g: float = seen("by.weigh_g")
    into_g: float = seen("by.into_g")
    take_g: float = seen("by.take_g")
    brings_g: float = seen("by.brings_g")
    less_g: float = seen("by.less_g")
    """Taken off the diluent's own line."""
    used: bool
    """Whether the grams of the sheet count on it."""


@immutable
class WeighLine:
    """One line of the weigh sheet."""

    number: int
    """Position on the sheet."""
    material: Material = untold()
    id: str = seen("material.id")
    name: str = seen("material.name")
    inci: str = seen("material.inci")
    percent: float
    """Dose of the plan [% as supplied]; the same at every size."""
    grams: float
    """What is weighed into the batch [g]; of the pre-dilution, if that is used."""
    exact_g: float
    """Before rounding to the scale."""
    error_percent: float
    """Error of the balance [% of the amount]."""
    small: bool
    """Whether it is below the least weighable amount."""
    dilution: Dilution | None = untold()
    """A pre-dilution that helps, if there is one."""
    used: bool = untold()
    """Whether the sheet counts on it."""
    enough_g: float = untold()
    """Batch from which the line could be weighed as it is [g]."""
    weighed: tuple[tuple[str, float], ...] = untold(default=())
    """Lots and grams that are noted already."""
    diluted: Diluted | None = seen("dilution_told", key="dilution")
    handling: str = seen("material.handling")

    @told
    def lots(self) -> tuple[str, ...]:
        """Those that are noted."""
        return tuple(lot for lot, _ in self.weighed if lot)

    @told
    def weighed_g(self) -> tuple[float, ...]:
        """Grams that are noted."""
        return tuple(g for _, g in self.weighed)

    @property
    def dilution_told(self) -> Diluted | None:
        """The pre-dilution with whether it is used."""
        return None if self.dilution is None else Diluted(self.dilution, self.used)


@immutable
class Besides:
    """A material that was weighed in without a line of the plan."""

    material: Material = untold()
    id: str = seen("material.id")
    name: str = seen("material.name")
    inci: str = seen("material.inci")
    grams: float
    """All portions together [g]."""
    lots: tuple[str, ...]


@immutable
class Step:
    """One step of the weigh sheet."""

    number: int
    part: PhaseStep = untold()
    title: str = seen("part.title")
    temperature: str = seen("part.temperature")
    do: tuple[str, ...] = seen("part.do")
    see: tuple[str, ...] = seen("part.see")
    """What is usually seen; common practice."""
    wait: str = seen("part.wait")
    write_down: tuple[str, ...] = seen("part.blanks")
    ph_estimate: Interval | None = seen("part.ph")
    """Title, instructions, signs, waiting time, temperature and blanks to fill in."""
    lines: tuple[WeighLine, ...]
    """What is weighed for it."""
    cautions: tuple[Caution, ...]
    """Those that apply here for the first time."""
    again: tuple[tuple[str, int], ...] = untold()
    """Cautions told before that apply here too, by key and number of that step."""


@result
class WeighSheet:
    """A batch as it is weighed: the output of `tenside weigh --json`."""

    FORMAT = 1
    batch: Batch = untold()
    batch_id: str = seen("batch.batch", key="batch")
    product: str = seen("batch.product")
    size_g: float = seen("batch.size_g")
    step_g: float = seen("batch.scale.step_g")
    least_g: float = seen("batch.scale.least_g")
    """Least amount that the scale weighs well enough."""
    ph_low: float | None = seen("batch.ph_low")
    ph_target: float | None = seen("batch.ph_target")
    ph_high: float | None = seen("batch.ph_high")
    steps: tuple[Step, ...]
    total_g: float
    """Sum of the lines [g]."""
    held_g: float = told_as("held_back_g")
    """Water that is set aside [g]; with the lines it makes the whole batch."""
    fill_g: float | None
    """Content of a bottle [g]; None without bottle and density."""
    bottles: int | None
    """Bottles that this batch should fill."""
    notes: tuple[str, ...]
    """What was assumed or could not be kept."""
    besides: tuple[Besides, ...] = ()
    """What was weighed in without a line of the plan."""
    alarms: tuple[Caution, ...] = untold(default=())
    """What is said before anything else, and on what it rests."""
    handling: tuple[Caution, ...] = untold(default=())
    """Cautions of all steps together, each once, with every material that it is about."""

    @told
    def cautions(self) -> tuple[str, ...]:
        """What is said before anything else, on what it rests, then those that always apply."""
        return (*(c.words for c in self.alarms), *ALWAYS)

    @property
    def lines(self) -> tuple[WeighLine, ...]:
        """All lines, in the order of the sheet."""
        return tuple(line for step in self.steps for line in step.lines)

    @property
    def after_ph(self) -> tuple[str, ...]:
        """Ids of the lines that wait until the pH is set."""
        sets = min((step.number for step in self.steps if step.part.sets_ph), default=len(self.steps))
        return tuple(line.material.id for step in self.steps if step.number > sets for line in step.lines)


def weigh_sheet(
    batch: Batch,
    library: Library,
    later: Iterable[Material] = (),
    *,
    predilute: bool = False,
    alarms: tuple[Caution, ...] = (),
    lots: Lots = EMPTY,
    unfit: Unfit = NONE_UNFIT,
) -> WeighSheet:
    """Return the weigh sheet of a batch.

    Args:
        batch: The batch file's content.
        library: Facts of its materials, and the texts of cautions.
        later: What the part held back is for: acids and thickeners.
        predilute: Whether small amounts are weighed as pre-dilutions, their water taken off the water line.
        alarms: What is said before anything else, and on what it rests.
        lots: What the maker has of the materials, by id.
        unfit: Of `later` what is no way to thicken it, by id, and why.

    Raises:
        DataError: If a material is not in the library.
    """
    known = library.by_id
    missing = [n for n in {**batch.doses, **batch.besides_g} if n not in known]
    if missing:
        where = batch.where
        raise DataError(
            Problem(where, f"line.{n}", "this material is not in the library.", nearest(n, known)) for n in missing
        )
    grams = grams_of(batch)
    total = round(fsum(grams.values()), 9)
    materials = {n: known[n] for n in grams}
    lines = _lines(batch, materials, grams, predilute)
    parts = parts_of(batch, materials, tuple(later), lots, unfit)
    held = round(batch.size_g - total, 9)
    fill = batch.bottle_ml * batch.density_g_per_ml if batch.bottle_ml and batch.density_g_per_ml else None
    bottles = None if fill is None else whole_down(batch.size_g * (1 - batch.loss_percent / 100) / fill)
    return WeighSheet(
        batch=batch,
        steps=tuple(_steps(parts, lines, library)),
        handling=_cautions(library, [m for part in parts for m in _going_in(part, library)], {}, 0)[0],
        total_g=total,
        held_g=held,
        fill_g=fill,
        bottles=bottles,
        notes=(*batch.changes, *_notes(batch, lines, total, held)),
        besides=tuple(_besides(batch, known)),
        alarms=alarms,
    )


def _besides(batch: Batch, known: Mapping[str, Material]) -> Iterator[Besides]:
    for name, grams in batch.besides_g.items():
        lots = dict.fromkeys(w.lot for w in batch.weighed if w.material == name and w.lot)
        yield Besides(known[name], grams, tuple(lots))


def _going_in(part: PhaseStep, library: Library) -> list[Material]:
    """Return the materials of a step, those of the part held back and what its text has one handle too."""
    return [*(library.by_id[n] for n in part.materials), *part.besides]


def _steps(parts: Iterable[PhaseStep], lines: Mapping[str, WeighLine], library: Library) -> Iterator[Step]:
    """Yield the steps with their lines, numbered throughout, and what each has to be careful of."""
    told: dict[str, int] = {}
    numbers = count(1)
    for number, part in enumerate(parts, 1):
        own = tuple(replace(lines[name], number=next(numbers)) for name in part.materials)
        yield Step(number, part, own, *_cautions(library, _going_in(part, library), told, number))


def _lines(
    batch: Batch, materials: Mapping[str, Material], grams: Mapping[str, float], predilute: bool
) -> dict[str, WeighLine]:
    """Return the lines by id; what pre-dilutions bring along is taken off their diluents' lines."""
    scale, doses = batch.scale, batch.doses
    total = sum(doses.values())
    rest, left = dict(grams), dict(grams)
    lines = {}
    for name, material in materials.items():
        exact = doses[name] * batch.size_g * (100 - batch.held_back_percent) / 100 / total
        small = grams[name] < scale.least_g - AS_TYPED
        found = spreads_in(material, dict(materials), doses) if small else None
        dilution = diluted(exact, grams[name], scale, found[0], left[found[0]], whole=found[1]) if found else None
        used = predilute and dilution is not None
        if dilution is not None:
            left[dilution.diluent] -= dilution.less_g
        if dilution is not None and used:
            rest[dilution.diluent] -= dilution.less_g
            rest[name] = dilution.take_g
        relative = 100 * scale.off_g / grams[name] if grams[name] > 0 else 100.0
        enough = batch.size_g * scale.least_g / exact if exact > 0 else 0.0
        noted = tuple((w.lot, w.grams) for w in batch.weighed if w.material == name)
        lines[name] = WeighLine(0, material, doses[name], 0.0, exact, relative, small, dilution, used, enough, noted)
    return {name: replace(line, grams=round(rest[name], 9)) for name, line in lines.items()}


def _cautions(
    library: Library, materials: list[Material], told: dict[str, int], number: int
) -> tuple[tuple[Caution, ...], tuple[tuple[str, int], ...]]:
    """Return cautions that are new at a step, and those told before."""
    fresh, again = [], []
    for key, caution in cautions_from(materials, library).items():
        if key in PAPER:
            continue
        if key in told:
            again.append((key, told[key]))
        else:
            told[key] = number
            fresh.append(caution)
    return tuple(fresh), tuple(again)


def _notes(batch: Batch, lines: Mapping[str, WeighLine], total: float, held: float) -> tuple[str, ...]:
    notes = []
    asked = batch.blend_g
    if abs(total - asked) > WHOLE * batch.scale.step_g:
        notes.append(
            f"{asked:g} g is no multiple of the scale's {batch.scale.step_g:g} g: the lines sum to {total:g} g"
        )
    if held < batch.scale.step_g:
        notes.append(
            "no water is held back: acid and thickener come on top of the batch, so note what they weigh; "
            "'tenside made' then works out what the formula became"
        )
    dust = sorted(n for n, line in lines.items() if line.exact_g < batch.scale.step_g / 2)
    if dust:
        notes.append(f"below half a step of the scale and so 0 on the sheet or one step too much: {', '.join(dust)}")
    return tuple(notes)

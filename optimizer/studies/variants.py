"""Variants of a locked base: small changes only, every rule checked again, only the differences shown."""

from collections.abc import Iterable
from math import isnan, nan
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, ValidationError, model_validator

from optimizer.assessment.alarms import cautions_of_several
from optimizer.brief.brief import Brief, load_brief, protecting
from optimizer.data.cautions import Caution
from optimizer.data.facts import Frozen, Key, Percent
from optimizer.data.formula import Formula
from optimizer.data.planned import WATER
from optimizer.errors import DataError, Problem, from_validation, hyphened, nearest
from optimizer.files import read_toml
from optimizer.immutable import Figure, immutable, replace, result, seen, told, told_as, untold
from optimizer.labelling.label import Label, label_of
from optimizer.studies.check import Checked, measured
from optimizer.units import AS_TYPED, number

USUAL_SHARE = 10.0
"""Part of a variant that may differ from its base [%]: 90/10, common practice; some assessors allow 2 %."""


def _rule(name: Any) -> Any:
    return hyphened(name) if isinstance(name, str) else name


class Variant(Frozen):
    """One variant as written: what is swapped, and doses that are set anew."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    swap: dict[Key, Key] = {}
    """Material of the base by what takes its place at the same dose; all swaps happen at once."""
    dose: dict[Key, Percent] = {}
    """New doses [% as supplied]; 0 leaves a material out."""
    without_rules: tuple[Annotated[Key, BeforeValidator(_rule)], ...] = ()
    """Ids of rules of the brief that this variant need not keep, such as the perfume of a scentless one."""
    note: str = ""

    @property
    def freed(self) -> frozenset[str]:
        """Ids of rules that it need not keep: those it names, and the fixed doses that it sets anew itself."""
        return frozenset((*self.without_rules, *(f"fixed-{name}" for name in (*self.dose, *self.swap))))

    @model_validator(mode="after")
    def _changes(self) -> Self:
        if not self.swap and not self.dose:
            raise ValueError("this variant changes nothing: write swap or dose")
        return self


class VariantFile(Frozen):
    """A file of variants of one base."""

    base: str = ""
    """Scenario, formula or batch file that stays locked, beside this file; the command line may name it instead."""
    changed_at_most: Percent = USUAL_SHARE
    """Largest share that may differ from the base [%]."""
    new_materials_at_most: Annotated[int, Field(ge=0)] | None = None
    """Most materials that the base does not hold."""
    filler: Key = "aqua"
    """What takes up the difference to 100 %."""
    variant: Annotated[tuple[Variant, ...], Field(min_length=1, max_length=200)]


@immutable
class Difference:
    """A dose that differs from the base."""

    id: str
    name: str
    before: float
    """% as supplied in the base."""
    after: float


@immutable
class VariantOutcome:
    """One variant.

    What became of it.
    """

    variant: Variant = untold()
    name: str = seen("variant.name")
    note: str = seen("variant.note")
    """As written."""
    checked: Checked = untold()
    cost_per_kg: float = seen("checked.cost")
    ph: float | None = seen("checked.setting.target")
    """Target at which its windows fit best."""
    ingredients: str = seen("label.line")
    """List of ingredients, made anew."""
    allergens: tuple[str, ...] = seen("label.allergen_names")
    """Allergens that the label names, certain or possible."""
    """The variant held against the base's brief."""
    changed: float
    """Share of the variant that is not the base [%]."""
    differences: tuple[Difference, ...]
    """Doses that differ, largest change first."""
    new_materials: tuple[str, ...]
    """Ids that the base does not hold."""
    too_much: tuple[str, ...]
    """Why it is more than a variant of this base; empty if it is not."""
    cost_change: Figure
    """Change of material cost per kg against the base; null where it has more of what has no price."""
    newly_broken: tuple[str, ...]
    """Ids of those that the base keeps."""
    label: Label = untold()
    """Its label, made anew."""

    @told
    def broken(self) -> tuple[str, ...]:
        """Readings of the rules that it breaks."""
        return tuple(o.reading for o in self.checked.rules if o.id in self.checked.broken)

    @told
    def off_by(self) -> dict[str, float]:
        """By how much each rule that it breaks is broken, by id, in the rule's unit."""
        return {o.id: o.violation for o in self.checked.rules if o.id in self.checked.broken}

    @property
    def unpriced(self) -> tuple[str, ...]:
        """Names of what it has more of than the base and what has no price; its change of cost then says nothing."""
        more = {d.id for d in self.differences if d.after > d.before}
        lines = self.checked.formula.lines
        return tuple(x.item.material.name for x in lines if x.id in more and x.item.unpriced and x.id != WATER)

    def readings(self, ids: Iterable[str]) -> tuple[str, ...]:
        """Return the readings of some rules of the variant, with what it has and by how much they are broken."""
        ids = set(ids)
        return tuple(
            o.reading if isnan(o.value) else f"{o.reading}, here {number(o.value, 3)}, off by {number(o.violation, 3)}"
            for o in self.checked.rules
            if o.id in ids
        )


@result
class Variants:
    """A base and its variants: the output of `tenside variants --json`."""

    FORMAT = 1
    name: str = told_as("base")
    """Of the base."""
    base: Checked = untold()
    changed_at_most: float = seen("limits.changed_at_most")
    ingredients: str = seen("label.line")
    allergens: tuple[str, ...] = seen("label.allergen_names")
    broken: tuple[str, ...] = seen("base.broken")
    """Ids of rules that the base itself breaks."""
    """The base held against its own brief."""
    label: Label = untold()
    """The base's label."""
    outcomes: tuple[VariantOutcome, ...] = told_as("variants")
    """One per variant, in file order."""
    limits: VariantFile = untold()
    """The file's limits."""

    @told
    def cautions(self) -> tuple[str, ...]:
        """Those of the base and of every variant, each once."""
        return tuple(caution.text for caution in self.every_caution)

    @property
    def every_caution(self) -> tuple[Caution, ...]:
        """The cautions with all the materials that each comes from."""
        every = [(self.name, self.base), *((o.name, o.checked) for o in self.outcomes)]
        return cautions_of_several((name, one.brief, one.formula, one.setting) for name, one in every)


def read_variants(path: Path) -> VariantFile:
    """Read a file of variants.

    Raises:
        DataError: With every problem at once.
    """
    try:
        return VariantFile.model_validate(read_toml(path))
    except ValidationError as error:
        raise DataError(from_validation(error, str(path), VariantFile)) from None


def varied(
    name: str,
    formula: Formula,
    scenario: Path,
    wanted: VariantFile,
    *,
    where: str = "variants",
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
) -> Variants:
    """Return every variant of a base, held against the base's brief.

    Args:
        name: Of the base.
        formula: The base; it stays as it is but for what a variant names and the filler.
        scenario: Its brief.
        wanted: The variants.
        where: Their file, for messages.
        shelf: Shelf instead of the scenario's.
        libraries: Library files instead of the shipped ones.

    Raises:
        DataError: If a variant names a material that is not known or not in the base, or leaves no room.
    """
    base = formula.doses
    named = {i for v in wanted.variant for i in (*v.swap.values(), *v.dose)}
    brief = load_brief(scenario, shelf=shelf, libraries=libraries, also={*base, *named, wanted.filler})
    problems = _problems(where, wanted, base, brief)
    doses = {}
    if not problems:
        for at, variant in enumerate(wanted.variant, 1):
            made = _doses(variant, base, wanted.filler)
            if made[wanted.filler] < -AS_TYPED:
                what = f"its changes take {number(-made[wanted.filler], 2)} % more {wanted.filler} than the base holds."
                problems.append(Problem(where, f"variant {at} '{variant.name}'", what, "Lower a dose."))
            doses[at] = {k: v for k, v in made.items() if v > AS_TYPED}
    if problems:
        raise DataError(problems)
    held = formula.held_back
    whole = measured(brief, base, held)
    guarded = protecting(brief, whole.formula, whole.setting)
    outcomes = [_outcome(v, whole, base, doses[at], held, guarded, wanted) for at, v in enumerate(wanted.variant, 1)]
    return Variants(
        name=name,
        base=whole,
        label=label_of(brief, whole.formula, name=name, setting=whole.setting),
        outcomes=tuple(outcomes),
        limits=wanted,
    )


def _problems(where: str, wanted: VariantFile, base: dict[str, float], brief: Brief) -> list[Problem]:
    problems = []
    names = [v.name for v in wanted.variant]
    for at, variant in enumerate(wanted.variant, 1):
        key = f"variant {at} '{variant.name}'"
        if names.count(variant.name) > 1 and names.index(variant.name) != at - 1:
            problems.append(Problem(where, key, "another variant has this name.", "Choose another."))
        for old in variant.swap:
            if old not in base:
                problems.append(Problem(where, f"{key}, swap", f"the base holds no '{old}'.", nearest(old, base)))
        for new in (*variant.swap.values(), *variant.dose):
            if new not in brief.pool.index:
                step = nearest(new, brief.library.by_id)
                problems.append(Problem(where, key, f"'{new}' is not in the library.", step))
        rules = {r.id: r for r in (*brief.enforced, *(r for r in brief.watched if not r.gives))}
        for rule in variant.without_rules:
            if rule in rules and not rules[rule].may_give:
                what = f"'{rules[rule].reading()}' is law, arithmetic or protection: no variant is free of it."
                problems.append(Problem(where, f"{key}, without_rules", what, "Take it out of the list."))
            elif rule not in rules:
                what = f"the brief has no rule '{rule}'."
                problems.append(Problem(where, f"{key}, without_rules", what, nearest(rule, rules)))
        if wanted.filler in variant.dose or wanted.filler in variant.swap:
            what = f"{wanted.filler} takes up the difference to 100 % and has no dose of its own."
            problems.append(Problem(where, key, what, "Leave it out, or name another filler."))
    return problems


def _doses(variant: Variant, base: dict[str, float], filler: str) -> dict[str, float]:
    doses = {k: v for k, v in base.items() if k not in variant.swap}
    for old, new in variant.swap.items():
        doses[new] = doses.get(new, 0.0) + base[old]
    doses.update(variant.dose)
    total = sum(base.values())
    doses[filler] = total - sum(v for k, v in doses.items() if k != filler)
    return doses


def _outcome(
    variant: Variant,
    whole: Checked,
    base: dict[str, float],
    doses: dict[str, float],
    held: float,
    brief: Brief,
    wanted: VariantFile,
) -> VariantOutcome:
    checked = measured(brief, doses, held)
    ids = sorted({*base, *doses}, key=lambda i: (-abs(doses.get(i, 0.0) - base.get(i, 0.0)), i))
    names = {item.id: item.material.name for item in brief.pool.items}
    moved = [Difference(i, names[i], base.get(i, 0.0), doses.get(i, 0.0)) for i in ids]
    moved = [d for d in moved if abs(d.after - d.before) > AS_TYPED]
    changed = sum(max(d.after - d.before, 0.0) for d in moved)
    new = tuple(sorted(set(doses) - set(base)))
    limit, most = wanted.changed_at_most, wanted.new_materials_at_most
    too_much = []
    if changed > limit + AS_TYPED:
        too_much.append(f"{number(changed, 2)} % of it differs from the base, more than {number(limit)} %")
    if most is not None and len(new) > most:
        too_much.append(f"{len(new)} material{' is' if len(new) == 1 else 's are'} new, more than {most}")
    newly = tuple(r for r in checked.broken if r not in whole.broken and r not in variant.freed)
    label = label_of(brief, checked.formula, name=variant.name, setting=checked.setting)
    dearer = checked.cost - whole.cost
    outcome = VariantOutcome(variant, checked, changed, tuple(moved), new, tuple(too_much), dearer, newly, label)
    return replace(outcome, cost_change=nan) if outcome.unpriced else outcome

"""Variants of a locked base through the door: held against its brief, and written as a formula or a batch."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.answers.subject import Subject, subject_of
from optimizer.bench.plan import BatchHead, batch_size, batch_text, brief_reference, formula_table
from optimizer.brief.scenario import beside
from optimizer.errors import UsageError, nearest
from optimizer.files import write_atomic
from optimizer.studies.variants import VariantOutcome, Variants, read_variants, varied


def vary_base(
    file: Path,
    *,
    base: str = "",
    against: str = "",
    changed_at_most: float | None = None,
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
) -> tuple[Answer[Variants], Subject]:
    """Hold the variants of a file against the brief of their base; return also the base.

    Args:
        file: TOML file of variants.
        base: Scenario, formula or batch file that stays locked, instead of the file's own.
        against: Scenario that a formula as base is held against.
        changed_at_most: Largest share that may differ from the base [%], instead of the file's own.
        shelf: Shelf instead of the base's own.
        libraries: Library files instead of the shipped ones.
    """
    libraries = None if libraries is None else list(libraries)
    wanted = read_variants(file)
    if changed_at_most is not None:
        wanted = wanted.model_copy(update={"changed_at_most": changed_at_most})
    if not (base or wanted.base):
        raise UsageError('variants: name the base, with --base or as base = "..." in the file.')
    named = base or (str(beside(file, wanted.base, "base")) if Path(wanted.base).suffix else wanted.base)
    of = subject_of(named, against=against, shelf=shelf, libraries=libraries)
    found = varied(of.name, of.formula, of.scenario, wanted, where=str(file), shelf=shelf, libraries=libraries)
    good = all(not o.too_much and not o.newly_broken for o in found.outcomes)
    return Answer("variants", found, 0 if good else 4).by(of.brief.library.called), of


def write_variant(
    found: Variants, name: str, subject: Subject, out: Path, *, size: str = "", scale: float = 1.0
) -> str:
    """Write a variant as a formula file, or lay it as a batch of the base's brief; return its name.

    Args:
        found: The variants.
        name: Which of them.
        subject: Their base.
        out: The file; it must not exist.
        size: How much a batch is, such as 5kg; a formula file, if it is left out.
        scale: Step of the scale of that batch [g].

    Raises:
        UsageError: If there is no such variant.
    """
    chosen = _variant_of(found, name)
    formula = chosen.checked.formula
    text = formula_table(formula)
    if size:
        head = BatchHead(out.stem, chosen.variant.name, brief_reference(subject.scenario, out), day_of(""))
        text = batch_text(formula, chosen.checked.setting, batch_size(size, step_g=scale), head, scale)
    write_atomic(out, text)
    return chosen.variant.name


def _variant_of(found: Variants, name: str) -> VariantOutcome:
    named = {o.variant.name.casefold(): o for o in found.outcomes}
    if name.casefold() not in named:
        names = [o.variant.name for o in found.outcomes]
        raise UsageError(f"--make '{name}': there is no such variant. {nearest(name, names)}")
    return named[name.casefold()]

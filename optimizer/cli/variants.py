"""`tenside variants`: small changes to a locked base."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.answers.days import day_of
from optimizer.cli.common import FORMULA, Libraries, ShelfFile, app, aside, command
from optimizer.errors import UsageError, nearest

if TYPE_CHECKING:
    from optimizer.answers.subject import Subject
    from optimizer.studies.variants import VariantOutcome, Variants


@command(app, FORMULA)
def variants(
    file: Annotated[Path, typer.Argument(help="TOML file of variants: swaps and doses.")],
    base: Annotated[
        str, typer.Option(help="Scenario, formula or batch file that stays locked, instead of the file's own.")
    ] = "",
    against: Annotated[str, typer.Option("--for", help="Scenario that a formula as base is held against.")] = "",
    changed: Annotated[
        float | None, typer.Option(help="Largest share that may differ from the base, %.", min=0, max=100)
    ] = None,
    make: Annotated[str, typer.Option("--make", help="Name of the variant that is to be made.")] = "",
    out: Annotated[
        Path | None,
        typer.Option(help="With --make: the formula file (.csv), or with --size the batch file (.toml), to write."),
    ] = None,
    size: Annotated[str, typer.Option(help="With --make and a batch file: how much, such as 5kg.")] = "",
    scale: Annotated[float, typer.Option(help="Step of the scale of that batch, g.", min=0.001)] = 1.0,
    shelf: ShelfFile = None,
    library: Libraries = None,
) -> Answer[Any]:
    """Hold variants of a locked base against its brief and show what differs, label and allergens included."""
    from optimizer.answers.subject import subject_of
    from optimizer.brief.scenario import beside
    from optimizer.files import refuse_existing, write_atomic
    from optimizer.studies.variants import read_variants, varied

    if bool(make) != (out is not None):
        raise UsageError("variants: --make NAME says which variant, --out FILE where it is written; give both.")
    if out is not None:
        if out.suffix.lower() not in (".csv", ".toml") or (out.suffix.lower() == ".toml") != bool(size):
            raise UsageError(f"--out {out.name}: write a formula to a .csv, or with --size a batch file to a .toml.")
        refuse_existing(out)
    wanted = read_variants(file)
    if changed is not None:
        wanted = wanted.model_copy(update={"changed_at_most": changed})
    if not (base or wanted.base):
        raise UsageError('variants: name the base, with --base or as base = "..." in the file.')
    named = base or (str(beside(file, wanted.base, "base")) if Path(wanted.base).suffix else wanted.base)
    subject = subject_of(named, against=against, shelf=shelf, libraries=library)
    found = varied(
        subject.name, subject.formula, subject.scenario, wanted, where=str(file), shelf=shelf, libraries=library
    )
    if make:
        assert out is not None
        chosen = _chosen(found, make)
        write_atomic(out, _text_of(chosen, subject, out, size, scale))
        aside(f"wrote {out}: {chosen.variant.name}")
    return Answer("variants", found, 0 if all(not o.too_much and not o.newly_broken for o in found.outcomes) else 4)


def _chosen(found: "Variants", name: str) -> "VariantOutcome":
    """Return the variant of a name.

    Raises:
        UsageError: If there is none.
    """
    named = {o.variant.name.casefold(): o for o in found.outcomes}
    if name.casefold() not in named:
        names = [o.variant.name for o in found.outcomes]
        raise UsageError(f"--make '{name}': there is no such variant. {nearest(name, names)}")
    return named[name.casefold()]


def _text_of(chosen: "VariantOutcome", subject: "Subject", out: Path, size: str, scale: float) -> str:
    """Return a variant as a formula file, or laid as a batch of the base's brief."""
    from optimizer.bench.plan import batch_text, brief_reference, formula_table, size_of

    formula = chosen.checked.formula
    if not size:
        return formula_table(formula)
    return batch_text(
        formula,
        chosen.checked.setting,
        size_of(size, step_g=scale),
        brief=brief_reference(subject.scenario, out),
        batch=out.stem,
        product=chosen.variant.name,
        planned_on=day_of(""),
        scale_step_g=scale,
    )

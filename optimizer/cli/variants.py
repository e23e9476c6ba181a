"""`tenside variants`: small changes to a locked base."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import FORMULA, Files, app, aside, command, measured
from optimizer.errors import UsageError


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
    scale: Annotated[
        float, typer.Option(help="Step of the scale of that batch, g.", parser=measured("g", 0.001))
    ] = 1.0,
    files: Files = Files(),
) -> Answer[Any]:
    """Hold variants of a locked base against its brief and show what differs, label and allergens included."""
    from optimizer.answers.variants import vary_base, write_variant
    from optimizer.files import refuse_existing

    if bool(make) != (out is not None):
        raise UsageError("variants: --make NAME says which variant, --out FILE where it is written; give both.")
    if out is not None:
        if out.suffix.lower() not in (".csv", ".toml") or (out.suffix.lower() == ".toml") != bool(size):
            raise UsageError(f"--out {out.name}: write a formula to a .csv, or with --size a batch file to a .toml.")
        refuse_existing(out)
    answer, subject = vary_base(file, base=base, against=against, changed_at_most=changed, **files.files)
    if out is not None:
        aside(f"wrote {out}: {write_variant(answer.found, make, subject, out, size=size, scale=scale)}")
    return answer

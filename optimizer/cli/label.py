"""`tenside label`: what goes on the bottle."""

from pathlib import Path
from typing import Annotated

import typer

from optimizer.cli.common import (
    AFTER,
    Changes,
    For,
    Html,
    Json,
    Libraries,
    Markdown,
    Pdf,
    Rest,
    ShelfFile,
    SubjectName,
    app,
    changes_of,
    first,
    print_json,
    quiet_solvers,
    show,
)
from optimizer.errors import UsageError


@app.command(rich_help_panel=AFTER)
def label(
    subject: SubjectName,
    against: For = "",
    rest: Rest = "",
    bottle: Annotated[
        str, typer.Option(help="Content on the label, such as 250 (ml), '500 g' or '1 l'; else the batch file's.")
    ] = "",
    density: Annotated[
        float | None, typer.Option(help="Measured density of the product, g/ml; never assumed.", min=0.8, max=1.4)
    ] = None,
    assessor: Annotated[
        Path | None, typer.Option(help="Also write the pack for the safety assessor: .xlsx or .csv.")
    ] = None,
    changes: Changes = None,
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """List of ingredients with its doubts, allergens, natural origin, content, and what else a label needs."""
    from optimizer.answers.subject import subject_of
    from optimizer.bench.made import last_ph, made_formula
    from optimizer.brief.defaults import bench_defaults
    from optimizer.labelling.content import content_of, read_content
    from optimizer.labelling.label import label_of
    from optimizer.rules.row import Setting

    if assessor:
        from optimizer.report.assessor import check_name

        check_name(assessor)
    with quiet_solvers():
        found = subject_of(
            subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library, rest=rest
        )
    batch, bench = found.batch, bench_defaults(found.scenario)
    if batch is None and not bottle and bench.bottle_ml:
        bottle, density = f"{bench.bottle_ml:g}", first(density, bench.density_g_per_ml)
    content = read_content(bottle, density) if bottle else None
    if density is not None and not bottle and not (batch and batch.bottle_ml):
        raise UsageError("--density turns the volume of a bottle into mass: state --bottle too.")
    if content is None and batch and batch.bottle_ml:
        content = content_of(batch.bottle_ml, "ml", density or batch.density_g_per_ml)
    elif bottle and batch and density is None:
        content = read_content(bottle, batch.density_g_per_ml)
    made = made_formula(batch, found.brief.library.by_id) if batch and batch.begun else None
    ph = last_ph(batch) if batch and made else None
    setting = found.setting if ph is None else Setting(ph, ph, ph)
    answer = label_of(
        found.brief, found.formula, name=found.name, batch=batch, made=made, content=content, setting=setting
    )
    if assessor:
        from optimizer.report.assessor import write_pack

        write_pack(assessor, answer)
    if json:
        print_json(answer)
    else:
        from optimizer.report.label import label_document

        show(label_document(answer), markdown, html, pdf)

"""`tenside label`: what goes on the bottle."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import AFTER, Changes, For, Libraries, Rest, ShelfFile, SubjectName, app, changes_of, command


@command(app, AFTER)
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
) -> Answer[Any]:
    """List of ingredients with its doubts, allergens, natural origin, content, and what else a label needs."""
    from optimizer.answers.papers import label_for
    from optimizer.answers.subject import subject_of

    if assessor:
        from optimizer.report.assessor import check_name

        check_name(assessor)
    found = subject_of(subject, against=against, changes=changes_of(changes), shelf=shelf, libraries=library, rest=rest)
    answer = label_for(found, bottle=bottle, density=density)
    if assessor:
        from optimizer.report.assessor import write_pack

        write_pack(assessor, answer)
    return Answer("label", answer)

"""`tenside label`: what goes on the bottle."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.answer import Answer
from optimizer.cli.common import AFTER, For, Given, Rest, SubjectName, app, command


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
    given: Given = Given(),
) -> Answer[Any]:
    """List of ingredients with its doubts, allergens, natural origin, content, and what else a label needs."""
    from optimizer.answers.papers import label_for
    from optimizer.report.assessor import check_name, write_pack

    if assessor:
        check_name(assessor)
    answer = label_for(given.subject(subject, against=against, rest=rest), bottle=bottle, density=density)
    if assessor:
        write_pack(assessor, answer)
    return Answer("label", answer)

"""`tenside thicken`: the thickening log of a batch."""

from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.answers.days import day_of
from optimizer.cli.common import (
    BENCH,
    Html,
    Json,
    Libraries,
    Markdown,
    Pdf,
    ShelfFile,
    Strikes,
    Why,
    app,
    print_json,
    show,
)
from optimizer.errors import UsageError


@app.command(rich_help_panel=BENCH)
def thicken(
    batch: Annotated[Path, typer.Argument(help="Batch file.")],
    material: Annotated[str, typer.Option(help="Id of the thickener.")] = "",
    added: Annotated[
        str,
        typer.Option(help="Thickener added so far, all additions together, with its unit: 21g, or 0.5% of the batch."),
    ] = "",
    viscosity: Annotated[float | None, typer.Option(help="Reading in mPa s.")] = None,
    flow: Annotated[float | None, typer.Option(help="Reading: time to run out of a cup or funnel, s.")] = None,
    judged: Annotated[int | None, typer.Option(help="Reading: 1 like water to 5 like a gel.")] = None,
    waited: Annotated[float | None, typer.Option(help="Mixed and waited before the reading, min.")] = None,
    temperature: Annotated[float | None, typer.Option(help="Temperature of the reading, °C.")] = None,
    ph: Annotated[float | None, typer.Option(help="pH read again after the addition.")] = None,
    target: Annotated[float | None, typer.Option(help="Wanted reading, in the unit that the log uses.")] = None,
    on: Annotated[str, typer.Option(help="Date, or date and time, such as 2026-05-04T10:30.")] = "",
    note: Annotated[str, typer.Option(help="Remark.")] = "",
    lot: Annotated[str, typer.Option(help="Lot of the thickener that was added.")] = "",
    sure: Annotated[bool, typer.Option("--sure", help="More than the limit is in, and it is meant so.")] = False,
    strike: Strikes = None,
    why: Why = "",
    shelf: ShelfFile = None,
    library: Libraries = None,
    html: Html = None,
    pdf: Pdf = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Show the thickening log of a batch and the next step, or log a step: stop at the target, warn past the peak."""
    from optimizer.answers.subject import subject_of
    from optimizer.bench.strike import asked_of, strike_in, struck_of
    from optimizer.bench.thicken import log_of, logs_of
    from optimizer.bench.thicken_entry import check_planned, percent_added, record
    from optimizer.intake.names import material_of

    found = subject_of(str(batch), shelf=shelf, libraries=library)
    if found.batch is None:
        raise UsageError(f"{batch} is no batch file.")
    material = material_of(material, found.brief.library.materials, unknown=True) if material else ""
    about = (found.brief, found.formula, found.setting)
    readings = {"viscosity_mpas": viscosity, "flow_s": flow, "judged": judged}
    rest = {"waited_min": waited, "temperature_c": temperature, "ph": ph, "on": on or None, "note": note or None}
    rest["lot"] = lot or None
    given: dict[str, Any] = {k: v for k, v in {**readings, **rest}.items() if v is not None}
    wrong = asked_of(strike, why, day_of(""))
    content = found.batch
    if wrong is not None:
        if given or added or target is not None:
            raise UsageError("thicken: strike the wrong line first, then log the right one with a command of its own.")
        content = strike_in(batch, "step", wrong)
    if (given or added or target is not None) and not material:
        raise UsageError("name the thickener with --material.")
    if given and not added:
        raise UsageError("say how much is in so far with --added (0 for the blend before any).")
    if added or target is not None:
        entry = {"added_percent": percent_added(added, content.size_g), **given} if added else {}
        content = record(batch, material, entry, *about, target, sure=sure)
    logs = logs_of(content, *about, str(batch))
    chosen = tuple(log for log in logs if material in ("", log.material.id))
    if material and not chosen:
        check_planned(material, str(batch), content, *about)
        chosen = (log_of(material, content, *about),)
    from optimizer.data.cautions import cautions_from
    from optimizer.report.thicken import Thickened, thicken_document

    cautions = tuple(cautions_from((log.material for log in chosen), found.brief.library).values())
    if json:
        print_json(Thickened(found.name, chosen, cautions, struck_of(content, "step")))
    else:
        begun, struck = bool(content.thickening), struck_of(content, "step")
        show(thicken_document(found.name, chosen, begun, cautions, struck), markdown, html, pdf)

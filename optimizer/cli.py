"""The command line: reads, asks the rooms below, prints. Imports wait until a command needs them."""

import atexit
import contextlib
import gc
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from optimizer import __version__
from optimizer.errors import DataError, TensideError, UsageError

if TYPE_CHECKING:
    from pydantic import BaseModel

    from optimizer.report.document import Document

app = typer.Typer(
    name="tenside",
    help="Percentages for shampoo, body wash, face wash and hand wash: cheapest, proven, explained.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
library_app = typer.Typer(help="What is known about raw materials.", no_args_is_help=True)
app.add_typer(library_app, name="library")

Json = Annotated[bool, typer.Option("--json", help="Print JSON only (see 'tenside schema').")]
Markdown = Annotated[bool, typer.Option("--markdown", help="Print Markdown.")]
Changes = Annotated[
    list[str] | None,
    typer.Option("--set", help="What-if, such as --set active.at_least=10 or --set ph.high=6. Repeatable."),
]
Libraries = Annotated[
    list[Path] | None,
    typer.Option(
        "--library", help="Library file or folder; replaces the shipped library and the brief's own. Repeatable."
    ),
]


@app.command()
def blend(
    scenario: Annotated[str, typer.Argument(help="A scenario file, or the name of a shipped one such as hand-wash.")],
    changes: Changes = None,
    objective: Annotated[
        str, typer.Option(help="'minimise MEASURE' or 'maximise MEASURE' instead of the brief's own.")
    ] = "",
    shelf: Annotated[Path | None, typer.Option(help="Shelf (CSV or XLSX) instead of the brief's own.")] = None,
    library: Libraries = None,
    solver: Annotated[
        str,
        typer.Option(help="Any solver that PuLP finds, such as PULP_CBC_CMD; the answer is certified all the same."),
    ] = "",
    time_limit: Annotated[float, typer.Option(help="Seconds for each integer program.", min=0.1)] = 60.0,
    export: Annotated[Path | None, typer.Option(help="Also write the model, as .lp or .mps (one pH setting).")] = None,
    markdown: Markdown = False,
    exact: Annotated[bool, typer.Option("--exact", help="Check the optimum again in rational arithmetic.")] = False,
    json: Json = False,
) -> None:
    """Find the best percentages that keep every rule, prove them and say what each limit costs."""
    from optimizer.brief import load_brief
    from optimizer.scenario import find_scenario
    from optimizer.solve import solve

    with _quiet_solvers():
        brief = load_brief(
            find_scenario(scenario), changes=[*_changes(changes), *_goal(objective)], shelf=shelf, libraries=library
        )
        result = solve(brief, time_limit=time_limit, solver=solver, weighable=True, exact=exact)
        explanation = None
        if result.ending == "infeasible":
            from optimizer.studies.explain import explain

            explanation = explain(brief, time_limit=time_limit)
        if export:
            _export(export, brief, result)
    if json:
        from optimizer.report.jsonout import as_json, blend_record

        _print(as_json(blend_record(result, explanation)))
    else:
        from optimizer.report.blend import blend_document

        _show(blend_document(result, explanation), markdown)
    raise typer.Exit(result.exit_code)


@app.command()
def check(
    formula: Annotated[Path, typer.Argument(help="Table of material and percent (or grams), or a blend's JSON.")],
    scenario: Annotated[str, typer.Argument(help="Scenario file or name.")],
    shelf: Annotated[Path | None, typer.Option(help="Shelf instead of the brief's own.")] = None,
    library: Libraries = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Hold a formula against a brief: what it breaks, what mending costs, the nearest that keeps all."""
    from optimizer.brief import load_brief
    from optimizer.formula_file import read_formula
    from optimizer.scenario import find_scenario
    from optimizer.studies.check import check as run_check

    path = find_scenario(scenario)
    with _quiet_solvers():
        plain = load_brief(path, shelf=shelf, libraries=library)
        given = read_formula(formula, plain.library.materials, plain.pool.held_back)
        brief = load_brief(path, shelf=shelf, libraries=library, also=given.doses)
        checked = run_check(brief, given.doses, given.held_back, given.notes)
    if json:
        from optimizer.report.jsonout import as_json, check_record

        _print(as_json(check_record(checked)))
    else:
        from optimizer.report.studies import check_document

        _show(check_document(checked), markdown)
    raise typer.Exit(4 if checked.broken else 0)


@app.command()
def why(
    material: Annotated[str, typer.Argument(help="Id of a material (see 'tenside library list').")],
    scenario: Annotated[str, typer.Argument(help="Scenario file or name.")],
    at: Annotated[
        float, typer.Option(help="Dose to which an unused material is forced, % as supplied.", min=0.001, max=100)
    ] = 1.0,
    changes: Changes = None,
    shelf: Annotated[Path | None, typer.Option(help="Shelf instead of the brief's own.")] = None,
    library: Libraries = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Say why a material is in the best formula or out of it, and what would change that."""
    from optimizer.brief import load_brief
    from optimizer.scenario import find_scenario
    from optimizer.studies.why import why as run_why

    with _quiet_solvers():
        brief = load_brief(find_scenario(scenario), changes=_changes(changes), shelf=shelf, libraries=library)
        answer = run_why(brief, material, at)
    if json:
        from optimizer.report.jsonout import as_json, why_record

        _print(as_json(why_record(answer)))
    else:
        from optimizer.report.studies import why_document

        _show(why_document(answer), markdown)


@app.command()
def compare(
    columns: Annotated[
        list[str], typer.Argument(help="Scenarios (file or name) and formulas (.csv, .xlsx, .json), two or more.")
    ],
    against: Annotated[
        str, typer.Option(help="Scenario whose rules and prices measure the formulas; else the first scenario named.")
    ] = "",
    shelf: Annotated[Path | None, typer.Option(help="Shelf instead of the briefs' own.")] = None,
    library: Libraries = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Lay scenarios and formulas side by side and split the change of cost by its causes."""
    from optimizer.side import sides_of
    from optimizer.studies.compare import compare as run_compare

    if len(columns) < 2:
        raise UsageError("compare needs two or more columns.")
    with _quiet_solvers():
        comparison = run_compare(sides_of(columns, against, shelf=shelf, libraries=library))
    if json:
        from optimizer.report.jsonout import as_json, compare_record

        _print(as_json(compare_record(comparison)))
    else:
        from optimizer.report.studies import compare_document

        _show(compare_document(comparison), markdown)


@app.command()
def start(folder: Annotated[Path, typer.Argument(help="Folder to lay; it must not hold these files yet.")]) -> None:
    """Lay a working folder: a shelf to fill in, a file for your own materials, a first brief."""
    from optimizer.starter import lay

    for path in lay(folder):
        _print(f"wrote {path}")
    _print(f"\nNext: tenside blend {folder / 'first-brief.toml'}")


@app.command()
def rules(
    kind: Annotated[str, typer.Argument(help="One kind of rule; all when left out.")] = "",
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Every kind of rule: its equation, unit, fields and how it reads."""
    from dataclasses import asdict

    from optimizer.describe import rule_notes
    from optimizer.report.reference import rules_document

    notes = rule_notes()
    if kind:
        chosen = [n for n in notes if n.kind == kind]
        if not chosen:
            from optimizer.errors import nearest

            raise UsageError(f"there is no kind of rule '{kind}'. {nearest(kind, [n.kind for n in notes])}")
        notes = chosen
    if json:
        _print_json([asdict(n) for n in notes])
    else:
        _show(rules_document(notes), markdown)


@app.command()
def schema(
    what: Annotated[str, typer.Argument(help="One of the schemas; all when left out.")] = "",
) -> None:
    """JSON Schemas of the files that are read and of the JSON that is printed."""
    from optimizer.describe import json_schema
    from optimizer.library import LibraryFile, Material
    from optimizer.report.jsonout import BlendRecord, CheckRecord, CompareRecord, WhyRecord
    from optimizer.scenario import Scenario
    from optimizer.shelf import ShelfLine

    known: dict[str, tuple[type[BaseModel], str]] = {
        "scenario": (Scenario, "scenario file"),
        "library": (LibraryFile, "library file"),
        "material": (Material, "a [[material]] of a library file"),
        "shelf-line": (ShelfLine, "a line of the shelf, once its headings are recognised"),
        "blend": (BlendRecord, "tenside blend --json"),
        "check": (CheckRecord, "tenside check --json"),
        "why": (WhyRecord, "tenside why --json"),
        "compare": (CompareRecord, "tenside compare --json"),
    }
    if what and what not in known:
        from optimizer.errors import nearest

        raise UsageError(f"there is no schema '{what}'. {nearest(what, known)}")
    schemas = {name: json_schema(model, title) for name, (model, title) in known.items() if what in ("", name)}
    _print_json(schemas[what] if what else schemas)


@library_app.command("list")
def library_list(
    function: Annotated[str, typer.Option(help="Only materials with this function.")] = "",
    library: Libraries = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """List the raw materials."""
    from optimizer.report.reference import library_document

    found = _library(library)
    functions = {f for m in found.materials for f in m.functions}
    if function and function not in functions:
        from optimizer.errors import nearest

        raise UsageError(f"no material has the function '{function}'. {nearest(function, functions)}")
    chosen = [m for m in found.materials if not function or function in m.functions]
    if json:
        _print_json([m.model_dump(mode="json") for m in chosen])
    else:
        _show(library_document(chosen), markdown)


@library_app.command("show")
def library_show(
    material: Annotated[str, typer.Argument(help="Id of a material.")],
    library: Libraries = None,
    markdown: Markdown = False,
    json: Json = False,
) -> None:
    """Show one raw material with the source of every figure."""
    from optimizer.errors import nearest
    from optimizer.report.reference import material_document

    found = _library(library)
    if material not in found.by_id:
        raise UsageError(f"there is no material '{material}'. {nearest(material, found.by_id)}")
    if json:
        _print_json(found.by_id[material].model_dump(mode="json"))
    else:
        _show(material_document(found, found.by_id[material]), markdown)


@library_app.command("check")
def library_check(library: Libraries = None, json: Json = False) -> None:
    """Check library files and list doubtful figures."""
    from optimizer.library import doubts

    found = _library(library)
    doubtful = {m.id: doubts(m) for m in found.materials if doubts(m)}
    if json:
        _print_json({"materials": len(found.materials), "doubts": doubtful})
        return
    for name, said in doubtful.items():
        for doubt in said:
            _print(f"{name}: {doubt}")
    _print(f"{len(found.materials)} materials, {len(doubtful)} with doubtful figures")


def _library(paths: list[Path] | None) -> Any:
    from optimizer.files import shipped
    from optimizer.library import read_library

    return read_library(paths or [shipped("library")])


def _changes(changes: list[str] | None) -> list[tuple[str, str]]:
    pairs = []
    for change in changes or []:
        key, sign, value = change.partition("=")
        if not sign or not key.strip():
            raise UsageError(f"--set {change}: write KEY=VALUE, such as active.at_least=10.")
        pairs.append((key.strip(), value.strip()))
    return pairs


def _goal(objective: str) -> list[tuple[str, str]]:
    if not objective:
        return []
    sense, _, measure = objective.strip().partition(" ")
    if sense not in ("minimise", "maximise") or not measure:
        raise UsageError(f"--objective '{objective}': write 'minimise MEASURE' or 'maximise MEASURE'.")
    other = "maximise" if sense == "minimise" else "minimise"
    return [(f"objective.{other}", ""), (f"objective.{sense}", measure.strip())]


def _export(path: Path, brief: Any, result: Any) -> None:
    """Write the case that the answer comes from, or the first one."""
    from optimizer.engine import pulp_path
    from optimizer.model import cases, objective_vector

    found = cases(brief.rules, brief.acidity, brief.pool)
    target = result.ph.target if result.ph else None
    case = next((c for c in found if any(s.target == target for s in c.settings)), found[0])
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    if measure.ratio:
        raise UsageError("--export: a mean as the objective is not linear; export a brief that minimises cost.")
    vector, _ = objective_vector(measure, brief.pool, sign)
    pulp_path.export(path, case.model, case.model.spread(vector), case.upper, brief.scenario.name)
    print(f"wrote {path}", file=sys.stderr)


@contextlib.contextmanager
def _quiet_solvers() -> Iterator[None]:
    """Send what solvers print on stdout to stderr, so that stdout holds the answer alone."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:
        yield
        return
    try:
        os.dup2(2, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _show(document: "Document", markdown: bool) -> None:
    if markdown:
        from optimizer.report.markdown import markdown as as_markdown

        _print(as_markdown(document).rstrip())
    else:
        from optimizer.report.terminal import show

        show(document)


def _print(text: str) -> None:
    sys.stdout.write(text + "\n")


def _print_json(value: Any) -> None:
    from optimizer.report.jsonout import as_json

    _print(as_json(value))


@app.callback(invoke_without_command=True)
def _root(version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    if version:
        _print(f"tenside {__version__}")
        raise typer.Exit


def main() -> None:
    """Run the command line; errors that users can mend are told without a trace."""
    # A basis is so small that threads only wait for one another: 100 ms instead of 1 on a busy machine.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Looking for cycles while libraries load and once more at exit takes a sixth of a blend, and finds none.
    gc.disable()
    atexit.register(gc.freeze)
    try:
        app()
    except TensideError as error:
        _tell(error)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        sys.exit(0)


def _tell(error: TensideError) -> None:
    if "--json" in sys.argv:
        problems = [vars(p) for p in error.problems] if isinstance(error, DataError) else [{"what": str(error)}]
        _print_json({"ending": "error", "exit_code": error.exit_code, "problems": problems})
    print(f"tenside: {error}" if not isinstance(error, DataError) else _listed(error), file=sys.stderr)


def _listed(error: DataError) -> str:
    count = len(error.problems)
    head = "tenside: this cannot be used as it is:" if count == 1 else f"tenside: {count} things stand in the way:"
    return "\n".join([head, *(f"  {p}" for p in error.problems)])

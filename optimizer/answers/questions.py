"""The questions that a brief can be asked, each composed once: by the command line, by pages and by programs alike.

A brief may be given as such, by its file, or by the name of a shipped scenario. Doses are % w/w as supplied.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.answers.answer import Answer
from optimizer.answers.following import after_blend
from optimizer.brief.brief import Brief
from optimizer.errors import UsageError

if TYPE_CHECKING:
    from optimizer.bench.batch import Batch
    from optimizer.data.formula_file import GivenFormula
    from optimizer.solve.frontier.tradeoff import Frontier
    from optimizer.solve.result import Result
    from optimizer.studies.check import Checked
    from optimizer.studies.compare import Comparison
    from optimizer.studies.explain import Explanation
    from optimizer.studies.leeway import Leeway
    from optimizer.studies.multi_product import JointPlan
    from optimizer.studies.robust import Robust
    from optimizer.studies.substituted import Substituted, SwapWish
    from optimizer.studies.why import Why
    from optimizer.sweep.grid import Grid
    from optimizer.sweep.run import Ranged
    from optimizer.sweep.source import Source

Asked = Brief | str | Path
"""A brief, its file, or the name of a shipped scenario."""
Tell = Callable[[str], None]
NEXT_BEST = 3
"""Of how many of its choices a blend says what it costs without them."""


def read_brief(
    name_or_path: str | Path,
    *,
    shelf_file: Path | None = None,
    library_files: Sequence[Path] | None = None,
    **changes: Any,
) -> Brief:
    """Read a brief, with what-ifs.

    Args:
        name_or_path: A scenario file, or the name of a shipped one such as 'hand-wash'.
        shelf_file: Shelf (CSV or XLSX) instead of the brief's own.
        library_files: Library files or folders instead of the shipped library and the brief's own.
        **changes: What-ifs by their key: `active__at_least=10`, or `**{"active.at_least": 10}`.

    Raises:
        DataError: With every problem of the files at once.
    """
    from optimizer.answers.stock import stocked_brief

    asked = [(key.replace("__", "."), "" if value is None else str(value)) for key, value in changes.items()]
    return stocked_brief(name_or_path, asked, shelf=shelf_file, libraries=library_files)


def brief_of(asked: Asked) -> Brief:
    """Return the brief that was given or named."""
    return asked if isinstance(asked, Brief) else read_brief(asked)


def blend(
    asked: Asked,
    *,
    time_limit: float = 60.0,
    solver: str = "",
    exact: bool = False,
    ranges: bool = False,
    name: str = "",
    altered: bool = False,
) -> Answer[Result]:
    """Find the best percentages that keep every rule; if there are none, what clashes.

    Args:
        asked: The brief.
        time_limit: Seconds for each integer program [s].
        solver: A solver that PuLP finds, instead of HiGHS.
        exact: Also check the formula in rational arithmetic.
        ranges: Also say how far each limit may move until another choice is better.
        name: What commands call a brief that is given as such, for what is told as the next step.
        altered: Whether such a brief differs from what bears that name.

    Raises:
        SolverError: If an answer does not stand the check outside the solver.
    """
    from optimizer.solve.best import solve

    brief = brief_of(asked)
    result = solve(
        brief, time_limit=time_limit, solver=solver, weighable=True, exact=exact, next_best=NEXT_BEST, ranges=ranges
    )
    chemistry, at_risk = None, tuple[str, ...]()
    if result.weighable is not None:
        from optimizer.assessment.chemistry import chemistry_of
        from optimizer.uncertainty.lots import broken_by_one

        chemistry = chemistry_of(brief, result.weighable, result.setting)
        at_risk = broken_by_one(result)

    answer = Answer(
        "blend",
        result,
        result.exit_code,
        result=result,
        explanation=_clash(result, time_limit),
        chemistry=chemistry,
        broken_by_lots=at_risk,
    )
    name = name or ("" if isinstance(asked, Brief) else str(asked))
    answer.following = after_blend(name, result, altered=altered) if name else ""
    return answer


def _clash(result: Result, time_limit: float) -> Explanation | None:
    """Return what clashes in a brief that is proven impossible."""
    if result.ending != "infeasible" or result.proof == "none":
        return None
    from optimizer.solve.best import linear_part
    from optimizer.studies.explain import explain as why_impossible

    # Only what linear programs can tell is ever found impossible.
    return why_impossible(linear_part(result.brief), time_limit=time_limit)


def export_model(path: Path, brief: Brief, result: Result) -> None:
    """Write the case of a brief that its answer comes from, or the first one, as .lp or .mps.

    Raises:
        UsageError: If what is best is no linear measure, or the name ends otherwise.
    """
    from optimizer.engine import pulp_path
    from optimizer.model.model import cases

    found = cases(brief.modelled, brief.acidity, brief.pool)
    target = result.ph.target if result.ph else None
    case = next((c for c in found if any(s.target == target for s in c.settings)), found[0])
    sign, name = brief.scenario.objective.goals[0]
    measure = brief.measure(name)
    if measure.ratio:
        raise UsageError("--export: a mean as the objective is not linear; export a brief that minimises cost.")
    cost, constant = case.model.objective(measure, brief.pool, sign)
    pulp_path.export(path, case.model, cost, case.upper, brief.scenario.name, constant)


def explain(asked: Asked, *, time_limit: float = 60.0) -> Answer[Explanation | None]:
    """Say why a brief is impossible and what would have to give; `found` is None if it can be met."""
    answer = blend(asked, time_limit=time_limit)
    return Answer("explain", answer.parts["explanation"], answer.exit_code, **answer.parts)


def check(formula: str | Path, asked: Asked, *, rest: str = "") -> Answer[Checked]:
    """Hold a formula of a file against a brief: what it breaks, what mending costs, the nearest that keeps all.

    Args:
        formula: Table of material and percent (or grams), or a blend's JSON.
        asked: The brief.
        rest: Material that makes it up to 100 %, if no line of it says so.
    """
    from optimizer.assessment.chemistry import chemistry_of
    from optimizer.studies.check import check as hold

    brief, given = _given(formula, asked, rest)
    checked = hold(brief, given.doses, given.held_back, given.notes, at=given.target)
    chemistry = chemistry_of(checked.brief, checked.formula, checked.setting)

    return Answer("check", checked, 4 if checked.broken else 0, checked=checked, chemistry=chemistry)


def why(material: str, asked: Asked, *, at: float = 1.0) -> Answer[Why]:
    """Say why a material is in the best formula or out of it.

    Args:
        material: Its id, name or everyday word.
        asked: The brief.
        at: Dose to which an unused material is forced [%].
    """
    from optimizer.data.names import material_of
    from optimizer.studies.why import why as ask

    brief = brief_of(asked)
    found = ask(brief, material_of(material, brief.library.materials), at)

    return Answer("why", found, 0)


def compare(
    *columns: str | Path,
    against: str = "",
    shelf_file: Path | None = None,
    library_files: Sequence[Path] | None = None,
) -> Answer[Comparison]:
    """Lay scenarios and formula files side by side and split the change of cost by its causes.

    Args:
        *columns: Scenarios (file or name) and formulas (.csv, .xlsx, .json), two or more.
        against: Scenario that measures the formulas; else the first one named.
        shelf_file: Shelf instead of the briefs' own.
        library_files: Library files or folders instead of the shipped one.
    """
    from optimizer.answers.columns import sides_of
    from optimizer.studies.compare import compare as lay

    if len(columns) < 2:
        raise UsageError("compare needs two or more columns.")
    found = lay(sides_of([str(c) for c in columns], against, shelf=shelf_file, libraries=library_files))

    return Answer("compare", found, 0)


def substitute(
    material: str, asked: Asked, *, formula: str | Path | None = None, wish: SwapWish | None = None
) -> Answer[Substituted]:
    """Find the closest formula without a material, and rank what could stand in for it.

    Args:
        material: Id, name or everyday word of what is out of stock, limited or withdrawn.
        asked: The brief.
        formula: A formula file that stands in for the best one.
        wish: What is asked of the substitution.
    """
    from optimizer.data.names import material_of
    from optimizer.studies.substitute import substitute as replace_it
    from optimizer.studies.substitute import with_stand_ins
    from optimizer.studies.substituted import SwapWish as Wanted

    brief, given = (brief_of(asked), None) if formula is None else _given(formula, asked)
    material, doses = material_of(material, brief.library.materials), given.doses if given else {}
    wide = with_stand_ins(brief, material, doses)
    notes, at = (given.notes, given.target) if given else ((), None)
    found = replace_it(brief, wide, material, wish or Wanted(), doses if given else None, notes, at=at)

    return Answer("substitute", found, 0 if found.answer is not None else 4)


def rescue(material: str, brief: Brief, batch: Batch, *, left_g: float, wish: SwapWish) -> Answer[Substituted]:
    """Find out how a batch in the middle goes on without a material: what is in stays in.

    Args:
        material: Id of what has run out.
        brief: The batch's brief.
        batch: The batch file's content.
        left_g: What is left of the material besides what is in [g].
        wish: What else is asked of the substitution.
    """
    from optimizer.bench.rescue import Rescue, floors_g, least_size, plan_so_far, smaller_batch, still_to_add
    from optimizer.studies.substitute import possible, substitute, with_stand_ins

    kept, held = plan_so_far(batch, brief.library.by_id)
    brief = replace(brief, pool=replace(brief.pool, held_back=held))
    wide = with_stand_ins(brief, material, kept)
    floors, there = floors_g(batch), batch.weighed_g.get(material, 0.0) + left_g

    def asked(size: float) -> SwapWish:
        inside = {name: 100 * grams / size for name, grams in floors.items()}
        return replace(wish, left=100 * there / size, inside=inside)

    at = batch.ph_target
    size = least_size(batch.size_g, lambda size: possible(brief, material, asked(size), kept, at=at))
    found = substitute(brief, wide, material, asked(size), kept, at=at)
    lines = () if found.answer is None else still_to_add(batch, found.answer.formula.doses, size, material)
    small = smaller_batch(batch, material, there)
    now = Rescue(batch.batch, size, batch.size_g, lines, small, batch.scale)
    return Answer("substitute", replace(found, now=now), 0 if lines else 4)


def frontier(
    asked: Asked | Mapping[str, Brief],
    *,
    best: str | None = None,
    against: str | None = None,
    tell: Tell | None = None,
    between: Callable[[], None] | None = None,
) -> Answer[tuple[tuple[str, Frontier], ...]]:
    """Trace the trade-off of two measures.

    Args:
        asked: The brief, or several by label: a family of curves.
        best: 'minimise MEASURE' or 'maximise MEASURE'; what the (first) brief seeks if it is left out.
        against: What is traded against it, written the same way; if it is left out, mildness, or cost where
            mildness is best.
        tell: Told how far a long one has come.
        between: Called between two searches; what it raises breaks a long one off.
    """
    from optimizer.studies.frontier import frontier as trace
    from optimizer.studies.frontier import nothing
    from optimizer.studies.stepped import needs_steps, stepped

    briefs = asked if isinstance(asked, Mapping) else {"": brief_of(asked)}
    y = _axis("best", next(iter(briefs.values())).scenario.objective.asked if best is None else best)
    other = "minimise cost" if y[1] == "mildness" else "maximise mildness"
    x = _axis("against", other if against is None else against)
    if x[1] == y[1]:
        raise UsageError(f"--best and --against are both about {x[1]}: trade it against another measure.")
    curves = tuple(
        (
            label,
            stepped(brief, y, x, tell)
            if needs_steps(brief, y[1], x[1])
            else trace(brief, y, x, tell, between or nothing),
        )
        for label, brief in briefs.items()
    )
    code = 0 if any(curve.breaks for _, curve in curves) else 4
    return Answer("frontier", curves, code, family=curves)


def leeway(asked: Asked, *, loss: float = 0.05, others: int = 0) -> Answer[Leeway]:
    """Say how far each dose may move at a stated loss.

    Args:
        asked: The brief.
        loss: How much worse the objective may be, in its own unit.
        others: Also so many formulas within the loss, as different as possible.
    """
    from optimizer.studies.leeway import leeway as measure

    found = measure(brief_of(asked), loss, alternatives=others)
    return Answer("leeway", found, 0)


def robust(
    asked: Asked,
    *,
    off: float = 1.0,
    price_off: float = 0.0,
    draws: int = 10_000,
    seed: int = 1,
    time_limit: float = 60.0,
) -> Answer[Robust]:
    """Find the formula that keeps its rules while lots differ, and say what that safety costs.

    Args:
        asked: The brief.
        off: How many materials may be off at once.
        price_off: How far a price may be off [%].
        draws: Random lots that both formulas are tried with.
        seed: Seed of the random lots.
        time_limit: Seconds for each integer program [s].
    """
    from optimizer.studies.robust import robust as make_safe
    from optimizer.uncertainty.robust_counterpart import Safety

    found = make_safe(brief_of(asked), Safety(off, price_off, draws, seed, time_limit))

    code = 4 if found.formula is None else 0 if found.proof != "none" else 5
    return Answer("robust", found, code)


def vary(
    name: str | Path,
    ways: Mapping[str, Iterable[float]] | None = None,
    *,
    missing: Iterable[str] = (),
    shelf_file: Path | None = None,
    out: Path | None = None,
    jobs: int = 1,
    time_limit: float = 60.0,
) -> Answer[Ranged]:
    """Run every combination of what varies; the last one varies fastest.

    Args:
        name: A scenario (file or name), or a folder of scenarios.
        ways: Values by key, such as {"active.at_least": [9, 9.5, 10]}.
        missing: Materials that are there in one half of the scenarios and missing in the other.
        shelf_file: Shelf instead of the briefs' own.
        out: Table of all answers to write (.csv, .xlsx, .parquet); a run that was cut short goes on there.
        jobs: Processes.
        time_limit: Seconds for each integer program [s].
    """
    from optimizer.sweep import grid
    from optimizer.sweep.source import sources_of

    axes = [*((key, tuple(values)) for key, values in (ways or {}).items()), *(grid.missing(m) for m in missing)]
    sources = sources_of(str(name), shelf=shelf_file, time_limit=time_limit)
    return run_scenarios(sources, grid.crossed(axes), out=out, jobs=jobs)


def run_scenarios(sources: tuple[Source, ...], grid: Grid, *, out: Path | None = None, **how: Any) -> Answer[Ranged]:
    """Run every scenario of every brief.

    Args:
        sources: The briefs.
        grid: The scenarios, the same for each brief.
        out: Table of all answers to write; finished pieces are kept beside it until it is there.
        **how: Processes, executor and who is told of progress; see `sweep.run.run_range`.
    """
    from optimizer.answers.stock import with_stock_left
    from optimizer.sweep.run import run_range
    from optimizer.sweep.state import State
    from optimizer.sweep.summary import summarise
    from optimizer.sweep.tables import check_target, pieces_beside, write_table

    sources = tuple(s if s.stocked else replace(s, stocked=with_stock_left) for s in sources)
    if out is None:
        found = run_range(sources, grid, **how)
    else:
        check_target(out, len(sources) * len(grid))
        found = run_range(sources, grid, state=pieces_beside(out), **how)
        write_table(out, found)
        State(pieces_beside(out)).close()
    summary = summarise(found)
    code = 5 if summary.unclear else 0 if summary.solved else 4
    return Answer("range", found, code, ranged=found, summary=summary)


def together(
    products: Mapping[str, float] | Sequence[tuple[Asked, float]],
    *,
    leftover: float = 0.5,
    buying: bool = True,
    rates: Mapping[str, float] | None = None,
    time_limit: float = 60.0,
    shelf_file: Path | None = None,
    library_files: Sequence[Path] | None = None,
) -> Answer[JointPlan]:
    """Plan several products from one shelf: which uses which material, and how many packs to buy.

    Args:
        products: Mass to make [kg] by scenario, or pairs of brief and mass.
        leftover: Share of its price at which a kg that is left over counts, 0 to 1.
        buying: Whether packs may be bought.
        rates: Rates of other currencies, of briefs that are named; none is assumed.
        time_limit: Seconds for the plan [s].
        shelf_file: Shelf instead of the own one of briefs that are named.
        library_files: Library files or folders instead of the shipped one, for them.
    """
    from optimizer.answers.columns import told_apart
    from optimizer.answers.stock import stocked_brief
    from optimizer.studies.multi_product import Product, alone, joint

    files: dict[str, Any] = {"shelf": shelf_file, "libraries": library_files, "rates": rates}
    pairs = products.items() if isinstance(products, Mapping) else products
    briefs = [asked if isinstance(asked, Brief) else stocked_brief(asked, **files) for asked, _ in pairs]
    names = told_apart([b.scenario.name for b in briefs], [next(iter(b.files), "") for b in briefs])
    made = tuple(Product(b, kg, name) for b, (_, kg), name in zip(briefs, pairs, names, strict=True))
    plan = joint(made, leftover=leftover, buying=buying, time_limit=time_limit)
    apart = alone(made, leftover=leftover, buying=buying, time_limit=time_limit) if plan.products else ()

    return Answer("together", plan, plan.exit_code, plan=plan, alone=apart, asked=made)


def _given(formula: str | Path, asked: Asked, rest: str = "") -> tuple[Brief, GivenFormula]:
    """Return the brief in whose pool all materials of a formula file are, and the formula."""
    from optimizer.solve.existing import held_against

    return held_against(Path(formula), brief_of(asked), rest)


def _axis(option: str, text: str) -> tuple[Any, str]:
    """Return sign and measure of 'minimise MEASURE' or 'maximise MEASURE'."""
    from optimizer.errors import hyphened

    sense, measure = goal_of(option, text)
    return (1 if sense == "minimise" else -1), hyphened(measure)


def goal_of(option: str, text: str) -> tuple[str, str]:
    """Return sense and measure of 'minimise MEASURE' or 'maximise MEASURE', as an option states it."""
    sense, _, measure = text.strip().partition(" ")
    if sense not in ("minimise", "maximise") or not measure:
        raise UsageError(f"--{option} '{text}': write 'minimise MEASURE' or 'maximise MEASURE'.")
    return sense, measure.strip()


def goal_changes(text: str) -> list[tuple[str, str]]:
    """Return 'minimise MEASURE' or 'maximise MEASURE' as what-ifs of a brief; none if nothing is written."""
    if not text:
        return []
    sense, measure = goal_of("objective", text)
    other = "maximise" if sense == "minimise" else "minimise"
    return [(f"objective.{other}", ""), (f"objective.{sense}", measure)]

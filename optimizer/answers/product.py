"""What a product's pages ask besides its rulers, with the draft counted: what clashes, pictures, a batch, variants."""

from __future__ import annotations

from math import isfinite, isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.answers import questions
from optimizer.answers.answer import Answer
from optimizer.answers.bench import lay_batch
from optimizer.answers.draft import MISSING, Draft, Mark
from optimizer.answers.rulers import Rulers
from optimizer.answers.subject import Subject, subject_of
from optimizer.engine.attended import attended
from optimizer.errors import DataError, fault
from optimizer.files import read_toml, resolved
from optimizer.immutable import immutable, replace
from optimizer.report.charts import windows as drawn
from optimizer.report.document import Document, Sketch, Table
from optimizer.report.made import Laid
from optimizer.report.tradeoff import frontier_document
from optimizer.solve.existing import formula_at

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from optimizer.report.document import Section
    from optimizer.studies.explain import Explanation, LimitChange
    from optimizer.studies.substituted import Substituted
    from optimizer.studies.why import Why


@immutable
class DraftMend:
    """One limit that would be enough by itself.

    Attributes:
        words: The change in the brief's words.
        draft: The draft with it; None where no ruler can make the change.
    """

    words: str
    draft: dict[str, float] | None


def clash(rulers: Rulers, draft: Draft) -> tuple[Explanation | None, tuple[DraftMend, ...]]:
    """Return what clashes at a draft and each single mend as a draft; None if everything fits together."""
    found = questions.explain(rulers.reloaded(draft)).found
    if found is None:
        return None, ()
    changes = found.single_repairs or found.repair
    whole = dict(draft)
    if not found.single_repairs and all(_key(rulers.marks, c) for c in changes):
        for change in changes:
            whole[_key(rulers.marks, change)] = change.new
        return found, (DraftMend("; ".join(c.words for c in changes), whole),) if changes else ()
    return found, tuple(_mend(rulers.marks, draft, change) for change in changes)


def _mend(marks: tuple[Mark, ...], draft: Draft, change: LimitChange) -> DraftMend:
    key = _key(marks, change)
    return DraftMend(change.words, {**draft, key: change.new} if key else None)


def _key(marks: tuple[Mark, ...], change: LimitChange) -> str:
    """Return the ruler that makes a change; empty if none can."""
    if not isfinite(change.new):
        return ""
    sides = {"low": ("low", "at_least", "exactly"), "high": ("high", "at_most", "exactly")}.get(change.side, ())
    known = {(mark.rule.id, mark.field): mark.key for mark in marks}
    return next((known[change.id, side] for side in sides if (change.id, side) in known), "")


def why(rulers: Rulers, draft: Draft, material: str) -> Answer[Why]:
    """Return why a material is in the best formula at a draft, or out of it."""
    return questions.why(material, rulers.reloaded(draft))


def swap(rulers: Rulers, draft: Draft, material: str) -> Answer[Substituted]:
    """Return the closest formula without a material at equal active matter, and what could stand in for it."""
    return questions.substitute(material, rulers.reloaded(draft))


def out_of_formula(rulers: Rulers, draft: Draft) -> tuple[tuple[str, str], ...]:
    """Return ids and names of everything that is priced or known and not in the formula, candidates first."""
    brief = rulers.brief
    used = {line.id for line in rulers.ask(draft).lines if line.percent > 0}
    there = [(item.id, item.material.name) for item in brief.pool.items if item.id not in used]
    others = [(name, brief.library.by_id[name].name) for name in brief.left_out if name in brief.library.by_id]
    return (*sorted(there, key=lambda pair: pair[1]), *sorted(others, key=lambda pair: pair[1]))


def subject_at(rulers: Rulers, draft: Draft) -> Subject:
    """Return the formula of a product at a draft, as it is weighed.

    Raises:
        DataError: If there is none.
    """
    brief = rulers.reloaded(draft)
    result = questions.blend(brief).found
    if result.weighable is None:
        raise fault(str(rulers.path), "", f"no formula comes out of it ({result.ending}).", "Look at what clashes.")
    name, notes = brief.scenario.name, brief.assumptions
    return Subject(name, brief, result.weighable, result.setting, rulers.path, result=result, notes=notes)


def windows(rulers: Rulers, draft: Draft) -> list[Sketch]:
    """Return the pH windows of the formula at a draft, with the band that all share."""
    brief = rulers.reloaded(draft)
    result = questions.blend(brief).found
    return drawn(brief, result.weighable, result.setting) if result.weighable is not None else []


def trade_off(
    rulers: Rulers, draft: Draft, against: str, tell: Callable[[str], None], between: Callable[[], None]
) -> Document:
    """Return the exact trade-off of what is sought against a measure, with the formula as it stands.

    Args:
        rulers: The product.
        draft: What is moved and not kept.
        against: What is traded, such as 'maximise mildness'.
        tell: Told how far it is.
        between: Called often; what it or `tell` raises breaks it off.
    """
    brief = rulers.reloaded(draft)
    best = brief.scenario.objective.asked

    def look() -> None:
        rulers.proving.give_way()
        between()

    with rulers.proving.after():
        answer = questions.frontier(brief, best=best, against=against, tell=tell, between=look)
    now = rulers.prove(draft)
    here = None
    if now is not None and not isnan(now.cost):
        formula = formula_at(brief.pool, {line.id: line.percent for line in now.lines})
        curve = answer.found[0][1]
        here = tuple(axis.measure.value(formula, rulers.setting(now.ph)) for axis in (curve.x, curve.y))
    return frontier_document(answer.found, here=here)


def leeway(rulers: Rulers, draft: Draft, loss: float) -> Document:
    """Return how far each dose may move at a stated loss."""
    with rulers.proving.after():
        return questions.leeway(rulers.reloaded(draft), loss=loss).document()


def whole_range(
    rulers: Rulers,
    draft: Draft,
    ways: Mapping[str, Sequence[float]],
    missing: Sequence[str],
    tell: Callable[[str], None],
) -> Document:
    """Return what every combination of some limits comes to, each material that may be missing there and not there.

    Args:
        rulers: The product.
        draft: What is moved and not kept.
        ways: Values by the key of a limit.
        missing: Materials that are there in one half of them and missing in the other.
        tell: Told how far it is; what it raises breaks it off.
    """
    from optimizer.sweep import grid
    from optimizer.sweep.source import sources_of

    axes = [*ways.items(), *map(grid.missing, missing)]
    sources = sources_of(str(rulers.path), tuple(rulers.changes(draft)))
    with rulers.proving.after():
        answer = questions.run_scenarios(
            sources, grid.crossed(axes), progress=lambda done, count: tell(f"{done} of {count} are answered.")
        )
    heads = {mark.key: mark.words for mark in rulers.marks}
    heads |= {f"{MISSING}{m}": f"without {rulers.brief.library.by_id[m].name}" for m in missing}

    def worded(part: Section | Document) -> Section | Document:
        if not isinstance(part, Table):
            return part
        title = next((f"By {words}" for key, words in heads.items() if part.title == f"By {key}"), part.title)
        return replace(part, title=title, columns=tuple(replace(c, name=heads.get(c.name, c.name)) for c in part.every))

    page = answer.page()
    *summaries, every_answer = map(worded, page.sections)
    return replace(page, sections=(every_answer, *summaries))


def lots_differ(rulers: Rulers, draft: Draft, off: float, between: Callable[[], None]) -> Document:
    """Return the formula that keeps its rules while the lots of so many materials are off, and what that costs.

    Args:
        rulers: The product.
        draft: What is moved and not kept.
        off: How many materials.
        between: Called often; what it raises breaks it off.
    """

    def look() -> None:
        rulers.proving.give_way()
        between()

    with rulers.proving.after(), attended(look):
        return questions.robust(rulers.reloaded(draft), off=off).document()


def from_one_shelf(kilos: Mapping[Path, float], *, buying: bool, between: Callable[[], None]) -> Document:
    """Return which product uses which material, and how many packs to buy, if several are made from one shelf.

    Args:
        kilos: How much of each brief's product is made [kg].
        buying: Whether packs may be bought.
        between: Called often; what it raises breaks it off.
    """
    from optimizer.answers.stock import stocked_brief

    with attended(between):
        return questions.together([(stocked_brief(path), kg) for path, kg in kilos.items()], buying=buying).document()


def against_of(rulers: Rulers) -> tuple[tuple[str, str], ...]:
    """Return what may be traded against what is sought: 'maximise mildness' and its words."""
    goal = rulers.brief.scenario.objective.goals[0][1]
    offered = (
        ("maximise mildness", "mildness"),
        ("maximise flash-foam", "flash foam"),
        ("maximise active", "active matter"),
        ("maximise natural", "natural origin"),
        ("minimise salt", "salt"),
        ("minimise cost", "cost"),
    )
    return tuple((key, words) for key, words in offered if key.partition(" ")[2] != goal)


def lay(path: Path, out: Path, **more: Any) -> Laid:
    """Write the batch file of a brief, from its rounded and proven formula only.

    Args:
        path: The brief.
        out: The batch file.
        more: As `answers.bench.lay_batch` takes it.

    Raises:
        DataError: If the formula is not proven, is on no grid of the scale, or the file cannot be written.
    """
    found = subject_of(str(path))
    result = found.result
    if result is None or result.exit_code != 0 or result.proof in ("none", "local"):
        raise fault(str(path), "", "its formula is not proven, so no batch is laid from it.", "Move its limits.")
    if result.rounded is None or result.rounded.formula is None:
        what = "no formula in steps of the scale keeps every limit, so no batch is laid."
        raise fault(str(path), "", what, "Give one of its limits some room.")
    return lay_batch(found, out, **more)


def variants_of(path: Path) -> tuple[Path, ...]:
    """Return a brief and the briefs beside it that vary it or the same one, the one that is varied first."""
    base = _base(path)
    others = [p for p in sorted(path.parent.glob("*.toml")) if p != base and _base(p) == base]
    return (base, *others)


def _base(path: Path) -> Path:
    """Return the brief that a brief varies, itself if it varies none that is a product."""
    try:
        raw = read_toml(path)
        name = raw.get("extends")
        if isinstance(name, str) and name:
            base = path.parent / name
            if resolved(base).parent == resolved(path.parent) and read_toml(base).get("product"):
                return base
    except DataError:
        pass
    return path


def side_by_side(paths: tuple[Path, ...], *, between: Callable[[], None] = lambda: None) -> Document:
    """Return briefs beside one another, with what makes the difference in cost; what `between` raises breaks it off."""
    with attended(between):
        return questions.compare(*paths).document()

"""Everything about one formula as one document: the best of a brief, a formula that exists, or a batch as made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from optimizer.answers import questions
from optimizer.answers.bench import made_of
from optimizer.answers.stock import stocked_brief
from optimizer.answers.subject import TABLES, Subject, subject_of
from optimizer.assessment.chemistry import chemistry_of
from optimizer.bench.batch import is_batch
from optimizer.brief.brief import Brief
from optimizer.immutable import replace, result, seen, told, untold
from optimizer.report.chemistry import chemistry_sections
from optimizer.report.document import Document, Section, Sketch
from optimizer.report.made import made_document
from optimizer.report.naming import in_names
from optimizer.report.studies import check_document
from optimizer.report.whole import whole_document
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.linear import provenance_of
from optimizer.studies.check import check

STUDIES = ("frontier", "leeway")
"""What may be asked along: cost against mildness, and room to move."""
LOSS = 0.03
"""How much worse the objective may be in the room to move, as a share of the best."""


@result
class Whole:
    """A formula with all that is known of it: the output of `tenside page --json`."""

    FORMAT = 1
    document: Document = untold()
    """Its pictures, rules, pH and cautions, with the studies that were asked as chapters."""
    exit_code: int = untold()
    """Exit code of the command: 4 if it breaks a rule, or there is none."""
    left_out: tuple[str, ...] = untold(default=())
    """Studies that could not be made, because the brief has no formula."""
    file: str = ""
    """Name of the page's file."""
    title: str = seen("document.title")
    verdict: str = seen("document.verdict")

    @told
    def sections(self) -> tuple[str, ...]:
        """Headings in reading order, those of chapters after their chapter's."""
        return tuple(part.title for part in _parts(self.document))

    @told
    def pictures(self) -> int:
        """How many are drawn."""
        return sum(isinstance(part, Sketch) for part in _parts(self.document))


def _parts(document: Document) -> Iterator[Section | Document]:
    for section in document.sections:
        yield section
        if isinstance(section, Document):
            yield from _parts(section)


def whole(
    name: str,
    *,
    against: str = "",
    studies: tuple[str, ...] = (),
    changes: Iterable[tuple[str, str]] = (),
    shelf: Path | None = None,
    libraries: Iterable[Path] | None = None,
) -> Whole:
    """Return everything about a formula as one document.

    Args:
        name: A batch file, a scenario (file or shipped name), or a formula (.csv, .xlsx, or the .json of a blend).
        against: Scenario that a formula is held against.
        studies: Which of `STUDIES` are asked of the brief as well.
        changes: What-ifs on the scenario.
        shelf: Shelf instead of the scenario's.
        libraries: Library files instead of the shipped ones.
    """
    if Path(name).suffix.lower() in TABLES or is_batch(Path(name)):
        return _given(subject_of(name, against=against, changes=changes, shelf=shelf, libraries=libraries), studies)
    brief = stocked_brief(name, changes, shelf=shelf, libraries=libraries)
    answer = questions.blend(brief)
    best = answer.found.objective if answer.found.formula else None
    chapters, left_out = _chapters(brief, studies, best)
    return Whole(document=answer.document(chapters), exit_code=answer.exit_code, left_out=left_out)


def _given(subject: Subject, studies: tuple[str, ...]) -> Whole:
    """Return a formula that exists, held against its brief; of a batch that was begun what was really made."""
    best = solve(subject.brief) if studies else None
    chapters, left_out = _chapters(subject.brief, studies, best.objective if best and best.formula else None)
    found = _made if subject.batch is not None and subject.batch.begun else _held
    document, broken = found(subject, chapters)
    document = in_names(document, subject.brief.library.called)
    return Whole(document=document, exit_code=4 if broken else 0, left_out=left_out)


def _held(subject: Subject, chapters: tuple[Document, ...]) -> tuple[Document, bool]:
    """Return a formula as it is planned, and whether it breaks a rule."""
    brief, formula, setting = subject.brief, subject.formula, subject.setting
    notes = tuple(n for n in subject.notes if n not in brief.assumptions)
    checked = check(brief, formula.doses, formula.held_back, notes, at=setting.target)
    chemistry = chemistry_of(checked.brief, formula, setting)
    told = replace(check_document(checked, chemistry), title=subject.name)
    found = whole_document(told, checked.brief, checked.formula, setting, provenance_of(brief), chapters)
    return found, bool(checked.broken)


def _made(subject: Subject, chapters: tuple[Document, ...]) -> tuple[Document, bool]:
    """Return a batch as it was really made, and whether it breaks a rule by more than the scale can tell."""
    done = made_of(subject)
    at = subject.setting if done.ph is None else Setting(done.ph, done.ph, done.ph)
    brief, chemistry = subject.brief, chemistry_of(subject.brief, done.formula, at)
    more = (*chemistry_sections(chemistry, unread=done.ph is None), *chapters)
    told = made_document(done)
    return whole_document(told, brief, done.formula, subject.setting, provenance_of(brief), more), bool(done.serious)


def _chapters(
    brief: Brief, studies: tuple[str, ...], best: float | None
) -> tuple[tuple[Document, ...], tuple[str, ...]]:
    """Return the studies that were asked for as chapters, and those that need a formula, if the brief has none."""
    if best is None:
        return (), studies
    chapters = []
    if "frontier" in studies:
        chapters.append(questions.frontier(brief).document().chapter())
    if "leeway" in studies:
        chapters.append(questions.leeway(brief, loss=LOSS * abs(best)).document().chapter())
    return tuple(chapters), ()

"""What a question came to: told, printed, drawn and written from one place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any, Generic, TypeVar

if TYPE_CHECKING:
    from typing import Self

    from optimizer.report.document import Document, Section
    from optimizer.report.record import Record

T = TypeVar("T")

TOLD = {
    "blend": ("blend:blend_document", "report.formula_json:Blend", "formula"),
    "explain": ("blend:blend_document", "report.formula_json:Blend", "conflict"),
    "check": ("studies:check_document", "report.formula_json:Check", "rules"),
    "why": ("studies:why_document", "studies.why:Why", "worth"),
    "compare": ("studies:compare_document", "studies.compare:Comparison", "sides"),
    "substitute": ("substitute:substitute_document", "studies.substituted:Substituted", "standins"),
    "frontier": ("tradeoff:frontier_document", "report.tradeoff:Frontiers", "curves.breaks"),
    "leeway": ("tradeoff:leeway_document", "studies.leeway:Leeway", "rooms"),
    "robust": ("lots:robust_document", "studies.robust:Robust", "rules"),
    "range": ("sweep:range_document", "report.sweep:Range", "answers"),
    "together": ("joint:plan_document", "report.joint:Together", "products"),
    "variants": ("variants:variants_document", "studies.variants:Variants", "outcomes"),
    "restandardise": ("lots:restandardise_document", "studies.restandardise:Restandardised", "doses"),
    "batch": ("made:laid_document", "report.made:Laid", ""),
    "weigh": ("weigh:weigh_document", "bench.weigh:WeighSheet", "steps"),
    "weighed": ("made:weighed_document", "report.made:Weighed", "weights"),
    "card": ("card:card_document", "bench.card:Card", "lines"),
    "card --share": ("shared_card:shared_document", "bench.shared_card:SharedCard", "lines"),
    "ph": ("acid:ph_document", "report.ph_json:PhTold", "log.readings"),
    "thicken": ("thicken:thicken_document", "report.thicken:Thickened", "logs"),
    "advice": ("advice:advice_document", "report.advice:Advised", "advice"),
    "made": ("made:made_document", "bench.reconcile:Made", "rules"),
    "label": ("label:label_document", "labelling.label:Label", "substances"),
    "cost": ("costing:cost_document", "bench.costing:Costing", "lines"),
    "stock": ("stock:stock_document", "records.stock:StockLeft", "held"),
    "pack-up": ("records:packed_document", "records.packing:Packed", ""),
    "list": ("reference:briefs_document", "brief.listing:Briefs", "own"),
    "explain brief": ("reference:explained_document", "brief.explained:BriefExplained", "tables"),
    "explain shelf": ("reference:columns_document", "brief.explained:BriefExplained", "tables"),
    "rules": ("reference:rules_document", "report.reference:Rules", "rules"),
    "library list": ("reference:library_document", "report.reference:Materials", "materials"),
    "library show": ("reference:material_document", "report.reference:MaterialShown", "substances"),
    "library check": ("reference:doubts_document", "data.doubts:Doubts", ""),
    "library evidence": ("evidence:evidence_document", "data.evidence:Evidence", ""),
    "library law": ("law:law_document", "data.law:Law", "ceilings"),
    "import formula": ("intake:formula_document", "report.intake:FormulaTaken", "lines"),
    "import prices": ("intake:prices_document", "report.intake:PricesTaken", "lines"),
    "records keep": ("records:kept_document", "records.batches:Kept", ""),
    "records master": ("records:version_document", "records.masters:Version", ""),
    "records versions": ("records:versions_document", "records.masters:Versions", "versions"),
    "records list": ("records:list_document", "records.overview:Listed", "batches"),
    "records show": ("records:batch_document", "records.overview:Shown", "readings"),
    "records lots": ("records:lots_document", "records.lots:LotsOf", "lots"),
    "records where": ("records:where_document", "records.lots:WhereLot", "batches"),
    "records export": ("records:moved_document", "records.exchange:Exchanged", ""),
    "records check": ("records:soundness_document", "records.checking:Soundness", ""),
    "records tests": ("calendar:calendar_document", "records.series:Calendar", "tests"),
    "records due": ("calendar:tasks_document", "records.series:Tasks", "due"),
    "trials plan": ("trials:plan_document", "trials.plan:TrialPlan", "beakers"),
    "trials sheet": ("trials:sheet_document", "trials.sheet:TrialSheet", "lines"),
    "trials note": ("trials:note_document", "trials.standing:SeriesStanding", "beakers"),
    "trials next": ("trials:next_document", "trials.more:NextBeakers", "beakers"),
    "trials fit": ("trials_fit:fit_document", "trials.fitted:Fits", "measures"),
    "trials rate": ("trials_fit:rate_document", "trials.rating:Rated", "expected"),
    "trials salt": ("trials_fit:salt_document", "trials.salt:SaltCurve", "beakers"),
}
"""By question: what makes its document (in `optimizer.report`), the class that is its JSON (in `optimizer`), and the
field that holds one entry per line of the answer; 'curves.breaks' for those of each curve."""
LONGER = {"range": "sweep:answers_table"}
"""What pages have at their end besides, by question."""


def loaded(place: str) -> Any:
    """Return what stands at 'module:name' below `optimizer`; loaded when it is first asked for."""
    module, _, name = place.partition(":")
    return getattr(import_module(f"optimizer.{module}"), name)


def called_in(parts: Iterable[object]) -> Mapping[str, str]:
    """Return what the library of the first part with a brief calls its materials, by id; nothing without one."""
    briefs = (
        getattr(part, "brief", None) for found in parts for part in (found, *(getattr(found, "sides", None) or ()))
    )
    libraries = (getattr(brief, "library", None) for brief in briefs)
    return next((library.called for library in libraries if library is not None), {})


class Answer(Generic[T]):
    """The answer to one question.

    Attributes:
        question: The question's name, as the command's.
        found: What the study found, frozen and detached from everything that found it.
        exit_code: Exit code of the command: 0 solved, 4 impossible or broken, 5 not proven.
        parts: What document and record are made of.
        following: What a maker does now, told before all other facts of the document.
        closing: What is said after the document is printed.
        names: What materials are called, by id, where the answer knows their ids alone.
    """

    following: str = ""
    closing: str = ""

    def __init__(self, question: str, found: T, exit_code: int = 0, /, **parts: Any) -> None:
        """Take what was found and what it is told from.

        Args:
            question: The question's name, one of `TOLD`.
            found: What the study found.
            exit_code: Exit code of the command.
            parts: What document and record are made of, if that is more than what was found.
        """
        self.question, self.found, self.exit_code, self.parts = question, found, exit_code, parts
        self.names = called_in((found, *parts.values()))
        self._document, self._told, self._lines = TOLD[question]

    def by(self, names: Mapping[str, str]) -> Self:
        """Return the answer with the names of the materials of which it knows the ids alone."""
        self.names = names
        return self

    def document(self, chapters: tuple[Document, ...] = ()) -> Document:
        """Return the report as plain data, for any renderer; that of a blend with further chapters, if given."""
        more: dict[str, Any] = {"more": chapters} if chapters else {}
        document: Document = loaded(f"report.{self._document}")(
            *(() if self.parts else (self.found,)), **self.parts, **more
        )
        if self.names:
            from optimizer.report.naming import in_names

            document = in_names(document, self.names)
        if self.following:
            from optimizer.immutable import replace

            return replace(document, facts=(("next", self.following), *document.facts))
        return document

    def page(self) -> Document:
        """Return the report as a page or a file on paper has it: with what is too long for a terminal."""
        if self.question not in LONGER:
            return self.document()
        from optimizer.immutable import replace

        document = self.document()
        longer: Section = loaded(f"report.{LONGER[self.question]}")(self.found)
        return replace(document, sections=(*document.sections, longer))

    def record(self) -> Record:
        """Return the answer as its JSON record (see `tenside schema`)."""
        from optimizer.report.record import record

        kind = loaded(self._told)
        return record(self.found if isinstance(self.found, kind) else kind(**self.parts))

    def to_json(self) -> str:
        """Return the answer as JSON."""
        from optimizer.report.record import as_json

        return as_json(self.record())

    def rows(self) -> list[dict[str, Any]]:
        """Return the lines of the answer, one dict each: doses, rules, stand-ins, breaks, as the question has them."""
        lines: list[Any] = [self.record()]
        for name in self._lines.split("."):
            lines = [line for part in lines for line in getattr(part, name) or ()]
        return [line.model_dump() for line in lines]

    def to_frame(self) -> Any:
        """Return the lines as a pandas DataFrame.

        Raises:
            UsageError: If pandas is not installed.
        """
        from importlib.util import find_spec

        from optimizer.errors import UsageError

        if find_spec("pandas") is None:
            raise UsageError("to_frame needs pandas, which is not installed here. rows() gives plain dicts.")
        import pandas  # type: ignore[import-not-found,import-untyped,unused-ignore]

        return pandas.DataFrame(self.rows())

    def __repr__(self) -> str:
        document = self.document()
        return f"<{self.question} {document.title!r}: {document.verdict}>"

    def _repr_html_(self) -> str:
        """Return the report as the page that `--html` writes, for notebooks, in a frame of its own."""
        from html import escape

        from optimizer.report.formats.page import page

        return f'<iframe style="width:100%;height:36em;border:0" srcdoc="{escape(page(self.page()))}"></iframe>'

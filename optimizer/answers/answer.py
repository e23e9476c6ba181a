"""What a question came to: told, printed, drawn and written from one place."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Generic, TypeVar

if TYPE_CHECKING:
    from optimizer.report.document import Document
    from optimizer.report.record import Record

T = TypeVar("T")

TOLD = {
    "blend": ("blend:blend_document", "formula_json:Blend", "formula"),
    "explain": ("blend:blend_document", "formula_json:Blend", "conflict"),
    "check": ("studies:check_document", "formula_json:Check", "rules"),
    "why": ("studies:why_document", "", "worth"),
    "compare": ("studies:compare_document", "", "sides"),
    "substitute": ("substitute:substitute_document", "", "standins"),
    "frontier": ("tradeoff:frontier_document", "tradeoff:Frontiers", "curves.breaks"),
    "leeway": ("tradeoff:leeway_document", "", "rooms"),
    "robust": ("lots:robust_document", "", "rules"),
    "range": ("sweep:range_document", "sweep:Range", "answers"),
    "together": ("joint:plan_document", "joint:Together", "products"),
    "variants": ("variants:variants_document", "", "outcomes"),
    "restandardise": ("lots:restandardise_document", "", "doses"),
    "batch": ("made:laid_document", "", ""),
    "weigh": ("weigh:weigh_document", "", "steps"),
    "weighed": ("made:weighed_document", "", "weights"),
    "card": ("card:card_document", "", "lines"),
    "card --share": ("shared_card:shared_document", "", "lines"),
    "ph": ("acid:ph_document", "", "log.readings"),
    "thicken": ("thicken:thicken_document", "", "logs"),
    "advice": ("advice:advice_document", "", "advice"),
    "made": ("made:made_document", "", "rules"),
    "label": ("label:label_document", "", "substances"),
    "cost": ("costing:cost_document", "", "lines"),
    "stock": ("stock:stock_document", "", "held"),
    "pack-up": ("records:packed_document", "", ""),
    "list": ("reference:briefs_document", "", "own"),
    "explain brief": ("reference:explained_document", "", "tables"),
    "explain shelf": ("reference:columns_document", "", "tables"),
    "rules": ("reference:rules_document", "", "rules"),
    "library list": ("reference:library_document", "", "materials"),
    "library show": ("reference:material_document", "", "substances"),
    "library check": ("reference:doubts_document", "", ""),
    "library evidence": ("evidence:evidence_document", "", ""),
    "library law": ("law:law_document", "", "ceilings"),
    "import formula": ("intake:formula_document", "", "lines"),
    "import prices": ("intake:prices_document", "", "lines"),
    "records keep": ("records:kept_document", "", ""),
    "records master": ("records:version_document", "", ""),
    "records versions": ("records:versions_document", "", "versions"),
    "records list": ("records:list_document", "", "batches"),
    "records show": ("records:batch_document", "", "readings"),
    "records lots": ("records:lots_document", "", "lots"),
    "records where": ("records:where_document", "", "batches"),
    "records export": ("records:moved_document", "", ""),
    "records check": ("records:soundness_document", "", ""),
    "records tests": ("calendar:calendar_document", "", "tests"),
    "records due": ("calendar:tasks_document", "", "due"),
    "trials plan": ("trials:plan_document", "", "beakers"),
    "trials sheet": ("trials:sheet_document", "", "lines"),
    "trials note": ("trials:note_document", "", "beakers"),
    "trials next": ("trials:next_document", "", "beakers"),
    "trials fit": ("trials_fit:fit_document", "", "measures"),
    "trials rate": ("trials_fit:rate_document", "", "expected"),
    "trials salt": ("trials_fit:salt_document", "", "beakers"),
}
"""By question: what makes its document, what it is told as if not as what was found (both in `optimizer.report`), and
the field that holds one entry per line of the answer; 'curves.breaks' for those of each curve."""


def _loaded(place: str) -> Any:
    """Return what stands at 'module:name' in the room of reports; loaded when it is first asked for."""
    module, _, name = place.partition(":")
    return getattr(import_module(f"optimizer.report.{module}"), name)


class Answer(Generic[T]):
    """The answer to one question.

    Attributes:
        question: The question's name, as the command's.
        found: What the study found, frozen and detached from everything that found it.
        exit_code: Exit code of the command: 0 solved, 4 impossible or broken, 5 not proven.
        parts: What document and record are made of.
        following: What a maker does now, told before all other facts of the document.
        closing: What is said after the document is printed.
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
        self._document, self._told, self._lines = TOLD[question]

    def document(self, chapters: tuple[Document, ...] = ()) -> Document:
        """Return the report as plain data, for any renderer; that of a blend with further chapters, if given."""
        more: dict[str, Any] = {"more": chapters} if chapters else {}
        document: Document = _loaded(self._document)(*(() if self.parts else (self.found,)), **self.parts, **more)
        if self.following:
            from optimizer.immutable import replace

            return replace(document, facts=(("next", self.following), *document.facts))
        return document

    def record(self) -> Record:
        """Return the answer as its JSON record (see `tenside schema`)."""
        from optimizer.report.record import record

        return record(_loaded(self._told)(**self.parts) if self._told else self.found)

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

        from optimizer.report.page import page

        return f'<iframe style="width:100%;height:36em;border:0" srcdoc="{escape(page(self.document()))}"></iframe>'

"""What a question came to: told, printed, drawn and written from one place."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Generic, TypeVar

if TYPE_CHECKING:
    from pydantic import BaseModel

    from optimizer.report.document import Document

T = TypeVar("T")
INDENT = 2
"""Blanks by which JSON is set in."""


class Answer(Generic[T]):
    """The answer to one question.

    Attributes:
        question: The question's name, as the command's.
        found: What the study found, frozen and detached from everything that found it.
        exit_code: Exit code of the command: 0 solved, 4 impossible or broken, 5 not proven.
    """

    def __init__(
        self,
        question: str,
        found: T,
        exit_code: int,
        *,
        document: Callable[[], Document],
        record: Callable[[], BaseModel],
        lines: str,
    ) -> None:
        """Take what was found and how it is told.

        Args:
            question: The question's name.
            found: What the study found.
            exit_code: Exit code of the command.
            document: Makes the report.
            record: Makes the JSON record.
            lines: Field of the record that holds one entry per line of the answer; 'curves.breaks' for those of each.
        """
        self.question, self.found, self.exit_code = question, found, exit_code
        self._document, self._record, self._lines = document, record, lines

    def document(self) -> Document:
        """Return the report as plain data, for any renderer."""
        return self._document()

    def record(self) -> BaseModel:
        """Return the answer as its JSON record (see `tenside schema`)."""
        return self._record()

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

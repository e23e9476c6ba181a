"""tenside: find, prove and explain percentages for surfactant cleansers.

The door for programs. Each name is loaded when it is first asked for:

    import optimizer as tenside
    brief = tenside.read_brief("hand-wash", active__at_least=10)
    tenside.blend(brief).rows()

`blend`, `check`, `explain`, `why`, `compare`, `substitute`, `frontier`, `leeway`, `robust`, `vary` and `together`
return an `Answer`, which is what the command of that name prints; `Live` answers a brief at once as its figures move.
See docs/python.md.
"""

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from optimizer.answers.answer import Answer
    from optimizer.answers.questions import (
        blend,
        check,
        compare,
        explain,
        frontier,
        leeway,
        read_brief,
        robust,
        substitute,
        together,
        vary,
        why,
    )
    from optimizer.brief.brief import Brief
    from optimizer.data.formula import Formula
    from optimizer.data.library import Library
    from optimizer.data.shelf import Shelf
    from optimizer.errors import DataError, SolverError, TensideError, UsageError
    from optimizer.solve.result import Result
    from optimizer.sweep.live import Live

__all__ = [
    "Answer",
    "Brief",
    "DataError",
    "Formula",
    "Library",
    "Live",
    "Result",
    "Shelf",
    "SolverError",
    "TensideError",
    "UsageError",
    "blend",
    "check",
    "compare",
    "explain",
    "frontier",
    "leeway",
    "read_brief",
    "robust",
    "substitute",
    "together",
    "vary",
    "why",
]

_ROOMS = {
    "Answer": "answers.answer",
    "Brief": "brief.brief",
    "Formula": "data.formula",
    "Library": "data.library",
    "Live": "sweep.live",
    "Result": "solve.result",
    "Shelf": "data.shelf",
    **dict.fromkeys(("DataError", "SolverError", "TensideError", "UsageError"), "errors"),
}
"""Where a public name lives; the questions live in `answers.questions`."""


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'optimizer' has no '{name}'")
    from importlib import import_module

    found = getattr(import_module(f"optimizer.{_ROOMS.get(name, 'answers.questions')}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return [*__all__, "__version__"]

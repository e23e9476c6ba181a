"""What goes wrong, told in one shape: what, where, why, next step."""

from __future__ import annotations

import re
from datetime import date, time
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, get_args

from optimizer.immutable import immutable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from pydantic import BaseModel, ValidationError


LONGEST = {"where": 300, "key": 160, "what": 700, "step": 500}
"""Letters of each part of a problem that are told; what stands in a file may be of any length."""


def shortened(text: str, most: int) -> str:
    """Return a text of at most `most` letters: words that no person wrote lose their middle, then the whole does."""
    if len(text) <= most:
        return text
    words = (w if len(w) <= 80 else f"{w[:40]}...{w[-30:]}" for w in text.split(" "))
    text = " ".join(words)
    return text if len(text) <= most else f"{text[: most - most // 3 - 5]} ... {text[-(most // 3) :]}"


@immutable
class Problem:
    """One fault of one file.

    Attributes:
        where: File, with row and column where there are any.
        key: The key or column at fault, empty when the whole file is.
        what: What is wrong and why it cannot be used.
        step: What to do next.
    """

    where: str
    key: str
    what: str
    step: str

    def __post_init__(self) -> None:
        for part, most in LONGEST.items():
            object.__setattr__(self, part, shortened(getattr(self, part), most))

    def __str__(self) -> str:
        key = f", {self.key}" if self.key else ""
        return f"{self.where}{key}: {self.what} {self.step}".rstrip()


class TensideError(Exception):
    """Base of every error that is told to the user instead of traced."""

    exit_code = 1


class DataError(TensideError):
    """Bad data in files that people write; carries every problem found at once."""

    exit_code = 3

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))

    def __reduce__(self) -> tuple[type[DataError], tuple[tuple[Problem, ...]]]:
        """Travel between processes with the problems, not with their words alone."""
        return type(self), (self.problems,)


class UsageError(TensideError):
    """The command line asks for something that does not exist."""

    exit_code = 2

    def __init__(self, text: str) -> None:
        super().__init__(shortened(text, sum(LONGEST.values())))


class SolverError(TensideError):
    """A solver ended without an answer that can be verified."""

    exit_code = 5


def fault(where: str, key: str, what: str, step: str = "") -> DataError:
    """Return a DataError that holds a single problem."""
    return DataError([Problem(where, key, what, step)])


SHOWN = 12
"""Most known words that a message lists."""
SLIP = 0.87
"""Share of letters in common (difflib's ratio) from which a word is a slip; 'co-surfactant' is none of 'surfactant'."""


def nearest(word: str, known: Iterable[str], many: str = "") -> str:
    """Return a sentence that names the nearest known word, or lists what is known; `many` if that is too much."""
    known = sorted(set(known))
    close = get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"Did you mean '{close[0]}'?"
    if not known or (many and len(known) > SHOWN):
        return many
    shown = ", ".join(known[:SHOWN])
    more = f" and {len(known) - SHOWN} more" if len(known) > SHOWN else ""
    return f"Known: {shown}{more}."


def slip_of(word: str, known: Iterable[str]) -> str:
    """Return the known word of which a word looks like a slip of the pen; empty if it may be a word of its own."""
    return next(iter(get_close_matches(word, sorted(set(known)), n=1, cutoff=SLIP)), "")


def hyphened(name: str) -> str:
    """Return an id, a measure or a kind of rule as the house writes it: foam-density for foam_density too."""
    return name.replace("_", "-")


def spelled(name: str, known: Iterable[str]) -> str:
    """Return the known name that a name means, whether joined by hyphens or underscores; else the name itself."""
    known = set(known)
    return name if name in known else next((k for k in sorted(known) if hyphened(k) == hyphened(name)), name)


ID_PATTERN = r"^[a-z0-9][a-z0-9.-]*$"
TIE_PATTERN = r"^(minimise|maximise) [a-z0-9._-]+$"
DAY_PATTERN = r"^((19|2\d)\d{2}-\d{2}-\d{2}([T ]\d{2}:\d{2})?)?$"
PATTERNS = {
    DAY_PATTERN: ("a day is written as year, month and day, from 1900 to 2999.", "Write it so, such as 2026-05-04."),
    ID_PATTERN: ("an id is lowercase letters, digits, hyphens and dots.", "Write it so, such as 'my-betaine'."),
    TIE_PATTERN: ("a tie-break is a sense and a measure.", "Write 'maximise mildness' or 'minimise salt'."),
}
"""What a pattern asks for, in words."""


def from_validation(error: ValidationError, where: str, model: type[BaseModel], prefix: str = "") -> list[Problem]:
    """Turn pydantic's findings into problems in the file's own words.

    Args:
        error: What pydantic raised.
        where: The file.
        model: The model that was validated; its fields are the known keys.
        prefix: Dotted path of the validated table inside the file.
    """
    problems = []
    faults = error.errors(include_url=False)
    for found in faults:
        inner = [f["loc"] for f in faults if len(f["loc"]) > len(found["loc"])]
        if found["type"] == "too_short" and any(loc[: len(found["loc"])] == found["loc"] for loc in inner):
            continue  # it is short of what was refused
        path = [part for part in found["loc"] if isinstance(part, int) or not _INNER.match(part)]
        key = ".".join(str(part) for part in ([prefix, *path] if prefix else path))
        if found["type"] == "extra_forbidden":
            step = nearest(str(path[-1]), _known_keys(model, path[:-1]))
            problems.append(Problem(where, key, "this key is not known.", step))
        elif found["type"] == "missing":
            problems.append(Problem(where, key, "this key is missing.", "Add it."))
        elif found["type"] == "union_tag_invalid":
            word, known = found["ctx"]["tag"], found["ctx"]["expected_tags"].replace("'", "").split(", ")
            what = f"there is no {found['ctx']['discriminator'].strip(chr(39))} '{word}'."
            problems.append(Problem(where, key, what, nearest(str(word), known)))
        elif found["type"] in ("model_type", "model_attributes_type", "dict_type", "is_instance_of"):
            problems.append(Problem(where, key, "this is a table.", f"Write [{key}] and its keys below it."))
        elif found["type"] in ("tuple_type", "list_type"):
            problems.append(Problem(where, key, "this is a list.", 'Write it in brackets, such as ["one", "two"].'))
        elif found["type"] == "string_pattern_mismatch":
            what, step = PATTERNS.get(
                str(found["ctx"]["pattern"]), ("this is not in the form that is read.", "Correct it.")
            )
            problems.append(Problem(where, key, f"'{found['input']}': {what}", step))
        else:
            problems.append(Problem(where, key, *worded(found)))
    return list(dict.fromkeys(problems))


_INNER = re.compile(r"function-|lax-or-strict|is-instance|nullable|union|default\[|tuple\[|list\[|dict\[|\[key\]$")
"""Steps of a validation that are no keys of the file."""

_WORDS = {
    "string_type": ("a text is expected", "Write it in quotes."),
    "string_unicode": ("it is not Unicode text", "Write it anew."),
    "int_type": ("a whole number is expected", "Write digits only, such as 3."),
    "int_parsing": ("a whole number is expected", "Write digits only, such as 3."),
    "int_parsing_size": ("the number has too many digits", "Correct the value."),
    "int_from_float": ("a whole number is expected", "Write it without decimals."),
    "float_type": ("a number is expected", "Write digits only, such as 12.5."),
    "float_parsing": ("a number is expected", "Write digits only, such as 12.5."),
    "bool_type": ("true or false is expected", "Write true or false."),
    "bool_parsing": ("true or false is expected", "Write true or false."),
    "too_large": ("no figure is so large", "Look at its digits and its unit."),
    "finite_number": ("a finite number is expected", "Correct the value."),
    "greater_than": ("it must be above {gt}", "Correct the value."),
    "greater_than_equal": ("it must not be below {ge}", "Correct the value."),
    "less_than": ("it must be below {lt}", "Correct the value."),
    "less_than_equal": ("it must not be above {le}", "Correct the value."),
    "literal_error": ("write {expected}", "Correct the value."),
    "string_too_short": ("the text is too short", "Write at least {min_length}."),
    "string_too_long": ("the text is too long", "Write at most {max_length} letters."),
    "too_short": ("the list is too short", "Write at least {min_length}."),
    "too_long": ("the list is too long", "Write at most {max_length}."),
    "none_required": ("nothing may stand here", "Leave it out."),
}
"""What is wrong with a value and the next step, by the kind of fault; figures come from what was found."""


def worded(found: Any) -> tuple[str, str]:
    """Return a fault of a value in the house's words: what is wrong, and the next step."""
    value, kind = found.get("input"), found["type"]
    if kind == "value_error":
        said = str(found["ctx"]["error"]).rstrip(".")
        return f"{said[:1].lower()}{said[1:]}.", "Correct the value."
    why, step = _WORDS.get(kind, ("it is not in the form that is read", "Correct the value."))
    figures = {k: f"{v:g}" if isinstance(v, float) else v for k, v in found.get("ctx", {}).items()}
    return f"{_shown(value)} cannot be used here: {why.format(**figures)}.", step.format(**figures)


def _shown(value: Any) -> str:
    """Return a value much as it stands in the file."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, (list, tuple)):
        return "a list"
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, int) and abs(value) >= 10**30:
        return "a number of very many digits"
    return repr(value) if isinstance(value, (str, int, float)) else "this"


def _known_keys(model: type[BaseModel], path: Iterable[Any]) -> set[str]:
    """Return the field names of the table at `path`, following lists, unions and their tags."""
    here = {model}
    for part in path:
        if isinstance(part, int):
            continue
        tagged = {m for m in here if "kind" in m.model_fields and part in get_args(m.model_fields["kind"].annotation)}
        if tagged:
            here = tagged
            continue
        fields = [field.annotation for m in here for name, field in _written(m) if name == part]
        here = {found for annotation in fields for found in _models_in(annotation)} or here
    return {name for m in here for name, _ in _written(m)}


def _written(model: type[BaseModel]) -> Iterator[tuple[str, Any]]:
    """Yield the fields of a table by the keys that a file has for them."""
    return ((field.alias or name, field) for name, field in model.model_fields.items())


def _models_in(annotation: Any) -> set[type[BaseModel]]:
    if isinstance(annotation, type) and hasattr(annotation, "model_fields"):
        return {annotation}
    return {found for argument in get_args(annotation) for found in _models_in(argument)}

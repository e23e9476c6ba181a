"""What goes wrong, told in one shape: what, where, why, next step."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, get_args

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pydantic import BaseModel, ValidationError


@dataclass(frozen=True)
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


class UsageError(TensideError):
    """The command line asks for something that does not exist."""

    exit_code = 2


class SolverError(TensideError):
    """A solver ended without an answer that can be verified."""

    exit_code = 5


def fault(where: str, key: str, what: str, step: str = "") -> DataError:
    """Return a DataError that holds a single problem."""
    return DataError([Problem(where, key, what, step)])


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a sentence that names the nearest known word, or lists what is known."""
    known = sorted(set(known))
    close = get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"Did you mean '{close[0]}'?"
    if not known:
        return ""
    shown = ", ".join(known[:12])
    more = f" and {len(known) - 12} more" if len(known) > 12 else ""
    return f"Known: {shown}{more}."


def hyphened(name: str) -> str:
    """Return an id, a measure or a kind of rule as the house writes it: foam-density for foam_density too."""
    return name.replace("_", "-")


def spelled(name: str, known: Iterable[str]) -> str:
    """Return the known name that a name means, whether joined by hyphens or underscores; else the name itself."""
    known = set(known)
    return name if name in known else next((k for k in sorted(known) if hyphened(k) == hyphened(name)), name)


ID_PATTERN = r"^[a-z0-9][a-z0-9.-]*$"
TIE_PATTERN = r"^(minimise|maximise) [a-z0-9._-]+$"
PATTERNS = {
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
    for found in error.errors(include_url=False):
        path = [part for part in found["loc"] if part != "function-after"]
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
            problems.append(Problem(where, key, f"{_said(found)}.", "Correct the value."))
    return list(dict.fromkeys(problems))


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
        fields = [m.model_fields[part].annotation for m in here if part in m.model_fields]
        here = {found for annotation in fields for found in _models_in(annotation)} or here
    return {name for m in here for name in m.model_fields}


def _models_in(annotation: Any) -> set[type[BaseModel]]:
    if isinstance(annotation, type) and hasattr(annotation, "model_fields"):
        return {annotation}
    return {found for argument in get_args(annotation) for found in _models_in(argument)}


def _said(found: Any) -> str:
    message = str(found["msg"]).removeprefix("Value error, ").rstrip(".")
    value = found.get("input")
    if isinstance(value, (dict, list)) or found["type"] == "value_error":
        return message[:1].lower() + message[1:]
    return f"{value!r} cannot be used here: {message[:1].lower()}{message[1:]}"

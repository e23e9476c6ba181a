"""A value of a wrong kind under every key of every file: told in the house's words, shortly, with file and key."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from optimizer.bench.batch import Batch
from optimizer.bench.costs import Costs
from optimizer.brief.scenario import Scenario
from optimizer.data.facts import Material
from optimizer.data.library import LibraryFile
from optimizer.data.shelf import ShelfLine
from optimizer.errors import from_validation
from optimizer.rules import KINDS
from optimizer.studies.variants import VariantFile
from optimizer.trials.series import Series

MODELS = (Scenario, *KINDS.values(), Material, LibraryFile, ShelfLine, Costs, Batch, VariantFile, Series)
WRONG: tuple[Any, ...] = (
    "x" * 5000, "", "Nonsense!", 5, -5, 10**400, 1e300, float("nan"), True, [], [[]], ["x" * 5000], [5], [{}], {},
    {"x" * 5000: 1}, {"a": {}}, [{"kind": "none"}], None,
)  # fmt: skip
FOREIGN = re.compile(
    r"[Ii]nput should|value_error|[Vv]alue error|valid (string|number|integer|boolean|list|tuple|dictionary)"
    r"|unable to parse|pydantic|instance of|function-|union|\[type|Extra inputs|Field required|None"
)
"""What no person should have to read."""


Place = tuple[tuple[str, ...], type[BaseModel]]


def inner(model: type[BaseModel], seen: frozenset[type] = frozenset()) -> Iterator[Place]:
    """Yield the path and the model of every table of a file."""
    from optimizer.errors import _models_in

    yield (), model
    for name, field in model.model_fields.items():
        for found in _models_in(field.annotation) - seen - {model}:
            for path, deeper in inner(found, seen | {model}):
                yield (name, *path), deeper


@pytest.mark.thorough
@pytest.mark.parametrize("model", MODELS, ids=[m.__name__ for m in MODELS])
def test_every_wrong_value_is_told_in_plain_words(model: type[BaseModel]) -> None:
    told = 0
    for path, table in inner(model):
        for key in [*table.model_fields, "unknown", "x" * 5000]:
            for wrong in WRONG:
                for listed in (False, True):
                    raw: Any = {key: wrong}
                    for part in reversed(path):
                        raw = {part: [raw] if listed else raw}
                    try:
                        model.model_validate(raw)
                    except ValidationError as error:
                        for problem in from_validation(error, "file.toml", model):
                            told += 1
                            assert not FOREIGN.search(problem.what + problem.step), (key, wrong, str(problem))
                            assert str(problem).startswith("file.toml")
                            assert problem.step
                            assert len(str(problem)) < 1700
                    if not path:
                        break
    assert told > 20

"""Register of tolerances: each stands in the one table of `optimizer/units.py`, and the table tells of each."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from optimizer import units

HOUSE = Path(units.__file__).parent
TABLE = "units.py"
SMALL = 1e-3
"""A float literal below this is taken for a tolerance."""

ELSEWHERE = {
    ("bench/plan.py", 1e-4): "the finest grid that doses are written on, not a tolerance",
    ("cli/batch.py", 1e-6): "the finest step of a scale that can be typed",
    ("cli/lots.py", 1e-6): "the finest step of a scale that can be typed",
    ("solve/trust_region.py", 1e-4): "the half-width of a box, beside the other two",
    ("studies/stepped.py", 1e-4): "how far short of the far end the last limit stays, not a tolerance",
    ("solve/cutting.py", 1e-4): "the first of the margins within a limit, beside the others",
    ("engine/highs.py", 1e-9): "an option of the solver",
    ("engine/highs.py", 1e-12): "an option of the solver",
    ("solve/existing.py", 1e-4): "the weight of cost beside the steps that doses move",
    ("trials/basis.py", 1e-4): "the precision of a prior that stands for nothing, not a tolerance",
    ("assessment/alkalinity.py", 1e-9): "a standard deviation that stands for nothing unnamed [mmol/kg]",
}
"""Small literals that may stand outside the table, and why."""


def _small(source: str) -> Iterator[tuple[int, float]]:
    """Yield line and value of every float literal that is small and not 0."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, float) and 0 < abs(node.value) < SMALL:
            yield node.lineno, node.value


def _found() -> dict[str, list[tuple[int, float]]]:
    """Return the small literals of each file outside the table and the chemistry."""
    files = {p.relative_to(HOUSE).as_posix(): p for p in sorted(HOUSE.rglob("*.py"))}
    return {
        name: found
        for name, path in files.items()
        if name != TABLE and not name.startswith("chemistry/")
        if (found := list(_small(path.read_text(encoding="utf-8"))))
    }


def _values() -> dict[str, tuple[int, float]]:
    """Return line and value of every name of the table's module that a float literal is given to."""
    tree = ast.parse((HOUSE / TABLE).read_text(encoding="utf-8"))
    return {
        target.id: (node.lineno, node.value.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, float)
        for target in node.targets
        if isinstance(target, ast.Name)
    }


def test_small_literals_are_seen() -> None:
    assert list(_small("x = -1e-9\ny = 0.0005 * (1 + 1e-3)\nz = 0.0\nw = f'{a:.{4 if b > 5e-7 else 6}f}'\n")) == [
        (1, 1e-9),
        (2, 0.0005),
        (4, 5e-7),
    ]


@pytest.mark.thorough
def test_every_tolerance_stands_in_the_table() -> None:
    stray = [
        f"optimizer/{name}:{line}: {value:g}"
        for name, found in _found().items()
        for line, value in found
        if (name, value) not in ELSEWHERE
    ]
    assert not stray, "give each a name of the table in optimizer/units.py"


@pytest.mark.thorough
def test_no_allowance_is_left_over() -> None:
    found = _found()
    there = {(name, value) for name, small in found.items() for _, value in small}
    assert not set(ELSEWHERE) - there, "these literals are gone: take them off the list"


def test_table_and_values_tell_of_the_same_names() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.+?) \| (.+?) \|$", units.__doc__ or "", flags=re.MULTILINE)
    told, values = [name for name, _, _ in rows], _values()
    assert len(told) == len(set(told))
    assert set(told) == set(values)
    assert told == list(values), "both in the same order"
    assert all(getattr(units, name) == value for name, (_, value) in values.items())


def test_the_table_s_room_has_no_tolerance_without_a_name() -> None:
    named = set(_values().values())
    assert set(_small((HOUSE / TABLE).read_text(encoding="utf-8"))) <= named


def test_counts_of_steps_within_a_millionth_are_whole() -> None:
    # 0.3 / 0.1 is 2.9999999999999996 in doubles (IEEE 754).
    assert (units.whole_down(0.3 / 0.1), units.whole_up(0.1 * 3 / 0.1)) == (3, 3)
    assert (units.whole_down(2.9), units.whole_up(2.1)) == (2, 3)
    assert units.is_whole(0.3 / 0.1)
    assert not units.is_whole(3 + 1e-5)

"""Rows of every kind of rule on one tiny pool, against figures that were worked out by hand.

`golden/<kind>.json` holds rules, the rows they make and, under `why`, the arithmetic. Columns stand in
the order ampho, anion, aqua, oil, salver, solub; null stands for an end that is not there. The pool:

    material  surfactant  salt  water  natural  as active  price  other
    ampho     25          5     70     25       25         4      mildness 60 80 90; pH 5 to 9
    anion     50          10    40     25       50         2      mildness 20 40 60; foam 50 70 90; protein 8; pH 4 to 6
    aqua      -           -     100    -        -          0      the solvent
    oil       -           -     -      100      100        20     perfume; hazy above 0.5 %
    salver    -           -     50     0        0          10     40 to 60 % benzo of 200 g/mol, acid 100 g/mol
    solub     -           -     20     40       80         6      pearly; protein -2

All per 100 % of the material. 4 % is held back for a thickener that works from pH 4 to 6, from 1 %.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from copy import deepcopy
from math import inf
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from optimizer.data.facts import Material
from optimizer.data.pool import Ingredient, Pool
from optimizer.model.model import LOOSE, build
from optimizer.rules import IMPLIED, STATED, Acidity, CurvedRule, Rule
from optimizer.rules.row import Row, Setting
from tests.support import briefs
from tests.support.briefs import material, substance

GOLDEN = Path(__file__).parent / "golden"
EXACT = 1e-12
"""Golden figures are met within this, relative to the figure where it is above 1."""
KINDS: dict[str, type[Rule]] = {
    get_args(rule.model_fields["kind"].annotation)[0]: rule
    for rule in (*STATED, *IMPLIED)
    if not issubclass(rule, CurvedRule)
}
"""Curved rules have no rows of their own: their tangents are tested in `test_micelle_rules`."""
Table = dict[str, Any]


def rating(low: float, typical: float, high: float) -> Table:
    return {"low": low, "typical": typical, "high": high, "basis": "invented"}


def spread(inci: str, low: float, typical: float, high: float, **facts: Any) -> Table:
    return {**substance(inci, typical, **facts), "share": [low, typical, high]}


def tiny() -> Pool:
    """Return the pool of the module's table."""
    salt = {"role": "salt"}
    water = {"role": "water", "natural": [1, 1]}
    # Both of 250 g/mol and one C12 chain, so that their CMC is the family's own.
    one = {"surfactant": True, "molar_mass": 250}
    anionic = {
        **one,
        "charge": "anionic",
        "family": "alkyl sulfate",
        "micelle": {"family": "alkyl sulfate", "cut": "C12"},
    }
    amphoteric = {**one, "charge": "amphoteric", "family": "betaine", "micelle": {"family": "betaine", "cut": "C12"}}
    acid = {"name": "benzo acid", "molar_mass": 100, "pka": [4, 4.2, 4.4]}
    entries = [
        material(
            "solub",
            [substance("Solub", 80, charge="nonionic", natural=[0.5, 1]), substance("Aqua", 20, **water)],
            "solubiliser",
            look="pearly",
            properties={"protein": -2},
        ),
        material(
            "anion",
            [
                substance("Anion", 50, natural=[0.5, 1], **anionic),
                substance("Sodium Chloride", 10, **salt),
                substance("Aqua", 40, **water),
            ],
            ratings={"mildness": rating(20, 40, 60), "flash_foam": rating(50, 70, 90)},
            properties={"protein": 8},
            ph_stable=[4, 6],
        ),
        material(
            "ampho",
            [
                substance("Ampho", 25, natural=[1, 1], **amphoteric),
                substance("Sodium Chloride", 5, **salt),
                substance("Aqua", 70, **water),
            ],
            ratings={"mildness": rating(60, 80, 90)},
            ph_stable=[5, 9],
        ),
        briefs.aqua(),
        material(
            "oil", [substance("Oil", 100, natural=[1, 1])], "perfume", lipid="perfume", look="hazy", clear_up_to=0.5
        ),
        material(
            "salver",
            [
                spread("Benzo", 40, 50, 60, role="preservative", molar_mass=200, acid=acid, natural=[0, 0]),
                substance("Aqua", 50, **water),
            ],
            "preservative",
        ),
    ]
    prices = {"ampho": 4.0, "anion": 2.0, "aqua": 0.0, "oil": 20.0, "salver": 10.0, "solub": 6.0}
    items = [Ingredient(Material.model_validate(e), prices[e["id"]]) for e in entries]
    build_up = {"type": "polymer", "use": [1, 3], "ph": [4, 6]}
    late = material("late", [substance("Late", 100)], "thickener", thickener=build_up)
    later = (Ingredient(Material.model_validate(late), 1.0),)
    return Pool(tuple(sorted(items, key=lambda i: i.id)), 4.0, later, later)


POOL = tiny()


def read(kind: str) -> list[Table]:
    """Return the cases of a golden file."""
    file: Table = json.loads((GOLDEN / f"{kind}.json").read_text(encoding="utf-8"))
    assert file["kind"] == kind
    cases: list[Table] = file["cases"]
    return cases


def made(kind: str, case: Table) -> Table:
    """Return what the tool makes of a golden case, in the shape of the golden file."""
    rule = KINDS[kind].model_validate({"id": "r", **case["rule"]})
    found: Table = {"rows": [as_table(row) for row in rule.rows(POOL, Setting(*case.get("setting", ())))]}
    if "columns" in case:
        found["columns"] = [choice.key for choice in rule.columns(POOL)]
    else:
        assert rule.columns(POOL) == ()
    if isinstance(rule, Acidity):
        settings = rule.settings(rule.edges(POOL))
        found["targets"] = [s.target for s in settings]
        found["allowed"] = [[float(a) for a in rule.allowed(POOL, s)] for s in settings]
    return found


def as_table(row: Row) -> Table:
    return {
        "owner": row.owner,
        "side": row.side,
        "doses": [float(d) for d in row.doses],
        "low": None if row.low == -inf else float(row.low),
        "high": None if row.high == inf else float(row.high),
        "choices": {k: float(v) for k, v in row.choices.items()},
        "per_limit": None if row.per_limit is None else [float(p) for p in row.per_limit],
        "rhs_per_limit": float(row.rhs_per_limit),
        "limit_choice": row.limit_choice,
    }


def differs(found: Any, golden: Any, path: str = "") -> Iterator[str]:
    """Yield every place in which something made is not the golden one; `why` is for people."""
    if isinstance(golden, dict) and isinstance(found, dict):
        keys = {k for k in golden if k not in ("why", "rule", "setting") and not k.endswith("_why")}
        if keys != found.keys():
            yield f"{path}: keys {sorted(keys ^ found.keys())}"
        for key in sorted(keys & found.keys()):
            yield from differs(found[key], golden[key], f"{path}.{key}")
    elif isinstance(golden, list) and isinstance(found, list):
        if len(golden) != len(found):
            yield f"{path}: {len(found)} instead of {len(golden)}"
        for n, (one, other) in enumerate(zip(found, golden, strict=False)):
            yield from differs(one, other, f"{path}[{n}]")
    elif isinstance(golden, (int, float)) and isinstance(found, (int, float)):
        if not abs(found - golden) <= EXACT * max(1.0, abs(golden)):
            yield f"{path}: {found!r} instead of {golden!r}"
    elif type(found) is not type(golden) or found != golden:
        yield f"{path}: {found!r} instead of {golden!r}"


def changes(value: Any, put: Callable[[Any], None]) -> Iterator[tuple[Callable[[Any], None], Any]]:
    """Yield a setter and a slightly wrong value for every figure, name and end below a value."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from changes(inner, lambda v, d=value, k=key: d.__setitem__(k, v))  # type: ignore[misc]
    elif isinstance(value, list):
        for n, inner in enumerate(value):
            yield from changes(inner, lambda v, d=value, n=n: d.__setitem__(n, v))  # type: ignore[misc]
    elif isinstance(value, (int, float)):
        for by in (3e-12, -3e-12):
            yield put, value + by * max(1.0, abs(value))
    elif value is None:
        yield put, 0.0
    else:
        yield put, f"{value}x"


def test_every_kind_has_a_golden_file_and_none_is_orphaned() -> None:
    curved = [r for r in STATED if issubclass(r, CurvedRule)]
    assert len(KINDS) == len(STATED) + len(IMPLIED) - len(curved)
    assert {p.stem for p in GOLDEN.glob("*.json")} == set(KINDS)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_rows_are_the_golden_ones(kind: str) -> None:
    cases = read(kind)
    assert cases
    for case in cases:
        assert list(differs(made(kind, case), case)) == []
        assert case["why"]
        assert all(len(row["why"]) > 5 for row in case["rows"])


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_any_changed_figure_breaks_the_comparison(kind: str) -> None:
    tried = 0
    for case in read(kind):
        found = made(kind, case)
        for number in range(sum(1 for _ in changes(deepcopy(found), lambda v: None))):
            wrong = deepcopy(found)
            put, value = next(c for n, c in enumerate(changes(wrong, lambda v: None)) if n == number)
            put(value)
            assert list(differs(wrong, case)) != [], (kind, number, value)
            tried += 1
        if found["rows"]:
            fewer, more = deepcopy(found), deepcopy(found)
            fewer["rows"].pop()
            more["rows"].append(more["rows"][-1])
            assert list(differs(fewer, case))
            assert list(differs(more, case))
    assert tried >= 6


def test_every_finite_limit_of_the_golden_rules_moves_its_row_as_told() -> None:
    """`per_limit` and `rhs_per_limit` are the change of the row per unit of the limit, by difference."""
    moved = 0
    for kind in sorted(KINDS):
        for case in read(kind):
            for key in ("at_least", "at_most", "exactly"):
                if key not in case["rule"] or kind in ("count", "needs", "if-used"):
                    continue
                by = 0.125
                other = made(kind, {**case, "rule": {**case["rule"], key: case["rule"][key] + by}})["rows"]
                side = {"at_least": "low", "at_most": "high", "exactly": "equal"}[key]
                for before, after in zip(made(kind, case)["rows"], other, strict=True):
                    if before["side"] != side:
                        assert before == after
                        continue
                    per = np.array(before["per_limit"] or np.zeros(6))
                    assert np.array(after["doses"]) - np.array(before["doses"]) == pytest.approx(-by * per, abs=1e-12)
                    end = "high" if side == "high" else "low"
                    assert after[end] - before[end] == pytest.approx(by * before["rhs_per_limit"], abs=1e-10)
                    moved += 1
    assert moved >= 20


def test_a_yes_no_is_tied_to_its_dose_by_the_most_that_single_rows_allow() -> None:
    """Without a limit of its own ampho may reach 96 (100 less 4 held back); anion 8 by its dose rule; LOOSE on top."""
    rules: list[Rule] = [
        KINDS["count"].model_validate({"id": "a", "of": ["ampho", "anion"], "at_most": 1}),
        KINDS["dose"].model_validate({"id": "b", "of": ["anion"], "measured": "as active", "at_most": 4}),
        KINDS["total"].model_validate({"id": "t", "exactly": 100}),
    ]
    model = build(rules, POOL)
    assert model.names[6:] == ("use:ampho", "use:anion")
    links = [(r, model.matrix[n]) for n, r in enumerate(model.rows) if r.owner == "use"]
    assert [r.high for r, _ in links] == [0.0, 0.0]
    assert links[0][1].tolist() == pytest.approx([1, 0, 0, 0, 0, 0, -96 * LOOSE, 0])
    assert links[1][1].tolist() == pytest.approx([0, 1, 0, 0, 0, 0, 0, -8 * LOOSE])
    assert model.upper.tolist() == [100] * 6 + [1] * 2
    assert model.lower.tolist() == [0] * 8

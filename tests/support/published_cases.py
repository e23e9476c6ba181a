"""Published linear and integer programs, stated as the tool's own files and solved by a second path.

Every file in `published` holds one case: data, outside answer with tolerance, and source. A case's
variable becomes a raw material, its row a rule. Scales:

- a dose is `scale[v]` x variable [%]; it sums to 100 where the case itself fixes a total, else
  the plan fills about `FILL` % and a free material 'nothing' takes the rest;
- properties and shelf prices are divided by the same scale, so values, limits, prices of limits
  and the objective stand in the case's own units. Only the total and the bounds of variables are
  limits in %, and entry prices are per `scale[v]` / 100 of a variable.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, linprog, milp

from optimizer.units import slug

Case = dict[str, Any]
HERE = Path(__file__).parent / "published"
FILL = 10.0
"""Share of the product [%] that the plan of a case without a fixed total takes; the rest is free."""


@dataclass(frozen=True)
class Blend:
    """A case as files, and how to read the answer back.

    Attributes:
        path: The scenario file.
        scale: Dose [%] of one unit of each variable.
        total: Name and right-hand side of the row that became the total; ('', 0) if there is none.
    """

    path: Path
    scale: dict[str, float]
    total: tuple[str, float]

    def rule(self, row: str) -> str:
        """Return the id of a row's rule."""
        return "total" if row == self.total[0] else rule_id(row)

    def unit(self, row: str) -> float:
        """Return what one unit of a rule's limit is in the row's own units."""
        return self.total[1] / 100 if row == self.total[0] else 1.0


def rule_id(row: str) -> str:
    """Return the id of a row that is not the total, whose id belongs to the tool."""
    return f"row-{slug(row)}" if slug(row) in ("total", "ph", "use") else slug(row)


def load(name: str) -> Case:
    """Return a case: its data, with `id`, `published`, `computed`, `source` and `provenance`."""
    case: Case = json.loads((HERE / f"{name}.json").read_text(encoding="utf-8"))
    return {**case.pop("data"), **case}


def ends(row: Case) -> tuple[float, float]:
    """Return the lower and upper end of a row, infinite where there is none."""
    low, high = row["lo"], row["hi"]
    return -inf if low is None else low, inf if high is None else high


def bounds(case: Case, variable: str) -> tuple[float, float]:
    """Return the bounds of a variable; 0 and up unless listed, 0 to 1 if it is a yes/no."""
    low, high = case["bounds"].get(variable, (0, 1 if case["integrality"].get(variable) == "binary" else None))
    return low, inf if high is None else high


def arrays(case: Case) -> tuple[Any, Any, Any, Any, Any, Any]:
    """Return matrix, row ends, cost of the stated sense and bounds, in the order of the file."""
    names, rows = case["variables"], case["rows"]
    matrix = np.array([[row["coef"].get(v, 0.0) for v in names] for row in rows], dtype=float)
    low, high = np.array([ends(row) for row in rows]).T
    cost = np.array([case["objective"].get(v, 0.0) for v in names], dtype=float)
    lower, upper = np.array([bounds(case, v) for v in names], dtype=float).T
    return matrix, low, high, cost, lower, upper


def independent(case: Case) -> OptimizeResult:
    """Solve a case from its raw data with scipy; `fun` is the objective in the stated sense."""
    matrix, low, high, cost, lower, upper = arrays(case)
    sign = -1 if case["sense"] == "max" else 1
    kinds = [case["integrality"].get(v) for v in case["variables"]]
    if any(kinds):
        kind = np.array([{None: 0, "integer": 1, "binary": 1, "semicontinuous": 2}[k] for k in kinds])
        rows = LinearConstraint(matrix, low, high)
        found = milp(sign * cost, integrality=kind, bounds=Bounds(lower, upper), constraints=rows)
    else:
        above, below = np.isfinite(high), np.isfinite(low)
        found = linprog(
            sign * cost,
            A_ub=np.vstack([matrix[above], -matrix[below]]),
            b_ub=np.concatenate([high[above], -low[below]]),
            bounds=np.column_stack([lower, upper]),
        )
    if found.x is not None:
        found.fun *= sign
    return found


def in_packets(case: Case) -> Case:
    """Return a case in which whole numbers are sums of packets of 1, 2, 4 ..., each all-or-nothing."""
    packets: dict[str, list[tuple[str, int]]] = {}
    for v in case["variables"]:
        most = int(bounds(case, v)[1])
        packets[v] = [(f"{v} x{2**k}", 2**k) for k in range(most.bit_length())]

    def spread(coefficients: dict[str, float]) -> dict[str, float]:
        return {name: size * c for v, c in coefficients.items() for name, size in packets[v]}

    rows = [{**row, "coef": spread(row["coef"])} for row in case["rows"]]
    for v in case["variables"]:
        low, high = bounds(case, v)
        rows.append({"name": f"{v} in all", "coef": spread({v: 1}), "lo": low, "hi": high})
    names = [name for v in case["variables"] for name, _ in packets[v]]
    return {
        **case,
        "variables": names,
        "objective": spread(case["objective"]),
        "rows": rows,
        "bounds": {},
        "integrality": dict.fromkeys(names, "binary"),
    }


def fixed_total(case: Case) -> Case | None:
    """Return an equation to which every variable adds, best one to which all add alike; it fixes the total."""

    def fixes(row: Case) -> bool:
        return row["lo"] == row["hi"] and bool(row["lo"]) and all(row["coef"].get(v, 0) > 0 for v in case["variables"])

    return min(filter(fixes, case["rows"]), key=lambda row: len(set(row["coef"].values())), default=None)


def size(case: Case) -> float:
    """Return the sum of the best plan, or of all limits where there is no plan."""
    plan = independent(case).x
    if plan is not None:
        return float(plan.sum())
    _, low, high, _, lower, upper = arrays(case)
    return float(sum(np.abs(ends_[np.isfinite(ends_)]).sum() for ends_ in (low, high, lower, upper)))


def write_as_blend(case: Case, folder: Path, *, room: bool = False) -> Blend:
    """Write a case as own library, shelf and scenario, and return how to read the answer.

    Args:
        case: What to state.
        folder: Where the three files are written.
        room: True leaves room in the product even where the case fixes a total, which is then a
            rule like any other.
    """
    total = None if room else fixed_total(case)
    names = case["variables"]
    if total is not None:
        scale = {v: 100 * total["coef"][v] / total["lo"] for v in names}
    else:
        scale = dict.fromkeys(names, FILL / size(case))
    rows = [row for row in case["rows"] if row is not total and row["coef"]]
    cost = {v: 100 * case["objective"].get(v, 0) / scale[v] for v in names}
    as_cost = case["sense"] == "min" and min(cost.values()) >= 0
    library = ['[sources]\ncase = "the published case"\n']
    shelf = ["material,price per kg"]
    for v in names:
        held = {row["name"]: 100 * row["coef"][v] / scale[v] for row in rows if v in row["coef"]}
        library.append(_material(slug(v), held if as_cost else {**held, "objective": cost[v]}))
        shelf.append(f"{slug(v)},{cost[v] if as_cost else 0!r}")
    if total is None:
        library.append(_material("nothing", {}))
        shelf.append("nothing,0")
    rules = [_rule("property", rule_id(row["name"]), {"property": row["name"]}, *ends(row)) for row in rows]
    for v in names:
        low, high = (end * scale[v] for end in bounds(case, v))
        kind, about = case["integrality"].get(v), {"of": [slug(v)]}
        if kind:
            rules.append(_rule("if-used", f"bound-{slug(v)}", about, high if kind == "binary" else low, high))
        elif low > 0 or high < 100:
            rules.append(_rule("dose", f"bound-{slug(v)}", about, low or -inf, high if high < 100 else inf))
    goal = 'minimise = "cost"'
    if not as_cost:
        rules.append(_rule("property", "objective", {"property": "objective"}, -inf, inf))
        goal = f'{case["sense"]}imise = "objective"'
    head = f'name = {json.dumps(case["title"])}\nlibrary = ["library.toml"]\nonly_own_library = true\n'
    path = folder / "scenario.toml"
    path.write_text(f'{head}shelf = "shelf.csv"\n\n[objective]\n{goal}\n\n' + "\n".join(rules), encoding="utf-8")
    (folder / "library.toml").write_text("\n".join(library), encoding="utf-8")
    (folder / "shelf.csv").write_text("\n".join(shelf) + "\n", encoding="utf-8")
    return Blend(path, scale, (total["name"], total["lo"]) if total else ("", 0.0))


def _material(name: str, properties: dict[str, float]) -> str:
    """Return a library table of one generic material."""
    held = ", ".join(f"{json.dumps(k)} = {v!r}" for k, v in properties.items())
    return (
        f'[[material]]\nid = "{name}"\nname = "{name}"\nfunction = "material"\nphase = "water"\n'
        f'substances = [{{ inci = "{name}", share = "balance" }}]\nproperties = {{ {held} }}\n'
        'backing = { default = ["case", "published"] }\n'
    )


def _rule(kind: str, name: str, about: dict[str, Any], low: float, high: float) -> str:
    """Return a scenario table of one rule."""
    limits = {"exactly": low} if low == high else {"at_least": low, "at_most": high}
    fields = {**about, **{k: v for k, v in limits.items() if abs(v) < inf}}
    lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in fields.items())
    return f'[[rule]]\nkind = "{kind}"\nid = "{name}"\n{lines}'

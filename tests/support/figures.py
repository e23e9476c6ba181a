"""Random briefs whose figures spread over nine orders of magnitude, and the judgement of the tool's answers to them.

Prices up to 1e12 and down to 1e-9, properties in ppb and in 1e9, active matter of 1e-5 %, doses of 1e-4 %, equal
prices, lower limits that are the upper ones. All figures are made up.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from fractions import Fraction
from math import ceil, floor, log10
from random import Random

from optimizer.data.formula import Formula
from optimizer.errors import TensideError
from optimizer.solve.best import solve
from optimizer.solve.result import Result
from tests.support import rational
from tests.support.briefs import aqua, brief_of, material, substance
from tests.support.oracle import Case, Table
from tests.support.rational import CLOSE, SUM, TOLERANCE, ZERO, Limit, Numbers, Raw, exactly

DUST = Fraction(1, 10**6)
"""A best point that needs a dose below this, % w/w, is a class of its own: it is not shown."""
NOTHING = Fraction(1, 10**20)
"""An objective below this is nothing, whatever it is summed from."""
LINEAR = ("dose", "dose", "active", "salt", "water", "cost", "share", "ratio", "rating", *["property"] * 4)
YES_NO = ("if-used", "if-used", "count", "one-of", "needs", "excludes")


def figure(r: Random, lowest: int, highest: int) -> float:
    """Return a figure of two digits somewhere between two powers of ten."""
    return float(f"{r.choice([1, 1, 2, 5, 1.5, 3.3, 7.2])}e{r.randint(lowest, highest)}")


def _rounded(value: Fraction, digits: int, way: int) -> float:
    """Return a value cut to some digits, down (-1), to the nearest (0) or up (1)."""
    if value == 0:
        return 0.0
    power = digits - 1 - floor(log10(abs(value)))
    scaled = value * Fraction(10) ** power
    whole = floor(scaled) if way < 0 else ceil(scaled) if way > 0 else round(scaled)
    return float(Fraction(whole) / Fraction(10) ** power)


def _material(r: Random, name: str, sizes: dict[str, int], wide: bool) -> Table:
    active = r.choice([0, 0, 30, 70, 5, 0.1, 1e-3, 1e-5] if wide else [0, 0, 30, 70, 5])
    salt = r.choice([0, 0, 0, 5, 1e-2, 1e-4] if wide else [0, 0, 0, 5]) if active else 0
    parts = [substance(f"INCI {name}", active or 100, charge="anionic", surfactant=True)]
    if not active:
        parts = [substance(f"INCI {name}", 100)]
    if salt:
        parts.append(substance("Sodium Chloride", salt, "salt"))
    rest = float(100 - exactly(active or 100) - exactly(salt))
    if rest:
        parts.append(substance("Aqua", rest, "water"))
    rated = r.choice([20, 50, 65, 90])
    ratings = {"mildness": {"low": rated - 5, "typical": rated, "high": rated + 5, "basis": "invented"}}
    properties = {}
    for p, size in sizes.items():
        spread = r.choice([0, 0, 0, 1, 1, 3, -3]) if wide else 0
        if r.random() < 0.7:
            properties[p] = figure(r, size + spread, size + spread)
    return material(name, parts, "surfactant" if active else "humectant", ratings=ratings, properties=properties)


def _price(r: Random, wide: bool) -> float:
    roll = r.random() if wide else 1.0
    if roll < 0.12:
        return figure(r, 3, 12)
    if roll < 0.2:
        return figure(r, -9, -3)
    return r.choice([0.5, 1.2, 2, 2, 3.6, 3.6, 8, 11.25])


def draw(r: Random, *, wide: bool = True) -> Case:
    """Return a small case around a formula that was drawn first; not `wide`, with everyday figures."""
    sizes = {p: r.choice([-9, -8, -6, -3, 0, 2, 5, 8, 9]) if wide else 0 for p in ("p", "q")}
    names = [f"{r.choice('abcdefgh')}{k}" for k in range(r.randint(2, 5))]
    materials = [aqua(), *(_material(r, name, sizes, wide) for name in names)]
    materials[0]["properties"] = {}
    shelf: list[Table] = [{"material": name, "price_per_kg": _price(r, wide)} for name in names]
    if r.random() < 0.4:
        for line in shelf[1:]:
            line["price_per_kg"] = r.choice([line["price_per_kg"], shelf[0]["price_per_kg"]])
    if r.random() < 0.3:
        shelf.append({"material": "aqua", "price_per_kg": r.choice([0.02, 1e-6] if wide else [0.02])})
    scenario: Table = {"name": "figures", "rule": []}
    case: Case = {
        "materials": materials,
        "shelf": shelf,
        "property_units": {p: {"unit": "per kg"} for p in sizes},
        "scenario": scenario,
    }
    if r.random() < 0.2:
        scenario["held_back"] = {"percent": r.choice([3, 0.5])}
    raw = Raw(case)
    doses = {
        name: r.choice([0, 0.0001, 0.01, 0.5, 3, 7.5, 15] if wide else [0, 0.1, 0.5, 3, 7.5, 15]) for name in names
    }
    x = [exactly(doses.get(name, 0.0)) for name in raw.ids]
    x[raw.ids.index("aqua")] = 100 - raw.held - sum(x)
    kinds = [r.choice(LINEAR) for _ in range(r.randint(1, 5))]
    if r.random() < 0.3:
        kinds += [r.choice(YES_NO) for _ in range(r.choice([1, 1, 2]))]
    chooser: set[str] = set()
    for number, kind in enumerate(kinds):
        rule = _rule(r, raw, x, names, {"id": f"r{number}-{kind}", "kind": kind})
        if kind in YES_NO and rule is not None:
            if len(chooser | set(rule["of"])) > 3:
                continue
            chooser |= set(rule["of"])
        if rule is not None:
            scenario["rule"].append(rule)
    _around(r, case, doses, raw)
    return case


def _around(r: Random, case: Case, doses: dict[str, float], raw: Raw) -> None:
    """Add a fixed dose, stock, or another objective than the least cost."""
    scenario = case["scenario"]
    used = sorted(name for name, dose in doses.items() if dose)
    if used and r.random() < 0.15:
        name = r.choice(used)
        scenario["fixed"] = {name: doses[name]}
    if used and r.random() < 0.1:
        scenario["batch_kg"] = 200
        for line in case["shelf"]:
            if line["material"] in used and r.random() < 0.5:
                line["stock_kg"] = float(2 * exactly(doses[line["material"]]))
    roll = r.random()
    linear = [rule["id"] for rule in scenario["rule"] if rule["kind"] == "property" and "over" not in rule]
    if roll < 0.08 and linear:
        scenario["objective"] = {r.choice(["minimise", "maximise"]): r.choice(linear)}
    elif roll < 0.14:
        scenario["objective"] = r.choice([{"minimise": "active"}, {"maximise": "active"}, {"minimise": "salt"}])


def _rule(r: Random, raw: Raw, x: Numbers, names: list[str], rule: Table) -> Table | None:
    kind = rule["kind"]
    some = sorted(r.sample(names, min(len(names), r.choice([1, 2, 2]))))
    if kind in ("dose", "share", "ratio", *YES_NO):
        rule["of"] = some
    if kind in ("dose", "if-used") and r.random() < 0.3:
        rule["measured"] = "as active"
    if kind == "ratio":
        rule["to"] = sorted(r.sample(names, min(len(names), 2)))
        if r.random() < 0.5:
            rule["measured"] = "as supplied"
    if kind == "rating":
        rule["rating"] = "mildness"
    if kind == "property":
        rule["property"] = r.choice(["p", "q"])
        if r.random() < 0.25:
            rule["over"] = some
    if kind in ("count", "one-of", "needs", "excludes"):
        return _yes_no(r, rule, x, raw, names)
    if kind == "if-used":
        used = [x[p] for p in raw.members(some) if x[p]]
        if rule.get("measured") or not used:
            return None
        rule["at_least" if r.random() < 0.7 else "at_most"] = float(r.choice(used))
        return rule
    value = raw.value(rule, x)
    return None if value is None else _limited(r, rule, value)


def _limited(r: Random, rule: Table, value: Fraction) -> Table | None:
    roll, past = r.random(), r.random() < 0.07
    reach = value * r.choice([ZERO, ZERO, Fraction(1, 20), Fraction(1, 2)])
    digits = r.choice([2, 3, 6, 12])
    if roll < 0.12:
        rule["exactly"] = _rounded(value, digits, 0)
    elif roll < 0.2:
        rule["at_least"] = rule["at_most"] = _rounded(value, digits, 0)
    elif roll < 0.65:
        rule["at_least"] = _rounded(value * Fraction(3, 2) if past else value - reach, digits, -1)
    if not rule.keys() & {"exactly", "at_least"} or (0.4 < roll < 0.65 and not past):
        rule["at_most"] = _rounded(value / 2 if past else value + reach, digits, 1)
    ends = [v for k, v in rule.items() if k in ("exactly", "at_least", "at_most")]
    most = float("inf") if rule["kind"] in ("property", "ratio", "cost") else 100
    return rule if all(0 <= end <= most for end in ends) else None


def _yes_no(r: Random, rule: Table, x: Numbers, raw: Raw, names: list[str]) -> Table:
    used = sum(x[p] > 0 for p in raw.members(rule["of"]))
    if rule["kind"] == "count":
        rule[r.choice(["at_most", "at_least"])] = max(0, used)
    if rule["kind"] in ("count", "one-of") and (rule["kind"] == "one-of" or "at_least" in rule):
        rule["counts_from"] = r.choice([0.1, 1e-4, 0.5])
    if rule["kind"] in ("needs", "excludes"):
        rule["other"] = sorted(r.sample(names, 1))
        rule["at_least" if rule["kind"] == "needs" else "above"] = r.choice([0.1, 1e-4, 2])
    return rule


# judgement ------------------------------------------------------------------------------------------


def point_of(raw: Raw, formula: Formula) -> Numbers:
    """Return the doses of a formula as the exact numbers that its floats are."""
    doses = {line.item.id: Fraction(line.percent) for line in formula.lines}
    return [doses.get(name, ZERO) for name in raw.ids]


def broken(raw: Raw, x: Numbers, tolerance: Fraction = TOLERANCE) -> list[str]:
    """Return the ids of the rules that a point breaks by more than the tolerance, the total by more than `SUM`."""
    found = [m.id for m in raw.limits if m.missed(x) > (SUM if m.id == "total" else tolerance)]
    return found if raw.keeps_choices(x) else [*found, "yes/no"]


def value_at(goal: Limit, x: Numbers) -> tuple[Fraction, Fraction]:
    """Return the objective of a point, and the size of what it is summed from."""
    top, under, size = goal.sums(x)
    return (top / under, size / under) if under else (ZERO, ZERO)


def judged(case: Case, *, weighable: bool = False) -> tuple[dict[str, str], Result | None]:
    """Return what is wrong about the tool's answer, by class with a few words, and the answer.

    A class that starts with '(' is shown and not counted as wrong.
    """
    raw = Raw(case)
    best = raw.best()
    try:
        result = solve(brief_of(case), exact=True, weighable=weighable)
    except TensideError as error:
        return {"refused": str(error).replace("\n", " ")[:160]}, None
    found = _wrong(raw, best, result)
    if "not the best" in found and _touchy(case, raw, best, result):
        found = {f"({name}, beyond the digits of a double)": words for name, words in found.items()}
    if weighable and result.rounded is not None and result.rounded.formula is not None:
        found |= _steps(raw, result)
    if found and best is not None and any(0 < dose < DUST for dose in best[1]):
        found = {f"({name}, dust)": words for name, words in found.items()}
    return found, result


def _touchy(case: Case, raw: Raw, best: tuple[Fraction, Numbers] | None, result: Result) -> bool:
    """Return whether the best value moves as far where the last binary digit of each figure is off."""
    assert best is not None
    try:
        for seed in range(6):
            rational.wobble = Random(seed)
            other = Raw(case).best()
            if other is None or abs(other[0] - best[0]) >= abs(Fraction(result.objective) - best[0]) / 8:
                return True
    finally:
        rational.wobble = None
    return False


def _wrong(raw: Raw, best: tuple[Fraction, Numbers] | None, result: Result) -> dict[str, str]:
    proven = f"proof {result.proof}"
    if result.ending == "infeasible" and result.proof == "none":
        return {"no answer": "impossible, not certified"}
    if result.ending == "infeasible":
        if best is not None:
            return {"not impossible": f"{proven}, yet {float(best[0]):.9g} can be had"}
        return {"(impossible, weak proof)": proven} if result.proof != "certificate" and not raw.choosing else {}
    if result.formula is None:
        return {"no answer": result.ending}
    x = point_of(raw, result.formula)
    value, size = value_at(raw.goal, x)
    told = Fraction(result.objective)
    found = {}
    if abs(told - value) > CLOSE * size + NOTHING:
        found["told is not shown"] = f"told {result.objective:.12g}, shown {float(value):.12g}"
    breaks = broken(raw, x)
    if breaks:
        found["breaks a rule"] = f"{proven}: {breaks}"
    if best is None:
        found |= {} if breaks else {"(impossible by a hair)": proven}
    elif abs(told - best[0]) > CLOSE * max(size, value_at(raw.goal, best[1])[1]) + NOTHING:
        words = f"{proven}: told {result.objective:.12g}, best {float(best[0]):.12g}"
        less = raw.sign * (told - best[0]) < 0
        found["better than can be had" if breaks or not less else "(within the tolerance)"] = words
        if not less and result.ending == "feasible":
            found["(not the best, and not said to be)"] = words
        elif not less:
            found["not the best"] = words
        if not less:
            found.pop("better than can be had")
    if result.exact.startswith("NOT"):
        found["exact check fails"] = result.exact[:120]
    elif found and not all(name.startswith("(") for name in found):
        found["exact check says right"] = result.exact[:60]
    return found


def _steps(raw: Raw, result: Result) -> dict[str, str]:
    """Return what is wrong about the formula on the grid."""
    rounded = result.rounded
    assert rounded is not None
    assert rounded.formula is not None
    x = point_of(raw, rounded.formula)
    value, size = value_at(raw.goal, x)
    found = {}
    if abs(Fraction(rounded.objective) - value) > CLOSE * size + NOTHING:
        found["steps: told is not shown"] = f"told {rounded.objective:.12g}, shown {float(value):.12g}"
    less = raw.sign * (value - Fraction(result.objective))
    # What an exact figure that the grid misses would save is no gain of the grid, and is told as 0.
    meant = max(less, ZERO) if any(m.low == m.high and m.missed(x) for m in raw.limits[1:]) else less
    if abs(Fraction(rounded.cost_of_rounding) - meant) > CLOSE * size + NOTHING:
        found["steps: their cost"] = f"told {rounded.cost_of_rounding:.9g}, is {float(less):.9g}"
    step = exactly(rounded.step)
    typed = [exactly(line.percent) for line in rounded.formula.lines]
    if sum(typed) != 100 - raw.held or any(dose % step for dose in typed):
        found["steps: not on the grid"] = f"{typed}"
    breaks = [m.id for m in raw.limits if m.low != m.high and m.missed(x) > TOLERANCE]
    if breaks or not raw.keeps_choices(x):
        found["steps: break a rule"] = f"{breaks}"
    if meant < -TOLERANCE * size:
        found["steps: cost less than nothing"] = f"{float(less):.3g} of {float(size):.3g}"
    return found


def shrunk(case: Case, name: str) -> Case:
    """Return a smaller case that is wrong in the same way, with more everyday figures."""
    small, start = case, _start(case, name)
    progress = True
    while progress:
        progress = False
        for smaller in _smaller(small):
            if start is not None and _start(smaller, name) == start:
                small, progress = smaller, True
                break
    return small


def _start(case: Case, name: str) -> str | None:
    """Return how the words about a class start; None if the case is not wrong in that way, or cannot be read."""
    try:
        found = judged(case, weighable=name.startswith("steps"))[0]
    except Exception:  # a case that cannot be read is none
        return None
    return found[name][:20] if name == "refused" and name in found else found.get(name) and name


def _smaller(case: Case) -> Iterator[Case]:
    """Yield the case less one thing."""
    for rule in case["scenario"]["rule"]:
        made = deepcopy(case)
        made["scenario"]["rule"].remove(rule)
        yield made
    for line in case["shelf"]:
        made = deepcopy(case)
        made["shelf"].remove(line)
        if not any(other["material"] != "aqua" for other in made["shelf"]):
            continue
        made["materials"] = [m for m in made["materials"] if m["id"] == "aqua" or m["id"] != line["material"]]
        for rule in made["scenario"]["rule"]:
            for key in ("of", "to", "over", "other"):
                if len(rule.get(key, [])) > 1:
                    rule[key] = [n for n in rule[key] if n != line["material"]]
        yield made
    for key in case["scenario"].keys() - {"name", "rule"}:
        made = deepcopy(case)
        del made["scenario"][key]
        yield made
    for at, entry in enumerate(case["materials"]):
        for p in entry["properties"]:
            made = deepcopy(case)
            del made["materials"][at]["properties"][p]
            yield made
    for at, line in enumerate(case["shelf"]):
        if line["price_per_kg"] not in (2, 0.5):
            for price in (2, 0.5):
                made = deepcopy(case)
                made["shelf"][at]["price_per_kg"] = price
                yield made
    for p in case["property_units"]:
        sizes = [abs(m["properties"][p]) for m in case["materials"] if m["properties"].get(p)]
        if sizes and not 0.1 <= max(sizes) < 10:
            yield _rescaled(case, p, -floor(log10(max(sizes))))
    for at, rule in enumerate(case["scenario"]["rule"]):
        for key in ("at_least", "at_most"):
            if {"at_least", "at_most"} <= rule.keys():
                made = deepcopy(case)
                del made["scenario"]["rule"][at][key]
                yield made


def _rescaled(case: Case, name: str, power: int) -> Case:
    """Return the case with a property in another unit, limits included."""
    made, factor = deepcopy(case), Fraction(10) ** power
    for entry in made["materials"]:
        if name in entry["properties"]:
            entry["properties"][name] = float(exactly(entry["properties"][name]) * factor)
    for rule in made["scenario"]["rule"]:
        if rule.get("property") == name:
            rule |= {k: float(exactly(rule[k]) * factor) for k in ("at_least", "at_most", "exactly") if k in rule}
    return made


def words(case: Case) -> str:
    """Return a case in a few lines."""
    lines = []
    for entry in case["materials"]:
        price = [line for line in case["shelf"] if line["material"] == entry["id"]]
        parts = ", ".join(f"{s['share'][1]:g} % {s.get('role', 'active')}" for s in entry["substances"])
        rated = entry.get("ratings", {}).get("mildness", {}).get("typical")
        sold = {k: v for line in price for k, v in line.items() if k != "material"}
        lines.append(f"  {entry['id']}: {parts}; {sold} {entry['properties']} mildness {rated}")
    lines += [f"  {rule}" for rule in case["scenario"]["rule"]]
    lines.append(f"  { ({k: v for k, v in case['scenario'].items() if k not in ('name', 'rule')}) }")
    return "\n".join(lines)

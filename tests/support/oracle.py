"""A second opinion on small briefs that shares no code with the tool.

Everything is computed from plain dicts (see `briefs.py`): facts of materials, measures of rules by the
equations that the rules state, pH targets, yes/no choices, and the vertices of what is left. Slow and
simple on purpose: every set of active constraints is tried.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain, combinations
from math import inf, isnan, nan
from typing import Any

import numpy as np
import numpy.typing as npt

Case = dict[str, Any]
Table = dict[str, Any]
Vector = npt.NDArray[np.float64]

CLOSE = 1e-8
"""Within this a vertex keeps a row whose largest coefficient is 1; doses are in %."""
USED = 1e-7
"""A dose [%] above this counts as used."""
CHOOSING = ("if-used", "count", "one-of", "needs", "excludes")
"""Kinds of rules that say yes or no to the members of their group."""
Way = str | tuple[float, ...]
"""A way to thicken: later, by salt, or by thickeners of the formula, of which it tells `dosed_parts`."""
LATER, SALT = "later", "salt"
EFFECT = ("associative", "polymer")
"""Types of thickener that are added to effect; salt is a route of its own."""


@dataclass(frozen=True)
class Item:
    """A candidate: its raw entry, its substances at the lot's strength, price per kg and stock [kg]."""

    raw: Table
    substances: list[Table]
    price: float
    stock: float | None = None

    @property
    def id(self) -> str:
        return str(self.raw["id"])

    def part(self, *, role: str = "", inci: str = "", surfactant: bool = False) -> float:
        """Return the typical share of what matches [-]."""
        found = [
            s["share"][1]
            for s in self.substances
            if (not role or s.get("role", "active") == role)
            and (not inci or s["inci"] == inci)
            and (not surfactant or s.get("surfactant", False))
        ]
        return float(sum(found)) / 100

    @property
    def functions(self) -> set[str]:
        return {self.raw["function"], *self.raw.get("also", [])}

    @property
    def charge(self) -> str | None:
        charged = [s for s in self.substances if s.get("role", "active") == "active" and s.get("charge")]
        return max(charged, key=lambda s: s["share"][1])["charge"] if charged else None


@dataclass
class Region:
    """Rows over the doses [%]: `equal` hold exactly, `most` from above, `shut` doses are 0."""

    equal: list[tuple[Vector, float]] = field(default_factory=list)
    most: list[tuple[Vector, float]] = field(default_factory=list)
    shut: set[int] = field(default_factory=set)


@dataclass(frozen=True)
class Best:
    """What the oracle found: 'optimal' with the objective and one best point, or 'infeasible'."""

    ending: str
    objective: float = nan
    doses: dict[str, float] = field(default_factory=dict)
    targets: int = 0
    choices: int = 0


# facts --------------------------------------------------------------------------------------------


def at_lot(raw: Table, measured: float | None) -> list[Table]:
    """Return the substances with active and salt scaled to a lot's measured active matter.

    The largest other substance takes up the difference.
    """
    parts = [dict(s) for s in raw["substances"]]
    typical = sum(s["share"][1] for s in parts if s.get("role", "active") == "active")
    if measured is None or typical <= 0:
        return parts
    moved = {id(s) for s in parts if s.get("role", "active") in ("active", "salt")}
    shares = {id(s): s["share"][1] * (measured / typical if id(s) in moved else 1.0) for s in parts}
    others = [s for s in parts if id(s) not in moved]
    if others:
        largest = max(others, key=lambda s: s["share"][1])
        shares[id(largest)] = max(0.0, shares[id(largest)] + 100 - sum(shares.values()))
    return [{**s, "share": [shares[id(s)]] * 3} for s in parts]


def candidates(case: Case) -> list[Item]:
    """Return every material that the pool takes and that has a price, sorted by id; water is free if not sold."""
    choice = case["scenario"].get("pool", {})
    fixed = case["scenario"].get("fixed", {})
    found = []
    for raw in case["materials"]:
        offers = [line for line in case["shelf"] if line["material"] == raw["id"]]
        priced = [line for line in offers if line.get("price_per_kg") is not None]
        line = min(priced, key=lambda o: o["price_per_kg"]) if priced else None
        if line is None and not (raw["id"] == "aqua" or choice.get("unpriced")):
            continue
        wanted = choice.get("functions", [])
        kept = not wanted or {raw["function"], *raw.get("also", [])} & set(wanted)
        kept = (kept or raw["id"] in choice.get("also", [])) and raw["id"] not in choice.get("without", [])
        if not (kept or raw["id"] in fixed or raw["id"] == "aqua"):
            continue
        lot = line.get("lot_active") if line else None
        price = line["price_per_kg"] if line else 0.0
        found.append(Item(raw, at_lot(raw, lot), float(price), line.get("stock_kg") if line else None))
    return sorted(found, key=lambda i: i.id)


def later(case: Case) -> list[Table]:
    """Return the raw entries of what the part held back may become."""
    held = case["scenario"].get("held_back", {})
    by_id = {m["id"]: m for m in case["materials"]}
    return [by_id[n] for n in (*held.get("acids", []), *held.get("thickeners", []))]


def held_back(case: Case) -> float:
    """Return the part of the product that is kept free [%]."""
    return float(case["scenario"].get("held_back", {}).get("percent", 0.0))


def group_of(written: Any) -> Table:
    """Return a group as a table, whichever way it is written."""
    if isinstance(written, str):
        return {"materials": [written]}
    return {"materials": list(written)} if isinstance(written, (list, tuple)) else dict(written)


def member(written: Any, item: Item, *, of_material: bool = True) -> bool:
    """Return whether a material is in a group; without `of_material` charge and family are not asked."""
    group = group_of(written)
    names = {s["inci"] for s in item.substances}
    families = {s.get("family", "") for s in item.substances}
    tests = [
        not group.get("materials") or item.id in group["materials"],
        item.id not in group.get("but_not", []),
        not group.get("functions") or bool(item.functions & set(group["functions"])),
        not group.get("inci") or bool(names & set(group["inci"])),
        not group.get("lipids") or item.raw.get("lipid") in group["lipids"],
        group.get("surfactants") is None or (item.part(surfactant=True) > 0) == group["surfactants"],
    ]
    if of_material:
        tests.append(not group.get("charges") or item.charge in group["charges"])
        tests.append(not group.get("families") or bool(families & set(group["families"])))
    return all(tests)


def active_of(written: Any, item: Item) -> float:
    """Return the surfactant active matter of a material that has the group's charges and families [-]."""
    group = group_of(written)
    if not member(group, item, of_material=False):
        return 0.0
    return (
        sum(
            s["share"][1]
            for s in item.substances
            if s.get("surfactant", False)
            and (not group.get("charges") or s.get("charge") in group["charges"])
            and (not group.get("families") or s.get("family", "") in group["families"])
        )
        / 100
    )


def rated(item: Item, name: str, at: str = "typical") -> float:
    """Return a planning rating; who is not rated has 0."""
    rating = item.raw.get("ratings", {}).get(name)
    return 0.0 if rating is None else float(rating[at])


CMC = {
    "alkyl sulfate": {"low": 7.0, "typical": 8.1, "high": 8.3},
    "alkyl ether sulfate 3": {"low": 2.8 * 0.544, "typical": 2.8, "high": 2.8},
    "isethionate": {"low": 2.5, "typical": 6.0, "high": 12.4},
    "betaine": {"low": 0.88, "typical": 2.0, "high": 2.0},
    "": {"low": 0.01, "typical": 2.0, "high": 50.0},
}
"""Pure C12, mM: Rosen and Kunjappu (2012), Lin and Marszall (1976); the isethionate and what has none are assumed. The
low end of the ether sulfate is as far down as a technical grade: 0.80 mM, computed from Chem. Cent. J. 5 (2011) 89."""


def in_cmc(item: Item, at: str) -> float:
    """Return moles of surfactant per % of dose [mmol per 100 g], each over its CMC if an end is named."""
    total = 0.0
    for s in item.substances:
        if s.get("surfactant"):
            moles = 10 * s["share"][1] / s.get("molar_mass", 300.0)
            total += moles / CMC[s.get("micelle", {"family": ""})["family"]][at] if at else moles
    return total


def counted(rule: Table, item: Item) -> float:
    """Return what one % of a dose counts."""
    return item.part(role="active") if rule.get("measured", "as supplied") == "as active" else 1.0


def in_ceiling(ceiling: Table, item: Item) -> float:
    """Return what one % of a dose adds to a ceiling: shares at their high end, in the ceiling's basis."""
    hit = [s for s in item.substances if s["inci"] in ceiling["substances"]]
    if ceiling["basis"] == "as supplied":
        return float(bool(hit))
    if ceiling["basis"] == "as acid":
        known = [(s.get("acid"), s.get("molar_mass")) for s in hit]
        # what nobody gives a mass of acid for counts whole
        grams = [a.get("per_molecule", 1.0) * a["molar_mass"] / m if a and m else 1.0 for a, m in known]
        return sum(s["share"][2] * g for s, g in zip(hit, grams, strict=True)) / 100
    return float(sum(s["share"][2] for s in hit)) / 100


# measures -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Measure:
    """(top @ doses + top_0) / (bottom @ doses + bottom_0)."""

    top: Vector
    bottom: Vector
    top_0: float = 0.0
    bottom_0: float = 1.0

    def at(self, x: Vector) -> float:
        """Return the measure of doses; NaN for a ratio to nothing."""
        below = float(self.bottom @ x) + self.bottom_0
        return (float(self.top @ x) + self.top_0) / below if below > 1e-6 else nan


def measure_of(rule: Table, items: list[Item], held: float) -> Measure | None:
    """Return what a rule measures by its stated equation; None for yes/no rules."""
    kind = rule["kind"]
    none = np.zeros(len(items))

    def each(of: Any) -> Vector:
        return np.array([float(of(i)) for i in items])

    def a(i: Item) -> float:
        return i.part(surfactant=True)

    if kind == "total":
        return Measure(none + 1, none, held)
    if kind in ("dose", "stock"):
        return Measure(each(lambda i: counted(rule, i) if member(rule["of"], i) else 0.0), none)
    if kind == "active":
        return Measure(each(a), none)
    if kind == "share":
        return Measure(100 * each(lambda i: active_of(rule["of"], i)), each(a), 0.0, 0.0)
    if kind == "ratio":
        of = rule.get("of", {"charges": ["anionic"]})
        to = rule.get("to", {"charges": ["amphoteric", "nonionic"]})
        if rule.get("measured", "as active") == "as active":
            return Measure(each(lambda i: active_of(of, i)), each(lambda i: active_of(to, i)), 0.0, 0.0)
        return Measure(each(lambda i: member(of, i)), each(lambda i: member(to, i)), 0.0, 0.0)
    if kind == "water":
        added = rule.get("counts", "all") == "added"
        return Measure(each(lambda i: 0.0 if added and i.raw["function"] != "solvent" else i.part(inci="Aqua")), none)
    if kind == "salt":
        return Measure(each(lambda i: i.part(inci="Sodium Chloride")), none)
    if kind == "natural":
        grown = each(
            lambda i: sum(s["share"][1] * s.get("natural", [0, 1])[0] for s in i.substances if s["inci"] != "Aqua")
        )
        water = each(lambda i: i.part(inci="Aqua"))
        if rule.get("with_water", True):
            return Measure(grown + 100 * water, none + 1, 0.0, held)
        return Measure(grown, 1 - water, 0.0, held)
    if kind == "property":
        value = each(lambda i: i.raw.get("properties", {}).get(rule["property"], 0.0))
        if rule.get("over") is None:
            return Measure(value / 100, none)
        inside = each(lambda i: member(rule["over"], i))
        return Measure(value * inside, inside, 0.0, 0.0)
    if kind == "rating":
        at = rule.get("at", "typical")
        return Measure(each(lambda i: a(i) * rated(i, rule["rating"], at)), each(a), 0.0, 0.0)
    if kind == "mixed-cmc":
        at = rule.get("at", "high")
        return Measure(each(lambda i: in_cmc(i, "")), each(lambda i: in_cmc(i, at)), 0.0, 0.0)
    if kind == "load":
        return Measure(each(lambda i: a(i) * (100 - rated(i, "mildness")) / 100), none)
    if kind == "cost":
        return Measure(each(lambda i: i.price / 100), none)
    if kind == "use-level":
        return Measure(each(lambda i: in_ceiling(rule["ceiling"], i)), none)
    if kind == "solubiliser":
        of = rule.get("of", {"functions": ["solubiliser"]})
        oily = rule.get("oily", {"lipids": ["perfume", "essential oil"]})
        return Measure(each(lambda i: member(of, i)), each(lambda i: member(oily, i)), 0.0, 0.0)
    return None


def limits_of(rule: Table) -> tuple[float, float]:
    """Return the lower and upper limit, infinite where there is none."""
    kind = rule["kind"]
    if kind == "use-level":
        return -inf, float(rule["ceiling"]["percent"])
    if kind == "one-of":
        return 1.0, 1.0
    if rule.get("exactly") is not None:
        return float(rule["exactly"]), float(rule["exactly"])
    low, high = rule.get("at_least"), rule.get("at_most")
    return (-inf if low is None else float(low)), (inf if high is None else float(high))


def clear_cap(item: Item) -> float:
    """Return the highest dose [%] at which a clear product stays clear."""
    if item.raw.get("clear_up_to") is not None:
        return float(item.raw["clear_up_to"])
    return 100.0 if item.raw.get("look", "clear") == "clear" else 0.0


def hard_rules(case: Case, items: list[Item]) -> list[Table]:
    """Return the stated rules and those that total, fixed doses, stock and law imply."""
    scenario = case["scenario"]
    market, use = scenario.get("market", "EU"), scenario.get("use", "rinse-off")
    rules: list[Table] = [{"id": "total", "kind": "total", "exactly": 100.0}, *scenario.get("rule", [])]
    for name, percent in scenario.get("fixed", {}).items():
        rules.append({"id": f"fixed-{name}", "kind": "dose", "of": [name], "exactly": percent})
    if scenario.get("batch_kg"):
        for item in items:
            if item.stock is not None:
                most = 100 * item.stock / scenario["batch_kg"]
                rules.append({"id": f"stock-{item.id}", "kind": "stock", "of": [item.id], "at_most": most})
    for ceiling in case.get("ceilings", []):
        here = ceiling["kind"] == "law" and ceiling.get("jurisdiction", "") in ("", market)
        if here and ceiling.get("use", "rinse-off") in (use, "any"):
            rules.append({"id": f"level-{ceiling['id']}", "kind": "use-level", "ceiling": ceiling})
    for pair in case.get("exclusions", []):
        one = [i.id for i in items if {s["inci"] for s in i.substances} & set(pair["one"])]
        other = [i.id for i in items if {s["inci"] for s in i.substances} & set(pair["other"]) and i.id not in one]
        if one and other and pair.get("jurisdiction", "") == market:
            rules.append({"id": f"exclusion-{pair['id']}", "kind": "excludes", "of": one, "other": other})
    return rules


# pH -----------------------------------------------------------------------------------------------


def window(raw: Table, clear: bool) -> tuple[float, float]:
    """Return the pH window of a material in the product; unknown allows any."""
    found = (raw.get("ph_clear") if clear else None) or raw.get("ph_stable")
    return (float(found[0]), float(found[1])) if found else (-inf, inf)


def thickener_window(raw: Table) -> tuple[float, float]:
    """Return the pH window in which a thickener works."""
    found = raw["thickener"].get("ph") or raw.get("ph_stable")
    return (float(found[0]), float(found[1])) if found else (-inf, inf)


def covers(span: tuple[float, float], target: float | None, tolerance: float) -> bool:
    """Return whether a window covers target +- tolerance; without a pH table every window does."""
    return target is None or (span[0] <= target - tolerance + 1e-6 and target + tolerance <= span[1] + 1e-6)


def is_clear(case: Case) -> bool:
    """Return whether the brief asks for a clear product."""
    return any(r["kind"] == "clear" for r in case["scenario"].get("rule", []))


def targets_of(case: Case, items: list[Item]) -> list[float | None]:
    """Return every target pH that is tried: a grid over the range, its end, and where windows begin or end."""
    table = case["scenario"].get("ph")
    if table is None:
        return [None]
    tolerance, step = table.get("tolerance", 0.2), table.get("grid", 0.1)
    first, last = table.get("low", 3.0) + tolerance, table.get("high", 10.0) - tolerance
    found = {first, last}
    k = 0
    while first + k * step <= last + 1e-9:
        found.add(first + k * step)
        k += 1
    spans = [window(i.raw, is_clear(case)) for i in items]
    spans += [thickener_window(m) for m in (*later(case), *(i.raw for i in items)) if m.get("thickener")]
    for low, high in spans:
        found |= {t for t in (low + tolerance, high - tolerance) if first - 1e-9 <= t <= last + 1e-9}
    return sorted({round(t, 6) for t in found if t is not None})


def suited(case: Case, target: float | None) -> list[str]:
    """Return the thickeners named for later that work at a target and that the part held back has room for."""
    tolerance = (case["scenario"].get("ph") or {}).get("tolerance", 0.2)
    names = case["scenario"].get("held_back", {}).get("thickeners", [])
    found = []
    for raw in later(case):
        thickener = raw.get("thickener")
        if raw["id"] in names and thickener and thickener["type"] in EFFECT:
            room = thickener["use"][0] <= held_back(case) + 1e-6
            if room and covers(thickener_window(raw), target, tolerance):
                found.append(raw["id"])
    return found


def dosed_parts(case: Case, items: list[Item], target: float | None) -> tuple[float, ...]:
    """Return how many of its usual lower doses one % of each candidate is, as a thickener that works at a target."""
    tolerance = (case["scenario"].get("ph") or {}).get("tolerance", 0.2)
    found = []
    for item in items:
        thickener = item.raw.get("thickener")
        works = thickener and thickener["type"] in EFFECT and thickener["use"][0] > 0
        there = works and covers(thickener_window(item.raw), target, tolerance)
        found.append(1 / float(thickener["use"][0]) if there else 0.0)
    return tuple(found)


def ways(case: Case, items: list[Item], target: float | None) -> list[Way]:
    """Return the ways to thicken at a target: salt, and later where that goes, else the thickeners of the formula."""
    dosed = dosed_parts(case, items, target)
    return [LATER, SALT] if suited(case, target) else [SALT, *([dosed] if any(dosed) else [])]


# the plan -----------------------------------------------------------------------------------------


def plans(case: Case) -> bool:
    """Return whether the bench's planned doses count in a cost that is minimised: asked, one rule, a part free."""
    rules = [r for r in case["scenario"].get("rule", []) if r["kind"] == "thickening"]
    unless = case["scenario"].get("objective", {}).get("planned", True)
    return unless and len(rules) == 1 and held_back(case) > 1e-6


def planned(case: Case, target: float | None, way: Way) -> float:
    """Return what acid, the way to thicken and water for the rest of the part held back cost per kg of product."""
    held = case["scenario"]["held_back"]
    water = price_of(case, "aqua")
    acids = _chosen_ones(case, list(held.get("acids", [])))
    left, cost = held_back(case), held_back(case) * water / 100
    for name in acids:
        dose = min(left, held.get("planned", {}).get(name, 0.2))  # 0.2 %: common practice, no source
        left -= dose
        cost += over_water(case, name, dose)
    extra = 0.0
    able = _thickeners(case, target, way)
    stated = [n for n in able if n in held.get("planned", {})]
    for name in stated or _cheapest(case, able, way, left):
        dose = max(0.0, min(left, held.get("planned", {}).get(name, _usual(case, name, way))))
        left -= dose
        extra += over_water(case, name, dose, dearest(case))
    return float(cost + max(0.0, extra))


def _usual(case: Case, name: str, way: Way) -> float:
    """Return the middle of what a thickener is usually taken at; of salt no more than the room kept for it."""
    raw = next(m for m in case["materials"] if m["id"] == name)
    usual = sum(raw["thickener"]["use"]) / 2
    if way != SALT:
        return float(usual)
    rule = next(r for r in case["scenario"]["rule"] if r["kind"] == "thickening")
    return float(min(usual, rule.get("salt_room", 0.5) or rule.get("salt", 2)))


def _cheapest(case: Case, able: list[str], way: Way, left: float) -> list[str]:
    """Return the thickener that costs least in its usual dose: the first of equals, one with a price before others."""

    def cost(name: str) -> tuple[bool, float]:
        dose = max(0.0, min(left, _usual(case, name, way)))
        return isnan(price_of(case, name)) and dose > 0, max(0.0, over_water(case, name, dose, dearest(case)))

    return sorted(able, key=cost)[:1]


def dearest(case: Case) -> float:
    """Return the highest price of what may thicken later: the named ones, and salt."""
    named = list(case["scenario"]["held_back"].get("thickeners", []))
    prices = [price_of(case, n) for n in {*named, *_thickeners(case, None, SALT)}]
    return max((p for p in prices if not isnan(p)), default=nan)


def _thickeners(case: Case, target: float | None, way: Way) -> list[str]:
    """Return what may be added for a way to thicken: any salt, or the named thickeners that suit."""
    if way == LATER:
        return suited(case, target)
    named = list(case["scenario"]["held_back"].get("thickeners", []))
    salts = [m["id"] for m in case["materials"] if (m.get("thickener") or {}).get("type") == "salt"]
    return sorted(salts, key=lambda n: (n not in named, salts.index(n)))[:1] if way == SALT else []


def _chosen_ones(case: Case, names: list[str]) -> list[str]:
    stated = case["scenario"]["held_back"].get("planned", {})
    return [n for n in names if n in stated] or names[:1]


def price_of(case: Case, name: str) -> float:
    """Return the lowest price per kg of a material, NaN if nobody sells it; water is free then."""
    prices = [o["price_per_kg"] for o in case["shelf"] if o["material"] == name and o.get("price_per_kg") is not None]
    return float(min(prices, default=0.0 if name == "aqua" else nan))


def over_water(case: Case, name: str, dose: float, unknown: float = nan) -> float:
    """Return what a dose costs per kg of product more than as much water; nothing where no price is known for it."""
    price = price_of(case, name)
    price = unknown if isnan(price) else price
    return 0.0 if isnan(price) else dose * (price - price_of(case, "aqua")) / 100


# search -------------------------------------------------------------------------------------------


def best(case: Case) -> Best:
    """Return the best formula of a brief over every target pH, every yes/no choice and every vertex."""
    items = candidates(case)
    held = held_back(case)
    rules = hard_rules(case, items)
    sense, goal = _goal(case, items, held)
    chooser = sorted({p for r in rules if r["kind"] in CHOOSING for p in _members(r, items)})
    tolerance = (case["scenario"].get("ph") or {}).get("tolerance", 0.2)
    targets = targets_of(case, items)
    counts = plans(case) and _goal_name(case) == "cost"
    seen: dict[tuple[tuple[int, ...], Way, float], float | None] = {}
    for target in targets:
        open_ = tuple(p for p, i in enumerate(items) if covers(window(i.raw, is_clear(case)), target, tolerance))
        for way in ways(case, items, target):
            seen.setdefault((open_, way, planned(case, target, way) if counts else 0.0), target)
    winner, value, tried = None, inf, 0
    for open_, way, more in seen:
        free = [p for p in chooser if p in open_]
        for yes in _subsets(free):
            tried += 1
            region = _region(rules, items, held, open_, set(chooser), set(yes), way)
            if region is None:
                continue
            for x in _vertices(region, len(items)):
                at = sense * (goal.at(x) + more)
                if at < value:
                    winner, value = x, at
    if winner is None:
        return Best("infeasible", targets=len(targets), choices=tried)
    doses = {i.id: float(d) for i, d in zip(items, winner, strict=True) if d > USED}
    return Best("optimal", sense * value, doses, len(targets), tried)


def _goal_name(case: Case) -> str:
    wanted = case["scenario"].get("objective", {})
    return str(wanted.get("maximise") or wanted.get("minimise") or "cost")


def _goal(case: Case, items: list[Item], held: float) -> tuple[float, Measure]:
    wanted, name = case["scenario"].get("objective", {}), _goal_name(case)
    known: dict[str, Table] = {
        **{k: {"kind": k} for k in ("cost", "active", "water", "salt", "natural", "load")},
        "mildness": {"kind": "rating", "rating": "mildness"},
        "flash-foam": {"kind": "rating", "rating": "flash_foam"},
        "foam-density": {"kind": "rating", "rating": "foam_density"},
        **{c: {"kind": "share", "of": {"charges": [c]}} for c in ("anionic", "amphoteric", "nonionic")},
    }
    own = {r["id"]: r for r in case["scenario"].get("rule", [])}
    found = measure_of(own.get(name) or known[name], items, held)
    assert found is not None
    return (-1.0 if wanted.get("maximise") else 1.0), found


def _members(rule: Table, items: list[Item]) -> list[int]:
    group = rule.get("of", {"surfactants": True})
    return [p for p, i in enumerate(items) if member(group, i)]


def _subsets(free: list[int]) -> Iterator[tuple[int, ...]]:
    return chain.from_iterable(combinations(free, k) for k in range(len(free) + 1))


def _region(
    rules: list[Table],
    items: list[Item],
    held: float,
    open_: tuple[int, ...],
    chooser: set[int],
    yes: set[int],
    way: Way,
) -> Region | None:
    """Return the rows at one target and one choice; None if the choice itself breaks a rule."""
    n = len(items)
    region = Region(shut={p for p in range(n) if p not in open_ or (p in chooser and p not in yes)})
    for rule in rules:
        kind = rule["kind"]
        low, high = limits_of(rule)
        if kind == "clear":
            for p, item in enumerate(items):
                region.most.append((_unit(n, p), clear_cap(item)))
        elif kind == "thickening":
            if way == LATER:
                continue
            if way != SALT:
                region.most.append((-np.array(way), -1.0))
            elif not rule.get("salt_route", True):
                return None
            else:
                region.most += _salt_route(rule, items, held)
        elif kind in CHOOSING:
            used = [p for p in _members(rule, items) if p in yes]
            if not _chosen(region, rule, items, used, (low, high)):
                return None
        else:
            measure = measure_of(rule, items, held)
            assert measure is not None
            _limit(region, measure, low, high)
    return region


def _limit(region: Region, m: Measure, low: float, high: float) -> None:
    """Add top - limit x bottom against 0 for each finite limit."""
    if low == high:
        region.equal.append((m.top - low * m.bottom, low * m.bottom_0 - m.top_0))
        return
    if low > -inf:
        region.most.append((low * m.bottom - m.top, m.top_0 - low * m.bottom_0))
    if high < inf:
        region.most.append((m.top - high * m.bottom, high * m.bottom_0 - m.top_0))


def _salt_route(rule: Table, items: list[Item], held: float) -> list[tuple[Vector, float]]:
    sulfates = rule.get("sulfates", {"families": ["alkyl sulfate", "alkyl ether sulfate"]})
    a = np.array([i.part(surfactant=True) for i in items])
    against = rule.get("hydrotropes", {"functions": ["hydrotrope"]})
    b = np.array([active_of(sulfates, i) - active_of(against, i) for i in items])
    salt = np.array([i.part(inci="Sodium Chloride") for i in items])
    room = max(0.0, rule.get("salt", 2.0) - rule.get("salt_room", 0.5))
    return [
        (rule.get("sulfate_share", 50.0) / 100 * a - b, 0.0),
        (-a, -float(rule.get("active", 9.0))),
        (salt, room),
        (-np.array([float((i.raw.get("thickener") or {}).get("type") == "salt") for i in items]), held - 0.2),
    ]


def _chosen(region: Region, rule: Table, items: list[Item], used: list[int], ends: tuple[float, float]) -> bool:
    """Add what a yes/no rule asks of the chosen doses; False if the choice breaks it."""
    n, kind, (low, high) = len(items), rule["kind"], ends
    if kind == "if-used":
        for p in used:
            counts = _unit(n, p) * counted(rule, items[p])
            if low > -inf:
                region.most.append((-counts, -low))
            if high < inf:
                region.most.append((counts, high))
    elif kind in ("count", "one-of"):
        if not low <= len(used) <= high:
            return False
        if low > -inf:
            region.most += [(-_unit(n, p), -float(rule.get("counts_from", 0.1))) for p in used]
    elif used:
        other = np.array([member(rule["other"], i) * (counted(rule, i) if kind == "excludes" else 1.0) for i in items])
        if kind == "needs":
            region.most.append((-other, -float(rule.get("at_least", 0.1))))
        else:
            region.most.append((other, float(rule.get("above", 0.0))))
    return True


def _unit(n: int, position: int) -> Vector:
    vector = np.zeros(n)
    vector[position] = 1.0
    return vector


def _vertices(region: Region, n: int) -> Iterator[Vector]:
    """Return every vertex of {equal, most, doses >= 0}, by trying every set of active rows."""
    free = [p for p in range(n) if p not in region.shut]
    if not free:
        return
    equal = _scaled([(row[free], end) for row, end in region.equal], exact=True)
    most = _scaled([(row[free], end) for row, end in region.most] + [(-_unit(n, p)[free], 0.0) for p in free])
    if equal is None or most is None:
        return
    rows, ends = equal
    kept: list[int] = []
    for r in range(len(rows)):
        if np.linalg.matrix_rank(rows[[*kept, r]], tol=1e-9) > len(kept):
            kept.append(r)
    open_rows, open_ends = most
    missing = len(free) - len(kept)
    sets = list(combinations(range(len(open_rows)), missing))
    picks = np.array(sets, dtype=int).reshape(len(sets), missing)
    for start in range(0, len(picks), 20_000):
        part = picks[start : start + 20_000]
        base = np.broadcast_to(rows[kept], (len(part), len(kept), len(free)))
        systems = np.concatenate([base, open_rows[part]], axis=1)
        right = np.concatenate([np.broadcast_to(ends[kept], (len(part), len(kept))), open_ends[part]], axis=1)
        sound = np.abs(np.linalg.det(systems)) > 1e-11
        if not sound.any():
            continue
        points = np.linalg.solve(systems[sound], right[sound][..., None])[..., 0]
        inside = (points @ open_rows.T <= open_ends + CLOSE).all(axis=1)
        inside &= (np.abs(points @ rows.T - ends) <= CLOSE * 10).all(axis=1)
        for point in points[inside]:
            x = np.zeros(n)
            x[free] = np.maximum(point, 0.0)
            yield x


def _scaled(rows: list[tuple[Vector, float]], *, exact: bool = False) -> tuple[Vector, Vector] | None:
    """Return rows whose largest coefficient is 1; rows of zeros are dropped, or None if one is broken."""
    width = len(rows[0][0]) if rows else 0
    matrix, ends = [], []
    for row, end in rows:
        size = float(np.abs(row).max(initial=0.0))
        if size < 1e-12:
            if end < -CLOSE or (exact and end > CLOSE):
                return None
            continue
        if any(np.allclose(row / size, m, atol=1e-14) and end / size == e for m, e in zip(matrix, ends, strict=True)):
            continue
        matrix.append(row / size)
        ends.append(end / size)
    return np.array(matrix).reshape(-1, width), np.array(ends)


# measures at a formula ----------------------------------------------------------------------------


def value_at(case: Case, rule: Table, doses: dict[str, float], target: float | None) -> float:
    """Return what a rule measures at doses [%], by its stated meaning; NaN if it has nothing to measure."""
    items = candidates(case)
    x = np.array([doses.get(i.id, 0.0) for i in items])
    measure = measure_of(rule, items, held_back(case))
    if measure is not None:
        return measure.at(x)
    kind = rule["kind"]
    used = [p for p in range(len(items)) if x[p] > USED]
    if kind == "clear":
        return float(sum(x[p] > clear_cap(items[p]) + 1e-6 for p in used))
    if kind == "thickening":
        later_ways = len(suited(case, target))
        open_ = all(float(row @ x) <= end + 1e-6 for row, end in _salt_route(rule, items, held_back(case)))
        dosed = float(np.array(dosed_parts(case, items, target)) @ x) >= 1 - 1e-6
        return float(later_ways + dosed + (open_ and rule.get("salt_route", True)))
    hit = [p for p in _members(rule, items) if p in used]
    if kind in ("count", "one-of"):
        return float(len(hit))
    if kind == "if-used":
        seen = [float(x[p]) * counted(rule, items[p]) for p in hit]
        if not seen:
            return nan
        return max(seen) if max(seen) > limits_of(rule)[1] else min(seen)
    if not hit:
        return 0.0
    other = sum(x[p] * (counted(rule, items[p]) if kind == "excludes" else 1.0) for p in _inside(rule["other"], items))
    if kind == "needs":
        return max(0.0, float(rule.get("at_least", 0.1)) - other)
    assert kind == "excludes", kind
    return max(0.0, other - float(rule.get("above", 0.0)))


def _inside(group: Any, items: list[Item]) -> list[int]:
    return [p for p, i in enumerate(items) if member(group, i)]

"""Small random briefs as plain data, and the one function that turns plain data into a brief of the tool.

A case is a dict that JSON could hold: `materials` as a library file writes them, `shelf` lines, `ceilings`,
`exclusions`, `property_units` and a `scenario` table. Limits are set around a formula that was drawn
first, so that most briefs can be met, and some past it, so that some cannot. All figures are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from math import ceil, floor, isnan
from random import Random
from typing import Any

from hypothesis import strategies as st

from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.facts import Ceiling, Exclusion, Material, PropertyUnit
from optimizer.data.library import Library, read_library
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.files import shipped
from optimizer.rules import IMPLIED, STATED, Preserved
from tests.support import oracle
from tests.support.oracle import Case, Table

BACKING = {"default": ["invented", "common practice"]}
APART = ("mixed-cmc", "free-monomer", "undissociated-acid")
"""Kinds with a search of their own: the first is drawn where it is asked for, the second is curved, the third needs
acids and a pH."""
STATED_KINDS: tuple[str, ...] = tuple(k for r in STATED if (k := r.model_fields["kind"].default) not in APART)
IMPLIED_KINDS: tuple[str, ...] = tuple(r.model_fields["kind"].default for r in IMPLIED if r is not Preserved)
"""Kinds that other tables of a brief state; `preserved` is only watched, so no drawn answer depends on it."""
YES_NO: tuple[str, ...] = (*oracle.CHOOSING, "thickening")
"""Kinds that bring yes/no columns."""
PLAIN: tuple[str, ...] = tuple(k for k in STATED_KINDS if k not in YES_NO)
RATINGS = ("mildness", "flash_foam", "foam_density")
UP_TO_100 = ("dose", "active", "share", "water", "salt", "natural", "rating", "if-used")
"""Kinds whose limits the tool takes up to 100 only."""


@dataclass(frozen=True)
class Wish:
    """What a drawn case shall contain.

    Attributes:
        kinds: Kinds of stated rules that may occur.
        must: Kinds that are drawn first.
        rules: Fewest and most stated rules.
        sizes: Fewest and most materials besides water.
        ph: Whether a [ph] table may occur.
        extras: Whether stock, lots, ceilings, exclusions, fixed doses and a part held back may occur.
        pairs: Whether pairs of materials that exclude one another may occur.
        goals: Objectives besides the least cost may occur.
        past: Chance that a limit is set past the drawn formula.
    """

    kinds: tuple[str, ...] = STATED_KINDS
    must: tuple[str, ...] = ()
    rules: tuple[int, int] = (2, 5)
    sizes: tuple[int, int] = (2, 5)
    ph: bool = True
    extras: bool = True
    pairs: bool = True
    goals: bool = True
    past: float = 0.06


# materials ----------------------------------------------------------------------------------------


def substance(inci: str, share: float, role: str = "active", **facts: Any) -> Table:
    """Return a substance at a sharp share [% w/w]."""
    return {"inci": inci, "role": role, "share": [share, share, share], **facts}


def material(name: str, substances: list[Table], function: str = "surfactant", **facts: Any) -> Table:
    """Return a material as a library file would write it."""
    return {
        "id": name,
        "name": name,
        "function": function,
        "substances": substances,
        "phase": "water",
        "backing": BACKING,
        **facts,
    }


def aqua() -> Table:
    """Return water."""
    return material("aqua", [substance("Aqua", 100, "water", natural=[1, 1])], "solvent")


SURFACTANTS: dict[str, tuple[str, str]] = {
    "sulfate": ("anionic", "alkyl sulfate"),
    "ether": ("anionic", "alkyl ether sulfate"),
    "mild-anionic": ("anionic", "isethionate"),
    "betaine": ("amphoteric", "betaine"),
    "glucoside": ("nonionic", "alkyl glucoside"),
}
MICELLE_OF = {
    "alkyl sulfate": "alkyl sulfate",
    "alkyl ether sulfate": "alkyl ether sulfate 3",
    "isethionate": "isethionate",
    "betaine": "betaine",
}
"""Family of the critical micelle concentration by family; the glucoside has none, which is a case of its own."""
OTHERS = ("humectant", "solubiliser", "perfume", "preservative", "pearl")


def _surfactant(r: Random, name: str, sort: str) -> Table:
    charge, family = SURFACTANTS[sort]
    active = r.choice([20, 25, 30, 40, 50, 70])
    salt = r.choice([0, 0, 1, 4, 6])
    spread = r.choice([0, 1, 2])
    main = substance(f"INCI {name}", active, charge=charge, family=family, surfactant=True)
    main["share"] = [active - spread, active, active + spread]
    main["natural"] = [r.choice([0, 0.25, 0.5, 1]), 1]
    if family in MICELLE_OF:
        main["molar_mass"] = 200 + 10 * (active // 5)
        main["micelle"] = {"family": MICELLE_OF[family], "cut": "C12"}
    parts = [main]
    rest = 100 - active - salt
    if r.random() < 0.25:
        also_charge, also_family = SURFACTANTS[r.choice(sorted(SURFACTANTS))]
        parts.append(substance(f"Second {name}", 10, charge=also_charge, family=also_family, surfactant=True))
        rest -= 10
    if salt:
        parts.append(substance("Sodium Chloride", salt, "salt"))
    parts.append(substance("Aqua", rest, "water", natural=[1, 1]))
    ratings = {}
    for rating in RATINGS:
        if r.random() < 0.85:
            typical = r.choice([20, 35, 50, 65, 80, 90])
            ratings[rating] = {"low": typical - 10, "typical": typical, "high": typical + 10, "basis": "invented"}
    return material(name, parts, ratings=ratings)


def _other(r: Random, name: str, sort: str) -> Table:
    if sort == "preservative":
        acid = {"name": "an acid", "molar_mass": 120, "pka": [4, 4.2, 4.4], "per_molecule": r.choice([1, 2])}
        salt = substance(f"INCI {name}", 50, "preservative", molar_mass=150, acid=acid)
        salt["share"] = [45, 50, 55]
        return material(name, [salt, substance("Aqua", 50, "water")], "preservative")
    strength = r.choice([50, 80, 100])
    parts = [substance(f"INCI {name}", strength, natural=[r.choice([0, 0.5, 1]), 1])]
    if strength < 100:
        parts.append(substance("Aqua", 100 - strength, "water", natural=[1, 1]))
    made = material(name, parts, sort if sort != "pearl" else "opacifier")
    if sort == "perfume":
        made["lipid"] = r.choice(["perfume", "essential oil", "oil"])
    if sort == "pearl":
        made["look"] = r.choice(["hazy", "pearly", "opaque"])
        if r.random() < 0.6:
            made["clear_up_to"] = r.choice([0.5, 1, 3])
    return made


def _windows(r: Random, made: Table, near: float) -> None:
    """Give a material a pH window, most often one that holds a given pH."""
    if r.random() < 0.3:
        return
    if r.random() < 0.8:
        low, high = near - r.choice([0.5, 1, 2]), near + r.choice([0.5, 1, 2.5])
    else:
        low = r.choice([3, 4, 5, 6.5])
        high = low + r.choice([1, 2, 4])
    made["ph_stable"] = [round(low, 2), round(high, 2)]
    if r.random() < 0.3:
        made["ph_clear"] = [round(low + 0.25, 2), round(high - 0.1, 2)]


def _later(r: Random, near: float) -> tuple[list[Table], Table]:
    """Return an acid and a thickener that are added later, and the [held_back] table."""
    acid = material("late-acid", [substance("INCI late acid", 50), substance("Aqua", 50, "water")], "acid")
    build: Table = {"type": r.choice(["associative", "polymer", "salt"]), "use": [r.choice([0.5, 1, 3]), 5]}
    thickener = material("late-thickener", [substance("INCI late thickener", 100)], "thickener", thickener=build)
    if r.random() < 0.5:
        build["ph"] = [round(near - r.choice([0.1, 0.5, 1]), 2), round(near + r.choice([0.5, 2]), 2)]
    elif r.random() < 0.5:
        thickener["ph_stable"] = [round(near - r.choice([0.5, 1]), 2), 9]
    return [acid, thickener], {"percent": r.choice([1, 2, 4]), "acids": ["late-acid"], "thickeners": ["late-thickener"]}


# rules --------------------------------------------------------------------------------------------


class Maker:
    """Draws rules around one formula."""

    def __init__(self, r: Random, case: Case, doses: dict[str, float], target: float | None, wish: Wish) -> None:
        self.r, self.case, self.doses, self.target, self.wish = r, case, doses, target, wish
        self.items = oracle.candidates(case)
        self.properties = sorted({p for m in case["materials"] for p in m.get("properties", {})})

    def group(self, *, surfactants: bool = False) -> Any:
        """Return a group that has at least one member, written in one of the ways."""
        pool = [i for i in self.items if i.part(surfactant=True) > 0] if surfactants else self.items
        pool = [i for i in pool if i.id != "aqua"] or self.items
        ways: list[Callable[[], Any]] = [
            lambda: [i.id for i in self.r.sample(pool, min(len(pool), self.r.choice([1, 2])))]
        ]
        one = self.r.choice(pool)
        ways.append(lambda: one.id)
        ways.append(lambda: {"functions": [one.raw["function"]]})
        ways.append(lambda: {"inci": [one.substances[0]["inci"]], "called": "what holds it"})
        if one.charge:
            ways.append(lambda: {"charges": [one.charge]})
        if one.substances[0].get("family"):
            ways.append(lambda: {"families": [one.substances[0]["family"]]})
        if one.raw.get("lipid"):
            ways.append(lambda: {"lipids": [one.raw["lipid"]]})
        ways.append(lambda: {"surfactants": one.part(surfactant=True) > 0, "but_not": [self.r.choice(pool).id]})
        made = self.r.choice(ways)()
        return made if any(oracle.member(made, i) for i in self.items) else [one.id]

    def rule(self, kind: str, number: int) -> Table | None:
        """Return a rule of a kind; None if this pool gives it nothing to measure."""
        rule: Table = {"id": f"r{number}-{kind}", "kind": kind}
        fill = getattr(self, "_" + kind.replace("-", "_"), None)
        if fill is not None and fill(rule) is False:
            return None
        if kind in (*PLAIN, "if-used", "mixed-cmc") and kind not in ("clear", "use-level"):
            return rule if self._limit(rule) else None
        return rule

    def _limit(self, rule: Table) -> bool:
        value = oracle.value_at(self.case, rule, self.doses, self.target)
        if isnan(value) or abs(value) > 500:
            return False
        roll = self.r.random()
        if roll < 0.1 and rule["kind"] != "if-used":
            rule["exactly"] = self._inside(rule, round(value, 3))
            return True
        past = self.r.random() < self.wish.past
        reach = abs(value) * self.r.choice([0, 0.05, 0.2, 0.5]) + self.r.choice([0, 0.05])
        if roll < 0.75:
            low = value + reach + 0.1 if past else value - reach
            rule["at_least"] = self._inside(rule, floor(low * 1000) / 1000)
        if roll > 0.45 and not (past and "at_least" in rule):
            high = value - reach - 0.1 if past else value + reach
            rule["at_most"] = self._inside(rule, ceil(high * 1000) / 1000)
        return rule.get("at_least", 0.0) <= rule.get("at_most", 1e9)

    def _inside(self, rule: Table, limit: float) -> float:
        if rule["kind"] != "property":
            limit = max(0.0, limit)
        return min(limit, 100.0) if rule["kind"] in UP_TO_100 else limit

    def _dose(self, rule: Table) -> None:
        rule["of"] = self.group()
        if self.r.random() < 0.3:
            rule["measured"] = "as active"

    def _if_used(self, rule: Table) -> None:
        self._dose(rule)

    def _share(self, rule: Table) -> None:
        rule["of"] = self.group(surfactants=True)

    def _ratio(self, rule: Table) -> None:
        if self.r.random() < 0.6:
            rule["of"], rule["to"] = self.group(surfactants=True), self.group(surfactants=True)
        if self.r.random() < 0.3:
            rule["measured"] = "as supplied"

    def _water(self, rule: Table) -> None:
        rule["counts"] = self.r.choice(["all", "added"])

    def _natural(self, rule: Table) -> None:
        rule["with_water"] = self.r.random() < 0.5

    def _property(self, rule: Table) -> bool | None:
        if not self.properties:
            return False
        rule["property"] = self.r.choice(self.properties)
        if self.r.random() < 0.5:
            rule["over"] = self.group()
        return None

    def _rating(self, rule: Table) -> None:
        rule["rating"] = self.r.choice(RATINGS)
        rule["at"] = self.r.choice(["low", "typical", "high"])

    def _mixed_cmc(self, rule: Table) -> None:
        rule["at"] = self.r.choice(["low", "typical", "high"])

    def _use_level(self, rule: Table) -> bool | None:
        names = [s["inci"] for i in self.items if i.id != "aqua" for s in i.substances if s["inci"] != "Aqua"]
        if not names:
            return False
        rule["ceiling"] = self.ceiling("stated", names)
        return None

    def ceiling(self, name: str, names: list[str]) -> Table:
        """Return a ceiling on one or two substances, somewhere about their present level."""
        made = {
            "id": name,
            "substances": sorted(set(self.r.sample(names, min(len(names), self.r.choice([1, 2]))))),
            "percent": 1.0,
            "basis": self.r.choice(["as supplied", "as substance", "as acid"]),
            "kind": "law",
            "use": self.r.choice(["rinse-off", "any"]),
            "jurisdiction": self.r.choice(["", "EU"]),
            "source": "invented",
            "confidence": "common practice",
        }
        now = oracle.value_at(self.case, {"kind": "use-level", "ceiling": made}, self.doses, self.target)
        made["percent"] = min(100.0, ceil((now * self.r.choice([1, 1.1, 2]) + 0.01) * 100) / 100)
        return made

    def _solubiliser(self, rule: Table) -> bool | None:
        has = {f for i in self.items for f in i.functions}
        if "solubiliser" not in has or self.r.random() < 0.3:
            rule["of"], rule["oily"] = self.group(), self.group()
        return None

    def _count(self, rule: Table) -> None:
        if self.r.random() < 0.6:
            rule["of"] = self.group()
        now = oracle.value_at(self.case, rule, self.doses, self.target)
        roll = self.r.random()
        if roll < 0.7:
            rule["at_most"] = max(0.0, now - self.r.choice([0, 0, 1]))
        if roll > 0.5:
            rule["at_least"] = min(now, rule.get("at_most", now))
            rule["counts_from"] = self.r.choice([0.1, 0.5])

    def _one_of(self, rule: Table) -> None:
        rule["of"] = self.group()

    def _needs(self, rule: Table) -> None:
        rule["of"], rule["other"] = self.group(), self.group()
        rule["at_least"] = self.r.choice([0.1, 0.5, 1, 2])

    def _excludes(self, rule: Table) -> None:
        rule["of"], rule["other"] = self.group(), self.group()
        if self.r.random() < 0.5:
            rule["above"] = self.r.choice([0.5, 2])
        if self.r.random() < 0.3:
            rule["measured"] = "as active"

    def _thickening(self, rule: Table) -> None:
        families = {s.get("family", "") for m in self.case["materials"] for s in m["substances"]}
        if not {"alkyl sulfate", "alkyl ether sulfate"} <= families or self.r.random() < 0.3:
            rule["sulfates"] = self.group(surfactants=True)
        now = oracle.value_at(self.case, {"kind": "active"}, self.doses, self.target)
        rule["active"] = floor(now * self.r.choice([0.5, 0.9, 1.1]) * 10) / 10
        rule["sulfate_share"] = self.r.choice([10, 30, 50])
        rule["salt_route"] = self.r.random() < 0.85
        if self.r.random() < 0.3:
            rule["salt"], rule["salt_room"] = 3, 0.25


# cases --------------------------------------------------------------------------------------------


def draw(r: Random, wish: Wish = Wish()) -> Case:
    """Return a small random case."""
    near = r.choice([4.8, 5.2, 5.5, 6, 6.5])
    stock: list[Table] = [aqua()]
    for number in range(r.randint(*wish.sizes)):
        sort = r.choice(sorted(SURFACTANTS)) if number < 2 or r.random() < 0.5 else r.choice(OTHERS)
        name = f"{r.choice('abcdefgh')}{number}-{sort}"
        made = _surfactant(r, name, sort) if sort in SURFACTANTS else _other(r, name, sort)
        if r.random() < 0.5:
            made["properties"] = {"protein": r.choice([-2, 0, 3, 10.5]), "cooling": r.choice([1, 2])}
        _windows(r, made, near)
        stock.append(made)
    return around(r, stock, near, wish)


def around(r: Random, materials: list[Table], near: float, wish: Wish) -> Case:
    """Return a case over given materials: prices, a drawn formula and rules around it."""
    shelf: list[Table] = [
        {"material": m["id"], "price_per_kg": round(r.uniform(0.5, 12), 2)} for m in materials if m["id"] != "aqua"
    ]
    if r.random() < 0.3:
        shelf.append({"material": "aqua", "price_per_kg": 0.02})
    scenario: Table = {"name": "drawn", "rule": []}
    units = {"protein": {"unit": "g/kg"}}
    case: Case = {"materials": list(materials), "shelf": shelf, "property_units": units, "scenario": scenario}
    if wish.extras and (r.random() < 0.4 or "thickening" in wish.must):
        late, scenario["held_back"] = _later(r, near)
        case["materials"] += late
    target = None
    if wish.ph and r.random() < 0.6:
        target = near
        tolerance = r.choice([0, 0.1, 0.2, 0.3])
        scenario["ph"] = {
            "low": round(near - tolerance - r.choice([0, 0.3, 1, 1.5]), 2),
            "high": round(near + tolerance + r.choice([0, 0.3, 1, 2]), 2),
            "tolerance": tolerance,
            "grid": r.choice([0.1, 0.25, 0.5, 1]),
        }
    if wish.extras and r.random() < 0.2:
        line = r.choice(shelf)
        if line["material"] != "aqua":
            line["lot_active"] = r.choice([18, 22, 35])
    if wish.extras and r.random() < 0.15:
        scenario["pool"] = {"without": [r.choice(shelf)["material"]]}
        if scenario["pool"]["without"] == ["aqua"]:
            del scenario["pool"]
    doses = _formula(r, case, target)
    if wish.extras:
        _extras(r, case, doses, wish)
    maker = Maker(r, case, doses, target, wish)
    wanted = [*wish.must, *(r.choice(wish.kinds) for _ in range(r.randint(*wish.rules)))]
    for number, kind in enumerate(wanted):
        made = maker.rule(kind, number)
        if made is not None:
            scenario["rule"].append(made)
    if wish.extras and r.random() < 0.2:
        names = [s["inci"] for m in materials if m["id"] != "aqua" for s in m["substances"] if s["inci"] != "Aqua"]
        case["ceilings"] = [maker.ceiling("law", names)]
    if wish.goals:
        _objective(r, case, maker)
    return case


def _formula(r: Random, case: Case, target: float | None) -> dict[str, float]:
    """Return random doses that sum to what is not held back, of materials that the target suits."""
    tolerance = (case["scenario"].get("ph") or {}).get("tolerance", 0.0)
    items = [i for i in oracle.candidates(case) if oracle.covers(oracle.window(i.raw, False), target, tolerance)]
    doses = {}
    for item in items:
        if item.id != "aqua" and r.random() < 0.75:
            most = 15 if item.part(surfactant=True) > 0 else 4
            doses[item.id] = round(r.uniform(0.5, most), 1)
    doses["aqua"] = 100 - oracle.held_back(case) - sum(doses.values())
    return doses


def _extras(r: Random, case: Case, doses: dict[str, float], wish: Wish) -> None:
    """Add what other tables of a brief imply: fixed doses, stock, and exclusions."""
    scenario = case["scenario"]
    used = [n for n in sorted(doses) if n != "aqua"]
    if used and r.random() < 0.2:
        name = r.choice(used)
        scenario["fixed"] = {name: doses[name]}
    if used and r.random() < 0.25:
        scenario["batch_kg"] = 200
        for line in case["shelf"]:
            if line["material"] in used and r.random() < 0.5:
                line["stock_kg"] = round(2 * doses[line["material"]] * r.choice([0.9, 1, 1.5]), 3)
    if wish.pairs and len(used) > 1 and r.random() < 0.15:
        by_id = {m["id"]: m for m in case["materials"]}
        one, other = r.sample(used, 2)
        case["exclusions"] = [
            {
                "id": "pair",
                "one": [by_id[one]["substances"][0]["inci"]],
                "other": [by_id[other]["substances"][0]["inci"]],
                "jurisdiction": r.choice(["EU", "EU", "elsewhere"]),
                "source": "invented",
                "confidence": "common practice",
            }
        ]


def _objective(r: Random, case: Case, maker: Maker) -> None:
    """Sometimes ask for something else than the least cost, with something to divide by."""
    if r.random() < 0.65:
        return
    now = oracle.value_at(case, {"kind": "active"}, maker.doses, maker.target)
    if now < 1:
        return
    rule = {"id": "some-active", "kind": "active", "at_least": floor(now * 5) / 10, "at_most": ceil(now * 12) / 10}
    case["scenario"]["rule"].append(rule)
    sense, names = r.choice(
        [
            ("minimise", ["salt", "load", "active", "anionic", "some-active"]),
            ("maximise", ["mildness", "flash-foam", "foam-density", "natural", "water", "nonionic", "amphoteric"]),
        ]
    )
    case["scenario"]["objective"] = {sense: r.choice(names)}
    if r.random() < 0.5:
        case["scenario"]["objective"]["then"] = ["minimise cost", "maximise mildness"]


@cache
def library_tables() -> tuple[Table, ...]:
    """Return the shipped library's materials as plain data."""
    tables = []
    for entry in read_library([shipped("library")]).materials:
        plain = entry.model_dump(mode="json", exclude_defaults=True)
        for s in plain["substances"]:
            s.setdefault("role", "active")
        tables.append({**plain, "backing": BACKING, "cautions": []})
    return tuple(tables)


def draw_large(r: Random, wish: Wish = Wish()) -> Case:
    """Return a case over 8 to 15 materials of the shipped library, at random prices."""
    tables = [t for t in library_tables() if t["id"] != "aqua"]
    surfactants = [t for t in tables if any(s.get("surfactant") for s in t["substances"])]
    others = [t for t in tables if t not in surfactants and sum(s["share"][1] for s in t["substances"]) > 99]
    chosen = [*r.sample(surfactants, r.randint(5, 9)), *r.sample(others, r.randint(3, 6))]
    water = next(t for t in library_tables() if t["id"] == "aqua")
    return around(r, [deepcopy(t) for t in (water, *chosen)], r.choice([5, 5.5, 6]), wish)


def small(wish: Wish = Wish()) -> st.SearchStrategy[Case]:
    """Return a strategy of small cases."""
    return st.integers(0, 2**40).map(lambda seed: draw(Random(seed), wish))


def large(wish: Wish = Wish()) -> st.SearchStrategy[Case]:
    """Return a strategy of cases over the shipped library."""
    return st.integers(0, 2**40).map(lambda seed: draw_large(Random(seed), wish))


def brief_of(case: Case) -> Brief:
    """Return the tool's brief of a case."""
    library = Library(
        materials=tuple(Material.model_validate(m) for m in case["materials"]),
        ceilings=tuple(Ceiling.model_validate(c) for c in case.get("ceilings", [])),
        exclusions=tuple(Exclusion.model_validate(e) for e in case.get("exclusions", [])),
        property_units={k: PropertyUnit.model_validate(v) for k, v in case.get("property_units", {}).items()},
    )
    lines = tuple(ShelfLine.model_validate({"row": n, **line}) for n, line in enumerate(case["shelf"], 2))
    scenario = scenario_from(deepcopy(case["scenario"]), "drawn")
    return make_brief(scenario, library, Shelf(where="shelf", lines=lines), where="drawn")


def kinds_in(case: Case) -> set[str]:
    """Return the kinds of rules that bear on a case."""
    items = oracle.candidates(case)
    implied = {"ph"} if case["scenario"].get("ph") else set()
    return {r["kind"] for r in oracle.hard_rules(case, items)} | implied


def repriced(case: Case, name: str, price: float) -> Case:
    """Return the case with another price of one material."""
    other = deepcopy(case)
    lines = [line for line in other["shelf"] if line["material"] == name]
    for line in lines:
        line["price_per_kg"] = price
    if not lines:
        other["shelf"].append({"material": name, "price_per_kg": price})
    return other

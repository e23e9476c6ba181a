"""Worked examples that the trade and the law print, recomputed by the tool's own objects.

Every case names where its figures were read; names of pages and shops are withheld. A figure marked
"derived" was computed by hand from the sourced inputs. Where a page prints a wrong figure, the exact one stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pytest

from optimizer.brief.brief import make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.facts import Ceiling, Material
from optimizer.data.formula import Formula, Line
from optimizer.data.library import Library, doubts, read_library
from optimizer.data.pool import Ingredient, with_lot
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.files import shipped
from optimizer.rules.ceiling import UseLevel, in_basis
from optimizer.rules.composition import Active, Natural, Salt
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.result import Result

NOWHERE = Setting()
BACKING = {"default": ("own", "common practice")}
WATER = Material.model_validate(
    {
        "id": "aqua", "name": "Water", "function": "solvent", "phase": "water", "backing": BACKING,
        "substances": [{"inci": "Aqua", "role": "water", "share": (100, 100, 100), "natural": (1, 1)}],
    }
)  # fmt: skip


@pytest.fixture(scope="module")
def library() -> Library:
    return read_library([shipped("library")])


def surfactant(name: str, low: float, typical: float | None = None, high: float | None = None, **more: Any) -> Material:
    """Return a surfactant at a strength, the rest water."""
    middle = low if typical is None else typical
    top = middle if high is None else high
    substances = [{"inci": name.title(), "share": (low, middle, top), "surfactant": True, "charge": "anionic"}]
    if middle < 100:
        substances.append({"inci": "Aqua", "role": "water", "share": (100 - top, 100 - middle, 100 - low)})
    facts = {"id": name, "name": name, "function": "surfactant", "phase": "anionic", "backing": BACKING}
    return Material.model_validate({**facts, "substances": substances, **more})


def formula(*doses: tuple[Material, float]) -> Formula:
    """Return a formula of doses [% as supplied]."""
    return Formula(tuple(Line(Ingredient(material, 0.0), percent) for material, percent in doses))


def active(*doses: tuple[Material, float]) -> float:
    """Return the active matter [%] that the tool's own measure reads from doses."""
    return Active(id="active").value(formula(*doses), NOWHERE)


def blended(
    materials: Sequence[Material], rules: Sequence[Mapping[str, Any]], prices: Mapping[str, float] | None = None
) -> Result:
    """Return the answer to a brief over materials that are free of charge, or priced."""
    tables: dict[str, Any] = {"name": "worked example", "only_own_library": True, "rule": [dict(r) for r in rules]}
    shelf = None
    if prices is None:
        tables["pool"] = {"unpriced": True}
    else:
        lines = [ShelfLine(row=n, material=m, price_per_kg=p) for n, (m, p) in enumerate(prices.items(), 2)]
        shelf = Shelf(where="shelf", lines=tuple(lines))
    return solve(make_brief(scenario_from(tables, "brief"), Library(materials=(WATER, *materials)), shelf))


def quota(name: str, percent: float) -> dict[str, Any]:
    """Return a rule that asks for an exact active dose of a material."""
    return {"id": f"quota-{name}", "kind": "dose", "of": [name], "measured": "as active", "exactly": percent}


def doses(result: Result) -> dict[str, float]:
    """Return the doses of an answer by id."""
    assert result.ending == "optimal"
    assert result.formula is not None
    return {line.item.id: line.percent for line in result.formula.lines}


# --- Active matter -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sum:
    """Doses at strengths and the active matter that they make."""

    doses: tuple[tuple[float, float], ...]
    """Dose [% as supplied] and strength [%]."""
    answer: float
    source: str


SUMS = {
    "trade magazine, how active": Sum(
        ((12, 28),), 3.36, "trade magazine Q&A column, 'How active is your surfactant?', printed 3.36"
    ),
    "blog, calcolo SAL": Sum(((20, 27), (7, 30), (5, 53)), 10.15, "Italian blog, 'Calcolo SAL', 2015, printed 10.15"),
    "blog, sostanza attiva lavante": Sum(
        ((15, 27), (5, 37), (10, 60), (3, 39)),
        13.07,
        "Italian blog, 'La sostanza attiva lavante dei detergenti', 2017, printed 13.07",
    ),
    "blog, SAL di un detergente, alone": Sum(
        ((25, 29),), 7.25, "Italian blog, 'Come si calcola la SAL di un detergente?', 2013, printed 7.25"
    ),
    "blog, SAL di un detergente, blend": Sum(
        ((30, 29), (9, 37), (19.9, 50)),
        21.98,
        "Italian blog, 'Come si calcola la SAL di un detergente?', 2013, aim 22; 21.98 derived",
    ),
    "forum, thickening of shampoo, as entered": Sum(
        ((30, 30), (4, 30), (10, 25)), 12.7, "forum thread 'Stability and thickening of shampoo', 2015, printed 12.7"
    ),
    "forum, thickening of shampoo, powder pure": Sum(
        ((30, 30), (4, 100), (10, 25)), 15.5, "derived from forum thread 'Stability and thickening of shampoo', 2015"
    ),
}


@pytest.mark.parametrize("case", SUMS.values(), ids=list(SUMS))
def test_active_matter_of_doses(case: Sum) -> None:
    parts = [(surfactant(f"part-{n}", strength), dose) for n, (dose, strength) in enumerate(case.doses)]
    assert active(*parts) == pytest.approx(case.answer, abs=1e-9), case.source


@dataclass(frozen=True)
class Quota:
    """Active doses wanted from grades, and the doses as supplied."""

    wanted: tuple[tuple[float, float], ...]
    """Active dose wanted [%] and strength of the grade [%]."""
    answer: tuple[float, ...]
    tolerance: float
    source: str


QUOTAS = {
    "forum, ASM of a shampoo": Quota(
        ((8, 85), (4, 30)),
        (9.4118, 13.3333),
        0.00005,
        "forum thread 'How to calculate ASM when making a shampoo, bodywash etc.', 2024, printed 9.41 and 13.33",
    ),
    "blog, on surfactants and formulation": Quota(
        ((10, 29), (5, 36), (3, 52)),
        (34.4828, 13.8889, 5.7692),
        0.00005,
        "inputs: blog, 'On surfactants and formulation (face wash, shampoo and shower gels)', 2013; doses derived",
    ),
    "chemistry firm, shower gel, weak grade": Quota(
        ((10, 27),), (37.037,), 0.0005, "chemistry firm's shower gel page, printed 37"
    ),
    "chemistry firm, shower gel, strong grade": Quota(
        ((10, 70),), (14.2857,), 0.00005, "chemistry firm's shower gel page, printed 14.28"
    ),
    "blog, what active means, weak grade": Quota(
        ((20, 40),), (50,), 1e-9, "blog, 'What does active mean in our surfactants?', 2011"
    ),
    "blog, what active means, strong grade": Quota(
        ((20, 80),), (25,), 1e-9, "blog, 'What does active mean in our surfactants?', 2011"
    ),
    "cold-process shampoo article": Quota(
        ((15, 55),), (27.2727,), 0.00005, "cold-process shampoo article, printed 27; exact derived"
    ),
}


@pytest.mark.parametrize("case", QUOTAS.values(), ids=list(QUOTAS))
def test_dose_as_supplied_for_an_active_dose(case: Quota) -> None:
    grades = [surfactant(f"grade-{n}", strength) for n, (_, strength) in enumerate(case.wanted)]
    rules = [quota(grade.id, percent) for grade, (percent, _) in zip(grades, case.wanted, strict=True)]
    found = doses(blended(grades, rules))
    for grade, expected in zip(grades, case.answer, strict=True):
        assert found[grade.id] == pytest.approx(expected, abs=case.tolerance), case.source
    assert sum(found.values()) == pytest.approx(100, abs=1e-9)


def test_grams_of_a_batch() -> None:
    """Forum thread 'How to calculate ASM when making a shampoo, bodywash etc.', 2024: 23.53 and 33.33 g at 250 g."""
    solid, amphoteric = surfactant("solid", 85), surfactant("amphoteric", 30)
    found = doses(blended([solid, amphoteric], [quota("solid", 8), quota("amphoteric", 4)]))
    for batch, grams in ((250, (23.5294, 33.3333)), (500, (47.0588, 66.6667))):  # 500 g: derived
        assert [found[name] * batch / 100 for name in ("solid", "amphoteric")] == pytest.approx(grams, abs=0.00005)


def test_room_left() -> None:
    """Inputs: blog, 'On surfactants and formulation', 2013; sum 54.1409 and room 45.8591 derived."""
    grades = [surfactant("sarcosinate", 29), surfactant("betaine", 36), surfactant("glucoside", 52)]
    found = doses(blended(grades, [quota("sarcosinate", 10), quota("betaine", 5), quota("glucoside", 3)]))
    assert sum(v for k, v in found.items() if k != "aqua") == pytest.approx(54.1409, abs=0.00005)
    assert found["aqua"] == pytest.approx(45.8591, abs=0.00005)


def test_highest_dose_under_a_limit() -> None:
    """Blog, 'What does active mean in our surfactants?', 2011: a limit of 20 % active is 50 % of a 40 % grade."""
    for strength, expected in ((40, 50), (80, 25)):
        grade = surfactant("grade", strength)
        rules = [{"id": "active", "kind": "active", "at_most": 20}, {"id": "dose", "kind": "dose", "of": ["grade"]}]
        tables = {"name": "x", "pool": {"unpriced": True}, "objective": {"maximise": "dose"}, "rule": rules}
        result = solve(make_brief(scenario_from(tables, "brief"), Library(materials=(WATER, grade)), None))
        assert result.objective == pytest.approx(expected, abs=1e-9)


def test_an_interval_of_grades() -> None:
    """Range 29-35 %: trade magazine Q&A column, 'How active is your surfactant?'; 3.48-4.20 derived."""
    grade = surfactant("grade", 29, 32, 35)
    ends = [with_lot(grade, end) for end in (grade.substances[0].low, grade.substances[0].high)]
    assert [active((lot, 12)) for lot in ends] == pytest.approx([3.48, 4.20], abs=1e-9)
    assert 3.48 < active((grade, 12)) < 4.20


# --- Traps -------------------------------------------------------------------------------------------------


def test_a_powder_entered_as_a_solution_is_flagged() -> None:
    """Forum thread 'Stability and thickening of shampoo', 2015: a powder was entered at 30 % active."""
    said = "a powder entered at 30 % active matter; is that the strength of a solution?"
    others = doubts(surfactant("powder", 95, powder=True))
    assert [doubt for doubt in doubts(surfactant("powder", 30, powder=True)) if doubt not in others] == [said]
    assert [doubt.partition(";")[0] for doubt in others] == [
        "a surfactant without molar mass",
        "a surfactant without CAS number",
    ]
    assert doubts(surfactant("solution", 30)) == others, "a solution of that strength is none"


def test_equal_grams_are_not_equal_active() -> None:
    """Ingredient supplier's low-cost shampoo sheet offers 30 % of a 30 % grade for 18 % of a 70 % grade; derived."""
    strong, weak, betaine = surfactant("strong", 70), surfactant("weak", 30), surfactant("betaine", 30)
    assert active((strong, 18)) == pytest.approx(12.6, abs=1e-9)
    assert active((weak, 30)) == pytest.approx(9.0, abs=1e-9)
    assert active((strong, 18), (betaine, 7.5)) == pytest.approx(14.85, abs=1e-9)
    assert active((weak, 30), (betaine, 7.5)) == pytest.approx(11.25, abs=1e-9)
    assert doses(blended([weak], [quota("weak", 12.6)]))["weak"] == pytest.approx(42, abs=1e-9)


def test_the_cheaper_grade_is_the_one_cheaper_per_kg_of_active() -> None:
    """Same sheet; prices made up so that the weak grade is cheaper as sold and dearer per kg of active matter."""
    strong, weak = surfactant("strong", 70), surfactant("weak", 30)
    rules = [{"id": "active", "kind": "active", "exactly": 12.6}]
    dear = doses(blended([strong, weak], rules, {"strong": 3.0, "weak": 2.0}))  # 4.29 against 6.67 per kg active
    assert dear["strong"] == pytest.approx(18, abs=1e-9)
    assert "weak" not in dear
    cheap = doses(blended([strong, weak], rules, {"strong": 3.0, "weak": 1.2}))  # 4.29 against 4.00 per kg active
    assert cheap["weak"] == pytest.approx(42, abs=1e-9)
    assert "strong" not in cheap


# --- Acids of preservatives --------------------------------------------------------------------------------


@dataclass(frozen=True)
class AcidSalt:
    """A salt of an acid under a ceiling counted as acid."""

    material: str
    salt: float
    """Molar mass of the salt [g/mol], as the source gives it."""
    acid: float
    """Molar mass of the acid [g/mol], as the source gives it."""
    ceiling: str
    most: float
    """Highest dose of the pure salt [%], as the source gives it."""
    places: float
    """Half a unit of the last printed place."""


# Factors and highest doses as salt: computed from molar masses; ceilings: Regulation (EC) No 1223/2009, Annex V,
# entries 1, 3, 4 and 13. Molar masses: sums of IUPAC standard atomic weights (2021), two decimals.
SALTS = (
    AcidSalt("sodium-benzoate", 144.10, 122.12, "eu-annex-v-1-benzoic", 2.95, 0.005),
    AcidSalt("potassium-sorbate", 150.22, 112.13, "eu-annex-v-4-sorbic", 0.804, 0.0005),
    AcidSalt("sodium-dehydroacetate", 190.13, 168.15, "eu-annex-v-13-dehydroacetic", 0.678, 0.0005),
    AcidSalt("sodium-salicylate", 160.10, 138.12, "eu-annex-v-3-salicylic", 0.58, 0.005),
)


def own_salt(case: AcidSalt, inci: str) -> Material:
    """Return the pure salt with the source's own molar masses."""
    acid = {"name": "acid", "molar_mass": case.acid, "pka": (4, 4, 4)}
    return Material.model_validate(
        {
            "id": case.material, "name": case.material, "function": "preservative", "phase": "preservation",
            "substances": [{"inci": inci, "share": (100, 100, 100), "molar_mass": case.salt, "acid": acid}],
            "backing": BACKING,
        }
    )  # fmt: skip


def named(library: Library, ceiling: str) -> Ceiling:
    """Return a ceiling of the library by its id."""
    return next(c for c in library.ceilings if c.id == ceiling)


def inci_of(case: AcidSalt) -> str:
    return case.material.replace("-", " ").title()


def test_benzoate_and_sorbate_as_acid_with_the_sources_own_constants(library: Library) -> None:
    """0.5 % sodium benzoate is 0.4237 % benzoic acid, 0.5 % potassium sorbate 0.3732 % sorbic acid.

    Derived with 122.12/144.10 and 112.13/150.22 (molar masses from IUPAC standard atomic weights 2021).
    """
    for case, expected in ((SALTS[0], 0.4237), (SALTS[1], 0.3732)):
        counted = UseLevel(id="level", ceiling=named(library, case.ceiling))
        found = counted.value(formula((own_salt(case, inci_of(case)), 0.5)), NOWHERE)
        assert found == pytest.approx(expected, abs=0.00005)


def test_benzoate_and_sorbate_as_acid_with_the_shipped_table(library: Library) -> None:
    """The same two figures from the library's own molar masses, within 0.001; its shares count at their high end."""
    for case, expected in ((SALTS[0], 0.4237), (SALTS[1], 0.3732)):
        counted = UseLevel(id="level", ceiling=named(library, case.ceiling))
        material = library.by_id[case.material]
        assert material.substances[0].high == 100  # purity 98-100 %: common practice, no source
        assert counted.value(formula((material, 0.5)), NOWHERE) == pytest.approx(expected, abs=0.001)


def test_half_a_percent_of_benzoate_is_17_percent_of_the_cap(library: Library) -> None:
    """Computed check value: 0.424 % benzoic acid, 17 % of 2.5 % (Regulation (EC) No 1223/2009, Annex V entry 1)."""
    counted = UseLevel(id="level", ceiling=named(library, "eu-annex-v-1-benzoic"))
    found = counted.value(formula((library.by_id["sodium-benzoate"], 0.5)), NOWHERE)
    assert round(found, 3) == 0.424
    assert round(100 * found / counted.limits[1]) == 17


def test_factors_from_salt_to_acid(library: Library) -> None:
    """Na benzoate 0.8474, K sorbate 0.7464, Na dehydroacetate 0.8844, Na salicylate 0.8627: computed.

    From molar masses by IUPAC standard atomic weights (2021).
    """
    factors = {"Sodium Benzoate": 0.8474, "Potassium Sorbate": 0.7464, "Sodium Dehydroacetate": 0.8844}
    substances = {s.inci: s for m in library.materials for s in m.substances}
    for inci, factor in factors.items():
        assert substances[inci].as_acid == pytest.approx(factor, abs=0.00015)
    salicylate = own_salt(SALTS[3], "Sodium Salicylate")
    assert salicylate.substances[0].as_acid == pytest.approx(0.8627, abs=0.00005)


def highest(library: Library, ceiling: str, materials: Sequence[Material], fixed: Mapping[str, float] = {}) -> Result:
    """Return the answer to a brief that doses as much as a ceiling allows."""
    tables = {
        "name": "as much as the law allows", "pool": {"unpriced": True}, "fixed": dict(fixed),
        "objective": {"maximise": f"level-{ceiling}"},
    }  # fmt: skip
    only = Library(materials=(WATER, *materials), ceilings=library.ceilings)
    return solve(make_brief(scenario_from(tables, "brief"), only, None))


@pytest.mark.parametrize("case", SALTS, ids=[s.material for s in SALTS])
def test_highest_dose_as_salt(library: Library, case: AcidSalt) -> None:
    found = highest(library, case.ceiling, [own_salt(case, inci_of(case))])
    assert doses(found)[case.material] == pytest.approx(case.most, abs=case.places)
    assert found.objective == pytest.approx(named(library, case.ceiling).percent, abs=1e-9)


# Ceilings of Regulation (EC) No 1223/2009, Annex V, maximum in the ready-to-use rinse-off product: the Commission's
# CosIng export of Annex V, last update 17 June 2026. Every other one is held against it in tests/data/test_law.py.
ANNEX_V = {
    "eu-annex-v-1-benzoic": (1, 2.5, "as acid", "rinse-off"),
    "eu-annex-v-3-salicylic": (3, 0.5, "as acid", "any"),
    "eu-annex-v-4-sorbic": (4, 0.6, "as acid", "any"),
    "eu-annex-v-12-paraben-single": (12, 0.4, "as acid", "any"),
    "eu-annex-v-12-paraben-total": (12, 0.8, "as acid", "any"),
    "eu-annex-v-13-dehydroacetic": (13, 0.6, "as acid", "any"),
    "eu-annex-v-29-phenoxyethanol": (29, 1.0, "as substance", "any"),
    "eu-annex-v-33-dmdm-hydantoin": (33, 0.6, "as substance", "any"),
    "eu-annex-v-34-benzyl-alcohol": (34, 1.0, "as substance", "any"),
    "eu-annex-v-39-mci-mi": (39, 0.0015, "as substance", "rinse-off"),
    "eu-annex-v-50-chlorphenesin": (50, 0.3, "as substance", "any"),
    "eu-annex-v-57-mi": (57, 0.0015, "as substance", "rinse-off"),
}
LEAVE_ON = {
    "eu-annex-v-1-benzoic-leave-on": (1, 0.5, "as acid", "leave-on"),
    "eu-annex-v-39-mci-mi-leave-on": (39, 0.0, "as substance", "leave-on"),
}
"""Entry, most, basis and use: the Commission's CosIng export of Annex V, last update 17 June 2026. Entries 3, 4, 12,
13, 29, 33, 34 and 50 name no kind of product but for what no wash is (sprays, oral products); 39, 57 rinse-off only."""


def test_the_law_of_shipped_preservatives_is_an_annex_v_entry(library: Library) -> None:
    laws = {c.id: c for c in library.ceilings if c.kind == "law"}
    for name, (entry, percent, basis, use) in {**ANNEX_V, **LEAVE_ON}.items():
        law = laws[name]
        assert (law.percent, law.basis, law.jurisdiction, law.use) == (percent, basis, "EU", use), name
        assert law.entry == f"Annex V/{entry}", name


@pytest.mark.parametrize("name", ANNEX_V)
def test_the_law_is_a_limit_of_every_material_that_holds_its_substance(library: Library, name: str) -> None:
    law = named(library, name)
    held = [m for m in library.materials if any(s.inci in law.substances for s in m.substances)]
    assert held
    for material in held:
        result = highest(library, name, [material])
        dose = doses(result)[material.id]
        per_unit = in_basis(law, Ingredient(material, 0.0))
        laws = [c for c in library.ceilings if c.id in ANNEX_V]  # entry 34 may stop a blend before entry 13 does
        caps = [100.0] + [c.percent / unit for c in laws if (unit := in_basis(c, Ingredient(material, 0.0))) > 0]
        assert dose == pytest.approx(min(caps), rel=1e-6), material.id
        assert dose * per_unit <= ANNEX_V[name][1] * (1 + 1e-6)


def test_acid_and_salt_add_up_as_acid_over_materials_and_blends(library: Library) -> None:
    """Annex V: acid and salt of one entry count together, as acid. Shares of the blend: 20-26 % sodium benzoate."""
    acid = {"name": "Benzoic Acid", "molar_mass": 122.12, "pka": (4.18, 4.2, 4.21)}
    pure = WATER.model_dump() | {"id": "benzoic-acid", "function": "preservative"}
    pure["substances"] = [{"inci": "Benzoic Acid", "share": (100, 100, 100), "molar_mass": 122.12, "acid": acid}]
    blend = library.by_id["sodium-benzoate-potassium-sorbate"]
    materials = [Material.model_validate(pure), library.by_id["sodium-benzoate"], blend]
    found = highest(library, "eu-annex-v-1-benzoic", materials, {"sodium-benzoate": 1.0, "benzoic-acid": 0.5})
    left = 2.5 - 0.5 - 1.0 * 122.12 / 144.11
    assert found.objective == pytest.approx(2.5, abs=1e-9)
    assert doses(found)[blend.id] == pytest.approx(left / (0.26 * 122.12 / 144.11), rel=1e-6)
    found = highest(library, "eu-annex-v-1-benzoic", materials, {"sodium-benzoate": 0.5, "benzoic-acid": 0.5})
    assert found.objective < 2.5  # the blend's 11-15 % potassium sorbate meets entry 4 first
    assert doses(found)[blend.id] == pytest.approx(0.6 / (0.15 * 112.13 / 150.22), rel=1e-6)


def test_different_entries_do_not_share_a_cap(library: Library) -> None:
    """Regulation (EC) No 1223/2009, Annex V, from memory: entries do not share a cap unless they say so."""
    materials = [library.by_id["sodium-benzoate"], library.by_id["potassium-sorbate"]]
    found = highest(library, "eu-annex-v-1-benzoic", materials, {"potassium-sorbate": 0.8})
    assert doses(found)["sodium-benzoate"] == pytest.approx(2.5 * 144.11 / 122.12, rel=1e-6)


def test_a_tenth_of_a_percent_of_the_mixture_reaches_entry_39(library: Library) -> None:
    """Regulation (EU) No 1003/2014: 0.0015 % of the 3:1 mixture; 0.1 % of a 1.5 % solution (computed).

    The library counts the high end of its solution, 1.6 %, so that the dose stays below that.
    """
    name = "methylchloroisothiazolinone-methylisothiazolinone"
    found = doses(highest(library, "eu-annex-v-39-mci-mi", [library.by_id[name]]))[name]
    assert found == pytest.approx(0.0015 / 0.016, rel=1e-6)
    typical = library.by_id[name].active_matter
    assert typical == pytest.approx(1.5, abs=1e-9)
    assert found * typical / 100 <= 0.0015


def test_entries_39_and_57_exclude_each_other(library: Library) -> None:
    """Regulation (EU) No 1003/2014, notes to entry 39: the mixture and methylisothiazolinone alone exclude each other.

    Limits are loosened a hundredfold here, so that only the exclusion stands in the way.
    """
    mixture, alone = "methylchloroisothiazolinone-methylisothiazolinone", "methylisothiazolinone"
    loose = tuple(c.model_copy(update={"percent": 100 * c.percent}) for c in library.ceilings)
    materials = (WATER, library.by_id[mixture], library.by_id[alone])
    only = Library(materials=materials, ceilings=loose, exclusions=library.exclusions)

    def ending(fixed: dict[str, float]) -> str:
        tables = {"name": "x", "pool": {"unpriced": True}, "fixed": fixed}
        return solve(make_brief(scenario_from(tables, "brief"), only, None)).ending

    assert ending({mixture: 0.05}) == "optimal"
    assert ending({alone: 0.01}) == "optimal"
    assert ending({mixture: 0.05, alone: 0.01}) == "infeasible"
    without = Library(materials=materials, ceilings=loose)
    tables = {"name": "x", "pool": {"unpriced": True}, "fixed": {mixture: 0.05, alone: 0.01}}
    assert solve(make_brief(scenario_from(tables, "brief"), without, None)).ending == "optimal"


def test_the_law_of_another_market_is_no_limit(library: Library) -> None:
    tables = {"name": "x", "market": "US", "pool": {"unpriced": True}, "fixed": {"potassium-sorbate": 0.9}}
    only = Library(materials=(WATER, library.by_id["potassium-sorbate"]), ceilings=library.ceilings)
    assert solve(make_brief(scenario_from(tables, "brief"), only, None)).ending == "optimal"
    tables["market"] = "EU"
    assert solve(make_brief(scenario_from(tables, "brief"), only, None)).ending == "infeasible"


# --- Natural origin ----------------------------------------------------------------------------------------


def indexed(name: str, index: float) -> Material:
    """Return a material of a natural-origin index."""
    facts = {"id": name, "name": name, "function": "humectant", "phase": "water", "backing": BACKING}
    substances = [{"inci": name.title(), "share": (100, 100, 100), "natural": (index, index)}]
    return Material.model_validate({**facts, "substances": substances})


PRINTED = (
    (indexed("natural", 1.0), 50.0),
    (indexed("derived", 0.8), 25.0),
    (WATER, 23.0),
    (indexed("other", 0.0), 2.0),
)


def test_natural_origin_with_water() -> None:
    """ISO 16128 example of a personal-care maker's page, name withheld: printed 93 %."""
    assert Natural(id="natural").value(formula(*PRINTED), NOWHERE) == pytest.approx(93, abs=1e-9)


def test_natural_origin_without_water() -> None:
    """The same example without water: 70/77 = 90.9 %, computed."""
    found = Natural(id="natural", with_water=False).value(formula(*PRINTED), NOWHERE)
    assert found == pytest.approx(100 * 70 / 77, abs=1e-9)
    assert round(found, 1) == 90.9


def test_natural_origin_as_a_limit_of_a_brief() -> None:
    """At 93 % with water the example's synthetic part and the rest of the derived one are just what is allowed."""
    rules = [
        {"id": "natural", "kind": "natural", "at_least": 93},
        {"id": "derived", "kind": "dose", "of": ["derived"], "exactly": 25},
        {"id": "water", "kind": "dose", "of": ["aqua"], "exactly": 23},
        {"id": "other", "kind": "dose", "of": ["other"]},
    ]
    tables = {"name": "x", "pool": {"unpriced": True}, "objective": {"maximise": "other"}, "rule": rules}
    materials = tuple(material for material, _ in PRINTED)
    result = solve(make_brief(scenario_from(tables, "brief"), Library(materials=materials), None))
    assert result.objective == pytest.approx(2, abs=1e-9)


def test_an_unknown_index_counts_at_its_low_end() -> None:
    """Natural origin is stated on the safe side: 60 % of 0 to 1 and 40 % water are 40 %, not 100 (own convention)."""
    unknown = indexed("unknown", 0.5).model_dump(mode="json")
    del unknown["substances"][0]["natural"]
    given = formula((Material.model_validate(unknown), 60), (WATER, 40))
    assert Natural(id="n").value(given, NOWHERE) == pytest.approx(40, abs=1e-9)
    assert Natural(id="n", with_water=False).value(given, NOWHERE) == pytest.approx(0, abs=1e-9)


def test_a_betaine_as_supplied_scores_89_percent(library: Library) -> None:
    """30 % active at 12/19 = 0.63, 5 % salt, 65 % water: 0.30 x 0.63 + 0.05 + 0.65 = 0.89, computed (ISO 16128-2).

    The library's own entry carries 5.1 % salt and 64.9 % water.
    """
    betaine = library.by_id["cocamidopropyl-betaine"]
    own = betaine.model_dump(mode="json")
    for substance, share in zip(own["substances"], (30, 5, 65), strict=True):
        substance["share"] = (share, share, share)
    assert round(Natural(id="n").value(formula((Material.model_validate(own), 100)), NOWHERE) / 100, 2) == 0.89
    assert Natural(id="n").value(formula((betaine, 100)), NOWHERE) / 100 == pytest.approx(0.889, abs=0.0005)


def test_carried_salt_of_a_betaine(library: Library) -> None:
    """One mole of sodium chloride per mole of betaine: 30 % x 58.44/342.52 = 5.12 %; molar masses by IUPAC weights."""
    betaine = library.by_id["cocamidopropyl-betaine"]
    assert Salt(id="salt").value(formula((betaine, 100)), NOWHERE) == pytest.approx(30 * 58.44 / 342.52, abs=0.05)

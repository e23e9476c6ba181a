"""How figures are counted by how well they are backed, and what every answer says of it.

Materials and doses are made up; the goals are those of `optimizer/data/evidence.py`.
"""

from __future__ import annotations

import re
from math import nan
from pathlib import Path
from shlex import split
from typing import Any

import pytest

from optimizer.answers.bench import batch_subject, sheet_of
from optimizer.assessment.alarms import cautions_at
from optimizer.assessment.alkalinity import ingredients_of, known_of
from optimizer.assessment.evidence import NAMED, rests_of_clash, rests_on
from optimizer.brief.brief import Brief, load_brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.chemistry.constants import WEAK, Weak
from optimizer.chemistry.ph import Mixture
from optimizer.chemistry.ph import solve as solve_ph
from optimizer.data.evidence import BELIEVED, LEVELS, READ, counted, evidence_of, figures_of
from optimizer.data.facts import Material
from optimizer.data.formula import Formula, Line
from optimizer.data.library import read_library
from optimizer.data.pool import Ingredient
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.files import shipped
from optimizer.report.weigh import weigh_document, weigh_form, weigh_short
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import formula_at
from optimizer.studies.substitute import stand_ins
from tests.support.command import Run
from tests.support.solved import solved

LIBRARY = read_library([shipped("library")])
FOUND = evidence_of(LIBRARY)


def wash(name: str, **more: Any) -> Material:
    """Return a made-up surfactant of 30 % in water."""
    plain: dict[str, Any] = {
        "id": name, "name": name, "function": "surfactant", "phase": "anionic", "ph_stable": (4, 8),
        "substances": [
            {"inci": "Wash", "share": (29, 30, 31), "surfactant": True, "charge": "anionic", "molar_mass": 300},
            {"inci": "Aqua", "role": "water", "share": (69, 70, 71)},
        ],
        "backing": {"default": ("tds", "from memory"), "active": ("formula", "computed")},
    }  # fmt: skip
    return Material.model_validate({**plain, **more})


# --- Counting ----------------------------------------------------------------------------------------------


def test_each_field_counts_once_with_its_own_backing() -> None:
    found = {name: figure.level for name, figure in figures_of(wash("a")).items()}
    assert found == {"substances": "computed", "molar_mass": "from memory", "ph_stable": "from memory"}


def test_a_fact_of_a_substance_is_backed_where_it_stands() -> None:
    one, water = ({**s} for s in wash("a").model_dump()["substances"])
    one["backing"] = {"molar_mass": ("formula", "computed")}
    assert figures_of(wash("a", substances=[one, water]))["molar_mass"].level == "computed"


def test_the_weakest_substance_counts() -> None:
    one, water = ({**s} for s in wash("a").model_dump()["substances"])
    first = {**one, "share": (14, 15, 16), "backing": {"molar_mass": ("formula", "computed")}}
    second = {**one, "inci": "Other", "share": (14, 15, 16)}
    assert figures_of(wash("a", substances=[first, second, water]))["molar_mass"].level == "from memory"


def test_the_counts_add_up() -> None:
    for part in (FOUND.read, FOUND.unread):
        assert sum(line.figures for line in part.by_figure) == part.all.figures
        for line in (part.all, *part.by_figure):
            assert set(line.levels) == set(LEVELS)
            assert line.read_percent + line.believed_percent <= 100
    assert {*READ, *BELIEVED} < set(LEVELS)


def test_materials_from_memory_are_counted_apart() -> None:
    assert (FOUND.read.materials, FOUND.unread.materials) == (118, 43)
    assert counted(LIBRARY.materials).all.figures == FOUND.read.all.figures + FOUND.unread.all.figures


def test_levels_stand_best_first() -> None:
    assert LEVELS.index("supplier-typical") < LEVELS.index("secondary page") < LEVELS.index("from memory")


@pytest.mark.parametrize("figure", ["cas", "molar_mass", "cmc"])
def test_half_of_what_is_most_asked_is_read_or_computed(figure: str) -> None:
    line = next(line for line in FOUND.read.by_figure if line.figure == figure)
    assert line.read_percent >= FOUND.least_read_percent


def test_memory_does_not_grow() -> None:
    """The goal is 35 %; what was read may not be lost again."""
    assert FOUND.read.all.believed_percent <= FOUND.most_believed_percent == 35


def test_every_cas_number_was_read() -> None:
    """In a register, a law or on a page; what none of them prints is left blank."""
    assert next(line for line in FOUND.read.by_figure if line.figure == "cas").believed_percent == 0


# --- What an answer rests on -------------------------------------------------------------------------------


def brief_of(*rules: dict[str, Any], materials: tuple[Material, ...]) -> Brief:
    everything = tuple(sorted((*materials, LIBRARY.by_id["aqua"]), key=lambda m: m.id))
    library = LIBRARY.model_copy(update={"materials": everything})
    table = {"name": "wash", "pool": {"unpriced": True}, "unpreserved": "made up", "rule": list(rules)}
    return make_brief(scenario_from(table, "made up"), library, None)


ACTIVE = {"id": "active", "kind": "active", "at_least": 9}


def test_an_answer_says_on_what_it_rests() -> None:
    brief = brief_of(ACTIVE, {"id": "cmc", "kind": "mixed-cmc"}, materials=(wash("a"),))
    rests = rests_on(brief, formula_at(brief.pool, {"a": 30.0, "aqua": 70.0}), Setting())
    assert [(f.material, f.figure, f.level) for f in rests.figures] == [
        ("a", "substances", "computed"),
        ("a", "molar_mass", "from memory"),
    ]
    assert rests.words == "1 of 2 figures that decided is from memory: molar mass of a."


def test_what_limits_that_bind_rest_on_comes_first() -> None:
    memory = {"default": ("tds", "from memory")}
    one = wash("a", backing=memory)
    oil = Material.model_validate(
        {
            "id": "z", "name": "z", "function": "oil", "phase": "premix", "backing": memory,
            "substances": [{"inci": "Oil", "share": (100, 100, 100), "natural": (1, 1)}],
        }
    )  # fmt: skip
    natural = {"id": "aa-natural", "kind": "natural", "at_least": 10, "with_water": True}
    brief = brief_of(natural, ACTIVE, materials=(one, oil))
    formula = formula_at(brief.pool, {"a": 30.0, "z": 5.0, "aqua": 65.0})
    assert [f.figure for f in rests_on(brief, formula, Setting()).figures][:1] == ["substances"]
    assert rests_on(brief, formula, Setting()).figures[0].material == "a"  # the active matter binds, at 9 %


def test_an_answer_without_memory_says_so() -> None:
    read = wash("a", backing={"default": ("formula", "computed")})
    brief = brief_of(ACTIVE, materials=(read,))
    rests = rests_on(brief, formula_at(brief.pool, {"a": 30.0, "aqua": 70.0}), Setting())
    assert rests.words == "Rests on 1 figure of its materials; none is from memory."


@pytest.mark.parametrize("name", ["hand-wash", "clear-shampoo", "gentle-wash"])
def test_every_shipped_answer_says_it_in_one_line(name: str) -> None:
    result = solved(name)
    brief = result.brief
    assert result.weighable is not None
    said = [c.text for c in cautions_at(brief, result.weighable, result.setting) if "figures that decided" in c.text]
    rests = rests_on(brief, result.weighable, result.setting)
    assert said == [rests.words]
    assert len(rests.believed) <= NAMED or f"; {len(rests.believed) - NAMED} more." in said[0]
    assert {f.material for f in rests.figures} <= set(result.weighable.doses)


REPORTS = (
    "blend", "why decyl-glucoside", "substitute cocamidopropyl-betaine",
    "frontier --against 'maximise mildness' --set objective.planned=false", "leeway", "robust",
    "range --vary active.at_least=9:10:0.5", "together =40 body-wash=60", "ph --batch 5kg",
    "advice", "label", "cost --size 5kg", "card", "card --share",
)  # fmt: skip
"""Every report about a formula that a brief is enough for; the brief follows the command."""


@pytest.mark.thorough
@pytest.mark.parametrize("words", REPORTS)
def test_reports_carry_the_line(words: str, run: Run) -> None:
    assert_says(run, *_of("hand-wash", words))


def _of(subject: str, words: str) -> list[str]:
    command, *rest = split(words)
    return (
        [command, f"{subject}{rest[0]}", *rest[1:]]
        if rest and rest[0].startswith("=")
        else _order(command, rest, subject)
    )


def _order(command: str, rest: list[str], subject: str) -> list[str]:
    """Return a command with its subject after the material that it asks about, before its options."""
    asked = [] if not rest or rest[0].startswith("-") else rest[:1]
    return [command, *asked, subject, *rest[len(asked) :]]


def assert_says(run: Run, *words: str) -> None:
    said = " ".join(run(*words).out.split())
    assert "figures that decided" in said
    told = run(*words, "--json").json
    assert "figures that decided" in str(told)


@pytest.mark.thorough
def test_papers_of_a_batch_carry_the_line(run: Run, tmp_path: Path) -> None:
    batch = str(tmp_path / "batch.toml")
    assert run("batch", "hand-wash", "--size", "5kg", "--out", batch).code == 0
    for command in ("weigh", "card", "ph", "made", "cost", "label"):
        assert_says(run, command, batch)


def test_every_form_of_the_weigh_sheet_carries_it(run: Run, tmp_path: Path) -> None:
    """The one of one page has room for the numbers alone."""
    batch = tmp_path / "batch.toml"
    assert run("batch", "hand-wash", "--size", "5kg", "--out", batch).code == 0
    sheet = sheet_of(batch_subject(batch))
    line = next(c for c in sheet.alarms if c.rests)
    for form, said in ((weigh_document, line.text), (weigh_form, line.text), (weigh_short, line.rests)):
        assert str(form(sheet)).count(said) == 1
    assert line.text.startswith(line.rests.removesuffix("."))


def test_a_clash_says_on_what_it_rests(run: Run) -> None:
    """Two windows shut each other out; that either is only believed is told where no formula is."""
    ran = run("blend", "impossible-wash")
    assert ran.code != 0
    said = " ".join(ran.out.split())
    assert "1 of 2 figures that decided is from memory: stable pH of Sodium Cocoyl Glycinate." in said
    told = [c["text"] for c in run("blend", "impossible-wash", "--json").json["cautions"]]
    assert sum("figures that decided" in text for text in told) == 1


def test_a_clash_rests_on_what_its_rules_read_of_all_candidates() -> None:
    """5 % of what lasts from pH 8 on, in a wash of at most pH 7; the others are not asked about."""
    late = wash("late", ph_stable=(8, 9), backing={"default": ("formula", "published")})
    dose = {"id": "dose", "kind": "dose", "of": {"materials": ["late"]}, "at_least": 5}
    table = {"name": "wash", "pool": {"unpriced": True}, "unpreserved": "made up", "ph": {"low": 5, "high": 7}}
    everything = tuple(sorted((late, wash("a"), LIBRARY.by_id["aqua"]), key=lambda m: m.id))
    library = LIBRARY.model_copy(update={"materials": everything})
    brief = make_brief(scenario_from({**table, "rule": [dose, ACTIVE]}, "made up"), library, None)
    figures = rests_of_clash(brief, ["dose", "ph"]).figures
    assert [(f.material, f.figure, f.level) for f in figures] == [("late", "ph_stable", "published")]
    wide = rests_of_clash(brief, ["active", "ph"])
    assert {(f.material, f.figure) for f in wide.figures} == {
        (name, figure) for name in ("a", "late") for figure in ("substances", "ph_stable")
    } | {("aqua", "ph_stable")}
    assert "bind first" not in wide.words


def test_only_a_clear_product_rests_on_the_clear_window() -> None:
    late = wash("late", ph_clear=(6, 8))
    library = LIBRARY.model_copy(update={"materials": (LIBRARY.by_id["aqua"], late)})
    table = {"name": "wash", "pool": {"unpriced": True}, "unpreserved": "made up", "ph": {"low": 5, "high": 7}}
    for rules, figure in (([ACTIVE], "ph_stable"), ([ACTIVE, {"id": "clear", "kind": "clear"}], "ph_clear")):
        brief = make_brief(scenario_from({**table, "rule": rules}, "made up"), library, None)
        read = {f.figure for f in rests_of_clash(brief, ["ph"]).figures if f.material == "late"}
        assert read == {figure}


def test_the_sheet_of_trial_beakers_carries_it(run: Run) -> None:
    said = " ".join(run("trials", "sheet", str(shipped("scenarios") / "trials" / "gentle-wash.toml")).out.split())
    assert said.count("figures that decided") == 1


def test_a_comparison_says_it_of_each_column(run: Run) -> None:
    said = " ".join(run("compare", "hand-wash", "body-wash").out.split())
    assert said.count("figures that decided") == 2


# --- What was entered from memory as a whole ---------------------------------------------------------------


def test_an_unread_material_is_no_candidate_by_itself() -> None:
    unread = wash("b", unread=True)
    brief = brief_of(ACTIVE, materials=(wash("a"), unread))
    assert "b" not in brief.pool.index
    table = {"name": "wash", "pool": {"unpriced": True, "also": ["b"]}, "unpreserved": "made up", "rule": [ACTIVE]}
    assert "b" in make_brief(scenario_from(table, "made up"), brief.library, None).pool.index


def test_a_priced_unread_material_is_a_candidate_and_is_named() -> None:
    materials = (wash("a"), wash("b", unread=True))
    library = LIBRARY.model_copy(update={"materials": (LIBRARY.by_id["aqua"], *materials)})
    lines = tuple(ShelfLine(row=n, material=m, price_per_kg=p) for n, (m, p) in enumerate({"a": 3, "b": 1}.items()))
    table = {"name": "wash", "unpreserved": "made up", "rule": [ACTIVE]}
    brief = make_brief(scenario_from(table, "made up"), library, Shelf(where="shelf", lines=lines))
    result = solve(brief)
    assert result.formula is not None
    assert result.formula.dose("b") == pytest.approx(30)  # 9 % active of 30 %, the cheaper one
    cautions = cautions_at(brief, result.formula, result.setting)
    told = next(c for c in cautions if c.text.startswith("Entered from memory as a whole"))
    assert told.materials == ("b",)


def test_an_unread_material_stands_in_for_nothing() -> None:
    brief = load_brief(shipped("scenarios") / "hand-wash.toml")
    offered = stand_ins(brief, "cocamidopropyl-betaine")
    assert offered
    assert not [name for name in offered if LIBRARY.by_id[name].unread]


def test_the_evidence_command(run: Run) -> None:
    found = run("library", "evidence", "--json")
    assert found.code == 0
    assert found.json["read"]["all"]["figures"] == FOUND.read.all.figures
    assert found.json["unread"]["materials"] == 43
    assert found.json["law"] == found.json["law_placed"] > 130
    text = run("library", "evidence").out
    assert "Goals" in text
    assert "counted apart" in text
    assert "35 %: reached" in text
    assert "not reached" not in text


# --- Faults that were read ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inci", "cas"),
    [
        # European Commission, CosIng inventory of ingredients
        ("Decyl Glucoside", "54549-25-6"),  # 68515-73-1 is that of the C8-10 glucoside
        ("Caprylyl/Capryl Glucoside", "68515-73-1"),
        ("Glyceryl Oleate", "25496-72-4"),
        ("Coco-Glucoside", "110615-47-9"),
    ],
)
def test_cas_numbers_of_the_register(inci: str, cas: str) -> None:
    assert {s.cas for m in LIBRARY.materials for s in m.substances if s.inci == inci} == {cas}


def test_lactic_acid_is_no_strong_acid() -> None:
    """0.85 x 100 / 90.08 = 0.94 mol/kg at 10 % of an 85 % solution: pH = (3.857 - log10 0.94) / 2 = 1.94."""
    low, high = LIBRARY.by_id["lactic-acid"].ph_supplied or (0, 0)
    assert low <= 1.94 <= high
    assert high - low <= 0.5


def ph_by_formula(material: Material) -> float:
    """Return the pH of a material in water, at the strength of its supplied pH, by its formula and published pKa."""
    found = re.match(r"([\d.]+) %", material.ph_supplied_at)
    strength = float(found[1]) if found else 100.0
    lines = (Line(Ingredient(material, nan), strength), Line(Ingredient(LIBRARY.by_id["aqua"], nan), 100 - strength))
    weak: list[tuple[Weak, float]] = []
    strong = 0.0
    for known in known_of(ingredients_of(Formula(lines))):
        share = strength / 100  # [mmol/g as supplied] x share is [mol/kg]
        weak += [(WEAK[name], amount.typical * share) for name, amount in known.sites.items()]
        strong += known.alkali.typical * share
    bare = sum(moles * (family.top - len(family.pka)) for family, moles in weak)
    return solve_ph(Mixture(strong - bare, tuple(weak))).ph


def test_a_computed_ph_is_computed() -> None:
    """As the model of the pH gives it; strong alkali ends at the 14 of a pH window."""
    stated = [(m, figures_of(m).get("ph_supplied")) for m in LIBRARY.materials]
    named = {m.id: m for m, figure in stated if figure and figure.level == "computed"}
    named.pop("aqua")  # pH 7 without the carbon dioxide that it takes up
    assert len(named) >= 5
    for material in named.values():
        low, high = material.ph_supplied or (0, 0)
        assert low <= min(ph_by_formula(material), 14) <= high, material.id


def test_glycerin_lasts_in_soap() -> None:
    """USP 28: green soap is boiled from oil and potassium hydroxide with added glycerin, and keeps it."""
    lasts, soap = (LIBRARY.by_id[name].ph_stable or (0, 0) for name in ("glycerin", "potassium-cocoate"))
    assert lasts[1] >= soap[1]


def test_by_products_of_the_disodium_glutamate_are_named() -> None:
    """The label of the material, as a formulator's page prints it."""
    names = {s.inci: s.role for s in LIBRARY.by_id["disodium-cocoyl-glutamate"].substances}
    assert names["Sodium Glutamate"] == names["Sodium Cocoate"] == "impurity"


@pytest.mark.parametrize(
    ("name", "field", "low"),
    [
        ("sodium-laureth-5-carboxylate", "ph_stable", 4.5),  # a dealer's page: not at pH 4 or below
        ("guar-hydroxypropyltrimonium-chloride", "ph_supplied", 4),
    ],
)
def test_windows_that_were_read(name: str, field: str, low: float) -> None:
    assert getattr(LIBRARY.by_id[name], field)[0] == low


def test_strengths_that_were_read() -> None:
    """28 % in News of Pharmacy 1(81) (2015) 45; 48 % on a formulator's page; up to 33 and 30 % on others."""
    shares = {name: LIBRARY.by_id[name].substances[0] for name in (
        "disodium-laureth-sulfosuccinate", "decyl-glucoside", "coco-betaine", "disodium-cocoyl-glutamate",
    )}  # fmt: skip
    assert shares["disodium-laureth-sulfosuccinate"].low == 28
    assert shares["decyl-glucoside"].low == 48
    assert shares["coco-betaine"].high == 33
    assert shares["disodium-cocoyl-glutamate"].high == 30


@pytest.mark.parametrize(
    ("name", "words"),
    [
        # what pages of dealers, formulators and traders say beside or against a figure
        ("sodium-laureth-5-carboxylate", "Not at pH 4 or below"),
        ("disodium-cocoyl-glutamate", "sodium glutamate and sodium cocoate"),
        ("sodium-lauroyl-sarcosinate", "about 6 % of sodium chloride"),
        ("sodium-lauroyl-sarcosinate", "Up to 2 % soap"),
        ("sodium-cocoamphoacetate", "calls 38 % active matter means solids"),
        ("disodium-cocoamphodiacetate", "active matter and salt together"),
        ("disodium-laureth-sulfosuccinate", "28 % in a published shampoo"),
        ("decyl-glucoside", "neutralised grade of pH 7-9.5"),
        ("sodium-methyl-cocoyl-taurate", "A route with little salt exists"),
    ],
)
def test_what_pages_say_beside_a_figure_is_noted(name: str, words: str) -> None:
    assert words in LIBRARY.by_id[name].notes


def test_disodium_edta_is_sold_as_the_dihydrate() -> None:
    """USP 28: loses 8.7 to 11.4 % on drying; 336.21 of 372.24 g/mol is 90.3 %."""
    salt = LIBRARY.by_id["disodium-edta"].substances[0]
    assert salt.low >= 100 - 11.4 - 1
    assert salt.high <= 100 - 8.7 + 0.3
    assert salt.typical == pytest.approx(100 * 336.21 / 372.24, abs=0.5)


def test_solids_are_not_taken_as_active_matter() -> None:
    """38 % on pages: 30 % active and 7.9 % salt of two moles of chloroacetate; 28 to 32 % as its relative."""
    active, salt = LIBRARY.by_id["disodium-cocoamphodiacetate"].substances[:2]
    assert active.high <= 32
    assert active.typical + salt.typical == pytest.approx(38, abs=0.2)


def test_the_charge_of_the_cellulose_polymer_is_that_of_its_nitrogen() -> None:
    """A dealer's specification: 1.5 to 2.2 % nitrogen, one charge per nitrogen of 14.007 g/mol."""
    low, high = LIBRARY.charge_densities["Polyquaternium-10"].mmol_per_g
    assert (low, high) == pytest.approx((15 / 14.007, 22 / 14.007), abs=0.05)

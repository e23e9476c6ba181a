"""The cost of a product with the acid and thickener that the bench is to add. Prices and doses are made up."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.answers.questions import read_brief
from optimizer.assessment.planned import as_planned, planned_cost, short_for_plan
from optimizer.brief.brief import make_brief
from optimizer.brief.scenario import Objective
from optimizer.data.formula import Formula
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.report.substitute import substitute_document
from optimizer.rules import Cost
from optimizer.solve.best import solve
from optimizer.studies.substitute import substitute
from optimizer.units import number
from tests.support.command import Run
from tests.support.solved import solved


@pytest.fixture(scope="module")
def answer():
    """The hand wash where salt is no way, so that a thickener is planned."""
    return solved("hand-wash", ("thickening.salt_route", "false"))


def by_hand(answer, doses):
    """Sum the blend, the doses and the rest of the part kept free as water, from the prices of the shelf."""
    prices = {i.id: i.price for i in (*answer.brief.pool.items, *answer.brief.pool.later)}
    rest = answer.weighable.held_back - sum(doses.values())
    total = answer.weighable.cost + rest / 100 * prices["aqua"]
    return total + sum(percent / 100 * prices[name] for name, percent in doses.items())


def test_the_usual_doses_are_planned_and_the_rest_is_water(answer):
    # 0.2 % acid, at most 0.5: common practice, no source. 0.3 to 2 % of the thickener: usual use of the library.
    planned = planned_cost(answer.brief, answer.weighable, answer.setting)
    low, typical, high = (
        {"citric-acid": a, "sorbitan-sesquicaprylate": t} for a, t in ((0, 0.3), (0.2, 1.15), (0.5, 2))
    )
    assert planned.per_kg.typical == pytest.approx(by_hand(answer, typical), abs=1e-12)
    assert planned.per_kg.high == pytest.approx(by_hand(answer, high), abs=1e-12)
    assert planned.per_kg.low <= by_hand(answer, low) + 1e-12
    assert planned.formula.total(lambda i: 1.0) + planned.formula.held_back == pytest.approx(100, abs=1e-9)
    assert planned.formula.cost > 1.2 * planned.blend  # what the headline left out


def test_doses_of_the_brief_go_before_the_usual_ones():
    brief = read_brief("hand-wash", **{"thickening.salt_route": "false"})
    kept = brief.scenario.held_back.model_copy(
        update={"planned": {"citric-acid": 0.15, "sorbitan-sesquicaprylate": 1.0}}
    )
    brief = make_brief(brief.scenario.model_copy(update={"held_back": kept}), brief.library, brief.shelf)
    answer = solve(brief, weighable=True)
    planned = planned_cost(brief, answer.weighable, answer.setting)
    assert {d.item.id: d.percent.typical for d in planned.doses} == kept.planned
    assert planned.per_kg.low == planned.per_kg.high == pytest.approx(by_hand(answer, kept.planned), abs=1e-12)


def test_what_is_planned_and_not_on_the_shelf_for_the_batch_is_told(answer):
    """0.2 % acid of 50 kg is 0.1 kg, of which 20 g are there; without the size of a batch nothing is short."""
    low = [x.model_copy(update={"stock_kg": 0.02 if "itric" in x.material else None}) for x in answer.brief.shelf.lines]
    shelf = answer.brief.shelf.model_copy(update={"lines": tuple(low)})
    scenario = answer.brief.scenario.model_copy(update={"batch_kg": 50.0})
    short = replace(answer.brief, scenario=scenario, shelf=shelf)
    told = list(short_for_plan(short, answer.weighable, answer.setting))
    assert told == ["0.1 kg Citric Acid is planned for 50 kg; 0.02 kg is on the shelf."]
    assert list(short_for_plan(answer.brief, answer.weighable, answer.setting)) == []


def test_nothing_is_planned_where_nothing_is_kept_free(answer):
    plain = Formula(answer.weighable.lines)
    assert planned_cost(answer.brief, plain, answer.setting) is None
    assert as_planned(answer.brief, plain, answer.setting) == (plain, ())


def test_no_more_is_planned_than_there_is_room_for(answer):
    tight = replace(answer.weighable, held_back=0.5)
    planned = planned_cost(answer.brief, tight, answer.setting)
    assert sum(d.percent.typical for d in planned.doses) <= 0.5 + 1e-12
    assert planned.formula.held_back >= -1e-12


def test_blend_and_cost_tell_the_same(answer, run: Run):
    planned = planned_cost(answer.brief, answer.weighable, answer.setting)
    away = ("--set", "thickening.salt_route=false")
    told = " ".join(run("blend", "hand-wash", *away).out.split())
    assert f"about {number(planned.per_kg.typical, 3)} EUR per kg" in told
    assert "the blend alone" in told
    cost = run("cost", "hand-wash", *away).out
    assert f"{planned.per_kg.typical:.2f} EUR per kg that is sold" in cost
    assert "1.15 % Sorbitan Sesquicaprylate planned" in cost


def test_least_is_the_planned_cost_and_where_the_brief_wants_otherwise_it_is_said(run: Run):
    """The cheaper blend is the dearer product: what thickens it was left out of sight before."""
    told = {}
    for planned in ("true", "false"):
        asked = ("blend", "hand-wash", "--set", f"objective.planned={planned}")
        told[planned] = json.loads(run(*asked, "--json").out)
        words = " ".join(run(*asked).out.split())
        assert ("least is the planned cost" in words) == (planned == "true")
        assert ("the least, not the planned cost ('planned = false')" in words) == (planned == "false")
    seen, unseen = told["true"], told["false"]
    assert (seen["objective_is"], unseen["objective_is"]) == ("planned cost", "material cost")
    assert seen["objective_value"] < unseen["planned_cost"]["per_kg"]["typical"] - 0.1
    assert seen["cost_per_kg"] > unseen["cost_per_kg"] == pytest.approx(unseen["objective_value"], rel=1e-12)
    assert seen["planned_cost"]["blend"] == pytest.approx(seen["cost_per_kg"], abs=1e-3)
    assert "sodium-chloride" in {d["material"] for d in seen["planned_cost"]["doses"]}


def test_only_cost_as_the_objective_counts_what_is_planned():
    for goal in ("cost", "mildness", "my-cost"):
        brief = read_brief("hand-wash", **{"objective.minimise": "cost"})
        rule = Cost(id="my-cost", at_most=9.0)
        scenario = brief.scenario.model_copy(
            update={"objective": Objective(minimise=goal), "rule": (*brief.scenario.rule, rule)}
        )
        asked = make_brief(scenario, brief.library, brief.shelf)
        assert asked.measure("cost").counts_plan == (goal != "mildness")
        assert not next(r for r in asked.modelled if r.id == "my-cost").counts_plan, "a limit is one of the blend"


def test_a_dose_of_what_the_brief_keeps_nothing_free_for_is_named(tmp_path, run: Run):
    brief = tmp_path / "own.toml"
    brief.write_text("name = 'own'\n[held_back]\npercent = 3\nacids = ['citric-acid']\nplanned = { glycerin = 1 }\n")
    told = run("blend", str(brief))
    assert told.code == 3
    assert "held_back.planned" in told.err


@pytest.mark.parametrize(
    ("ways", "why"), [(0, "no rule asks for a way to thicken"), (2, "2 rules ask for a way to thicken")]
)
def test_without_one_rule_on_thickening_it_is_said_that_the_blend_alone_is_the_least(
    ways: int, why: str, tmp_path: Path, run: Run
):
    """Doses and prices are those of the demo shelf, made up."""
    folder = shipped("scenarios")
    common = (folder / "common.toml").read_text(encoding="utf-8")
    rule = '[[rule]]\nid = "thickening"\nkind = "thickening"\n'
    assert rule in common
    second = rule.replace('id = "thickening"', 'id = "again"')
    (tmp_path / "common.toml").write_text(common.replace(rule, rule + second if ways else ""), encoding="utf-8")
    for name in ("hand-wash.toml", "shelf.csv"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    words = " ".join(run("blend", str(tmp_path / "hand-wash.toml")).out.split())
    assert f"it is the least, not the planned cost ({why})" in words
    chosen = words.partition("chosen")[2].partition("Formula")[0]
    assert chosen.count("thickens with a thickener added to effect") == bool(ways)


def test_no_way_to_thicken_is_told_as_chosen_where_none_was(run: Run):
    words = " ".join(run("blend", "hand-wash", "--objective", "maximise flash-foam").out.split())
    assert "chosen leaves salt and a thickener open" in words
    assert " rating points active " in words


@pytest.mark.thorough
def test_what_safety_costs_is_the_planned_cost_where_that_is_the_least(run: Run):
    asked = ("robust", "hand-wash")
    told, words = json.loads(run(*asked, "--json").out), " ".join(run(*asked).out.split())
    best = json.loads(run("blend", "hand-wash", "--json").out)["planned_cost"]["per_kg"]["typical"]
    assert f"{best:.4f} EUR per kg of product, at the planned lots, as planned for the bench; " in words
    assert f"as planned for the bench; {told['best_cost']:.4f} the blend alone" in words


PRICES = {
    "aqua": 0.02, "sodium-laureth-sulfate-2eo-70": 3, "cocamidopropyl-betaine": 3, "citric-acid": 4,
    "sodium-chloride": 1, "sorbitan-sesquicaprylate": 20, "peg-18-glyceryl-oleate-cocoate": 10,
}  # fmt: skip
BRIEF = """
name = "two thickeners"
shelf = "shelf.csv"
ph = {{ low = 5, high = 6 }}
pool.materials = ["aqua", "sodium-laureth-sulfate-2eo-70", "cocamidopropyl-betaine"]
held_back = {{ percent = 3, acids = ["citric-acid"], thickeners = [{thickeners}], planned = {{ {planned} }} }}
rule = [
  {{ id = "active", kind = "active", exactly = 10 }},
  {{ id = "mild", kind = "share", of = {{ charges = ["amphoteric"] }}, at_least = 20 }},
  {rules},
]
"""
NO_SALT = '{ id = "thick", kind = "thickening", salt_route = false }'
EITHER = '{ id = "either", kind = "thickening" }'
LATE = ("sorbitan-sesquicaprylate", "peg-18-glyceryl-oleate-cocoate")


def planned_of(folder, thickeners=LATE, *, planned="", rules=(NO_SALT,), prices=PRICES):
    """Return what is planned for the best formula of a small brief."""
    folder.mkdir(exist_ok=True)
    named = ", ".join(f'"{name}"' for name in thickeners)
    text = BRIEF.format(thickeners=named, planned=planned, rules=", ".join(rules))
    (folder / "brief.toml").write_text(text, encoding="utf-8")
    lines = ["material,price per kg", *(f"{name},{price}" for name, price in prices.items())]
    (folder / "shelf.csv").write_text("\n".join(lines), encoding="utf-8")
    found = solve(read_brief(folder / "brief.toml"))
    return planned_cost(found.brief, found.formula, found.setting)


def test_the_cheapest_thickener_is_planned_whichever_is_named_first(tmp_path):
    """Taking a thickener away made the product cheaper: the first named was planned, not the cheapest."""
    both = [planned_of(tmp_path / str(n), LATE[::way]) for n, way in enumerate((1, -1))]
    alone = [planned_of(tmp_path / f"alone {n}", [name]) for n, name in enumerate(LATE)]
    assert [p.doses[-1].material for p in both] == ["peg-18-glyceryl-oleate-cocoate"] * 2
    assert both[0].per_kg.typical == both[1].per_kg.typical == min(p.per_kg.typical for p in alone)


def test_a_thickener_without_a_price_is_never_the_cheapest(tmp_path):
    unpriced = {name: price for name, price in PRICES.items() if name != LATE[1]}
    both = planned_of(tmp_path / "both", prices=unpriced)
    assert both.doses[-1].material == LATE[0]
    assert both.unpriced == ()
    alone = planned_of(tmp_path / "alone", LATE[1:], prices=unpriced)
    # the dearest that may thicken is then salt, at 1 per kg
    assert (alone.guessed, alone.free, alone.assumed) == (("PEG-18 Glyceryl Oleate/Cocoate",), (), 1)


def test_a_way_must_be_open_under_every_rule(tmp_path):
    alone, both = (planned_of(tmp_path / str(n), rules=r) for n, r in enumerate([(NO_SALT,), (EITHER, NO_SALT)]))
    assert [d.material for d in both.doses] == [d.material for d in alone.doses]
    assert "sodium-chloride" in [d.material for d in planned_of(tmp_path / "salt", rules=(EITHER,)).doses]


@pytest.mark.parametrize(
    ("planned", "rules", "told"),
    [
        ("citric-acid = 0.6, sorbitan-sesquicaprylate = 2.5", (NO_SALT,), "3.1 %, and 3 % is kept free"),
        ("sodium-chloride = 1.9", (EITHER,), "'either' keeps 0.5 % for the salt"),
    ],
)
def test_planned_doses_that_have_no_room_are_refused(tmp_path, planned, rules, told):
    with pytest.raises(DataError, match=told):
        planned_of(tmp_path, (*LATE, "sodium-chloride"), planned=planned, rules=rules)


def test_a_planned_dose_can_be_asked_as_a_what_if():
    brief = read_brief("hand-wash", **{"held_back.planned.citric-acid": 0.4})
    found = solve(brief)
    doses = {d.material: d.percent.typical for d in planned_cost(brief, found.formula, found.setting).doses}
    assert doses["citric-acid"] == 0.4


OTHERS = """["sodium-laureth-sulfate-2eo-28", "sodium-laureth-sulfate-3eo-28", "sodium-coco-sulfate",
"sodium-lauryl-sulfate", "sodium-c14-16-olefin-sulfonate", "disodium-laureth-sulfosuccinate"]"""
"""Anionics of the shipped shelf that salt thickens, all but one."""


def test_what_a_substitution_costs_is_told_as_the_brief_counts_it():
    """One sulfate and no other way to salt: without it a thickener is planned, which costs more."""
    brief = read_brief("hand-wash", **{"pool.without": OTHERS, "flash-foam.at_least": "50"})
    done = substitute(brief, brief, "sodium-laureth-sulfate-2eo-70", first_only=True)
    before, after = (planned_cost(brief, f.formula, f.setting).per_kg.typical for f in (done.base, done.answer))
    assert done.cost_change == pytest.approx(after - before)
    alone = done.answer.formula.cost - done.base.formula.cost
    assert abs(done.cost_change - alone) > 0.01, "salt gives way to a thickener"
    document = substitute_document(done)
    assert document.verdict.endswith(f"{done.cost_change:+.3f} EUR per kg as planned.")
    assert f"{before:.3f} EUR per kg of product as planned" in dict(document.facts)["starts from"]
    (first,) = done.standins
    added = planned_cost(brief, first.formula, first.ph.setting).per_kg.typical - first.formula.cost
    prices = {line.item.id: line.item.price for line in first.formula.lines} | {first.id: first.even}
    alone = sum(percent * prices[name] for name, percent in first.formula.doses.items()) / 100
    assert alone + added == pytest.approx(before)

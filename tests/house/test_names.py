"""A measure, rating, property or rule may be joined by hyphens or underscores, wherever it is named. Made-up case."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from optimizer.brief.brief import load_brief
from optimizer.brief.scenario import read_scenario
from optimizer.cli.every import app
from optimizer.errors import UsageError, hyphened, spelled
from optimizer.files import shipped
from optimizer.rules import MEASURES
from optimizer.studies.frontier import frontier
from optimizer.studies.variants import Variant
from optimizer.sweep.grid import axis, read_table
from optimizer.sweep.source import Source, unknown_keys
from tests.support.briefs import aqua, brief_of, material, substance

RUN = CliRunner()
BODY = shipped("scenarios") / "body-wash.toml"


def test_frontier_tells_an_unknown_measure_with_the_nearest_one() -> None:
    brief = load_brief(BODY)
    with pytest.raises(UsageError, match=r"measure or rule 'foam-densty'\. Did you mean 'foam-density'\?"):
        frontier(brief, (1, "cost"), (-1, "foam-densty"))
    answer = RUN.invoke(app, ["frontier", "body-wash", "--against", "maximise foam_densty"])
    assert isinstance(answer.exception, UsageError)
    assert answer.exception.exit_code == 2


def test_frontier_takes_a_measure_joined_either_way() -> None:
    plain, other = (
        RUN.invoke(app, ["frontier", "body-wash", "--best", "minimise cost", "--against", f"maximise {name}", "--json"])
        for name in ("foam-density", "foam_density")
    )
    assert plain.exit_code == other.exit_code == 0
    assert plain.output == other.output


@pytest.mark.parametrize("goal", ["foam-density", "foam_density"])
def test_blend_takes_an_objective_joined_either_way(goal: str) -> None:
    brief = load_brief(BODY, changes=[("objective.minimise", ""), ("objective.maximise", goal)])
    assert brief.scenario.objective.goals[0] == (-1, "foam-density")
    assert brief.measure(goal).id == "foam-density"


@pytest.mark.parametrize("key", ["foam-density.at_least", "foam_density.at_least"])
def test_a_what_if_finds_its_rule_joined_either_way(key: str) -> None:
    rules = {r.id: r for r in load_brief(BODY, changes=[(key, "33")]).rules}
    assert rules["foam-density"].limits[0] == 33
    assert {r.id for r in load_brief(BODY).rules} == rules.keys()


def test_a_what_if_states_a_kind_joined_either_way() -> None:
    stated, _ = read_scenario(BODY, [("if_used.of", "parfum,aqua")])
    assert "if-used" in {r.kind for r in stated.rule}


def test_a_file_names_rules_ratings_and_goals_joined_either_way(tmp_path: Path) -> None:
    base = tmp_path / "base.toml"
    base.write_text(
        'name = "base"\nproduct = "wash"\n'
        '[[rule]]\nid = "thick_foam"\nkind = "rating"\nrating = "foam-density"\nat_least = 30\n'
        '[[rule]]\nkind = "if_used"\nof = ["parfum"]\nat_least = 0.1\n'
        '[[rule]]\nkind = "rating"\nrating = "flash-foam"\n',
        encoding="utf-8",
    )
    child = tmp_path / "child.toml"
    child.write_text(
        'name = "child"\nextends = "base.toml"\nwithout_rules = ["flash_foam"]\n'
        '[objective]\nmaximise = "thick_foam"\nthen = ["minimise flash_foam"]\n'
        '[[rule]]\nid = "thick-foam"\nat_least = 40\n',
        encoding="utf-8",
    )
    scenario, _ = read_scenario(child)
    assert {r.id: r.limits[0] for r in scenario.rule} == {"thick-foam": 40, "if-used-parfum": 0.1}
    assert scenario.objective.goals == ((-1, "thick-foam"), (1, "flash-foam"))


@pytest.mark.parametrize("stated", ["skin_feel", "skin-feel"])
@pytest.mark.parametrize("declared", ["skin_feel", "skin-feel"])
def test_a_rule_names_a_property_joined_either_way(stated: str, declared: str) -> None:
    thing = material("aa", [substance("AA", 100)], properties={declared: 50})
    rule = {"id": "feel", "kind": "property", "property": stated, "at_least": 5}
    case = {
        "materials": [aqua(), thing],
        "shelf": [{"material": "aa", "price_per_kg": 1.0}],
        "scenario": {"name": "x", "rule": [rule]},
    }
    brief = brief_of(case)
    assert {r.id: r for r in brief.modelled}["feel"].amount(brief.pool.items[0]) == pytest.approx(0.5)


def test_a_range_varies_a_rule_joined_either_way(tmp_path: Path) -> None:
    assert axis("foam_density.at_least=1,2")[0] == axis("foam_density.at_least=1:2:1")[0] == "foam-density.at_least"
    assert axis("held_back.percent=1,2")[0] == "held_back.percent"
    table = tmp_path / "table.csv"
    table.write_text("foam_density.at_least,price.aqua\n1,2\n", encoding="utf-8")
    assert read_table(table).keys == ("foam-density.at_least", "price.aqua")
    assert not unknown_keys(Source("body-wash", BODY).load(), [axis("foam_density.at_least=1,2")[0]], "body-wash")


def test_a_variant_waives_a_rule_joined_either_way() -> None:
    assert Variant(name="v", swap={"a": "b"}, without_rules=("foam_density",)).without_rules == ("foam-density",)


@given(st.sampled_from(MEASURES), st.data())
def test_every_measure_is_found_however_it_is_joined(name: str, data: st.DataObject) -> None:
    mixed = "".join(data.draw(st.sampled_from("-_")) if c == "-" else c for c in name)
    assert spelled(mixed, MEASURES) == hyphened(mixed) == name


def test_a_name_that_is_known_as_it_stands_stays() -> None:
    assert spelled("a_b", ["a-b", "a_b"]) == "a_b"
    assert spelled("c_d", ["a-b"]) == "c_d"


@pytest.mark.parametrize(
    ("own", "goals"),
    [
        ('maximise = "mildness"', ((-1, "mildness"),)),
        ('minimise = "salt"', ((1, "salt"),)),
        ('then = ["minimise water"]', ((1, "cost"), (1, "water"))),
    ],
)
def test_a_goal_of_a_variant_replaces_the_whole_goal_that_it_varies(
    tmp_path: Path, own: str, goals: tuple[tuple[int, str], ...]
) -> None:
    base = 'name = "base"\n[objective]\nminimise = "cost"\nthen = ["maximise active"]\n'
    (tmp_path / "base.toml").write_text(base, encoding="utf-8")
    (tmp_path / "child.toml").write_text(f'name = "c"\nextends = "base.toml"\n[objective]\n{own}\n', encoding="utf-8")
    assert read_scenario(tmp_path / "child.toml")[0].objective.goals == goals

"""What a range says before anything else is what a blend of each of its scenarios would say."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from optimizer.assessment.alarms import alarms_of
from optimizer.brief.brief import load_brief
from optimizer.solve.best import solve
from tests.support.hostile import ask
from tests.support.washes import unpriced_wash

BARE = unpriced_wash(
    ["sodium-benzoate", "phenoxyethanol"],
    ph=(4, 8),
    rule='id = "benzoate"\nkind = "dose"\nof = ["sodium-benzoate"]\nat_least = 0',
)


@pytest.fixture
def brief(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("wash.toml").write_text(BARE, encoding="utf-8")
    return Path("wash.toml")


def told(*arguments: str) -> dict[str, object]:
    found: dict[str, object] = json.loads(ask("range", "wash.toml", *arguments, "--json").out)
    return found


VARIED = {
    "benzoate.at_least": ("0", "0.1", "0.4"),
    "ph.low": ("4.6", "7.4"),  # above the window of benzoate nothing protects
    "unpreserved": ("", "Sealed single doses."),
}


@pytest.mark.thorough
def test_each_scenario_says_what_its_blend_says(brief: Path) -> None:
    table = "benzoate.at_least,ph.low,unpreserved\n"
    rows = [(b, p, u) for b in VARIED["benzoate.at_least"] for p in VARIED["ph.low"] for u in VARIED["unpreserved"]]
    Path("t.csv").write_text(table + "".join(f"{b},{p},{u}\n" for b, p, u in rows), encoding="utf-8")
    found = told("--table", "t.csv", "--set", "ph.high=7.8")
    answers = found["answers"]
    assert isinstance(answers, list)
    kinds = set()
    for (benzoate, ph, reason), answer in zip(rows, answers, strict=True):
        changes = [("ph.high", "7.8"), ("benzoate.at_least", benzoate), ("ph.low", ph)]
        one = load_brief(brief, changes=[*changes, *([("unpreserved", reason)] if reason else [])])
        result = solve(one)
        if result.formula is None:
            kept = None
        else:
            said = alarms_of(one, result.formula, result.setting)
            kept = not any("NOT PRESERVED" in c.text for c in said)
        assert answer["preserved"] is kept, (benzoate, ph, reason)
        kinds.add(kept)
    assert kinds == {True, False, None}
    count, solved = (sum(a["preserved"] in which for a in answers) for which in ((False,), (True, False)))
    cautions = [c["text"] for c in found["cautions"]]  # type: ignore[attr-defined]
    assert cautions[0].startswith(f"NOT PRESERVED in {count} of {solved} scenarios")
    assert any("Sealed single doses." in c for c in cautions)


def test_it_stands_before_anything_else_on_the_screen_and_in_the_table(brief: Path) -> None:
    said = ask("range", "wash.toml", "--vary", "benzoate.at_least=0,0.5", "--set", "ph.high=4.6", "--out", "o.csv").out
    assert "! NOT PRESERVED in 1 of 2 scenarios with a formula, such as: " in said
    assert said.index("NOT PRESERVED") < said.index("By benzoate.at_least")
    with Path("o.csv").open(encoding="utf-8", newline="") as stream:
        assert [row["preserved"] for row in csv.DictReader(stream)] == ["no", "yes"]


def test_a_market_without_ceilings_is_said_once(brief: Path) -> None:
    found = told("--vary", "market=EU,US", "--vary", "active.at_least=8,9")
    cautions = [c["text"] for c in found["cautions"]]  # type: ignore[attr-defined]
    assert sum("NO LEGAL CEILING IS ON FILE" in c and "'US'" in c for c in cautions) == 1


def test_what_is_preserved_everywhere_says_nothing(brief: Path) -> None:
    found = told("--vary", "benzoate.at_least=0.4,0.5", "--set", "ph.high=4.6")
    cautions = [c["text"] for c in found["cautions"]]  # type: ignore[attr-defined]
    assert len(cautions) == 1, "on what the answers rest, and nothing before it"
    assert cautions[0].startswith("Rests on ")
    assert [a["preserved"] for a in found["answers"]] == [True, True]  # type: ignore[attr-defined]

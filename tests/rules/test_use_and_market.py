"""Leave-on products and other markets: ceilings that know no use hold for any; what is not on file is said first.

Ceilings: the Commission's CosIng export of Annex V of Regulation (EC) No 1223/2009, last update 17 June 2026. Doses and
prices are made up.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from optimizer.assessment.alarms import alarms_of, cautions_at
from optimizer.brief.brief import Brief, make_brief
from optimizer.brief.scenario import scenario_from
from optimizer.data.library import read_library
from optimizer.data.shelf import Shelf, ShelfLine
from optimizer.errors import DataError
from optimizer.files import shipped
from optimizer.rules import UseLevel
from optimizer.rules.row import Setting
from optimizer.solve.best import solve
from optimizer.solve.existing import formula_at
from optimizer.studies.check import check
from optimizer.studies.variants import Variant, VariantFile, varied
from tests.support.command import Run
from tests.support.solved import solved

AT_5 = Setting(5.0, 4.8, 5.2)
LIBRARY = read_library([shipped("library")])
MIXTURE = "methylchloroisothiazolinone-methylisothiazolinone"
PRICES = {
    "aqua": 0.0,
    "sodium-laureth-sulfate-2eo-28": 1.6,
    "phenoxyethanol": 9.0,
    "sodium-benzoate": 6.0,
    MIXTURE: 9.0,
}


def brief_of(**more: Any) -> Brief:
    table = {"name": "wash", "ph": {"low": 4.6, "high": 5.6}, "rule": [], **more}
    lines = [
        ShelfLine.model_validate({"row": n, "material": k, "price_per_kg": p})
        for n, (k, p) in enumerate(PRICES.items())
    ]
    return make_brief(scenario_from(table, "made up"), LIBRARY, Shelf(where="shelf", lines=tuple(lines)))


def doses_of(**more: float) -> dict[str, float]:
    doses = {"sodium-laureth-sulfate-2eo-28": 30.0, **{k.replace("_", "-"): p for k, p in more.items()}}
    return {**doses, "aqua": 100 - sum(doses.values())}


@pytest.mark.parametrize(
    ("use", "doses", "broken"),
    [
        ("leave-on", {"phenoxyethanol": 6.0}, {"level-eu-annex-v-29-phenoxyethanol"}),
        ("leave-on", {"phenoxyethanol": 1.0}, set()),
        ("leave-on", {"sodium_benzoate": 5.0}, {"level-eu-annex-v-1-benzoic-leave-on"}),
        ("leave-on", {"sodium_benzoate": 0.58}, set()),  # 0.58 x 122.12 / 144.11 = 0.4915 % as acid
        ("leave-on", {"sodium_benzoate": 0.6}, {"level-eu-annex-v-1-benzoic-leave-on"}),  # 0.508 %
        ("leave-on", {MIXTURE: 0.01}, {"level-eu-annex-v-39-mci-mi-leave-on"}),  # none is allowed
        ("rinse-off", {"sodium_benzoate": 2.0}, set()),
        ("rinse-off", {"phenoxyethanol": 6.0}, {"level-eu-annex-v-29-phenoxyethanol"}),
    ],
)
def test_ceilings_by_use(use: str, doses: dict[str, float], broken: set[str]) -> None:
    found = check(brief_of(use=use), doses_of(**doses), 0.0)
    assert {b for b in found.broken if b.startswith("level-")} == broken


@pytest.mark.parametrize("use", ["rinse-off", "leave-on"])
def test_no_blend_passes_a_ceiling_of_its_use(use: str) -> None:
    """The most phenoxyethanol that a brief can have: 1 %, at the high end of its share."""
    brief = brief_of(
        use=use, objective={"maximise": "much"}, rule=[{"id": "much", "kind": "dose", "of": ["phenoxyethanol"]}]
    )
    found = solve(brief)
    assert found.formula is not None
    assert found.formula.dose("phenoxyethanol") == pytest.approx(1.0, rel=1e-6)


def test_the_law_of_another_market_is_shown_and_the_missing_one_said_first() -> None:
    brief, doses = brief_of(market="US"), doses_of(phenoxyethanol=6.0)
    assert not any(isinstance(r, UseLevel) for r in brief.modelled)
    told = [c.text for c in cautions_at(brief, formula_at(brief.pool, doses), AT_5)]
    assert told[0].startswith("NO LEGAL CEILING IS ON FILE for rinse-off products in the market 'US'")
    assert told[1].startswith(
        "ABOVE A LEGAL CEILING: Phenoxyethanol 6 %, at most 1 % (EU Annex V/29, (EC) 1223/2009, as read "
        "2026-06-17; look up that of 'US')"
    )


def test_what_is_not_on_file_is_said_without_a_formula_too() -> None:
    assert "NO LEGAL CEILING" in cautions_at(brief_of(market="US"), None, Setting())[0].text


def test_a_leave_on_product_is_told_that_the_library_is_one_of_washes() -> None:
    brief = brief_of(use="leave-on")
    words = " ".join(c.text for c in alarms_of(brief, formula_at(brief.pool, doses_of(phenoxyethanol=0.9)), AT_5))
    assert "Leave-on stays on the skin" in words
    assert "NO LEGAL CEILING" not in words


def test_the_home_market_hears_nothing_of_it() -> None:
    brief = brief_of()
    assert alarms_of(brief, formula_at(brief.pool, doses_of(phenoxyethanol=0.9)), AT_5) == ()


@pytest.mark.parametrize("rule", ["level-eu-annex-v-29-phenoxyethanol", "total", "preserved"])
def test_no_variant_is_free_of_law_arithmetic_or_protection(rule: str) -> None:
    scenario = shipped("scenarios") / "gentle-wash.toml"
    base = solved("gentle-wash").weighable
    assert base is not None
    variant = Variant(name="bold", dose={"glycerin": 3.0}, without_rules=(rule,))
    with pytest.raises(DataError, match="no variant is free of it"):
        varied("gentle wash", base, scenario, VariantFile(variant=(variant,)))


PLAIN = """
name = "Plain wash"
shelf = "shelf.csv"
market = "US"
[ph]
low = 4.8
high = 6.8
[[rule]]
kind = "active"
at_least = 5
"""
SIX = "material,percent\naqua,70\nsodium-laureth-sulfate-2eo-28,24\nphenoxyethanol,6\n"


@pytest.mark.parametrize(
    "words",
    [
        ["blend", "plain.toml"],
        ["check", "six.csv", "plain.toml"],
        ["compare", "six.csv", "plain.toml", "--against", "plain.toml"],
        ["why", "phenoxyethanol", "plain.toml"],
        ["frontier", "plain.toml", "--best", "minimise cost", "--against", "maximise mildness"],
        ["ph", "six.csv", "--for", "plain.toml"],
        ["label", "six.csv", "--for", "plain.toml"],
    ],
    ids=lambda words: words[0],
)
def test_every_answer_says_it_first(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plain.toml").write_text(PLAIN, encoding="utf-8")
    (tmp_path / "six.csv").write_text(SIX, encoding="utf-8")
    (tmp_path / "shelf.csv").write_text("material,price per kg\n" + "".join(f"{k},{p}\n" for k, p in PRICES.items()))
    text = run(*words).out
    assert "NO LEGAL CEILING IS ON FILE" in text
    assert text.index("Before anything else") < len(text) / 2
    assert "keeps every rule." not in text.split("\n\n")[0]

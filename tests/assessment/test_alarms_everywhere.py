"""A wash without preservative is the first thing said of it, by every question that tells a formula, also in JSON."""

from __future__ import annotations

from pathlib import Path
from shlex import split

import pytest

from optimizer.answers.questions import read_brief
from optimizer.assessment.alarms import alarms_of
from optimizer.brief.brief import widened
from optimizer.rules.row import Setting
from optimizer.solve.existing import formula_at, held_against
from tests.support.draws import some
from tests.support.hostile import ask
from tests.support.washes import unpriced_wash

BARE = unpriced_wash(
    ["cocamidopropyl-betaine"],
    ph=(5, 6),
    rule='id = "mild"\nkind = "rating"\nrating = "mildness"\nat_least = 50',
    currency="EUR",
)
VARIANTS = 'base = "bare.toml"\n[[variant]]\nname = "more"\ndose = { glycerin = 3 }\n'
ASKED = (
    "blend bare.toml",
    "check bare.csv bare.toml",
    "compare bare.csv hand-wash",
    "frontier bare.toml --against 'maximise mildness'",
    "leeway bare.toml",
    "robust bare.toml",
    "range bare.toml",
    "substitute cocamidopropyl-betaine bare.toml",
    "card bare.csv --for hand-wash",
    "card bare.csv --for hand-wash --share --no-instead",
    "label bare.csv --for hand-wash --bottle 250 --density 1.02",
    "cost bare.csv --for hand-wash --size 5kg",
    "advice bare.csv --for hand-wash",
    "ph bare.csv --for hand-wash",
    "variants variants.toml",
)


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bare.toml").write_text(BARE, encoding="utf-8")
    Path("variants.toml").write_text(VARIANTS, encoding="utf-8")
    rows = "aqua,75\nsodium-laureth-sulfate-2eo-28,20\ncocamidopropyl-betaine,5\n"
    Path("bare.csv").write_text(f"material,percent\n{rows}", encoding="utf-8")


@pytest.mark.parametrize("asked", ASKED)
def test_it_is_said_first_and_in_json(asked: str) -> None:
    told, record = ask(*split(asked)), ask(*split(asked), "--json")
    assert "NOT PRESERVED" in told.out, told.err
    tables = [line for line in told.out.splitlines() if line.rstrip().endswith("····")]
    before = told.out[: told.out.index("NOT PRESERVED")]
    assert sum(t in before for t in tables) <= 1, "another section stands before it"
    assert "NOT PRESERVED" in record.out, record.err


@pytest.mark.parametrize(
    "asked", some(["label neg.csv --for hand-wash", "card neg.csv --for hand-wash", "check neg.csv hand-wash"], 2)
)
def test_lye_that_nothing_meets_is_said_first(asked: str) -> None:
    # 1.8 % of a 20 % solution is 0.09 mol OH- per kg; made up
    rows = "aqua,q.s.\nsodium-laureth-sulfate-2eo-28,30\ncocamidopropyl-betaine,5\nsodium-hydroxide-20,{}\n"
    for lye, said in (("1.8", True), ("0.0001", False)):
        Path("neg.csv").write_text("material,percent\n" + rows.format(lye), encoding="utf-8")
        told = ask(*split(asked))
        assert ("FAR FROM ITS pH: by estimate about 12.8" in " ".join(told.out.split())) == said, told.err


def test_a_ph_that_was_read_outweighs_the_estimate() -> None:
    wide, given = held_against(Path("bare.csv"), read_brief("hand-wash"))
    lye = formula_at(widened(wide, ["sodium-hydroxide-20"]).pool, {**given.doses, "sodium-hydroxide-20": 1.8})
    far = [alarms_of(wide, lye, s) for s in (Setting(), Setting(5.5, 5.3, 5.7), Setting(5.5, 5.5, 5.5))]
    assert [any("FAR FROM ITS pH" in c.text for c in told) for told in far] == [True, True, False]

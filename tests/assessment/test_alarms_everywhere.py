"""A wash without preservative is the first thing said of it, by every question that tells a formula, also in JSON."""

from __future__ import annotations

from pathlib import Path
from shlex import split

import pytest

from optimizer.assessment.alarms import alarms_of
from tests.support.benches import situation
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


def test_lye_without_acid_is_said_before_anything_else() -> None:
    """1.8 % of a 20 % lye is 0.09 mol per kg of alkali: about pH 12.9 without anything that takes it up."""
    doses = {"sodium-laureth-sulfate-2eo-28": 30.0, "glycerin": 2.0}
    neat, lye = situation(doses), situation({**doses, "sodium-hydroxide-20": 1.8})
    told = [c for c in alarms_of(lye.brief, lye.formula, lye.setting) if c.text.startswith("STRONGLY ALKALINE")]
    assert [(c.loud, len(c.materials)) for c in told] == [(True, 1)]
    assert "not near the 5.5" in told[0].text
    assert not any("ALKALINE" in c.text for c in alarms_of(neat.brief, neat.formula, neat.setting))

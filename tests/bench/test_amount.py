"""Amounts that people type: read as meant, or refused with a reason."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.bench.amount import Amount, amount_of, mass_of, option, sound_density
from optimizer.bench.batch import read_batch
from optimizer.errors import DataError, UsageError
from tests.support.command import Run


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("5kg", 5000, "g"),
        ("5 kg", 5000, "g"),
        (" 2,5  kg ", 2500, "g"),
        ("500 g", 500, "g"),
        ("500G", 500, "g"),
        ("0.5 KG", 500, "g"),
        (".5 kg", 500, "g"),
        ("250 mg", 0.25, "g"),
        ("1 lb", 453.59237, "g"),  # international yard and pound agreement, 1959: exact
        ("1.250,5 g", 1250.5, "g"),
        ("1,250.5 g", 1250.5, "g"),
        ("1e3 g", 1000, "g"),
        ("3 L", 3000, "ml"),
        ("3l", 3000, "ml"),
        ("250 ml", 250, "ml"),
        ("25 cl", 250, "ml"),
        ("40 cm3", 40, "ml"),
        ("20 bottles", 20, "bottles"),
        ("1 bottle", 1, "bottles"),
        ("12 pcs", 12, "bottles"),
    ],
)
def test_what_people_type(text: str, value: float, unit: str) -> None:
    amount = amount_of(text)
    assert (amount.value, amount.unit) == (pytest.approx(value, rel=1e-12), unit)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("5", "the unit is missing"),
        ("", "not an amount"),
        ("kg", "not an amount"),
        ("2 tsp", "a tsp is no measure"),
        ("3 drops", "a drop is no measure"),
        ("1 cup", "a cup is no measure"),
        ("8 oz", "may be a mass or a volume"),
        ("8 fl oz", "may be a mass or a volume"),
        ("1,234 kg", "two ways"),
        ("5 kgs of it", "no unit"),
        ("0 g", "not above zero"),
        ("-5 kg", "not above zero"),
        ("2.5 bottles", "part of a bottle"),
        ("1e400 g", "larger than any figure that is read"),
        ("=5+5 kg", "not an amount"),
    ],
)
def test_what_is_refused_and_why(text: str, reason: str) -> None:
    with pytest.raises(DataError, match=reason):
        amount_of(text)


def test_an_option_is_told_by_its_name() -> None:
    with pytest.raises(UsageError, match=r"--size '5': the unit is missing"):
        option("5", "--size")
    assert option("5 kg", "--size").value == 5000


def test_a_bare_figure_counts_in_the_unit_that_the_option_names() -> None:
    for text in ("250", "250ml", "250 mL", "0,25 l", "25 cl"):
        assert option(text, "--bottle", "ml") == Amount(250, "ml", option(text, "--bottle", "ml").text)
    assert option("2,5", "--bottle", "ml").value == 2.5
    with pytest.raises(UsageError, match=r"--bottle '1,234': .*two ways"):
        option("1,234", "--bottle", "ml")


@pytest.mark.parametrize("typed", ["250", "250ml", "250 mL", "0,25 l"])
def test_the_content_of_a_bottle_is_read_as_meant_when_a_batch_is_laid(tmp_path: Path, run: Run, typed: str) -> None:
    out = tmp_path / "b.toml"
    done = run("batch", "hand-wash", "--bottles", "20", "--bottle", typed, "--density", "1.02", "--out", out)
    assert done.code == 0, done.err
    assert read_batch(out).bottle_ml == 250


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("250 g", "is no amount in ml"),
        ("0", "not in the range x>=0.1"),
        ("2 cups", "no measure"),
        ("x", "is not a number"),
    ],
)
def test_what_is_no_content_of_a_bottle_is_refused(tmp_path: Path, run: Run, typed: str, said: str) -> None:
    done = run(
        "batch", "hand-wash", "--bottles", "20", "--bottle", typed, "--density", "1.02", "--out", tmp_path / "b.toml"
    )
    assert done.code == 2
    assert said in " ".join(done.err.replace("│", " ").split())


@given(st.floats(0.001, 1e6), st.floats(0.7, 1.4))
def test_mass_and_volume_come_back(value: float, density: float) -> None:
    grams = Amount(value, "ml").grams(density)
    assert Amount(grams, "g").millilitres(density) == pytest.approx(value)


def test_100_ml_of_almond_oil_weigh_92_g() -> None:
    # Percentages article of an ingredient blog (worked example, 100 mL almond oil; its density 0.92 g/ml): 92 g.
    assert mass_of(100, 0.92, "almond oil") == pytest.approx(92)


def test_volume_is_no_mass_without_a_density() -> None:
    with pytest.raises(DataError, match="no density is stated; 1 ml is not 1 g"):
        amount_of("3 L").grams()
    with pytest.raises(DataError, match="no density is stated"):
        amount_of("3 kg").millilitres()
    with pytest.raises(DataError, match="what one holds"):
        amount_of("20 bottles").grams(1.02)
    with pytest.raises(DataError, match="not 1020 kg per m3"):
        sound_density(1020, "--density")
    assert amount_of("20 bottles").grams(bottle_g=255) == 5100


@pytest.mark.parametrize(("size", "said"), [("1e308", "no figure is so large"), ("true", "a number is expected")])
def test_a_size_that_is_none_is_told_with_its_key_and_no_trace(size: str, said: str, tmp_path: Path, run: Run) -> None:
    """A slip of a key or of the unit, in a batch file and in a brief; figures are made up."""
    batch = tmp_path / "b.toml"
    assert run("batch", "hand-wash", "--size", "2kg", "--out", str(batch)).code == 0
    text = batch.read_text(encoding="utf-8")
    assert "size_g = 2000" in text
    batch.write_text(text.replace("size_g = 2000", f"size_g = {size}"), encoding="utf-8")
    told = run("weigh", str(batch))
    assert told.code == 3
    assert "size_g: " in told.err
    assert said in told.err
    brief = run("blend", "hand-wash", "--set", f"held_back.percent={size}")
    assert (brief.code, said in brief.err) == (3, True)

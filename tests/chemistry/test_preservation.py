"""Undissociated acid against published shares, published efficacy and hand arithmetic."""

from __future__ import annotations

import pytest

from optimizer.chemistry.constants import WEAK
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.ph import damping
from optimizer.chemistry.preservation import WARNING, as_acid, undissociated, undissociated_share, worst
from optimizer.errors import DataError
from tests.support.closed_forms import highest_ph

PRINTED = {
    "dehydroacetic": (5.27, {3: 100, 4: 95, 5: 65, 6: 16, 7: 2}),
    "sorbic": (4.76, {3: 98, 4: 85, 5: 37, 6: 5.5}),
    "benzoic": (4.18, {3: 94, 4: 61, 5: 13, 6: 1.5, 7: 0}),
    "salicylic": (2.97, {3: 48, 4: 9, 5: 1, 6: 0, 7: 0}),
    "formic": (3.75, {3: 85, 4: 36, 5: 5, 6: 1, 7: 0}),
    "propionic": (4.87, {3: 99, 4: 88, 5: 43, 6: 7, 7: 1}),
}
"""pKa and per cent by pH: J. Cosmet. Sci. 56(5) (2005) 361, The chemistry of preservatives; sorbic at 7 unreadable."""

CASES = [(name, pka, ph, share) for name, (pka, row) in PRINTED.items() for ph, share in row.items()]


@pytest.mark.parametrize(("name", "pka", "ph", "share"), CASES)
def test_published_shares(name: str, pka: float, ph: float, share: float) -> None:
    assert len(CASES) == 29
    assert 100 * undissociated_share(ph, pka) == pytest.approx(share, abs=1)


@pytest.mark.parametrize(("ph", "share"), [(4.0, 61.31), (4.2, 50), (5.0, 13.68), (5.5, 4.77), (6.0, 1.56)])
def test_benzoic_acid(ph: float, share: float) -> None:
    assert 100 * undissociated_share(ph, 4.2) == pytest.approx(share, abs=0.005)


@pytest.mark.parametrize(
    ("pka", "low", "high"), [(4.18, 32.4, 4.6), (4.76, 64.5, 15.4), (5.27, 85.5, 37.1), (2.97, 2.9, 0.3)]
)
def test_further_points(pka: float, low: float, high: float) -> None:
    assert 100 * undissociated_share(4.5, pka) == pytest.approx(low, abs=0.1)
    assert 100 * undissociated_share(5.5, pka) == pytest.approx(high, abs=0.1)


@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("benzoic acid", {5: (13.8, 10.5), 5.5: (4.8, 3.6), 6: (1.6, 1.2)}),
        ("sorbic acid", {5: (36.5, 29.6), 5.5: (15.4, 11.7), 6: (5.4, 4.0)}),
        ("salicylic acid", {5: (0.95, 0.7)}),
    ],
)
def test_ionic_strength_lowers_the_share(name: str, row: dict[float, tuple[float, float]]) -> None:
    # At I = 0 and I = 0.2, computed in the reference work.
    for ph, expected in row.items():
        found = [100 * undissociated_share(ph, WEAK[name].pka[0], ionic) for ionic in (0.0, 0.2)]
        assert found == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(
    ("dose", "ph", "printed", "computed"), [(0.055, 4.2, 0.027, 0.0275), (0.190, 5.2, 0.019, 0.0173)]
)
def test_published_efficacy(dose: float, ph: float, printed: float, computed: float) -> None:
    # J. Soc. Cosmet. Chem. 18(4) (1967) 211, half-effective benzoic acid against a mould, pKa 4.2.
    found = worst(dose, (ph, ph), 4.2)
    assert found == pytest.approx(computed, abs=0.0001)
    assert found == pytest.approx(printed, abs=0.002)


def test_salts_as_acid() -> None:
    assert as_acid(0.5, 144.10, 122.12) == pytest.approx(0.4237, abs=5e-5)
    assert as_acid(0.5, 150.22, 112.13) == pytest.approx(0.3732, abs=5e-5)
    assert as_acid(0.804, 150.22, 112.13) == pytest.approx(0.6, abs=5e-4)
    assert as_acid(2.95, 144.10, 122.12) == pytest.approx(2.5, abs=5e-4)
    assert as_acid(1.0, 200, 100, 2) == pytest.approx(1.0)


def test_window_gives_its_worse_end() -> None:
    # 0.4237 % benzoic acid at 5.0 +- 0.3, pKa 4.18 to 4.21: least at 5.3 and 4.18, most at 4.7 and 4.21.
    found = undissociated(0.4237, (4.7, 5.3), Interval(4.18, 4.2, 4.21))
    assert found.low == pytest.approx(0.4237 / (1 + 10**1.12))
    assert found.typical == pytest.approx(0.4237 / (1 + 10**0.8))
    assert found.high == pytest.approx(0.4237 / (1 + 10**0.49))
    assert worst(0.4237, (4.7, 5.3), 4.18) == pytest.approx(found.low)


def test_a_range_of_ionic_strength_widens_the_range() -> None:
    # -log10 gamma = 0.509 sqrt(I) / (1 + 1.5 sqrt(I)): 0.1247 at 0.15 and 0.1087 at 0.1 mol/kg, by hand.
    found = undissociated(0.4237, (5.0, 5.0), Interval(4.2, 4.2, 4.2), Interval(0.1, 0.12, 0.15))
    assert found.low == pytest.approx(0.4237 / (1 + 10**0.9247), rel=1e-3)
    assert found.high == pytest.approx(0.4237 / (1 + 10**0.9092), rel=1e-3)


def test_spread_of_the_pka_matters_more_than_salt_for_dehydroacetic_acid() -> None:
    # 35 % at pKa 5.24 and 52 % at 5.53, pH 5.5 (reference work).
    found = undissociated(100, (5.5, 5.5), Interval(4.95, 5.24, 5.53))
    assert (found.typical, found.high) == pytest.approx((35, 52), abs=0.6)


def test_highest_ph_is_where_the_amount_is_just_there() -> None:
    for ionic in (0.0, 0.2):
        ph = highest_ph(0.4237, 0.05, 4.2, ionic)
        assert ph is not None
        assert worst(0.4237, (4.0, ph), 4.2, ionic) == pytest.approx(0.05)
    assert highest_ph(0.4237, 0.05, 4.2, 0.2) == pytest.approx(4.2 + 0.87353 - damping(0.2), abs=1e-3)
    assert highest_ph(0.05, 0.05, 4.2) is None


def test_warning_says_at_most_and_challenge_test() -> None:
    assert "at most so much undissociated acid, before surfactant micelles and oils take theirs" in WARNING
    assert "floor" not in WARNING
    assert "Only a challenge test" in WARNING


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: undissociated_share(15, 4.2), "15 is not a pH"),
        (lambda: undissociated(0.5, (5.5, 5.0), Interval(4, 4.2, 4.3)), "5.5 to 5 is inside-out"),
        (lambda: undissociated(-0.5, (5.0, 5.5), Interval(4, 4.2, 4.3)), "-0.5 % is not a dose"),
        (lambda: as_acid(-1, 144, 122), "-1 % is not a dose"),
        (lambda: as_acid(1, 0, 122), "a molar mass must be above 0"),
        (lambda: highest_ph(0.5, 0, 4.2), "0 % asks for nothing"),
        (lambda: Interval(4.3, 4.2, 4.4), "are not in the order low, typical, high"),
    ],
)
def test_bad_input_is_told(call: object, message: str) -> None:
    with pytest.raises(DataError, match=message):
        call()  # type: ignore[operator]

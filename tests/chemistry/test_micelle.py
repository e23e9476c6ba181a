"""Mixed micelles against published mixtures, closed forms, an independent minimiser and difference quotients."""

from __future__ import annotations

import random
from math import exp, floor, log, log10

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from optimizer.chemistry.constants import BETAS, CMCS
from optimizer.chemistry.interval import Interval
from optimizer.chemistry.micelle import (
    at_dilution,
    clint,
    free_monomer,
    homologue,
    matrix,
    micelles,
    millimoles,
)
from optimizer.chemistry.preservation import undissociated_share
from optimizer.errors import DataError
from tests.support.closed_forms import clint_row, lowest_cmc
from tests.support.regular_solution import interaction, rubingh

ETHER_SULFATE = [
    (4.30, 0.1, 2.857, 3.00, 0.384, -0.22),
    (4.30, 0.3, 1.845, 1.86, 0.694, -0.03),
    (4.30, 0.5, 1.322, 1.35, 0.830, -0.16),
    (12.90, 0.1, 4.461, 5.15, 0.611, -0.60),
    (12.90, 0.2, 2.864, 3.21, 0.746, -0.64),
    (12.90, 0.3, 2.165, 2.33, 0.826, -0.57),
    (61.10, 0.1, 6.511, 7.14, 0.832, -0.78),
    (61.10, 0.5, 1.549, 1.58, 0.969, -0.94),
]
"""Sodium laureth sulfate, 0.80 mM (fitted once to the ideal column), with bile salts: partner's CMC, mole fraction,
measured CMC, ideal CMC, micelle fraction, beta. Chem. Cent. J. 5 (2011) 89, Tables 4 and 6."""

STRONG = [
    ("dodecyl dimethyl betaine", 7.0, 1.9, 0.25, 0.20, 2.32, 3.18, 0.41, -11.8),
    ("dodecyl dimethyl betaine", 7.0, 1.9, 0.50, 0.30, 2.99, 4.45, 0.45, -9.9),
    ("dodecyl dimethyl betaine", 7.0, 1.9, 0.75, 0.80, 4.19, 5.73, 0.49, -6.6),
    ("dodecyl sulfopropyl betaine", 7.0, 2.2, 0.25, 0.25, 2.66, 3.40, 0.42, -11.2),
    ("dodecyl sulfopropyl betaine", 7.0, 2.2, 0.50, 0.30, 3.35, 4.60, 0.45, -10.2),
    ("dodecyl sulfopropyl betaine", 7.0, 2.2, 0.75, 0.80, 4.53, 5.80, 0.50, -6.9),
    ("alkylamidopropyl betaine", 5.52, 0.881, 0.25, 0.113, 1.12, 2.04, 0.39, -11.8),
    ("alkylamidopropyl betaine", 5.52, 0.881, 0.50, 0.163, 1.52, 3.20, 0.43, -10.1),
    ("alkylamidopropyl betaine", 5.52, 0.881, 0.75, 0.307, 2.38, 4.36, 0.47, -8.4),
    ("alkylamidopropyl betaine", 5.52, 0.881, 0.95, 1.265, 4.37, 5.29, 0.58, -5.4),
    ("decanoyl-N-methylglucamide", 7.64, 6.08, 0.2, 3.59, 6.34, 6.39, 0.34, -2.9),
    ("decanoyl-N-methylglucamide", 7.64, 6.08, 0.4, 3.01, 6.62, 6.70, 0.44, -3.3),
    ("decanoyl-N-methylglucamide", 7.64, 6.08, 0.6, 2.98, 6.93, 7.02, 0.52, -3.4),
    ("decanoyl-N-methylglucamide", 7.64, 6.08, 0.8, 3.57, 7.27, 7.33, 0.61, -3.2),
    ("decyl methyl sulfoxide", 7.05, 1.601, 0.2, 1.27, 1.89, 2.69, 0.24, -3.2),
    ("decyl methyl sulfoxide", 7.05, 1.601, 0.4, 1.53, 2.32, 3.78, 0.29, -2.4),
    ("decyl methyl sulfoxide", 7.05, 1.601, 0.7, 2.15, 3.49, 5.42, 0.42, -2.0),
]
"""Dodecyl sulfate with a partner, measured CMC from an open set without a reference per row; Clint, linear average,
x1 and beta computed in the reference work."""

ANIONIC_BETAINE = frozenset({"anionic", "amphoteric"})
ANIONIC_NONIONIC = frozenset({"anionic", "nonionic"})


@pytest.mark.parametrize(("c2", "a1", "measured", "ideal", "x1", "beta"), ETHER_SULFATE)
def test_published_ether_sulfate(c2: float, a1: float, measured: float, ideal: float, x1: float, beta: float) -> None:
    assert clint((a1, 1 - a1), (0.80, c2)) == pytest.approx(ideal, rel=0.004)
    found = interaction(a1, 0.80, c2, measured)
    assert found.x1 == pytest.approx(x1, abs=0.002)
    assert found.beta == pytest.approx(beta, abs=0.065)
    assert found.cmc == pytest.approx(measured)


@pytest.mark.parametrize(
    ("cmcs", "measured", "ideal", "linear"),
    [((3.827, 1.600), 2.306, 2.257, 2.71), ((8.054, 32.81), 11.78, 12.93, 20.4)],
    ids=["phosphine oxide and sulfoxide", "dodecyl and decyl sulfate"],
)
def test_near_ideal_pairs(cmcs: tuple[float, float], measured: float, ideal: float, linear: float) -> None:
    found, average = clint((0.5, 0.5), cmcs), sum(cmcs) / 2
    assert found == pytest.approx(ideal, abs=0.006)
    assert average == pytest.approx(linear, abs=0.04)
    assert abs(found - measured) < abs(average - measured) / 3


@pytest.mark.parametrize(("partner", "c1", "c2", "a1", "measured", "ideal", "linear", "x1", "beta"), STRONG)
def test_strongly_interacting_pairs(
    partner: str, c1: float, c2: float, a1: float, measured: float, ideal: float, linear: float, x1: float, beta: float
) -> None:
    assert clint((a1, 1 - a1), (c1, c2)) == pytest.approx(ideal, abs=0.0051)
    assert a1 * c1 + (1 - a1) * c2 == pytest.approx(linear, abs=0.0051)
    found = interaction(a1, c1, c2, measured)
    assert found.x1 == pytest.approx(x1, abs=0.006)
    assert found.beta == pytest.approx(beta, abs=0.065)


def test_one_parameter_serves_the_sugar_nonionic() -> None:
    for _, c1, c2, a1, measured, *_ in STRONG[10:14]:
        assert rubingh(a1, c1, c2, -3.2).cmc == pytest.approx(measured, rel=0.06)


@pytest.mark.parametrize(
    ("beta", "row"),
    [
        (0, (8.10, 7.19, 6.31, 5.20, 3.80)),
        (-2, (8.10, 6.98, 5.69, 4.06, 2.29)),
        (-5, (8.10, 6.70, 4.93, 2.87, 1.10)),
        (-8, (8.10, 6.45, 4.31, 2.06, 0.53)),
    ],
)
def test_free_anionic_monomer(beta: float, row: tuple[float, ...]) -> None:
    # 50 mM in all, 8.1 and 2.0 mM, computed in the reference work.
    table = [[0, beta], [beta, 0]]
    found = [micelles((50 * a, 50 * (1 - a)), (8.1, 2.0), table).monomer[0] for a in (1, 0.9, 0.8, 0.67, 0.5)]
    assert found == pytest.approx(row, abs=0.0051)


def test_lowest_cmc_closed_form_and_search() -> None:
    found = lowest_cmc(8.1, 2.0, -5)
    assert found == pytest.approx((0.360, 1.046), abs=5e-4)
    search = minimize_scalar(lambda a: rubingh(a, 8.1, 2.0, -5).cmc, bounds=(0.01, 0.99), method="bounded")
    assert found == pytest.approx((search.x, search.fun), abs=1e-4)
    assert rubingh(found[0], 8.1, 2.0, -5).x1 == pytest.approx(found[0])
    assert lowest_cmc(8.1, 2.0, -1.39) is None
    assert lowest_cmc(8.1, 2.0, -1.41) is not None


def test_clint_is_a_linear_row() -> None:
    amounts, cmcs = (26.56, 8.76, 3.0), (2.9, 0.9, 2.0)
    ideal = clint(amounts, cmcs)
    for limit, sign in ((ideal * 0.99, 1), (ideal * 1.01, -1)):
        row = sum(n * k for n, k in zip(amounts, clint_row(cmcs, limit), strict=True))
        assert row * sign > 0
    assert sum(n * k for n, k in zip(amounts, clint_row(cmcs, ideal), strict=True)) == pytest.approx(0, abs=1e-12)


def test_moles_of_active_differ_from_weight() -> None:
    # 10 % laureth-2 sulfate (376.48) and 3 % amidopropyl betaine (342.52): 26.56 and 8.76 mmol, a1 = 0.752 not 0.769.
    one, two = millimoles(10, 376.48), millimoles(3, 342.52)
    assert (one, two) == pytest.approx((26.56, 8.76), abs=0.005)
    assert one / (one + two) == pytest.approx(0.752, abs=5e-4)
    assert at_dilution(one, 10) == pytest.approx(26.56, abs=0.005)


READ = [
    # Rosen and Kunjappu (2012); Huibers et al. 1997, 10.1006/jcis.1996.4680; Lin and Marszall 1976.
    ("alkyl sulfate", 8, 140, 140),
    ("alkyl sulfate", 10, 33.04, 33.04),
    ("alkyl sulfate", 12, 8.1, 8.1),
    ("alkyl sulfate", 14, 2.1, 2.1),
    ("alkyl sulfate", 16, 0.4, 0.4),
    ("alkyl sulfate", 18, 0.11, 0.11),
    ("alkyl ether sulfate 1", 12, 3.9, 4.2),
    ("alkyl ether sulfate 1", 14, 1.39, 1.39),
    ("alkyl ether sulfate 1", 16, 0.22, 0.22),
    ("alkyl ether sulfate 1", 18, 0.11, 0.11),
    ("alkyl ether sulfate 2", 12, 2.9, 3.1),
    ("alkyl ether sulfate 2", 14, 0.8511, 0.8511),
    ("alkyl ether sulfate 2", 16, 0.14, 0.14),
    ("alkyl ether sulfate 2", 18, 0.07, 0.07),
    ("alkyl ether sulfate 3", 12, 2.8, 2.8),
    ("alkyl ether sulfate 3", 16, 0.1, 0.1),
    ("alkyl ether sulfate 3", 18, 0.05, 0.05),
    # Patra et al. 2018, 10.1021/acsomega.8b00718, Table 1.
    ("acyl sarcosinate", 12, 12.9, 14.1),
    # 2-alkene and 3-hydroxyalkane sulfonates: Huibers et al. 1997.
    ("olefin sulfonate", 14, 2.70, 6.3),
    ("olefin sulfonate", 16, 0.61, 1.45),
    # Rosen and Kunjappu (2012), ch. 3; amidopropyl betaine in an open set of mixtures.
    ("betaine", 8, 250, 250),
    ("betaine", 10, 18, 18),
    ("betaine", 12, 0.881, 2.0),
    ("betaine", 14, 0.22, 0.22),
    ("betaine", 16, 0.02, 0.02),
    ("amine oxide", 12, 2.1, 2.1),
    # Gaudin et al. 2016, 10.1021/acs.iecr.6b02890; Shinoda et al. 1961; technical ones: Savic et al. 2014.
    ("glucoside", 8, 20, 25),
    ("glucoside", 8, 1.71, 1.71),
    ("glucoside", 10, 0.781, 2.2),
    ("glucoside", 12, 0.19, 0.297),
    ("glucoside", 14, 0.0266, 0.0266),
    # Klevens 1948, 10.1021/j150457a013.
    ("soap", 8, 390, 390),
    ("soap", 10, 98, 98),
    ("soap", 12, 25.5, 25.5),
    ("soap", 14, 6.6, 6.6),
    ("soap", 16, 1.8, 1.8),
    ("sultaine", 10, 16.8, 16.8),
    ("sultaine", 12, 2.4, 3.0),
    ("sultaine", 14, 0.27, 0.32),
    # One abstract, Chinese journal of daily chemicals 2024 (1).
    ("taurate", 12, 8.0, 8.0),
    # The ester turned round, C11 by interpolation between C10 13.1 and C12 3.0: Huibers et al. 1997.
    ("isethionate", 12, 6.3, 6.3),
    # Secondary sources: glycinate 10, glutamate 0.3 to 10.6, fully charged 50.
    ("acyl amino acid", 12, 0.3, 50),
]
"""Family, carbon atoms, lowest and highest published figure that was read [mM]."""


@pytest.mark.parametrize(("family", "carbons", "least", "most"), READ)
def test_ranges_cover_what_was_read(family: str, carbons: int, least: float, most: float) -> None:
    held = CMCS[family].of(carbons)
    assert held.low <= least * 1.002
    assert held.high >= most * 0.995


def test_typical_figures_are_published_ones() -> None:
    # Median of the figures that were read, of the pure chain; one significant digit is all they deserve.
    for family, carbons, expected in (
        ("alkyl sulfate", 14, 2.1),
        ("alkyl ether sulfate 2", 14, 0.85),
        ("betaine", 14, 0.22),
        ("betaine", 16, 0.02),
        ("glucoside", 12, 0.19),
        ("soap", 14, 6.6),
        ("taurate", 12, 8.0),
    ):
        assert CMCS[family].of(carbons).typical == pytest.approx(expected, rel=0.005), (family, carbons)
    # 60 to 65 % alkene sulfonate (from memory) with its hydroxy part, mixed ideally: half of what the hydroxy part has.
    olefins = CMCS["olefin sulfonate"]
    for carbons, alkene, hydroxy in ((14, 2.698, 6.324), (16, 0.6095, 1.449)):
        assert olefins.of(carbons).typical == pytest.approx(clint((0.625, 0.375), (alkene, hydroxy)), rel=0.015)
    # C6 177, C8 68.9, C10 23.0 (Jobe and Reinsborough 1984, 10.1139/v84-047): C12 on by the steps between them.
    far, near = log10(177.4 / 68.89) / 2, log10(68.89 / 22.96) / 2
    sulfoacetate = CMCS["sulfoacetate"].millimolar
    assert sulfoacetate.low == pytest.approx(22 * 10 ** (-2 * near), rel=0.01)
    assert sulfoacetate.high == pytest.approx(23.93 * 10 ** (-2 * far), rel=0.03)
    assert sulfoacetate.low < sulfoacetate.typical < sulfoacetate.high


def test_chains_without_a_figure_follow_the_step() -> None:
    # Decyl sulfate 33 (Huibers et al. 1997), C8 glucoside 20 to 25: read, and near the lines; isethionate C14 by 0.29.
    for family, carbons, expected in (("alkyl sulfate", 10, 33), ("glucoside", 8, 22), ("isethionate", 14, 1.58)):
        known = CMCS[family]
        assert known.of(carbons).typical == pytest.approx(expected, rel=0.1), (family, carbons)
        line = homologue(known.millimolar.typical, known.carbons, known.step, carbons)
        assert line == pytest.approx(expected, rel=0.1)
    # From the nearest chain that was read, not across others: C18 soap from C16.
    assert CMCS["soap"].of(18).typical == pytest.approx(1.8 * 10**-0.58)


def test_composition_by_an_independent_root() -> None:
    def gap(x: float, a: float, c1: float, c2: float, beta: float) -> float:
        return log(x * c1 / a) + beta * (1 - x) ** 2 - log((1 - x) * c2 / (1 - a)) - beta * x * x

    draw = random.Random(4)
    for _ in range(200):
        a, beta = draw.uniform(0.01, 0.99), draw.uniform(-20, 1.9)
        c1, c2 = 10 ** draw.uniform(-2, 2), 10 ** draw.uniform(-2, 2)
        found = rubingh(a, c1, c2, beta)
        x = brentq(gap, 1e-15, 1 - 1e-15, args=(a, c1, c2, beta), xtol=1e-15)
        assert found.x1 == pytest.approx(x, abs=1e-9)
        assert found.cmc == pytest.approx(x * c1 / a * exp(beta * (1 - x) ** 2), rel=1e-6)


def test_interaction_is_the_inverse_of_rubingh() -> None:
    draw = random.Random(5)
    for _ in range(200):
        a, beta = draw.uniform(0.1, 0.9), draw.uniform(-15, 1.5)
        c1, c2 = 10 ** draw.uniform(-0.5, 0.5), 10 ** draw.uniform(-0.5, 0.5)
        pair = rubingh(a, c1, c2, beta)
        assert interaction(a, c1, c2, pair.cmc).beta == pytest.approx(beta, abs=1e-6)


def _state(draw: random.Random, kinds: int) -> tuple[list[float], list[float], list[list[float]]]:
    charges = [("anionic", "amphoteric", "nonionic")[i % 3] for i in range(kinds)]
    betas = {
        ANIONIC_BETAINE: draw.uniform(-11, -1),
        ANIONIC_NONIONIC: draw.uniform(-5, -1),
        frozenset({"amphoteric", "nonionic"}): draw.uniform(-1.5, 0),
    }
    amounts = [10 ** draw.uniform(-3, 2) for _ in range(kinds)]
    return amounts, [10 ** draw.uniform(-1.5, 1.5) for _ in range(kinds)], matrix(charges, betas).tolist()


@pytest.mark.parametrize("kinds", [1, 2, 3, 5, 8])
def test_balance_holds_for_every_surfactant(kinds: int) -> None:
    draw = random.Random(kinds)
    micellar = 0
    for _ in range(80):
        amounts, cmcs, betas = _state(draw, kinds)
        found = micelles(amounts, cmcs, betas)
        x, b = found.composition, np.array(betas)
        activity = x * np.exp(b @ x - x @ b @ x / 2) * np.array(cmcs)
        assert found.monomer + found.micellar == pytest.approx(np.array(amounts))
        assert x.sum() == pytest.approx(1)
        if sum(amounts) > found.cmc * 1.001:
            micellar += 1
            assert found.monomer == pytest.approx(activity, rel=1e-6)
        elif sum(amounts) < found.cmc:
            assert not found.micellar.any()
            assert np.array(amounts) / sum(amounts) * found.cmc == pytest.approx(activity, rel=1e-6)
    assert micellar > 10


def test_two_surfactants_agree_with_the_pair_equations() -> None:
    draw = random.Random(7)
    for _ in range(100):
        a, beta = draw.uniform(0.02, 0.98), draw.uniform(-12, 1.5)
        c1, c2 = 10 ** draw.uniform(-1, 1), 10 ** draw.uniform(-1, 1)
        pair = rubingh(a, c1, c2, beta)
        many = micelles((a * 1e-4, (1 - a) * 1e-4), (c1, c2), [[0, beta], [beta, 0]])
        assert many.cmc == pytest.approx(pair.cmc, rel=1e-8)
        assert many.composition[0] == pytest.approx(pair.x1, abs=1e-6)


def test_equal_surfactants_act_as_one() -> None:
    betas = matrix(("anionic", "anionic", "nonionic"), {ANIONIC_NONIONIC: -3.0})
    split = micelles((12, 8, 10), (8.1, 8.1, 2.0), betas)
    whole = micelles((20, 10), (8.1, 2.0), [[0, -3], [-3, 0]])
    assert split.monomer[:2].sum() == pytest.approx(whole.monomer[0])
    assert split.monomer[2] == pytest.approx(whole.monomer[1])


@pytest.mark.parametrize(
    "amounts", [(20, 10, 5), (20, 10, 0), (20, 0, 5), (0, 10, 5), (20, 0, 0), (0.001, 0.001, 0), (5, 40, 1)]
)
def test_slopes_are_difference_quotients(amounts: tuple[float, ...]) -> None:
    betas = matrix(("anionic", "amphoteric", "nonionic"), {ANIONIC_BETAINE: -8.0, ANIONIC_NONIONIC: -3.0})
    here, step = micelles(amounts, (8.1, 2.0, 1.0), betas), 1e-5
    for column in range(3):
        more = np.array(amounts, float)
        more[column] += step
        moved = (micelles(more, (8.1, 2.0, 1.0), betas).monomer - here.monomer) / step
        assert here.slopes[:, column] == pytest.approx(moved, abs=2e-5)


def test_interval_holds_every_inner_parameter() -> None:
    spread = {
        ANIONIC_BETAINE: Interval(-11.8, -6, -1),
        ANIONIC_NONIONIC: Interval(-5, -3, -1),
        frozenset({"amphoteric", "nonionic"}): Interval(-1.5, -0.5, 0),
    }
    charges, amounts = ("anionic", "amphoteric", "nonionic"), (20.0, 10.0, 6.0)
    cmcs = [Interval(0.8, 2.9, 2.9), Interval(0.88, 2.0, 2.0), Interval(1.5, 2.0, 3.0)]
    found = free_monomer(amounts, cmcs, charges, spread)
    assert found.low < found.typical < found.high
    draw = random.Random(9)
    for _ in range(200):
        level = draw.choice(("low", "typical", "high"))
        betas = matrix(charges, {p: draw.uniform(b.low, b.high) for p, b in spread.items()})
        inside = micelles(amounts, [getattr(c, level) for c in cmcs], betas).monomer[0]
        assert found.low - 1e-9 <= inside <= found.high + 1e-9


def test_m4_mixture_is_milder_than_any_linear_rule() -> None:
    # J. Soc. Cosmet. Chem. 30 (1979) 422: dodecyl sulfate, score 10; 20 % replaced by a protein condensate: about 6.7.
    # A linear rule gives at least 8.0. The free monomer falls below it for every beta of 0 and less; no parameter of
    # the condensate is published, so this checks the direction only.
    alone = micelles((50,), (8.1,)).monomer[0]
    linear = 10 * 0.8
    for beta in (0, -1, -2, -3, -5):
        index = 10 * micelles((40, 10), (8.1, 2.0), [[0, beta], [beta, 0]]).monomer[0] / alone
        assert index < linear
        assert abs(index - 6.7) < abs(linear - 6.7)


def test_amine_oxide_is_cationic_when_sour() -> None:
    # Micellar pKa about 5.9 in 0.1 M salt: Langmuir 20 (2004) 8490.
    assert undissociated_share(4.5, 5.9) > 0.95
    assert undissociated_share(7.3, 5.9) < 0.05


def test_every_figure_has_a_source() -> None:
    for beta in BETAS.values():
        assert beta.source
        assert beta.spread.high <= 0
    for cmc in CMCS.values():
        assert cmc.source
    assert BETAS[ANIONIC_BETAINE].spread.low == floor(min(row[-1] for row in STRONG))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: millimoles(-1, 300), "-1 % at 300 g/mol is not an amount"),
        (lambda: at_dilution(10, 0.5), "a dilution of 0.5 is none"),
        (lambda: clint((1, 1), (1,)), "not of one length"),
        (lambda: clint((0, 0), (1, 2)), "negative or all are zero"),
        (lambda: clint((1, 1), (1, 0)), "a CMC is not above 0"),
        (lambda: rubingh(0, 1, 2, 0), "0 is no mixture"),
        (lambda: rubingh(0.5, 1, 2, 2), "would split the micelles"),
        (lambda: interaction(0.5, 1, 2, 0), "0 is not a CMC"),
        (lambda: interaction(0.5, 1, 2, 50), "does not fit the pure ones"),
        (lambda: micelles((1, 2), (1, 2), [[0, -1], [-2, 0]]), "not a symmetric table"),
        (lambda: free_monomer((1, 2), [], (), {}), "not of one length"),
    ],
)
def test_bad_input_is_told(call: object, message: str) -> None:
    with pytest.raises(DataError, match=message):
        call()  # type: ignore[operator]

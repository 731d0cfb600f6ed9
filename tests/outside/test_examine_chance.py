"""The statistics of examining against scipy, exact fractions and published tables."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.stages.examine import chance
from tests.accuracy.tables import upper_bound

TRIALS = st.integers(min_value=1, max_value=400)
RATES = st.floats(min_value=0.001, max_value=0.999)


@given(trials=TRIALS, rate=RATES, share=st.floats(min_value=0, max_value=1))
def test_the_lower_tail_agrees_with_scipy(trials: int, rate: float, share: float) -> None:
    successes = int(share * trials)
    expected = max(chance.SMALLEST, float(stats.binom.cdf(successes, trials, rate)))
    assert chance.at_most(successes, trials, rate) == pytest.approx(expected, rel=1e-6, abs=1e-29)


@given(trials=TRIALS, rate=RATES, share=st.floats(min_value=0, max_value=1))
def test_the_upper_tail_agrees_with_scipy(trials: int, rate: float, share: float) -> None:
    successes = int(share * trials)
    expected = max(chance.SMALLEST, float(stats.binom.sf(successes - 1, trials, rate)))
    assert chance.at_least(successes, trials, rate) == pytest.approx(expected, rel=1e-6, abs=1e-29)


@pytest.mark.parametrize("successes", range(11))
def test_the_lower_tail_is_the_exact_sum_of_fractions(successes: int) -> None:
    exact = sum(Fraction(comb(10, k), 2**10) for k in range(successes + 1))
    assert chance.at_most(successes, 10, 0.5) == pytest.approx(float(exact), rel=1e-12)


@pytest.mark.parametrize(
    ("deviation", "area_from_zero"),
    [(0.0, 0.0), (1.0, 0.34134), (1.96, 0.47500), (2.0, 0.47725), (3.0, 0.49865)],
)
def test_the_normal_tail_agrees_with_the_published_table(deviation: float, area_from_zero: float) -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.1: area from 0 to x.
    assert chance.normal_above(deviation) == pytest.approx(0.5 - area_from_zero, abs=6e-6)


@given(deviation=st.floats(min_value=-5, max_value=10))
def test_the_normal_tail_agrees_with_scipy(deviation: float) -> None:
    assert chance.normal_above(deviation) == pytest.approx(float(stats.norm.sf(deviation)), rel=1e-9)


@pytest.mark.parametrize("bits", [1, 2, 6, 10, 40])
def test_one_direction_is_the_two_sided_sign_test(bits: int) -> None:
    # The sign test is the exact binomial test of one half (NIST/SEMATECH e-Handbook, section 7.1.3 on tests
    # of proportions); scipy's two-sided test is the judge here.
    assert chance.one_direction(bits) == pytest.approx(float(stats.binomtest(bits, bits, 0.5).pvalue))


@given(count=st.integers(min_value=0, max_value=90), share=RATES)
def test_all_alike_is_the_power_of_the_share(count: int, share: float) -> None:
    assert chance.all_alike(count, share) == pytest.approx(max(chance.SMALLEST, share**count), rel=1e-9)


@given(rates=st.lists(RATES, max_size=8))
def test_a_product_is_the_product(rates: list[float]) -> None:
    expected = 1.0
    for rate in rates:
        expected *= rate
    assert chance.product(rates) == pytest.approx(expected, rel=1e-9)


@given(p_value=st.floats(min_value=1e-20, max_value=1), tried=st.integers(min_value=1, max_value=5000))
def test_trying_more_hypotheses_never_makes_a_p_value_smaller(p_value: float, tried: int) -> None:
    assert p_value <= chance.corrected(p_value, tried) <= 1.0


@pytest.mark.parametrize("trials", [300, 1000, 5000])
def test_the_bound_of_the_accuracy_table_is_the_rule_of_three_where_nothing_failed(trials: int) -> None:
    # Hanley and Lippman-Hand, "If nothing goes wrong, is everything all right?", JAMA 249 (1983) 1743: 3/n at
    # 95 %.
    assert upper_bound(0, trials) == pytest.approx(3 / trials, rel=0.01)


def test_impossible_counts_are_certain_or_as_unlikely_as_is_ever_claimed() -> None:
    assert chance.at_most(5, 5, 0.5) == 1.0
    assert chance.at_most(-1, 5, 0.5) == chance.SMALLEST
    assert chance.at_most(0, 5, 0.0) == 1.0
    assert chance.at_most(0, 5, 1.0) == chance.SMALLEST
    assert chance.one_direction(0) == 1.0

"""The line mathematics against published values and independent libraries; each names its source."""

from __future__ import annotations

import numpy as np
import pytest
from rapidfuzz.distance import Levenshtein
from scipy.linalg import hadamard
from scipy.stats import binom
from statsmodels.stats.proportion import proportion_confint

from pipeline.lines import align
from pipeline.lines.mapping import log2_choose
from pipeline.lines.walsh import walsh
from pipeline.stages.error_odds import Voice, settling_odds
from pipeline.stages.qualify import upper_bound
from tests.kit.images import firmware_like


def transform(values: list[float]) -> list[float]:
    return [float(value) for value in walsh(np.array([values], np.float32))[0]]


def test_the_transform_is_that_of_the_worked_figure() -> None:
    # Source: Wikipedia, "Fast Walsh-Hadamard transform", figure: (1,0,1,0,0,1,1,0), natural order.
    assert transform([1, 0, 1, 0, 0, 1, 1, 0]) == [4, 2, 0, -2, 0, 2, 0, 2]


def test_the_transform_in_sequency_order_is_that_of_the_documented_example() -> None:
    # Source: the documentation example of a numerical package's fwht, sequency order, divided by N: the rows
    # of the Hadamard matrix sorted by their changes of sign.
    values = [19.0, -1, 11, -9, -7, 13, -15, 5]
    changes = np.count_nonzero(np.diff(hadamard(8), axis=1), axis=1)

    found = np.array(transform(values))[np.argsort(changes)] / 8

    assert found.tolist() == [2, 3, 0, 4, 0, 0, 10, 0]


def test_four_values_are_transformed_by_the_definition() -> None:
    # Source: the definition, H4 times (3, 1, 2, 0).
    assert transform([3, 1, 2, 0]) == [6, 4, 2, 0]


@pytest.mark.parametrize("lines", [0, 1, 5, 6, 9, 11])
def test_the_transform_is_the_product_with_the_hadamard_matrix(lines: int) -> None:
    # Source: scipy.linalg.hadamard (Sylvester's construction).
    columns = np.random.default_rng(lines).integers(0, 2, (4, 1 << lines)).astype(np.float32)

    assert np.array_equal(walsh(columns), columns @ hadamard(1 << lines).astype(np.float32))


@pytest.mark.parametrize(
    ("trials", "published"),
    [
        (10, 0.258866),
        (20, 0.139108),
        (30, 0.095034),
        (50, 0.058155),
        (100, 0.029513),
        (300, 0.009936),
        (1000, 0.002991),
        (8192, 0.000366),
    ],
)
def test_without_errors_the_bound_is_the_exact_rule_of_three(trials: int, published: float) -> None:
    # Source: Hanley & Lippman-Hand 1983, JAMA 249: 1 - 0.05^(1/n), about 3/n.
    assert upper_bound(0, trials) == pytest.approx(published, abs=5e-7)
    assert upper_bound(0, trials) < 3 / trials


def test_the_bound_is_the_handbooks_exact_limit() -> None:
    # Source: NIST/SEMATECH e-Handbook 7.2.4.2: 4 defects of 20, 90 % two-sided, so 95 % one-sided: the
    # handbook prints .401029 from a spreadsheet's goal seek; the exact value is .4010281.
    assert upper_bound(4, 20) == pytest.approx(0.401028, abs=1e-6)


@pytest.mark.parametrize(
    ("errors", "trials", "two_sided", "upper"),
    [(3, 20, 0.95, 0.3789), (12, 30, 0.90, 0.5661), (42, 100, 0.95, 0.5229), (85, 120, 0.99, 0.8092)],
)
def test_the_bound_is_the_upper_end_of_the_two_sided_interval(
    errors: int, trials: int, two_sided: float, upper: float
) -> None:
    # Source: Clopper & Pearson 1934; values recomputed (no published table kept), and statsmodels "beta".
    found = upper_bound(errors, trials, confidence=(1 + two_sided) / 2)

    assert found == pytest.approx(upper, abs=5e-5)
    assert found == pytest.approx(
        proportion_confint(errors, trials, 1 - two_sided, method="beta")[1], rel=1e-9
    )


@pytest.mark.parametrize("errors", [0, 1, 2, 10, 100])
def test_just_so_few_errors_come_once_in_twenty_at_the_bound(errors: int) -> None:
    # Source: the definition of the bound, by scipy.stats.binom.
    assert binom.cdf(errors, 16384, upper_bound(errors, 16384)) == pytest.approx(0.05, rel=1e-6)


@pytest.mark.parametrize("readers", [1, 2, 3, 5])
def test_readers_without_dissent_are_all_wrong_as_the_binomial_says(readers: int) -> None:
    # Source: scipy.stats.binom: all of r independent readers err; all are right; else contested.
    odds = settling_odds([Voice(0.01)] * readers)

    assert odds.wrong == pytest.approx(binom.pmf(readers, readers, 0.01), rel=1e-9)
    assert odds.right == pytest.approx(binom.pmf(0, readers, 0.01), rel=1e-9)


@pytest.mark.parametrize(
    ("one", "other", "published"),
    [
        ("kitten", "sitting", 3),
        ("Saturday", "Sunday", 3),
        ("flaw", "lawn", 2),
        ("intention", "execution", 5),
        ("gumbo", "gambol", 2),
    ],
)
def test_the_library_used_for_edits_gives_the_published_distances(
    one: str, other: str, published: int
) -> None:
    # Source: Wikipedia, "Levenshtein distance"; Jurafsky & Martin, chapter 2 (intention/execution).
    assert Levenshtein.distance(one, other) == published
    assert len(Levenshtein.editops(one, other)) == published


def test_a_damaged_stream_is_aligned_at_the_librarys_distance() -> None:
    # Source: rapidfuzz's Levenshtein distance on a stream with a loss, a doubling and a changed word.
    first = firmware_like(17, 4096)
    second = np.insert(np.delete(first, 900), 3000, first[3001])
    second[2000] ^= np.uint8(0x10)

    aligned = align(first, second)

    assert aligned.distance == Levenshtein.distance(first.tolist(), second.tolist()) == 3


def test_the_logarithm_of_a_binomial_coefficient_is_exact() -> None:
    # Source: C(52, 5) = 2598960, the number of poker hands.
    assert log2_choose(52, 5) == pytest.approx(np.log2(2598960), rel=1e-12)

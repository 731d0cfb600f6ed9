"""How likely a relation is by chance, worked out without scipy: these run on thousands of chips a second.

Every function returns a probability or an upper bound of one, never less than `SMALLEST`, so that no evidence
ever reads "impossible". The tests check each against scipy and published tables.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import comb, erfc, exp, lgamma, log, log1p, sqrt

SMALLEST = 1e-30
"""Below this a probability is not told apart: words of a real image are not independent, and the model is
doubted first.
"""


def _at_least_smallest(log_p: float) -> float:
    return max(SMALLEST, min(1.0, exp(max(log_p, -80.0))))


def all_alike(count: int, share: float) -> float:
    """The chance that `count` independent words all do what each does with probability `share`."""
    if count <= 0 or share >= 1.0:
        return 1.0
    return _at_least_smallest(count * log(max(share, SMALLEST)))


def product(rates: Iterable[float]) -> float:
    """The chance that independent events all happen, each with its own probability."""
    return _at_least_smallest(sum(log(max(SMALLEST, min(1.0, rate))) for rate in rates))


def at_most(successes: int, trials: int, rate: float) -> float:
    """The lower binomial tail P(X <= successes), X counting successes among `trials` of probability `rate`.

    Args:
        successes: The count seen, such as pairs of words that differ.
        trials: Informative words or pairs.
        rate: The chance of each.

    Returns:
        A probability, exact to rounding.

    Source:
        The binomial distribution; NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.6.18.
    """
    if trials <= 0 or successes >= trials:
        return 1.0
    if successes < 0 or rate >= 1.0:
        return SMALLEST
    if rate <= 0.0:
        return 1.0
    log_rate, log_rest = log(rate), log1p(-rate)
    whole = lgamma(trials + 1)
    logs = [
        whole - lgamma(k + 1) - lgamma(trials - k + 1) + k * log_rate + (trials - k) * log_rest
        # Terms fall off at least geometrically below the mean, and whatever lies 400 below the count adds
        # nothing that a double could hold.
        for k in range(max(0, successes - 400), successes + 1)
    ]
    # The largest term is taken out before exponents are, or all of them would underflow (log-sum-exp).
    top = max(logs)
    return _at_least_smallest(top + log(sum(exp(one - top) for one in logs)))


def at_least(successes: int, trials: int, rate: float) -> float:
    """The upper binomial tail P(X >= successes)."""
    return at_most(trials - successes, trials, 1.0 - rate)


def one_direction(changed_bits: int) -> float:
    """P = 2^(1-k): k changed bits all lead the same way by chance.

    The first may go either way, each other follows it with probability one half (sign test, two-sided).
    """
    return 1.0 if changed_bits < 1 else _at_least_smallest((1 - changed_bits) * log(2.0))


def normal_above(deviation: float) -> float:
    """The upper tail of the standard normal distribution.

    Source:
        NIST/SEMATECH e-Handbook, section 1.3.6.7.1 (table of the cumulative normal distribution).
    """
    return max(SMALLEST, 0.5 * erfc(deviation / sqrt(2.0)))


def corrected(p_value: float, hypotheses: int) -> float:
    """The p-value after trying `hypotheses` relations (Bonferroni's bound)."""
    return min(1.0, p_value * max(1, hypotheses))


def pairs(count: int) -> int:
    """How many pairs of `count` lines there are."""
    return comb(count, 2)

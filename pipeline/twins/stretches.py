"""Where two images differ: in stretches, as somebody's changes lie, or strewn, as cells fail."""

from __future__ import annotations

import math

import numpy as np

from pipeline.words import Words, true_ranges

NEAR = 8
"""Differing words with fewer equal ones between them are one stretch. Chosen by us, no source."""
MOST_RANGES = 12


def stretches(differ: Words) -> tuple[tuple[int, int], ...]:
    """Half-open ranges of words that differ, those near each other as one, the longest kept, in order.

    Args:
        differ: Shape (words,); a 1 bit differs.

    Example:
        >>> stretches(np.array([1, 0, 1] + [0] * 9 + [1], np.uint8))
        ((0, 3), (12, 13))
    """
    joined: list[tuple[int, int]] = []
    for start, end in true_ranges(differ != 0):
        if joined and start - joined[-1][1] < NEAR:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    longest = sorted(joined, key=lambda one: (one[0] - one[1], one))[:MOST_RANGES]
    return tuple(sorted(longest))


def strewn_chance(differ: Words, bits: int) -> float:
    """The chance that bits strewn at random lie as close together as these do.

    Counted are bits beyond the first in a word, and differing words next to each other. The smaller of the
    two chances is given, twice it where both are small.

    Args:
        differ: Shape (words,); a 1 bit differs.
        bits: Of a word.

    Source: for rare events the number of coincidences is nearly Poisson's (Feller, "An Introduction to
    Probability Theory and Its Applications", from memory).
    """
    places = np.flatnonzero(differ)
    count = int(np.bitwise_count(differ).sum())
    if count < 2:
        return 1.0
    cells = differ.size * bits
    more = count - len(places)
    beside = int(np.count_nonzero(np.diff(places) == 1))
    expected_more = count * (count - 1) / 2 * (bits - 1) / max(1, cells - 1)
    expected_beside = len(places) * (len(places) - 1) / max(1, differ.size)
    return min(1.0, 2 * min(poisson_tail(more, expected_more), poisson_tail(beside, expected_beside)))


def poisson_tail(seen: int, expected: float) -> float:
    """The chance of at least so many events where so many are expected.

    Example:
        >>> round(poisson_tail(1, 0.5), 4)
        0.3935
    """
    if seen <= 0:
        return 1.0
    if expected <= 0:
        return 0.0
    if seen <= expected:
        return 0.5  # of no matter: it is no coincidence
    # By Chernoff's bound, which is never below the tail.
    bound = math.exp(-expected + seen - seen * math.log(seen / expected))
    if seen > 100:
        return min(1.0, bound)
    below = math.fsum(math.exp(-expected + k * math.log(expected) - math.lgamma(k + 1)) for k in range(seen))
    return min(1.0, max(0.0, 1.0 - below)) if below < 1 - 1e-9 else min(1.0, bound)

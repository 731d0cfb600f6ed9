"""Where two images differ: in stretches, as somebody's changes lie, or strewn, as cells fail."""

from __future__ import annotations

import math

import numpy as np

from pipeline.words import Words, true_ranges

NEAR = 8
"""Differing words with fewer equal ones between them are one stretch. Chosen by us, no source."""
MOST_RANGES = 12
WINDOW = 8
"""Words in a window that two images may share at different places. Chosen by us, no source."""
FEWEST_UNLIKE = 4
"""Different words in a window that says something. Chosen by us, no source."""


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


def strewn_chance(differ: Words, could: Words) -> float:
    """The chance that bits strewn at random over all cells that could have changed lie as close together.

    Counted are pairs of bits in one word, and differing words next to each other; twice the smaller of the
    two chances is given. An EPROM that is half empty changes in its program alone, so that only cells which
    are programmed in either specimen count.

    Args:
        differ: Shape (words,); a 1 bit differs.
        could: Same shape; a 1 bit could differ.

    Source: for rare events the number of coincidences is nearly Poisson's (Feller, "An Introduction to
    Probability Theory and Its Applications", from memory).
    """
    count = int(np.bitwise_count(differ).sum())
    cells = np.bitwise_count(could | differ).astype(np.float64)
    if count < 2 or cells.sum() < 2:
        return 1.0
    here = np.bitwise_count(differ).astype(np.int64)
    pairs, beside = (
        int((here * (here - 1) // 2).sum()),
        int(np.count_nonzero((here[1:] > 0) & (here[:-1] > 0))),
    )
    total = float(cells.sum())
    expected_pairs = count * (count - 1) / 2 * float((cells * (cells - 1)).sum()) / (total * (total - 1))
    hit = 1 - np.exp(-count * cells / total)
    expected_beside = float((hit[1:] * hit[:-1]).sum())
    return min(1.0, 2 * min(poisson_tail(pairs, expected_pairs), poisson_tail(beside, expected_beside)))


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


def shared_windows(this: Words, other: Words) -> float:
    """Share of one image's telling windows that the other has anywhere.

    Args:
        this: Shape (words,).
        other: Any other shape of one dimension, words of the same kind.

    Example:
        >>> image = np.arange(64, dtype=np.uint8)
        >>> shared_windows(image, np.roll(image, 5)) > 0.6
        True
    """
    if min(len(this), len(other)) < WINDOW:
        return 0.0
    own, theirs = (np.lib.stride_tricks.sliding_window_view(words, WINDOW) for words in (this, other))
    unlike = np.count_nonzero(own[:, 1:] != own[:, :-1], axis=1) >= FEWEST_UNLIKE
    if not unlike.any():
        return 0.0
    kept = np.ascontiguousarray(own[unlike]).view(np.dtype((np.void, WINDOW * this.dtype.itemsize))).ravel()
    known = np.ascontiguousarray(theirs).view(np.dtype((np.void, WINDOW * this.dtype.itemsize))).ravel()
    there = set(known.tolist())
    return sum(1 for one in kept.tolist() if one in there) / len(kept)

"""How the passes of one reader speak for bits: together, and only where all of them agree."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.flow import Pass
from pipeline.words import Words


def voice(own: Sequence[Pass], full: Words) -> tuple[Words, Words]:
    """Where one reader says 1 and where it says 0: only where all its passes that have the word agree.

    Args:
        own: Its passes of one chip; at least one.
        full: A word with every bit of the chip set.

    Returns:
        Two masks, shape (words,).
    """
    ones = np.full(own[0].words.shape, full, full.dtype)
    zeros = ones.copy()
    heard = np.zeros(own[0].words.shape, np.bool_)
    for one in own:
        if one.present is None:
            ones &= one.words
            zeros &= ~one.words
            heard[:] = True
        else:
            ones &= np.where(one.present, one.words, full)
            zeros &= np.where(one.present, ~one.words & full, full)
            heard = heard | one.present
    if not heard.all():
        ones[~heard] = 0
        zeros[~heard] = 0
    return ones, zeros & full


def unanimous(passes: Sequence[Pass]) -> bool:
    """Whether all passes are whole and read alike, as most do: each of their readers speaks for every bit."""
    first = passes[0].words
    return all(one.present is None for one in passes) and all(
        np.array_equal(first, one.words) for one in passes[1:]
    )


def times_read(own: Sequence[Pass]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """How many passes have each word, shape (words,)."""
    times = np.zeros(own[0].words.shape[0], np.int64)
    for one in own:
        times += 1 if one.present is None else one.present
    return times

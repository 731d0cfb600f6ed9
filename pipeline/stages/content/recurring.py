"""How much better the words of a chip are foretold by those of its sisters: what recurs, recurs together.

An instruction that stands in a program ten times puts the same word into each of its chips at the same ten
addresses. Behind one crossed line the recurrences of one chip fall on others' words and foretell nothing.

Unlike a correlation this adds up word by word, so that the half of the addresses that an exchange leaves in
their places keeps about its half of the evidence, and rare words that recur count for more than common ones.

Source: each word is foretold by the words that stood beside the same word of a sister before, and by how
common it is, as in Pólya's urn (Blackwell and MacQueen, Ferguson Distributions via Pólya Urn Schemes, 1973;
from memory). What it comes to does not depend on the order in which the words are taken.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.linked import busy
from pipeline.words import Words

_WEIGHT = 8.0
"""Words that what is common in the chip counts for, beside those that stood beside the sister's before."""
_SYMBOL_BITS = 8
"""Wider words are taken by bytes: whole ones recur too seldom."""
_SYMBOLS = 1 << _SYMBOL_BITS


def foretold(
    words: Words, bits: int, sisters: Sequence[Words], places: NDArray[np.intp], at: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Shape (sisters, orders): nats by which each sister foretells the chip, over words drawn at random.

    Sisters go together themselves and say the same thing more than once, so that their sum is no odds.

    Args:
        words: Shape (n,), the chip's image.
        bits: Bits a word, of all chips.
        sisters: Images of shape (n,).
        places: Shape (orders, words looked at), the addresses of the chip's words in each order.
        at: Shape (words looked at,), the addresses of the sisters' words.
    """
    live = busy(words)
    nats = np.zeros((len(sisters), len(places)))
    weight = np.concatenate([[0.0], np.cumsum(np.log(_WEIGHT + np.arange(len(at))))])
    for part in _symbols(words, bits):
        drawn = _urn(part[live], 1 << min(bits, _SYMBOL_BITS))
        for index, sister in enumerate(sisters):
            beside = live[places] & busy(sister)[at]
            for other in _symbols(sister, bits):
                # Behind all others where one of the two lies in a fill.
                pairs = np.where(beside, other[at] * _SYMBOLS + part[places], _SYMBOLS * _SYMBOLS)
                pairs.sort(axis=1)
                order, pair, times = _counted(pairs, _SYMBOLS * _SYMBOLS)
                nats[index] += np.bincount(order, drawn[pair % _SYMBOLS, times], len(places))
                order, _, times = _counted(pairs // _SYMBOLS, _SYMBOLS)
                nats[index] -= np.bincount(order, weight[times], len(places))
    return nats


def _symbols(words: Words, bits: int) -> list[NDArray[np.int32]]:
    """The words by bytes, the lowest first."""
    return [words.astype(np.int32) >> shift & (_SYMBOLS - 1) for shift in range(0, bits, _SYMBOL_BITS)]


def _urn(symbols: NDArray[np.int32], kinds: int) -> NDArray[np.float64]:
    """Shape (kinds, times + 1): nats gained on a symbol that stands so many times beside one of a sister.

    Args:
        symbols: Of the chip, without fills; half a symbol of each kind is added, so that none is impossible.
        kinds: How many there are.
    """
    times = np.bincount(symbols, minlength=kinds)
    share = ((times + 0.5) / (times.sum() + kinds / 2))[:, None]
    each = np.log(_WEIGHT * share + np.arange(int(times.max()))) - np.log(share)
    return np.concatenate([np.zeros((kinds, 1)), np.cumsum(each, axis=1)], axis=1)


def _counted(
    values: NDArray[np.int32], end: int
) -> tuple[NDArray[np.intp], NDArray[np.int32], NDArray[np.intp]]:
    """Row, value and how often it stands there, of each value below `end` in each row.

    Args:
        values: Each row sorted.
        end: The first value that is not looked at.
    """
    starts = np.ones(values.shape, dtype=bool)
    starts[:, 1:] = values[:, 1:] != values[:, :-1]
    first = np.flatnonzero(starts)
    times, found = np.diff(first, append=values.size), values.reshape(-1)[first]
    kept = found < end
    return (first // values.shape[1])[kept], found[kept], times[kept]

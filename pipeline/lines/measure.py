"""How much an image says, and what an explanation with exceptions costs: lengths in bits, to be compared.

An explanation of one image by another is believed only where naming it and its exceptions is much shorter
than spelling the image out. So a constant image, or one with a single odd word, never "proves" a mapping.

Source: two-part codes, Rissanen 1978, "Modeling by shortest data description", Automatica 14.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.lines.mapping import is_power_of_two, log2_choose, routed_addresses
from pipeline.words import Words


def own_bits(words: Words, bits: int) -> float:
    """The shorter of three plain descriptions of an image: word by word, or by equal blocks either way up.

    Word by word counts each word at its frequency (order-0 entropy) after a list of the words that occur; by
    blocks counts the aligned blocks of 2^k equal words, addresses halved from the highest line down or from
    the lowest line up.
    """
    values, counts = np.unique(words, return_counts=True)
    share = counts / words.size
    entropy = float(-(share * np.log2(share)).sum()) * words.size
    lengths = [entropy + values.size * bits, float(words.size * bits)]
    if is_power_of_two(words.size):
        lines = words.size.bit_length() - 1
        lengths.append(_block_bits(words, bits))
        lengths.append(_block_bits(words[routed_addresses(tuple(reversed(range(lines))))], bits))
    return min(lengths)


def _block_bits(words: Words, bits: int) -> float:
    """Each halving that is not constant costs 1 bit, each constant block 1 bit and its word."""
    low = high = words
    blocks = words.size
    splits = 0
    while low.size > 1:
        constant_before = low == high
        left, right = low[0::2], low[1::2]
        same = (left == right) & constant_before[0::2] & constant_before[1::2]
        blocks -= int(np.count_nonzero(same))
        splits += int(same.size - np.count_nonzero(same))
        low, high = left, np.where(same, left, ~left)
    return float(splits + blocks * (1 + bits))


def error_bits(count: int, bits: int, differing_words: int, differing_bits: int) -> float:
    """What naming the exceptions costs: which words, and which of their bits.

    The more exceptions the dearer: where more than half differ, "all but these" is not offered as the shorter
    way to say it, since differing everywhere is another mapping (an inversion) and has to be named as one.
    """
    if not differing_words:
        return 1.0
    return (
        1.0
        + math.log2(count + 1)
        + _among(count, differing_words)
        + math.log2(differing_words * bits + 1)
        + _among(differing_words * bits, differing_bits)
    )


def _among(whole: int, part: int) -> float:
    return log2_choose(whole, part) if 2 * part <= whole else float(whole)


def ones(words: Words) -> int:
    """How many 1 bits the words hold."""
    return int(np.bitwise_count(words).sum(dtype=np.int64))


def differences(first: Words, second: Words) -> tuple[int, int]:
    """How many words and how many bits differ."""
    wrong = first ^ second
    return int(np.count_nonzero(wrong)), ones(wrong)


def line_counts(wrong: Words, bits: int) -> tuple[int, ...]:
    """For each data line, in how many words it differs."""
    kind = wrong.dtype.type
    return tuple(int(np.count_nonzero(wrong & kind(1 << line))) for line in range(bits))


def address_counts(differs: NDArray[np.bool_]) -> tuple[int, ...]:
    """For each address line, how many of the differing words lie where it is high."""
    places = np.flatnonzero(differs)
    return tuple(int(np.count_nonzero(places >> k & 1)) for k in range((differs.size - 1).bit_length()))


SHIFTS = 48
"""How many other places the images are laid against each other at, to learn what chance gives."""


def likeness(first: Words, second: Words) -> tuple[float, float, float]:
    """How much two images agree in place, and how much they agree laid out of place, where chance rules.

    Words that both images fill with (their own commonest word) are left out, since blank areas agree always.

    Returns:
        The share of words that agree in place, the mean share at `SHIFTS` other rotations, and the largest.
    """
    count = min(first.size, second.size)
    one, other = first[:count], second[:count]
    fill_one, fill_other = commonest(one), commonest(other)
    told_one, told_other = one != fill_one, other != fill_other
    generator = np.random.default_rng(0xC0FFEE)
    limit = min(count - 1, SHIFTS)
    shifts = generator.choice(count - 1, limit, replace=False) + 1 if limit else np.array([], dtype=np.int64)

    def share(shift: int) -> float:
        moved, told = np.roll(other, shift), np.roll(told_other, shift)
        telling = told_one | told
        total = int(np.count_nonzero(telling))
        return float(np.count_nonzero((one == moved) & telling) / total) if total else 0.0

    others = [share(int(shift)) for shift in shifts]
    return share(0), float(np.mean(others)) if others else 0.0, max(others, default=0.0)


def commonest(words: Words) -> int:
    """The word that occurs most often (the least of them where several do)."""
    if words.dtype.itemsize <= 2:
        return int(np.bincount(words, minlength=1).argmax())
    values, counts = np.unique(words, return_counts=True)
    return int(values[counts.argmax()])

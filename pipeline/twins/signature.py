"""What is kept of an image so that the same program is found again among many.

Whole, in part, or changed a little.

Five things, each for one sort of likeness:

- the image's own SHA-256 (in the record): the same content;
- a *sample*: one byte each for words at fixed places. Two images of one size differ in about the share of the
  sample in which they differ, so a change in place of up to 2 % of the words is found by comparing samples;
- a *shape*: a digest that stays the same however address and data lines are permuted or inverted;
- digests of both halves: a chip of half the size;
- whether it is *bare*: one word throughout, which is like everything and says nothing.

Source: estimating likeness from a fixed sample of places is simple random sampling without replacement; its
error is hypergeometric (Cochran, "Sampling Techniques", chapter 3, from memory). Places are drawn by the
smallest hashes of their addresses, SplitMix64 (Steele, Lea, Flood 2014, from memory).
"""

from __future__ import annotations

import hashlib
import math
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words, word_bytes

PLACES = 512
"""Places in a sample; images of no more words are kept whole. Chosen so that 20,000 samples are 10 MB."""
NEAR = 0.02
"""Share of words changed in place up to which an image is near another; the issue's own bound."""
DEVIATIONS = 3.3
"""Standard deviations allowed above that share: one near image in 2,000 is missed (normal tail)."""
COUNTED_BITS = 12
"""Up to this width each possible word has a counter of its own, which is quicker than sorting."""
FEWEST_WORDS = 16
"""Smaller images are like each other by chance. Chosen by us, no source."""


class ImageSignature(NamedTuple):
    """What is kept of one image.

    Attributes:
        sample: A byte a place, or b"" where the image is bare or too small.
        shape: 32 hexadecimal digits, or "" where the image is bare.
        halves: SHA-256 of the lower and the upper half, or "" each where a half is bare or there is none.
        bare: One word throughout.
    """

    sample: bytes
    shape: str
    halves: tuple[str, str]
    bare: bool


def image_signature(words: Words, bits: int) -> ImageSignature:
    """The signature of one image.

    Args:
        words: Shape (words,), one at least.
        bits: Of a word.
    """
    if bool((words == words[0]).all()):
        return ImageSignature(b"", "", ("", ""), bare=True)
    sample = _one_byte(words[sample_places(len(words))]).tobytes() if len(words) >= FEWEST_WORDS else b""
    half = len(words) // 2
    halves = ("", "") if len(words) % 2 else (_digest(words[:half], bits), _digest(words[half:], bits))
    return ImageSignature(sample, _shape(words, bits), halves, bare=False)


@cache
def sample_places(words: int) -> NDArray[np.int64]:
    """The addresses that a sample of an image of so many words takes, ascending."""
    if words <= PLACES:
        return np.arange(words)
    hashed = _mixed(np.arange(words, dtype=np.uint64))
    return np.sort(np.argpartition(hashed, PLACES)[:PLACES])


def most_differing(words: int) -> int:
    """In how many places of a sample an image may differ that is near.

    Example:
        >>> most_differing(256), most_differing(65536)
        (5, 20)
    """
    if words <= PLACES:
        return int(NEAR * words)
    spread = PLACES * NEAR * (1 - NEAR) * (words - PLACES) / (words - 1)
    return int(PLACES * NEAR + DEVIATIONS * math.sqrt(spread))


def differing_places(one: bytes, many: NDArray[np.uint8]) -> NDArray[np.int64]:
    """In how many places each of many samples differs from one.

    Args:
        one: A sample.
        many: Shape (samples, places), of images of the same size.
    """
    counts: NDArray[np.int64] = np.count_nonzero(many != np.frombuffer(one, np.uint8), axis=1)
    return counts


def _mixed(values: NDArray[np.uint64]) -> NDArray[np.uint64]:
    mixed = values + np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return mixed ^ (mixed >> np.uint64(31))


def _one_byte(words: Words) -> NDArray[np.uint8]:
    """Words of up to 8 bits as they are, wider ones by the lowest byte of a hash: 1 in 256 differ unseen."""
    if words.dtype == np.uint8:
        return words
    return _mixed(words.astype(np.uint64)).astype(np.uint8)


def _digest(words: Words, bits: int) -> str:
    if bool((words == words[0]).all()):
        return ""
    return hashlib.sha256(word_bytes(words, bits)).hexdigest()


def _shape(words: Words, bits: int) -> str:
    """A digest of what no order or polarity of lines changes.

    How often each word occurs, whichever it is, and how unevenly each data line stands, whichever it is.
    """
    if bits <= COUNTED_BITS:
        counts = np.bincount(words, minlength=1 << bits)
        values = np.flatnonzero(counts)
        counts = counts[values]
    else:
        values, counts = np.unique(words, return_counts=True)
    ones = [int(counts[(values >> values.dtype.type(line)) & 1 == 1].sum()) for line in range(bits)]
    uneven = sorted(min(one, len(words) - one) for one in ones)
    said = f"{len(words)}x{bits} {sorted(counts.tolist())} {uneven}"
    return hashlib.sha256(said.encode()).hexdigest()[:32]

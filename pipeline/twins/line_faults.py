"""Whether one image is the other seen through a line at fault: stuck, dead, or joined to another.

An explanation is believed where the image has the fault's own shape (a column of one level, two equal
columns, halves that are equal), the other has not, and most of what differs follows from it.

Source: what a stuck, dead or joined line makes of an image follows from its definition.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

import numpy as np

from pipeline.words import Words

MOST_STRAY = 0.01
"""Share of words that may miss the fault's shape, since each specimen flickers by itself. Chosen by us, no
source.
"""
LEAST_EXPLAINED = 0.5
"""Share of the differing bits that the fault must explain; what is left is judged by itself. No source."""
FEWEST_BITS = 5
"""Fewer bits that differ tell no fault of a line from chance."""
FEWEST_WORDS = 8
MOST_WORDS = 1 << 20
"""Larger images are not looked through for pairs of address lines: each pair is one pass over all words."""


class LineFault(NamedTuple):
    """One line at fault in one of two images.

    Attributes:
        lines: `D3`, or `A1` and `A4`.
        what: `stuck`, `dead` or `joined`.
        seen: The sound image through that fault, shape (words,).
        left: Bits of the faulty image that it does not explain.
    """

    lines: tuple[str, ...]
    what: str
    seen: Words
    left: int


def line_fault(faulty: Words, sound: Words, bits: int, known: Words) -> LineFault | None:
    """The line at fault that makes the sound image into the other, or None.

    Args:
        faulty: Shape (words,).
        sound: Same shape.
        bits: Of a word.
        known: Same shape; a 1 bit is settled in both.
    """
    differing = _count((faulty ^ sound) & known)
    if differing < FEWEST_BITS or faulty.size < FEWEST_WORDS:
        return None
    best: LineFault | None = None
    for lines, what, seen in _hypotheses(faulty, sound, bits):
        left = _count((faulty ^ seen) & known)
        if left <= differing * (1 - LEAST_EXPLAINED) and (best is None or left < best.left):
            best = LineFault(lines, what, seen, left)
    return best


def _hypotheses(faulty: Words, sound: Words, bits: int) -> Iterator[tuple[tuple[str, ...], str, Words]]:
    """(lines, what, the sound image through it), each where the faulty image has its shape."""
    yield from _data_lines(faulty, sound, bits)
    if faulty.size & (faulty.size - 1) == 0 and faulty.size <= MOST_WORDS:
        yield from _address_lines(faulty, sound)


def _data_lines(faulty: Words, sound: Words, bits: int) -> Iterator[tuple[tuple[str, ...], str, Words]]:
    kind = faulty.dtype.type
    one = [kind(1 << line) for line in range(bits)]
    for line in range(bits):
        column = (faulty & one[line]) != 0
        for level in (False, True):
            if np.mean(column != level) <= MOST_STRAY < np.mean(((sound & one[line]) != 0) != level):
                seen = sound | one[line] if level else sound & ~one[line]
                yield (f"D{line}",), "stuck", seen
    for low, high in combinations(range(bits), 2):
        both = one[low] | one[high]
        apart, own = (_single(words, one[low], one[high]) for words in (faulty, sound))
        if apart > MOST_STRAY or own <= MOST_STRAY:
            continue
        for wins in (False, True):
            hit = (sound & both) != 0 if wins else (sound & both) == both
            yield (f"D{low}", f"D{high}"), "joined", np.where(hit, sound | both, sound & ~both)


def _single(words: Words, low: np.unsignedinteger, high: np.unsignedinteger) -> float:
    """Share of words in which two lines have unlike levels."""
    return float(np.mean(((words & low) != 0) != ((words & high) != 0)))


def _address_lines(faulty: Words, sound: Words) -> Iterator[tuple[tuple[str, ...], str, Words]]:
    lines = faulty.size.bit_length() - 1
    at = np.arange(faulty.size)
    for line in range(lines):
        there = at ^ (1 << line)
        if np.mean(faulty != faulty[there]) <= MOST_STRAY < np.mean(sound != sound[there]):
            yield (f"A{line}",), "dead", sound[at & ~(1 << line)]
            yield (f"A{line}",), "dead", sound[at | (1 << line)]
    for low, high in combinations(range(lines), 2):
        mask = (1 << low) | (1 << high)
        unlike = ((at >> low) ^ (at >> high)) & 1 == 1
        # Joined lines reach no address at which they would be unlike: both such read alike.
        there = at ^ mask
        if np.mean((faulty != faulty[there])[unlike]) > MOST_STRAY:
            continue
        for wins in (False, True):
            routed = np.where(unlike, at | mask if wins else at & ~mask, at)
            if np.mean(faulty[unlike] != faulty[routed[unlike]]) <= MOST_STRAY:
                yield (f"A{low}", f"A{high}"), "joined", sound[routed]


def _count(words: Words) -> int:
    return int(np.bitwise_count(words).sum())

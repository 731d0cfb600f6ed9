"""Counts taken once of an image, which every detector then reads.

Bit columns, address lines, the commonest word.

The commonest word is taken for fill: a pair of words that both hold it says nothing about a line, and is left
out of every count of informative words. Words that a dump does not have are left out in the same way.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words, as_number, lower_ends, pairs_apart

_PIECE = 1 << 16
_BYTES = np.arange(256, dtype=np.uint8)
_BITS_OF_BYTE = np.unpackbits(_BYTES.reshape(-1, 1), axis=1, bitorder="little").astype(np.float64)
"""Shape (256, 8): bit j of each byte."""
_OF_BYTE = np.concatenate(
    [_BITS_OF_BYTE, *(np.abs(_BITS_OF_BYTE - _BITS_OF_BYTE[:, [line]]) for line in range(8))], axis=1
)
"""Shape (256, 72): the bits of each byte, then whether bits i and j differ. Floats, since those multiply
faster.
"""


@dataclass(frozen=True)
class Census:
    """An image with an address space of a whole power of two, and what was counted in it.

    Attributes:
        words: Shape (2**lines,); a chip of another size is padded with words that are not known.
        bits: Bits a word.
        known: None where every word is known, else a bool array of the same shape.
        names: Which line of the chip each address bit of this image is: 0 .. lines-1 unless folded.
    """

    words: Words
    bits: int
    known: NDArray[np.bool_] | None
    names: tuple[int, ...]

    @property
    def size(self) -> int:
        """How many addresses, known or not."""
        return int(self.words.size)

    @cached_property
    def seen(self) -> Words:
        """The known words, in order."""
        return self.words if self.known is None else self.words[self.known]

    @cached_property
    def counts(self) -> NDArray[np.int64]:
        """How often each distinct word occurs, beside `values`."""
        return self._distinct[1]

    @cached_property
    def values(self) -> Words:
        """The distinct words, ascending."""
        return self._distinct[0]

    @cached_property
    def _distinct(self) -> tuple[Words, NDArray[np.int64]]:
        if self.bits <= 8:
            counts = self.histogram
            present = np.flatnonzero(counts)
            return present.astype(self.words.dtype), counts[present]
        values, counts = np.unique(self.seen, return_counts=True)
        return values, counts.astype(np.int64)

    @cached_property
    def histogram(self) -> NDArray[np.int64]:
        """How often each byte value occurs; only for words of at most 8 bits. Shape (256,)."""
        seen = self.seen
        # Counting makes eight bytes of each: in a large chip piece by piece, within the processor's cache.
        pieces = (seen[at : at + _PIECE] for at in range(0, seen.size, _PIECE))
        counts = (np.bincount(piece, minlength=256) for piece in pieces)
        return np.asarray(sum(counts, np.zeros(256, np.int64)), dtype=np.int64)

    @cached_property
    def fill(self) -> int:
        """The commonest word."""
        if self.bits <= 8:
            return int(self.histogram.argmax())
        return int(self.values[self.counts.argmax()])

    @cached_property
    def full(self) -> int:
        """The word with all bits 1."""
        return (1 << self.bits) - 1

    @cached_property
    def told(self) -> NDArray[np.bool_]:
        """Where a word is known and is not fill."""
        told: NDArray[np.bool_] = self.words != self.fill
        return told if self.known is None else told & self.known

    @cached_property
    def columns(self) -> Columns:
        """Counts over the bit columns."""
        return count_columns(self)

    @cached_property
    def line_counts(self) -> tuple[tuple[int, int], ...]:
        """For each address line (pairs that differ, informative pairs)."""
        told, ends = as_number(self.told), lower_ends(len(self.names))
        known = None if self.known is None else as_number(self.known)
        out = []
        for place, end in enumerate(ends):
            by = 1 << place
            apart, informative = pairs_apart(self.words, place), (told | told >> by) & end
            if known is not None:
                apart &= known & known >> by
                informative &= known & known >> by
            out.append((apart.bit_count(), informative.bit_count()))
        return tuple(out)

    @cached_property
    def line_rates(self) -> tuple[float, ...]:
        """For each address line the share of informative pairs that differ; 1.0 where none is informative."""
        return tuple(apart / told if told else 1.0 for apart, told in self.line_counts)

    def folded(self, places: tuple[int, ...]) -> Census:
        """The image with some address lines held at 0: what is left when dead lines are taken away."""
        words, known, names = self.words, self.known, list(self.names)
        for place in sorted(places, reverse=True):
            words = words.reshape(-1, 2, 1 << place)[:, 0].reshape(-1)
            if known is not None:
                known = known.reshape(-1, 2, 1 << place)[:, 0].reshape(-1)
            del names[place]
        return Census(words, self.bits, known, tuple(names))

    def married(self, first: int, second: int) -> Census:
        """The image where two lines of the chip are alike.

        What is left when joined lines are taken as one.
        """
        low, high = sorted((self.names.index(first), self.names.index(second)))

        def diagonal(array: NDArray[Any]) -> NDArray[Any]:
            parts = array.reshape(-1, 2, 1 << (high - low - 1), 2, 1 << low)
            return np.stack([parts[:, 0, :, 0], parts[:, 1, :, 1]], axis=2).reshape(-1)

        known = None if self.known is None else diagonal(self.known)
        names = tuple(name for place, name in enumerate(self.names) if place != high)
        return Census(diagonal(self.words), self.bits, known, names)


@dataclass(frozen=True)
class Columns:
    """What the bit columns do, over all known words and over the distinct ones.

    Attributes:
        words: How many words were counted.
        ones: How many have each bit set, shape (bits,).
        apart: How many have bits i and j different, shape (bits, bits).
        distinct: How many different words there are.
        distinct_ones: The same over the distinct words, where a repeated word counts once.
        distinct_apart: The same over the distinct words.
    """

    words: int
    ones: NDArray[np.int64]
    apart: NDArray[np.int64]
    distinct: int
    distinct_ones: NDArray[np.int64]
    distinct_apart: NDArray[np.int64]


def take(words: Words, bits: int, known: NDArray[np.bool_] | None = None) -> Census:
    """Count an image of any size.

    Args:
        words: Shape (n,), n at least 1.
        bits: Bits a word.
        known: False where the dump had no word.
    """
    lines = max(0, (int(words.size) - 1).bit_length())
    if words.size != 1 << lines:
        padded = np.zeros(1 << lines, dtype=words.dtype)
        padded[: words.size] = words
        there = np.zeros(1 << lines, dtype=np.bool_)
        there[: words.size] = True if known is None else known
        return Census(padded, bits, there, tuple(range(lines)))
    if known is not None and known.all():
        known = None
    return Census(words, bits, known, tuple(range(lines)))


def count_columns(census: Census) -> Columns:
    """Count the columns: from the histogram for narrow words, by a matrix product for wide ones."""
    bits = census.bits
    if bits <= 8:
        counts = census.histogram
        both = np.array([counts, counts > 0], dtype=np.float64) @ _OF_BYTE
        every, once = both.astype(np.int64)
        return Columns(
            int(counts.sum()),
            every[:bits],
            every[8:].reshape(8, 8)[:bits, :bits],
            int(np.count_nonzero(counts)),
            once[:bits],
            once[8:].reshape(8, 8)[:bits, :bits],
        )
    ones, apart = _wide(census.values, census.counts, bits)
    once, once_apart = _wide(census.values, np.ones_like(census.counts), bits)
    return Columns(int(census.counts.sum()), ones, apart, int(census.values.size), once, once_apart)


def bit_matrix(words: Words, bits: int) -> NDArray[np.float64]:
    """One row a word, one column a bit, as 0.0 and 1.0. Shape (n, bits)."""
    wide = words.astype(f">u{words.dtype.itemsize}").view(np.uint8).reshape(words.size, -1)
    matrix = np.unpackbits(wide, axis=1)[:, ::-1][:, :bits]
    return matrix.astype(np.float64)


def _wide(values: Words, weights: NDArray[Any], bits: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    matrix = bit_matrix(values, bits)
    weighted = matrix * weights[:, None]
    ones = weighted.sum(axis=0)
    both = matrix.T @ weighted
    return ones.astype(np.int64), (ones[:, None] + ones[None, :] - 2 * both).astype(np.int64)

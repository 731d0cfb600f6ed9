"""Single exchanges and inversions of a chip's lines: what a crossed or inverted wire does to an image."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words

Addresses = NDArray[np.intp]


class LineChange(NamedTuple):
    """One exchange or inversion of lines.

    Attributes:
        bus: "address" or "data".
        lines: Two lines that are exchanged, or one that is inverted.
    """

    bus: str
    lines: tuple[int, ...]

    def undo(self, words: Words) -> Words:
        """The image with the crossing taken out (an exchange and an inversion undo themselves)."""
        if self.bus == "address":
            return np.asarray(words[sources(np.arange(len(words), dtype=np.intp), [self])[0]])
        if len(self.lines) == 1:
            return np.asarray(words ^ words.dtype.type(1 << self.lines[0]))
        low, high = self.lines
        one = words.dtype.type(1)
        differ = (words >> words.dtype.type(low) ^ words >> words.dtype.type(high)) & one
        return np.asarray(words ^ (differ << words.dtype.type(low) | differ << words.dtype.type(high)))


def sources(address: Addresses, changes: Sequence[LineChange]) -> Addresses:
    """For each change of address lines and each address, the one it has before the exchange or inversion.

    Args:
        address: Shape (n,), or (changes, n).
        changes: Those of data lines move nothing.

    Returns:
        Shape (changes, n).
    """
    moving = [one.lines if one.bus == "address" else (0, 0) for one in changes]
    low, high = (np.array([lines[end] for lines in moving], dtype=np.intp)[:, None] for end in (0, -1))
    inverted = np.array([len(lines) == 1 for lines in moving])[:, None]
    # Bits that differ are both turned; one line alone is an exchange with a line that always differs.
    differ = inverted | ((address >> low ^ address >> high) & 1)
    return np.asarray(address ^ (differ << low | differ << high))


def crossings(total: int, bits: int) -> Iterator[LineChange]:
    """Every single exchange and inversion of the lines of a chip."""
    for bus, count in (("address", (total - 1).bit_length()), ("data", bits)):
        for lines in combinations(range(count), 2):
            yield LineChange(bus, lines)
        for line in range(count):
            yield LineChange(bus, (line,))

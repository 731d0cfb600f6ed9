"""Words of a chip as arrays: the smallest unsigned type for its bits, one element a word, address 0 first."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.unsignedinteger[Any]]
"""Words of a chip, one element a word."""


def words_dtype(bits: int) -> np.dtype[np.unsignedinteger[Any]]:
    """The smallest unsigned type that holds `bits` bits (1 to 64)."""
    return np.dtype(
        np.uint8 if bits <= 8 else np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64
    )


def word_bytes(words: Words, bits: int, byte_order: str = "big") -> bytes:
    """Words as a file holds them: ceil(bits / 8) bytes each.

    Args:
        words: One element a word.
        bits: Width of a word.
        byte_order: `big` or `little`, of words wider than 8 bits; this program's image files are big-endian.

    Example:
        >>> word_bytes(np.array([0x123, 0x45], np.uint16), 12).hex()
        '01230045'
    """
    size = (bits + 7) // 8
    if size == 1:
        return words.astype(np.uint8, copy=False).tobytes()
    wide = words.astype(">u8").view(np.uint8).reshape(-1, 8)[:, 8 - size :]
    return (wide if byte_order == "big" else wide[:, ::-1]).tobytes()


def true_ranges(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """The half-open ranges in which a mask is true, in order.

    Example:
        >>> true_ranges(np.array([True, False, True, True]))
        [(0, 1), (2, 4)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False]))))
    return [(int(start), int(end)) for start, end in zip(edges[::2], edges[1::2], strict=True)]

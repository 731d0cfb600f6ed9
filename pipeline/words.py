"""Words of a chip as arrays: the smallest unsigned type for its bits, one element a word, address 0 first."""

from __future__ import annotations

from functools import lru_cache
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


MOST_BLOCKS = 64
"""Into so many equal stretches a chip's addresses are cut where something is counted along them."""


def block_starts(words: int) -> NDArray[np.intp]:
    """The first address of each block, and behind them the number of words: a word a block in small chips.

    Example:
        >>> block_starts(3).tolist()
        [0, 1, 2, 3]
    """
    blocks = min(MOST_BLOCKS, words)
    return -(-np.arange(blocks + 1) * words // max(blocks, 1))


def counted_by_block(mask: NDArray[np.bool_]) -> list[int]:
    """How many elements of a mask are true in each block of addresses.

    Example:
        >>> counted_by_block(np.arange(128) > 125)[-2:]
        [0, 2]
    """
    if not mask.size:
        return []
    counts: list[int] = np.add.reduceat(mask, block_starts(mask.size)[:-1], dtype=np.int64).tolist()
    return counts


def distinct(words: NDArray[Any]) -> int:
    """How many different values there are; of bytes counted, which takes a third of sorting them.

    Example:
        >>> distinct(np.array([3, 1, 3], np.uint8))
        2
    """
    if words.dtype == np.uint8:
        return int(np.count_nonzero(np.bincount(words)))
    return len(np.unique(words))


def true_edges(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where the runs of true elements begin and where each ends, as two arrays of one length."""
    if not len(mask):
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    starts, ends = (edges[1::2], edges[::2]) if mask[0] else (edges[::2], edges[1::2])
    return (
        np.concatenate(([0], starts)) if mask[0] else starts,
        np.concatenate((ends, [len(mask)])) if mask[-1] else ends,
    )


def true_ranges(mask: NDArray[np.bool_], least: int = 1) -> list[tuple[int, int]]:
    """The half-open ranges in which a mask is true, in order, those of at least `least` elements.

    Example:
        >>> true_ranges(np.array([True, False, True, True]))
        [(0, 1), (2, 4)]
        >>> true_ranges(np.array([True, False, True, True]), 2)
        [(2, 4)]
    """
    starts, ends = true_edges(mask)
    keep = ends - starts >= least
    return list(zip(starts[keep].tolist(), ends[keep].tolist(), strict=True))


def as_number(mask: NDArray[np.bool_]) -> int:
    """A mask as one long number, bit n for element n: of some thousand elements it is counted the quickest.

    Example:
        >>> bin(as_number(np.array([True, False, True])))
        '0b101'
    """
    return int.from_bytes(np.packbits(mask, bitorder="little").tobytes(), "little")


@lru_cache(maxsize=4)
def lower_ends(lines: int) -> tuple[int, ...]:
    """For each address line the addresses at which it is 0, as bits of a long number.

    Kept for few sizes at a time: of a million words they take 3 MB.

    Args:
        lines: How many.

    Example:
        >>> [f"{line:08b}" for line in lower_ends(3)]
        ['01010101', '00110011', '00001111']
    """
    found = [(1 << (1 << line)) - 1 for line in range(lines)]
    for line in range(lines):
        for further in range(line + 1, lines):
            found[line] |= found[line] << (1 << further)
    return tuple(found)


def pairs_apart(words: NDArray[Any], line: int) -> int:
    """Which words differ from those whose addresses differ from theirs in one address line alone.

    Args:
        words: Shape (2^lines,).
        line: Of the lines.

    Returns:
        Bits of a long number, by the lower address of each pair.

    Example:
        >>> bin(pairs_apart(np.array([7, 7, 7, 6]), 0))
        '0b100'
    """
    by = 1 << line
    ends = lower_ends(len(words).bit_length() - 1)[line]
    return as_number(words[by:] != words[:-by]) & ends

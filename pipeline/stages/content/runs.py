"""Stretches in arrays of words: the few array operations that every search of this stage is made of.

Ten thousand chips are searched in one go, so each of these costs a few passes over the array and no Python
loop over words.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words, true_ranges

_FEW = 5
"""Runs of so many or more are few in what is searched for them, and searched for as bytes."""


def looked_up(raw: bytes, table: bytes) -> NDArray[np.uint8]:
    """What a table of 256 bytes holds for each byte; half of the time of an index into an array."""
    return np.frombuffer(raw.translate(table), np.uint8)


def all_of_eight(marks: NDArray[np.uint8]) -> int:
    """Bits that all bytes of some aligned group of eight have, together: those of any run of fifteen are.

    Example:
        >>> all_of_eight(np.array([3, 1, 1, 1, 1, 1, 1, 5, 6], np.uint8))
        1
    """
    together = marks[: len(marks) & ~7]
    for _ in range(3):
        together = together[::2] & together[1::2]
    return int(np.bitwise_or.reduce(together))


def runs(mask: NDArray[np.bool_], least: int = 1) -> list[tuple[int, int]]:
    """Half-open ranges of the maximal runs of true elements that are at least `least` long.

    Example:
        >>> runs(np.array([True, True, False, True]), 2)
        [(0, 2)]
    """
    if least < _FEW:
        return true_ranges(mask, least)
    raw, wanted = mask.tobytes(), b"\1" * least
    found: list[tuple[int, int]] = []
    start = raw.find(wanted)
    while start >= 0:
        end = raw.find(0, start + least)
        end = len(raw) if end < 0 else end
        found.append((start, end))
        start = raw.find(wanted, end)
    return found


def as_bytes(words: Words, bits: int) -> NDArray[np.uint8]:
    """The words as bytes, each word big-endian in as few bytes as hold it.

    Args:
        words: Shape (n,).
        bits: Bits a word.

    Returns:
        Shape (n * bytes a word,), uint8.
    """
    if bits <= 8:
        return words.astype(np.uint8, copy=False)
    size = (bits + 7) // 8
    wide = words.astype(words.dtype.newbyteorder(">"), copy=False)
    return (
        np.ascontiguousarray(wide)
        .view(np.uint8)
        .reshape(len(words), words.dtype.itemsize)[:, -size:]
        .reshape(-1)
    )


def hex_words(words: Words, bits: int, *, at_most: int = 8) -> str:
    """The first few words in hex, for a person: `3E 00 D3 …`."""
    digits = (bits + 3) // 4
    shown = " ".join(f"{int(word):0{digits}X}" for word in words[:at_most])
    return shown + (" …" if len(words) > at_most else "")


def entropy_bits(words: Words) -> float:
    """Entropy of the distribution of words, in bits a word; 0 for a constant stretch."""
    counts = np.bincount(words) if words.dtype == np.uint8 else np.unique(words, return_counts=True)[1]
    counts = counts[counts > 0]
    share: NDArray[Any] = counts / len(words)
    return float(-(share * np.log2(share)).sum())


def alignment(address: int, total: int) -> int:
    """The greatest power of two that divides an address; address 0 counts as the whole image's size."""
    return address & -address if address else total

"""The fast path for clean record files: whole files decoded as arrays, with no doubt left over.

A function here returns None as soon as anything at all is out of the ordinary; the exact decoder then reads
the file record by record and says what is wrong and where. Both give the same result on clean files (property
test).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.neutral import Block

MOST_LENGTHS = 64
"""Clean files have records of few different lengths."""

NIBBLE = np.full(256, 0xFF, dtype=np.uint8)
"""Value of an ASCII hexadecimal digit, 0xFF for anything else."""
NIBBLE[np.frombuffer(b"0123456789", dtype=np.uint8)] = np.arange(10, dtype=np.uint8)
NIBBLE[np.frombuffer(b"ABCDEF", dtype=np.uint8)] = np.arange(10, 16, dtype=np.uint8)
NIBBLE[np.frombuffer(b"abcdef", dtype=np.uint8)] = np.arange(10, 16, dtype=np.uint8)


class Rows(NamedTuple):
    """All lines of one length.

    Attributes:
        order: Line numbers in the file, ascending.
        head: Shape (n, head), the characters before the digits.
        values: Shape (n, pairs), one byte a pair of digits.
    """

    order: NDArray[np.int64]
    head: NDArray[np.uint8]
    values: NDArray[np.uint8]


def rows(content: bytes, head: int) -> list[Rows] | None:
    """Every line as a row of bytes, grouped by length, or None where a line is not clean.

    Args:
        content: The file; lines end in LF or CR LF, the last may have no end; empty lines are skipped.
        head: Characters of a line before its pairs of digits.
    """
    units = np.frombuffer(content, dtype=np.uint8)
    ends = np.flatnonzero(units == 10)
    starts = np.concatenate([[0], ends + 1])
    ends = np.concatenate([ends, [len(units)]])
    returns = content.count(b"\r")
    if returns:
        carried = (ends > starts) & (units[np.maximum(ends - 1, 0)] == 13)
        if int(carried.sum()) != returns:
            return None
        ends = ends - carried
    lengths = ends - starts
    kinds = np.unique(lengths)
    kinds = kinds[kinds > 0]
    if len(kinds) == 0 or len(kinds) > MOST_LENGTHS:
        return None
    found = []
    for length in kinds:
        if length <= head or (length - head) % 2 or length > 1024:
            return None
        order = np.flatnonzero(lengths == length)
        lines = np.lib.stride_tricks.sliding_window_view(units, int(length))[starts[order]]
        nibbles = NIBBLE[lines[:, head:]]
        if (nibbles > 15).any():
            return None
        found.append(Rows(order, lines[:, :head], (nibbles[:, 0::2] << 4) | nibbles[:, 1::2]))
    return found


def laid(
    addresses: list[NDArray[np.int64]], payloads: list[NDArray[np.uint8]], limit: int | None
) -> tuple[Block, ...] | None:
    """Blocks out of clean rows, or None where two overlap or one lies beyond the limit.

    Args:
        addresses: For each group, shape (n,).
        payloads: For each group, shape (n, length).
        limit: Highest acceptable address + 1, or None.
    """
    kept = [pair for pair in zip(addresses, payloads, strict=True) if pair[1].size]
    if not kept:
        return ()
    start = np.concatenate([one for one, _ in kept])
    size = np.concatenate([np.full(len(one), rows_.shape[1], dtype=np.int64) for one, rows_ in kept])
    order = np.argsort(start, kind="stable")
    start, size = start[order], size[order]
    stop = start + size
    if (stop[:-1] > start[1:]).any() or (limit is not None and stop[-1] > limit):
        return None
    flat_at = np.empty(len(order), dtype=np.int64)
    flat_at[order] = np.concatenate([[0], np.cumsum(size)[:-1]])
    flat = np.empty(int(size.sum()), dtype=np.uint8)
    done = 0
    for one, rows_ in kept:
        _scatter(flat, flat_at[done : done + len(one)], rows_)
        done += len(one)
    heads = np.concatenate([[0], np.flatnonzero(stop[:-1] != start[1:]) + 1])
    cuts = np.concatenate([[0], np.cumsum(size)])
    tails = np.concatenate([heads[1:], [len(start)]])
    return tuple(Block(int(start[a]), flat[cuts[a] : cuts[b]]) for a, b in zip(heads, tails, strict=True))


def _scatter(flat: NDArray[np.uint8], at: NDArray[np.int64], payload: NDArray[np.uint8]) -> None:
    """Put each row at its place; rows that follow each other are copied in one piece."""
    width = payload.shape[1]
    if len(at) and int(at[-1]) - int(at[0]) == (len(at) - 1) * width and (np.diff(at) == width).all():
        flat[int(at[0]) : int(at[0]) + payload.size] = payload.reshape(-1)
        return
    for row in range(0, len(at), 8192):
        flat[at[row : row + 8192, None] + np.arange(width)] = payload[row : row + 8192]

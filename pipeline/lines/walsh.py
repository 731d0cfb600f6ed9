"""The fast Walsh-Hadamard transform of data columns, and the marks of a line that no inversion can change.

Permuting address lines permutes the spectrum's indices, inverting one changes signs only: so magnitudes of
low-order coefficients tell which line is which before any sign is known.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words

Floats = NDArray[np.float32]
CHUNK_LINES = 5
"""Lines transformed by one matrix product: larger wastes arithmetic, smaller wastes memory traffic."""
ROW = 256
"""Words a product takes at a time. So small a product the matrix library does alone, without waking threads
that spin and wait for each other on a busy machine (measured: up to 20 times slower there)."""


def signs(words: Words, bits: int) -> Floats:
    """Data columns as +1 (a 0 bit) and −1 (a 1 bit), shape (bits, words)."""
    columns = np.empty((bits, words.size), dtype=np.float32)
    kind = words.dtype.type
    for line in range(bits):
        np.multiply((words >> kind(line)) & kind(1), np.float32(-2), out=columns[line], casting="unsafe")
    columns += np.float32(1)
    return columns


@cache
def _hadamard(lines: int) -> Floats:
    matrix = np.ones((1, 1), dtype=np.float32)
    for _ in range(lines):
        matrix = np.block([[matrix, matrix], [matrix, -matrix]]).astype(np.float32)
    return matrix


def walsh(columns: Floats) -> Floats:
    """Walsh-Hadamard transform of each row, natural (Hadamard) order, not normalised.

    Args:
        columns: Shape (columns, 2^n).

    Returns:
        Float32 of the same shape; exact while the sums stay below 2^24. Nothing is raised.

    Source: the fast transform factors H(2^n) into Kronecker products (Fino & Algazi 1976); here each factor
    is a matrix product over up to `CHUNK_LINES` lines.

    Example:
        >>> walsh(np.array([[1, 0, 1, 0, 0, 1, 1, 0]], np.float32)).astype(int).tolist()
        [[4, 2, 0, -2, 0, 2, 0, 2]]
    """
    size = columns.shape[1]
    lines = size.bit_length() - 1
    spectra = np.array(columns, dtype=np.float32, order="C")
    spare = np.empty(size, dtype=np.float32)
    for row in spectra:  # a row at a time stays in the processor's cache
        _transform(row, spare, lines)
    return spectra


def _transform(row: Floats, spare: Floats, lines: int) -> None:
    """Transform one row in place, `CHUNK_LINES` lines at a time, by turns into the spare row and back."""
    source, target = row, spare
    done = 0
    while done < lines:
        chunk = min(CHUNK_LINES, -(-(lines - done) // -(-(lines - done) // CHUNK_LINES)))
        matrix, after = _hadamard(chunk), 1 << done
        if after == 1:
            whole = (-1, min(ROW, row.size >> chunk), 1 << chunk)
            np.matmul(source.reshape(whole), matrix, out=target.reshape(whole))
        else:
            shape = (-1, 1 << chunk, after // min(ROW, after), min(ROW, after))
            turned = target.reshape(shape).transpose(0, 2, 1, 3)
            np.matmul(matrix, source.reshape(shape).transpose(0, 2, 1, 3), out=turned)
        source, target = target, source
        done += chunk
    if source is spare:
        row[:] = spare


def products(one: Floats, other: Floats) -> Floats:
    """Products of each row of one with each row of the other summed, shape (rows of one, of other)."""
    rows, size = one.shape
    # Float32 sums stay exact to 2^24, so long rows are added up block by block; the block is sized to the
    # cache.
    block = max(64, (1 << 18) // (rows * other.shape[0]))
    whole = size - size % block
    total = one[:, whole:] @ other[:, whole:].T
    if whole:
        left = one[:, :whole].reshape(rows, -1, block).transpose(1, 0, 2)
        right = other[:, :whole].reshape(other.shape[0], -1, block).transpose(1, 2, 0)
        total = total + np.matmul(left, right).sum(axis=0)
    return np.asarray(total, dtype=np.float32)


class Marks(NamedTuple):
    """What tells a line from its neighbours whatever is inverted.

    Attributes:
        of_data: Shape (f, bits): marks of one data line.
        of_pair: Shape (f, bits, n): marks of a data line and an address line together.
        of_two_addresses: Shape (f, bits, n, n).
        of_two_data: Shape (bits, bits): how alike two data columns are.
        of_triple: Shape (bits, bits, n): how often two data lines change together when an address line does.
        spectrum: Shape (bits, 2^n), normalised to at most 1.
    """

    of_data: Floats
    of_pair: Floats
    of_two_addresses: Floats
    of_two_data: Floats
    of_triple: Floats
    spectrum: Floats


MOST_TABLE_BITS = 12
"""Words of at most so many bits have a table of all their changes; wider ones go by columns."""


def _changes(words: Words, bits: int) -> Floats:
    """How data lines change together when one address line does, by a table of all 2^bits changes.

    The transform of how often each change occurs gives, at the index of two data lines, the mean product of
    their changes.
    """
    lines = words.size.bit_length() - 1
    tables = np.empty((lines, 1 << bits), dtype=np.float32)
    for line in range(lines):
        halves = words.reshape(-1, 2, 1 << line)
        tables[line] = np.bincount((halves[:, 0] ^ halves[:, 1]).ravel(), minlength=1 << bits)
    one = 1 << np.arange(bits)
    spectrum = walsh(tables)[:, one[:, None] ^ one[None, :]] / np.float32(words.size // 2)
    return np.ascontiguousarray(np.moveaxis(spectrum, 0, -1))


def _changes_of_wide_words(columns: Floats) -> Floats:
    """The same for words too wide for a table."""
    bits, size = columns.shape
    lines = size.bit_length() - 1
    triple = np.empty((bits, bits, lines), dtype=np.float32)
    for line in range(lines):
        halves = columns.reshape(bits, -1, 2, 1 << line)
        # +1 where the two words agree in the bit and -1 where they differ: the sign of the inversion drops
        # out.
        change = (halves[:, :, 0] * halves[:, :, 1]).reshape(bits, -1)
        triple[:, :, line] = products(change, change) / np.float32(size // 2)
    return triple


def marks(words: Words, bits: int, columns: Floats) -> Marks:
    """The marks of every line of an image.

    Args:
        words: 2^n words.
        bits: Bits a word.
        columns: Their columns as `signs` gives them, shape (bits, 2^n).
    """
    size = words.size
    lines = size.bit_length() - 1
    spectrum = walsh(columns) / np.float32(size)
    likeness = walsh(spectrum * spectrum)  # Wiener-Khinchin: autocorrelation over xor of addresses
    one = 1 << np.arange(lines)
    two = one[:, None] | one[None, :]
    first = np.abs(spectrum[:, one])
    second = np.abs(spectrum[:, two])
    second[:, np.arange(lines), np.arange(lines)] = 0
    twice = likeness[:, two]
    twice[:, np.arange(lines), np.arange(lines)] = 0
    triple = _changes(words, bits) if bits <= MOST_TABLE_BITS else _changes_of_wide_words(columns)
    return Marks(
        of_data=np.abs(spectrum[None, :, 0]),
        of_pair=np.stack([first, likeness[:, one]]),
        of_two_addresses=np.stack([second, twice]),
        of_two_data=np.asarray(np.abs(products(columns, columns)) / size, dtype=np.float32),
        of_triple=triple,
        spectrum=spectrum,
    )

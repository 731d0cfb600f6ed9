"""An image's bits as rows of pixels: how wide, how many rows to one, and which word lies where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from schemas.names import Organisation

Bits = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class ChipWords:
    """The words of one chip, ready to be drawn.

    Attributes:
        organisation: Words and bits.
        octets: Shape (words, bytes a word), big-endian.
        bits: Shape (words, bits), 0 or 1, the most significant first; 0 where nobody read the word.
        known: Where words were read, shape (words,); None where all were.
    """

    organisation: Organisation
    octets: NDArray[np.uint8]
    bits: Bits
    known: NDArray[np.bool_] | None = None

    def word(self, address: int) -> int:
        """The word at an address."""
        return int.from_bytes(self.octets[address].tobytes(), "big")


def content_of(
    organisation: Organisation, stored: bytes, absent: Sequence[Sequence[int]] = ()
) -> ChipWords | None:
    """The content of an image file: one word after the other, ceil(bits/8) bytes each, big-endian.

    Args:
        organisation: What the record says.
        stored: The file's bytes.
        absent: Half-open ranges of words that no reading has: what stands there is not looked at.

    Returns:
        None where the file is not as long as the organisation says: nothing is drawn that might be wrong.
    """
    if len(stored) != organisation.size_bytes:
        return None
    octets = np.frombuffer(stored, np.uint8).reshape(organisation.words, organisation.bytes_a_word)
    bits = np.unpackbits(octets, axis=1)[:, organisation.bytes_a_word * 8 - organisation.bits :]
    if not absent:
        return ChipWords(organisation, octets, bits)
    known = np.ones(organisation.words, np.bool_)
    for start, end in absent:
        known[start:end] = False
    octets, bits = octets * known[:, None], bits * known[:, None]
    return ChipWords(organisation, octets.astype(np.uint8), bits.astype(np.uint8), known)


@dataclass(frozen=True, slots=True)
class PictureLayout:
    """How the bits of a chip become a picture.

    Attributes:
        words_a_row: Words side by side in one row, a power of two.
        rows: Rows of words, the last one perhaps not full.
        averaged: How many rows one row of pixels is the average of; 1 is one pixel a bit.
        width: Pixels.
        height: Pixels.
    """

    words_a_row: int
    rows: int
    averaged: int
    width: int
    height: int


@lru_cache(maxsize=256)
def layout_of(organisation: Organisation, most_pixels: int) -> PictureLayout:
    """The layout nearest to a square; rows are averaged where the bits are more than `most_pixels`.

    Only rows are averaged, so that a pixel never mixes two data lines.
    """
    words, bits = organisation
    averaged = 1
    while words * bits > most_pixels * averaged:
        averaged *= 2

    def lopsided(row: int) -> float:
        return abs(math.log(row * bits * averaged * row / words))

    candidates = [1 << power for power in range(max(words.bit_length(), 1)) if 1 << power <= words]
    row = min(candidates, key=lopsided)
    rows = -(-words // row)
    return PictureLayout(row, rows, averaged, row * bits, -(-rows // averaged))


def pixel_bits(bits: Bits, layout: PictureLayout) -> Bits:
    """Shape (rows, width): a row holds `words_a_row` words, their most significant bit left; rest 0."""
    words, width = bits.shape
    if words == layout.rows * layout.words_a_row:
        return bits.reshape(layout.rows, layout.words_a_row * width)
    whole = np.zeros((layout.rows * layout.words_a_row, width), np.uint8)
    whole[:words] = bits
    return whole.reshape(layout.rows, layout.words_a_row * width)


def pixel_levels(bits: Bits, layout: PictureLayout, *, keep_single: bool = False) -> Bits:
    """Shape (height, width), 0 to 15: the average of `averaged` bits of one line.

    Args:
        bits: Shape (words, bits).
        layout: Its layout, with `averaged` above 1.
        keep_single: Let one set bit show as full ink: right for masks, where one bit is the news.
    """
    rows = pixel_bits(bits, layout)
    padded = np.zeros((layout.height * layout.averaged, layout.width), np.uint8)
    padded[: layout.rows] = rows
    blocks = padded.reshape(layout.height, layout.averaged, layout.width)
    if keep_single:
        return np.where(blocks.any(axis=1), np.uint8(15), np.uint8(0))
    there = np.full(layout.height, layout.averaged)
    there[-1] = layout.rows - (layout.height - 1) * layout.averaged
    total = blocks.sum(axis=1, dtype=np.uint32)
    levels: Bits = np.rint(total * 15 / there[:, None]).astype(np.uint8)
    return levels

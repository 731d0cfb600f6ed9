"""An image's bits as rows of pixels: how wide, how many rows to one, and which word lies where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from schemas.names import Organisation

Bits = NDArray[np.uint8]


class ChipWords(NamedTuple):
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
    flat = np.frombuffer(stored, np.uint8)
    octets = flat.reshape(organisation.words, organisation.bytes_a_word)
    wide = organisation.bytes_a_word * 8
    # In one go: along an axis the unpacking begins anew with every word.
    bits = np.unpackbits(flat).reshape(organisation.words, wide)[:, wide - organisation.bits :]
    if not absent:
        return ChipWords(organisation, octets, bits)
    known = np.ones(organisation.words, np.bool_)
    for start, end in absent:
        known[start:end] = False
    octets, bits = octets * known[:, None], bits * known[:, None]
    return ChipWords(organisation, octets.astype(np.uint8), bits.astype(np.uint8), known)


class PictureLayout(NamedTuple):
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


def pixel_levels(bits: Bits, layout: PictureLayout, known: NDArray[np.bool_] | None = None) -> Bits:
    """Shape (height, width), 0 to 15: the average of `averaged` bits of one line, of words that were read.

    Args:
        bits: Shape (words, bits).
        layout: Its layout, with `averaged` above 1.
        known: Where words were read; a dot of which no word was read is 0.
    """
    total = _summed(pixel_bits(bits, layout), layout)
    if known is None:
        there = np.full((layout.height, 1), layout.averaged)
        there[-1] = layout.rows - (layout.height - 1) * layout.averaged
    else:
        every = np.repeat(known.astype(np.uint8)[:, None], bits.shape[1], axis=1)
        there = np.maximum(_summed(pixel_bits(every, layout), layout), 1)
    levels: Bits = np.rint(total * 15 / there).astype(np.uint8)
    return levels


def density_levels(mask: Bits, layout: PictureLayout) -> Bits:
    """As `pixel_levels`, of a mask: what is set at all is seen, and the rest of the scale tells how much."""
    total = _summed(pixel_bits(mask, layout), layout)
    levels: Bits = np.where(total, FAINTEST + total * (15 - FAINTEST) // layout.averaged, 0).astype(np.uint8)
    return levels


FAINTEST = 5
"""Of fifteen levels: fainter ink is not seen on paper; measured by eye."""


def _summed(rows: Bits, layout: PictureLayout) -> NDArray[np.uint32]:
    """Shape (height, width): the sum of `averaged` rows."""
    padded = np.zeros((layout.height * layout.averaged, layout.width), np.uint8)
    padded[: layout.rows] = rows
    blocks = padded.reshape(layout.height, layout.averaged, layout.width)
    total: NDArray[np.uint32] = blocks.sum(axis=1, dtype=np.uint32)
    return total


def picture_pixels(content: ChipWords, layout: PictureLayout) -> Bits:
    """The dots of an image, the words side by side: bits, or levels where rows are averaged."""
    if layout.averaged == 1:
        return pixel_bits(content.bits, layout)
    return pixel_levels(content.bits, layout, content.known)


def mask_pixels(mask: Bits, layout: PictureLayout) -> Bits:
    """The dots of a mask, shape (words, bits), in which one bit is the news."""
    return pixel_bits(mask, layout) if layout.averaged == 1 else density_levels(mask, layout)


def unread_pixels(content: ChipWords, layout: PictureLayout) -> Bits | None:
    """The dots of words that nobody read; None where every word was read."""
    if content.known is None:
        return None
    unread = np.repeat(~content.known[:, None], content.organisation.bits, axis=1).astype(np.uint8)
    return pixel_bits(unread, layout) if layout.averaged == 1 else pixel_levels(unread, layout)


def in_lanes(pixels: Bits, layout: PictureLayout, bits: int) -> Bits:
    """The same dots sorted by data line: the highest line's lane left, `words_a_row` dots wide."""
    height = pixels.shape[0]
    return pixels.reshape(height, layout.words_a_row, bits).swapaxes(1, 2).reshape(height, -1)

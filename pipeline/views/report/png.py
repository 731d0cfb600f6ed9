"""A PNG of two or sixteen levels of one ink on a clear ground, the same bytes on every machine.

The picture data is stored, not deflated: builds of zlib compress alike data differently, and a report must
not change its digest with the machine that made it. One bit a pixel costs no more than the image itself.

Source: Portable Network Graphics (PNG) Specification, second edition (ISO/IEC 15948:2003), sections 5 and 11;
RFC 1950 section 2.2 (zlib header, Adler-32); RFC 1951 section 3.2.4 (stored blocks).
"""

from __future__ import annotations

import struct
import zlib
from binascii import b2a_base64
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

SIGNATURE = b"\x89PNG\r\n\x1a\n"
LONGEST_STORED_BLOCK = 0xFFFF
"""Source: RFC 1951 section 3.2.4: LEN is two bytes."""
Ink = tuple[int, int, int]
_number = struct.Struct(">I").pack
_stored = struct.Struct("<BHH").pack


def _chunk(name: bytes, body: bytes) -> bytes:
    return b"".join((_number(len(body)), name, body, _number(zlib.crc32(body, zlib.crc32(name)))))


def stored_zlib(raw: bytes) -> bytes:
    """The bytes as a zlib stream of stored blocks: any inflater reads it, and no build writes it otherwise.

    Args:
        raw: Any bytes, possibly none.

    Returns:
        Header 78 01, stored blocks, Adler-32.
    """
    out = [b"\x78\x01"]
    starts = range(0, max(len(raw), 1), LONGEST_STORED_BLOCK)
    for start in starts:
        block = raw[start : start + LONGEST_STORED_BLOCK]
        final = start + LONGEST_STORED_BLOCK >= len(raw)
        out += (_stored(final, len(block), len(block) ^ 0xFFFF), block)
    out.append(_number(zlib.adler32(raw)))
    return b"".join(out)


_IEND = _chunk(b"IEND", b"")


@lru_cache(maxsize=64)
def _before(width: int, height: int, depth: int, levels: int, ink: Ink) -> bytes:
    """What pictures of one size share."""
    alphas = bytes(round(255 * level / (levels - 1)) for level in range(levels))
    return b"".join(
        (
            SIGNATURE,
            _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, 3, 0, 0, 0)),
            _chunk(b"PLTE", bytes(ink) * levels),
            _chunk(b"tRNS", alphas),
        )
    )


def _assemble(width: int, height: int, depth: int, levels: int, ink: Ink, rows: NDArray[np.uint8]) -> bytes:
    """Signature, IHDR (colour type 3), PLTE, tRNS, IDAT, IEND; each row has filter 0 in front."""
    raw = np.zeros((height, rows.shape[1] + 1), np.uint8)
    raw[:, 1:] = rows
    return _before(width, height, depth, levels, ink) + _chunk(b"IDAT", stored_zlib(raw.tobytes())) + _IEND


def bits_png(bits: NDArray[Any], ink: Ink) -> bytes:
    """One pixel a bit: palette index 1 (the ink) where the bit is 1, index 0 (clear) where it is 0.

    Args:
        bits: Shape (height, width), 0 or 1, neither side empty.
        ink: Red, green, blue.

    Returns:
        The file's bytes.
    """
    height, width = bits.shape
    # Along an axis the packing begins anew with every row.
    rows = np.packbits(bits, axis=1) if width % 8 else np.packbits(bits).reshape(height, width // 8)
    return _assemble(width, height, 1, 2, ink, rows)


def levels_png(levels: NDArray[np.uint8], ink: Ink) -> bytes:
    """Sixteen levels of one ink, four bits a pixel: 0 is clear and 15 is full ink.

    Args:
        levels: Shape (height, width), 0 to 15, neither side empty.
        ink: Red, green, blue.

    Returns:
        The file's bytes.
    """
    height, width = levels.shape
    return _assemble(width, height, 4, 16, ink, _packed(levels, 4))


def quarters_png(levels: NDArray[np.uint8], ink: Ink) -> bytes:
    """Four levels of one ink, two bits a pixel: 0 is clear and 3 is full ink.

    Args:
        levels: Shape (height, width), 0 to 3, neither side empty.
        ink: Red, green, blue.

    Returns:
        The file's bytes.
    """
    height, width = levels.shape
    return _assemble(width, height, 2, 4, ink, _packed(levels, 2))


def _packed(levels: NDArray[np.uint8], bits: int) -> NDArray[np.uint8]:
    """Pixels of so many bits side by side in bytes, the first one highest; a row is filled with zeros."""
    height, width = levels.shape
    each = 8 // bits
    whole = np.zeros((height, -(-width // each) * each), np.uint8)
    whole[:, :width] = levels
    out = whole[:, 0::each] << np.uint8(8 - bits)
    for place in range(1, each):
        out |= whole[:, place::each] << np.uint8(8 - bits * (place + 1))
    return out


def dots_png(dots: NDArray[np.uint8], ink: Ink, *, levels: bool) -> bytes:
    """Bits, or levels of 0 to 15, as a picture.

    Args:
        dots: Shape (height, width), neither side empty.
        ink: Red, green, blue.
        levels: Whether they are levels.
    """
    return levels_png(dots, ink) if levels else bits_png(dots, ink)


def data_uri(png: bytes) -> str:
    """The picture inside the page: nothing is asked of any network."""
    return "data:image/png;base64," + b2a_base64(png, newline=False).decode("ascii")

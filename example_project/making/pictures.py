"""Small photographs, byte for byte the same everywhere, with the EXIF that a telephone leaves in them.

A drawing of a board stands in for a photograph. The JPEG has one grey for each block of eight by eight dots,
so that its only coefficients are the first of each block; the PNG is stored, not deflated, since compressed
bytes differ from one zlib to the next.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

GPS_NORTH, GPS_EAST = ((55, 1), (3, 1), (2711, 100)), ((3, 1), (14, 1), (930, 100))
"""Degrees, minutes, seconds, each as a fraction: a place in the open sea."""
_DC_COUNTS = (0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0)
_DC_CODES = {
    0: "00",
    1: "010",
    2: "011",
    3: "100",
    4: "101",
    5: "110",
    6: "1110",
    7: "11110",
    8: "111110",
    9: "1111110",
}
"""Source: ITU-T T.81 (1992) annex K.3.1, table K.3: luminance DC differences."""


def board(columns: int, rows: int, sockets: int) -> list[list[int]]:
    """A drawing of a board: greys from 0 to 255, `rows` lists of `columns`, with so many chips in a line."""
    grid = [
        [150 if 1 <= y < rows - 1 and 1 <= x < columns - 1 else 40 for x in range(columns)]
        for y in range(rows)
    ]
    width = (columns - 4) // sockets
    for n in range(sockets):
        left = 3 + n * width
        for y in range(4, rows - 4):
            for x in range(left, left + width - 2):
                grid[y][x] = 30 if x > left or y % 2 else 220
    for x in range(3, columns - 3, 2):
        grid[rows - 2][x] = 235
    return grid


def exif(artist: str, what: str, when: str) -> bytes:
    """A TIFF structure with artist, description, date and place. Source: Exif 2.3 (CIPA DC-008)."""
    texts = [(0x010E, what), (0x013B, artist), (0x0132, when)]
    first, entries, tail = 8, [], b""
    after = first + 2 + 12 * 4 + 4
    for tag, text in sorted(texts):
        body = text.encode("ascii") + b"\0"
        entries.append(struct.pack(">HHII", tag, 2, len(body), after + len(tail)))
        tail += body + b"\0" * (len(body) % 2)
    gps = after + len(tail)
    entries.append(struct.pack(">HHII", 0x8825, 4, 1, gps))
    head = b"MM\0*" + struct.pack(">I", first) + struct.pack(">H", 4) + b"".join(entries) + bytes(4)
    return head + tail + _gps(gps)


def _gps(at: int) -> bytes:
    values = at + 2 + 12 * 5 + 4
    entries = [
        struct.pack(">HHI4s", 0, 1, 4, b"\2\3\0\0"),
        struct.pack(">HHI4s", 1, 2, 2, b"N\0\0\0"),
        struct.pack(">HHII", 2, 5, 3, values),
        struct.pack(">HHI4s", 3, 2, 2, b"E\0\0\0"),
        struct.pack(">HHII", 4, 5, 3, values + 24),
    ]
    fractions = b"".join(struct.pack(">II", *fraction) for fraction in (*GPS_NORTH, *GPS_EAST))
    return struct.pack(">H", 5) + b"".join(entries) + bytes(4) + fractions


def png(grid: Sequence[Sequence[int]], exif_bytes: bytes, scale: int = 4) -> bytes:
    """A grey PNG, each value a square of dots.

    Source: PNG (third edition), W3C; RFC 1950 and 1951 stored blocks.
    """
    lines = b"".join((b"\0" + bytes(v for v in row for _ in range(scale))) * scale for row in grid)
    size = struct.pack(">IIBBBBB", len(grid[0]) * scale, len(grid) * scale, 8, 0, 0, 0, 0)
    parts = (lines[n : n + 65535] for n in range(0, len(lines), 65535))
    stored = b"".join(
        struct.pack("<BHH", n * 65535 + len(part) == len(lines), len(part), 0xFFFF - len(part)) + part
        for n, part in enumerate(parts)
    )
    packed = b"\x78\x01" + stored + struct.pack(">I", zlib.adler32(lines))
    chunks = ((b"IHDR", size), (b"eXIf", exif_bytes), (b"IDAT", packed), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )


def jpeg(grid: Sequence[Sequence[int]], exif_bytes: bytes) -> bytes:
    """A grey baseline JPEG, each value a block. Source: ITU-T T.81 (1992), annexes B, F and K."""
    segments = (
        (0xE1, b"Exif\0\0" + exif_bytes),
        (0xDB, b"\0" + b"\x08" * 64),
        (0xC0, struct.pack(">BHHB", 8, 8 * len(grid), 8 * len(grid[0]), 1) + b"\1\x11\0"),
        (0xC4, b"\0" + bytes(_DC_COUNTS) + bytes(range(12))),
        (0xC4, b"\x10" + bytes((1,) + (0,) * 15) + b"\0"),
        (0xDA, b"\1\1\0\0\x3f\0"),
    )
    head = b"".join(struct.pack(">BBH", 0xFF, mark, len(body) + 2) + body for mark, body in segments)
    return b"\xff\xd8" + head + _scan(grid) + b"\xff\xd9"


def _scan(grid: Sequence[Sequence[int]]) -> bytes:
    """Each block's mean as a difference to the one before, then the code of "no more coefficients"."""
    bits, before = [], 0
    for value in (v - 128 for row in grid for v in row):
        difference, before = value - before, value
        length = abs(difference).bit_length()
        extra = difference if difference >= 0 else difference + (1 << length) - 1
        bits.append(_DC_CODES[length] + (f"{extra:0{length}b}" if length else "") + "0")
    text = "".join(bits)
    text += "1" * (-len(text) % 8)
    return bytes(int(text[n : n + 8], 2) for n in range(0, len(text), 8)).replace(b"\xff", b"\xff\0")

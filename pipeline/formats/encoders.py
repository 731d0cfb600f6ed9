"""Files written for other programs: raw binary, Intel HEX, S-records.

What is written must be read back equal by anyone, so gaps are never filled unasked and a binary file of a
sparse image is refused beyond a stated span.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from pipeline.errors import UsageError
from pipeline.formats.neutral import LARGEST_CLAIM, Block, image
from pipeline.formats.records import intel_hex, s_record

WRITTEN = ("binary", "intel-hex", "s-record")
"""Formats that can be written."""


def encode(
    fmt: str,
    blocks: Sequence[Block],
    *,
    unit_bits: int = 8,
    word_order: str = "big",
    fill: int | None = None,
    base: int = 0,
    record: int = 16,
    header: bytes = b"",
    most_fill: int = LARGEST_CLAIM,
) -> bytes:
    """A file that holds the blocks.

    Args:
        fmt: One of `WRITTEN`.
        blocks: Not overlapping.
        unit_bits: Bits of a unit; above 8 each unit becomes ceil(bits / 8) bytes and addresses count those
            bytes.
        word_order: Byte order of wide units.
        fill: Byte for gaps; for `binary`, needed where there are gaps.
        base: Address that a binary file starts at; for the record formats, added to every address.
        record: Bytes a record.
        header: Text of the S0 record.
        most_fill: Gap bytes that a binary file may be filled with.

    Raises:
        UsageError: An unknown format or order; gaps without a fill, or too many; an address that does not
        fit.
    """
    if fmt not in WRITTEN:
        raise UsageError(
            where="format",
            problem=f"{fmt!r} is not written",
            remedy=f"Say --to with one of {', '.join(WRITTEN)}",
        )
    if word_order not in ("big", "little"):
        raise UsageError(
            where="word_order", problem=f"{word_order!r} is not known", remedy="say big or little"
        )
    if fill is not None and not 0 <= fill <= 0xFF:
        raise UsageError(where="fill", problem=f"{fill} is not a byte", remedy="say 0 to 255")
    flat = _sorted([as_bytes(block, unit_bits, word_order) for block in blocks if len(block.words)])
    if fmt == "binary":
        return _binary(flat, base, fill, most_fill)
    if not 1 <= record <= 250:
        raise UsageError(where="record", problem=f"{record} bytes a record", remedy="say 1 to 250")
    if len(header) > 64 or not header.isascii():
        raise UsageError(
            where="header", problem="the header is too long or not ASCII", remedy="say at most 64 characters"
        )
    if fill is not None and flat:
        flat = (_filled(flat, flat[0].address, fill, most_fill),)
    moved = tuple(Block(block.address + base, block.words) for block in flat)
    if any(block.address < 0 or block.end > 1 << 32 for block in moved):
        raise UsageError(
            where="base", problem="an address does not fit in 32 bits", remedy="choose another base"
        )
    if fmt == "intel-hex":
        return intel_hex.encode(moved, record=record)
    return s_record.encode(moved, record=record, header=header)


def as_bytes(block: Block, unit_bits: int, word_order: str) -> Block:
    """A block of wide units as a block of bytes, addresses counting bytes."""
    width = (unit_bits + 7) // 8
    if unit_bits == 1:
        raise UsageError(where="format", problem="fuses are not bytes", remedy="keep the fuse map as it is")
    if width == 1:
        return Block(block.address, block.words.astype(np.uint8))
    wide = block.words.astype(">u8" if word_order == "big" else "<u8").view(np.uint8).reshape(-1, 8)
    kept = wide[:, 8 - width :] if word_order == "big" else wide[:, :width]
    return Block(block.address * width, np.ascontiguousarray(kept).reshape(-1))


def _sorted(blocks: list[Block]) -> tuple[Block, ...]:
    """Blocks by address.

    Raises:
        UsageError: Two overlap.
    """
    ordered = sorted(blocks, key=lambda block: block.address)
    for before, after in pairwise(ordered):
        if after.address < before.end:
            raise UsageError(
                where=f"address 0x{after.address:X}",
                problem="two blocks overlap",
                remedy="write them to two files",
            )
    return tuple(ordered)


def _filled(blocks: tuple[Block, ...], base: int, fill: int, most_fill: int) -> Block:
    """One block from `base` to the last byte, gaps filled."""
    size = blocks[-1].end - base
    gaps = size - sum(len(block.words) for block in blocks)
    if gaps > most_fill:
        raise UsageError(
            where="fill",
            problem=(
                f"the file would hold {gaps} bytes of fill between address 0x{base:X} and "
                f"0x{blocks[-1].end:X}"
            ),
            remedy="write a record format, which keeps gaps, or allow that much fill",
        )
    return Block(base, image(blocks, size, fill, base=base)[0])


def _binary(blocks: tuple[Block, ...], base: int, fill: int | None, most_fill: int) -> bytes:
    """Bytes from `base` on; a binary file cannot have gaps."""
    if not blocks:
        return b""
    if blocks[0].address < base:
        raise UsageError(
            where="base",
            problem=f"data starts at address 0x{blocks[0].address:X}, before the base 0x{base:X}",
            remedy="choose a base at or below it",
        )
    gap = next(
        (
            at
            for at, block in zip([base, *(one.end for one in blocks)], blocks, strict=False)
            if at != block.address
        ),
        None,
    )
    if gap is not None and fill is None:
        raise UsageError(
            where=f"address 0x{gap:X}",
            problem="nothing is known there, and a binary file cannot have gaps",
            remedy="say --fill 0xFF or what the gaps hold, or write intel-hex or s-record, which keep gaps",
        )
    return _filled(blocks, base, fill or 0, most_fill).words.tobytes()

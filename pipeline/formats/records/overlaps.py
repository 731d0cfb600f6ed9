"""Records of a file laid side by side: equal overlaps are forgiven, conflicting ones refused.

Two records that claim one address with two values mean that one of them is wrong and nobody can say which;
that is a refusal naming both lines. The work is linear in the file's size whatever addresses it claims.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.formats.neutral import Block, ForgivenTally, Place, refuse
from pipeline.formats.text.characters import Characters


@dataclass(frozen=True, slots=True)
class PlacedBytes:
    """Bytes that one record puts at one address, and the index of the record in the text."""

    address: int
    data: bytes
    index: int


def lay(
    records: Sequence[PlacedBytes], place: Callable[[int], Place], ledger: ForgivenTally, limit: int | None
) -> tuple[Block, ...]:
    """Blocks out of records in any order.

    Args:
        records: In file order.
        place: Turns a record's index into a place.
        ledger: Takes equal overlaps.
        limit: Highest acceptable address + 1, or None.

    Returns:
        Sorted blocks; touching records are joined.

    Raises:
        FormatError: An address beyond `limit`, or an overlap with unequal bytes.
    """
    if limit is not None:
        _within(records, place, limit)
    blocks: list[Block] = []
    run = bytearray()
    base = 0
    for record in sorted(records, key=lambda one: one.address):
        if not record.data:
            continue
        ahead = record.address - (base + len(run))
        if not run or ahead > 0:
            _close(blocks, base, run)
            base, run = record.address, bytearray(record.data)
            continue
        shared = min(-ahead, len(record.data))
        start = record.address - base
        if shared and run[start : start + shared] != record.data[:shared]:
            _conflict(record, records, place, bytes(run[start : start + shared]))
        if shared:
            ledger.add("addresses given twice with the same bytes", place(record.index), shared)
        run += record.data[shared:]
    _close(blocks, base, run)
    return tuple(blocks)


def lay_files(
    files: Sequence[Sequence[PlacedBytes]], text: Characters, limit: int | None, form: str
) -> tuple[tuple[Block, ...], ...]:
    """Each of several files in one text by itself, as passes; that there are several is told.

    Args:
        files: The records of each, in file order.
        text: Where they stand.
        limit: Highest acceptable address + 1, or None.
        form: The format's name, for people.

    Raises:
        FormatError: As `lay`.
    """
    runs = tuple(lay(records, text.place, text.ledger, limit) for records in files)
    if len(runs) > 1:
        text.ledger.add(f"several {form} files in one, each taken as a pass", text.place(0), len(runs))
    return runs


def _within(records: Sequence[PlacedBytes], place: Callable[[int], Place], limit: int) -> None:
    """Refuse the first record in the file that reaches beyond the chip."""
    for record in records:
        if record.data and record.address + len(record.data) > limit:
            refuse(
                place(record.index),
                f"address 0x{max(record.address, limit):X} is beyond the chip, whose last is 0x{limit - 1:X}",
                "check the part and the address base",
            )


def _close(blocks: list[Block], base: int, run: bytearray) -> None:
    if run:
        blocks.append(Block(base, np.frombuffer(bytes(run), dtype=np.uint8)))


def _conflict(
    record: PlacedBytes, records: Sequence[PlacedBytes], place: Callable[[int], Place], given: bytes
) -> None:
    """Name the first address in dispute and both records."""
    at = next(k for k, (old, new) in enumerate(zip(given, record.data, strict=False)) if old != new)
    address = record.address + at
    other = next(
        one
        for one in records
        if one.index != record.index
        and one.address <= address < one.address + len(one.data)
        and one.data[address - one.address] == given[at]
    )
    later, earlier = max(record, other, key=_index), min(record, other, key=_index)
    refuse(
        place(later.index),
        f"address 0x{address:X} is given as {later.data[address - later.address]:02X} here and as "
        f"{earlier.data[address - earlier.address]:02X} at {place(earlier.index)}",
        "find out which record is right; nothing is guessed",
    )


def _index(record: PlacedBytes) -> int:
    return record.index

"""MOS Technology paper tape: count and sum of every record, and the count of records, are checked.

    data = ";" NN AAAA *(DD) SSSS      SSSS = 16-bit sum of the bytes NN, AA, AA and all DD
    end  = ";" "00" CCCC SSSS          CCCC = number of data records; SSSS repeats it

Source: KIM-1 User Manual, appendix F (from memory; its sum is confirmed by arithmetic in the tests).
"""

from __future__ import annotations

import re

from pipeline.formats.neutral import Declared, Decoded, refuse
from pipeline.formats.records.overlaps import PlacedBytes
from pipeline.formats.records.walk import Reading, short, tail, walk, wrong_sum

NAME = "mos-paper-tape"
_DIGITS = re.compile(rb"[0-9A-Fa-f]*")


def decode(content: bytes, declared: Declared) -> Decoded:
    """Addressed bytes.

    Raises:
        FormatError: The first record that is not whole; a record count that is not true; no end record;
            anything after the end; records that contradict each other; an address beyond `declared.limit`.
    """
    return walk(
        content, declared, name=NAME, lead=b";", end_line=";0000000000 with the number of records", take=_take
    )


def _take(reading: Reading, index: int, line: bytes) -> None:
    """Read one record, count, address, bytes and sum, and refuse what contradicts itself."""
    text = reading.text
    found = _DIGITS.match(line, 1)
    digits = found[0] if found else b""
    needed = 10 + 2 * int(digits[:2], 16) if len(digits) >= 2 else 10
    if len(digits) != needed:
        short(text, index + 1 + min(len(digits), needed), needed, len(digits))
    raw = bytes.fromhex(digits.decode())
    count, address, stated = raw[0], int.from_bytes(raw[1:3]), int.from_bytes(raw[-2:])
    if count == 0:
        _end(reading, index, address, stated)
    else:
        computed = sum(raw[:-2]) & 0xFFFF
        if stated != computed:
            wrong_sum(text, index + 1 + needed - 4, f"{stated:04X}", f"{computed:04X}")
        if address + count > 0x10000:
            refuse(text.place(index + 3), "the record runs over 64 K", "compare the line with the source")
        reading.records.append(PlacedBytes(address, raw[3:-2], index))
    tail(reading, index + 1 + needed, line[1 + needed :])


def _end(reading: Reading, index: int, counted: int, stated: int) -> None:
    """The end record: its count, given twice (or once and summed, which is reported)."""
    text = reading.text
    summed = (counted >> 8) + (counted & 0xFF)
    if stated not in (counted, summed):
        wrong_sum(text, index + 7, f"{stated:04X}", f"{counted:04X}")
    if stated != counted:
        text.ledger.add("the end record sums its count instead of repeating it", text.place(index + 7))
    if counted != len(reading.records):
        refuse(
            text.place(index + 3),
            f"the file counts {counted} data records, {len(reading.records)} came before",
            "compare with the source: records were lost or added",
        )
    reading.ended = index

"""Tektronix hex, the 64 K kind.

Both sums of every record, counts, end record and the sender's abort are checked.

    data = "/" AAAA LL HH *(DD) SS      HH, SS: 8-bit sums of the values of the hexadecimal DIGITS before them
    end  = "/" AAAA "00" HH             AAAA = start address

Source: programmer manual appendices (common practice). One manual words the sums as sums of bytes; such
records are accepted and reported, since no record can be wrong under both rules and yet pass one unless a
digit changed to suit.
"""

from __future__ import annotations

import re

from pipeline.formats.neutral import Declared, Decoded, refuse
from pipeline.formats.records.overlaps import PlacedBytes
from pipeline.formats.records.walk import Reading, short, tail, walk, wrong_sum

NAME = "tektronix-hex"
_DIGITS = re.compile(rb"[0-9A-Fa-f]*")


def decode(content: bytes, declared: Declared) -> Decoded:
    """Addressed bytes.

    Raises:
        FormatError: The first record that is not whole; an abort record; no end record; anything after the
        end;
            records that contradict each other; an address beyond `declared.limit`.
    """
    return walk(content, declared, name=NAME, lead=b"/", end_line="/00000000", take=_take)


def _take(reading: Reading, index: int, line: bytes) -> None:
    """Read one record, address, count, both sums and bytes, and refuse what contradicts itself."""
    text = reading.text
    if line.startswith(b"//"):
        refuse(text.place(index), "the sender aborted the file here", "read the chip again")
    found = _DIGITS.match(line, 1)
    digits = found[0] if found else b""
    if len(digits) < 8:
        short(text, index + 1 + len(digits), 8, len(digits))
    count = int(digits[4:6], 16)
    _summed(reading, index + 1, digits[:6], digits[6:8])
    address = int(digits[:4], 16)
    if count == 0:
        if len(digits) != 8:
            short(text, index + 9, 8, len(digits))
        reading.ended = index
        if address:
            reading.notes.append(f"start address 0x{address:04X}")
    else:
        needed = 10 + 2 * count
        if len(digits) != needed:
            short(text, index + 1 + min(len(digits), needed), needed, len(digits))
        _summed(reading, index + 9, digits[8:-2], digits[-2:])
        if address + count > 0x10000:
            refuse(text.place(index + 1), "the record runs over 64 K", "compare the line with the source")
        reading.records.append(PlacedBytes(address, bytes.fromhex(digits[8:-2].decode()), index))
    tail(reading, index + 1 + len(digits), line[1 + len(digits) :])


def _summed(reading: Reading, index: int, digits: bytes, given: bytes) -> None:
    """Check one sum: of digits, or, reported, of bytes."""
    stated = int(given, 16)
    by_digit = sum(int(chr(digit), 16) for digit in digits) & 0xFF
    if stated == by_digit:
        return
    if stated == sum(bytes.fromhex(digits.decode())) & 0xFF:
        reading.text.ledger.add(
            "a sum of bytes where the format has a sum of digits", reading.text.place(index + len(digits))
        )
        return
    wrong_sum(reading.text, index + len(digits), given.decode().upper(), f"{by_digit:02X}")

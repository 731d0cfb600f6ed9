"""Tektronix extended hex: length, sum and type of every record, and the end record, are checked.

    record = "%" LL T CC body      LL = characters after "%"; T = 6 data, 3 symbols, 8 end
    CC = 8-bit sum of the values of all characters but "%" and CC: 0-9, A-Z = 10-35, $ % . _ = 36-39, a-z =
    40-65 body of 6: n, n digits of address (0 means 16), pairs; body of 8: n, start address

Source: documentation comment of the GNU BFD library's reader of this format; the record that the manuals
print is in the tests. An encyclopedia page counts LL otherwise; that printed record contradicts it.
"""

from __future__ import annotations

import re

from pipeline.formats.neutral import Declared, Decoded, refuse
from pipeline.formats.records.overlaps import PlacedBytes
from pipeline.formats.records.walk import Reading, tail, walk, wrong_sum
from pipeline.formats.text.characters import Characters

NAME = "tektronix-extended"
_ALPHABET = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ$%._abcdefghijklmnopqrstuvwxyz"
_VALUE = {letter: value for value, letter in enumerate(_ALPHABET)}
_HEX = re.compile(rb"[0-9A-Fa-f]*")
_BODY = re.compile(rb"[0-9A-Za-z$%._]*")


def decode(content: bytes, declared: Declared) -> Decoded:
    """Addressed bytes.

    Raises:
        FormatError: The first record that is not whole; no end record; anything after the end; records that
            contradict each other; an address beyond `declared.limit`.
    """
    return walk(content, declared, name=NAME, lead=b"%", end_line="%0781010", take=_take)


def _take(reading: Reading, index: int, line: bytes) -> None:
    """Read one record, length, type, sum and body, and refuse what contradicts itself."""
    text = reading.text
    found = _BODY.match(line, 1)
    body = found[0] if found else b""
    if len(body) < 5 or not _HEX.fullmatch(body[:5]):
        refuse(
            text.place(index + 1),
            "a record starts with five hexadecimal digits",
            "compare the line with the source",
        )
    length = int(body[:2], 16)
    if len(body) != length:
        refuse(
            text.place(index + 1 + min(len(body), length)),
            f"the record's length asks for {length} characters; this record has {len(body)}",
            "compare the line with the source: characters were lost or added",
        )
    computed = (sum(_VALUE[letter] for letter in body) - _VALUE[body[3]] - _VALUE[body[4]]) & 0xFF
    if computed != int(body[3:5], 16):
        wrong_sum(text, index + 4, body[3:5].decode().upper(), f"{computed:02X}")
    kind = body[2:3]
    if kind == b"3":
        text.ledger.add("symbol records left out", text.place(index))
    elif kind in (b"6", b"8"):
        address, rest = _address(text, index + 6, body[5:])
        if kind == b"8":
            _end(reading, index, address, rest)
        else:
            _data(reading, index, address, rest)
    else:
        refuse(
            text.place(index + 3),
            f"record type {kind.decode()} is not known",
            "compare the line with the source",
        )
    tail(reading, index + 1 + length, line[1 + length :])


def _address(text: Characters, index: int, body: bytes) -> tuple[int, bytes]:
    """The number at the start of a body, and what follows it."""
    size = int(body[:1], 16) or 16 if _HEX.fullmatch(body[:1]) and body else 0
    digits = body[1 : 1 + size]
    if not size or len(digits) != size or not _HEX.fullmatch(digits):
        refuse(text.place(index), "the record's address is not whole", "compare the line with the source")
    return int(digits, 16), body[1 + size :]


def _data(reading: Reading, index: int, address: int, rest: bytes) -> None:
    if not _HEX.fullmatch(rest) or len(rest) % 2:
        refuse(
            reading.text.place(index),
            "the record's data are no pairs of hexadecimal digits",
            "compare the line with the source",
        )
    reading.records.append(PlacedBytes(address, bytes.fromhex(rest.decode()), index))


def _end(reading: Reading, index: int, address: int, rest: bytes) -> None:
    if rest:
        refuse(reading.text.place(index), "an end record with data", "compare the line with the source")
    reading.ended = index
    if address:
        reading.notes.append(f"start address 0x{address:X}")

"""JESD3 fuse maps: fuse sum, transmission sum, fuse numbers and overlaps are checked. Fuses stay fuses.

    STX, text "*", fields each ended by "*", ETX, four digits: the 16-bit sum of all characters STX to ETX

QF fuses, QP pins, QV vectors, F default, L fuses from a number on, C fuse sum (16 bits over bytes, fuse 0 the
least significant bit), G security, N note, V vector. Source: JEDEC Standard JESD3-C, logic devices; its two
published sums are in the tests. 1 = link open, 0 = intact (from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.neutral import LARGEST_CLAIM, Block, Declared, Decoded, refuse
from pipeline.formats.text.characters import Characters, plain
from pipeline.formats.text.prose import shown

NAME = "jesd3"
_FIELD = re.compile(rb"[^*\x03]*")
_LINKS = re.compile(rb"L([0-9]{1,10})(?:[ \r\n\t]+([01 \r\n\t]*))?")
_NUMBER = re.compile(rb"Q[FPV]([0-9]{1,10})")
_KNOWN = b"QFLCGNVXPRTSADEJKUW"
_TRANSMITTED = re.compile(rb"\x03[ \r\n\t]*([0-9A-Fa-f]{4})(?![0-9A-Fa-f])")


@dataclass(slots=True)
class _Map:
    """What has been read so far."""

    text: Characters
    fuses: int | None = None
    default: int | None = None
    links: list[tuple[int, bytes, int]] = field(default_factory=list)
    total: tuple[int, int] | None = None
    vectors: int = 0
    stated_vectors: int | None = None
    notes: list[str] = field(default_factory=list)


def decode(content: bytes, declared: Declared) -> Decoded:
    """The fuses, one unit each, 0 or 1, from fuse 0.

    Raises:
        FormatError: A wrong fuse sum or transmission sum; a fuse beyond QF; fuses given twice with different
            values, or not at all without a default; a field that is not whole; more than `declared.limit`.
    """
    text = plain(content)
    begin = text.body.find(b"\x02")
    if begin < 0:
        text.ledger.add("the start character (STX) is missing", text.place(0))
    fuse_map = _Map(text)
    at = _fields(fuse_map, begin + 1)
    _transmitted(content, text, begin, at)
    units = _blown(fuse_map)
    if declared.limit is not None and len(units) > declared.limit:
        refuse(
            text.place(0),
            f"the file has {len(units)} fuses; at most {declared.limit} are expected",
            "check the part",
        )
    _fuse_sum(fuse_map, units)
    if fuse_map.stated_vectors is not None and fuse_map.stated_vectors != fuse_map.vectors:
        text.ledger.add(
            f"{fuse_map.stated_vectors} test vectors are stated, {fuse_map.vectors} given", text.place(0)
        )
    return Decoded(NAME, 1, ((Block(0, units),),), text.ledger.closed(), tuple(fuse_map.notes))


def _fields(fuse_map: _Map, at: int) -> int:
    """Read every field up to ETX or the end.

    Returns:
        Index of ETX, or of the end where it is missing.
    """
    text, first = fuse_map.text, True
    body = text.body
    while True:
        found = _FIELD.match(body, at)
        stop = found.end() if found else at
        closed = body[stop : stop + 1] == b"*"
        lead = len(body[at:stop]) - len(body[at:stop].lstrip())
        content = body[at + lead : stop].rstrip()
        if not closed and content:
            refuse(
                text.place(at + lead),
                f"the field {shown(content)!r} is not closed by *",
                "the file is cut off, or a * is lost",
            )
        if closed:
            if first and not _looks_like_field(content):
                if content:
                    fuse_map.notes.append(f"header: {shown(content)}")
            else:
                _field(fuse_map, at + lead, content)
            first = False
            at = stop + 1
            continue
        if stop >= len(body):
            text.ledger.add("the end character (ETX) is missing", text.place(stop))
        return stop


def _looks_like_field(content: bytes) -> bool:
    """Whether the first text is no design description but already a field."""
    return bool(re.fullmatch(rb"(?:Q[FPV]|[FGX]|L)[0-9]+(?:[ \r\n\t]+[01 \r\n\t]*)?", content))


def _field(fuse_map: _Map, index: int, content: bytes) -> None:
    """Act on one field."""
    text, kind = fuse_map.text, content[:1]
    if not content:
        return
    if kind == b"L":
        found = _LINKS.fullmatch(content)
        if found is None:
            bad = re.search(rb"[^01 \r\n\t]", content[1:].lstrip(b"0123456789"))
            place = index + (
                len(content) - len(content[1:].lstrip(b"0123456789")) + bad.start() if bad else 0
            )
            refuse(
                text.place(place), "a fuse list of something other than 0 and 1", "compare with the source"
            )
        fuse_map.links.append((int(found[1]), re.sub(rb"\s", b"", found[2] or b""), index))
    elif kind == b"Q":
        _quantity(fuse_map, index, content)
    elif kind == b"F":
        if content not in (b"F0", b"F1"):
            refuse(text.place(index), f"{shown(content)!r} is not a default", "compare with the source")
        fuse_map.default = int(content[1:])
    elif kind == b"C":
        if not re.fullmatch(rb"C[0-9A-Fa-f]{4}", content):
            refuse(text.place(index), f"{shown(content)!r} is not a fuse sum", "compare with the source")
        fuse_map.total = (int(content[1:], 16), index)
    elif kind == b"V":
        fuse_map.vectors += 1
    elif kind == b"N":
        fuse_map.notes.append(f"note: {shown(content[1:])}")
    elif kind == b"G" and content == b"G1":
        fuse_map.notes.append("the security fuse is to be blown")
    elif kind not in _KNOWN or not kind:
        refuse(text.place(index), f"the field {shown(content)!r} is not known", "compare with the source")


def _quantity(fuse_map: _Map, index: int, content: bytes) -> None:
    """QF, QP and QV."""
    found = _NUMBER.fullmatch(content)
    if found is None:
        refuse(
            fuse_map.text.place(index),
            f"{shown(content)!r} is not a number",
            "compare with the source",
        )
    number = int(found[1])
    if content[1:2] == b"F":
        if not 1 <= number <= LARGEST_CLAIM:
            refuse(
                fuse_map.text.place(index), f"{number} fuses", "compare with the source: no part has so many"
            )
        fuse_map.fuses = number
    elif content[1:2] == b"V":
        fuse_map.stated_vectors = number
    else:
        fuse_map.notes.append(f"pins: {number}")


def _blown(fuse_map: _Map) -> NDArray[np.uint8]:
    """All fuses, from the lists and the default."""
    text = fuse_map.text
    last = max((first + len(digits) for first, digits, _ in fuse_map.links), default=0)
    size = fuse_map.fuses
    if size is None:
        text.ledger.add("the number of fuses (QF) is not stated", text.place(0))
        size = last
    if size == 0 or size > LARGEST_CLAIM:
        refuse(text.place(0), f"{size} fuses in the file", "check that it is the fuse map")
    units = np.full(size, 2, dtype=np.uint8)
    for first, digits, index in fuse_map.links:
        if first + len(digits) > size:
            refuse(
                text.place(index),
                f"fuse {max(first, size)} is beyond the last, {size - 1}",
                "compare with the source",
            )
        new = np.frombuffer(digits, dtype=np.uint8) - ord("0")
        old = units[first : first + len(new)]
        known = old < 2
        if known.any():
            if (old[known] != new[known]).any():
                at = first + int(np.flatnonzero(known & (old != new))[0])
                refuse(
                    text.place(index),
                    f"fuse {at} is given twice with different values",
                    "find out which list is right",
                )
            text.ledger.add("fuses given twice with the same values", text.place(index), int(known.sum()))
        units[first : first + len(new)] = new
    missing = np.flatnonzero(units == 2)
    if len(missing):
        if fuse_map.default is None:
            refuse(
                text.place(0),
                f"fuse {missing[0]} is not given and there is no default (F)",
                "compare with the source",
            )
        units[missing] = fuse_map.default
    return units


def _fuse_sum(fuse_map: _Map, units: NDArray[np.uint8]) -> None:
    """The C field: 16-bit sum over the fuses as bytes, fuse 0 the least significant bit of the first."""
    text = fuse_map.text
    if fuse_map.total is None:
        text.ledger.add("no fuse sum (C), so nothing proves the fuses", text.place(0))
        return
    computed = int(np.packbits(units, bitorder="little").sum(dtype=np.int64)) & 0xFFFF
    stated, index = fuse_map.total
    if stated != computed:
        refuse(
            text.place(index),
            f"the fuse sum is {stated:04X}, the fuses give {computed:04X}",
            "compare with the source: a fuse is wrong or missing",
        )


def _transmitted(content: bytes, text: Characters, begin: int, end: int) -> None:
    """The four digits behind ETX: sum of all characters from STX to ETX, parity not counted.

    0000 = not computed.
    """
    found = _TRANSMITTED.match(text.body, end)
    if begin < 0 or found is None:
        if text.body[end + 1 :].strip():
            text.ledger.add("text after the end skipped", text.place(end + 1))
        text.ledger.add("no transmission sum", text.place(end))
        return
    stated = int(found[1], 16)
    first, last = text.base + begin * text.scale, text.base + (end + 1) * text.scale
    units = np.frombuffer(content, dtype=np.uint8)[first:last] & 0x7F
    computed = int(units.sum(dtype=np.int64)) & 0xFFFF
    if stated == 0 and computed != 0:
        text.ledger.add("the transmission sum was not computed (0000)", text.place(found.start(1)))
    elif stated != computed:
        refuse(
            text.place(found.start(1)),
            f"the transmission sum is {stated:04X}, the characters give {computed:04X}",
            "compare with the source: characters were lost, added or changed on the way",
        )
    if text.body[found.end() :].strip():
        text.ledger.add("text after the end skipped", text.place(found.end()))

"""Motorola S-records S0 to S9: every sum, count, record count and the end record are checked.

    record = "S" T CC ADDR *(DD) KK      KK makes the byte sum CC..KK FF modulo 256

Source: Motorola, M68000 Family Programmer's Reference Manual, appendix C (from memory); the worked example of
the evaluation-board manuals is in the tests.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from pipeline.formats.neutral import Block, Declared, Decoded, refuse
from pipeline.formats.records.overlaps import PlacedBytes, lay_files
from pipeline.formats.records.whole_file import laid, rows
from pipeline.formats.text.characters import Characters, plain

NAME = "s-record"
_RECORD = re.compile(rb"[Ss]([0-9])([0-9A-Fa-f]*)")
_ADDRESS_BYTES = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}
_END_OF = {1: 9, 2: 8, 3: 7}


def decode(content: bytes, declared: Declared) -> Decoded:
    """Addressed bytes of an S-record file.

    Raises:
        FormatError: The first record that is not whole, with line and column; a record count that is not
            true; records that contradict each other; a missing end record; anything after the end; an
            address beyond `declared.limit`.
    """
    done = swift(content, declared)
    return done if done is not None else exact(content, declared)


def swift(content: bytes, declared: Declared) -> Decoded | None:
    """A file without any fault, or None."""
    groups = rows(content, 2) if content.startswith(b"S") else None
    if groups is None:
        return None
    total = max(int(group.order[-1]) for group in groups) + 1
    kinds = np.full(total, 255, dtype=np.uint8)
    others: list[tuple[int, int, bytes]] = []
    addresses, payloads = [], []
    for group in groups:
        values = group.values
        kind = group.head[:, 1] - ord("0")
        if (
            (group.head[:, 0] != ord("S")).any()
            or values.shape[1] < 3
            or (values[:, 0] != values.shape[1] - 1).any()
            or (values.sum(axis=1, dtype=np.uint8) != 0xFF).any()
        ):
            return None
        kinds[group.order] = kind
        for one in np.unique(kind):
            if int(one) not in _ADDRESS_BYTES or values.shape[1] < _ADDRESS_BYTES[int(one)] + 2:
                return None
            chosen = np.flatnonzero(kind == one)
            width = _ADDRESS_BYTES[int(one)]
            if 1 <= one <= 3:
                address = np.zeros(len(chosen), dtype=np.int64)
                for column in range(1, width + 1):
                    address = (address << 8) | values[chosen, column]
                if (address + values.shape[1] - width - 2 > 1 << (8 * width)).any():
                    return None
                addresses.append(address)
                payloads.append(np.ascontiguousarray(values[chosen, 1 + width : -1]))
            else:
                others.extend((int(group.order[k]), int(one), values[k, 1:-1].tobytes()) for k in chosen)
    notes = _swift_notes(kinds, sorted(others))
    blocks = laid(addresses, payloads, declared.limit) if notes is not None else None
    return None if notes is None or blocks is None else Decoded(NAME, 8, (blocks,), (), notes)


def _swift_notes(
    kinds: np.ndarray[tuple[int], np.dtype[np.uint8]], others: list[tuple[int, int, bytes]]
) -> tuple[str, ...] | None:
    """Header and start address; None where counts or the end are not exactly as they should be."""
    data = (kinds >= 1) & (kinds <= 3)
    if kinds[-1] not in (7, 8, 9) or np.count_nonzero((kinds >= 7) & (kinds <= 9)) != 1:
        return None
    if any(_END_OF[int(kind)] != kinds[-1] for kind in np.unique(kinds[data])):
        return None
    notes = []
    for line, kind, body in others:
        if kind in (5, 6) and (
            int.from_bytes(body) != np.count_nonzero(data[:line]) or len(body) != _ADDRESS_BYTES[kind]
        ):
            return None
        if kind >= 7 and len(body) != _ADDRESS_BYTES[kind]:
            return None
        if _note(kind, body):
            notes.append(_note(kind, body))
    return tuple(notes)


def _note(kind: int, body: bytes) -> str:
    """What a record without data says, in words."""
    if kind == 0:
        named = body[2:] if body[:2] == b"\x00\x00" else body
        shown = named.rstrip(b"\x00").decode("ascii", "replace")
        return "header: " + "".join(letter if letter.isprintable() else "?" for letter in shown)
    if kind >= 7 and int.from_bytes(body):
        return f"start address 0x{int.from_bytes(body):0{2 * len(body)}X}"
    return ""


@dataclass(slots=True)
class _SRecordReader:
    """What has been read so far of one file, whose first record stands at `first`."""

    text: Characters
    notes: list[str]
    first: int = 0
    ended: int | None = None
    counted: int = 0
    proven: int | None = None
    widths: set[int] = field(default_factory=set)
    records: list[PlacedBytes] = field(default_factory=list)


def exact(content: bytes, declared: Declared) -> Decoded:
    """The same as `swift`, record by record, with every fault located; one run a file of a log of several."""
    text = plain(content)
    notes: list[str] = []
    readers = [_SRecordReader(text, notes)]
    for start, line in text.filled():
        body = line.strip(b" \t\x0c")
        index = start + line.index(body)
        found = _RECORD.match(body)
        if found is None:
            text.ledger.add("text outside records skipped", text.place(index))
            shown = body[:60].decode("ascii", "replace")
            notes.append(f"skipped text, line {text.place(index).line}: {shown}")
            continue
        if readers[-1].ended is not None:
            readers.append(_SRecordReader(text, notes, first=index))
        kind, raw = _record(text, index, body, found)
        _take(readers[-1], index, kind, raw)
    for reader, before in zip(readers, [None, *readers], strict=False):
        _finish(reader, before)
    runs = lay_files([reader.records for reader in readers], text, declared.limit, "S-record")
    return Decoded(NAME, 8, runs, text.ledger.closed(), tuple(notes))


def _finish(reader: _SRecordReader, before: _SRecordReader | None) -> None:
    """Refuse a file without an end, and records behind an end that are no file of their own."""
    text = reader.text
    counted = reader.ended is None and reader.proven == reader.counted
    if before is not None and before.ended is not None and (reader.ended is None or not reader.records):
        refuse(
            text.place(reader.first),
            f"a record after the end record of line {text.place(before.ended).line}",
            "split the file there: it may be two dumps in one",
        )
    if counted:
        place = text.place(len(text.body))
        text.ledger.add("the end record is missing, but the record count proves the data whole", place)
    elif reader.ended is None:
        refuse(
            text.place(len(text.body)),
            "the end record (S7, S8 or S9) is missing, so the file may be cut off",
            "compare with the source; if it is whole, add the line S9030000FC",
        )


def _record(text: Characters, index: int, body: bytes, found: re.Match[bytes]) -> tuple[int, bytes]:
    """One record, checked.

    Returns:
        (type, bytes after the count without the sum).

    Raises:
        FormatError: Not digits, a wrong count, a wrong sum.
    """
    kind, digits = int(found[1]), found[2]
    if body.startswith(b"s"):
        text.ledger.add("a lower-case s begins a record", text.place(index))
    if kind not in _ADDRESS_BYTES:
        refuse(text.place(index), f"record type S{kind} is reserved", "compare the line with the source")
    least = 2 * (_ADDRESS_BYTES[kind] + 2)
    if len(digits) < least:
        refuse(
            text.place(index + 2 + len(digits)),
            f"a record S{kind} needs at least {least} hexadecimal digits; this record has {len(digits)}",
            "compare the line with the source",
        )
    needed = 2 * int(digits[:2], 16) + 2
    if len(digits) != needed or needed < least:
        refuse(
            text.place(index + 2 + min(len(digits), max(needed, least))),
            f"the count {digits[:2].decode()} asks for {needed} digits; this record has {len(digits)}",
            "compare the line with the source: characters were lost or added",
        )
    raw = bytes.fromhex(digits.decode("ascii"))
    if sum(raw) & 0xFF != 0xFF:
        refuse(
            text.place(index + 2 + needed - 2),
            f"the sum is {raw[-1]:02X}, the record's bytes give {~sum(raw[:-1]) & 0xFF:02X}",
            "compare the line with the source: a digit is wrong",
        )
    if body[2 + needed :].strip():
        text.ledger.add("text after a record skipped", text.place(index + 2 + needed))
    return kind, raw[1:-1]


def _take(reader: _SRecordReader, index: int, kind: int, body: bytes) -> None:
    """Act on one checked record."""
    text, width = reader.text, _ADDRESS_BYTES[kind]
    value = int.from_bytes(body[:width])
    if 1 <= kind <= 3:
        if value + len(body) - width > 1 << (8 * width):
            refuse(
                text.place(index + 4),
                "the record runs over the end of its address space",
                "compare the line with the source",
            )
        reader.counted += 1
        reader.widths.add(kind)
        reader.records.append(PlacedBytes(value, body[width:], index))
        return
    if kind != 0 and len(body) != width:
        refuse(text.place(index + 2), f"a record S{kind} carries no data", "compare the line with the source")
    if kind in (5, 6) and value != reader.counted:
        refuse(
            text.place(index + 4),
            f"the file counts {value} data records, {reader.counted} came before",
            "compare with the source: records were lost or added",
        )
    if kind in (5, 6):
        reader.proven = reader.counted
    if kind >= 7:
        reader.ended = index
        if any(_END_OF[one] != kind for one in reader.widths):
            text.ledger.add(
                f"an end record S{kind} of another address width than the data", text.place(index)
            )
    if _note(kind, body):
        reader.notes.append(_note(kind, body))


def encode(blocks: tuple[Block, ...], *, record: int = 16, header: bytes = b"") -> bytes:
    """S0, data records of the narrowest sufficient width, S5 or S6 count, end record; none crosses 64 K.

    Args:
        blocks: Blocks of bytes, sorted, below 4 GiB.
        record: Bytes a record, 1 to 250.
        header: Text of the S0 record.
    """
    top = max((block.end for block in blocks), default=0)
    kind = 1 if top <= 1 << 16 else 2 if top <= 1 << 24 else 3
    width = _ADDRESS_BYTES[kind]
    lines = [_line(0, b"\x00\x00" + header)]
    for block in blocks:
        data = block.words.astype(np.uint8).tobytes()
        at = 0
        while at < len(data):
            address = block.address + at
            size = min(record, len(data) - at, 0x10000 - (address & 0xFFFF))
            lines.append(_line(kind, address.to_bytes(width) + data[at : at + size]))
            at += size
    count = len(lines) - 1
    if count < 1 << 24:
        lines.append(_line(5, count.to_bytes(2)) if count < 1 << 16 else _line(6, count.to_bytes(3)))
    lines.append(_line(_END_OF[kind], bytes(width)))
    return ("\n".join(lines) + "\n").encode()


def _line(kind: int, body: bytes) -> str:
    raw = bytes([len(body) + 1]) + body
    return f"S{kind}{raw.hex().upper()}{~sum(raw) & 0xFF:02X}"

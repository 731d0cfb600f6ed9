r"""Intel HEX, record types 00 to 05: every sum, count, address and the end record are checked.

    record = ":" LL AAAA TT *(DD) CC      CC makes the byte sum of the whole record 0 modulo 256

Source: Intel, Hexadecimal Object File Format Specification, revision A, 1988 (from memory); worked records
from published manuals are in the tests. Text between records is skipped and reported, as the specification
allows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.neutral import Block, Declared, Decoded, ambiguous, refuse
from pipeline.formats.records.overlaps import PlacedBytes, lay_files
from pipeline.formats.records.whole_file import Rows, laid, rows
from pipeline.formats.text.characters import Characters, plain

NAME = "intel-hex"
_RECORD = re.compile(rb":([0-9A-Fa-f]*)")
_FIXED_COUNT = {1: 0, 2: 2, 3: 4, 4: 2, 5: 4}
"""Data bytes of each record type but 00."""


def decode(content: bytes, declared: Declared) -> Decoded:
    """Addressed bytes of an Intel HEX file.

    Raises:
        FormatError: The first record that is not whole, with line and column; records that contradict each
            other; a missing end record; anything after the end; an address beyond `declared.limit`.
        AmbiguousError: A record runs over 64 K where no base record says whether offsets wrap.
    """
    done = swift(content, declared)
    return done if done is not None else exact(content, declared)


def _start_note(kind: int, data: bytes) -> str:
    if kind == 3:
        return f"start address {data[:2].hex().upper()}:{data[2:].hex().upper()}"
    return f"start address 0x{int.from_bytes(data):08X}"


def _end_note(address: int) -> str:
    return f"the end record carries address 0x{address:04X}" if address else ""


def swift(content: bytes, declared: Declared) -> Decoded | None:
    """A file without any fault, or None."""
    groups = rows(content, 1) if content.startswith(b":") else None
    if groups is None:
        return None
    total = max(int(group.order[-1]) for group in groups) + 1
    kinds = np.zeros(total, dtype=np.uint8)
    bases = np.zeros(total, dtype=np.int64)
    for group in groups:
        values = group.values
        if (
            values.shape[1] < 5
            or (group.head != ord(":")).any()
            or (values[:, 0] != values.shape[1] - 5).any()
            or values.sum(axis=1, dtype=np.uint8).any()
        ):
            return None
        kinds[group.order] = values[:, 3]
        if not _plain_kinds(group, bases):
            return None
    ends = np.flatnonzero(kinds == 1)
    if len(ends) != 1 or ends[0] != total - 1:
        return None
    base_of, segmented, based = _bases(kinds, bases)
    blocks = _placed(groups, base_of, segmented, based, declared.limit)
    return None if blocks is None else Decoded(NAME, 8, (blocks,), (), _swift_notes(groups))


def _swift_notes(groups: list[Rows]) -> tuple[str, ...]:
    """Start addresses in file order."""
    notes = []
    for group in groups:
        for at in np.flatnonzero(np.isin(group.values[:, 3], (1, 3, 5))):
            values = group.values[at].tobytes()
            kind, address, data = values[3], int.from_bytes(values[1:3]), values[4:-1]
            note = _end_note(address) if kind == 1 else _start_note(kind, data)
            if note:
                notes.append((int(group.order[at]), note))
    return tuple(note for _, note in sorted(notes))


def _plain_kinds(group: Rows, bases: NDArray[np.int64]) -> bool:
    """Whether the records of one length are of known types with their fixed counts; notes bases."""
    values = group.values
    kinds = values[:, 3]
    count = values.shape[1] - 5
    special = kinds != 0
    if not special.any():
        return bool(count > 0)
    if count == 0:
        return bool((kinds == 1).all())
    chosen = values[special]
    if (kinds[special] > 5).any() or any(
        _FIXED_COUNT[int(kind)] != count for kind in np.unique(chosen[:, 3])
    ):
        return False
    if chosen[:, 1:3].any():
        return False
    moves = chosen[(chosen[:, 3] == 2) | (chosen[:, 3] == 4)].astype(np.int64)
    if len(moves):
        shift = np.where(moves[:, 3] == 2, 4, 16)
        order = group.order[special][(chosen[:, 3] == 2) | (chosen[:, 3] == 4)]
        bases[order] = ((moves[:, 4] << 8) | moves[:, 5]) << shift
    return True


def _bases(
    kinds: NDArray[np.uint8], bases: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    """For each line: its base, whether a segment base rules there, whether any base does."""
    moved = (kinds == 2) | (kinds == 4)
    last = np.maximum.accumulate(np.where(moved, np.arange(len(kinds)), -1))
    known = last >= 0
    at = np.maximum(last, 0)
    return np.where(known, bases[at], 0), known & (kinds[at] == 2), known


def _placed(
    groups: list[Rows],
    base_of: NDArray[np.int64],
    segmented: NDArray[np.bool_],
    based: NDArray[np.bool_],
    limit: int | None,
) -> tuple[Block, ...] | None:
    """Lay the data records; None where one crosses 64 K in a way the exact path must judge."""
    addresses, payloads = [], []
    for group in groups:
        data = group.values[:, 3] == 0
        if not data.any():
            continue
        values, order = group.values[data], group.order[data]
        offset = (values[:, 1].astype(np.int64) << 8) | values[:, 2]
        over = offset + values.shape[1] - 5 > 0x10000
        address = base_of[order] + offset
        if (over & (segmented[order] | ~based[order])).any() or (
            address + values.shape[1] - 5 > 1 << 32
        ).any():
            return None
        addresses.append(address)
        payloads.append(np.ascontiguousarray(values[:, 4:-1]))
    return laid(addresses, payloads, limit)


@dataclass(slots=True)
class _IntelHexReader:
    """What has been read so far of one file."""

    text: Characters
    notes: list[str]
    first: int = 0
    empties: list[int] = field(default_factory=list)
    base: int = 0
    wraps: bool | None = None
    linear: bool | None = None
    over: int | None = None
    ended: int | None = None
    records: list[PlacedBytes] = field(default_factory=list)


def exact(content: bytes, declared: Declared) -> Decoded:
    """The same as `swift`, record by record, with every fault located.

    One run for each file of a log of several.
    """
    text = plain(content)
    notes: list[str] = []
    readers = [_IntelHexReader(text, notes)]
    for start, line in text.filled():
        colon = line.find(b":")
        if colon < 0:
            text.ledger.add("text outside records skipped", text.place(start))
            notes.append(f"skipped text, line {text.place(start).line}: {_shown(line)}")
            continue
        if line[:colon].strip():
            text.ledger.add("text before a record skipped", text.place(start))
        index = start + colon
        if readers[-1].ended is not None:
            readers.append(_IntelHexReader(text, notes, first=index))
        _next_record(readers[-1], index, line[colon:])
    for reader, before in zip(readers, [None, *readers], strict=False):
        _finish(reader, before)
    runs = lay_files([reader.records for reader in readers], text, declared.limit, "Intel HEX")
    return Decoded(NAME, 8, runs, text.ledger.closed(), tuple(notes))


def _next_record(reader: _IntelHexReader, index: int, line: bytes) -> None:
    """Check one record and act on it."""
    text = reader.text
    if reader.empties:
        text.ledger.add("a data record without data", text.place(reader.empties.pop()))
    kind, address, data = _record(text, index, line)
    if kind == 0 and not data:
        reader.empties.append(index)
    _take(reader, index, kind, address, data)


def _finish(reader: _IntelHexReader, before: _IntelHexReader | None) -> None:
    """Refuse a file without an end, and records behind an end that are no file of their own."""
    text = reader.text
    if reader.ended is None and reader.empties:
        text.ledger.add(
            "an end record in the old form (type 00 without data)", text.place(reader.empties[-1])
        )
        reader.ended = reader.empties[-1]
    if before is not None and before.ended is not None and (reader.ended is None or not reader.records):
        refuse(
            text.place(reader.first),
            f"a record after the end record of line {text.place(before.ended).line}",
            "split the file there: it may be two dumps in one",
        )
    if reader.ended is None:
        refuse(
            text.place(len(text.body)),
            "the end record is missing, so the file may be cut off",
            "compare with the source; if it is whole, add the line :00000001FF",
        )
    _unbased(reader)


def _unbased(reader: _IntelHexReader) -> None:
    """A record before any base record that runs over 64 K.

    Only the file's later base records say what it means.
    """
    if reader.over is None:
        return
    place = reader.text.place(reader.over)
    if reader.linear is not True:
        ambiguous(
            place,
            "the record runs over 64 K and no base record says whether its offsets wrap",
            "put a record of type 02 (wraps) or 04 (does not) before it",
        )
    reader.text.ledger.add("a record runs over 64 K before the first base record", place)


def _shown(line: bytes) -> str:
    """A skipped line, short and printable."""
    shown = line.strip()[:60].decode("ascii", "replace")
    return "".join(letter if letter.isprintable() else "?" for letter in shown)


def _record(text: Characters, index: int, line: bytes) -> tuple[int, int, bytes]:
    """One record, checked.

    Returns:
        (type, address, data).

    Raises:
        FormatError: Not digits, a wrong count, a wrong sum.
    """
    found = _RECORD.match(line)
    digits = found[1] if found else b""
    if len(digits) < 10:
        refuse(
            text.place(index + 1 + len(digits)),
            f"a record needs at least 10 hexadecimal digits; this record has {len(digits)}",
            "compare the line with the source",
        )
    needed = 2 * int(digits[:2], 16) + 10
    if len(digits) != needed:
        refuse(
            text.place(index + 1 + min(len(digits), needed)),
            f"the count {digits[:2].decode()} asks for {needed} digits; this record has {len(digits)}",
            "compare the line with the source: characters were lost or added",
        )
    raw = bytes.fromhex(digits.decode("ascii"))
    if sum(raw) & 0xFF:
        refuse(
            text.place(index + 1 + needed - 2),
            f"the sum is {raw[-1]:02X}, the record's bytes give {-sum(raw[:-1]) & 0xFF:02X}",
            "compare the line with the source: a digit is wrong",
        )
    if line[1 + needed :].strip():
        text.ledger.add("text after a record skipped", text.place(index + 1 + needed))
    return raw[3], int.from_bytes(raw[1:3]), raw[4:-1]


def _take(reader: _IntelHexReader, index: int, kind: int, address: int, data: bytes) -> None:
    """Act on one checked record."""
    text = reader.text
    if kind == 0:
        _data(reader, index, address, data)
        return
    if kind not in _FIXED_COUNT:
        refuse(
            text.place(index + 7), f"record type {kind:02X} is not known", "compare the line with the source"
        )
    if len(data) != _FIXED_COUNT[kind]:
        refuse(
            text.place(index + 1),
            f"a record of type {kind:02X} has {_FIXED_COUNT[kind]} bytes; this record has {len(data)}",
            "compare the line with the source",
        )
    if kind == 1:
        reader.ended = index
        if _end_note(address):
            reader.notes.append(_end_note(address))
        return
    if address:
        text.ledger.add(
            f"a record of type {kind:02X} with an address that means nothing", text.place(index + 3)
        )
    reader.linear = (kind >= 4) if reader.linear is None else reader.linear and kind >= 4
    if kind in (3, 5):
        reader.notes.append(_start_note(kind, data))
        return
    reader.base = int.from_bytes(data) << (4 if kind == 2 else 16)
    reader.wraps = kind == 2


def _data(reader: _IntelHexReader, index: int, address: int, data: bytes) -> None:
    """Place the bytes of one data record; offsets wrap at 64 K inside a segment.

    Source: Intel's specification, data record: (SBA + ((DRLO + DRI) MOD 64K)) for segments.
    """
    text = reader.text
    inside = min(len(data), 0x10000 - address)
    if inside < len(data) and reader.wraps is None and reader.over is None:
        reader.over = index + 3
    if reader.wraps is not True:
        inside = len(data)
    if reader.base + address + inside > 1 << 32:
        refuse(text.place(index + 3), "the record runs over 4 GiB", "compare the line with the source")
    reader.records.append(PlacedBytes(reader.base + address, data[:inside], index))
    if inside < len(data):
        text.ledger.add("a record wraps to the start of its 64 K segment", text.place(index))
        reader.records.append(PlacedBytes(reader.base, data[inside:], index))


def encode(blocks: tuple[Block, ...], *, record: int = 16) -> bytes:
    """Records of at most `record` bytes that never cross 64 K, base records of type 04, and an end record.

    Args:
        blocks: Blocks of bytes, sorted, below 4 GiB.
        record: Bytes a record, 1 to 255.
    """
    lines = []
    upper = 0
    for block in blocks:
        data = block.words.astype(np.uint8).tobytes()
        at = 0
        while at < len(data):
            address = block.address + at
            if address >> 16 != upper:
                upper = address >> 16
                lines.append(_line(4, 0, upper.to_bytes(2)))
            size = min(record, len(data) - at, 0x10000 - (address & 0xFFFF))
            lines.append(_line(0, address & 0xFFFF, data[at : at + size]))
            at += size
    lines.append(":00000001FF")
    return ("\n".join(lines) + "\n").encode()


def _line(kind: int, address: int, data: bytes) -> str:
    raw = bytes([len(data)]) + address.to_bytes(2) + bytes([kind]) + data
    return f":{raw.hex().upper()}{-sum(raw) & 0xFF:02X}"

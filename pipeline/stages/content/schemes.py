"""Every scheme of embedded check that is looked for in a row of bytes, and how many of them there are.

A scheme that agrees by chance is the rule, not the exception, when hundreds are tried: so the number tried is
counted scheme by scheme, and two names for one event (a zero sum, and a last byte that completes it) are one
scheme.

Source: sums and their places are common practice, no source; end-around carry is RFC 1071 section
1; Adler-32 is RFC 1950 section 8.2,
Fletcher-16 is from memory; CRC parameters are the catalogue's (see `crc`). Places: the last bytes, the first
bytes, and just before a vector table of 6, 8 or 16 bytes (6502, 6800 and 6809 families).
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Iterator
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content import crc
from pipeline.stages.content.crc_catalogue import CATALOGUE

BEFORE_VECTORS = (6, 8, 16)
ADLER_BITS = 29
"""Adler-32 counts as 29 bits: its lower half is a plain sum, which short content foretells to three bits."""
_ORDERS: tuple[Literal["big"], Literal["little"]] = ("big", "little")
SMALLEST = 32
"""Bytes that must carry something before a check means anything."""
_CRCS_OF_WIDTH = Counter(one.width for one in CATALOGUE)


class Hit(NamedTuple):
    """One scheme that holds on a row of bytes.

    Attributes:
        method: Its name.
        covers: Half-open byte ranges it is computed over.
        stored: Byte range of the stored value, or None.
        value: The value, hex.
        bits: Width that has to agree.
        family: `sum`, `xor`, `carry` or `crc`: what it is blind to follows from it.
        unit: Bytes a summed word; reordering units of this size is not seen by sums and exclusive-or.
    """

    method: str
    covers: tuple[tuple[int, int], ...]
    stored: tuple[int, int] | None
    value: str
    bits: int
    family: str
    unit: int = 1


def _rest(field: tuple[int, int], size: int) -> tuple[tuple[int, int], ...]:
    """Everything but the stored field."""
    return tuple(span for span in ((0, field[0]), (field[1], size)) if span[0] < span[1])


def places(size: int, width: int) -> tuple[int, ...]:
    """Byte offsets where a value of `width` bytes is looked for: last, first, before a vector table."""
    found = [size - width, 0]
    if width == 2:
        found += [size - table - width for table in BEFORE_VECTORS]
    return tuple(found)


@lru_cache(maxsize=64)
def tried(size: int) -> dict[int, int]:
    """How many schemes `search` tries on a row of so many bytes, by the bits that have to agree.

    The counts are what `search` does, and a test counts its hits on random bytes against them.
    """
    if size < SMALLEST:
        return {}
    crcs = _CRCS_OF_WIDTH
    eight = 5 + 2 + 2 * crcs[8]
    pairs = size % 2 == 0
    sixteen = len(places(size, 2)) * 2 * 3 + (4 * pairs + 2 * pairs) + (len(places(size, 2)) * 2 * pairs)
    sixteen += crcs[16] * 2 * len(places(size, 2))
    sixteen += 4  # byte sums in 32 bits: only the lower half is not foreseeable
    sixteen += 4  # Fletcher-16
    quads = size % 4 == 0
    thirty_two = 4 * quads + 4 * quads + crcs[32] * 2 * 2
    return {8: eight, 16: sixteen, 24: crcs[24] * 2 * 2, ADLER_BITS: 4, 32: thirty_two}


def _over_all(size: int, method: str, value: str, bits: int, family: str, unit: int = 1) -> Hit:
    """A scheme that holds over every byte, its result being a constant."""
    return Hit(method, ((0, size),), None, value, bits, family, unit)


def _over_rest(size: int, at: int, width: int, method: str, value: int, bits: int, unit: int = 1) -> Hit:
    """A sum over everything but the field of `width` bytes at `at`, in which it is stored."""
    field = (at, at + width)
    return Hit(method, _rest(field, size), field, f"{value:0{2 * width}X}", bits, "sum", unit)


def _bytewise(data: NDArray[np.uint8], total: int) -> Iterator[Hit]:
    """Sums and exclusive-or of 8 bits."""
    size = len(data)
    low = total & 0xFF
    if low in {0, 0xFF}:
        yield _over_all(size, f"sum8, all bytes = {low:02X}", f"{low:02X}", 8, "sum")
    if total % 255 == 0:
        yield _over_all(size, "sum8 with end-around carry, all bytes = FF", "FF", 8, "carry")
    folded = int(np.bitwise_xor.reduce(data))
    if folded in {0, 0xFF}:
        yield _over_all(size, f"xor8, all bytes = {folded:02X}", f"{folded:02X}", 8, "xor")
    for at, name in ((size - 1, "last"), (0, "first")):
        field = int(data[at])
        if (total - field) & 0xFF == field:
            yield _over_rest(size, at, 1, f"sum8 of the others, {name} byte", field, 8)


def _byte_sums(data: NDArray[np.uint8], total: int) -> Iterator[Hit]:
    """16-bit sums of bytes, stored as they are, negated or complemented."""
    size = len(data)
    for at in places(size, 2):
        first, second = int(data[at]), int(data[at + 1])
        sums = (total - first - second) & 0xFFFF
        for order, field in (
            ("high byte first", first << 8 | second),
            ("low byte first", second << 8 | first),
        ):
            for name, want in (("", sums), ("negated ", -sums & 0xFFFF), ("complemented ", sums ^ 0xFFFF)):
                if field == want:
                    yield _over_rest(size, at, 2, f"sum16 of the other bytes, {name}{order}", field, 16)
    for at in places(size, 4):
        four = data[at : at + 4].tobytes()
        sums = total - sum(four)
        # A sum of bytes cannot fill 32 bits: the upper half is foreseeable, so that only 16 have to agree.
        for order, field in (
            ("high byte first", int.from_bytes(four, "big")),
            ("low byte first", int.from_bytes(four, "little")),
        ):
            if field == sums:
                yield _over_rest(size, at, 4, f"sum32 of the other bytes, {order}", field, 16)


def _word_sums(data: NDArray[np.uint8]) -> Iterator[Hit]:
    """Sums of 16- and 32-bit words in either order, zero, complemented, end-around, or stored."""
    size = len(data)
    for width in (2, 4):
        if size % width:
            return
        bits, top = 8 * width, (1 << 8 * width) - 1
        for code, order in ((">", "high byte first"), ("<", "low byte first")):
            words = data.view(f"{code}u{width}")
            total = int(words.sum(dtype=np.uint64))
            low = f"{total & top:0{2 * width}X}"
            if total & top in {0, top}:
                yield _over_all(size, f"sum{bits} of words, {order}, all = {low}", low, bits, "sum", width)
            for at in places(size, width):
                field = int(words[at // width])
                if (total - field) & top == field:
                    method = f"sum{bits} of the other words, {order}"
                    yield _over_rest(size, at, width, method, field, bits, width)
            # Turning all words about turns their end-around sum about (RFC 1071 section 2 B), so one order
            # says all.
            if width == 2 and code == ">" and total % 65535 == 0:
                method = "sum16 of words with end-around carry = FFFF (RFC 1071)"
                yield _over_all(size, method, "FFFF", 16, "carry", 2)
        if width == 2 and not np.bitwise_xor.reduce(data.view(">u2")):
            yield _over_all(size, "xor16 of words, all = 0000", "0000", 16, "xor", 2)


_TAIL = 2 + BEFORE_VECTORS[-1]
"""Bytes at the end in which all places lie but the first."""
_ENDS = (_TAIL, *(table + 2 for table in BEFORE_VECTORS[-2::-1]), 4, 3, 2, 1)
"""Bytes before the end at which a stored value may begin."""
_CUTS = (*(_TAIL - end for end in _ENDS), _TAIL)
"""Of the tail so many bytes are covered: up to each end, and by a value at the first byte up to the last."""
_BEFORE_CUT = np.arange(_TAIL) < np.array(_CUTS)[:, None]
_TAIL_AT = crc.nibbles_at(np.where(_BEFORE_CUT, crc.CHUNK - np.array(_CUTS)[:, None] + np.arange(_TAIL), 0).T)


class _Spots(NamedTuple):
    """Every algorithm at every place where its value may stand, the same for rows of every size.

    Attributes:
        algorithm: Numbers in the catalogue.
        core: Numbers of their cores.
        start: Of the registers that `_over` starts with, which one runs.
        cut: Number of the cut up to which it runs.
        field: Of the last and first bytes as `_fields` reads them, which value is stored there.
    """

    algorithm: NDArray[np.intp]
    core: NDArray[np.intp]
    start: NDArray[np.intp]
    cut: NDArray[np.intp]
    field: NDArray[np.intp]


def _spots() -> tuple[_Spots, tuple[tuple[int, int], ...]]:
    """The spots, and the distinct fields: bytes before the end (0: the first bytes), width in bytes."""
    fields = tuple((end, width) for width in (1, 2, 3, 4) for end in _ends(width))
    every = [
        (
            number,
            crc.OF_CORE[number],
            number if end else len(CATALOGUE) + number,
            _ENDS.index(end) if end else len(_ENDS),
            fields.index((end, width)),
        )
        for number, one in enumerate(CATALOGUE)
        for width in (one.width // 8,)
        for end in _ends(width)
    ]
    return _Spots(*(np.array(part) for part in zip(*every, strict=True))), fields


def _ends(width: int) -> tuple[int, ...]:
    """The places of a value as bytes before the end; 0 for the first byte."""
    return tuple(-at for at in places(0, width))


_SPOTS, _FIELDS = _spots()
_HEADS = np.flatnonzero(_SPOTS.start >= len(CATALOGUE))
"""The spots of values at the first byte."""
_AT_HEAD = _Spots(*(part[_HEADS] for part in _SPOTS))
_FIELD_AT = np.array([[_TAIL - end if end else _TAIL, width] for end, width in _FIELDS])
_STARTED = np.tile(crc.OF_CORE, 2)


@lru_cache(maxsize=1)
def _over(raw: bytes) -> NDArray[np.uint32]:
    """Shape (spots,): the register of each before its end, and of values at the first byte behind them all.

    Kept for one row: an image is searched with its trailing fill and without it.
    """
    data, spots = np.frombuffer(raw, np.uint8), _SPOTS
    states = np.concatenate([crc.INIT, crc.behind_value(raw[:4])])
    early = crc.after(data[:-_TAIL], states, _STARTED)
    late = crc.added(_TAIL_AT, np.where(_BEFORE_CUT, data[-_TAIL:], np.uint8(0)))
    ended = crc.zeros_after_each(early[spots.start], spots.core, _CUTS, spots.cut)
    return np.asarray(ended ^ late[spots.cut, spots.core])


def _wanted(data: NDArray[np.uint8], live: int) -> tuple[_Spots, NDArray[np.uint32]]:
    """The spots and their values; before a blank end those at the first byte alone: others store nothing."""
    found = _over(data[:live].tobytes())
    if live == len(data):
        return _SPOTS, found ^ crc.XOROUT[_SPOTS.algorithm]
    spots = _AT_HEAD
    found = crc.byte_after(found[_HEADS], spots.core, int(data[-1]), len(data) - live)
    return spots, found ^ crc.XOROUT[spots.algorithm]


def _fields(data: NDArray[np.uint8]) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """Every value that may be stored, high byte first and low byte first."""
    raw = data[-_TAIL:].tobytes() + data[:4].tobytes()
    stored = [raw[at : at + width] for at, width in _FIELD_AT.tolist()]
    high, low = (np.array([int.from_bytes(one, order) for one in stored], np.uint32) for order in _ORDERS)
    return high, low


def _crcs(data: NDArray[np.uint8], live: int) -> Iterator[Hit]:
    """CRCs over everything before the stored value, or behind it where it stands first."""
    size = len(data)
    spots, want = _wanted(data, live)
    high, low = (one[spots.field] for one in _fields(data))
    for spot in np.flatnonzero((want == high) | (want == low)).tolist():
        one = CATALOGUE[spots.algorithm[spot]]
        end, width = _FIELDS[spots.field[spot]]
        at = size - end if end else 0
        span = (0, at) if at else (width, size)
        for field, told in ((high, ", high byte first"), (low, ", low byte first"))[: 1 if width == 1 else 2]:
            if field[spot] == want[spot]:
                shown = one.name if width == 1 else one.name + told
                yield Hit(shown, (span,), (at, at + width), f"{want[spot]:0{width * 2}X}", 8 * width, "crc")


def _running_sums(data: NDArray[np.uint8], total: int) -> Iterator[Hit]:
    """Adler-32 and Fletcher-16 of everything before the stored value, or behind it where it stands first."""
    size = len(data)
    raw = data.tobytes()
    for at in (size - 4, 0):
        want = zlib.adler32(raw[:at] if at else raw[4:])
        for order, name in (("big", "high byte first"), ("little", "low byte first")):
            if int.from_bytes(raw[at : at + 4], "big" if order == "big" else "little") == want:
                span = (0, at) if at else (4, size)
                yield Hit(f"Adler-32, {name}", (span,), (at, at + 4), f"{want:08X}", ADLER_BITS, "crc")
    weighted = int(np.dot(data.astype(np.int64), np.arange(size, 0, -1, dtype=np.int64)))
    for at in (size - 2, 0):
        first, second = raw[at], raw[at + 1]
        if at:
            low, high = total - first - second, weighted - 2 * first - second - 2 * (total - first - second)
        else:
            low, high = total - first - second, weighted - size * first - (size - 1) * second
        want = high % 255 << 8 | low % 255
        for name, field in (
            ("high byte first", first << 8 | second),
            ("low byte first", second << 8 | first),
        ):
            if field == want:
                span = (0, at) if at else (2, size)
                yield Hit(f"Fletcher-16, {name}", (span,), (at, at + 2), f"{want:04X}", 16, "crc")


def _is_filler(data: NDArray[np.uint8], stored: tuple[int, int]) -> bool:
    """Whether a stored value is nothing but 00 or FF, or the pattern that fills the place around it."""
    start, end = stored
    field = data[start:end].tobytes()
    if set(field) in ({0x00}, {0xFF}):
        return True
    size = 2 * len(field)
    return 2 * field in (data[max(0, start - size) : start].tobytes(), data[end : end + size].tobytes())


def _lively(data: NDArray[np.uint8], live: int | None) -> int:
    """Where the blank end begins whose stored values are passed over by `_is_filler`, every one of them."""
    if live is None or live < SMALLEST or len(data) - live < _TAIL or int(data[-1]) not in {0x00, 0xFF}:
        return len(data)
    return live


def search(data: NDArray[np.uint8], live: int | None = None) -> list[Hit]:
    """Every scheme that holds on a row of bytes, strongest first.

    A stored value of nothing but 00 or nothing but FF is passed over, and so is one that is part of a fill:
    blank bytes store nothing.

    Args:
        data: Shape (n,), uint8, contiguous.
        live: From this byte on stands one and the same to the end, if the caller knows.

    Returns:
        Hits, possibly by chance: `tried` says how many schemes there were. Nothing is raised.
    """
    if len(data) < SMALLEST:
        return []
    total = int(data.sum(dtype=np.uint64))
    found = [
        *_bytewise(data, total),
        *_byte_sums(data, total),
        *_word_sums(data),
        *_running_sums(data, total),
        *_crcs(data, _lively(data, live)),
    ]
    kept = [hit for hit in found if hit.stored is None or not _is_filler(data, hit.stored)]
    return sorted(kept, key=lambda hit: (-hit.bits, hit.method, hit.covers))

"""Instruction lengths and targets of the families whose instructions are made of 16-bit words.

Each table has one entry a possible first word; a length counts words. Built once a process, from rules that
follow the printed encodings.

Source (transcribed from memory of the named tables, then held by `tests/outside/test_instruction_sets.py`):
68000: Motorola M68000 Family Programmer's Reference Manual M68000PM/AD Rev. 1, 1992, section 8 and table 2-4.
PDP-11: Digital PDP-11 Architecture Handbook, 1983, chapter 4 and appendix B; floating point chapter 5. 9900:
Texas Instruments TMS 9900 Microprocessor Data Manual, December 1976, section 3.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.model import (
    BRANCH,
    CALL,
    END,
    INDIRECT,
    JUMP,
    NO_TARGET,
    PLAIN,
    Mask,
    Table,
    packed,
)

Block: TypeAlias = tuple[NDArray[np.intp], ...]
"""Some rows of a table by some of its places, as `np.ix_` gives them."""
Where: TypeAlias = Block | NDArray[np.intp] | slice

NEAR_IN_WORD, NEAR_BACK, NEAR_AFTER_1, NEAR_AFTER_2, AT_WORD, AT_LONG = range(1, 7)
"""Forms of a word machine's target: signed byte in the word; six bits back; signed second word counted from
behind the first, or from behind itself; address in the second word; address in the second and third.
"""

_WORDS = np.arange(65536, dtype=np.uint16)
_D, _A, _M, _P, _N, _X, _C, _I = (1 << bit for bit in range(8))
"""Kinds of effective address: data register, address register, (A), (A)+, -(A), displaced or absolute,
relative to the program counter, immediate.
"""
_ANY = _D | _A | _M | _P | _N | _X | _C | _I
_DATA = _ANY & ~_A
_ALTERABLE = _D | _A | _M | _P | _N | _X
_DATA_ALTERABLE = _ALTERABLE & ~_A
_MEMORY_ALTERABLE = _DATA_ALTERABLE & ~_D
_CONTROL = _M | _X | _C


def _effective_addresses() -> tuple[NDArray[np.uint8], NDArray[np.uint16], NDArray[np.uint16]]:
    """By mode and register: the kind (0: none), extension words for a byte or word, and for a long."""
    kind = np.zeros(64, dtype=np.uint8)
    words = np.zeros(64, dtype=np.uint16)
    for mode, one in enumerate((_D, _A, _M, _P, _N, _X, _X)):
        kind[8 * mode : 8 * mode + 8] = one
    words[40:56] = 1
    kind[56:61] = (_X, _X, _C, _C, _I)
    words[56:61] = (1, 2, 1, 1, 1)
    long = words.copy()
    long[60] = 2
    return kind, words, long


_KIND, _SHORT, _LONG = _effective_addresses()


class _Encoding(NamedTuple):
    """One encoding of the 68000: which bits are fixed, which effective addresses go, words beside them."""

    match: int
    mask: int
    allowed: int
    words: int = 1
    long: bool = False


def _sized(match: int, mask: int, allowed: int, extra: tuple[int, int, int] = (1, 1, 1)) -> list[_Encoding]:
    """Rows for byte, word and long in bits 6 and 7; no byte operation takes an address register."""
    return [
        _Encoding(
            match | size << 6, mask | 0xC0, allowed & ~_A if size == 0 else allowed, extra[size], size == 2
        )
        for size in range(3)
    ]


def _rows() -> list[_Encoding]:
    """Every encoding with one effective address."""
    rows: list[_Encoding] = []
    for match in (0x0000, 0x0200, 0x0400, 0x0600, 0x0A00, 0x0C00):
        rows += _sized(match, 0xFF00, _DATA_ALTERABLE, (2, 2, 3))
    rows += [_Encoding(0x0800, 0xFFC0, _DATA & ~_I, 2), _Encoding(0x0100, 0xF1C0, _DATA)]
    for bit in (0x40, 0x80, 0xC0):
        rows += [
            _Encoding(0x0800 | bit, 0xFFC0, _DATA_ALTERABLE, 2),
            _Encoding(0x0100 | bit, 0xF1C0, _DATA_ALTERABLE),
        ]
    for match in (0x4000, 0x4200, 0x4400, 0x4600, 0x4A00):
        rows += _sized(match, 0xFF00, _DATA_ALTERABLE)
    rows += [_Encoding(match, 0xFFC0, _DATA_ALTERABLE) for match in (0x40C0, 0x4800, 0x4AC0)]
    rows += [_Encoding(match, 0xFFC0, _DATA) for match in (0x44C0, 0x46C0)]
    rows += [_Encoding(match, 0xFFC0, _M | _N | _X, 2) for match in (0x4880, 0x48C0)]
    rows += [_Encoding(match, 0xFFC0, _M | _P | _X | _C, 2) for match in (0x4C80, 0x4CC0)]
    rows += [
        _Encoding(0x4840, 0xFFC0, _CONTROL),
        _Encoding(0x41C0, 0xF1C0, _CONTROL),
        _Encoding(0x4180, 0xF1C0, _DATA),
    ]
    rows += [_Encoding(0x4E80, 0xFFC0, _CONTROL), _Encoding(0x4EC0, 0xFFC0, _CONTROL)]
    rows += [*_sized(0x5000, 0xF000, _ALTERABLE), _Encoding(0x50C0, 0xF0C0, _DATA_ALTERABLE)]
    for match in (0x8000, 0xC000):
        rows += [*_sized(match, 0xF100, _DATA), *_sized(match | 0x100, 0xF100, _MEMORY_ALTERABLE)]
        rows += [_Encoding(match | 0xC0, 0xF0C0, _DATA)]
    for match in (0x9000, 0xD000, 0xB000):
        second = _DATA_ALTERABLE if match == 0xB000 else _MEMORY_ALTERABLE
        rows += [*_sized(match, 0xF100, _ANY), *_sized(match | 0x100, 0xF100, second)]
        rows += [_Encoding(match | 0xC0, 0xF1C0, _ANY), _Encoding(match | 0x1C0, 0xF1C0, _ANY, 1, long=True)]
    return [*rows, _Encoding(0xE0C0, 0xF8C0, _MEMORY_ALTERABLE)]


_FIXED = (
    (0x003C, 0xFFBF, 2),
    (0x023C, 0xFFBF, 2),
    (0x0A3C, 0xFFBF, 2),
    (0x0108, 0xF138, 2),
    (0x4840, 0xFFF8, 1),
    (0x4880, 0xFFB8, 1),
    (0x4E40, 0xFFF0, 1),
    (0x4E50, 0xFFF8, 2),
    (0x4E58, 0xFFF8, 1),
    (0x4E60, 0xFFF0, 1),
    (0x4E70, 0xFFFE, 1),
    (0x4E72, 0xFFFF, 2),
    (0x4E76, 0xFFFF, 1),
    (0x7000, 0xF100, 1),
    (0x8100, 0xF1F0, 1),
    (0xC100, 0xF1F0, 1),
    (0xC140, 0xF1F0, 1),
    (0xC188, 0xF1F8, 1),
    (0x9100, 0xF1B0, 1),
    (0x9140, 0xF1F0, 1),
    (0xD100, 0xF1B0, 1),
    (0xD140, 0xF1F0, 1),
    (0xB108, 0xF1B8, 1),
    (0xB148, 0xF1F8, 1),
    (0xE000, 0xF0C0, 1),
    (0xE040, 0xF0C0, 1),
    (0xE080, 0xF0C0, 1),
)
"""Encodings without an effective address: fixed bits, their mask, words."""


_ROWS = np.arange(1024)
_PLACES = np.arange(64)
"""A first word of the 68000 is a row, its upper ten bits, and a place in it, its effective address."""


def _where(match: int, mask: int, allowed: int = 0) -> Block:
    """Rows and places of the first words with these bits, and with an effective address that is allowed."""
    rows, places = (_ROWS & mask >> 6) == match >> 6, (_PLACES & mask) == match & 63
    return np.ix_(rows, places & ((_KIND & allowed) > 0) if allowed else places)


def _put(
    table: Table, where: Where, words: NDArray[Any] | int, flow: int = PLAIN, form: int = NO_TARGET
) -> None:
    """Give these first words one flow and form, and their own lengths."""
    length = np.broadcast_to(np.asarray(words, dtype=np.uint16), table.shape)
    table[where] = length[where] | np.uint16(flow << 4 | form << 7)


def _68000() -> Table:
    table: Table = np.zeros((1024, 64), dtype=np.uint16)
    for row in _rows():
        extended = _LONG if row.long else _SHORT
        _put(table, _where(row.match, row.mask, row.allowed), row.words + extended)
    for match, mask, words in _FIXED:
        _put(table, _where(match, mask), words)
    _moves(table)
    near = np.where(_WORDS & 0xFF, 1, 2).reshape(1024, 64)
    _put(table, _where(0x6000, 0xF001), near, BRANCH, NEAR_IN_WORD)
    _put(table, _where(0x6000, 0xFF01), near, JUMP, NEAR_IN_WORD)
    _put(table, _where(0x6100, 0xFF01), near, CALL, NEAR_IN_WORD)
    _put(table, _where(0x50C8, 0xF0F8), 2, BRANCH, NEAR_AFTER_1)
    jumps = table[0x4EC0 >> 6]
    jumps[jumps > 0] |= INDIRECT << 4
    table = table.reshape(-1)
    for returns in (0x4E73, 0x4E75, 0x4E77):
        table[returns] = packed(1, END)
    table[0x4AFC] = 0
    for first, flow in ((0x4E80, CALL), (0x4EC0, JUMP)):
        table[first | 0x38] = packed(2, flow, AT_WORD)
        table[first | 0x39] = packed(3, flow, AT_LONG)
        table[first | 0x3A] = packed(2, flow, NEAR_AFTER_1)
    return table


def _moves(table: Table) -> None:
    """MOVE and MOVEA: two effective addresses, the second in the row, with register and mode exchanged."""
    second = (_ROWS << 3 & 0x38) | (_ROWS >> 3 & 7)
    for top, long, allowed, into in (
        (0x1000, False, _DATA, _DATA_ALTERABLE),
        (0x3000, False, _ANY, _ALTERABLE),
        (0x2000, True, _ANY, _ALTERABLE),
    ):
        words = _LONG if long else _SHORT
        rows = (top >> 12 == _ROWS >> 6) & ((_KIND[second] & into) > 0)
        where = np.ix_(rows, (_KIND & allowed) > 0)
        _put(table, where, 1 + words + words[second][:, None])


def _span(first: int, last: int, step: int = 1) -> slice:
    """The first words between two, both included, or every so many of them."""
    return slice(first, last + 1, step)


def _among(first: int, last: int, held: Mask) -> NDArray[np.intp]:
    """Those of the first words between two that are held."""
    return first + np.flatnonzero(held[first : last + 1])


def _pdp11() -> Table:
    """Length in words and flow of each first word.

    An operand takes a further word in modes 6 and 7 (index), and in modes 2 and 3 of the program counter
    (immediate, absolute). Source: the addressing modes and opcodes of the PDP-11 processor handbook, from
    memory.
    """
    table = np.zeros(65536, dtype=np.uint16)
    mode, register = _WORDS >> 3 & 7, _WORDS & 7
    into = ((mode >= 6) | ((register == 7) & ((mode == 2) | (mode == 3)))).astype(np.uint16)
    out_of = into[_WORDS >> 6 & 0x3F]
    for top in (0, 0o100000):
        _put(table, _span(top + 0o10000, top + 0o67777), 1 + into + out_of)
        _put(table, _span(top + 0o5000, top + 0o6377), 1 + into)
        _put(table, _span(top + 0o6500, top + 0o6777), 1 + into)
    _put(table, _span(0, 7), 1)
    _put(table, _among(0o100, 0o177, mode > 0), 1 + into, INDIRECT)
    _put(table, _span(0o230, 0o277), 1)
    _put(table, _span(0o300, 0o377), 1 + into)
    _put(table, _span(0o400, 0o777), 1, JUMP, NEAR_IN_WORD)
    _put(table, _span(0o1000, 0o3777), 1, BRANCH, NEAR_IN_WORD)
    _put(table, _span(0o100000, 0o103777), 1, BRANCH, NEAR_IN_WORD)
    _put(table, _among(0o4000, 0o4777, mode > 0), 1 + into)
    _put(table, _span(0o6400, 0o6477), 1)
    _put(table, _span(0o104000, 0o104777), 1)
    _put(table, _span(0o106400, 0o106477), 1 + into)
    _put(table, _span(0o70000, 0o74777), 1 + into)
    _put(table, _span(0o75000, 0o75037), 1)
    _put(table, _span(0o77000, 0o77777), 1, BRANCH, NEAR_BACK)
    _put(table, _span(0o170100, 0o177777), 1 + into)
    table[[0o170000, 0o170001, 0o170002, 0o170011, 0o170012]] = packed(1)
    _put(table, _span(0o200, 0o207), 1, END)
    table[[2, 6]] = packed(1, END)
    for first, last, flow in ((0o100, 0o177, JUMP), (0o4000, 0o4777, CALL)):
        _put(table, _span(first | 0o67, last, 0o100), 2, flow, NEAR_AFTER_2)
        _put(table, _span(first | 0o37, last, 0o100), 2, flow, AT_WORD)
    return table


def _9900() -> Table:
    table = np.zeros(65536, dtype=np.uint16)
    source, into = ((_WORDS >> 4 & 3) == 2).astype(np.uint16), ((_WORDS >> 10 & 3) == 2).astype(np.uint16)
    _put(table, _span(0x4000, 0xFFFF), 1 + source + into)
    _put(table, _span(0x2000, 0x3FFF), 1 + source)
    _put(table, _span(0x1D00, 0x1FFF), 1)
    _put(table, _span(0x0800, 0x0BFF), 1)
    _put(table, _span(0x1100, 0x1CFF), 1, BRANCH, NEAR_IN_WORD)
    _put(table, _span(0x1000, 0x10FF), 1, JUMP, NEAR_IN_WORD)
    _put(table, _span(0x0400, 0x077F), 1 + source)
    _put(table, _span(0x0440, 0x047F), 1 + source, INDIRECT)
    for first in (0x0200, 0x0220, 0x0240, 0x0260, 0x0280):
        _put(table, _span(first, first + 15), 2)
    _put(table, _span(0x02A0, 0x02AF), 1)
    _put(table, _span(0x02C0, 0x02CF), 1)
    table[[0x02E0, 0x0300]] = packed(2)
    table[[0x0340, 0x0360, 0x03A0, 0x03C0, 0x03E0]] = packed(1)
    table[[0x0380, 0x045B]] = packed(1, END)
    table[0x0460] = packed(2, JUMP, AT_WORD)
    table[0x06A0] = packed(2, CALL, AT_WORD)
    return table


@cache
def word_table(family: str) -> Table:
    """The table of a family, shape (65536,)."""
    return {"68000": _68000, "pdp11": _pdp11, "9900": _9900}[family]()

"""Every place of an image read as an instruction, by one look-up in the family's table."""

from __future__ import annotations

import numpy as np

from pipeline.stages.content.flow_of_control import table_6809, table_8086, word_tables
from pipeline.stages.content.flow_of_control.byte_tables import byte_table
from pipeline.stages.content.flow_of_control.model import (
    ABSOLUTE,
    FAR_HIGH,
    FAR_LOW,
    NEAR_8,
    NEAR_16_HIGH,
    NEAR_16_LOW,
    PAGE_8,
    PAGE_11,
    RELATIVE,
    WIDE,
    WORD_FAMILIES,
    Bytes,
    Instructions,
    Places,
    Table,
)

_KINDS = np.array([0, RELATIVE, WIDE, WIDE, ABSOLUTE, ABSOLUTE, RELATIVE, RELATIVE], dtype=np.uint8)
_WORD_KINDS = np.array([0, RELATIVE, RELATIVE, WIDE, WIDE, ABSOLUTE, ABSOLUTE, 0], dtype=np.uint8)

_FORMS: dict[str, tuple[int, ...]] = {
    "8080": (FAR_LOW,),
    "z80": (NEAR_8, FAR_LOW),
    "6502": (NEAR_8, FAR_LOW),
    "65c02": (NEAR_8, FAR_LOW),
    "6800": (NEAR_8, FAR_HIGH),
    "6809": (NEAR_8, NEAR_16_HIGH, FAR_HIGH),
    "8051": (NEAR_8, FAR_HIGH, PAGE_11),
    "8048": (PAGE_11, PAGE_8),
    "1802": (PAGE_8, FAR_HIGH),
    "8086": (NEAR_8, NEAR_16_LOW),
    "68000": (word_tables.NEAR_IN_WORD, word_tables.NEAR_AFTER_1, word_tables.AT_WORD, word_tables.AT_LONG),
    "pdp11": (word_tables.NEAR_IN_WORD, word_tables.NEAR_BACK, word_tables.NEAR_AFTER_2, word_tables.AT_WORD),
    "9900": (word_tables.NEAR_IN_WORD, word_tables.AT_WORD),
}
"""Forms of target that each family has."""


def decode(family: str, data: Bytes) -> Instructions:
    """Read every place as the start of an instruction.

    Args:
        family: Its name, as `8080`; those of WORD_FAMILIES are read word by word.
        data: Shape (n,), bytes; for word machines two a word as the processor stores them: high byte first
            for the 68000 and the 9900, low byte first for the PDP-11. An odd last byte is left out.

    Returns:
        One entry a place. Nothing is raised.
    """
    return _decode_words(family, data) if family in WORD_FAMILIES else _decode_bytes(family, data)


def _entries(family: str, data: Bytes, ahead: Bytes) -> Table:
    """The table's entry for every byte of an image; `ahead` has four bytes more."""
    n = len(data)
    if family == "6809":
        return table_6809.entries(data, ahead[1 : n + 1], ahead[2 : n + 2])
    if family in {"8086", "z80"}:
        table = table_8086.table() if family == "8086" else byte_table(family)
        return np.asarray(table[data.astype(np.uint16) << 8 | ahead[1 : n + 1]])
    return byte_table(family)[data]


def _decode_bytes(family: str, data: Bytes) -> Instructions:
    n = len(data)
    ahead = np.zeros(n + 8, dtype=np.uint8)
    ahead[:n] = data
    entry = _entries(family, data, ahead)
    length = (entry & 15).astype(np.int32)
    form = (entry >> 7).astype(np.uint8)
    target = np.full(n, -1, dtype=np.int32)
    for one in _FORMS[family]:
        at = np.flatnonzero(form == one).astype(np.int32)
        target[at] = _byte_targets(one, at + length[at], ahead)
    return Instructions(family, 1, length, (entry >> 4 & 7).astype(np.uint8), _KINDS[form], target)


def _byte_targets(form: int, after: Places, ahead: Bytes) -> Places:
    """The targets of instructions of one form, which end before `after`.

    `ahead` is the image and a few bytes.
    """
    last = ahead[after - 1].astype(np.int32)
    if form == NEAR_8:
        return after + (last ^ 0x80) - 0x80
    if form == PAGE_8:
        return (after - 1 & ~0xFF) | last
    before = ahead[after - 2].astype(np.int32)
    if form == PAGE_11:
        return (after & ~0x7FF) | (before & 0xE0) << 3 | last
    word = before << 8 | last if form in {FAR_HIGH, NEAR_16_HIGH} else last << 8 | before
    return word if form in {FAR_LOW, FAR_HIGH} else after + (word ^ 0x8000) - 0x8000


def _decode_words(family: str, data: Bytes) -> Instructions:
    n = len(data) // 2
    words = np.zeros(n + 3, dtype=np.int32)
    words[:n] = data[: 2 * n].view("<u2" if family == "pdp11" else ">u2")
    entry = word_tables.word_table(family)[words[:n]]
    length = (entry & 15).astype(np.int32)
    form = (entry >> 7).astype(np.uint8)
    target = np.full(n, -1, dtype=np.int32)
    for one in _FORMS[family]:
        at = np.flatnonzero(form == one).astype(np.int32)
        target[at] = _word_targets(family, one, at, words)
    kind = _WORD_KINDS[form]
    # a branch of the 68000 whose first word tells no distance has 16 bits of it behind
    kind[(form == word_tables.NEAR_IN_WORD) & (length == 2)] = WIDE
    return Instructions(family, 2, length, (entry >> 4 & 7).astype(np.uint8), kind, target)


def _word_targets(family: str, form: int, at: Places, words: Places) -> Places:
    """The targets of instructions of one form, in words; an odd address is no place (-1)."""
    first, second = words[at], words[at + 1]
    signed = (second ^ 0x8000) - 0x8000
    if form == word_tables.NEAR_IN_WORD:
        near = ((first & 0xFF) ^ 0x80) - 0x80
        if family == "68000":
            wide = (first & 0xFF) == 0
            return np.where(wide & (signed & 1 == 1), -1, at + 1 + (np.where(wide, signed, near) >> 1))
        return at + 1 + near
    if form == word_tables.NEAR_BACK:
        return at + 1 - (first & 0x3F)
    if form == word_tables.NEAR_AFTER_1:
        return np.where(signed & 1, -1, at + 1 + (signed >> 1))
    if form == word_tables.NEAR_AFTER_2:
        return np.where(signed & 1, -1, (at + 2 + (signed >> 1)) & 0x7FFF)
    if form == word_tables.AT_LONG:
        third = words[at + 2]
        return np.where((third & 1 == 1) | (second > 0xFF), -1, second << 15 | third >> 1)
    address = signed & 0xFFFFFF if family == "68000" else second
    return np.where(address & 1, -1, address >> 1)

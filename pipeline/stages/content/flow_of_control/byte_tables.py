"""Instruction lengths and targets of the 8-bit families whose first byte, or first two, decide them.

Source (transcribed from memory of the named tables, then held by `tests/outside/test_instruction_sets.py`
against two disassembler libraries, and for the 1802 against the sentences quoted there):
8080: Intel 8080/8085 Assembly Language Programming Manual, 1979, chapter 3. Z80: Zilog Z80 CPU User Manual
UM0080, "Z80 Instruction Set". 6502: MOS Technology MCS6500 Family Programming Manual, January 1976, appendix
B; CMOS: WDC W65C02S data sheet, table 5-2. 6800: Motorola M6800 Programming Reference Manual, November 1976,
table 4. 8051: Intel MCS-51 Microcontroller Family User's Manual, February 1994, chapter 2. 8048: Intel MCS-48
Family of Single Chip Microcomputers User's Manual, September 1980, chapter 4. 1802: RCA COSMAC CDP1802 User
Manual MPM-201A, 1976. Undocumented instructions count as undefined.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np

from pipeline.stages.content.flow_of_control.model import (
    BRANCH,
    CALL,
    END,
    FAR_HIGH,
    FAR_LOW,
    INDIRECT,
    JUMP,
    NEAR_8,
    NO_TARGET,
    PAGE_8,
    PAGE_11,
    PLAIN,
    Table,
    packed,
)


def opcodes(text: str) -> list[int]:
    """Hexadecimal opcodes and ranges.

    Example:
        >>> opcodes("06 B8-BA")
        [6, 184, 185, 186]
    """
    out: list[int] = []
    for token in text.split():
        first, _, last = token.partition("-")
        out += range(int(first, 16), int(last or first, 16) + 1)
    return out


def put(table: Table, which: Iterable[int], length: int, flow: int = PLAIN, form: int = NO_TARGET) -> None:
    """Give these opcodes one entry."""
    table[list(which)] = packed(length, flow, form)


def _of_lengths(one: str, two: str, three: str = "") -> Table:
    """A table of 256 with plain instructions; all others undefined."""
    table = np.zeros(256, dtype=np.uint16)
    for length, text in ((1, one), (2, two), (3, three)):
        put(table, opcodes(text), length)
    return table


def _8080() -> Table:
    table = _of_lengths(
        "00-07 09-0F 11-17 19-1F 21-27 29-2F 31-37 39-FF",
        "06 0E 16 1E 26 2E 36 3E C6 CE D3 D6 DB DE E6 EE F6 FE",
        "01 11 21 22 2A 31 32 3A",
    )
    table[opcodes("CB D9 DD ED FD 08 10 18 20 28 30 38")] = 0
    put(table, opcodes("C2 CA D2 DA E2 EA F2 FA"), 3, BRANCH, FAR_LOW)
    put(table, opcodes("C3"), 3, JUMP, FAR_LOW)
    put(table, opcodes("C4 CC CD D4 DC E4 EC F4 FC"), 3, CALL, FAR_LOW)
    put(table, opcodes("C9"), 1, END)
    put(table, opcodes("E9"), 1, INDIRECT)
    return table


def _z80() -> Table:
    """Shape (65536,): indexed by the first byte and the second."""
    plain = _8080()
    put(plain, opcodes("08 D9"), 1)
    put(plain, opcodes("10 20 28 30 38"), 2, BRANCH, NEAR_8)
    put(plain, opcodes("18"), 2, JUMP, NEAR_8)
    table = np.repeat(plain, 256).reshape(256, 256)
    table[0xCB] = packed(2)
    table[0xCB, 0x30:0x38] = 0
    extended = np.zeros(256, dtype=np.uint16)
    put(extended, opcodes("40-42 44 46-4A 4D 4F-52 56-5A 5E-62 67-6A 6F 72 78-7A A0-A3 A8-AB B0-B3 B8-BB"), 2)
    put(extended, opcodes("43 4B 53 5B 73 7B"), 4)
    put(extended, opcodes("45 4D"), 2, END)
    table[0xED] = extended
    indexed = np.zeros(256, dtype=np.uint16)
    put(indexed, opcodes("09 19 23 29 2B 39 E1 E3 E5 F9"), 2)
    put(indexed, opcodes("34 35 46 4E 56 5E 66 6E 70-75 77 7E 86 8E 96 9E A6 AE B6 BE"), 3)
    put(indexed, opcodes("21 22 2A 36 CB"), 4)
    put(indexed, opcodes("E9"), 2, INDIRECT)
    table[0xDD] = table[0xFD] = indexed
    return table.reshape(-1)


_NMOS = (
    "08 0A 18 28 2A 38 40 48 4A 58 60 68 6A 78 88 8A 98 9A A8 AA B8 BA C8 CA D8 E8 EA F8",
    (
        "01 05 06 09 11 15 16 21 24-26 29 31 35 36 41 45 46 49 51 55 56 61 65 66 69 71 75 76 81 84-86 91 "
        "94-96 A0-A2 A4-A6 A9 B1 B4-B6 C0 C1 C4-C6 C9 D1 D5 D6 E0 E1 E4-E6 E9 F1 F5 F6"
    ),
    (
        "0D 0E 19 1D 1E 2C-2E 39 3D 3E 4D 4E 59 5D 5E 6D 6E 79 7D 7E 8C-8E 99 9D AC-AE B9 BC-BE CC-CE D9 DD "
        "DE EC-EE F9 FD FE"
    ),
)


def _6502(*, cmos: bool = False) -> Table:
    table = _of_lengths(*_NMOS)
    put(table, opcodes("10 30 50 70 90 B0 D0 F0"), 2, BRANCH, NEAR_8)
    put(table, opcodes("4C"), 3, JUMP, FAR_LOW)
    put(table, opcodes("20"), 3, CALL, FAR_LOW)
    put(table, opcodes("6C"), 3, INDIRECT)
    put(table, opcodes("40 60"), 1, END)
    put(table, opcodes("00"), 2)
    if cmos:
        put(table, opcodes("1A 3A 5A 7A DA FA"), 1)
        put(table, opcodes("04 12 14 32 34 52 64 72 74 89 92 B2 D2 F2"), 2)
        put(table, opcodes("0C 1C 3C 9C 9E"), 3)
        put(table, opcodes("80"), 2, JUMP, NEAR_8)
        put(table, opcodes("7C"), 3, INDIRECT)
    return table


def _6800() -> Table:
    table = _of_lengths(
        "01 06-0F 10 11 16 17 19 1B 30-37 3E 3F 40 43 44 46-4A 4C 4D 4F 50 53 54 56-5A 5C 5D 5F",
        "60 63 64 66-6A 6C 6D 6F 80-82 84-86 88-8B 90-92 94-9C 9E 9F A0-A2 A4-AC AE AF C0-C2 C4-C6 C8-CB "
        "D0-D2 D4-DB DE DF E0-E2 E4-EB EE EF",
        "70 73 74 76-7A 7C 7D 7F 8C 8E B0-B2 B4-BC BE BF CE F0-F2 F4-FB FE FF",
    )
    put(table, opcodes("22-2F"), 2, BRANCH, NEAR_8)
    put(table, opcodes("20"), 2, JUMP, NEAR_8)
    put(table, opcodes("8D"), 2, CALL, NEAR_8)
    put(table, opcodes("7E"), 3, JUMP, FAR_HIGH)
    put(table, opcodes("BD"), 3, CALL, FAR_HIGH)
    put(table, opcodes("6E"), 2, INDIRECT)
    put(table, opcodes("AD"), 2)
    put(table, opcodes("39 3B"), 1, END)
    return table


def _8051() -> Table:
    table = np.full(256, packed(1), dtype=np.uint16)
    put(
        table,
        opcodes(
            "05 15 24 25 34 35 42 44 45 52 54 55 62 64 65 72 74 76-7F 82 86-8F 92 94 95 A0 A2 A6-AF B0 B2"
        ),
        2,
    )
    put(table, opcodes("C0 C2 C5 D0 D2 E5 F5"), 2)
    put(table, opcodes("43 53 63 75 85 90"), 3)
    put(table, opcodes("40 50 60 70 D8-DF"), 2, BRANCH, NEAR_8)
    put(table, opcodes("10 20 30 B4-BF D5"), 3, BRANCH, NEAR_8)
    put(table, opcodes("80"), 2, JUMP, NEAR_8)
    put(table, opcodes("02"), 3, JUMP, FAR_HIGH)
    put(table, opcodes("12"), 3, CALL, FAR_HIGH)
    put(table, range(0x01, 0x100, 0x20), 2, JUMP, PAGE_11)
    put(table, range(0x11, 0x100, 0x20), 2, CALL, PAGE_11)
    put(table, opcodes("22 32"), 1, END)
    put(table, opcodes("73"), 1, INDIRECT)
    table[0xA5] = 0
    return table


def _8048() -> Table:
    table = np.full(256, packed(1), dtype=np.uint16)
    table[opcodes("01 06 0B 22 33 38 3B 63 66 73 82 87 8B 9B A2 A6 B7 C0-C3 D6 E0-E2 F3")] = 0
    put(table, opcodes("03 13 23 43 53 88-8A 98-9A B0 B1 B8-BF D3"), 2)
    put(table, range(0x04, 0x100, 0x20), 2, JUMP, PAGE_11)
    put(table, range(0x14, 0x100, 0x20), 2, CALL, PAGE_11)
    put(table, range(0x12, 0x100, 0x20), 2, BRANCH, PAGE_8)
    put(table, opcodes("16 26 36 46 56 76 86 96 B6 C6 E6 E8-EF F6"), 2, BRANCH, PAGE_8)
    put(table, opcodes("83 93"), 1, END)
    put(table, opcodes("B3"), 1, INDIRECT)
    return table


def _1802() -> Table:
    table = np.full(256, packed(1), dtype=np.uint16)
    table[0x68] = 0
    put(table, opcodes("7C 7D 7F F8-FD FF"), 2)
    put(table, opcodes("31-37 39-3F"), 2, BRANCH, PAGE_8)
    put(table, opcodes("30"), 2, JUMP, PAGE_8)
    put(table, opcodes("C1-C3 C9-CB"), 3, BRANCH, FAR_HIGH)
    put(table, opcodes("C0"), 3, JUMP, FAR_HIGH)
    put(table, opcodes("70 71"), 1, END)
    return table


@cache
def byte_table(family: str) -> Table:
    """The table of a family, shape (256,), or (65536,) where the second byte counts too."""
    makers = {
        "8080": _8080,
        "z80": _z80,
        "6502": _6502,
        "65c02": lambda: _6502(cmos=True),
        "6800": _6800,
        "8051": _8051,
        "8048": _8048,
        "1802": _1802,
    }
    return makers[family]()

"""Instruction lengths and targets of the 8086 and 8088 (and 80186), from the first two bytes.

A prefix counts as an instruction of its own, which leaves every start where it is.

Source (transcribed from memory, held by `tests/outside/test_instruction_sets.py` against two disassembler
libraries): Intel iAPX 86, 88, 186 and 188 User's Manual, 1983, tables 4-12 to 4-14 of the 8086 part.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from pipeline.stages.content.flow_of_control.byte_tables import opcodes
from pipeline.stages.content.flow_of_control.model import (
    BRANCH,
    CALL,
    END,
    INDIRECT,
    JUMP,
    NEAR_8,
    NEAR_16_LOW,
    Table,
    packed,
)

_MODE, _REG, _MEMORY = (np.arange(256) >> 6, np.arange(256) >> 3 & 7, np.arange(256) & 7)
_WITH_MODE = (2 + (_MODE == 1) + 2 * (_MODE == 2) + 2 * ((_MODE == 0) & (_MEMORY == 6))).astype(np.uint16)
"""Bytes of an instruction with a mode byte and no immediate, by that byte."""

_BY_MODE = "00-03 08-0B 10-13 18-1B 20-23 28-2B 30-33 38-3B 84-8B C4 C5 8C-8F 62 D0-D3 D8-DF FE FF"
_ONE = (
    "06 07 0E 16 17 1E 1F 26 27 2E 2F 36 37 3E 3F 40-61 6C-6F 90-99 9B-9F A4-A7 AA-AF C9 CC CE D7 EC-F0 "
    "F2-F5 F8-FD"
)
_TWO = "04 0C 14 1C 24 2C 34 3C 6A A8 B0-B7 CD E4-E7"
_THREE = "05 0D 15 1D 25 2D 35 3D 68 A0-A3 A9 B8-BF"


@cache
def table() -> Table:
    """Shape (65536,): indexed by the first byte and the second."""
    out = np.zeros((256, 256), dtype=np.uint16)
    for length, text in ((1, _ONE), (2, _TWO), (3, _THREE)):
        out[opcodes(text)] = packed(length)
    out[opcodes(_BY_MODE)] = _WITH_MODE
    out[opcodes("80 82 83 6B C0 C1 C6")] = _WITH_MODE + 1
    out[opcodes("69 81 C7")] = _WITH_MODE + 2
    out[0xF6] = _WITH_MODE + (_REG < 2)
    out[0xF7] = _WITH_MODE + 2 * (_REG < 2)
    out[0xC8] = packed(4)
    out[0x9A] = packed(5)
    out[0xD4, 0x0A] = out[0xD5, 0x0A] = packed(2)
    _undefined(out)
    _flow(out)
    return out.reshape(-1)


def _undefined(out: Table) -> None:
    """Second bytes that no instruction has."""
    out[0x8C, _REG > 3] = 0
    out[0x8E, (_REG > 3) | (_REG == 1)] = 0
    for opcode in (0x8D, 0xC4, 0xC5, 0x62):
        out[opcode, _MODE == 3] = 0
    for opcode in (0x8F, 0xC6, 0xC7):
        out[opcode, _REG != 0] = 0
    for opcode in (0xC0, 0xC1, 0xD0, 0xD1, 0xD2, 0xD3):
        out[opcode, _REG == 6] = 0
    for opcode in (0xF6, 0xF7):
        out[opcode, _REG == 1] = 0
    out[0xFE, _REG > 1] = 0
    out[0xFF, _REG == 7] = 0
    out[0xFF, (_MODE == 3) & ((_REG == 3) | (_REG == 5))] = 0


def _flow(out: Table) -> None:
    """Where the next instruction is not the one behind."""
    out[opcodes("70-7F E0-E3")] = packed(2, BRANCH, NEAR_8)
    out[0xEB] = packed(2, JUMP, NEAR_8)
    out[0xE8] = packed(3, CALL, NEAR_16_LOW)
    out[0xE9] = packed(3, JUMP, NEAR_16_LOW)
    out[0xEA] = packed(5, INDIRECT)
    out[opcodes("C3 CB CF")] = packed(1, END)
    out[opcodes("C2 CA")] = packed(3, END)
    leaves = ((_REG == 4) | (_REG == 5)) & (out[0xFF] > 0)
    out[0xFF, leaves] |= INDIRECT << 4

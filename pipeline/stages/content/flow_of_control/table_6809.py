"""Instruction lengths and targets of the 6809.

Three pages of opcodes and a byte that says how memory is indexed.

Source (transcribed from memory, held by `tests/outside/test_instruction_sets.py` against two disassembler
libraries): Motorola MC6809-MC6809E Microprocessor Programming Manual M6809PM/AD, 1981, appendix D and table
2-1.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from pipeline.stages.content.flow_of_control.byte_tables import opcodes, put
from pipeline.stages.content.flow_of_control.model import (
    BRANCH,
    CALL,
    END,
    FAR_HIGH,
    INDIRECT,
    JUMP,
    NEAR_8,
    NEAR_16_HIGH,
    Bytes,
    Table,
)

INDEXED = "30-33 60 63 64 66-6A 6C-6F A0-AF E0-EF"
INDEXED_PAGED = "A3 AC AE AF EE EF"


@cache
def pages() -> tuple[Table, Table, Table]:
    """Tables for the page without prefix, for the page after 10, and for the page after 11.

    Prefix bytes counted.
    """
    first, second, third = (np.zeros(256, dtype=np.uint16) for _ in range(3))
    put(first, opcodes("12 13 19 1D 3A 3D 3F 40 43 44 46-4A 4C 4D 4F 50 53 54 56-5A 5C 5D 5F"), 1)
    put(first, opcodes("00 03 04 06-0A 0C 0D 0F 1A 1C 1E 1F 34-37 3C 80-82 84-86 88-8B 90-9F C0-C2 C4-C6"), 2)
    put(first, opcodes("C8-CB D0-DF"), 2)
    put(first, opcodes("70 73 74 76-7A 7C 7D 7F 83 8C 8E B0-BF C3 CC CE F0-FF"), 3)
    put(first, opcodes(INDEXED), 2)
    put(first, opcodes("0E"), 2, INDIRECT)
    put(first, opcodes("6E"), 2, INDIRECT)
    put(first, opcodes("39 3B"), 1, END)
    put(first, opcodes("16"), 3, JUMP, NEAR_16_HIGH)
    put(first, opcodes("17"), 3, CALL, NEAR_16_HIGH)
    put(first, opcodes("20"), 2, JUMP, NEAR_8)
    put(first, opcodes("22-2F"), 2, BRANCH, NEAR_8)
    put(first, opcodes("21"), 2)
    put(first, opcodes("8D"), 2, CALL, NEAR_8)
    put(first, opcodes("7E"), 3, JUMP, FAR_HIGH)
    put(first, opcodes("BD"), 3, CALL, FAR_HIGH)
    put(second, opcodes("22-2F"), 4, BRANCH, NEAR_16_HIGH)
    put(second, opcodes("21 83 8C 8E B3 BC BE BF CE FE FF"), 4)
    put(second, opcodes("3F"), 2)
    put(second, opcodes("93 9C 9E 9F DE DF A3 AC AE AF EE EF"), 3)
    put(third, opcodes("3F"), 2)
    put(third, opcodes("83 8C B3 BC"), 4)
    put(third, opcodes("93 9C A3 AC"), 3)
    return first, second, third


@cache
def _indexing() -> tuple[Bytes, Bytes]:
    """Bytes behind the indexing byte (FF: undefined), and which opcodes are indexed, by page and opcode."""
    extra = np.zeros(256, dtype=np.uint8)
    for byte in range(0x80, 0x100):
        mode, indirect = byte & 0x0F, bool(byte & 0x10)
        extra[byte] = {8: 1, 9: 2, 12: 1, 13: 2, 15: 2}.get(mode, 0)
        undefined = mode in {7, 10, 14} or (mode == 15) != (byte == 0x9F) or (indirect and mode in {0, 2})
        if undefined and not (mode == 15 and byte == 0x9F):
            extra[byte] = 0xFF
    indexed = np.zeros((3, 256), dtype=np.uint8)
    indexed[0, opcodes(INDEXED)] = 1
    indexed[1, opcodes(INDEXED_PAGED)] = 1
    indexed[2, opcodes("A3 AC")] = 1
    return extra, indexed


def entries(data: Bytes, following: Bytes, third: Bytes) -> Table:
    """The table entry of every place.

    Args:
        data: Shape (n,).
        following: The same, one place on.
        third: The same, two places on.
    """
    first, second, last = pages()
    extra, indexed = _indexing()
    out = first[data]
    _lengthen(out, indexed[0][data], extra[following])
    for page, (prefix, table) in enumerate(((0x10, second), (0x11, last)), start=1):
        places = np.flatnonzero(data == prefix)
        opcode = following[places]
        found = table[opcode]
        _lengthen(found, indexed[page][opcode], extra[third[places]])
        out[places] = found
    # A pull that takes the program counter off the stack returns.
    pulls = np.flatnonzero(((data == 0x35) | (data == 0x37)) & (following > 0x7F))
    out[pulls] = (out[pulls] & 0x0F) | END << 4
    return out


def _lengthen(entry: Table, indexed: Bytes, extra: Bytes) -> None:
    """Add what the indexing byte asks for, in place; an undefined one makes the instruction undefined."""
    more = np.where(indexed == 1, extra, 0)
    undefined = more == 0xFF
    more[undefined] = 0
    entry += more
    entry[undefined] = 0

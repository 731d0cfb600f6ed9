"""Invented programs for any family with a one-byte opcode table.

Random instructions whose branches lead to real starts.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.byte_tables import byte_table
from pipeline.stages.content.flow_of_control.model import BRANCH, CALL, END, FAR_HIGH, FAR_LOW, JUMP, NEAR_8

Image = NDArray[np.uint8]


def _opcodes(family: str) -> dict[str, list[int]]:
    table = byte_table(family)
    if len(table) == 65536:
        table = table[::256]
    flow, form = table >> 4 & 7, table >> 7
    prefix = {0xCB, 0xDD, 0xED, 0xFD} if family == "z80" else set()
    pick: dict[str, NDArray[Any]] = {
        "plain": (flow == 0) & (table > 0),
        "branch": ((flow == BRANCH) | (flow == CALL)) & (form == NEAR_8),
        "far": ((flow == CALL) | (flow == JUMP)) & ((form == FAR_LOW) | (form == FAR_HIGH)),
        "end": flow == END,
    }
    return {
        name: [int(op) for op in np.flatnonzero(which) if op not in prefix] for name, which in pick.items()
    }


def program(family: str, size: int, *, seed: int = 1, base: int = 0) -> Image:
    """A program that fills an image of this size and stands at this base."""
    rng = np.random.default_rng(seed)
    opcodes, table = _opcodes(family), byte_table(family)
    lengths = (table[::256] if len(table) == 65536 else table) & 15
    # Programs use few of their instructions often, and few operands: that is what tells them from noise.
    favoured = {kind: rng.permutation(found)[:12].tolist() for kind, found in opcodes.items()}
    pool = rng.integers(0, 256, 24, dtype=np.uint8)
    laid: list[tuple[int, int, str]] = []
    at = 0
    routines = [0]
    while at < size - 4:
        kinds, odds = ["plain", "branch", "far", "end"], [0.72, 0.14, 0.1, 0.04]
        kind = str(rng.choice(kinds, p=odds))
        kind = kind if opcodes[kind] else "plain"
        opcode = int(rng.choice(favoured[kind]))
        laid.append((at, opcode, kind))
        at += int(lengths[opcode])
        if kind == "end":
            routines.append(at)
    out = np.zeros(size, dtype=np.uint8)
    starts = np.array([one[0] for one in laid])
    for at, opcode, kind in laid:
        length = int(lengths[opcode])
        body = rng.choice(pool, length - 1)
        out[at] = opcode
        if kind == "branch":
            near = starts[np.abs(starts - at) < 100]
            body[-1] = int(rng.choice(near)) - at - length & 0xFF
        elif kind == "far":
            to = base + int(rng.choice(routines if rng.random() < 0.7 else starts))
            high_first = int((table[::256] if len(table) == 65536 else table)[opcode]) >> 7 == FAR_HIGH
            body[:2] = np.array([to], dtype=">u2" if high_first else "<u2").view(np.uint8)
        out[at + 1 : at + length] = body
    return out

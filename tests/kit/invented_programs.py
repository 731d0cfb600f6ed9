"""Invented programs for any family: random instructions whose branches lead to real starts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.byte_tables import byte_table
from pipeline.stages.content.flow_of_control.decode import decode
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


_NEAR: dict[str, tuple[tuple[bytes, ...], bytes, bytes]] = {
    "6809": ((b"\x26", b"\x27", b"\x2a"), b"\x8d", b"\x39"),
    "8086": ((b"\x75", b"\x74", b"\x72"), b"\xeb", b"\xc3"),
    "68000": ((b"\x66", b"\x67", b"\x6a"), b"\x61", b"\x4e\x75"),
    "pdp11": ((b"\x02", b"\x03", b"\x80"), b"\x01", b"\x87\x00"),
    "9900": ((b"\x16", b"\x13", b"\x15"), b"\x10", b"\x04\x5b"),
}
"""Branches, a call or jump, and the return of the families that `program` cannot make; each of the first two
takes one signed byte of distance. From memory; `decode` reads them so.
"""


def wide_program(family: str, size: int, *, seed: int = 1) -> Image:
    """A program of a family whose instructions take two bytes to know; its branches are near ones."""
    rng = np.random.default_rng(seed)
    units = 2 if family in ("68000", "pdp11", "9900") else 1
    pool = _plain(family, rng)
    branches, call, back = _NEAR[family]
    laid: list[tuple[bytes, bool]] = []
    while sum(len(one) + near for one, near in laid) < size - 16:
        kind = rng.choice(4, p=(0.74, 0.14, 0.08, 0.04))
        if kind == 0:
            laid.append((pool[int(rng.integers(len(pool)))], False))
        elif kind == 3:
            laid.append((back, False))
        else:
            laid.append((branches[int(rng.integers(len(branches)))] if kind == 1 else call, True))
    starts = np.cumsum([0, *(len(one) + near for one, near in laid)])
    out = np.zeros(size, dtype=np.uint8)
    for at, (one, near) in zip(starts.tolist(), laid, strict=False):
        body = one
        if near:
            reach = starts[(np.abs(starts - at) < 100) & (starts != at + 2)]
            away = (int(rng.choice(reach)) - at - 2) // (1 if family == "68000" else units)
            signed = bytes([away & 0xFF])
            body = signed + one if family == "pdp11" else one + signed
        out[at : at + len(body)] = np.frombuffer(body, np.uint8)
    return out


def _plain(family: str, rng: np.random.Generator) -> list[bytes]:
    """Twenty-odd instructions that lead nowhere, as they are stored."""
    data = rng.integers(0, 256, 600, dtype=np.uint8)
    read = decode(family, data)
    places = np.flatnonzero((read.length[:280] > 0) & (read.flow[:280] == 0))
    found = [
        data[place * read.units : (place + int(read.length[place])) * read.units].tobytes()
        for place in rng.permutation(places)[:24].tolist()
    ]
    return [one for one in found if one]


def calling_by_distance(family: str, size: int, *, seed: int = 1, far: range | None = None) -> Image:
    """A program whose calls carry distances of 16 bits to routines all over it; it stands anywhere.

    Args:
        family: `8086` or `68000`.
        size: Bytes, at most 32K.
        seed: Draws its routines.
        far: Where given, one call in four carries an address instead: of a routine in this range, for a
            program that stands at 0.

    Source (from memory; `decode` is held against disassembler libraries): CALL rel16 (E8) and RET (C3), BSR.W
    (6100), JSR of a long address (4EB9) and RTS (4E75); the distance counts from behind the opcode's word, or
    from behind the whole of CALL.
    """
    rng = np.random.default_rng(seed)
    plain = [bytes.fromhex(one) for one in ("B83412", "40", "8BC3", "03C1")]
    words = [bytes.fromhex(one) for one in ("7000", "3200", "D041", "303C1234")]
    some, back, near = (plain, b"\xc3", 3) if family == "8086" else (words, b"\x4e\x75", 4)
    laid: list[tuple[int, bytes | int]] = []
    routines, at = [0], 0
    while at < size - 16:
        kind = int(rng.choice(3, p=(0.7, 0.2, 0.1)))
        goes_far = kind == 1 and far is not None and rng.random() < 0.25
        one = (some[int(rng.integers(len(some)))], 6 if goes_far else near, back)[kind]
        laid.append((at, one))
        at += one if isinstance(one, int) else len(one)
        if kind == 2:
            routines.append(at)
    out = np.zeros(size, dtype=np.uint8)
    called = routines if far is None else [one for one in routines if one in far]
    for at, one in laid:
        if isinstance(one, int):
            to = int(rng.choice(called if one == 6 else routines))
            body = _call(family, at, to, absolute=one == 6)
        else:
            body = one
        out[at : at + len(body)] = np.frombuffer(body, np.uint8)
    return out


def _call(family: str, at: int, to: int, *, absolute: bool) -> bytes:
    if absolute:
        return b"\x4e\xb9" + to.to_bytes(4, "big")
    if family == "8086":
        return b"\xe8" + (to - at - 3 & 0xFFFF).to_bytes(2, "little")
    return b"\x61\x00" + (to - at - 2 & 0xFFFF).to_bytes(2, "big")

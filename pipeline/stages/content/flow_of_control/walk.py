"""Programs walked from where they are entered: what is reached, and who calls whom across chips."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np

from pipeline.stages.content.flow_of_control.begins import starts
from pipeline.stages.content.flow_of_control.code import code_stretches
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import leading, places_speaking, read_as
from pipeline.stages.content.flow_of_control.model import (
    ABSOLUTE,
    BRANCH,
    CALL,
    END,
    JUMP,
    Bytes,
    Instructions,
    Mask,
)
from pipeline.stages.content.flow_of_control.votes import speaking
from pipeline.words import true_ranges

_OWN_BASE = 8.0
"""Nats by which a chip's own calls must say its address better than the next best."""
_LEAST_UNREACHED = 4
"""Places: shorter gaps between what is reached are left out."""
_AT_ZERO = frozenset(["8080", "z80", "8051", "8048", "1802"])
"""Families that begin at address 0; from memory of the processors' data books."""
_TOP_VECTORS = {"65c02": (3, "<u2"), "6800": (4, ">u2"), "6809": (7, ">u2")}
"""Families with addresses in the last words of 64 K: how many, and in which order of bytes; from memory."""
Site = tuple[int, int]
"""Number of a program, and a place in it."""
Find = Callable[[int, int], Site | None]
"""From the number of a program and an address that it names: the place meant."""


class Laid(NamedTuple):
    """One chip's program, at its address where that is known.

    Attributes:
        one: Every place read as an instruction.
        data: The image as the processor takes it.
        base: Address of its first place, in places; None: not known.
        code: Shape (n,): lies in a stretch that reads as a program, where an instruction begins.
        stretches: Half-open ranges of places that read as a program.
    """

    one: Instructions
    data: Bytes
    base: int | None
    code: Mask
    stretches: tuple[tuple[int, int], ...]


def laid(data: Bytes, family: str, base: int | None) -> Laid:
    """One chip's program read; its own calls say its address where nothing else does, if without doubt."""
    one = decode(family, data)
    found = starts(one.length[None], one.flow[None])
    if base is None:
        base = _own_base(data, one)
    stretches = [(start // one.units, end // one.units) for start, end in code_stretches(data, family)]
    code = np.zeros(len(one.length), dtype=bool)
    for start, end in stretches:
        code[start:end] = found.begins[0, start:end]
    return Laid(one, data, base, code, tuple(stretches))


class Calling(NamedTuple):
    """One call, or one jump out of its chip."""

    source: Site
    call: bool
    target: Site | None
    address: int | None


class Walked(NamedTuple):
    """What walking several programs together shows.

    Attributes:
        entries: Where the processor enters, by program.
        calls: All calls, and jumps that leave their chip.
        reached: Shape (n,) by program.
        unreached: Half-open ranges of code that nothing leads to, by program.
    """

    entries: list[list[int]]
    calls: list[Calling]
    reached: list[Mask]
    unreached: list[list[tuple[int, int]]]


def _own_base(data: Bytes, one: Instructions) -> int | None:
    speaks = places_speaking(speaking(data), one.units)
    bases = read_as([one], leading(data, one.units), speaks, step=len(one.length)).bases
    clear = bases.nats[0] >= _OWN_BASE and bases.nats[0] - max(0.0, bases.second[0]) >= _OWN_BASE
    return int(bases.base[0]) if clear and bases.base[0] >= 0 else None


def walk(programs: Sequence[Laid]) -> Walked:
    """Programs of one processor walked together.

    All that is called counts as reached, not only what the known entries lead to: real programs dispatch
    through registers and memory soon after their entry, where no walk can follow.
    """
    where = _finder(programs)
    calls = [one for number in range(len(programs)) for one in _calls(programs, number, where)]
    entries = [_entries(one) for one in programs]
    begun = [(number, place) for number, own in enumerate(entries) for place in own]
    begun += [one.target for one in calls if one.target is not None]
    reached = _reached(programs, begun, where)
    unreached = [_gaps(one, mask) for one, mask in zip(programs, reached, strict=True)]
    return Walked(entries, calls, reached, unreached)


def _finder(programs: Sequence[Laid]) -> Find:
    """From a program and an address: the place it means; the program's own before that of any one other."""
    spans = [
        (one.base, one.base + len(one.one.length)) if one.base is not None else (0, 0) for one in programs
    ]

    def find(number: int, address: int) -> Site | None:
        low, high = spans[number]
        if low <= address < high:
            return number, address - low
        others = [other for other, (start, end) in enumerate(spans) if start <= address < end]
        return (others[0], address - spans[others[0]][0]) if len(others) == 1 else None

    return find


def _target(programs: Sequence[Laid], number: int, place: int, find: Find) -> Site | None:
    """Where the instruction at a place leads."""
    program = programs[number]
    to = int(program.one.target[place])
    if program.one.kind[place] == ABSOLUTE:
        return find(number, to) if to >= 0 else None
    return _inside(programs, number, to, find)


def _inside(programs: Sequence[Laid], number: int, place: int, find: Find) -> Site | None:
    """A place of a program's own, or past its ends."""
    program = programs[number]
    if 0 <= place < len(program.one.length):
        return number, place
    return None if program.base is None else find(number, program.base + place)


def _calls(programs: Sequence[Laid], number: int, find: Find) -> Iterable[Calling]:
    one = programs[number].one
    leading_on = programs[number].code & ((one.flow == CALL) | (one.flow == JUMP)) & (one.kind > 0)
    for place in np.flatnonzero(leading_on).tolist():
        target = _target(programs, number, place, find)
        call = bool(one.flow[place] == CALL)
        if call or target is None or target[0] != number:
            absolute = one.kind[place] == ABSOLUTE
            yield Calling((number, place), call, target, int(one.target[place]) if absolute else None)


def _entries(program: Laid) -> list[int]:
    """Places at which the processor begins or is interrupted, where the program's address is known."""
    family, size, base = program.one.family, len(program.one.length), program.base
    if base is None:
        return []
    found: list[int] = []
    if family in _AT_ZERO and base == 0:
        found = [0]
    elif family in _TOP_VECTORS and base + size == 1 << 16:
        count, order = _TOP_VECTORS[family]
        found = (program.data[-2 * count :].view(order).astype(int) - base).tolist()
    elif family == "68000" and base == 0 and size >= 4:
        found = [int(program.data[4:8].view(">u4")[0]) // 2]
    elif family == "9900" and base == 0 and size >= 2:
        found = [int(program.data[2:4].view(">u2")[0]) // 2]
    return sorted({place for place in found if 0 <= place < size and program.one.length[place]})


def _reached(programs: Sequence[Laid], begun: Iterable[Site], find: Find) -> list[Mask]:
    """What can be come to: the next instruction and every target that is known, over and over."""
    reached = [np.zeros(len(one.one.length), dtype=bool) for one in programs]
    seen: set[Site] = set()
    waiting = list(begun)
    while waiting:
        site = waiting.pop()
        number, place = site
        one = programs[number].one
        length, flow = int(one.length[place]), int(one.flow[place])
        if site in seen or not length:
            continue
        seen.add(site)
        reached[number][place : place + length] = True
        ways = []
        if flow not in {JUMP, END, END + 1}:
            ways.append(_inside(programs, number, place + length, find))
        if flow in {BRANCH, JUMP, CALL} and one.kind[place]:
            ways.append(_target(programs, number, place, find))
        waiting += [way for way in ways if way is not None and way not in seen]
    return reached


def _gaps(program: Laid, reached: Mask) -> list[tuple[int, int]]:
    """Stretches of code that nothing leads to."""
    left = np.zeros(len(reached), dtype=bool)
    for start, end in program.stretches:
        left[start:end] = True
    return true_ranges(left & ~reached, _LEAST_UNREACHED)

"""Reset and interrupt vectors: where a processor starts, as evidence of order and completeness.

A vector that points inside the image, at an instruction that programs start with, is hard to get by accident
and hard to keep with a line crossed or a half missing. It is evidence, never proof: data can look like it.

Source: places and byte orders are from memory of the processors' data books; opcodes from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import comb

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.model import Vector
from pipeline.stages.content.runs import as_bytes
from pipeline.words import Words

MOST_CHANCE = 2e-3
"""Vectors that fit by chance more often than this are not reported."""
_TOP = 0x10000
_START_6502 = frozenset([0x78, 0xD8, 0xA2, 0xA9, 0x4C, 0x20, 0xA0, 0xAD, 0x2C, 0x6C, 0x18, 0x58])
_START_6800 = frozenset([0x0F, 0x8E, 0x86, 0x4F, 0xCE, 0x7E, 0xBD, 0x7F, 0x5F, 0x20, 0xC6, 0x01])
_START_6809 = frozenset(
    [0x1A, 0x10, 0x8E, 0xCE, 0x86, 0x4F, 0x7E, 0x16, 0xBD, 0x17, 0x20, 0x1F, 0xCC, 0x7F, 0x12]
)


def _top(
    data: NDArray[np.uint8],
    family: str,
    count: int,
    starts: frozenset[int],
    *,
    high_first: bool,
    reset: int,
    skip: int = 0,
) -> Iterator[Vector]:
    """Vectors in the last words of the top of a 64 K space, the image being the top of it."""
    size = len(data)
    if not 256 <= size < _TOP or size & (size - 1):
        return
    raw = data[size - 2 * count :].astype(int).tolist()
    pairs = [(raw[n], raw[n + 1]) if high_first else (raw[n + 1], raw[n]) for n in range(0, 2 * count, 2)]
    targets = [high << 8 | low for high, low in pairs][skip:]
    inside = [_TOP - size <= target < _TOP - 2 * count for target in targets]
    where = targets[reset]
    if not inside[reset] or int(data[where - _TOP + size]) not in starts:
        return
    if _is_fill(data, where - _TOP + size):
        return
    share = size / _TOP
    # Unused vectors commonly share one target: equal ones are one piece of evidence, not several.
    good = len({target for target, lies in zip(targets, inside, strict=True) if lies})
    chance = _tail(len(targets) - 1, good - 1, share) * share * len(starts) / 256
    if chance > MOST_CHANCE:
        return
    yield Vector(
        family,
        size - 2 * count,
        size,
        tuple(targets),
        float(f"{chance:.2g}"),
        f"{good} of {len(targets)} vectors point into this image if it is the top of the 64 K space, the "
        f"reset vector at 0x{where:04X} where {int(data[where - _TOP + size]):02X} stands",
    )


def _is_fill(data: NDArray[np.uint8], at: int) -> bool:
    """Whether nothing but one byte or one pair of bytes, over and over, stands at a target.

    Fills are no code.
    """
    piece = data[at : at + 8]
    return len(piece) >= 4 and bool((piece[2:] == piece[:-2]).all())


def _tail(total: int, least: int, share: float) -> float:
    """Chance that at least so many of `total` fit, each with this chance (a union bound, at most 1)."""
    return min(1.0, sum(comb(total, k) * share**k for k in range(least, total + 1)))


def _at_zero(data: NDArray[np.uint8]) -> Iterator[Vector]:
    """8080, 8085 and Z80 families: a jump or set-up code at 0, restarts every eight bytes."""
    size = len(data)
    if not 256 <= size <= _TOP:
        return
    first = data[:8].astype(int).tolist()
    skip = 1 if first[0] in {0xF3, 0x00} else 0
    share = min(1.0, size / _TOP)
    if first[skip] == 0xC3:
        target = first[skip + 1] | first[skip + 2] << 8
        if 3 <= target < size:
            chance = 3 / 256 * share
            slots = [
                n
                for n in range(8, 0x40, 8)
                if data[n] == 0xC3 and (int(data[n + 1]) | int(data[n + 2]) << 8) < size
            ]
            chance *= _tail(7, len(slots), share / 256)
            if chance <= MOST_CHANCE:
                says = f"a jump at 0 to 0x{target:04X}, inside the image" + (
                    f", and {len(slots)} restart jumps" if slots else ""
                )
                yield Vector("8080, 8085, Z80", 0, 8, (target,), float(f"{chance:.2g}"), says)
    elif first[skip] == 0x31 and skip and first[skip + 3] in {0xC3, 0xCD, 0xAF, 0x3E, 0x21, 0xD3}:
        chance = 2 / 256 / 256 * 6 / 256
        stack = first[skip + 1] | first[skip + 2] << 8
        yield Vector(
            "8080, 8085, Z80",
            0,
            8,
            (stack,),
            float(f"{chance:.2g}"),
            f"interrupts off, stack at 0x{stack:04X}",
        )


def _far_jump(data: NDArray[np.uint8]) -> Iterator[Vector]:
    """8086 family: a far jump 16 bytes below the top."""
    size = len(data)
    if size < 256 or size & (size - 1):
        return
    raw = data[size - 16 : size - 11].astype(int).tolist()
    if raw[0] != 0xEA:
        return
    offset, segment = raw[1] | raw[2] << 8, raw[3] | raw[4] << 8
    linear = (segment << 4) + offset
    inside = 0x100000 - size <= linear < 0x100000
    chance = 1 / 256 * min(1.0, size / 0x100000)
    if inside and chance <= MOST_CHANCE:
        yield Vector(
            "8086, 8088",
            size - 16,
            size - 11,
            (linear,),
            float(f"{chance:.2g}"),
            f"a far jump 16 bytes below the top to 0x{linear:05X}, inside the image at the top of 1 M",
        )


def _long_words(data: NDArray[np.uint8]) -> Iterator[Vector]:
    """68000: stack and program counter at 0, high byte first; exception vectors behind them."""
    size = len(data)
    if size < 1024:
        return
    longs = data[:64].view(">u4").astype(int).tolist()
    stack, start = longs[0], longs[1]
    base = start & ~(size - 1) if size & (size - 1) == 0 else 0
    if stack & 1 or start & 1 or not 8 <= stack < 1 << 24 or not base + 8 <= start < 1 << 24:
        return
    told = {target for target in longs[2:] if base <= target < base + size and not target & 1}
    # Equal targets are not independent, and one that is the stack or the start as well says nothing new.
    same = sorted(told - {stack, start})
    if (not same and start >= size) or _is_fill(data, start - base) or stack == start:
        return
    share = size / (1 << 33)
    chance = 2**-18 * _tail(14, len(same), share) if same else 2**-9 * share
    yield Vector(
        "68000",
        0,
        8,
        (stack, start),
        float(f"{chance:.2g}"),
        (
            f"stack at 0x{stack:X}, start at 0x{start:X}, and {len(same)} of 14 exception vectors into the "
            f"same image"
        ),
    )


def _workspace(data: NDArray[np.uint8]) -> Iterator[Vector]:
    """9900: pairs of workspace and program counter at 0, both even, high byte first."""
    size = len(data)
    if not 256 <= size < _TOP:
        return
    words = data[:16].view(">u2").astype(int).tolist()
    pairs = list(zip(words[::2], words[1::2], strict=True))
    fitting = [(wp, pc) for wp, pc in pairs if not wp & 1 and not pc & 1 and 8 <= pc < size and wp >= size]
    if _are_branches([wp for wp, _ in fitting]):
        return
    good = [pc for _, pc in fitting]
    share = size / _TOP * (1 - size / _TOP) / 4
    if len(set(good)) >= 3 and pairs[0][1] in good:
        chance = share * _tail(3, len(set(good)) - 1, share)
        if chance <= MOST_CHANCE:
            says = f"{len(good)} of 4 pairs of workspace and start are even and point into the image"
            yield Vector("9900", 0, 16, tuple(good), float(f"{chance:.2g}"), says)


def _are_branches(first: Sequence[int]) -> bool:
    """Whether words that would be workspaces are the opcodes of a table of branches.

    One word over and over before even numbers is such a table on every word machine, and 6000 to 6F00 are
    the 68000's branches with 16 bits of distance.
    """
    return len(set(first)) == 1 or all(word & 0xF0FF == 0x6000 for word in first)


def _single_chip(data: NDArray[np.uint8]) -> Iterator[Vector]:
    """8048: jumps at 0, 3 and 7; 8051: a long jump at 0 and jumps or returns at 3, 0B, 13, 1B, 23."""
    size = len(data)
    if not 256 <= size <= _TOP:
        return
    slots48 = [
        n
        for n in (0, 3, 7)
        if int(data[n]) & 0x1F == 0x04 and (int(data[n]) >> 5 << 8 | int(data[n + 1])) < size
    ]
    if len(slots48) == 3:
        yield Vector(
            "8048",
            0,
            9,
            tuple(int(data[n]) >> 5 << 8 | int(data[n + 1]) for n in slots48),
            float(f"{(1 / 32) ** 3:.2g}"),
            "jumps at 0, 3 and 7",
        )
    share = size / _TOP
    if data[0] != 0x02 or (int(data[1]) << 8 | int(data[2])) >= size:
        return
    good = 0
    for at in (0x03, 0x0B, 0x13, 0x1B, 0x23):
        jump = data[at] == 0x02 and (int(data[at + 1]) << 8 | int(data[at + 2])) < size
        good += bool(jump or data[at] == 0x32)
    if good:
        each = 1 / 256 * (1 + share)
        chance = share / 256 * _tail(5, good, each)
        yield Vector(
            "8051",
            0,
            0x26,
            (int(data[1]) << 8 | int(data[2]),),
            float(f"{chance:.2g}"),
            f"a long jump at 0 and {good} interrupt slots",
        )


_RULES: tuple[Callable[[NDArray[np.uint8]], Iterator[Vector]], ...] = (
    lambda data: _top(data, "6502", 3, _START_6502, high_first=False, reset=1),
    lambda data: _top(data, "6800", 4, _START_6800, high_first=True, reset=3),
    lambda data: _top(data, "6809", 8, _START_6809, high_first=True, reset=6, skip=1),
    _at_zero,
    _far_jump,
    _long_words,
    _workspace,
    _single_chip,
)


def vectors(words: Words, bits: int) -> tuple[Vector, ...]:
    """Vectors of common 8- and 16-bit processor families that this image shows, least likely by chance first.

    Args:
        words: Shape (n,).
        bits: Bits a word; whole bytes, wide words high byte first. Others have no vectors of their own.

    Returns:
        Evidence, never proof; empty for blank images. Nothing is raised.
    """
    if bits % 8 or len(words) * bits < 256 * 8:
        return ()
    data = np.ascontiguousarray(as_bytes(words, bits))
    found = [vector for rule in _RULES for vector in rule(data)]
    return tuple(sorted(found, key=lambda vector: vector.chance))

"""Cyclic redundancy checks of the common catalogue, many at once and without a Python loop over bytes.

A CRC register is linear: every nibble of the content adds (exclusive or) a contribution that depends only on
its distance from the end. One table of contributions therefore serves all images, and several polynomials
ride in one 64-bit lane, so that a 2K x 8 chip costs some tens of microseconds for all of them.

Source: linearity of the register over exclusive or (definition); parameters in `crc_catalogue`.
"""

from __future__ import annotations

from functools import cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.crc_catalogue import CATALOGUE, Crc

CHUNK = 256
"""Bytes that one table of contributions reaches: so small a table stays close to the processor."""


CORES = tuple(dict.fromkeys(crc.core for crc in CATALOGUE))
_LANES: tuple[tuple[tuple[int, int, bool], int, int], ...]


def _packed() -> tuple[tuple[tuple[int, int, bool], int, int], ...]:
    """Each core's place: (core, lane, shift)."""
    out, lane, shift = [], 0, 0
    for core in sorted(CORES, key=lambda one: -one[0]):
        if shift + core[0] > 64:
            lane, shift = lane + 1, 0
        out.append((core, lane, shift))
        shift += core[0]
    return tuple(out)


def reverse_bits(value: int, width: int) -> int:
    """The lowest `width` bits in the opposite order."""
    return int(f"{value:0{width}b}"[::-1], 2)


_LANES = _packed()
_LANE_COUNT = _LANES[-1][1] + 1
_EVERY_CORE = np.arange(len(CORES))
_HOP_SIZE = len(CORES) * 4 * 256
_BYTE_AT = (_EVERY_CORE * 4 + np.arange(4)[:, None]) * 256
"""Shape (4, cores): where the values of each byte of a register begin in a table of `_hop`."""
_PLACE_OF = {core: (lane, shift) for core, lane, shift in _LANES}
_OF_LANE = np.array([_PLACE_OF[core][0] for core in CORES])
_SHIFT = np.array([_PLACE_OF[core][1] for core in CORES], dtype=np.uint64)
_MASK = np.array([(1 << width) - 1 for width, _, _ in CORES], dtype=np.uint64)

_POLY = np.array([[poly] for _, poly, _ in CORES], dtype=np.uint64)
_MIRRORED = np.array([[reverse_bits(poly, width)] for width, poly, _ in CORES], dtype=np.uint64)
_REFLECTED = np.array([[reflected] for _, _, reflected in CORES])
_TOP = np.array([[width - 1] for width, _, _ in CORES], dtype=np.uint64)
"""Of each core, shape (cores, 1): its polynomial, the same backwards, whether the low bit leaves first, and
the number of the highest bit.
"""
_ONE = np.uint64(1)

_Register = TypeVar("_Register", np.uint32, np.uint64)
Registers = NDArray[np.uint32]
"""Registers side by side; shape (cores,) where nothing else is said."""
_EVERY_PLACE = np.arange(CHUNK)


def _after_zero(states: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Registers after one zero byte; shape (cores, n), before and behind."""
    for _ in range(8):
        down = states >> _ONE ^ (states & _ONE) * _MIRRORED
        up = states << _ONE & _MASK[:, None] ^ (states >> _TOP & _ONE) * _POLY
        states = np.where(_REFLECTED, down, up)
    return states


def _sums_of(basis: NDArray[_Register], bits: int) -> NDArray[_Register]:
    """What each value of some bits gives, from what each of its bits gives: shape (…, bits) to (…, 2^bits).

    The map is linear: a value gives the exclusive or of what its bits give.
    """
    out = np.zeros((*basis.shape[:-1], 1 << bits), dtype=basis.dtype)
    for bit in range(bits):
        out[..., 1 << bit : 2 << bit] = out[..., : 1 << bit] ^ basis[..., bit, None]
    return out


@cache
def _contributions() -> NDArray[np.uint64]:
    """Shape (2 * 16 * CHUNK, lanes): what a nibble adds, high nibbles first, by place and value.

    What each bit of the last byte adds is carried to twice as many places at each step.
    """
    # A byte enters a register at its low end, or at its high end, and is then followed by nothing.
    entry = np.where(_REFLECTED, 0, _TOP - 7).astype(np.intp) + np.arange(8)
    last = np.take_along_axis(_columns(1), entry, axis=1)
    grown = last[:, None, :]
    while grown.shape[1] < CHUNK:
        places = grown.shape[1]
        cores = np.repeat(_EVERY_CORE, 8 * places)
        earlier = _mapped(_hop(places), grown.reshape(-1), cores).reshape(grown.shape)
        grown = np.concatenate([earlier, grown], axis=1)
    out = np.zeros((_LANE_COUNT, CHUNK, 8), dtype=np.uint64)
    for number, core in enumerate(CORES):
        lane, shift = _PLACE_OF[core]
        out[lane] |= grown[number].astype(np.uint64) << np.uint64(shift)
    high, low = _sums_of(out[..., 4:], 4), _sums_of(out[..., :4], 4)
    return np.ascontiguousarray(np.stack([high, low], axis=1).reshape(_LANE_COUNT, -1).T)


@cache
def _hop(length: int) -> NDArray[np.uint32]:
    """What `length` zero bytes make of a register: (cores, 4, 256) laid flat, by each byte and its value.

    Asked for powers of two and a few small lengths only: some 60 KB each.
    """
    return _sums_of(_columns(length).reshape(len(CORES), 4, 8), 8).reshape(-1)


@cache
def _columns(length: int) -> NDArray[np.uint32]:
    """Shape (cores, 32): what `length` zero bytes make of each bit of the register."""
    if length < 2:
        states = (_ONE << np.arange(32, dtype=np.uint64)) & _MASK[:, None]
        return (_after_zero(states) if length else states).astype(np.uint32)
    rest = length // 2 if length % 2 == 0 else length - 1
    earlier = _columns(rest).reshape(-1)
    return _mapped(_hop(length - rest), earlier, np.repeat(_EVERY_CORE, 32)).reshape(len(CORES), 32)


def _mapped(
    table: NDArray[np.uint32], states: NDArray[np.uint32], cores: NDArray[np.intp]
) -> NDArray[np.uint32]:
    """The registers of some cores after what a table of `_hop` says, or several such one behind the other."""
    parts = states.astype("<u4").view(np.uint8).reshape(-1, 4)
    # The four bytes in front, so that a step of the reduction goes over all registers.
    index = _BYTE_AT.take(cores, axis=1) + parts.T
    if len(table) > _HOP_SIZE:
        index = index[:, None] + np.arange(0, len(table), _HOP_SIZE)[:, None]
    return np.asarray(np.bitwise_xor.reduce(table.take(index), axis=0))


def zeros_after(states: Registers, length: int, cores: NDArray[np.intp] = _EVERY_CORE) -> Registers:
    """Each register after `length` zero bytes: what bytes before add to the value, whatever follows them.

    Taken in hops of powers of two, whose tables are few and kept: every image of a set has a length of its
    own.

    Args:
        states: Shape (n,).
        length: In bytes.
        cores: Shape (n,), of which core each is: numbers in `CORES`.
    """
    hop = 1
    while hop <= length:
        if length & hop:
            states = _mapped(_hop(hop), states, cores)
        hop <<= 1
    return states


@cache
def _hops(lengths: tuple[int, ...]) -> NDArray[np.uint32]:
    """The tables of several lengths, one behind the other."""
    return np.concatenate([_hop(length) for length in lengths])


def zeros_after_each(
    states: Registers, lengths: tuple[int, ...], cores: NDArray[np.intp] = _EVERY_CORE
) -> NDArray[np.uint32]:
    """Shape (lengths, n): as `zeros_after`, for a few lengths that are asked for again and again."""
    return _mapped(_hops(lengths), states, cores).reshape(len(lengths), len(states))


def added(place: NDArray[np.intp], data: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """What bytes at some places of a chunk add to each register.

    Args:
        place: Shape (n,) or (rows, n), from the chunk's first byte; the last is `CHUNK - 1`.
        data: Shape (n,) or (rows, n); zeros add nothing.

    Returns:
        Shape (cores,) or (rows, cores).
    """
    index = 16 * np.concatenate([place, place + CHUNK], axis=-1)
    index = index + np.concatenate([data >> 4, data & 15], axis=-1)
    # The nibbles in front: a step of the reduction then goes over all rows and lanes at once.
    sums = np.bitwise_xor.reduce(_contributions().take(index.T, axis=0), axis=0)
    return np.asarray(sums[..., _OF_LANE] >> _SHIFT & _MASK, dtype=np.uint32)


@cache
def _repeated(times: int) -> NDArray[np.intp]:
    """All cores, so many times; asked for powers of two only."""
    return np.tile(_EVERY_CORE, times)


def registers(data: NDArray[np.uint8]) -> Registers:
    """The register of every core after the data, started from 0.

    Args:
        data: Shape (n,), uint8.
    """
    # Zeros in front add nothing, so that the chunks become a power of two and fold in pairs.
    chunks = 1 << max(-(-len(data) // CHUNK) - 1, 0).bit_length()
    padded = np.zeros(chunks * CHUNK, dtype=np.uint8)
    padded[len(padded) - len(data) :] = data
    rows = padded.reshape(chunks, CHUNK)
    out = added(np.broadcast_to(_EVERY_PLACE, rows.shape), rows)
    reach = CHUNK
    while len(out) > 1:
        earlier, later = out[::2], out[1::2]
        cores = _repeated(len(earlier))
        out = _mapped(_hop(reach), earlier.reshape(-1), cores).reshape(earlier.shape) ^ later
        reach *= 2
    return np.asarray(out[0])


OF_CORE = np.array([CORES.index(one.core) for one in CATALOGUE])
"""Of each algorithm of the catalogue, its core."""
_INIT = np.array(
    [reverse_bits(one.init, one.width) if one.reflected else one.init for one in CATALOGUE], dtype=np.uint32
)
_XOROUT = np.array([one.xorout for one in CATALOGUE], dtype=np.uint32)


def constants(length: int, beyond: tuple[int, ...]) -> NDArray[np.uint32]:
    """Shape (beyond, algorithms): what start value and final combination add, for data of several lengths.

    Args:
        length: The shortest, in bytes.
        beyond: So many bytes more; the same few for all data.
    """
    return zeros_after_each(zeros_after(_INIT, length, OF_CORE), beyond, OF_CORE) ^ _XOROUT


def value(crc: Crc, data: bytes) -> int:
    """The value of one CRC over some bytes.

    Example:
        >>> hex(value(next(one for one in CATALOGUE if one.name == "CRC-16/ARC"), b"123456789"))
        '0xbb3d'
    """
    register = registers(np.frombuffer(data, dtype=np.uint8))[CORES.index(crc.core)]
    return int(register ^ constants(len(data), (0,))[0, CATALOGUE.index(crc)])

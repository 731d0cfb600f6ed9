"""Cyclic redundancy checks of the common catalogue, many at once and without a Python loop over bytes.

A CRC register is linear: every nibble of the content adds (exclusive or) a contribution that depends only on
its distance from the end. One table of contributions therefore serves all images, and several polynomials
ride in one 64-bit lane, so that a 2K x 8 chip costs some tens of microseconds for all of them. Registers are
followed through the content from any value, and those of all algorithms take each step together.

Source: linearity of the register over exclusive or (definition); parameters in `crc_catalogue`.
"""

from __future__ import annotations

from functools import cache
from typing import Literal, TypeVar

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
"""Registers side by side; shape (n,) where nothing else is said."""
Cores = NDArray[np.intp]
"""Shape (n,): of each of some registers its core, by its number in `CORES`."""
_NIBBLES = np.arange(8)[:, None]
_NIBBLE_AT = (_EVERY_CORE * 8 + _NIBBLES) * 16
"""Shape (nibbles, cores): where the values of each nibble of a register begin in a table of `_hop`.

The nibbles in front, so that a step of what follows goes over all registers.
"""
_LOWEST = (4 * _NIBBLES).astype(np.uint32)
"""Shape (nibbles, 1): the lowest bit of each."""
_AT_ONCE = 8
"""Chunks that are looked up at one time, so that what comes of them stays close to the processor as well."""
_STRETCH = 32
"""Chunks that are put together at one time."""


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


def _last_byte() -> NDArray[np.uint32]:
    """Shape (cores, 8): what each bit of the last byte adds."""
    # A byte enters a register at its low end, or at its high end, and is then followed by nothing.
    entry = np.where(_REFLECTED, 0, _TOP - 7).astype(np.intp) + np.arange(8)
    return np.take_along_axis(_columns(1), entry, axis=1)


@cache
def _contributions() -> NDArray[np.uint64]:
    """Shape (2 * 16 * CHUNK, lanes): what a nibble adds, high nibbles first, by place and value.

    What each bit of the last byte adds is carried to twice as many places at each step.
    """
    grown = _last_byte()[:, None, :]
    while grown.shape[1] < CHUNK:
        places = grown.shape[1]
        cores = np.repeat(_EVERY_CORE, 8 * places)
        earlier = _moved(places, grown.reshape(-1), cores).reshape(grown.shape)
        grown = np.concatenate([earlier, grown], axis=1)
    out = np.zeros((_LANE_COUNT, CHUNK, 8), dtype=np.uint64)
    for number, core in enumerate(CORES):
        lane, shift = _PLACE_OF[core]
        out[lane] |= grown[number].astype(np.uint64) << np.uint64(shift)
    high, low = _sums_of(out[..., 4:], 4), _sums_of(out[..., :4], 4)
    return np.ascontiguousarray(np.stack([high, low], axis=1).reshape(_LANE_COUNT, -1).T)


@cache
def _hop(length: int) -> NDArray[np.uint32]:
    """What `length` zero bytes make of a register, by each of its nibbles: (cores, nibbles, 16), laid flat.

    Asked for less than a hundred lengths, 21 KB each.
    """
    return _sums_of(_columns(length).reshape(len(CORES), 8, 4), 4).reshape(-1)


@cache
def _columns(length: int) -> NDArray[np.uint32]:
    """Shape (cores, 32): what `length` zero bytes make of each bit of the register."""
    if length < 2:
        states = (_ONE << np.arange(32, dtype=np.uint64)) & _MASK[:, None]
        return (_after_zero(states) if length else states).astype(np.uint32)
    rest = _before(length)
    earlier = _columns(rest).reshape(-1)
    return _moved(length - rest, earlier, np.repeat(_EVERY_CORE, 32)).reshape(len(CORES), 32)


@cache
def _filled(byte: int, length: int) -> Registers:
    """Shape (cores,): every register, from 0, after one byte again and again."""
    if length == 1:
        return _sums_of(_last_byte(), 8)[:, byte]
    rest = _before(length)
    return _moved(length - rest, _filled(byte, rest), _EVERY_CORE) ^ _filled(byte, length - rest)


def _before(length: int) -> int:
    """A length that a power of two leads on from: less the lowest one in it, or half of a power itself."""
    return length & (length - 1) or length // 2


def _looked_up(
    table: NDArray[np.uint32], states: Registers, cores: Cores, behind: NDArray[np.intp] | int = 0
) -> Registers:
    """Each register after what a table of `_hop` says, or that of several which begins so far behind."""
    index = _NIBBLE_AT.take(cores, axis=1) + behind
    index += states >> _LOWEST & np.uint32(15)
    return np.asarray(np.bitwise_xor.reduce(table.take(index), axis=0))


def _moved(length: int, states: Registers, cores: Cores) -> Registers:
    """Each register after zero bytes, for a length that `_hop` is asked for."""
    return _looked_up(_hop(length), states, cores)


def byte_after(states: Registers, cores: Cores, byte: int, length: int) -> Registers:
    """Each register after one byte again and again; after zeros: what comes before adds to the value.

    Taken in a few steps, whose tables are few and kept: every image of a set has a length of its own.

    Args:
        states: Shape (n,).
        cores: Of them.
        byte: 0 to 255.
        length: How many.
    """
    powers = (1 << bit for bit in range(8, length.bit_length()))
    for step in filter(None, (length & 0x0F, length & 0xF0, *(length & power for power in powers))):
        states = _moved(step, states, cores)
        if byte:
            states ^= _filled(byte, step).take(cores)
    return states


@cache
def _hops(lengths: tuple[int, ...]) -> NDArray[np.uint32]:
    """The tables of several lengths, one behind the other."""
    return np.concatenate([_hop(length) for length in lengths])


def zeros_after_each(
    states: Registers, cores: Cores, lengths: tuple[int, ...], which: NDArray[np.intp]
) -> Registers:
    """Each register after one of a few lengths of zero bytes, the same few ones again and again.

    Args:
        states: Shape (n,).
        cores: Of them.
        lengths: In bytes.
        which: Shape (n,), of each register the number of its length.
    """
    table = _hops(lengths)
    return _looked_up(table, states, cores, which * (len(table) // len(lengths)))


def nibbles_at(place: NDArray[np.intp]) -> NDArray[np.intp]:
    """Where the high and the low nibble of bytes at some places of a chunk are looked up by `added`.

    Args:
        place: Shape (n, rows), from the chunk's first byte; the last is `CHUNK - 1`.

    Returns:
        Shape (2, n, rows). The nibbles in front: a step of what follows then goes over all rows and lanes.
    """
    return 16 * np.stack([place, place + CHUNK])


def added(at: NDArray[np.intp], data: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """What bytes at some places of a chunk add to each register.

    Args:
        at: Shape (2, n, rows) or (2, n, 1), as `nibbles_at` gives it.
        data: Shape (rows, n); zeros add nothing.

    Returns:
        Shape (rows, cores).
    """
    index = at + np.stack([data.T >> 4, data.T & 15])
    found = _contributions().take(index.reshape(-1, len(data)), axis=0)
    sums = np.bitwise_xor.reduce(found, axis=0)
    return np.asarray(sums.take(_OF_LANE, axis=1) >> _SHIFT & _MASK, dtype=np.uint32)


_EVERY_PLACE = nibbles_at(np.arange(CHUNK)[:, None])


def _each_added(chunks: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """Shape (chunks, cores): what each of some chunks, of shape (chunks, CHUNK), adds at its own end."""
    if len(chunks) <= _AT_ONCE:
        return added(_EVERY_PLACE, chunks)
    some = (chunks[first : first + _AT_ONCE] for first in range(0, len(chunks), _AT_ONCE))
    return np.concatenate([added(_EVERY_PLACE, part) for part in some])


@cache
def _distances(chunks: int) -> tuple[NDArray[np.uint32], NDArray[np.intp]]:
    """The tables for so many chunks, by their distances from the end; where the nibbles of each begin."""
    lengths = tuple(range((chunks - 1) * CHUNK, -1, -CHUNK))
    table = _hops(lengths)
    return table, _NIBBLE_AT[:, None] + np.arange(chunks)[:, None] * (len(table) // chunks)


def _over_chunks(rows: NDArray[np.uint32]) -> Registers:
    """Shape (cores,): every register, from 0, behind some chunks, from what each adds at its own end.

    Args:
        rows: Shape (chunks, cores), of a stretch at most.
    """
    most = _AT_ONCE if len(rows) <= _AT_ONCE else _STRETCH
    table, starts = _distances(most)
    index = starts[:, most - len(rows) :] + (rows >> _LOWEST[:, None] & np.uint32(15))
    return np.asarray(np.bitwise_xor.reduce(table.take(index.reshape(-1, len(CORES))), axis=0))


def after(data: NDArray[np.uint8], states: Registers, cores: Cores) -> Registers:
    """Each register after the data.

    Args:
        data: Shape (bytes,), uint8.
        states: Shape (n,), the registers before it.
        cores: Of them.
    """
    for first in range(0, len(data), _STRETCH * CHUNK):
        part = data[first : first + _STRETCH * CHUNK]
        chunks, rest = divmod(len(part), CHUNK)
        # What is left over lies at the end of a chunk of its own: zeros in front add nothing.
        laid = np.zeros((chunks + (rest > 0)) * CHUNK, np.uint8)
        laid[: chunks * CHUNK] = part[: chunks * CHUNK]
        laid[len(laid) - rest :] = part[chunks * CHUNK :]
        rows = _each_added(laid.reshape(-1, CHUNK))
        if chunks:
            states = _moved(chunks * CHUNK, states, cores) ^ _over_chunks(rows[:chunks]).take(cores)
        if rest:
            states = byte_after(states, cores, 0, rest) ^ rows[-1].take(cores)
    return states


OF_CORE = np.array([CORES.index(one.core) for one in CATALOGUE])
"""Of each algorithm of the catalogue, its core."""
INIT = np.array(
    [reverse_bits(one.init, one.width) if one.reflected else one.init for one in CATALOGUE], dtype=np.uint32
)
"""The register that each algorithm starts with."""
XOROUT = np.array([one.xorout for one in CATALOGUE], dtype=np.uint32)


def _so_far_back(one: Crc) -> int:
    """The register that becomes the start value after as many zero bits as it is wide."""
    register = one.init
    for _ in range(one.width):
        # Every polynomial has its lowest bit, so that this one tells whether it was added last.
        added_last = register & 1
        register = (register ^ one.poly * added_last) >> 1 | added_last << (one.width - 1)
    return reverse_bits(register, one.width) if one.reflected else register


_SO_FAR_BACK = np.array([_so_far_back(one) for one in CATALOGUE], dtype=np.uint32)
_LOW_FIRST = np.array([one.reflected for one in CATALOGUE], dtype=np.intp)
_BYTES = np.array([one.width // 8 for one in CATALOGUE])


def behind_value(head: bytes) -> Registers:
    """Shape (algorithms,): from which register each has its start value behind a value that stands first.

    The first bytes, as many as a register is wide, add themselves to it and nothing else.

    Args:
        head: The first four bytes, or more.
    """
    orders: tuple[Literal["big"], Literal["little"]] = ("big", "little")
    fields = [[int.from_bytes(head[:size], order) for size in range(5)] for order in orders]
    return np.asarray(np.array(fields, np.uint32)[_LOW_FIRST, _BYTES] ^ _SO_FAR_BACK)


def value(crc: Crc, data: bytes) -> int:
    """The value of one CRC over some bytes.

    Example:
        >>> hex(value(next(one for one in CATALOGUE if one.name == "CRC-16/ARC"), b"123456789"))
        '0xbb3d'
    """
    number = CATALOGUE.index(crc)
    own = slice(number, number + 1)
    return int((after(np.frombuffer(data, dtype=np.uint8), INIT[own], OF_CORE[own]) ^ XOROUT[own])[0])

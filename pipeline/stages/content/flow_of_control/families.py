"""Which family of processors an image is a program for, with honest odds, the unknown among them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts, starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES, Bytes, Instructions, Mask, Nats
from pipeline.stages.content.flow_of_control.stretches import best_total, best_totals
from pipeline.stages.content.flow_of_control.votes import (
    Bases,
    Votes,
    far_targets,
    far_votes,
    near_votes,
    spaces,
    speaking,
)

READ_AS = ("z80", "65c02", "6800", "6809", "8051", "8048", "1802", "8086", "68000", "pdp11", "9900")
"""The larger set of each pair stands for both: what an 8080 runs a Z80 runs too."""

LEAST_PLACES = 64
_BASE_PRICE = float(np.log(256))
"""Nats that the choice among bases costs."""
_UNKNOWN = 5.0
"""Nats that content of no known family reaches at most, by and large: on the setting half 1 piece in 200
passed it.
"""
_CONVINCING = 0.9
_TRIPLES, _BY_CHANCE = 1024, 8.0
"""Among so many triples or more, equal pairs this many standard deviations beyond chance make a program
possible.
"""
_BIN, _BINS = 16, 512
"""Places whose votes are summed up before stretches are sought among them; about how many bins at most."""
_OWN_SHARE = 0.02
"""A program for the larger set has more of its own instructions than this."""


class Read(NamedTuple):
    """Images of one size read as instructions, with all their votes."""

    starts: Starts
    near: Votes
    far: Votes
    bases: Bases


def leading(data: Bytes, units: int) -> NDArray[np.int64]:
    """The 32 bits that begin at each place, the first byte highest."""
    n = len(data) // units
    wide = np.zeros(n * units + 4, dtype=np.int64)
    wide[: n * units] = data[: n * units]
    all_places = wide[:-4] << 24 | wide[1:-3] << 16 | wide[2:-2] << 8 | wide[3:-1]
    return all_places[::units]


def read_as(
    decoded: Sequence[Instructions],
    instruction: NDArray[np.int64],
    speaks: Mask,
    *,
    step: int | None = None,
    staying: bool = True,
) -> Read:
    """Read several images at once; all of the same number of places.

    Args:
        decoded: One an image.
        instruction: Shape (n,) or (rows, n), as `leading` gives it.
        speaks: Shape (n,) or (rows, n).
        step: Bases in the machine are multiples of so many places; None: an eighth of the image, a chip's
            size for word machines.
        staying: As `near_votes` has it.
    """
    length, flow, kind, target = (np.stack(part) for part in zip(*(one[2:] for one in decoded), strict=True))
    found = starts(length, flow)
    words = decoded[0].units == 2
    every = np.broadcast_to(instruction, length.shape)
    near = near_votes(every, length, kind, target, found, speaks, units=1 + words, staying=staying)
    n = length.shape[1]
    step = step or (n if words else max(256, n // 8))
    far = far_targets(kind, flow, target, found, speaks)
    bases, under = far_votes(far, found, speaks, space=spaces(words=words), step=step)
    return Read(found, near, under, bases)


def row_votes(read: Read, row: int) -> tuple[NDArray[np.intp], NDArray[np.float64], Mask]:
    """All votes of one image in order of place: places, nats, whether each lands."""
    parts = [one.of_row(row) for one in (read.near, read.far)]
    at, nats, lands = (np.concatenate(part) for part in zip(*parts, strict=True))
    order = np.argsort(at, kind="stable")
    return at[order], nats[order], lands[order]


def totals(read: Read) -> NDArray[np.float64]:
    """Nats by row: what the best stretches of each image are worth as a program."""
    rows, n = read.starts.begins.shape
    near, far = read.near, read.far
    # All rows are put in order at once: one behind the other, each by place.
    key = np.concatenate((near.row * n + near.at, far.row * n + far.at))
    order = np.argsort(key, kind="stable")
    nats = np.concatenate((near.nats, far.nats))[order].tolist()
    edges = np.searchsorted(key[order], np.arange(rows + 1) * n).tolist()
    out = np.array([best_total(nats[edges[row] : edges[row + 1]]) for row in range(rows)])
    return _less_base(out, read)


def _less_base(worth: Nats, read: Read) -> Nats:
    """What is left once the choice of a base has been paid for."""
    return np.where(read.bases.base >= 0, np.maximum(0.0, worth - _BASE_PRICE), worth)


def totals_with(read: Read, further: Nats) -> Nats:
    """As `totals`, with further votes of shape (rows, n), summed up bin by bin and all images at once."""
    rows, n = further.shape
    size = max(_BIN, n // _BINS)
    bins = -(-n // size)
    binned = np.zeros((rows, bins * size))
    binned[:, :n] = further
    votes = binned.reshape(rows, bins, size).sum(axis=2).reshape(-1)
    for one in (read.near, read.far):
        votes += np.bincount(one.row * bins + one.at // size, weights=one.nats, minlength=rows * bins)
    return _less_base(best_totals(votes.reshape(rows, bins)), read)


class Family(NamedTuple):
    """What one family's reading of an image is worth.

    Attributes:
        name: One of READ_AS.
        nats: Of the best stretches; 0 where none reads as a program.
        branches: Branches and calls whose target the image can tell, where instructions begin.
        landing: How many of these lead to where an instruction begins.
    """

    name: str
    nats: float
    branches: int
    landing: int


def family_readings(data: Bytes, families: Sequence[str] = READ_AS) -> list[Family]:
    """An image read as a program of each family, the best first.

    Args:
        data: Shape (n,), bytes as the processor takes them.
        families: Those to try.

    Returns:
        One entry a family that the image is long enough for. Nothing is raised.
    """
    speaks = speaking(data)
    if np.count_nonzero(speaks) < LEAST_PLACES or _scattered(data, speaks):
        return []
    out: list[Family] = []
    for units in (1, 2):
        some = [family for family in families if (family in WORD_FAMILIES) == (units == 2)]
        if not some or len(data) < LEAST_PLACES * units:
            continue
        decoded = [decode(family, data) for family in some]
        read = read_as(decoded, leading(data, units), places_speaking(speaks, units))
        row = np.concatenate((read.near.row, read.far.row))
        lands = np.concatenate((read.near.lands, read.far.lands))
        told = np.bincount(row, minlength=len(some)).tolist()
        hit = np.bincount(row[lands], minlength=len(some)).tolist()
        for family, nats, every, landing in zip(some, totals(read).tolist(), told, hit, strict=True):
            wide = family == "8086" and _is_wide(data, read.starts.begins[some.index(family)] & speaks)
            out.append(Family(family, 0.0 if wide else nats, every, landing))
    return sorted(out, key=lambda one: -one.nats)


def _scattered(data: Bytes, speaks: Mask) -> bool:
    """Whether triples of bytes recur no more often than by chance: noise, packed content, and no program.

    A program calls the same routines and loads the same addresses over and over. Of the setting half and the
    held-out half no program of 2K that was named came nearer to chance than 54 standard deviations;
    independent bytes stay within 4.

    Source: number of equal pairs among n draws (von Mises 1939), Poisson for its spread.
    """
    wide = data.astype(np.int32)
    triples = (wide[:-2] << 16 | wide[1:-1] << 8 | wide[2:])[speaks[:-2] & speaks[1:-1] & speaks[2:]]
    n = len(triples)
    if n < _TRIPLES:
        return False
    # Sorted, equal triples lie together: counting pairs takes n log n instead of n squared.
    triples.sort()
    changes = (triples[1:] != triples[:-1]).nonzero()[0] + 1
    count = np.diff(np.concatenate(([0], changes, [n])))
    equal = int((count * (count - 1)).sum()) / 2
    share = np.bincount(data[speaks], minlength=256) / np.count_nonzero(speaks)
    # Independent bytes of these frequencies agree in a triple with the cube of the chance of one byte.
    expected = n * n / 2 * float((share * share).sum()) ** 3
    return bool(equal - expected < _BY_CHANCE * np.sqrt(expected + 1))


def places_speaking(speaks: Mask, units: int) -> Mask:
    """The mask of bytes as one of places."""
    n = len(speaks) // units
    return speaks if units == 1 else speaks[: 2 * n : 2] & speaks[1 : 2 * n : 2]


def _is_wide(data: Bytes, begins: Mask) -> bool:
    """Whether calls carry distances of 32 bits.

    This is no program for an 8086, though its near branches are the same.
    """
    calls = np.flatnonzero(begins[:-5] & (data[:-5] == 0xE8))
    upper = data[calls + 3].astype(np.int32) << 8 | data[calls + 4]
    zero = np.flatnonzero(begins[:-1] & (data[:-1] == 0) & (data[1:] == 0))
    few = len(zero) * 16 <= np.count_nonzero(begins)
    if len(calls) < 4:
        return not few
    return int(np.count_nonzero((upper == 0) | (upper == 0xFFFF))) * 2 > len(calls)


class Named(NamedTuple):
    """Which family an image is a program for.

    Attributes:
        families: Names as the record has them, `unknown` where none convinces.
        odds: How sure, 0 to 1.
        best: The reading that it rests on; None for an image too short to read.
    """

    families: tuple[str, ...]
    odds: float
    best: Family | None


def named(data: Bytes) -> Named:
    """The family that an image is a program for, the unknown being a family of its own.

    Source: Bayes' rule with equal odds for every family beforehand; what unknown content reaches by chance
    was set on the setting half of `tests/content_accuracy`.
    """
    readings = family_readings(data)
    return choose(readings, data)


def choose(readings: Sequence[Family], data: Bytes) -> Named:
    """As `named`, from readings made already."""
    if not readings:
        return Named(("unknown",), 1.0, None)
    worth = np.array([_UNKNOWN, *(one.nats for one in readings)])
    odds = np.exp(worth - worth.max())
    odds /= odds.sum()
    best = readings[0]
    if odds[1] < _CONVINCING:
        return Named(("unknown",), float(odds[0] if odds[0] > odds[1] else 1 - odds[1]), best)
    return Named(_names(best.name, data), float(odds[1]), best)


def _names(family: str, data: Bytes) -> tuple[str, ...]:
    """The members of a family that this image can be for.

    The smaller set unless the larger one is made use of.
    """
    pair = {"z80": ("8080", "z80"), "65c02": ("6502", "65c02")}.get(family)
    if pair is None:
        return (family,)
    smaller, larger = (decode(name, data) for name in pair)
    begins = starts(larger.length[None], larger.flow[None]).begins[0]
    speaks = speaking(data)
    only = np.count_nonzero(begins & speaks & (smaller.length == 0) & (larger.length > 0))
    share = float(only) / max(1, int(np.count_nonzero(begins & speaks)))
    if family == "z80":
        return ("z80",) if share > _OWN_SHARE else ("8080", "z80")
    return ("65c02",) if share > _OWN_SHARE else ("6502",)

"""What each branch and call says about its image: whether it leads to a place where an instruction begins.

A vote is in nats: the logarithm of how much more often a program shows this than bytes without meaning do. A
hit weighs little where instructions begin everywhere and much where they are rare. Equal instructions say
less each time, since pictures and tables repeat themselves; fills and text have no vote.

Source: the likelihood ratio (Neyman and Pearson, 1933). The shares for programs below were counted on the
half of the programs of `tests/content_accuracy` that limits are set on.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts
from pipeline.stages.content.flow_of_control.model import (
    ABSOLUTE,
    CALL,
    RELATIVE,
    WIDE,
    Bytes,
    Mask,
    Nats,
    Places,
)
from pipeline.stages.content.runs import runs

_LANDS = 0.93
"""Share of near branches of programs that lead to the start of an instruction."""
_STAYS, _WIDE_INSIDE, _WIDE_OUTSIDE = 0.4, 1.0, -0.3
"""A distance of 16 bits stays within the image in so many programs; how much that may add, and take where it
does not.
"""
_MOST = 2.5
"""No single vote weighs more, in nats."""
_CALL_ROUTINE, _CALL_START, _JUMP_ROUTINE, _JUMP_START, _ASTRAY = 0.55, 0.40, 0.22, 0.72, 0.05
"""Shares of far calls and jumps of programs that lead to a routine's first instruction, to another one, to
none.
"""
_RUN, _TEXT = 6, 10
_WIDTHS, _ENTRIES, _SAME = (2, 3, 4, 6, 8, 16), 32, 45
"""A table: within 32 bytes to either side more than 45 % of bytes equal the one that many bytes on."""


class Votes(NamedTuple):
    """Votes of several images of one size.

    Attributes:
        row: Shape (m,), which image.
        at: Shape (m,), place of the voting instruction, ascending within a row.
        nats: Shape (m,).
        lands: Shape (m,): leads to where an instruction begins.
    """

    row: NDArray[np.intp]
    at: NDArray[np.intp]
    nats: Nats
    lands: Mask

    def of_row(self, row: int) -> tuple[NDArray[np.intp], Nats, Mask]:
        """The votes of one image: places, nats, whether each lands."""
        first, last = np.searchsorted(self.row, (row, row + 1))
        return self.at[first:last], self.nats[first:last], self.lands[first:last]


def speaking(data: Bytes) -> Mask:
    """False in runs of six or more equal bytes, and in printable runs of ten or more, mostly letters."""
    out = ~_regular(data)
    for start, end in runs(data[1:] == data[:-1], _RUN - 1):
        out[start : end + 1] = False
    written = runs(data - np.uint8(0x20) < 0x5F, _TEXT)
    if written:
        letter = ((data & 0xDF) - np.uint8(0x41) < 26) | (data == 0x20)
        for start, end in written:
            if np.count_nonzero(letter[start:end]) * 4 > 3 * (end - start):
                out[start:end] = False
    return out


def _regular(data: Bytes) -> Mask:
    """True where most bytes equal those one entry further on, for some width of entry.

    A table, not a program.
    """
    n = len(data)
    same = np.zeros((len(_WIDTHS), n + 2 * _ENTRIES - 1), dtype=np.uint8)
    for row, width in zip(same, _WIDTHS, strict=True):
        if width < n:
            np.equal(data[width:], data[:-width], out=row[_ENTRIES : _ENTRIES + n - width].view(np.bool_))
    # Each doubling adds up twice as many neighbours, until those to either side are together.
    for by in (1, 2, 4, 8, 16, _ENTRIES):
        same = same[:, by:] + same[:, :-by]
    return np.asarray(same.max(axis=0) > _most_by_chance(n))


@lru_cache(maxsize=8)
def _most_by_chance(n: int) -> Bytes:
    """How many of the bytes around each of n may be the same in what is no table; boards have few sizes."""
    place = np.arange(n)
    around = np.minimum(place + _ENTRIES, n) - np.maximum(place - _ENTRIES, 0)
    return (_SAME * around // 100).astype(np.uint8)


def fewer(key: NDArray[np.int64]) -> Nats:
    """One over how often the same key has come up so far, itself counted."""
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    first = np.concatenate(([True], ranked[1:] != ranked[:-1]))[: len(key)]
    number = np.arange(len(key))
    since = number - np.maximum.accumulate(np.where(first, number, 0))
    out = np.empty(len(key))
    out[order] = 1.0 / (1 + since)
    return out


def near_nats(lands: Mask, share: Nats) -> Nats:
    """What branches say that lead, or do not, to instructions, where such a share of places begins one."""
    return np.where(lands, np.log(_LANDS / share), np.log((1 - _LANDS) / (1 - share)))


def spaces(*, words: bool) -> int:
    """Places of a machine's address space."""
    return 1 << 23 if words else 1 << 16


def near_votes(
    instruction: NDArray[np.int64],
    length: Places,
    kind: Bytes,
    target: Places,
    found: Starts,
    speaks: Mask,
    *,
    units: int,
    staying: bool = True,
) -> Votes:
    """Votes of branches whose target the image itself tells.

    Args:
        instruction: Shape (rows, n): the 32 bits that begin at each place, to tell equal instructions.
        length: Shape (rows, n), as `decode` gives it.
        kind: Shape (rows, n): what each does to the flow, as `decode` gives it.
        target: Shape (rows, n): where each leads, as `decode` gives it.
        found: Of the same shape.
        speaks: Shape (rows, n) or (n,).
        units: Bytes a place.
        staying: Let distances of 16 bits that stay within the image speak for themselves: for a family, but
            not for an order of lines, which moves every target.
    """
    n = kind.shape[1]
    place = np.flatnonzero(found.begins & (kind & RELATIVE > 0) & speaks)
    row, at = np.divmod(place, n)
    to = target.take(place)
    wide = kind.take(place) == WIDE
    inside = (to >= 0) & (to < n)
    told = np.flatnonzero((inside & (np.abs(to - at) > 2)) | wide)
    place, to, wide, inside = place.take(told), to.take(told), wide.take(told), inside.take(told)
    row, at = row.take(told), at.take(told)
    here = row * n + np.where(inside, to, 0)
    lands, share = found.begins.take(here) & inside, found.share.take(here)
    nats = near_nats(lands, share)
    if staying:
        nats += np.where(wide & lands, min(_WIDE_INSIDE, max(0.0, np.log(_STAYS * 65536 / (n * units)))), 0)
    nats[~inside] = _WIDE_OUTSIDE if staying else 0
    nats = np.clip(nats, -_MOST, _MOST)
    shift = np.maximum(4 // units - length.take(place), 0) * (8 * units)
    again = fewer(row.astype(np.int64) << 32 | instruction.take(place) >> shift)
    return Votes(row, at, np.where(lands, nats * again, nats), lands)


class Bases(NamedTuple):
    """Where each image stands in its machine, by its own far calls and jumps.

    Attributes:
        base: Shape (rows,), in places; -1: nothing tells.
        nats: Shape (rows,), what all votes for that base amount to, less what choosing among bases costs.
        second: Shape (rows,), the same of the next best base.
    """

    base: NDArray[np.int64]
    nats: Nats
    second: Nats


class Far(NamedTuple):
    """Far calls and jumps: row, place, address and whether each is a call."""

    row: NDArray[np.intp]
    at: NDArray[np.intp]
    to: NDArray[np.int64]
    call: Mask


def far_targets(kind: Bytes, flow: Bytes, target: Places, found: Starts, speaks: Mask) -> Far:
    """The far calls and jumps that stand where instructions begin."""
    row, at = np.nonzero(found.begins & (kind == ABSOLUTE) & speaks)
    to = target[row, at].astype(np.int64)
    told = to >= 0
    row, at, to = row[told], at[told], to[told]
    return Far(row, at, to, flow[row, at] == CALL)


class LandingRates(NamedTuple):
    """How often a place is a routine's start, or an instruction's, by row."""

    routine: Nats
    start: Nats


def rates(found: Starts, speaks: Mask) -> LandingRates:
    """How often a place is a routine's start, or an instruction's, by row."""
    counted = np.maximum(np.count_nonzero(np.broadcast_to(speaks, found.begins.shape), axis=1), 1)
    start = np.clip(np.count_nonzero(found.begins & speaks, axis=1) / counted, 0.05, 0.95)
    routine = np.maximum(np.count_nonzero(found.routine & speaks, axis=1) / counted, 2e-3)
    return LandingRates(np.minimum(routine, start * 0.9), start)


def landing_nats(
    row: NDArray[np.intp],
    place: NDArray[np.int64],
    call: Mask,
    found: Starts,
    shares: LandingRates,
    *,
    at: NDArray[np.int64] | None = None,
) -> Nats:
    """What a far target says if it is this place of the image.

    Args:
        row: Shape (m,), which image.
        place: Shape (m,).
        call: Shape (m,): whether it is called.
        found: The images' starts.
        shares: How often a place is a start, by row, or by `at`.
        at: Which entry of the shares applies; None: that of the row.
    """
    of = row if at is None else at
    begins, routine = found.begins[row, place], found.routine[row, place]
    to_routine = np.where(call, _CALL_ROUTINE, _JUMP_ROUTINE) / shares.routine[of]
    other = np.maximum(shares.start - shares.routine, 0.02)[of]
    to_start = np.where(call, _CALL_START, _JUMP_START) / other
    astray = _ASTRAY / np.maximum(1 - shares.start, 0.02)[of]
    return np.log(np.where(routine, to_routine, np.where(begins, to_start, astray)))


def far_votes(far: Far, found: Starts, speaks: Mask, *, space: int, step: int) -> tuple[Bases, Votes]:
    """The base that each image's far calls and jumps agree on best, and their votes under it.

    Args:
        far: As `far_targets` gives them.
        found: The images' starts.
        speaks: As above.
        space: Places of the machine's address space.
        step: Bases are multiples of it.
    """
    rows, n = found.begins.shape
    shares = rates(found, speaks)
    key = far.row.astype(np.int64) * space + far.to % space
    one, first = np.unique(key, return_index=True)
    row, to = far.row[first], one % space
    # a target that any instruction calls is a routine
    call = np.zeros(len(one), dtype=bool)
    call[np.searchsorted(one, key[far.call])] = True
    steps = -(-n // step)
    base = (to // step)[:, None] - np.arange(steps)
    place = to[:, None] - base * step
    fits = (base >= 0) & (place < n)
    which, _ = np.nonzero(fits)
    nats = landing_nats(row[which], place[fits], call[which], found, shares)
    bases = -(-space // step)
    summed = np.bincount(row[which] * bases + base[fits], weights=nats, minlength=rows * bases)
    total: Nats = summed.astype(np.float64).reshape(rows, bases)
    best = total.argmax(axis=1)
    price = np.log(bases)
    value = total[np.arange(rows), best] - price
    rest = total.copy()
    rest[np.arange(rows), best] = -np.inf
    chosen = np.where(value > 2, best * step, -1)
    found_bases = Bases(chosen, value, rest.max(axis=1) - price)
    return found_bases, _under(far, found, shares, chosen)


def _under(far: Far, found: Starts, shares: LandingRates, base: NDArray[np.int64]) -> Votes:
    """The votes of far calls and jumps into the image, where it has a base."""
    n = found.begins.shape[1]
    place = far.to - base[far.row]
    told = (base[far.row] >= 0) & (place >= 0) & (place < n)
    row, at, place, call = far.row[told], far.at[told], place[told], far.call[told]
    nats = landing_nats(row, place, call, found, shares) * fewer(row.astype(np.int64) * n + place)
    return Votes(row, at, np.clip(nats, -_MOST, _MOST), found.begins[row, place])

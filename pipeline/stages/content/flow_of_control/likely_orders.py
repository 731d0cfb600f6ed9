"""Changes of high address lines that a program's branches speak for: a look that costs little.

Almost every chip is sound, and reading one as a program in each order of its lines takes some ninety times
what reading it once does. High lines move whole blocks, in which the instructions stay what they are: the
image is decoded once, and for each order it is looked up where its branches and calls then lead. Only orders
that promise to read better are read in full. Lower lines take a program apart, which shows at once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts, starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import places_speaking
from pipeline.stages.content.flow_of_control.line_changes import LineChange, crossings, sources
from pipeline.stages.content.flow_of_control.model import (
    RELATIVE,
    WIDE,
    WORD_FAMILIES,
    Instructions,
    Mask,
    Nats,
)
from pipeline.stages.content.flow_of_control.orders import as_stored
from pipeline.stages.content.flow_of_control.votes import (
    far_targets,
    landing_nats,
    near_nats,
    rates,
    spaces,
    speaking,
)
from pipeline.words import Words

_WHOLE = 5
"""Address lines from here on move blocks of 32 words and more: few instructions lie across their edges."""
_PROMISING, _MOST_READ = 5.0, 6
"""Nats that a change must promise, and how many are read in full."""
_STEPS = 8
"""An image may stand at any eighth of its size."""
_NO_CHANGE = LineChange("address", (0, 0))


def likely_orders(words: Words, bits: int, family: str) -> list[LineChange]:
    """The changes of high lines in which an image might read better, those that promise most first.

    Args:
        words: Shape (n,), n a power of two from 256 to 64 K.
        bits: 8 or 16.
        family: As READ_AS has it.

    Returns:
        Empty where the order as read is as good as any, and for other sizes and widths. Nothing is raised.
    """
    total = len(words)
    if bits not in {8, 16} or total & (total - 1) or not 256 <= total <= 1 << 16:
        return []
    high = [one for one in crossings(total, bits) if one.bus == "address" and min(one.lines) >= _WHOLE]
    gains = _gains_by_targets(words, bits, family, high)
    order = np.argsort(-gains, kind="stable")[:_MOST_READ]
    return [high[number] for number in order.tolist() if gains[number] >= _PROMISING]


def _gains_by_targets(words: Words, bits: int, family: str, changes: Sequence[LineChange]) -> Nats:
    """Shape (changes,): how much more, in nats, branches and calls say with each change undone."""
    units = 2 if family in WORD_FAMILIES else 1
    data = as_stored(words, bits, family)
    one = decode(family, data)
    found, speaks = starts(one.length[None], one.flow[None]), places_speaking(speaking(data), units)
    place = np.arange(len(one.length), dtype=np.intp)
    # A place of the image as bytes or words of the processor, which may be narrower or wider than the chip's.
    word, within = np.divmod(place * units, bits // 8)
    moved = (sources(word, [_NO_CHANGE, *changes]) * (bits // 8) + within) // units
    worth = _near(one, found, speaks, moved) + _far(one, found, speaks, moved)
    return np.asarray(worth[1:] - worth[0])


def _near(one: Instructions, found: Starts, speaks: Mask, moved: NDArray[np.intp]) -> Nats:
    """What branches say whose target the image tells, by order of its blocks."""
    at = np.flatnonzero(found.begins[0] & (one.kind & RELATIVE > 0) & speaks)
    by = one.target[at] - at
    told = (np.abs(by) > 2) | (one.kind[at] == WIDE)
    at, by = at[told], by[told]
    to = moved[:, at] + by
    inside = (to >= 0) & (to < moved.shape[1])
    here = np.take_along_axis(moved, np.where(inside, to, 0), axis=1)
    nats = near_nats(found.begins[0, here], found.share[0, here])
    return np.asarray(np.where(inside, nats, 0.0).sum(axis=1))


def _far(one: Instructions, found: Starts, speaks: Mask, moved: NDArray[np.intp]) -> Nats:
    """What far calls and jumps say where the image stands best in its machine, by order of its blocks."""
    n = moved.shape[1]
    far = far_targets(one.kind[None], one.flow[None], one.target[None], found, speaks)
    to, which = np.unique(far.to, return_inverse=True)
    if not len(to):
        return np.zeros(len(moved))
    call = np.zeros(len(to), dtype=np.intp)
    call[which[far.call]] = 1
    step = n // _STEPS
    base = (to // step)[:, None] - np.arange(_STEPS)
    place = to[:, None] - base * step
    # Targets in order of the bases under which they lie in the image, so that each base is one stretch.
    target, nth = np.nonzero(base >= 0)
    order = np.argsort(base[target, nth], kind="stable")
    target, nth = target[order], nth[order]
    first = np.flatnonzero(np.diff(base[target, nth], prepend=-1))
    says = _landing(found, speaks)[call[target], moved[:, place[target, nth]]]
    best = np.add.reduceat(says, first, axis=1).max(axis=1)
    return np.asarray(np.maximum(0.0, best - np.log(spaces(words=one.units == 2) / step)))


def _landing(found: Starts, speaks: Mask) -> Nats:
    """Shape (2, n): what a jump, and a call, to each place of the image says."""
    n = found.begins.shape[1]
    row, place, shares = np.zeros(n, dtype=np.intp), np.arange(n), rates(found, speaks)
    ways = [landing_nats(row, place, np.full(n, call), found, shares) for call in (False, True)]
    return np.stack(ways)

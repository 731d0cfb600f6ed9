"""Which stretches of an image are a program's instructions, once its family is known."""

from __future__ import annotations

import numpy as np

from pipeline.stages.content.flow_of_control.begins import Starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import (
    LEAST_PLACES,
    leading,
    places_speaking,
    read_as,
    row_votes,
)
from pipeline.stages.content.flow_of_control.model import END, JUMP, WORD_FAMILIES, Bytes, Instructions, Mask
from pipeline.stages.content.flow_of_control.stretches import best_stretches
from pipeline.stages.content.flow_of_control.votes import speaking

_PRICE = 8.0
"""Nats a stretch costs where the family is known. Set, as the next two, on what is told as code in content
that is none beside the programs of the setting half of `tests/content_accuracy` (`--only code`)."""
_EMPTY, _MOST_EMPTY = 0.0025, 2.0
"""Nats that a place without a vote costs, and a gap at most: only programs branch but by chance."""
_BACK, _ON = 48, 64
"""So many places before its first branch, and after its last, a stretch reaches at most."""


def code_stretches(data: Bytes, family: str) -> list[tuple[int, int]]:
    """Half-open byte ranges that read as instructions of a family.

    Args:
        data: Shape (n,), as the processor takes it.
        family: One of READ_AS.

    Returns:
        In order, none touching another. What no branch speaks for is not among them. Nothing is raised.
    """
    units = 2 if family in WORD_FAMILIES else 1
    if len(data) < LEAST_PLACES * units:
        return []
    one = decode(family, data)
    speaks = places_speaking(speaking(data), units)
    read = read_as([one], leading(data, units), speaks)
    at, nats, _ = row_votes(read, 0)
    nats = nats - np.minimum(np.diff(at, prepend=at[:1]) * _EMPTY, _MOST_EMPTY)
    out: list[tuple[int, int]] = []
    for first, last, _worth in best_stretches(at.tolist(), nats.tolist(), _PRICE):
        start = _from(first, read.starts, speaks)
        end = _until(last, read.starts, one, speaks)
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return [(start * units, end * units) for start, end in out]


def _from(first: int, found: Starts, speaks: Mask) -> int:
    """Where the routine of the first branch begins.

    Right behind the last one that ends, where a table ends, or where the image does: what it begins with is
    where a processor starts, or what another chip calls.
    """
    low = max(0, first - _BACK)
    begins = found.routine[0, low : first + 1].copy()
    begins[0] |= low == 0 and bool(found.begins[0, 0])
    stops = np.flatnonzero(begins)
    silent = np.flatnonzero(~speaks[low:first])
    start = low + int(stops[0]) if len(stops) else first
    return max(start, low + int(silent[-1]) + 1) if len(silent) else start


def _until(last: int, found: Starts, one: Instructions, speaks: Mask) -> int:
    """Where the routine of the last branch ends: behind the next instruction after which it never goes on."""
    n = len(one.length)
    window = slice(last, min(n, last + _ON))
    leaves = found.begins[0, window] & ((one.flow[window] == JUMP) | (one.flow[window] >= END))
    silent = np.flatnonzero(~speaks[window])
    ends = np.flatnonzero(leaves)
    end = last + (int(ends[0]) if len(ends) else 0)
    if len(silent) and last + int(silent[0]) < end:
        return last + int(silent[0])
    return min(n, end + max(1, int(one.length[end])))

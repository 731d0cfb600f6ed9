"""Where instructions begin: the places at which the instruction streams that start before them meet.

Wherever one starts to read, a few instructions later the reader has fallen in step with the program. In data
it falls in step too, but its branches then lead nowhere; that is what `votes` looks at.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.model import END, JUMP, Bytes, Mask, Nats, Places

_DOUBLINGS = 4
"""Streams are followed for 2^4 - 1 instructions: by then almost all have met."""
_WINDOW = 64
"""Places to either side over which the share of starts counts as local."""


class Starts(NamedTuple):
    """Where instructions begin in several images, or readings of one image, of the same size.

    Attributes:
        begins: Shape (rows, n): an instruction begins here.
        routine: Shape (rows, n): it begins right behind one after which the program never goes on.
        share: Shape (rows, n): the local share of places at which instructions begin, 0.05 to 0.95.
    """

    begins: Mask
    routine: Mask
    share: Nats


def starts(length: Places, flow: Bytes) -> Starts:
    """Where instructions and routines begin, row by row.

    Args:
        length: Shape (rows, n), places an instruction takes, 0 where undefined.
        flow: Shape (rows, n), PLAIN … INDIRECT.

    Returns:
        Of the same shape. Nothing is raised.
    """
    rows, n = length.shape
    end = n + 1
    # One row behind the other, each with a sink behind it where undefined instructions and the last ones
    # lead.
    first = np.arange(rows, dtype=np.int64)[:, None] * end
    following = np.empty((rows, end), dtype=np.int64)
    reach = np.where(length == 0, end, length)
    reach += np.arange(n, dtype=np.int32)
    following[:, :n] = np.minimum(reach, n) + first
    following[:, n:] = first + n
    jump = following.reshape(-1)
    streams = np.ones(rows * end)
    streams[n::end] = 0
    for doubling in range(_DOUBLINGS):
        if doubling:
            jump = jump.take(jump)
        streams += np.bincount(jump, weights=streams, minlength=rows * end)
        streams[n::end] = 0
    passing = _passing(following, streams).reshape(rows, end)[:, :n]
    begins = (length > 0) & (streams.reshape(rows, end)[:, :n] > passing + 0.5)
    leaving = begins & ((flow == JUMP) | (flow >= END))
    routine = np.zeros(rows * end, dtype=bool)
    routine[following[:, :n][leaving]] = True
    return Starts(begins, routine.reshape(rows, end)[:, :n] & begins, local_share(begins))


def _passing(following: NDArray[np.int64], streams: Nats) -> Nats:
    """How many streams pass over each place in the middle of an instruction.

    Begun before it, not yet at their end.
    """
    rows, end = following.shape
    jump = following.reshape(-1)
    arriving = np.bincount(jump, weights=streams, minlength=rows * end)
    # What leads into a sink passes over nothing.
    going = np.where(following == end - 1 + end * np.arange(rows)[:, None], 0, streams.reshape(rows, end))
    under_way = np.zeros((rows, end))
    np.cumsum(going[:, :-1] - arriving.reshape(rows, end)[:, 1:], axis=1, out=under_way[:, 1:])
    return under_way


def local_share(marks: Mask, *, least: float = 0.05) -> Nats:
    """The share of marked places within 64 places of each, `least` to 0.95."""
    rows, n = marks.shape
    # Summed up with a margin on either side, so that the sums of all windows are one difference.
    total: NDArray[np.int32] = np.zeros((rows, n + 2 * _WINDOW + 1), dtype=np.int32)
    np.cumsum(marks, axis=1, out=total[:, _WINDOW + 1 : n + _WINDOW + 1])
    total[:, n + _WINDOW + 1 :] = total[:, n + _WINDOW, None]
    place = np.arange(n)
    size = np.minimum(place + _WINDOW + 1, n) - np.maximum(place - _WINDOW, 0)
    share: Nats = (total[:, 2 * _WINDOW + 1 :] - total[:, :n]) / size
    return np.clip(share, least, 0.95, out=share)

"""Which of several readings that differ in single bits keeps the program's flow.

The same program is read from each; what differs between them is little, and so is what it changes: a branch
that goes astray, an instruction that is undefined or rare in this very program, a stream that falls out of
step. Each says something, and their sum decides. It is evidence beside the readers' voices, never a vote.

Source: logistic regression on the setting half of `tests/content_accuracy` (258 pairs of readings that differ
in eight bits of code); of the pairs that this margin decided there 99.5 % were right.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.families import leading, places_speaking, read_as, row_votes
from pipeline.stages.content.flow_of_control.model import Mask
from pipeline.stages.content.flow_of_control.orders import as_stored
from pipeline.stages.content.flow_of_control.votes import speaking
from pipeline.words import Words

BITS_MARGIN = 1.1
"""By so much the chosen one must stand above every other."""
_RARE, _STARTS, _UNDEFINED, _VOTES, _ASTRAY, _LANDS = 0.14, 0.54, -1.07, 0.13, -1.08, 0.17
"""Weights of: nats of the instructions' frequencies, how many begin, places that begin none, nats of the
branches, branches that go astray, branches that land.
"""
_OPCODE_BITS = {1: 8, 2: 10}
"""Upper bits of an instruction that stand for what it does, by bytes a place."""
_LEAST_WORDS = 128


class KeptBits(NamedTuple):
    """Which reading keeps the flow.

    Attributes:
        chosen: Its number.
        ahead: By how much it stands above the next best.
        breaks: How many more branches go astray and places begin no instruction in each than in the chosen
            one.
    """

    chosen: int
    ahead: float
    breaks: tuple[int, ...]


def keeps_bits(candidates: Sequence[Words], bits: int, family: str) -> KeptBits | None:
    """Which reading keeps the flow; None where none stands out.

    Args:
        candidates: Two images or more of one size, each shape (n,), which differ in few bits.
        bits: 8 or 16.
        family: Whose program it is, one of READ_AS.
    """
    if len(candidates) < 2 or len(candidates[0]) < _LEAST_WORDS:
        return None
    shown = _features([as_stored(one, bits, family) for one in candidates], family)
    score = shown @ np.array([_RARE, _STARTS, _UNDEFINED, _VOTES, _ASTRAY, _LANDS])
    chosen = int(score.argmax())
    ahead = float(score[chosen] - np.delete(score, chosen).max())
    if ahead < BITS_MARGIN:
        return None
    broken = shown[:, 2] + shown[:, 4]
    return KeptBits(chosen, ahead, tuple(int(max(0, one - broken[chosen])) for one in broken.tolist()))


def _features(images: Sequence[NDArray[np.uint8]], family: str) -> NDArray[np.float64]:
    """Shape (images, 6): what each image shows, in the order of the weights."""
    decoded = [decode(family, one) for one in images]
    units = decoded[0].units
    # Where one reading is text or fill nothing of any is counted, so that all are held to the same places.
    speaks: Mask = np.all([places_speaking(speaking(one), units) for one in images], axis=0)
    instruction = np.stack([leading(one, units) for one in images])
    every = np.broadcast_to(speaks, instruction.shape)
    read = read_as(decoded, instruction, every, step=instruction.shape[1], staying=False)
    begins = read.starts.begins & speaks
    opcode = instruction >> (32 - _OPCODE_BITS[units])
    # The frequencies are those of all readings together: none is measured by its own errors.
    kinds = 1 << _OPCODE_BITS[units]
    count = np.bincount(opcode[begins], minlength=kinds) / len(images)
    nats = np.log((count + 0.25) / (count.sum() + 0.25 * kinds))
    out = np.zeros((len(images), 6))
    for row, one in enumerate(decoded):
        _, votes, lands = row_votes(read, row)
        undefined = np.count_nonzero((one.length == 0) & speaks)
        landing = np.count_nonzero(lands)
        out[row] = (
            nats[opcode[row][begins[row]]].sum(),
            np.count_nonzero(begins[row]),
            undefined,
            votes.sum(),
            len(lands) - landing,
            landing,
        )
    return out

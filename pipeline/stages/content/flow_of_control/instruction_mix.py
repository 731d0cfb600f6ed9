"""How much an image's instructions are those that programs use: evidence for an order of its lines.

Programs load, store, compare and call far more often than they do anything else, and each family has its own
habits. In a wrong order of lines instructions are still found, but what comes out is the mix of the image's
bytes, not that of a program. So where branches are few, as in compiled code for the 68000, the mix still
tells a wrong data line or low address line. Single bytes say nothing; a mix is never evidence for a family.

Source: the likelihood ratio (Neyman and Pearson, 1933) of an instruction's first byte against the image's own
bytes. The habits were counted by `tests/content_accuracy/habits.py` on the half of the free programs that
limits are set on: cbios and opense-basic (Z80), open-roms and kimdos (6502), fs-uae (68000),
sigrok-firmware-fx2lafw and firmware-linux-free (8051), vgabios and syslinux-common (8086). Families without a
program there have no entry, and their mix is not weighed.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts
from pipeline.stages.content.flow_of_control.habits import HABITS
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES, Bytes, Mask, Nats

_WEIGHT = 0.25
"""What the mix counts beside the branches: neighbouring instructions are no independent witnesses."""
_MOST = 2.5
"""No single instruction says more, in nats, before it is weighed."""
_KEPT = 0.5
"""Programs keep to the habits of others in half of what they do, so that habits of its own cost it little.

Set on the setting half with each package's habits counted without it.
"""
_SPREAD = 0.1
"""The share of an image's bytes that is taken to be spread evenly, so that none counts as impossible."""
_WORD_KINDS = 10
"""Bits of a word machine's first word that tell what is done; the other six tell to what."""


@cache
def _habit(family: str) -> Nats | None:
    """Nats by first byte, or by the ten highest bits of the first word: how often programs begin so."""
    told = HABITS.get(family)
    if told is None:
        return None
    return np.frombuffer(told.encode(), dtype=np.uint8).astype(np.float64) / -4.0 + ord("0") / 4.0


def kinds(family: str, data: Bytes) -> NDArray[np.intp]:
    """What each place would do as the first of an instruction: its byte, or its word's ten highest bits."""
    if family not in WORD_FAMILIES:
        return data.astype(np.intp)
    return (data[: len(data) // 2 * 2].view(">u2") >> (16 - _WORD_KINDS)).astype(np.intp)


def mix_votes(family: str, kind: NDArray[np.intp], found: Starts, speaks: Mask) -> Nats | None:
    """Shape (rows, n), nats: what each instruction's first byte says for a program; None: no habits known.

    Args:
        family: As READ_AS has it.
        kind: Shape (rows, n), as `kinds` gives it.
        found: Where instructions begin in them.
        speaks: Shape (rows, n): places that have a vote.
    """
    habit = _habit(family)
    if habit is None:
        return None
    # Words are made of their two bytes, so that those of the image itself are not counted as its habit.
    share = _shares(kind, 256) if len(habit) == 256 else _shares(kind >> 2, 256, kind & 3, 4)
    own = np.log((1 - _SPREAD) * share + _SPREAD / len(habit))
    says = np.minimum(np.log(_KEPT * np.exp(habit - own) + 1 - _KEPT), _MOST)
    return np.where(found.begins & speaks, np.take_along_axis(says, kind, axis=1) * _WEIGHT, 0.0)


def _shares(high: NDArray[np.intp], size: int, low: NDArray[np.intp] | None = None, below: int = 1) -> Nats:
    """By row, how often each value comes up among all places; of two parts as if they were independent."""
    rows, n = high.shape
    count = np.bincount((high + size * np.arange(rows)[:, None]).reshape(-1), minlength=rows * size)
    share: Nats = count.reshape(rows, size) / n
    return share if low is None else (share[:, :, None] * _shares(low, below)[:, None]).reshape(rows, -1)

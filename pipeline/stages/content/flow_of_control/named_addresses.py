"""Addresses that instructions name without going there: of texts, tables and routines that are handed on.

Compiled code for the 68000 calls by distances but names its texts by address; such a name speaks for a chip's
place where a text or a routine begins there.

Source: the likelihood ratio (Neyman and Pearson, 1933). Of 2,031 different addresses that fs-uae's program
names within itself 47 % are where a text begins and 18 % where a routine does, against 2 and 1.6 % of all
places; of 102 of cbios (Z80) 43 and 17 %, against 0.3 and 1.1 %. Both are of the half that limits are set on;
the shares below are smaller than both. A program with few texts says less: of opense-basic's (Z80, the same
half) 4 % are where a text begins and 19 % where a routine does, so that for it the first share is too bold;
none of its chips, and no stranger, was placed wrongly there. Other families had too few and are not asked.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.begins import Starts
from pipeline.stages.content.flow_of_control.model import Bytes, Instructions, Mask, Nats
from pipeline.words import true_ranges

_TEXT_BEGINS, _ROUTINE, _INSTRUCTION, _OTHER = 0.35, 0.15, 0.25, 0.25
"""What lies at an address that a program names."""
_LEAST_TEXT = 4
"""Printable bytes that may be a text."""
_LEAST_SHARE = 1 / 256
"""No kind of place counts as rarer."""
_LOADS_PAIR = (0x01, 0x11, 0x21)
"""The Z80 and 8080 load 16 bits into a pair of registers."""


def named_addresses(one: Instructions, data: Bytes, where: Mask) -> NDArray[np.int64]:
    """The addresses named by an image's instructions, in places of the machine; each once.

    Args:
        one: The image, read.
        data: Shape (n,), the image.
        where: Shape (places,): places at which instructions are asked.

    Returns:
        Empty for families other than the 68000 and the Z80 (8080). Source of the instructions: the makers'
        instruction-set references, from memory: LEA and PEA of a long address and MOVE.L of a constant; LD of
        a constant into BC, DE or HL.
    """
    at = np.flatnonzero(where & (np.arange(len(where)) + one.length <= len(where)))
    if one.family == "68000":
        words = data[: 2 * len(where)].view(">u2").astype(np.int64)
        first = words[at]
        lea, pea, move = first & 0xF1FF == 0x41F9, first == 0x4879, first & 0xF03F == 0x203C
        at = at[lea | pea | move]
        long = words[at + 1] << 16 | words[at + 2]
        return np.unique(long[long < 1 << 24] >> 1)
    if one.family == "z80":
        at = at[np.isin(data[at], _LOADS_PAIR)]
        return np.unique(data[at + 2].astype(np.int64) << 8 | data[at + 1])
    return np.zeros(0, dtype=np.int64)


def naming_nats(data: Bytes, found: Starts, units: int) -> Nats:
    """Shape (places,), nats: what an address that leads to each place says for the image's being there."""
    begins, routine = found.begins[0], found.routine[0]
    text = _text_begins(data)
    text = text if units == 1 else text[0 : 2 * len(begins) : 2] | text[1 : 2 * len(begins) : 2]
    kind = np.where(text, 0, np.where(routine, 1, np.where(begins, 2, 3)))
    share = np.maximum(np.bincount(kind, minlength=4) / max(1, len(kind)), _LEAST_SHARE)
    says = np.log(np.array([_TEXT_BEGINS, _ROUTINE, _INSTRUCTION, _OTHER]) / share)
    return np.asarray(says[kind], dtype=np.float64)


def _text_begins(data: Bytes) -> Mask:
    out = np.zeros(len(data), dtype=bool)
    printable = (data >= 0x20) & (data < 0x7F) | (data == 0x0A) | (data == 0x0D)
    out[[start for start, _ in true_ranges(printable, _LEAST_TEXT)]] = True
    return out

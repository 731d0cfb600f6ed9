"""What one instruction of a family does to the flow of control, for every place of an image at once.

A place is a unit of the image: a byte for processors whose instructions are made of bytes, a 16-bit word for
the others. Tables pack an instruction into one small number, so that one look-up a place decodes a whole
image.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

PLAIN, BRANCH, JUMP, CALL, END, INDIRECT = range(6)
"""What follows: the next place; perhaps another; always another; another and back; never the next; an unknown
one.
"""

NO_TARGET, NEAR_8, NEAR_16_LOW, NEAR_16_HIGH, FAR_LOW, FAR_HIGH, PAGE_11, PAGE_8 = range(8)
"""How bytes name a target: signed byte, signed word (low or high byte first) after the instruction; address
(low or high byte first); 11 bits in a 2K page; 8 bits in a page of 256 bytes. Word machines have forms of
their own.
"""

RELATIVE, ABSOLUTE, WIDE = 1, 2, 3
"""Whether a target is told by the image itself, by a byte or (WIDE) by 16 bits, or by an address of the
machine.
"""

WORD_FAMILIES = ("68000", "pdp11", "9900")

Table = NDArray[np.uint16]
Bytes = NDArray[np.uint8]
Places = NDArray[np.int32]
Mask = NDArray[np.bool_]
Nats = NDArray[np.float64]


class Instructions(NamedTuple):
    """Every place of an image read as the start of an instruction.

    Attributes:
        family: Which instruction set.
        units: Bytes a place: 1, or 2 for word machines.
        length: Shape (n,), places the instruction takes; 0 where the set defines none.
        flow: Shape (n,), PLAIN … INDIRECT.
        kind: Shape (n,), 0, RELATIVE, ABSOLUTE or WIDE.
        target: Shape (n,), RELATIVE and WIDE: the place in the image; ABSOLUTE: the address in the machine,
            in places.
    """

    family: str
    units: int
    length: Places
    flow: NDArray[np.uint8]
    kind: NDArray[np.uint8]
    target: Places


def packed(length: int, flow: int = PLAIN, form: int = NO_TARGET) -> int:
    """One table entry: four bits of length, three of flow, four of the form of the target."""
    return length | flow << 4 | form << 7

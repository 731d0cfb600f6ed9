"""A lone reading whose text can be read only with every data line inverted, or in the opposite order.

Inverting buffers and a connector turned round are common, and text shows both without a second reading. No
more than these two orders is tried: of single lines exchanged much text still passes for text.
"""

from __future__ import annotations

import numpy as np

from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import advise, step
from pipeline.stages.content.order_evidence import text_evidence
from pipeline.words import Words
from schemas.finding import Code, Details, Finding, Severity
from schemas.part import Part

BYTE = 8
_REVERSED = np.array([int(f"{byte:08b}"[::-1], 2) for byte in range(256)], np.uint8)
"""Each byte with D0 for D7, D1 for D6 and so on."""


def turned_findings(chip: str, words: Words, bits: int, part: Part | None) -> tuple[Finding, ...]:
    """The caution `lines-crossed` where text speaks for one of the two orders and against the image's own.

    Args:
        chip: Its id.
        words: Every one of them read.
        bits: Bits a word; only bytes hold text.
        part: The chip's catalogue entry, for its pins.
    """
    if bits != BYTE:
        return ()
    full = words.dtype.type(0xFF)
    for inverted, other in ((True, words ^ full), (False, _REVERSED[words])):
        speaks = text_evidence(other, bits)
        if speaks.nats > 0 and speaks.outweighs(text_evidence(words, bits)):
            return (_finding(chip, part, speaks.nats, inverted=inverted),)
    return ()


def _finding(chip: str, part: Part | None, nats: float, *, inverted: bool) -> Finding:
    lines = [f"D{line}" for line in range(BYTE)]
    pairs = [[f"D{line}", f"D{BYTE - 1 - line}"] for line in range(BYTE // 2)]
    pins = pins_of(part, lines)
    where: Details = {
        "address": [],
        "data": [] if inverted else pairs,
        "invert_address": [],
        "invert_data": lines if inverted else [],
    }
    said = "every data line inverted" if inverted else "the data lines in the opposite order, D0 for D7"
    return Finding(
        code=Code.LINES_CROSSED,
        severity=Severity.CAUTION,
        chip=chip,
        where=where | ({"pins": pins} if pins else {}),
        evidence={"nats": round(nats, 1), "holds_back": True},
        means=f"The text in it can be read only with {said}",
        also=(
            "Text that is kept so on purpose, since the board turns the lines (`board_wiring`); the image "
            "stays as it was read"
        ),
        next=advise(step("turned-data")),
    )

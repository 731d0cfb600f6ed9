"""A lone reading whose text can be read only with all its data lines turned, shifted or inverted as a whole.

Inverting buffers, a connector turned round, the two hexadecimal digits of a byte in the wrong order and a
shift register read a clock early or late are faults of whole buses, and text shows each without a second
reading. No more than these is tried: of single lines exchanged much text still passes for text.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import advise, step
from pipeline.stages.content.order_evidence import text_evidence, text_may_speak
from pipeline.stages.content.runs import all_of_eight, looked_up
from pipeline.words import Words
from schemas.finding import Code, Details, Finding, Severity

if TYPE_CHECKING:
    from schemas.part import Part

BYTE = 8
_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
"""Each byte with D0 for D7, D1 for D6 and so on."""

_MOST_ALIKE = 0.15
"""Share of words, the commonest aside, that may be like the one before. In 99 of 100 windows of programs with
text it is less; in microcode and character generators, which spell letters by chance, 0.2 and more.
"""
_BYTES = np.arange(256)
_LETTER_OR_BLANK = np.array([byte < 0x80 and (chr(byte).isalpha() or byte == 0x20) for byte in range(256)])
_EARLY, _DIGITS, _LATE = 1, 2, 4
_SPELT = sum(
    bit * letters.astype(np.uint8)
    for bit, letters in (
        (_DIGITS, _LETTER_OR_BLANK[_BYTES >> 4 | (_BYTES & 15) << 4]),
        (_EARLY, _LETTER_OR_BLANK[_BYTES >> 1]),
        (_LATE, _LETTER_OR_BLANK[_BYTES << 1 & 0xFF] | _LETTER_OR_BLANK[_BYTES << 1 & 0xFF | 1]),
    )
).tobytes()
"""In which orders each byte is a letter or a blank once it is put into them, as far as it tells by itself."""


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
    orders = dict(_orders(words))
    for (order, other), may in zip(orders.items(), text_may_speak(*orders.values()), strict=True):
        if not may:
            continue
        speaks = text_evidence(other, bits)
        if speaks.nats > 0 and speaks.outweighs(text_evidence(words, bits)) and _seldom_repeats(words):
            return (_finding(chip, part, speaks.nats, order),)
    return ()


def _seldom_repeats(words: Words) -> bool:
    told = words[1:] != np.bincount(words).argmax()
    return float((words[1:] == words[:-1])[told].mean()) <= _MOST_ALIKE if told.any() else False


_SAID = {
    "inverted": "every data line inverted",
    "reversed": "the data lines in the opposite order, D0 for D7",
    "digits": "the two halves of each word exchanged, D0 for D4: the hexadecimal digits in the wrong order",
    "early": "each word moved down by one data line, D1 for D0: a shift register read a clock late",
    "late": "each word moved up by one data line, D0 for D1: a shift register read a clock early",
}


def _orders(words: Words) -> Iterator[tuple[str, Words]]:
    """Each order by its name with the words that stand in it.

    The last three, which are seldom met, only where they hold fifteen letters and blanks in a row, of which
    eight fill a group.
    """
    yield "inverted", words ^ words.dtype.type(0xFF)
    yield "reversed", looked_up(words.tobytes(), _REVERSED)
    spelt = looked_up(words.tobytes(), _SPELT).copy()
    spelt[1:] *= words[1:] != words[:-1]  # one letter over and over is a fill
    spelt[1:] &= ~(words[:-1] & _EARLY)  # what comes down from the word before is bit 7
    found = all_of_eight(spelt)
    for order, bit in (("digits", _DIGITS), ("early", _EARLY), ("late", _LATE)):
        if found & bit:
            yield order, _moved(words, order)


def _moved(words: Words, order: str) -> Words:
    one, half, top = (words.dtype.type(by) for by in (1, 4, 7))
    if order == "digits":
        return (words << half) | (words >> half)
    if order == "early":
        return (words >> one) | (np.roll(words, 1) << top)
    return (words << one) | (np.roll(words, -1) >> top)


def _pairs(order: str) -> list[list[str]]:
    """Data lines exchanged for each other, where the order is such an exchange."""
    if order == "reversed":
        return [[f"D{line}", f"D{BYTE - 1 - line}"] for line in range(BYTE // 2)]
    if order == "digits":
        return [[f"D{line}", f"D{line + BYTE // 2}"] for line in range(BYTE // 2)]
    return []


def _finding(chip: str, part: Part | None, nats: float, order: str) -> Finding:
    lines = [f"D{line}" for line in range(BYTE)]
    pins = pins_of(part, lines)
    where: Details = {
        "address": [],
        "data": _pairs(order),
        "invert_address": [],
        "invert_data": lines if order == "inverted" else [],
    }
    if order in ("early", "late"):
        where["shifted"] = order
    return Finding(
        code=Code.LINES_CROSSED,
        severity=Severity.CAUTION,
        chip=chip,
        where=where | ({"pins": pins} if pins else {}),
        evidence={"nats": round(nats, 1), "holds_back": True},
        means=f"The text in it can be read only with {_SAID[order]}",
        also=(
            "Text that is kept so on purpose, since the board turns the lines (`board_wiring`); the image "
            "stays as it was read"
        ),
        next=advise(step("turned-data")),
    )

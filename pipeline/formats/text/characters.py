"""A text dump as plain 7-bit characters, every one of which still knows its place in the file.

Dumps reach us through terminals, editors and tape punches: with a byte-order mark, as UTF-16, padded with
NULs, with a parity bit. Each of these is undone here, once, and reported; nothing else is changed, and no
character outside ASCII ever becomes a digit.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cached_property
from itertools import islice
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.neutral import ForgivenTally, Place, refuse

_LINE = re.compile(rb"[^\r\n]+")
PADDING = b"\x00\x1a\x7f"
"""NUL and rubout (paper-tape leader and trailer), Ctrl-Z (end of a text file in old systems). Common
practice.
"""
_PAD_IN_LINE = re.compile(rb"\x00+(?=[\r\n])|(?<=[\r\n])\x00+")
_BLANK_PAD = bytes.maketrans(PADDING, b"   ")
FOREIGN = 0xFF
"""Stands for a character outside ASCII."""
MOST_KEPT = 1 << 18
"""Characters of a file whose lines are cut once and kept: it is walked through five times."""
MOST_REMEMBERED, LONGEST_REMEMBERED = 4096, 64
"""A log of one value a line has some hundreds of distinct lines; longer ones hardly come twice."""
T = TypeVar("T")


class Characters:
    """Characters of a file with their places.

    Attributes:
        body: One byte a character.
        base: File offset of the first character.
        scale: Bytes a character takes in the file.
        ledger: What was undone.
    """

    def __init__(self, body: bytes, base: int, scale: int, ledger: ForgivenTally) -> None:
        self.body = body
        self.base = base
        self.scale = scale
        self.ledger = ledger

    @cached_property
    def line_starts(self) -> NDArray[np.int64]:
        """Index in `body` of each line's first character."""
        units = np.frombuffer(self.body, dtype=np.uint8)
        ends = units == 10
        returns = np.flatnonzero(units == 13)
        alone = returns[np.append(units, 0)[returns + 1] != 10] if len(returns) else returns
        return np.concatenate([[0], np.sort(np.concatenate([np.flatnonzero(ends), alone])) + 1])

    def place(self, index: int) -> Place:
        """The place of one character of `body` (its end is allowed)."""
        line = int(np.searchsorted(self.line_starts, index, side="right"))
        column = index - int(self.line_starts[line - 1]) + 1
        return Place(line, column, self.base + self.scale * index)

    def filled(self) -> Iterator[tuple[int, bytes]]:
        """Every line that is not blank, without its end, with the index of its first character."""
        return iter(self._lines) if len(self.body) <= MOST_KEPT else self._each_line()

    def counted(self, most: int) -> Iterator[tuple[int, bytes, int]]:
        """The first lines that are not blank: where each stands first, what it is, and how often it comes.

        Of a text too long to be kept a line is told as often as it comes.
        """
        if len(self.body) <= MOST_KEPT:
            return iter(self._counted)
        return ((start, line, 1) for start, line in islice(self._each_line(), most))

    @cached_property
    def _lines(self) -> tuple[tuple[int, bytes], ...]:
        cut = zip(self.line_starts.tolist(), self.body.splitlines(), strict=False)
        return tuple((start, line) for start, line in cut if line and not line.isspace())

    @cached_property
    def _counted(self) -> tuple[tuple[int, bytes, int], ...]:
        times = Counter(line for _, line in self._lines)
        first = {line: start for start, line in reversed(self._lines)}
        return tuple((first[line], line, count) for line, count in times.items())

    def _each_line(self) -> Iterator[tuple[int, bytes]]:
        for found in _LINE.finditer(self.body):
            line = found[0]
            if not line.isspace():
                yield found.start(), line


def remembered(said_of: Callable[[bytes], T]) -> Callable[[bytes], T]:
    """The same function of a line, worked out once for lines that come again.

    A reader that prints a value a line prints the same few hundred lines thousands of times.
    """
    known: dict[bytes, T] = {}

    def said(line: bytes) -> T:
        if line in known:
            return known[line]
        found = said_of(line)
        if len(known) < MOST_REMEMBERED and len(line) <= LONGEST_REMEMBERED:
            known[line] = found
        return found

    return said


def plain(content: bytes) -> Characters:
    """Undo byte-order marks, UTF-16, parity and padding, and report each.

    Args:
        content: The file.

    Returns:
        Text of at most as many characters as the file has bytes.

    Raises:
        FormatError: UTF-16 of an odd number of bytes.
    """
    ledger = ForgivenTally()
    body, base, scale = _unwrapped(content, ledger)
    body = _without_parity(body, base, scale, ledger)
    body = _without_wide_blanks(body, base, scale, ledger)
    text = Characters(body, base, scale, ledger)
    text.body = _without_padding(text)
    for kept in ("line_starts", "_lines", "_counted"):
        text.__dict__.pop(kept, None)
    return text


def _unwrapped(content: bytes, ledger: ForgivenTally) -> tuple[bytes, int, int]:
    """Take off a byte-order mark and one of the two UTF-16 orders."""
    top = Place(1, 1, 0)
    if content.startswith(b"\xef\xbb\xbf"):
        ledger.add("a byte-order mark (UTF-8) at the start", top)
        return content[3:], 3, 1
    for mark, order, name in ((b"\xff\xfe\x00\x00", "<u4", "little"), (b"\x00\x00\xfe\xff", ">u4", "big")):
        if content.startswith(mark) and _nearly_wide(content[4:], order):
            _not_torn(content, 4)
            ledger.add(f"UTF-32 text, {name}-endian", top)
            return _narrowed(content[4:], order), 4, 4
    for mark, order, name in ((b"\xff\xfe", "<u2", "little"), (b"\xfe\xff", ">u2", "big")):
        if content.startswith(mark) and _mostly_wide(content[2:], order):
            _not_torn(content, 2)
            ledger.add(f"UTF-16 text, {name}-endian", top)
            return _narrowed(content[2:], order), 2, 2
    for order, name, scale in (
        ("<u2", "little", 2),
        (">u2", "big", 2),
        ("<u4", "little", 4),
        (">u4", "big", 4),
    ):
        if len(content) >= 4 * scale and _nearly_wide(content, order):
            _not_torn(content, scale)
            ledger.add(f"UTF-{8 * scale} text without a byte-order mark, {name}-endian", top)
            return _narrowed(content, order), 0, scale
    return content, 0, 1


def _mostly_wide(content: bytes, order: str) -> bool:
    """Half the characters of text behind a mark are ASCII.

    A chip that merely starts FF FE does not look so.
    """
    units = np.frombuffer(content[: len(content) // 2 * 2], dtype=order)
    return bool(len(units) and np.count_nonzero((units < 0x80) & (units > 0)) * 2 >= len(units))


def _nearly_wide(content: bytes, order: str) -> bool:
    """Every character is printable ASCII or white space, but for one letter in sixteen."""
    size = int(order[-1])
    units = np.frombuffer(content[: len(content) // size * size], dtype=order)
    plain = ((units >= 0x20) & (units < 0x7F)) | ((units >= 9) & (units <= 13))
    others = units[~plain]
    return (
        len(units) >= 4
        and len(others) * 16 <= len(units)
        and bool(((others >= 0xA0) & (others < 0x250)).all())
    )


def _not_torn(content: bytes, size: int) -> None:
    """Refuse a text whose last character is not whole.

    Raises:
        FormatError: It is not.
    """
    if len(content) % size:
        refuse(
            Place(None, None, len(content) - len(content) % size),
            f"UTF-{8 * size} text ends in half a character",
            "copy the file again: it is torn",
        )


def _narrowed(content: bytes, order: str) -> bytes:
    """UTF-16 as one byte a character; what is not ASCII becomes `FOREIGN`."""
    units = np.frombuffer(content, dtype=order)
    return np.where(units < 0x80, units, FOREIGN).astype(np.uint8).tobytes()


def _parities(units: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """1 where a byte has an odd number of ones."""
    folded = units ^ (units >> 4)
    folded ^= folded >> 2
    folded ^= folded >> 1
    return np.asarray(folded & 1, dtype=np.uint8)


def _without_parity(body: bytes, base: int, scale: int, ledger: ForgivenTally) -> bytes:
    """Clear bit 7 where every byte of the file carries the same parity there.

    NULs are leader and stay out of the question. Source: common practice of 7-bit links.
    """
    if body.isascii():
        return body
    units = np.frombuffer(body, dtype=np.uint8)
    spoken = units[units != 0]
    odd = _parities(spoken)
    kind = (
        "even parity"
        if not odd.any()
        else "odd parity"
        if odd.all()
        else "mark"
        if (spoken >= 0x80).all()
        else ""
    )
    if not kind:
        return body
    stripped = (units & 0x7F).astype(np.uint8)
    shown = ((stripped >= 0x20) & (stripped < 0x7F)) | ((stripped >= 9) & (stripped <= 13))
    calm = shown | np.isin(stripped, np.frombuffer(PADDING + b"\x01\x02\x03\x11\x12\x13\x14", dtype=np.uint8))
    if not calm.all():
        return body
    place = Characters(body, base, scale, ledger).place(int(np.flatnonzero(units >= 0x80)[0]))
    ledger.add(f"bit 7 carries {kind} and was cleared", place, int(np.count_nonzero(units >= 0x80)))
    return stripped.tobytes()


def _without_wide_blanks(body: bytes, base: int, scale: int, ledger: ForgivenTally) -> bytes:
    """Name the encoding of characters beyond ASCII, and blank out the no-break spaces of web pages.

    Latin-1 is named only where no byte is one of its controls (80 to 9F), which a chip's content is full of.
    """
    if scale > 1 or body.isascii():
        return body
    high = np.frombuffer(body, dtype=np.uint8)
    high = high[high >= 0x80]
    kind, count, blank = "UTF-8", 1, b"\xc2\xa0"
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        if (high < 0xA0).any():
            return body
        kind, count, blank = "Latin-1", len(high), b"\xa0"
    at = Characters(body, base, scale, ledger).place(next(k for k, byte in enumerate(body) if byte >= 0x80))
    ledger.add(f"{kind} text", at, count)
    return body.replace(blank, b" " * len(blank))


def _without_padding(text: Characters) -> bytes:
    """Blank out NUL, rubout and Ctrl-Z at both ends of the file, and NULs around line ends."""
    body = text.body
    core = body.strip(PADDING + b" \t\r\n\x0c")
    lead = body.find(core) if core else len(body)
    head, tail = body[:lead], body[lead + len(core) :]
    for part, index, side in ((head, 0, "before the text"), (tail, lead + len(core), "after the text")):
        pads = sum(part.count(bytes([pad])) for pad in PADDING)
        if pads:
            first = next(k for k, byte in enumerate(part) if byte in PADDING)
            text.ledger.add(f"padding (NUL, rubout or Ctrl-Z) {side}", text.place(index + first), pads)
    if b"\x00" in core:
        found = _PAD_IN_LINE.search(core)
        if found:
            text.ledger.add(
                "NUL padding at line ends",
                text.place(lead + found.start()),
                sum(len(one[0]) for one in _PAD_IN_LINE.finditer(core)),
            )
            core = _PAD_IN_LINE.sub(lambda one: b" " * len(one[0]), core)
    return head.translate(_BLANK_PAD) + core + tail.translate(_BLANK_PAD)

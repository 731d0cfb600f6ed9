"""What a stream from a reader says while it comes.

How far it is, what is damaged, what to ask for, when it is done.

Pure: bytes and times go in, a state and requests come out. Nothing here decides what the bytes mean for the
chip; that is decoded from the log afterwards, so that a mistake in following the stream can cost a repeat and
no byte.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipeline.formats.records.reader_log import (
    Data,
    LoggedPass,
    Passes,
    looks_meant,
    parse_line,
    parse_tested,
)

ASK_AGAIN_SECONDS = 0.6
"""How long a request may go unanswered."""

MOST_TRIES = 4
"""How often one damaged line is asked for: a line that stays damaged is not the cable's chance."""

GARBAGE_AFTER = 256
"""Bytes after which a stream that is no text is called garbage."""

DONE = b"!\n"
"""Tells a reader that listens that the pass has come whole."""

_TOKEN = re.compile(rb"(?<![0-9A-Za-z])(?:0[xX]|\$)?[0-9A-Fa-f]{2,16}(?![0-9A-Za-z:])")
_NIBBLES = re.compile(rb"(?<![0-9A-Za-z])(?:0[xX]|\$)?([0-9A-Fa-f]+)(?![0-9A-Za-z:])")
_TEXT = bytes([9, 10, 13, 17, 19, *range(32, 127)])
_TEXT_OR_MARKED = _TEXT + bytes(byte | 0x80 for byte in _TEXT)
_ODD = bytes(byte for byte in range(256) if byte.bit_count() % 2)
_SEVEN_BITS = bytes(byte & 0x7F for byte in range(256))

LEAST_JUDGED = 24
"""Bytes of a stream that has ended from which it can be called garbage: a reader of the smallest chip prints
more.
"""

ONE_PARITY = 0.95
"""Share of bytes that must carry the same parity for bit 7 to be one; a random stream has one half."""


@dataclass(slots=True)
class LineText:
    """What the bytes of a line are, counted: text, text with a parity bit, or neither."""

    count: int = 0
    flow: int = 0
    _strange: int = 0
    _strange_marked: int = 0
    _odd: int = 0

    def feed(self, block: bytes) -> None:
        """Take what has come."""
        self.count += len(block)
        self._strange += len(block.translate(None, _TEXT))
        self._strange_marked += len(block.translate(None, _TEXT_OR_MARKED))
        self._odd += len(block) - len(block.translate(None, _ODD))
        self.flow += block.count(b"\x11") + block.count(b"\x13")

    @property
    def parity(self) -> bool:
        """Whether bit 7 of the stream looks like a parity bit, or is always set."""
        return (
            self._strange > self._strange_marked
            and max(self._odd, self.count - self._odd, self._strange) >= ONE_PARITY * self.count
        )

    @property
    def no_text(self) -> float:
        """Share of the bytes that no reader prints."""
        return (self._strange_marked if self.parity else self._strange) / max(1, self.count)

    @property
    def garbage(self) -> bool:
        """Whether so much of it is no text that the speed must be another one: a fifth."""
        return self.count >= LEAST_JUDGED and self.no_text > 1 / 5


@dataclass(slots=True)
class Watch:
    """Follows one capture.

    Attributes:
        expected: Words of the chip.
        bits: Bits of a word.
        passes: How many whole passes are wanted.
        words: Words come so far: proved ones in protocol form, printed ones in plain form.
        damaged: Lines that did not prove themselves.
        protocol: Whether the reader speaks the line protocol.
    """

    expected: int
    bits: int
    passes: int
    words: int = 0
    damaged: int = 0
    protocol: bool = False
    _rest: bytes = b""
    _all: Passes = field(default_factory=Passes)
    _text: LineText = field(default_factory=LineText)
    _plain_words: int = 0
    _quiet: bool = False
    _asked: bytes = b""
    _asked_at: float = 0.0
    _tries: dict[bytes, int] = field(default_factory=dict)
    _proved: set[int] = field(default_factory=set)
    _thanked: set[int] = field(default_factory=set)

    def feed(self, block: bytes) -> None:
        """Take what has come."""
        self._text.feed(block)
        held = self._rest + block
        if self.parity and not self.protocol:
            # a line feed carries the bit as well
            held = held.translate(_SEVEN_BITS)
        *lines, self._rest = held.split(b"\n")
        for line in lines:
            self._line(line)
        if len(self._rest) > 1 << 20:
            self._rest = b""

    def _line(self, line: bytes) -> None:
        # the protocol is text of seven bits: decoding takes no line of it that carries another
        record = None if self.parity else parse_line(line)
        if record is None:
            if not self.parity and parse_tested(line) is not None:
                return
            if self.protocol:
                self.damaged += looks_meant(line)
            else:
                self._plain_words += self._count(line)
                self.words = self._plain_words
            return
        if not self.protocol:
            self.protocol, self.words = True, 0
        into = self._all.add(record)
        if into is None:
            self.damaged += 1
        elif isinstance(record, Data):
            self.words += len(record.words)

    def _count(self, line: bytes) -> int:
        """Words that a plain line seems to hold; only for the progress, so that nearly right is enough."""
        if b":" in line:
            line = line.split(b":", 1)[1]
        if self.bits <= 4:
            # a nibble is printed as one digit or two, and run together or apart
            return sum(1 if len(value) <= 2 else len(value) for value in _NIBBLES.findall(line))
        digits = sum(
            len(value.removeprefix(b"0x").removeprefix(b"0X").removeprefix(b"$"))
            for value in _TOKEN.findall(line)
        )
        return digits // max(2, (self.bits + 3) // 4)

    @property
    def whole(self) -> int:
        """Passes that have come whole, in protocol form."""
        # a pass is weighed once it has its trailer, and once whole it is not weighed again: this runs at
        # every block
        for one in self._all.all:
            if one.tail is not None and id(one) not in self._proved and not one.trouble():
                self._proved.add(id(one))
        return len(self._proved)

    @property
    def troubles(self) -> tuple[str, ...]:
        """Why passes in protocol form are not whole."""
        return tuple(f"pass {one.number}: {one.trouble()}" for one in self._all.all if one.trouble())

    @property
    def complete(self) -> bool:
        """Whether everything wanted has come.

        In plain form the quiet line says so, since nothing else can.
        """
        return self.protocol and self.whole >= self.passes

    @property
    def prints_on(self) -> bool:
        """Whether a plain reader has printed a pass more than was wanted, as one does that never stops.

        A pass more, since the first one may have begun before anyone listened.
        """
        return not self.protocol and self.words >= self.expected * (self.passes + 1)

    @property
    def parity(self) -> bool:
        """Whether bit 7 of the stream looks like a parity bit, or is always set."""
        return self._text.parity

    @property
    def no_text(self) -> float:
        """Share of the bytes that no reader prints."""
        return self._text.no_text

    @property
    def flow_control(self) -> int:
        """XON and XOFF characters in the stream."""
        return self._text.flow

    @property
    def garbage(self) -> bool:
        """Whether the stream is no text at all, as at a wrong speed.

        A fifth of it is no printed character.
        """
        return self._text.count >= GARBAGE_AFTER and self.garbled

    @property
    def garbled(self) -> bool:
        """The same of a stream that has ended, however short it was."""
        return not self.protocol and self._text.garbage

    def requests(self, now: float) -> bytes:
        """What to send to a reader that listens; b"" where nothing is to be said now.

        Args:
            now: Seconds on any clock that only goes forward.
        """
        if not self.protocol or not self._all.all:
            return b""
        latest = self._all.all[-1]
        if latest.tail is None and not self._quiet:
            return b""
        if id(latest) in self._proved or not latest.trouble():
            if id(latest) in self._thanked:
                return b""
            self._thanked.add(id(latest))
            return DONE
        lacking = _wanted(latest)
        # what was asked for and has come lets the next request go at once
        if self._asked in lacking and now - self._asked_at < ASK_AGAIN_SECONDS:
            return b""
        wanted = next((one for one in lacking if self._tries.get(one, 0) < MOST_TRIES), b"")
        if wanted:
            self._tries[wanted] = self._tries.get(wanted, 0) + 1
            self._asked, self._asked_at = wanted, now
        return wanted

    def quiet(self, *, is_quiet: bool) -> None:
        """Whether the line has been still for a moment, so that a lost trailer may be asked for."""
        self._quiet = is_quiet


def _wanted(one: LoggedPass) -> list[bytes]:
    """Requests for what a pass lacks, the header first, since it says which lines there are."""
    if one.head is None:
        return [b"?%d H\n" % one.number]
    lines = [b"?%d %04X\n" % (one.number, address) for address in one.missing()]
    return lines or ([b"?%d T\n" % one.number] if one.tail is None else [])

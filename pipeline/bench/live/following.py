"""A reader's stream turned into events, and what the reader is to be asked while it listens.

In the line protocol every line proves itself and says where it belongs. Plain printing is followed where it
is hex of the chip's width, with or without an address before a colon; a pass begins there after a line of
text, after a rest, or behind a whole pass, and never in the middle of what is printed: words at the wrong
addresses would call lines alive that are not. Pure: bytes and times in, events and requests out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.live.asking import stretches
from pipeline.bench.live.contacts import PassRead
from pipeline.bench.live.events import (
    Event,
    NoText,
    NotThisChip,
    PassBegan,
    PassEnded,
    ReadAgain,
    Unplaced,
    WireTested,
    WordsCame,
)
from pipeline.bench.stream import ASK_AGAIN_SECONDS, DONE, GARBAGE_AFTER, MOST_TRIES, LineText
from pipeline.formats.records.reader_log import Data, Head, Tail, check, parse_line, parse_tested
from pipeline.words import Words, words_dtype
from schemas.names import Organisation

REST_SECONDS = 0.3
"""A plain stream that rested so long begins a pass anew."""
MOST_REST = 1 << 16
"""Bytes without a line end after which they are thrown away."""
_TEXT_WORD = re.compile(rb"(?=[A-Za-z]*[G-Zg-z])[A-Za-z]{3,}")
"""A word of a language: letters, one of them no digit of hex."""
_ADDRESSED = re.compile(rb"\s*(?:0x)?([0-9A-Fa-f]{1,8})\s*:\s*(.*?)\s*(?:\|.*)?")


@dataclass(slots=True)
class _Coming:
    """The pass that is coming, filled in as its lines arrive."""

    number: int
    words: Words
    came: NDArray[np.bool_]
    head: Head | None = None
    tail: Tail | None = None
    again: list[tuple[int, Words]] = field(default_factory=list)
    told: bool = False

    def missing(self, a_line: int) -> list[int]:
        return [int(at) for at in range(0, self.came.size, a_line) if not self.came[at : at + a_line].all()]

    def proved(self, bits: int) -> bool:
        """Whether the trailer's check is the one over the words."""
        if self.tail is None or not self.came.all():
            return False
        width = (bits + 7) // 8
        octets = self.words.astype(f">u{self.words.dtype.itemsize}").view(np.uint8)
        octets = octets.reshape(self.words.size, -1)[:, -width:]
        return self.tail.words == self.words.size and self.tail.crc == check(octets.tobytes())


class Follower:
    """Follows one line.

    Args:
        organisation: Of the chip.
        baud: Of the line, to be named where it is wrong.

    Attributes:
        protocol: Whether the reader speaks the line protocol.
        damaged: Lines that did not prove themselves.
    """

    def __init__(self, organisation: Organisation, baud: int) -> None:
        self.protocol = False
        self.damaged = 0
        self._size, self._bits, self._baud = organisation.words, organisation.bits, baud
        self._organisation = organisation
        self._rest = b""
        self._text = LineText()
        self._text_told = False
        self._coming: _Coming | None = None
        self._last_number = 0
        self._wanted: list[bytes] = []
        self._asked: bytes = b""
        self._asked_at = 0.0
        self._tries: dict[bytes, int] = {}
        self._heard: float | None = None
        self._since: float | None = None
        self._not_ours: int | None = None
        self._plain_begins = False
        self._filled = self._a_line = self._unplaced = 0
        self._previous: Words | None = None
        self._done = False

    def feed(self, block: bytes, at: float) -> list[Event]:
        """Take what has come at this time, in seconds on any clock that only goes forward."""
        rested = self._heard if self._heard is not None else self._since
        if rested is not None and at - rested > REST_SECONDS:
            self._plain_begins = True
        self._heard = at
        events: list[Event] = []
        self._text.feed(block)
        if self._text.count >= GARBAGE_AFTER:
            if self._text.garbage and not self.protocol and not self._text_told:
                self._text_told = True
                events.append(NoText(self._baud))
            self._text = LineText()
        *lines, self._rest = (self._rest + block).split(b"\n")
        for line in lines:
            self._line(line, events)
        if len(self._rest) > MOST_REST:
            self._rest = b""
        return events

    def forget(self) -> None:
        """The line was silent or gone: what was coming will not go on, and what comes next begins anew."""
        self._coming, self._wanted, self._asked, self._previous = None, [], b"", None
        self._rest, self._text, self._text_told = b"", LineText(), False
        self._tries.clear()
        self._last_number, self._plain_begins, self._done = 0, False, False
        self._heard = self._since = self._not_ours = None
        self._unplaced = 0

    def _line(self, line: bytes, events: list[Event]) -> None:
        record = parse_line(line)
        if record is None:
            tested = parse_tested(line)
            if tested is not None:
                self.protocol = True
                events.append(WireTested(tested))
            elif self.protocol:
                self.damaged += bool(line.strip())
            else:
                self._plain(line, events)
            return
        self.protocol = True
        if isinstance(record, Head):
            self._head(record, events)
        elif isinstance(record, Data):
            self._data(record, events)
        elif self._coming is not None and record.number == self._coming.number:
            self._coming.tail = record
            self._ended(events)

    # -- the line protocol -----------------------------------------------------------------------------------

    def _head(self, head: Head, events: list[Event]) -> None:
        if (head.words, head.bits) != (self._size, self._bits):
            events.append(NotThisChip(f"{head.words}x{head.bits}"))
            self._coming, self._not_ours = None, head.number
            return
        self._not_ours = None
        coming = self._coming
        if coming is not None and coming.number == head.number and coming.head is None:
            coming.head = head
            self._ended(events)
            return
        self._cut(events)
        self._begin(head.number, events)
        assert self._coming is not None
        self._coming.head = head

    def _begin(self, number: int, events: list[Event]) -> None:
        words = np.zeros(self._size, dtype=words_dtype(self._bits))
        self._coming = _Coming(number, words, np.zeros(self._size, dtype=np.bool_))
        self._wanted, self._asked, self._done = [], b"", False
        self._tries.clear()
        anew = bool(self._last_number) and number <= self._last_number
        if anew:
            self._previous = None
        self._last_number = number
        events.append(PassBegan(number, anew))

    def _cut(self, events: list[Event]) -> None:
        """A pass that is left in the middle, since another begins."""
        if self._coming is not None and not self._coming.told and self._coming.came.any():
            lacking = int((~self._coming.came).sum())
            events.append(
                PassEnded(None, f"{lacking} of its words did not come" if lacking else "not proved")
            )

    def _data(self, data: Data, events: list[Event]) -> None:
        if data.number == self._not_ours:
            return
        coming = self._coming
        if coming is None or data.number != coming.number:
            self._cut(events)
            self._begin(data.number, events)
            coming = self._coming
            assert coming is not None
        end = data.address + len(data.words)
        if end > self._size or data.digits != (self._bits + 3) // 4 or max(data.words) >> self._bits:
            self.damaged += 1
            return
        words = np.array(data.words, dtype=coming.words.dtype)
        if coming.came[data.address : end].all():
            coming.again.append((data.address, words))
            return
        coming.words[data.address : end] = words
        coming.came[data.address : end] = True
        events.append(WordsCame(data.address, words))
        if coming.tail is not None:
            self._ended(events)

    def _ended(self, events: list[Event]) -> None:
        """The trailer is there, or what had been missing: whole, or something has to be asked for."""
        coming = self._coming
        assert coming is not None
        a_line = coming.head.a_line if coming.head is not None else 16
        if coming.told:
            return
        if not coming.proved(self._bits):
            if coming.came.all() and coming.tail is not None:
                coming.told = True
                events.append(PassEnded(None, "its trailer contradicts its lines"))
            else:
                self._wanted = [b"?%d %04X\n" % (coming.number, each) for each in coming.missing(a_line)]
            return
        coming.told = True
        whole = PassRead(coming.number, coming.words)
        events.append(PassEnded(whole))
        if self._previous is None or not np.array_equal(self._previous, coming.words):
            asked = stretches(coming.words, a_line)
            self._wanted = [b"?%d %04X\n" % (coming.number, each) for each in asked]
        self._previous = coming.words

    # -- what the reader is asked ----------------------------------------------------------------------------

    def request(self, at: float, events: list[Event]) -> bytes:
        """What to send now: the next line wanted, or that the pass is whole; b"" for nothing.

        Args:
            at: Seconds, on the clock of `feed`.
            events: Gets a `ReadAgain` once everything asked for has come, or was asked for often enough.
        """
        self._since = at if self._since is None else self._since
        coming = self._coming
        if coming is None or coming.tail is None or self._done:
            return b""
        have = {b"?%d %04X\n" % (coming.number, each) for each, _ in coming.again}
        lacking = [one for one in self._wanted if one not in have and not self._has_come(one)]
        lacking = [one for one in lacking if self._tries.get(one, 0) < MOST_TRIES]
        if lacking and self._asked in lacking and at - self._asked_at < ASK_AGAIN_SECONDS:
            return b""
        if lacking:
            self._asked, self._asked_at = lacking[0], at
            self._tries[lacking[0]] = self._tries.get(lacking[0], 0) + 1
            return lacking[0]
        self._done = True
        if coming.told and coming.again:
            events.append(ReadAgain(PassRead(coming.number, coming.words, tuple(coming.again))))
        elif not coming.told:
            events.append(PassEnded(None, "lines of it stayed damaged"))
            coming.told = True
        return DONE

    def _has_come(self, request: bytes) -> bool:
        """Whether a line that was missing is there now; one that is to be read once more is not meant."""
        assert self._coming is not None
        if self._coming.told:
            return False
        return bool(self._coming.came[int(request.split()[1], 16)])

    # -- plain printing --------------------------------------------------------------------------------------

    def _plain(self, line: bytes, events: list[Event]) -> None:
        text = line.strip()
        if not text:
            return
        address, words = self._values(text)
        if words is None:
            self._broken(events, begins=self._is_text(text))
            return
        if address is not None and address + words.size > self._size:
            self.damaged += 1
            return
        if address == 0 or (address is None and self._coming is None and self._plain_begins):
            self._cut(events)
            self._begin(self._last_number + 1, events)
            self._filled, self._a_line = 0, int(words.size)
        if self._coming is None:
            self._not_placed(int(words.size), events)
        elif address is None and words.size != self._a_line and self._filled + words.size < self._size:
            self._broken(events, begins=False)  # a word was lost: what follows lies elsewhere
        else:
            self._fill(self._filled if address is None else address, words, events)

    def _broken(self, events: list[Event], *, begins: bool) -> None:
        """The pass that was coming will not go on; the next one begins here, or where something says so."""
        self.damaged += not begins
        self._cut(events)
        self._coming, self._plain_begins, self._unplaced = None, begins, 0

    def _not_placed(self, words: int, events: list[Event]) -> None:
        before, self._unplaced = self._unplaced, self._unplaced + words
        if before < self._size <= self._unplaced:
            events.append(Unplaced())

    def _is_text(self, line: bytes) -> bool:
        """Whether a line is meant to be read, and is no damaged line of words."""
        if not all(32 <= byte < 127 for byte in line):
            return False
        digits = (self._bits + 3) // 4
        return bool(_TEXT_WORD.search(line)) or not any(len(one) == digits for one in line.split())

    def _fill(self, first: int, words: Words, events: list[Event]) -> None:
        coming = self._coming
        assert coming is not None
        self._plain_begins, self._unplaced = False, 0
        words = words[: self._size - first]
        coming.words[first : first + words.size], coming.came[first : first + words.size] = words, True
        self._filled = first + int(words.size)
        events.append(WordsCame(first, words))
        if self._filled == self._size and coming.came.all():
            events.append(PassEnded(PassRead(coming.number, coming.words)))
            self._previous, self._coming, self._plain_begins = coming.words, None, True

    def _values(self, text: bytes) -> tuple[int | None, Words | None]:
        """The address and the words of a plain line; no words where it is no line of them."""
        address = None
        addressed = _ADDRESSED.fullmatch(text)
        if addressed is not None:
            address, text = int(addressed[1], 16), addressed[2]
        tokens = text.split()
        if not tokens or {len(one) for one in tokens} != {(self._bits + 3) // 4}:
            return None, None
        try:
            values = [int(one, 16) for one in tokens]
        except ValueError:
            return None, None
        if max(values) >> self._bits:
            return None, None
        return address, np.array(values, dtype=words_dtype(self._bits))

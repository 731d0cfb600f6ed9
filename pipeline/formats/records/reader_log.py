"""The line protocol of home-built readers: every line proves itself, and every pass proves that it is whole.

A reader that prints so lets capture ask again for a damaged line, and lets anyone recheck the log years
later. The half page for those who write a reader's program is example_project/reader/PROTOCOL.md; this is the
only place that reads it, for capture and for packaging alike.
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from pipeline.formats.neutral import Block, Declared, Decoded, Forgiven, ForgivenTally, Place, refuse

if TYPE_CHECKING:
    from collections.abc import Sequence

_HEAD = re.compile(
    rb"#WELLREAD 1 PASS ([1-9][0-9]{0,5}) ORG ([1-9][0-9]{0,9})x([1-9][0-9]?) LINE ([1-9][0-9]?)"
)
_DATA = re.compile(rb"=([1-9][0-9]{0,5}) ([0-9A-F]{4,8})((?: [0-9A-F]{1,16}){1,99})")
_TAIL = re.compile(rb"#END ([1-9][0-9]{0,5}) WORDS ([1-9][0-9]{0,9}) CRC ([0-9A-F]{4})")
_LINES_HEAD = re.compile(rb"#WELLREAD 1 TEST ([1-9][0-9]{0,5}) LINES ([1-9][0-9]?)x([1-9][0-9]?)")
_TESTED = re.compile(
    rb"~([1-9][0-9]{0,5}) ([AD][0-9]{1,2})"
    rb" LOW ([0-9A-F]{1,8}) ([0-9A-F]{1,8}) HIGH ([0-9A-F]{1,8}) ([0-9A-F]{1,8})"
    rb" FREE ([0-9A-F]{1,8}) ([0-9A-F]{1,8})"
)
_PULSED = re.compile(rb"~([1-9][0-9]{0,5}) (A[0-9]{1,2}) BASES ([1-9][0-9]{0,5}) DIFFER ([0-9]{1,6})")
_LINES_TAIL = re.compile(rb"#END TEST ([1-9][0-9]{0,5})")
_CHECKED = re.compile(rb"([ -)+-~]*)\*([0-9A-F]{4})")
_FLOW = bytes([0x11, 0x13])
"""XON and XOFF, which flow control may leave in a stream."""


def check(text: bytes, start: int = 0xFFFF) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, nothing reflected; "123456789" gives 0x29B1.

    Source: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740.
    """
    return binascii.crc_hqx(text, start)


class Head(NamedTuple):
    """A pass begins: its number, the organisation, and how many words stand on a line."""

    number: int
    words: int
    bits: int
    a_line: int


class Data(NamedTuple):
    """Words of a pass at an address."""

    number: int
    address: int
    words: tuple[int, ...]
    digits: int
    address_digits: int


class Tail(NamedTuple):
    """A pass ends: how many words it had, and the check over all of them."""

    number: int
    words: int
    crc: int


Record = Head | Data | Tail


class LinesHead(NamedTuple):
    """A line test begins: its number, and how many address and data lines it goes through."""

    number: int
    address_lines: int
    bits: int


class LineTested(NamedTuple):
    """One line of an empty socket, driven through a resistor while all others are inputs with pull-ups.

    Attributes:
        number: Of the test.
        line: `A3`, `D0` …
        low, high: Levels of all address lines, and of all data lines, while it is driven so.
        free: The same once it is let go after having been low: a whole wire comes back through its pull.
    """

    number: int
    line: str
    low: tuple[int, int]
    high: tuple[int, int]
    free: tuple[int, int]


class LinePulsed(NamedTuple):
    """One address line with an expendable chip in: at how many of some base addresses a pulse shows."""

    number: int
    line: str
    bases: int
    differ: int


class LinesTail(NamedTuple):
    """A line test ends."""

    number: int


LineTestRecord = LinesHead | LineTested | LinePulsed | LinesTail


def parse_tested(line: bytes) -> LineTestRecord | None:
    """A line of a line test that proves itself, or None; no pass has such lines."""
    text = _proved(line)
    if text is None:
        return None
    if found := _LINES_HEAD.fullmatch(text):
        return LinesHead(int(found[1]), int(found[2]), int(found[3]))
    if found := _TESTED.fullmatch(text):
        levels = [int(each, 16) for each in found.groups()[2:]]
        low, high, free = zip(levels[::2], levels[1::2], strict=True)
        return LineTested(int(found[1]), found[2].decode("ascii"), low, high, free)
    if found := _PULSED.fullmatch(text):
        return LinePulsed(int(found[1]), found[2].decode("ascii"), int(found[3]), int(found[4]))
    if found := _LINES_TAIL.fullmatch(text):
        return LinesTail(int(found[1]))
    return None


def _proved(line: bytes) -> bytes | None:
    """What stands before a check that holds; None where none does."""
    checked = _CHECKED.fullmatch(line.translate(None, _FLOW).removesuffix(b"\r"))
    if checked is None or int(checked[2], 16) != check(checked[1]):
        return None
    return checked[1]


def parse_line(line: bytes) -> Record | None:
    """A line that proves itself, or None.

    Args:
        line: Without its line feed; XON, XOFF and one carriage return at its end do not count.
    """
    text = _proved(line)
    if text is None:
        return None
    if found := _HEAD.fullmatch(text):
        words, bits, a_line = int(found[2]), int(found[3]), int(found[4])
        return Head(int(found[1]), words, bits, a_line) if bits <= 64 else None
    if found := _DATA.fullmatch(text):
        tokens = found[3].split()
        if len({len(token) for token in tokens}) != 1:
            return None
        words_ = tuple(int(token, 16) for token in tokens)
        return Data(int(found[1]), int(found[2], 16), words_, len(tokens[0]), len(found[2]))
    if found := _TAIL.fullmatch(text):
        return Tail(int(found[1]), int(found[2]), int(found[3], 16))
    return None


def looks_meant(line: bytes) -> bool:
    """Whether a line that does not prove itself was meant as one of the protocol, or is a remnant of one."""
    return bool(line.strip(b" \t\r\x00\x11\x13"))


@dataclass(slots=True)
class LoggedPass:
    """What has come of one pass.

    Attributes:
        number: As the reader counts.
        head: Its header, once it has come.
        tail: Its trailer, once it has come.
        lines: Address → words of every line that proved itself.
        clash: Addresses that came twice with different words.
        again: Lines that came twice with the same words.
    """

    number: int
    head: Head | None = None
    tail: Tail | None = None
    lines: dict[int, tuple[int, ...]] = field(default_factory=dict)
    clash: list[int] = field(default_factory=list)
    again: int = 0

    def add(self, record: Record) -> None:
        """Take one record of this pass."""
        if isinstance(record, Head):
            self.head = record
        elif isinstance(record, Tail):
            self.tail = record
        elif record.address not in self.lines:
            self.lines[record.address] = record.words
        elif self.lines[record.address] == record.words:
            self.again += 1
        else:
            self.clash.append(record.address)

    def missing(self) -> list[int]:
        """Addresses of the lines that have not come whole, as far as the header says which there must be."""
        if self.head is None:
            return []
        head = self.head
        return [
            address
            for address in range(0, head.words, head.a_line)
            if len(self.lines.get(address, ())) != min(head.a_line, head.words - address)
        ]

    def trouble(self) -> str:
        """Why the pass cannot be believed; "" where it is whole."""
        if self.clash:
            return f"address 0x{self.clash[0]:04X} came twice with different words"
        if self.head is None:
            return "its header is missing or damaged"
        gone = self.missing()
        if gone:
            are = "is" if len(gone) == 1 else "are"
            return f"{len(gone)} of its lines {are} missing or damaged, the first at address 0x{gone[0]:04X}"
        if len(self.lines) != -(-self.head.words // self.head.a_line):
            return "it has lines at addresses that the header has not"
        if any(word >> self.head.bits for words in self.lines.values() for word in words):
            return f"it has words wider than {self.head.bits} bits"
        if self.tail is None:
            return "its trailer is missing or damaged"
        if self.tail.words != self.head.words or self.tail.crc != self.crc():
            return "its trailer contradicts its lines"
        return ""

    def words(self) -> list[int]:
        """All words in order."""
        return [word for address in sorted(self.lines) for word in self.lines[address]]

    def crc(self) -> int:
        """The check over all words, each in whole bytes, the high byte first."""
        width = ((self.head.bits if self.head else 8) + 7) // 8
        return check(
            b"".join(word.to_bytes(max(width, (word.bit_length() + 7) // 8), "big") for word in self.words())
        )


def consistent(record: Record, head: Head | None) -> bool:
    """Whether a data line is as wide as its header says; without a header it may be."""
    if not isinstance(record, Data) or head is None:
        return True
    wanted = max(4, (max(head.words - 1, 1).bit_length() + 3) // 4)
    return record.digits == (head.bits + 3) // 4 and record.address_digits == wanted


class Passes:
    """Sorts records into passes; a header that comes again for a pass that has one begins anew."""

    def __init__(self) -> None:
        self.all: list[LoggedPass] = []
        self._open: dict[int, LoggedPass] = {}

    def add(self, record: Record) -> LoggedPass | None:
        """Take one record; the pass it went to, or None where the record is not as its header says."""
        known = self._open.get(record.number)
        if known is None or (isinstance(record, Head) and known.head is not None):
            known = LoggedPass(record.number)
            self.all.append(known)
            self._open[record.number] = known
        if not consistent(record, known.head):
            return None
        known.add(record)
        return known


def _lines(content: bytes) -> Iterator[tuple[int, int, bytes]]:
    """(line number, offset, line) of everything that is not empty; a rest without line feed included."""
    offset = 0
    for number, line in enumerate(content.split(b"\n"), start=1):
        if looks_meant(line):
            yield number, offset, line
        offset += len(line) + 1


def decode(content: bytes, declared: Declared) -> Decoded:
    """The whole passes of a log; damaged lines are named, and a pass that is not whole is left out and told.

    Args:
        content: The raw stream as it was captured.
        declared: `bits` and `words` of the chip, to refuse a log of another.

    Raises:
        FormatError: No pass is whole, or the log is of a chip of another organisation.
    """
    passes, ledger = Passes(), ForgivenTally()
    for number, offset, line in _lines(content):
        record = parse_line(line)
        place = Place(number, 1, offset)
        if record is None and parse_tested(line) is not None:
            ledger.add("a line of a line test, left out", place)
        elif record is None or passes.add(record) is None:
            ledger.add("a line that does not prove itself, left out", place)
    whole = [one for one in passes.all if not one.trouble()]
    start = Place(1, 1, 0)
    if not whole:
        why = passes.all[-1].trouble() if passes.all else "no line proves itself"
        refuse(start, f"no pass is whole: {why}", "capture it again; with --resume the log goes on")
    heads = {(one.head.words, one.head.bits) for one in whole if one.head is not None}
    if len(heads) > 1:
        refuse(start, "its passes are of different organisations", "capture each chip into a log of its own")
    words, bits = heads.pop()
    if declared.words is not None and (words, bits) != (declared.words, declared.bits):
        refuse(
            start,
            f"the reader was set to {words}x{bits}, the chip is {declared.words}x{declared.bits}",
            "set the reader's program, or correct the sheet",
        )
    for one in passes.all:
        if one.trouble():
            ledger.add(f"pass {one.number} was left out: {one.trouble()}", start)
        elif one.again:
            ledger.add("a line that came twice, the same both times", start, one.again)
    return Decoded("reader-log", max(8, bits), _runs(whole, bits), _forgiven(ledger))


def _forgiven(ledger: ForgivenTally) -> tuple[Forgiven, ...]:
    return ledger.closed()


def _runs(whole: Sequence[LoggedPass], bits: int) -> tuple[tuple[Block, ...], ...]:
    import numpy as np

    kind = np.uint8 if bits <= 8 else np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64
    return tuple((Block(0, np.array(one.words(), dtype=kind)),) for one in whole)

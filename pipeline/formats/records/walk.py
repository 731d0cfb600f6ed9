"""The walk over a file of one-line records: text outside them, records behind the end, a missing end.

What the minor record formats have in common; each of them brings the letter its records start with and a
function that reads one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NoReturn

from pipeline.formats.neutral import Declared, Decoded, refuse
from pipeline.formats.records.overlaps import PlacedBytes, lay
from pipeline.formats.text.characters import Characters, plain
from pipeline.formats.text.prose import MOST_NOTED, shown


@dataclass(slots=True)
class Reading:
    """What has been read so far of one file.

    Attributes:
        text: The file.
        records: Data records in file order.
        ended: Index of the end record, once there was one.
        notes: Header texts, start addresses, skipped text.
    """

    text: Characters
    records: list[PlacedBytes] = field(default_factory=list)
    ended: int | None = None
    notes: list[str] = field(default_factory=list)
    skipped: int = 0

    def skip(self, index: int, line: bytes) -> None:
        """Report a line that is no record."""
        place = self.text.place(index)
        self.text.ledger.add("text outside records skipped", place)
        self.skipped += 1
        if self.skipped <= MOST_NOTED:
            self.notes.append(f"skipped text, line {place.line}: {shown(line)}")


Take = Callable[[Reading, int, bytes], None]


def walk(content: bytes, declared: Declared, *, name: str, lead: bytes, end_line: str, take: Take) -> Decoded:
    """Read every record of a file and lay them.

    Args:
        content: The file.
        declared: Its `limit` counts.
        name: Of the format.
        lead: The character that a record starts with.
        end_line: What an end record looks like, for the remedy.
        take: Reads the record that starts at an index; gets the line from there on.

    Raises:
        FormatError: What `take` refuses; a record behind the end; no end; records that contradict each other.
    """
    text = plain(content)
    reading = Reading(text)
    for start, line in text.filled():
        at = line.find(lead)
        if at < 0:
            reading.skip(start, line)
            continue
        if line[:at].strip(b" \t\x0c\x00\x11\x13\x7f"):
            text.ledger.add("text before a record skipped", text.place(start))
        if reading.ended is not None:
            refuse(
                text.place(start + at),
                f"a record after the end record of line {text.place(reading.ended).line}",
                "split the file there: it may be two dumps in one",
            )
        take(reading, start + at, line[at:])
    if reading.ended is None:
        refuse(
            text.place(len(text.body)),
            "the end record is missing, so the file may be cut off",
            f"compare with the source; if it is whole, add the line {end_line}",
        )
    blocks = lay(reading.records, text.place, text.ledger, declared.limit)
    return Decoded(name, 8, (blocks,), text.ledger.closed(), tuple(reading.notes))


def tail(reading: Reading, index: int, rest: bytes) -> None:
    """What stands behind a whole record: nothing, or text that is reported."""
    if rest.strip(b" \t\x0c\x00\x11\x13\x7f"):
        reading.text.ledger.add("text after a record skipped", reading.text.place(index))


def short(text: Characters, index: int, needed: int, here: int) -> NoReturn:
    """Refuse a record whose digits are not as many as its count asks for."""
    refuse(
        text.place(index),
        f"the record's count asks for {needed} digits; this record has {here}",
        "compare the line with the source: characters were lost or added",
    )


def wrong_sum(text: Characters, index: int, given: str, computed: str) -> NoReturn:
    """Refuse a record whose sum is wrong."""
    refuse(
        text.place(index),
        f"the sum is {given}, the record gives {computed}",
        "compare the line with the source: a digit is wrong",
    )

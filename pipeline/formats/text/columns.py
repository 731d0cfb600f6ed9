"""The lines of a listing taken apart: address, values, and the text column that must never be read as data.

Where the values end and the text begins cannot be told from one line alone: text may spell hexadecimal
digits. So this module only offers, for each line, how many values there could be; `listing` decides from the
addresses.
"""

from __future__ import annotations

import re
from itertools import accumulate, dropwhile
from typing import NamedTuple

from pipeline.formats.text.dressing import commented
from pipeline.formats.text.prose import WORD
from pipeline.formats.text.tokens import Style

LINE = re.compile(
    rb"[ \t]*(?:0[xX]|\$)?(?P<address>[0-9A-Fa-f]{1,16})[hH]?"
    rb"(?P<sep>[ \t]*[:|][ \t]*|[ \t]+-[ \t]+|-[ \t]+|[ \t]+)(?=\S)"
)
ADDRESS_ONLY = re.compile(rb"[ \t]*(?:0[xX]|\$)?([0-9A-Fa-f]{1,16})[hH]?[ \t]*[:|]?[ \t]*")
STAR = re.compile(rb"[ \t]*\*[ \t]*")
MOST_VALUES = 4096
"""Values of a line that are still read: no listing has more."""
_VALUE = re.compile(rb"(?:0[xX]|\$|\\x)?([0-9A-Fa-f]{1,64})[hH]?(?=[\s,;|>'\"-]|$)")
_GAP = re.compile(rb"[ \t]*(?:[,;][ \t]*|-[ \t]*)?")
_BARS = b"|>;!"


class ListingRow(NamedTuple):
    """One line of a listing.

    Attributes:
        start: Index of the line in the text.
        line: The line.
        address: The address column's digits.
        at: Index of the address in the text.
        words: The digits of each value that could be read; the text column may have given some of the last.
        units: What each of them stands for.
        ends: Position in the line behind each.
        colon: The address is set off by more than white space.
        body: Position in the line where the values begin.
    """

    start: int
    line: bytes
    address: bytes
    at: int
    words: tuple[bytes, ...]
    units: tuple[tuple[int, ...], ...]
    ends: tuple[int, ...]
    colon: bool
    body: int

    def rest(self, count: int) -> bytes:
        """What stands behind the first `count` values."""
        return self.line[self.ends[count - 1] :]

    def first(self, count: int) -> list[int]:
        """The units of the first `count` values."""
        return [unit for units in self.units[:count] for unit in units]

    @property
    def reach(self) -> list[int]:
        """Units up to and with each value."""
        return list(accumulate(map(len, self.units)))

    def text_at(self, count: int) -> int | None:
        """Position of the first character behind `count` values, or None where nothing stands there."""
        rest = self.rest(count)
        lead = len(rest) - len(rest.lstrip(b" \t"))
        return self.ends[count - 1] + lead if lead < len(rest) else None


def row(start: int, line: bytes, style: Style) -> ListingRow | None:
    """A line as address and possible values, or None where it has not that form."""
    found = LINE.match(line)
    if found is None:
        return None
    at = found.end()
    words: list[bytes] = []
    units: list[tuple[int, ...]] = []
    ends: list[int] = []
    while len(words) < MOST_VALUES:
        one = _VALUE.match(line, at)
        got = style.values(one[1]) if one else None
        part = None if one is None or got is not None else style.part(one[1])
        if one is None or (got is None and part is None):
            break
        words.append(one[1])
        units.append(tuple(got or part or ()))
        ends.append(one.end())
        gap = _GAP.match(line, one.end())
        at = gap.end() if gap else one.end()
        if at == one.end() or part is not None:
            break
    if not words:
        return None
    colon = bool(found["sep"].strip())
    address = found["address"]
    return ListingRow(
        start,
        line,
        address,
        start + found.start("address"),
        tuple(words),
        tuple(units),
        tuple(ends),
        colon,
        found.end(),
    )


def ruler(line: bytes) -> bool:
    """Whether a line numbers the columns: 0 1 2 3 … or 00 01 02 …, perhaps behind words such as `Offset(h)`.

    A first word with a decimal digit in it is no word: it is the address of a line of data.
    """
    words = list(dropwhile(_letters_only, WORD.findall(line)))
    if len(words) < 4:
        return False
    return all(len(word) <= 2 and word.upper() in (b"%X" % k, b"%02X" % k) for k, word in enumerate(words))


def _letters_only(word: bytes) -> bool:
    return word.isalpha()


def barred(rest: bytes) -> bool:
    """Whether what follows the values is certainly a text column: it is set off by a bar or bracket."""
    lead = rest.lstrip(b" \t")[:1]
    return (lead != b"" and lead in _BARS) or commented(rest)


def inside_bars(rest: bytes) -> bytes:
    """A text column without the bars around it."""
    inner = rest.strip(b" \t")
    if not barred(rest):
        return rest
    return inner[1:-1] if len(inner) > 1 and inner[-1:] in b"|<>" else inner[1:]


def matches(rest: bytes, units: list[int]) -> bool:
    """Whether a text column shows these bytes.

    Each character is the byte's own, or stands for an unprintable one.

    Trailing blanks may have been cut. Bit 7 may have been dropped. Upper case may stand for lower. Common
    practice.
    """
    lead = len(rest) - len(rest.lstrip(b" \t"))
    blanks = next((k for k, unit in enumerate(units) if not _stands_for(ord(" "), unit)), len(units))
    drops = {0, 1, 2, *range(max(lead - blanks, 0), lead + 1)}
    return any(_shows(rest[drop:], units) for drop in drops if drop <= lead)


def _shows(body: bytes, units: list[int]) -> bool:
    """Whether each character can stand for its byte, and the bytes without one for blanks."""
    if len(body.rstrip()) > len(units):
        return False
    return all(_stands_for(letter, unit) for letter, unit in zip(body, units, strict=False)) and all(
        _stands_for(ord(" "), unit) for unit in units[len(body) :]
    )


def _stands_for(letter: int, unit: int) -> bool:
    """Whether a character of the text column can stand for a byte."""
    plain = unit & 0x7F
    if letter in (unit, plain) or (0x61 <= plain <= 0x7A and letter == plain - 0x20):
        return True
    return not 0x20 <= unit < 0x7F and letter in b". _?~"

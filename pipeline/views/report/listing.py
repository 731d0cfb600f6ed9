"""The image in hexadecimal and text, with an anchor at every row and at every word that the report speaks of.

Fills are told in words; words without settlement are marked, words that nobody read are dashes. The lines are
put together as one table of characters: the report of ten thousand chips has no time for a loop over words.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.views.report import wording
from pipeline.views.report.image import ChipWords
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord

MOST_FOLDED = 4096
"""Words of a listing that lies in a fold of the chip's page; a longer one has a page of its own."""
MOST_A_PAGE = 1 << 16
MOST_TOLD = 2000
"""Words of one chip that have an anchor of their own; others are found by their row."""
LEAST_FILL = 2
"""Rows of one word that are told as a fill."""
_BEGINS = b"\1" * LEAST_FILL
_AMPERSAND, _LESS, _MORE = 2, 3, 4
"""Stand for characters that take more than one byte in the page."""
_LONGER = ((bytes([_AMPERSAND]), b"&amp;"), (bytes([_LESS]), b"&lt;"), (bytes([_MORE]), b"&gt;"))
_HEX = np.frombuffer("".join(f"{value:02X}" for value in range(256)).encode(), np.uint16)
"""The two digits of each byte as one number: looked up in one step."""


@cache
def _printable() -> NDArray[np.uint8]:
    """Each byte as the character that stands for it: ASCII as it is, all else a dot."""
    out = np.full(256, ord("."), np.uint8)
    out[0x20:0x7F] = np.arange(0x20, 0x7F)
    out[[ord("&"), ord("<"), ord(">")]] = _AMPERSAND, _LESS, _MORE
    return out


def words_a_row(organisation: Organisation) -> int:
    """Sixteen words a row where they fit, fewer of wider words."""
    return 16 if organisation.bits <= 16 else 8 if organisation.bits <= 32 else 4


class ListingMarks(NamedTuple):
    """What is to be found in a listing.

    Attributes:
        told: Addresses that have an anchor of their own.
        contested: Addresses with bits without settlement.
    """

    told: frozenset[int]
    contested: frozenset[int] = frozenset()


def told_addresses(chip: ChipRecord) -> frozenset[int]:
    """Every address that a finding, a table row or a region of a chip speaks of; the lowest, if too many."""
    out: set[int] = set()
    for found in chip.get("findings") or ():
        out.update(addresses_in(found.get("where") or {}), addresses_in(found.get("evidence") or {}))
    contested = chip.get("contested")
    out.update(word["address"] for word in (contested.get("listed_words") or () if contested else ()))
    out |= {int(region["start"]) for region in chip.get("regions") or ()}
    return frozenset(out) if len(out) <= MOST_TOLD else frozenset(sorted(out)[:MOST_TOLD])


_AT = frozenset(["at", "address", "stored_at", "first", "latest", "exceptions_at"])
_MANY = frozenset(["addresses", "ranges", "longest", "covers", "range", "exceptions_at"])


def addresses_in(part: Mapping[str, object]) -> list[int]:
    """The addresses that a finding's place or evidence names: single ones, and where ranges begin."""
    out: list[int] = []
    for key, value in part.items():
        if key in _AT and isinstance(value, int) and not isinstance(value, bool):
            out.append(value)
        elif key in _MANY and isinstance(value, list | tuple):
            out += _starts(value)
    return [one for one in out if one >= 0]


def _starts(value: Sequence[object]) -> list[int]:
    span = wording.span(value)
    if span is not None:
        return [span[0]]
    out = []
    for one in value:
        inner = wording.span(one)
        if inner is not None:
            out.append(inner[0])
        elif isinstance(one, int) and not isinstance(one, bool):
            out.append(one)
    return out


def anchor(chip: str, address: int, digits: int) -> str:
    """The name of a place in a listing, `U5-0x2C5`; it stays the same from version to version."""
    return f"{chip}-{wording.hexa(address, digits)}"


def digits_of(organisation: Organisation) -> int:
    """Hexadecimal digits of an address, at least three."""
    return max(3, (organisation.address_bits + 3) // 4)


def listing(
    content: ChipWords, chip: str, marks: ListingMarks, start: int = 0, end: int | None = None
) -> bytes:
    """The lines of a listing, as they stand in a page.

    Args:
        content: The image.
        chip: Its id, for the anchors.
        marks: What is to be found in it.
        start: The first word, a multiple of `words_a_row`.
        end: The word behind the last; None for the chip's end.
    """
    per = words_a_row(content.organisation)
    end = content.organisation.words if end is None else end
    shown = _Rows(content, chip, per, start, end)
    special: dict[int, list[int]] = {}
    for address in sorted(marks.told | marks.contested, reverse=True):
        if start <= address < end:
            special.setdefault(address // per, []).append(address)
    barred = {address // per for address in marks.contested}
    out: list[bytes] = []
    first = start // per
    for low, high, value in _fills(content, per, start, end, barred):
        out.append(_plain(shown, first, low, special, marks))
        told = [one for one in sorted(marks.told) if low * per < one < min(end, high * per)]
        out.append(shown.fill(low, min(end, high * per), value, told))
        first = high
    out.append(_plain(shown, first, -(-end // per), special, marks))
    return b"".join(out)  # digits, and characters of a table without the acting ones


def _plain(
    shown: _Rows, first: int, last: int, special: Mapping[int, Sequence[int]], marks: ListingMarks
) -> bytes:
    """Rows as they are; those that hold something to be found are put together by the word."""
    out: list[bytes] = []
    for row in sorted(one for one in special if first <= one < last):
        out += [shown.block(first, row), shown.marked(row, special[row], marks)]
        first = row + 1
    text = b"".join([*out, shown.block(first, last)])
    for stand_in, longer in _LONGER:
        text = text.replace(stand_in, longer)
    return text


def _fills(
    content: ChipWords, per: int, start: int, end: int, barred: Collection[int]
) -> Iterable[tuple[int, int, str]]:
    """(first row, row behind the last, what fills it) of stretches of whole rows of one word, or of none."""
    first, last = start // per, end // per
    size = content.organisation.bytes_a_word
    octets = content.octets[start : last * per].reshape(last - first, per * size)
    # A row repeats one word where it is the same moved on by a word.
    lone = (octets[:, size:] == octets[:, :-size]).all(axis=1)
    there = None
    if content.known is not None:
        there = content.known[start : last * per].reshape(last - first, per)
        lone &= there.all(axis=1) | ~there.any(axis=1)
    if barred:
        lone[[row - first for row in barred if first <= row < last]] = False
    for low, high in _stretches(lone.tobytes()):
        keys = octets[low:high, :size] if there is None else _keys(octets, there, low, high, size)
        breaks = _breaks(keys)
        for begin, reach in zip((0, *breaks), (*breaks, high - low), strict=True):
            if reach - begin >= LEAST_FILL:
                word = octets[low + begin, :size]
                read = there is None or bool(there[low + begin, 0])
                behind = first + low + reach
                # A last row that is not full goes with the fill where it holds the same.
                whole = (
                    behind == last and last * per < end and read and _rest_is(content, last * per, end, word)
                )
                yield first + low + begin, behind + whole, _word(content, word) if read else "not read"


def _breaks(keys: NDArray[np.integer[Any]]) -> list[int]:
    """Where one row's key is not that of the row before; most fills have one word, which is asked first."""
    told = keys.tobytes()
    if told == keys[:1].tobytes() * len(keys):
        return []
    return (np.flatnonzero((keys[1:] != keys[:-1]).any(axis=1)) + 1).tolist()


def _stretches(flags: bytes) -> Iterator[tuple[int, int]]:
    """The half-open ranges of at least `LEAST_FILL` ones.

    There are few in a listing: by byte they are found in a tenth of what `true_ranges` takes.
    """
    low = flags.find(_BEGINS)
    while low >= 0:
        high = flags.find(b"\0", low)
        yield low, high if high >= 0 else len(flags)
        low = flags.find(_BEGINS, high) if high >= 0 else -1


def _keys(
    octets: NDArray[np.uint8], there: NDArray[np.bool_], low: int, high: int, size: int
) -> NDArray[np.int64]:
    """What tells one row of a fill from another: its word, or that nobody read it."""
    read = there[low:high, :1]
    return np.where(read, octets[low:high, :size].astype(np.int64), np.int64(-1))


def _word(content: ChipWords, word: NDArray[np.uint8]) -> str:
    return word.tobytes().hex().upper()[-_nibbles(content.organisation) :]


def _rest_is(content: ChipWords, start: int, end: int, word: NDArray[np.uint8]) -> bool:
    known = content.known is None or bool(content.known[start:end].all())
    return known and bool((content.octets[start:end] == word).all())


def _nibbles(organisation: Organisation) -> int:
    return max(1, (organisation.bits + 3) // 4)


class _Rows:
    """The rows of a listing as one table of characters, a row as long as another."""

    def __init__(self, content: ChipWords, chip: str, per: int, start: int, end: int) -> None:
        """The table of the rows from `start` to `end`: one row written out, then its columns filled in."""
        self.chip, self.per, self.content = chip, per, content
        self.digits = digits_of(content.organisation)
        self.nibbles = _nibbles(content.organisation)
        self.first = start // per
        rows = -(-end // per) - self.first
        address = "0" * self.digits
        name = f"{chip}-0x{address}"
        row = f'<a id="{name}" href="#{name}">{address}</a>  '
        self.before = len(row)
        texts = _texts(content, start, end)
        wide = 0 if texts is None else texts.shape[1] * per + 1
        row += " " * (per * (self.nibbles + 1) + wide) + "\n"
        table = np.empty((rows, len(row)), np.uint8)
        table[:] = np.frombuffer(row.encode(), np.uint8)
        numbers = _addresses(self.first * per, rows, per, self.digits)
        opening = len(f'<a id="{chip}-0x')
        for at in (
            opening,
            opening + self.digits + len(f'" href="#{chip}-0x'),
            self.before - self.digits - 6,
        ):
            table[:, at : at + self.digits] = numbers
        behind = self.before + per * (self.nibbles + 1)
        table[:, self.before : behind] = self._padded(rows, _hexes(content, self.nibbles, start, end))
        if texts is not None:
            table[:, behind + 1 : -1] = self._padded(rows, texts)
        self.text = table.tobytes()
        self.wide = len(row)

    def _padded(self, rows: int, values: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Characters a word, shape (words, n), as rows; blank behind the last word."""
        if len(values) == rows * self.per:
            return values.reshape(rows, -1)
        out = np.full((rows * self.per, values.shape[1]), ord(" "), np.uint8)
        out[: len(values)] = values
        return out.reshape(rows, -1)

    def block(self, first: int, last: int) -> bytes:
        """Rows as they are."""
        return self.text[(first - self.first) * self.wide : (last - self.first) * self.wide]

    def marked(self, row: int, addresses: Sequence[int], marks: ListingMarks) -> bytes:
        """A row in which words have anchors or no settlement: those at the addresses, the last one first."""
        text = self.block(row, row + 1).decode("ascii")
        for address in addresses:
            word = address - row * self.per
            doubtful = address in marks.contested
            if not word and not doubtful:
                continue
            told = address in marks.told and word
            name = f' id="{anchor(self.chip, address, self.digits)}"' if told else ""
            at = self.before + word * (self.nibbles + 1)
            tag = "mark" if doubtful else "b"
            text = (
                f"{text[:at]}<{tag}{name}>{text[at : at + self.nibbles]}</{tag}>{text[at + self.nibbles :]}"
            )
        return text.encode("ascii")

    def fill(self, row: int, end: int, value: str, told: Iterable[int]) -> bytes:
        """A stretch of rows of one word as a line of words."""
        start = row * self.per
        name = anchor(self.chip, start, self.digits)
        inner = "".join(f'<b id="{anchor(self.chip, one, self.digits)}"></b>' for one in told)
        span = wording.span_text(start, end, self.digits)
        line = f'<a id="{name}" href="#{name}">{start:0{self.digits}X}</a>  {inner}{span}: {value}\n'
        return line.encode()


@lru_cache(maxsize=64)
def _addresses(start: int, rows: int, per: int, digits: int) -> NDArray[np.uint8]:
    """The digits of each row's address, shape (rows, digits)."""
    numbers = start + np.arange(rows, dtype=np.int64) * per
    shifts = np.arange(digits - 1, -1, -1) * 4
    out: NDArray[np.uint8] = np.frombuffer(b"0123456789ABCDEF", np.uint8)[numbers[:, None] >> shifts & 0xF]
    return out


def _hexes(content: ChipWords, nibbles: int, start: int, end: int) -> NDArray[np.uint8]:
    """Each word in hexadecimal and a blank, shape (words, nibbles + 1); dashes where nobody read."""
    octets = content.octets[start:end]
    cells = np.full((len(octets), nibbles + 1), ord(" "), np.uint8)
    cells[:, :nibbles] = _HEX.take(octets, mode="clip").view(np.uint8)[:, -nibbles:]
    if content.known is not None:
        cells[~content.known[start:end], :nibbles] = ord("-")
    return cells


def _texts(content: ChipWords, start: int, end: int) -> NDArray[np.uint8] | None:
    """Each byte as a character, shape (words, bytes a word); None where words are no whole bytes."""
    if content.organisation.bits % 8:
        return None
    texts = _printable().take(content.octets[start:end], mode="clip")
    if content.known is not None:
        texts[~content.known[start:end]] = ord(" ")
    return texts

"""Listings with an address column: every line's address is checked against the line before.

The addresses are the only check that such a file has, so a line that was lost, doubled or cut is found and
named. They also say how many values a full line holds, and so where the text column begins, whatever it
spells. The layouts of the usual dump programs, with `*` for repeated lines, are read. Common practice, no
source.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats.neutral import LARGEST_CLAIM, Block, Declared, Decoded, ambiguous, refuse
from pipeline.formats.text.characters import Characters, plain
from pipeline.formats.text.columns import ListingRow, barred, inside_bars, matches
from pipeline.formats.text.digit_widths import Widths
from pipeline.formats.text.dressing import commented, with_plain_addresses, without_pages
from pipeline.formats.text.layout import (
    Break,
    End,
    Item,
    Layout,
    Star,
    find_layout,
    find_style,
    in_order,
    sorted_lines,
)
from pipeline.formats.text.open_questions import (
    alike_in_both_orders,
    first_lines,
    may_be_decimal,
    refuse_as_decimal,
)
from pipeline.formats.text.prose import noted, shown, without_stamps
from pipeline.formats.text.tokens import Style

NAME = "listing"
WAYS = (
    ("word_order", "big"),
    ("word_order", "little"),
    ("token", "binary"),
    ("token", "octal"),
    ("token", "decimal"),
)
"""What can be declared of values, where their text column may show which of it is so."""


def decode(content: bytes, declared: Declared) -> Decoded:
    """The values of a listing at their addresses, one run a pass.

    Raises:
        FormatError: An address that does not follow from the line before; a line with too few values; a claim
            of more than any chip holds; an address beyond `declared.limit`.
        AmbiguousError: Groups of digits without a declared order; an address column whose radix does not
            show; a last line whose text column could be data.
    """
    doubt: FormatError | None = None
    opened = _opened(content)
    try:
        plainly = _read(opened, declared)
    except FormatError as error:
        doubt = error
    else:
        if plainly.unshown == 0 and not plainly.may_be_decimal():
            return plainly.decoded()
    first = first_lines(opened.body)
    known = _shown_by_the_text(content, declared) if _shown_by_the_text(first, declared) else None
    if known is None and isinstance(doubt, AmbiguousError) and _alike(first, declared):
        known = alike_in_both_orders(_as_declared, content, declared)
    if known is not None:
        return known
    if doubt is not None:
        raise doubt
    if plainly.may_be_decimal():
        refuse_as_decimal(plainly.text, plainly.first_value())
    if plainly.style.run_on and plainly.unshown:
        _order_doubted(content, declared, plainly)
    return plainly.decoded()


def _opened(content: bytes) -> Characters:
    """The text without what stands around its lines."""
    return with_plain_addresses(without_stamps(without_pages(plain(content))))


def _alike(first: bytes, declared: Declared) -> bool:
    """Whether the first lines say that the order makes no difference, or another question comes first."""
    try:
        return alike_in_both_orders(_as_declared, first, declared) is not None
    except AmbiguousError:
        return True


def _as_declared(content: bytes, declared: Declared) -> Decoded:
    """The listing as it is declared, and nothing else tried."""
    return _read(_opened(content), declared).decoded()


def _order_doubted(content: bytes, declared: Declared, plainly: _Builder) -> None:
    """Refuse groups of eight bytes whose text column speaks rather for the other order, damaged as it is.

    Raises:
        AmbiguousError: It shows more lines in that order.
    """
    turned = 0
    with suppress(FormatError):
        turned = _read(_opened(content), replace(declared, word_order="little")).shown
    if turned > plainly.shown:
        ambiguous(
            plainly.text.place(0),
            "in some line the text column fits neither order of bytes",
            "write `word_order: big` if the digits stand in the order of the bytes, `word_order: "
            "little` if not",
        )


def _shown_by_the_text(content: bytes, declared: Declared) -> Decoded | None:
    """The one way of reading the values that the text column of every line shows.

    None where no way or several show. Values of several bytes can stand for them in two orders, and digits
    can be of several bases; of all these a text column beside them knows one.
    """
    shown: list[tuple[Decoded, str]] = []
    for name, value in WAYS:
        if getattr(declared, name) not in (None, value):
            continue
        with suppress(FormatError):
            read = _read(_opened(content), _also(declared, name, value))
            if read.shown > 0 and read.unshown == 0:
                said = f"{name.replace('_', ' ')} {value}, as the text column shows"
                shown.append((read.decoded(), said))
    if len(shown) != 1 or declared.bits > 8:
        return None
    ((done, said),) = shown
    return done._replace(notes=(*done.notes, said))


def _also(declared: Declared, name: str, value: str) -> Declared:
    return replace(declared, word_order=value) if name == "word_order" else replace(declared, token=value)


def _read(text: Characters, declared: Declared) -> _Builder:
    """The listing, line after line."""
    style = find_style(text, declared)
    items = in_order(text, sorted_lines(text, style))
    layout = find_layout(text, items, declared, style)
    builder = _Builder(text, declared, style, layout)
    for position, item in enumerate(items):
        builder.take(item, items[position + 1] if position + 1 < len(items) else None)
    builder.close(items[-1])
    builder.skipped = [(one.start, one.line) for one in items if isinstance(one, Break)]
    return builder


@dataclass(slots=True)
class _Run:
    """One pass: where it starts, and its pieces."""

    first: int
    pieces: list[tuple[int, list[NDArray[np.unsignedinteger[Any]]]]] = field(default_factory=list)


@dataclass(slots=True)
class _Builder:
    """Lays line after line and checks each address.

    Attributes:
        due: The address that the next line must have; None before the first.
        last: Address and units of the line before.
        star: Where a `*` was met that is not yet resolved.
        ended: The last address of the run was given on a line of its own.
        widths: Digits of the values so far.
        shown: Lines whose text column shows the values beside it.
        unshown: Lines whose text column does not.
        skipped: Lines of text between the others.
    """

    text: Characters
    declared: Declared
    style: Style
    layout: Layout
    runs: list[_Run] = field(default_factory=list)
    due: int | None = None
    last: tuple[int, list[int]] | None = None
    star: int | None = None
    ended: bool = False
    repeated: int = 0
    shown: int = 0
    unshown: int = 0
    skipped: list[tuple[int, bytes]] = field(default_factory=list)
    widths: Widths = field(init=False)

    def __post_init__(self) -> None:
        self.widths = Widths(self.text)

    def take(self, item: Item, following: Item | None) -> None:
        """Act on one line."""
        if isinstance(item, Star):
            self.star = item.start
        elif isinstance(item, End):
            self._end(item)
        elif isinstance(item, ListingRow):
            self._row(item, following)

    def _address(self, digits: bytes, index: int) -> int:
        address = self.layout.number(digits)
        if address is None:
            refuse(
                self.text.place(index), "the address has digits of another radix", "compare with the source"
            )
        return address

    def _end(self, item: End) -> None:
        """The last address alone: the lines before must lead exactly there."""
        address = self._address(item.address, item.start)
        if self.star is not None:
            self._repeat(address, item.start)
        if address != self.due:
            refuse(
                self.text.place(item.start),
                f"the listing ends at address {self.layout.shown(address)}, its lines lead to "
                f"{self.layout.shown(self.due or 0)}",
                "a line was lost or added: compare with the source",
            )
        self.ended = True

    def _row(self, one: ListingRow, following: Item | None) -> None:
        """A line with values."""
        address = self._address(one.address, one.at)
        if self.star is not None:
            self._repeat(address, one.at)
        begun = self.due is None or (address == self.runs[-1].first and address != self.due)
        if begun and not self._again(address):
            self._start(address)
        elif self.ended:
            refuse(self.text.place(one.at), "a line after the listing's last address", "split the file there")
        elif address != self.due:
            if self._doubled(one, address):
                return
            self._jump(one, address)
        count = self._count(one, address, following)
        units = self._cut(one, count, address, following)
        if self.style.free:
            self.widths.note(one.start, one.line[one.body :].rjust(len(one.line)), one.words[:count])
        self._text_column(one, count, units)
        self._add(units, one.at, address)
        self.last = (address, units)

    def _start(self, address: int) -> None:
        """Begin a run."""
        self.runs.append(_Run(address, [(address, [])]))
        self.due, self.last, self.ended = address, None, False

    def _add(self, units: list[int], at: int, address: int) -> None:
        """Append units at the address reached."""
        end = address + len(units) * self.layout.scale
        self._within(end, at)
        self.runs[-1].pieces[-1][1].append(np.array(units, dtype=self._kind()))
        self.due = end

    def _within(self, end: int, at: int) -> None:
        """Refuse what lies beyond the chip."""
        limit = self.declared.limit
        if limit is not None and end > limit * self.layout.scale:
            refuse(
                self.text.place(at),
                f"addresses up to {self.layout.shown(end - 1)} are beyond the chip, whose last is "
                f"{self.layout.shown(limit * self.layout.scale - 1)}",
                "check the part and the address base",
            )

    def _kind(self) -> type[np.unsignedinteger[Any]]:
        bits = self.style.unit_bits
        return np.uint8 if bits <= 8 else np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64

    def _repeat(self, address: int, at: int) -> None:
        """Lines that a `*` stands for, up to an address."""
        assert self.last is not None
        assert self.due is not None
        before, units = self.last
        star, self.star = self.star, None
        missing, width = address - self.due, self.due - before
        if missing < 0 or width <= 0 or missing % width:
            refuse(
                self.text.place(at),
                f"a * stands for {missing} addresses, which is not a whole number of lines of {width}",
                "compare with the source",
            )
        self.repeated += missing
        if self.repeated > LARGEST_CLAIM:
            refuse(
                self.text.place(star if star is not None else at),
                f"a * stands for {missing} addresses, more than any chip holds",
                "compare with the source: the address after it is wrong",
            )
        self._within(address, at)
        self.runs[-1].pieces[-1][1].append(np.tile(np.array(units, dtype=self._kind()), missing // width))
        self.due = address

    def _again(self, address: int) -> bool:
        """Whether a line has the address of the line before, in a listing that has others.

        No pass is one line there.
        """
        return self.last is not None and address == self.last[0] and self.layout.step > 0

    def _doubled(self, one: ListingRow, address: int) -> bool:
        """A line that is the one before once more, values and all, is left out and reported."""
        if self.last is None or address != self.last[0]:
            return False
        units = self.last[1]
        if len(units) not in one.reach or one.first(one.reach.index(len(units)) + 1) != units:
            refuse(
                self.text.place(one.at),
                f"address {self.layout.shown(address)} comes twice with different values",
                "find out which line is right; nothing is guessed",
            )
        self.text.ledger.add("a line is doubled", self.text.place(one.at))
        return True

    def _jump(self, one: ListingRow, address: int) -> None:
        """An address that does not follow: a declared gap, or a refusal."""
        assert self.due is not None
        missing = address - self.due
        if missing > 0 and self.declared.gaps:
            self.text.ledger.add("addresses are left out", self.text.place(one.at), missing)
            self.runs[-1].pieces.append((address, []))
            self.due = address
            return
        step = self.layout.step
        problem = f"address {self.layout.shown(address)} where {self.layout.shown(self.due)} is due: "
        if missing > 0:
            whole = missing // step if step and missing % step == 0 else 0
            lines = f" ({whole} {'line' if whole == 1 else 'lines'} of {step})" if whole else ""
            problem += (
                f"{missing} address{'es' * (missing > 1)}{lines} {'is' if missing == 1 else 'are'} lost"
            )
            remedy = "put the lost lines back from another reading, or write `gaps: true` if gaps are meant"
        else:
            problem += "lines are doubled or in disorder"
            remedy = "compare with the source"
        refuse(self.text.place(one.at), problem, remedy)

    def _count(self, one: ListingRow, address: int, following: Item | None) -> int:
        """How many values the line holds; what stands behind them is its text column."""
        scale, reach = self.layout.scale, one.reach
        full = self.layout.step // scale
        after = self.layout.number(following.address) if isinstance(following, ListingRow | End) else None
        move = 0 if after is None else (after - address) // scale
        if move > 0 and not (full and move > full):
            units = move if isinstance(following, End) or self._plausible(one, move) else max(full, move)
        elif full and (move > 0 or isinstance(following, Star) or self._plausible(one, full)):
            units = full
        else:
            return self._short(one)
        if reach[-1] < units:
            refuse(
                self.text.place(one.start + one.ends[-1]),
                f"the line holds {reach[-1]} values, the addresses ask for {units}",
                "compare the line with the source: values were lost or damaged",
            )
        return next(k for k, size in enumerate(reach, 1) if size >= units)

    def _plausible(self, one: ListingRow, units: int) -> bool:
        """Whether a line can end behind so many units.

        The text column, if any, starts where the others' does.
        """
        if units not in one.reach:
            return False
        count = one.reach.index(units) + 1
        at = one.text_at(count)
        return at is None or at == self.layout.column or self._fits(one, count)

    def _cut(self, one: ListingRow, count: int, address: int, following: Item | None) -> list[int]:
        """The line's units; padding of the last word is cut where the last address says so."""
        units = one.first(count)
        if not isinstance(following, End) or self.style.group == 1:
            return units
        after = self.layout.number(following.address)
        size = len(units) if after is None else after - address
        if 0 < size < len(units) and not any(units[size:]):
            return units[:size]
        return units

    def _short(self, one: ListingRow) -> int:
        """A line whose length no address gives, the last of a run: where its text column begins."""
        most, column = len(one.words), self.layout.column
        if column is not None and len(one.line.rstrip()) > column:
            inside = sum(end < column for end in one.ends)
            if inside and not one.line[one.ends[inside - 1] : column].strip():
                return inside
        if column is None and self.layout.step and not one.rest(most).strip():
            return most
        fitting = [count for count in range(1, most + 1) if self._fits(one, count)]
        if not fitting:
            refuse(
                self.text.place(one.start + one.ends[-1]),
                f"{shown(one.rest(most))!r} after the values is not their text column",
                "compare the line with the source",
            )
        if len(fitting) > 1:
            ambiguous(
                self.text.place(one.start + one.ends[fitting[0] - 1]),
                f"the line holds {' or '.join(map(str, fitting))} values: the rest could be its text column",
                "take the text column out of the copy",
            )
        return fitting[0]

    def _fits(self, one: ListingRow, count: int) -> bool:
        """Whether what stands behind `count` values can be their text column, or is nothing."""
        rest = one.rest(count)
        return not rest.strip() or barred(rest) or matches(rest, one.first(count))

    def _text_column(self, one: ListingRow, count: int, units: list[int]) -> None:
        """What stands behind the values in the others' text column is reported where it is not their text."""
        rest, column = one.rest(count), self.layout.column
        at = one.text_at(count)
        if at is None:
            return
        shows = matches(rest, units) or matches(inside_bars(rest), units)
        if not shows and commented(rest):
            self.text.ledger.add("comments after the values skipped", self.text.place(one.start + at))
            return
        self.shown += shows
        self.unshown += not shows
        if not shows and not barred(rest) and len(one.words) > count and not one.rest(len(one.words)).strip():
            self._added(one.start + at, rest)  # nothing but values: they are not to be lost as a text column
        if not shows and (at != column or (not barred(rest) and len(rest.strip()) > len(units))):
            if barred(rest):
                self.text.ledger.add(
                    "the text column does not show the values beside it", self.text.place(one.start + at)
                )
                return
            self._added(one.start + at, rest)
        if not shows and self.style.bits == 8:
            self.text.ledger.add(
                "the text column does not show the values beside it", self.text.place(one.start + at)
            )

    def _added(self, index: int, rest: bytes) -> NoReturn:
        refuse(
            self.text.place(index),
            f"{shown(rest)!r} after the values is not their text column",
            "compare the line with the source: values were added or damaged",
        )

    def close(self, last: Item) -> None:
        """Report single digits, and a last line without a line end."""
        if self.style.radix == 16:
            self.widths.report()
        body = self.text.body.rstrip(b" \t\x0c")
        if (
            isinstance(last, ListingRow)
            and len(self.text.line_starts) > 1
            and not body.endswith((b"\r", b"\n"))
        ):
            self.text.ledger.add("the last line has no line end: it may be torn", self.text.place(last.start))

    def may_be_decimal(self) -> bool:
        """Whether the values may as well be decimal, and no text column shows which they are."""
        if self.declared.token is not None or not self.style.free or self.shown:
            return False
        return may_be_decimal(self.widths, self.blocks())

    def first_value(self) -> int:
        """Index of a value, to show where the question is."""
        return min(index for index, _ in self.widths.seen.values())

    def decoded(self) -> Decoded:
        """What the listing holds."""
        notes = noted(self.text, self.skipped)
        return Decoded(NAME, self.style.unit_bits, self.blocks(), self.text.ledger.closed(), notes)

    def blocks(self) -> tuple[tuple[Block, ...], ...]:
        """The runs as blocks in units."""
        return tuple(tuple(self._block(address, parts) for address, parts in run.pieces) for run in self.runs)

    def _block(self, address: int, parts: list[NDArray[np.unsignedinteger[Any]]]) -> Block:
        if address % self.layout.scale:
            refuse(
                self.text.place(0),
                "an address that is not a multiple of the word",
                "say the chip's part or organisation",
            )
        return Block(address // self.layout.scale, np.concatenate(parts))

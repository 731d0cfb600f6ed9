"""What a whole listing has in common.

How its values are written, its address radix, its step, its text column.

All of it comes from the lines themselves, by what most of them agree on, and is then held against every one.
"""

from __future__ import annotations

import re
from collections import Counter
from itertools import islice, pairwise
from typing import NamedTuple

from pipeline.formats.neutral import Declared, ambiguous, refuse
from pipeline.formats.text.characters import Characters, remembered
from pipeline.formats.text.columns import ADDRESS_ONLY, LINE, STAR, ListingRow, barred, row, ruler
from pipeline.formats.text.prose import DECIMAL_OR_OCTAL, WORD, cannot_be_data, counts_in_decimal, shown
from pipeline.formats.text.tokens import BYTE, HEX, LONGEST_LINE, Style, declared_style

RADIX = {"hex": 16, "decimal": 10, "octal": 8}
_DIGITS = {16: re.compile(rb"[0-9A-Fa-f]+"), 10: re.compile(rb"[0-9]+"), 8: re.compile(rb"[0-7]+")}
_FIRST_VALUE = re.compile(rb"(?:0[xX]|\$)?([0-9A-Fa-f]+)[hH]?(?=[\s,;|>-]|$)")
_BITS = re.compile(rb"[ \t]*[0-9A-Fa-f]+[: \t]+(?:[01]{8}[ \t]+){2}")
_OCTAL_DIGITS = 6
_OCTAL_LINE = re.compile(rb"[ \t]*[0-9A-Fa-f]+[: \t]+(?:[01][0-7]{5}(?:[ \t]+|$))+")
_STEPS_TRIED = 4
_PROVING_LINES = 3
"""Steps from line to line that prove a radix against one that lost a line at every step."""
_LINES_SAMPLED = 2000
_LOOKED_AT = 200
_LINES_BELOW_A_TITLE = 2


def claims(text: Characters) -> bool:
    """Whether most lines of the text begin with what must be an address column."""
    lines = set_off = wider = alone = forms = 0
    numbers: list[int] = []
    widths: set[int] = set()
    told = remembered(_told_at_first_sight)
    for _, whole in islice(text.filled(), _LINES_SAMPLED):
        seen = told(whole)
        if seen is None:
            continue
        lines += 1
        if seen.alone is not None and numbers:
            alone += 1
            numbers.append(seen.alone)
        elif seen.address:
            forms += 1
            numbers.append(int(seen.address, 16))
            widths.add(len(seen.address))
            set_off += seen.set_off
            wider += seen.wider
    lines -= min(alone, forms)
    if not forms or forms * 2 < lines:
        return False
    rising = sum(after > before for before, after in pairwise(numbers))
    if set_off * 2 > lines or (wider * 2 > lines and rising * 5 >= (len(numbers) - 1) * 4):
        return True
    steps = {after - before for before, after in pairwise(numbers)}
    return forms >= 3 and min(widths) >= 3 and len(steps) == 1 and steps <= {1, 2, 4, 8, 16, 32, 64}


class _FirstSight(NamedTuple):
    """What the beginning of a line shows of an address column.

    Attributes:
        alone: The address of a line of nothing else.
        address: Digits of the address before a value; b"" where there is none.
        set_off: It is set off by a mark.
        wider: It has three digits or more, and not as many as the value.
    """

    alone: int | None
    address: bytes = b""
    set_off: bool = False
    wider: bool = False


def _told_at_first_sight(whole: bytes) -> _FirstSight | None:
    """None for a line without a word, and for one that stands for lines."""
    line = whole[:_LOOKED_AT]
    if not WORD.search(line) or STAR.fullmatch(line):
        return None
    only = ADDRESS_ONLY.fullmatch(line)
    alone = int(only[1], 16) if only else None
    found = LINE.match(line)
    value = _FIRST_VALUE.match(line, found.end()) if found else None
    if found is None or value is None:
        return _FirstSight(alone)
    address = found["address"]
    return _FirstSight(
        alone, address, _set_off(found), wider=len(address) >= 3 and len(address) != len(value[1])
    )


def _set_off(found: re.Match[bytes]) -> bool:
    """An address set off by a colon or bar, which does not come again between the values."""
    sep = found["sep"].strip()
    if not sep:
        return False
    tail = found.string[found.end() : found.end() + 5]
    return not re.match(rb"[0-9A-Fa-f]{1,2}" + re.escape(sep), tail)


def find_style(text: Characters, declared: Declared) -> Style:
    """How the values are written, from the digits of each line's first value.

    Raises:
        FormatError: No line has an address and a value.
        AmbiguousError: Groups of digits that need a declaration.
    """
    widths: Counter[int] = Counter()
    first: dict[int, int] = {}
    for start, line in text.filled():
        if len(line) > LONGEST_LINE:
            refuse(
                text.place(start),
                f"a line of {len(line)} characters",
                "break it into lines as they were printed",
            )
        found = LINE.match(line)
        value = _FIRST_VALUE.match(line, found.end()) if found else None
        if value:
            widths[len(value[1])] += 1
            first.setdefault(len(value[1]), start + value.start(1))
    if not widths:
        refuse(text.place(0), "no line has an address and values", "check that it is a listing")
    usual = widths.most_common(1)[0][0]
    settled = declared_style(declared)
    if settled is not None:
        return _numbers(text, settled, usual, first[usual], declared)
    if usual <= 2:
        return Style("", BYTE, 16, 0, run_on=False, bits=8)
    if declared.bits > 8 and usual <= (declared.bits + 3) // 4:
        return Style("", HEX, 16, 0, run_on=False, bits=declared.bits)
    if usual in (4, 8) or (usual == 16 and declared.word_order == "little"):
        return _ordered(
            text, Style("", HEX, 16, usual, run_on=False, bits=8, group=usual // 2), first[usual], declared
        )
    if usual % 2:
        ambiguous(
            text.place(first[usual]),
            f"values of {usual} digits are not hexadecimal bytes",
            "write `token: octal` or `token: decimal`, or say the chip's organisation",
        )
    if usual == _OCTAL_DIGITS and declared.token is None and _octal_words(text):
        ambiguous(
            text.place(first[usual]),
            f"values of {usual} octal digits can be words of 16 bits",
            "write `token: octal` if they are, `token: hex` if each pair of digits is a byte",
        )
    if declared.word_order == "little":
        ambiguous(
            text.place(first[usual]),
            f"values of {usual} digits are not whole words of 16 or 32 bits",
            "write `word_order: big` if the digits stand in the order of the bytes",
        )
    return Style("", HEX, 16, 2, run_on=True, bits=8)


def _octal_words(text: Characters) -> bool:
    """Whether the lines hold nothing but words of 16 bits in octal, as early minicomputers printed them."""
    return all(_OCTAL_LINE.fullmatch(line) or not LINE.match(line) for _, line in text.filled())


def _numbers(text: Characters, style: Style, usual: int, index: int, declared: Declared) -> Style:
    """Declared octal or decimal values: bytes, words of the chip, or words of several bytes with an order."""
    if style.radix not in (8, 10) or declared.bits > 8 or usual <= 3:
        return style
    group = 2 if (usual <= 6 and style.radix == 8) or usual <= 5 else 4
    return _ordered(
        text, Style("", style.digits, style.radix, 0, run_on=False, bits=8, group=group), index, declared
    )


def _ordered(text: Characters, style: Style, index: int, declared: Declared) -> Style:
    """A style whose values stand for several bytes, with the order that was declared."""
    if declared.word_order is None:
        bits = style.group == 4 and all(_BITS.match(line) for _, line in islice(text.filled(), 1))
        ambiguous(
            text.place(index),
            f"each value stands for {style.group} bytes, and their order is not known",
            ("write `token: binary` if each digit is a bit, " if bits else "write ")
            + "`word_order: big` if the digits stand in the order of the bytes, `word_order: little` "
            + "if not",
        )
    little = declared.word_order == "little"
    return Style(
        "", style.digits, style.radix, style.width, run_on=False, bits=8, group=style.group, little=little
    )


class Star(NamedTuple):
    """A line that stands for repetitions of the one before."""

    start: int


class End(NamedTuple):
    """An address alone: where the dump ends."""

    start: int
    address: bytes


class Break(NamedTuple):
    """A line of text between lines of the listing."""

    start: int
    line: bytes


Item = ListingRow | Star | End | Break


def sorted_lines(text: Characters, style: Style) -> list[Item]:
    """Every line as what it is.

    Raises:
        FormatError: No line has an address and values; a `*` without its neighbours.
        AmbiguousError: A line that could be text or a damaged line of the listing.
    """
    items: list[Item] = []
    some = False
    title: Break | None = None
    for start, line in text.filled():
        only = ADDRESS_ONLY.fullmatch(line)
        got = row(start, line, style)
        if STAR.fullmatch(line):
            items.append(Star(start))
        elif only and some:
            items.append(End(start, only[1]))
        elif got and not ruler(line):
            items.append(got)
            some = True
        elif not items and title is None and _like_title(line, style):
            title = Break(start, line)
        else:
            _certainly_text(text, start, line, style)
            if WORD.search(line):
                items.append(Break(start, line))
    rows = [one for one in items if isinstance(one, ListingRow)]
    _alike(text, rows)
    _starred(text, items)
    if title is not None:
        _titled(text, title, rows)
        items.insert(0, title)
    return items


def _like_title(line: bytes, style: Style) -> bool:
    """Whether a first line is made of hex-like words none of which is a value of this dump."""
    words = WORD.findall(line)
    spelt = bool(words) and all(HEX.fullmatch(word) and style.values(word) is None for word in words)
    return spelt and b":" not in line and b"|" not in line


def _titled(text: Characters, title: Break, rows: list[ListingRow]) -> None:
    """Accept a title that no line before the first can have been, or refuse it.

    Raises:
        AmbiguousError: Its first word may be the address of a line that is damaged, or too few lines follow.
    """
    word = WORD.findall(title.line)[0]
    first = rows[0].address
    may_be_address = len(word) == len(first) and int(word, 16) < int(first, 16)
    if len(rows) < _LINES_BELOW_A_TITLE or may_be_address or len(set(map(_values_in, rows[:-1]))) > 1:
        _either(text, title.start, title.line)
    text.ledger.add("a title of hex-like words skipped", text.place(title.start))


def _values_in(one: ListingRow) -> int:
    return one.reach[-1]


def in_order(text: Characters, items: list[Item]) -> list[Item]:
    """The lines in the order of their addresses, where they stand in another and none contradicts.

    Passes that start again at the first address stay passes; `*` lines mean nothing in another order, and
    then nothing is sorted. Whether the sorted lines leave a gap is seen when they are laid.

    Raises:
        FormatError: An address has two lines that differ.
    """
    rows = [one for one in items if isinstance(one, ListingRow)]
    numbers = [int(one.address, 16) for one in rows]
    back = sum(after < before and after != numbers[0] for before, after in pairwise(numbers))
    paired = not back and _paired(rows, numbers)
    if not (back or paired) or any(isinstance(one, Star | End) for one in items):
        return items
    kept: dict[int, ListingRow] = {}
    for number, one in zip(numbers, rows, strict=True):
        known = kept.setdefault(number, one)
        if known.line[known.body :].split() != one.line[one.body :].split():
            refuse(
                text.place(one.at),
                f"address {one.address.decode()} comes twice with different values",
                "find out which line is right; nothing is guessed",
            )
    if len(kept) < len(rows):
        text.ledger.add(
            "lines given twice with the same values", text.place(rows[1].at), len(rows) - len(kept)
        )
    if back:
        at = next(k for k, (before, after) in enumerate(pairwise(numbers), 1) if after < before)
        text.ledger.add("lines put into the order of their addresses", text.place(rows[at].at), back)
    others = [one for one in items if isinstance(one, Break)]
    return [*others, *(kept[number] for number in sorted(kept))]


def _certainly_text(text: Characters, start: int, line: bytes, style: Style) -> None:
    """Refuse a line that is neither a listing's line nor certainly text."""
    words = WORD.findall(line)
    fits = sum(1 for word in words if style.values(word) is not None)
    starts = bool(words) and bool(HEX.fullmatch(words[0]))
    if not ruler(line) and not cannot_be_data(line, fits, starts_with_data=starts):
        _either(text, start, line)


def _either(text: Characters, start: int, line: bytes) -> None:
    if counts_in_decimal(WORD.findall(line)[1:]):
        ambiguous(text.place(start), *DECIMAL_OR_OCTAL)
    ambiguous(
        text.place(start + len(line) - len(line.lstrip())),
        f"{shown(line)!r} could be a heading or a damaged line",
        "take the line out of the copy if it is text, or correct it if it is data",
    )


def _alike(text: Characters, rows: list[ListingRow]) -> None:
    """Every address is written like the others: set off alike, as wide, or wider only as it grows."""
    if not rows:
        refuse(text.place(0), "no line has an address and values", "check that it is a listing")
    colon = Counter(one.colon for one in rows).most_common(1)[0][0]
    width = Counter(len(one.address) for one in rows).most_common(1)[0][0]
    padded = any(len(one.address) > 1 and one.address.startswith(b"0") for one in rows)
    for one in rows:
        grown = len(one.address) > width and not one.address.startswith(b"0")
        if one.colon != colon or (padded and len(one.address) != width and not grown):
            _either(text, one.start, one.line)


def _starred(text: Characters, items: list[Item]) -> None:
    """A `*` stands between a line of values and an address; anything else hides what is repeated."""
    for position, item in enumerate(items):
        if not isinstance(item, Star):
            continue
        if position == 0 or not isinstance(items[position - 1], ListingRow):
            refuse(text.place(item.start), "a * with no line of values before it", "compare with the source")
        if position + 1 == len(items) or not isinstance(items[position + 1], ListingRow | End):
            refuse(text.place(item.start), "a * with no address after it", "add the listing's last address")


class Layout(NamedTuple):
    """What the whole listing has in common.

    Attributes:
        radix: Of the address column.
        step: Addresses a full line moves on by; 0 where that does not show.
        scale: Addresses a unit takes: 1, or the bytes of a word where addresses count bytes.
        column: Position where the text column begins in full lines, or None where there is none.
    """

    radix: int
    step: int
    scale: int
    column: int | None

    def number(self, digits: bytes) -> int | None:
        """An address, or None where it has digits of another radix."""
        return int(digits, self.radix) if _DIGITS[self.radix].fullmatch(digits) else None

    def shown(self, address: int) -> str:
        """An address in the listing's own radix."""
        return f"0x{address:X}" if self.radix == 16 else f"0o{address:o}" if self.radix == 8 else str(address)


class _Span(NamedTuple):
    """A line of values, and the address that follows it.

    Attributes:
        one: The line.
        next: Digits of the following address.
        kind: What stands there: another line, the end, or a `*` in between.
    """

    one: ListingRow
    next: bytes
    kind: type[ListingRow | End | Star]


def _spans(items: list[Item]) -> list[_Span]:
    """Every line of values that an address follows, directly or behind a `*`."""
    found = []
    for position, item in enumerate(items):
        after = items[position + 1] if position + 1 < len(items) else None
        if not isinstance(item, ListingRow):
            continue
        if isinstance(after, ListingRow | End):
            found.append(_Span(item, after.address, type(after)))
        elif isinstance(after, Star):
            behind = items[position + 2]
            assert isinstance(behind, ListingRow | End)
            found.append(_Span(item, behind.address, Star))
    return found


def find_layout(text: Characters, items: list[Item], declared: Declared, style: Style) -> Layout:
    """Radix and step from the addresses of neighbouring lines.

    Raises:
        FormatError: No radix fits the digits.
        AmbiguousError: Several do, and give different addresses.
    """
    spans = _spans(items)
    addressed = [one for one in items if isinstance(one, ListingRow | End)]
    found = []
    said = declared.address or ("hex" if _canonical(items) else None)
    for name, radix in RADIX.items():
        if said in (None, name) and all(_DIGITS[radix].fullmatch(one.address) for one in addressed):
            numbers = [int(one.address, radix) for one in addressed]
            found.append((*_best_step(spans, radix, style), radix, numbers))
    first = next(one for one in items if isinstance(one, ListingRow))
    if not found:
        refuse(
            text.place(first.at),
            "addresses with digits of another radix",
            "write `address: hex`, `address: octal` or `address: decimal`",
        )
    best = max(one[0] for one in found)
    chosen = [one for one in found if one[0] == best]
    if len(chosen) > 1 and declared.words is not None and declared.bits <= 8:
        whole = [one for one in chosen if _reaches(one, items, declared.words)]
        chosen = found = whole or chosen
    if any(_units(one) != _units(chosen[0]) for one in chosen):
        ambiguous(
            text.place(first.at),
            "the addresses can be hexadecimal, octal or decimal",
            "write `address: hex`, `address: octal` or `address: decimal`",
        )
    _, step, scale, radix, _ = chosen[0]
    for other in (one[3] for one in found if _units(one) != _units(chosen[0])):
        if _lossy(spans, other, step) and declared.address is None:
            ambiguous(
                text.place(first.at),
                f"the addresses can be base {radix} with every line there, or base {other} with lines lost",
                "write `address: hex`, `address: octal` or `address: decimal`",
            )
    return Layout(radix, step, scale, _column(spans, radix, step, scale))


def _paired(rows: list[ListingRow], numbers: list[int]) -> bool:
    """Whether the lines of two passes stand side by side, every address twice and alike."""
    if len(rows) < 4 or len(rows) % 2:
        return False
    pairs = zip(rows[::2], rows[1::2], strict=True)
    alike = numbers[::2] == numbers[1::2] and numbers[0] != numbers[-1]
    return alike and all(one.line.split() == other.line.split() for one, other in pairs)


def _canonical(items: list[Item]) -> bool:
    """Whether every line has eight digits of address and text between two bars, as canonical hex dumps do.

    Those count in hexadecimal whatever digits they happen to show. Source: the manual page hexdump(1), option
    -C, whose output is kept with the tests.
    """
    rows = [one for one in items if isinstance(one, ListingRow)]
    return all(
        len(one.address) == 8 and not one.colon and one.rest(len(one.words)).strip()[-1:] == b"|"
        for one in rows
    )


def _reaches(found: tuple[tuple[int, int], int, int, int, list[int]], items: list[Item], words: int) -> bool:
    """Whether the lines reach from the first address just as far as the chip does."""
    _, step, scale, _, numbers = found
    end = numbers[-1] if isinstance(items[-1], End) else numbers[-1] + step
    return (end - numbers[0]) // scale == words


def _units(found: tuple[tuple[int, int], int, int, int, list[int]]) -> list[int]:
    """Addresses of the lines in units of the chip."""
    return [number // found[2] for number in found[4]]


def _lossy(spans: list[_Span], radix: int, step: int) -> bool:
    """Whether so short a listing could be one of another radix that lost whole lines."""
    rows = [span for span in spans if span.kind is ListingRow]
    if not step or len(rows) >= _PROVING_LINES:
        return False
    moves = [int(span.next, radix) - int(span.one.address, radix) for span in rows]
    return bool(moves) and all(move > 0 and move % step == 0 for move in moves)


def _best_step(spans: list[_Span], radix: int, style: Style) -> tuple[tuple[int, int], int, int]:
    """((lines filled exactly, lines that fit), step, scale) for the step that most lines keep."""
    moves = [(one, int(one.next, radix) - int(one.one.address, radix)) for one in spans]
    steps = Counter(move for one, move in moves if one.kind is ListingRow and move > 0)
    best = ((0, 0), 0, 1)
    for scale in sorted({1, (style.bits + 7) // 8}):
        tried = [step for step, _ in steps.most_common(_STEPS_TRIED)]
        starred = [one.one.reach for one in spans if one.kind is Star][:1]
        tried += [units * scale for reach in starred for units in {reach[-1], 4, 8, 16, 32} & set(reach)]
        ends = [one.one.reach[-1] * scale - move for one, move in moves if one.kind is End]
        ended = sum(0 <= over < style.group for over in ends)
        if (ended, ended) > best[0]:
            best = ((ended, ended), 0, scale)
        for step in dict.fromkeys(tried):
            held = [_held(one.one, step // scale) for one, move in moves if _keeps(one, move, step)]
            score = (sum(whole for whole, _ in held) + ended, sum(fits for _, fits in held) + ended)
            if step % scale == 0 and score > best[0]:
                best = (score, step, scale)
    return best


def _held(one: ListingRow, units: int) -> tuple[bool, bool]:
    """Whether a line holds so many units and behind them no more than a text column of theirs.

    Whether it can.
    """
    if units not in one.reach:
        return False, False
    rest = one.rest(one.reach.index(units) + 1)
    return not rest.strip() or barred(rest) or len(rest.strip()) <= units, True


def _keeps(span: _Span, move: int, step: int) -> bool:
    """Whether a line moves on by the step, or by repetitions of it."""
    return move == step if span.kind is ListingRow else span.kind is Star and move > 0 and move % step == 0


def _column(spans: list[_Span], radix: int, step: int, scale: int) -> int | None:
    """Where the text column begins in the full lines, where there is one."""
    starts: Counter[int | None] = Counter()
    for span in spans:
        move = int(span.next, radix) - int(span.one.address, radix)
        if step and _keeps(span, move, step) and step // scale in span.one.reach:
            starts[span.one.text_at(span.one.reach.index(step // scale) + 1)] += 1
    return starts.most_common(1)[0][0] if starts else None

r"""How one dump writes its values: plain pairs, run-on pairs, marked (0x, $, \x, h), or declared otherwise.

The style is found once, over the whole file, by what most of its digits look like; each line must then keep
to it. A line that does not is either certainly text or refused; a value that does not is refused with its
place.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from itertools import islice
from typing import NamedTuple, NoReturn

from pipeline.formats.neutral import Declared, ambiguous, refuse
from pipeline.formats.text.characters import (
    LONGEST_REMEMBERED,
    MOST_REMEMBERED,
    Characters,
    remembered,
)
from pipeline.formats.text.digit_widths import Widths
from pipeline.formats.text.dressing import before_comment
from pipeline.formats.text.prose import (
    DECIMAL_OR_OCTAL,
    WORD,
    cannot_be_data,
    counts_in_decimal,
    prose_words,
    shown,
)

HEX = re.compile(rb"[0-9A-Fa-f]+")
LINES_SAMPLED = 200_000
"""Lines that show how a dump writes its values; every line is then held to it."""
LINES_COUNTED = 200
BYTE = re.compile(rb"[0-9A-Fa-f]{1,2}")
LONGEST_LINE = 1 << 20
"""Characters of a line that are still read one by one."""
_LEADS = b" \t\x0c\"'([{,"
_CLOSERS = b" \t\x0c\"'()[]{}"
_SEPARATORS = b" \t\x0c\"'()[]{},;:-|/_=.&"
MARKS = {
    "0x": re.compile(rb"(?<![0-9A-Za-z_])0[xX]([0-9A-Fa-f]+)(?![0-9A-Za-z_])"),
    "$": re.compile(rb"\$([0-9A-Fa-f]+)(?![0-9A-Za-z_])"),
    "\\x": re.compile(rb"\\x([0-9A-Fa-f]{2})(?![0-9A-Fa-f])"),
    "h": re.compile(
        rb"(?<![0-9A-Za-z_])(?:0(?=(?:[0-9A-Fa-f]{2}|[0-9A-Fa-f]{4})[hH]))?"
        rb"([0-9A-Fa-f]{4}|[0-9A-Fa-f]{1,2})[hH](?![0-9A-Za-z_])"
    ),
}
_MARK_LETTERS = {"0x": (b"0x", b"0X"), "$": (b"$",), "\\x": (b"\\x",), "h": (b"h", b"H")}
_DIRECTIVE = rb"(?:\.?(?:db|byte)|defb|defm|fcb|dc\.b|\.?dw|\.?word|defw|fdb|dc\.w)"
_HEAD = re.compile(
    rb"[\s\"'(){}\[\],]*"
    rb"|\s*(?:[A-Za-z_.@?][\w.@?$]*:?\s+)?" + _DIRECTIVE + rb"\s+[\"'(]?"
    rb"|.*[={]\s*[\"'({]*\s*",
    re.IGNORECASE,
)
_ASSEMBLER = re.compile(rb"\s*(?:[A-Za-z_.@?][\w.@?$]*:?\s+)?" + _DIRECTIVE + rb"\s", re.IGNORECASE)
_CLOTHING = re.compile(rb"[\s\"'(){}\[\],;\\|:]*")
_NEEDLESS = re.compile(rb"(?<![0-9A-Za-z_])0[0-9][0-9A-Fa-f][hH](?![0-9A-Za-z_])")
_BROKEN = {
    "0x": re.compile(rb"(?<![0-9A-Za-z_])[xX][0-9A-Fa-f]{1,4}(?![0-9A-Za-z_])"),
    "\\x": re.compile(rb"(?<![0-9A-Za-z_])[xX]?[0-9A-Fa-f]{2}(?![0-9A-Za-z_])"),
}
_COMMENT = re.compile(rb"/\*.*?\*/", re.DOTALL)


class Style(NamedTuple):
    """What a value looks like in this dump.

    Attributes:
        mark: "" for plain digits, else a key of `MARKS`.
        digits: Characters that a value may consist of.
        radix: 16, 10, 8 or 2.
        width: Digits of a value where it is fixed; 0 where it is not.
        run_on: Several values may stand together, each `width` digits.
        bits: Highest number of bits of a value.
        group: Bytes of a token that stands for several bytes with a byte order, else 1.
        little: The token's last digits are the first byte.
    """

    mark: str
    digits: re.Pattern[bytes]
    radix: int
    width: int
    run_on: bool
    bits: int
    group: int = 1
    little: bool = False

    @property
    def free(self) -> bool:
        """Whether nothing but the file itself says how many digits a value has."""
        return self.width == 0 and self.group == 1 and not self.run_on

    @property
    def unit_bits(self) -> int:
        """8, or the width of whole words."""
        return max(self.bits, 8)

    def values(self, word: bytes) -> list[int] | None:
        """The values of one word, or None where it is none of this style."""
        if not self.digits.fullmatch(word):
            return None
        if self.group > 1:
            return self._grouped(word)
        if self.run_on:
            if len(word) % self.width:
                return None
            if self.width == 2 and self.radix == 16:
                return list(bytes.fromhex(word.decode("ascii")))
            return [int(word[k : k + self.width], self.radix) for k in range(0, len(word), self.width)]
        if len(word) > 24 or (self.width and len(word) != self.width):
            return None
        value = int(word, self.radix)
        return [value] if value >> self.bits == 0 else None

    def _grouped(self, word: bytes) -> list[int] | None:
        """The bytes of a word that stands for several."""
        if len(word) > 24 or (self.radix == 16 and len(word) != 2 * self.group):
            return None
        value = int(word, self.radix)
        if value >> (8 * self.group):
            return None
        return list(value.to_bytes(self.group, "little" if self.little else "big"))

    def part(self, word: bytes) -> list[int] | None:
        """The bytes of a last word that is shorter than a group, as some dump programs print an odd end."""
        if self.group == 1 or self.radix != 16 or len(word) % 2 or len(word) >= 2 * self.group:
            return None
        if not HEX.fullmatch(word):
            return None
        raw = bytes.fromhex(word.decode("ascii"))
        return list(raw[::-1] if self.little else raw)


def declared_style(declared: Declared) -> Style | None:
    """The style that the declaration alone settles, or None."""
    bits = max(declared.bits, 8)
    match declared.token:
        case "nibble":
            return Style("", HEX, 16, 1, run_on=True, bits=8)
        case "octal":
            return Style("", re.compile(rb"[0-7]+"), 8, 0, run_on=False, bits=bits)
        case "decimal":
            return Style("", re.compile(rb"[0-9]+"), 10, 0, run_on=False, bits=bits)
        case "binary":
            return Style("", re.compile(rb"[01]+"), 2, declared.bits, run_on=False, bits=bits)
    return None


def _kept(line: bytes) -> list[bytes] | None:
    """The words of a line of hexadecimal words and separators alone before a comment, else None."""
    words = WORD.findall(line)
    if words and not all(HEX.fullmatch(word) for word in words):
        words = WORD.findall(before_comment(line, HEX.fullmatch) or b"")
    if words and all(HEX.fullmatch(word) for word in words):
        return words
    return None


def find_style(text: Characters, declared: Declared) -> Style:
    """The style of the dump, from what most of its digits look like.

    Raises:
        FormatError: There is no value in the file at all.
        AmbiguousError: Groups of 4 or 8 digits without a declared order; only odd runs of digits; run-on
        digits
            of a narrow chip.
    """
    settled = declared_style(declared)
    if settled is not None:
        return settled
    widths: Counter[int] = Counter()
    first: dict[int, int] = {}
    kept = remembered(_kept)
    for start, line, times in text.counted(LINES_SAMPLED):
        if len(line) > LONGEST_LINE and WORD.fullmatch(line.strip()) is None:
            refuse(
                text.place(start),
                f"a line of {len(line)} characters",
                "break it into lines as the reader printed it",
            )
        for word in kept(line) or ():
            widths[len(word)] += times
            if len(word) not in first:
                first[len(word)] = start + line.index(word)
    marked = {
        mark: len(pattern.findall(text.body))
        if any(letter in text.body for letter in _MARK_LETTERS[mark])
        else 0
        for mark, pattern in MARKS.items()
    }
    best = max(marked, key=lambda mark: marked[mark])
    if marked[best] > sum(widths.values()) - marked["$"]:
        return _marked_style(text, best, declared)
    if not widths:
        refuse(
            text.place(0),
            "no hexadecimal values are in the file",
            "check that it is the dump; write `format: binary` if the chip holds this text",
        )
    if widths[8] and widths[1] + widths[2]:
        _signed(text)
    digits = Counter({width: width * count for width, count in widths.items()})
    if digits[1] + digits[2] >= sum(digits.values()) - digits[1] - digits[2]:
        return Style("", BYTE, 16, 0, run_on=False, bits=8)
    usual = max((width for width in digits if width > 2), key=lambda width: digits[width])
    return _wide_style(text, usual, widths, first, declared)


def _signed(text: Characters) -> None:
    """Refuse bytes that were printed as signed numbers: FFFFFFC3 among pairs."""
    found = re.search(rb"(?<![0-9A-Za-z_])[Ff]{6}[89A-Fa-f][0-9A-Fa-f](?![0-9A-Za-z_])", text.body)
    if found:
        refuse(
            text.place(found.start()),
            f"{found[0].decode()} among values of two digits: the reader printed a signed number",
            "print the low eight bits only, or replace each FFFFFFxx by xx in a copy",
        )


def _marked_style(text: Characters, mark: str, declared: Declared) -> Style:
    """Marked values: bytes, or words where one is wider than two digits."""
    found = [(one.start(1), one[1]) for one in MARKS[mark].finditer(text.body)]
    widest = max(found, key=lambda one: len(one[1].lstrip(b"0")) if mark == "h" else len(one[1]))
    width = len(widest[1])
    usual = Counter(len(word) for _, word in found).most_common(1)[0][0]
    if usual <= 2:
        return Style(mark, BYTE, 16, 0, run_on=False, bits=8)
    if declared.bits > 8 and width <= (declared.bits + 3) // 4:
        return Style(mark, HEX, 16, 0, run_on=False, bits=declared.bits)
    return _grouped(text, widest[0], usual, mark, declared)


def _grouped(text: Characters, index: int, width: int, mark: str, declared: Declared) -> Style:
    """Tokens of 4 or 8 digits that stand for bytes: only with a declared byte order."""
    if width not in (4, 8):
        ambiguous(
            text.place(index),
            f"values of {width} digits",
            "say the chip's part or organisation if these are whole words; else write `token: decimal` "
            "or what they are",
        )
    if declared.word_order is None:
        ambiguous(
            text.place(index),
            f"groups of {width} digits can be {width * 4}-bit words of either order, or pairs",
            "write `word_order: big` if the digits stand in the order of the bytes, `word_order: "
            "little` if not",
        )
    little = declared.word_order == "little"
    return Style(mark, HEX, 16, width, run_on=False, bits=8, group=width // 2, little=little)


def _wide_style(
    text: Characters, usual: int, widths: Counter[int], first: dict[int, int], declared: Declared
) -> Style:
    """Plain digits that mostly stand in longer words: words of the chip, groups, or run-on pairs."""
    if declared.bits > 8 and usual <= (declared.bits + 3) // 4:
        return Style("", HEX, 16, 0, run_on=False, bits=declared.bits)
    if declared.bits <= 4 and declared.token is None:
        ambiguous(
            text.place(first[usual]),
            f"run-on digits of a chip of {declared.bits} bits: each digit a word, or two",
            "write `token: nibble` if each digit is a word, `token: hex` if each pair is",
        )
    if usual in (4, 8) and widths[usual] > 1:
        return _grouped(text, first[usual], usual, "", declared)
    if usual == 3 and all(_counts(line) for _, line in islice(text.filled(), LINES_COUNTED)):
        ambiguous(text.place(first[usual]), *DECIMAL_OR_OCTAL)
    if usual % 2:
        ambiguous(
            text.place(first[usual]),
            f"{usual} hexadecimal digits run together: an odd number has no one division into bytes",
            "print with separators or leading zeros, or write `token: nibble` if each digit is a value",
        )
    if declared.word_order == "little":
        ambiguous(
            text.place(first[usual]),
            f"runs of {usual} digits are not whole words of 16 or 32 bits",
            "write `word_order: big` if the digits stand in the order of the bytes",
        )
    return Style("", HEX, 16, 2, run_on=True, bits=8)


def _counts(line: bytes) -> bool:
    """Whether a line has no number but such as decimal or octal bytes are."""
    return all(word.isdigit() and int(word) <= 377 for word in WORD.findall(line))


def undressed(text: Characters, style: Style) -> Characters:
    """Comments of source code blanked out, where values are marked."""
    if not style.mark or b"/*" not in text.body:
        return text
    comments = list(_COMMENT.finditer(text.body))
    if not comments:
        return text
    text.ledger.add("comments skipped", text.place(comments[0].start()), len(comments))
    blank = _COMMENT.sub(lambda one: re.sub(rb"[^\r\n]", b" ", one[0]), text.body)
    return Characters(blank, text.base, text.scale, text.ledger)


@dataclass(slots=True)
class LineReader:
    """Judges line after line against the style.

    Attributes:
        usual: The separators of most lines.
    """

    text: Characters
    style: Style
    usual: frozenset[int] = frozenset()
    needless: bool | None = None
    widths: Widths = field(init=False)
    _free: bool = field(init=False)
    _good: dict[bytes, tuple[list[int], list[int]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.widths = Widths(self.text)
        self._free = self.style.free

    def line(self, start: int, line: bytes) -> list[int] | None:
        """The values of a data line, or None where the line is certainly text.

        Raises:
            FormatError: A data line with a damaged value.
            AmbiguousError: A line that could be either.
        """
        return self._marked(start, line) if self.style.mark else self._plain(start, line)

    def _marked(self, start: int, line: bytes) -> list[int] | None:
        """A line of marked values, with the clothing of source code around them."""
        cut = line
        if _ASSEMBLER.match(line):
            cut = re.split(rb";|//|#", line, maxsplit=1)[0]
        elif b"//" in line:
            cut = line[: line.index(b"//")]
        found = list(MARKS[self.style.mark].finditer(cut))
        if not found:
            self._no_marks(start, line, cut)
            return None
        head = cut[: found[0].start()]
        if not _HEAD.fullmatch(head):
            if prose_words(head) >= max(2, len(found)) and len(found) <= 2:
                return None
            self._either(start, line)
        values: list[int] = []
        done = found[0].start()
        for one in found:
            if not _CLOTHING.fullmatch(cut, done, one.start()):
                self._stray(start + done, cut[done : one.start()])
            got = self.style.values(one[1])
            if got is None and self.style.mark == "h" and one[1][:1] == b"0":
                got = self.style.values(one[1][1:])
            if got is None:
                self._unfit(start + one.start(), one[0])
            values += got
            done = one.end()
        if not _CLOTHING.fullmatch(cut, done):
            self._stray(start + done, cut[done:])
        if self.style.free:
            self.widths.note(start, line, [self._digits(one) for one in found])
        return values

    def _digits(self, one: re.Match[bytes]) -> bytes:
        """A marked value's digits; the zero that an assembler needs before a letter is part of the mark.

        Where the file also puts that zero before a digit (000h, 025h), it is padding, and counts.
        """
        if self.style.mark != "h":
            return one[1]
        if self.needless is None:
            self.needless = bool(_NEEDLESS.search(self.text.body))
        return one[0][:-1] if self.needless else one[1]

    def _no_marks(self, start: int, line: bytes, cut: bytes) -> None:
        """A line without marked values: text, unless bare values stand in it."""
        bare = [word for word in WORD.findall(cut) if len(word) <= 3 and HEX.fullmatch(word)]
        broken = _BROKEN.get(self.style.mark)
        if broken and broken.search(cut):
            self._either(start, line)
        if bare and not cannot_be_data(cut, len(bare), starts_with_data=cut.split()[:1] == bare[:1]):
            ambiguous(
                self.text.place(start),
                f"values without the mark of the others ({shown(line)!r})",
                "mark them, or take the line out",
            )

    def _plain(self, start: int, line: bytes) -> list[int] | None:
        """A line of bare digits; what one that came before and was good holds is known."""
        known = self._good.get(line)
        if known is not None:
            if self._free:
                self.widths.note_again(known[1])
            return known[0]
        words = WORD.findall(line)
        got = [self.style.values(word) for word in words]
        fits = sum(1 for one in got if one is not None)
        bare = before_comment(line, self.style.values) if words and fits < len(words) else None
        if bare is not None:
            self.text.ledger.add("comments after the values skipped", self.text.place(start + len(bare)))
            return self._plain(start, bare)
        if not words or fits < len(words):
            starts = bool(got) and got[0] is not None
            if cannot_be_data(line, fits, starts_with_data=starts):
                return None
            self._damaged(start, line, words, got, fits)
        self._separated(start, line)
        if self.style.run_on and self.style.width == 2 and len(words) > 1:
            sizes = {len(word) for word in words[:-1]}
            if len(sizes) > 1 or len(words[-1]) > max(sizes):
                self._either(start, line)
        if self.style.free:
            self.widths.note(start, line, words)
        values = [value for one in got if one is not None for value in one]
        if len(line) <= LONGEST_REMEMBERED and len(self._good) < MOST_REMEMBERED:
            self._good[line] = values, [len(word) for word in words]
        return values

    def _separated(self, start: int, line: bytes) -> None:
        """Separators are those of most lines; anything else may be a date, a heading, a damaged line."""
        odd = separators(line) - self.usual
        lead = line.lstrip(b" \t\x0c")[:1]
        if odd or (lead and lead not in _LEADS and not WORD.match(lead)):
            self._either(start, line)

    def _damaged(
        self, start: int, line: bytes, words: list[bytes], got: list[list[int] | None], fits: int
    ) -> NoReturn:
        """Say what is wrong with a line that is mostly data, or that it may be anything."""
        at = next(k for k, one in enumerate(got) if one is None)
        if self.style.free and counts_in_decimal(words):
            ambiguous(self.text.place(start), *DECIMAL_OR_OCTAL)
        found = list(WORD.finditer(line))[at]
        if fits * 2 > len(words) or (fits and not HEX.fullmatch(words[at])):
            self._unfit(start + found.start(), words[at])
        self._either(start, line)

    def _unfit(self, index: int, word: bytes) -> NoReturn:
        """A value that is none."""
        refuse(
            self.text.place(index),
            f"{shown(word)!r} is not a value like the others",
            "compare the line with the source: characters were lost or added",
        )

    def _stray(self, index: int, between: bytes) -> NoReturn:
        """Something unmarked between marked values."""
        offset = len(between) - len(between.lstrip())
        ambiguous(
            self.text.place(index + offset),
            f"{shown(between)!r} stands among marked values",
            "mark it like the others, or take it out",
        )

    def _either(self, start: int, line: bytes) -> NoReturn:
        """A line that could be a heading or data."""
        ambiguous(
            self.text.place(start + len(line) - len(line.lstrip())),
            f"{shown(line)!r} could be a heading or damaged data",
            "take the line out of the copy if it is text, or correct it if it is data",
        )


def separators(line: bytes) -> frozenset[int]:
    """The kinds of separators of a line, brackets, quotes and white space left out."""
    return frozenset(WORD.sub(b"", line.strip()).translate(None, _CLOSERS))


def usual_separators(text: Characters, style: Style) -> frozenset[int]:
    """The separators that most lines of nothing but values use."""

    def told(line: bytes) -> tuple[frozenset[int], int] | None:
        words = WORD.findall(line)
        alone = len(words) > 1 and all(style.values(word) is not None for word in words)
        return (separators(line), len(words)) if alone else None

    kinds: Counter[frozenset[int]] = Counter()
    shown_by = remembered(told)
    for _, line, times in text.counted(LINES_SAMPLED):
        if one := shown_by(line):
            kinds[one[0]] += times * one[1]
    if not kinds:
        return frozenset(b",")
    chosen = kinds.most_common(1)[0][0]
    return frozenset(one for one in chosen if one in _SEPARATORS) | frozenset(b",")

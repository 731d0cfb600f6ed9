"""Hex text: values in the order of their addresses, as a home-built reader or a listing prints them.

There is no check of any kind in such a file, so everything that can be seen is held to one style: the marks,
the digits of a value, the separators, the values a line. What falls out of the style is refused with its
place. Common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AmbiguousError
from pipeline.formats.neutral import Block, Declared, Decoded, ambiguous, refuse
from pipeline.formats.records.whole_file import NIBBLE
from pipeline.formats.text.characters import Characters, plain, remembered
from pipeline.formats.text.dressing import title_line, without_pages
from pipeline.formats.text.open_questions import (
    alike_in_both_orders,
    first_lines,
    may_be_decimal,
    refuse_as_decimal,
)
from pipeline.formats.text.passes import Group, Log, joined, runs_of
from pipeline.formats.text.prose import WORD, noted, without_stamps
from pipeline.formats.text.tokens import HEX, LineReader, Style, find_style, undressed, usual_separators
from pipeline.words import true_edges

NAME = "hex-text"
SAMPLE = 1 << 18
"""Characters that a first look at a file takes in."""
_DIRECTIVE = re.compile(rb"\s*(?:DB|DEFB|FCB)[ \t]+[^\s,]", re.IGNORECASE)
_NOT_HEX = re.compile(rb"[G-Zg-z_]")


def decode(content: bytes, declared: Declared) -> Decoded:
    """The values of hex text, one run a pass.

    Raises:
        FormatError: A damaged value, with line and column; no value at all; more than `declared.limit`.
        AmbiguousError: A line that could be text or data; digits with two divisions into values.
    """
    found = swift(content, declared)
    if found is not None:
        return found
    try:
        return exact(content, declared)
    except AmbiguousError:
        first = first_lines(plain(content).body)
        done = alike_in_both_orders(exact, first, declared) and alike_in_both_orders(exact, content, declared)
        if done is None:
            raise
        return done


def swift(content: bytes, declared: Declared) -> Decoded | None:
    """A file of nothing but separated pairs of one case, or None.

    The lines must be alike: as many values in each, but for the last.
    """
    if declared.token not in (None, "hex") or not content.isascii():
        return None
    units = np.frombuffer(content, dtype=np.uint8)
    if content.translate(None, b"0123456789ABCDEF, \t\r\n") and content.translate(
        None, b"0123456789abcdef, \t\r\n"
    ):
        return None
    if not content.endswith((b"\n", b"\r")) and (b"\n" in content or b"\r" in content):
        return None
    digit = NIBBLE[units] < 16
    starts, ends = true_edges(digit)
    if not len(starts) or (ends - starts != 2).any():
        return None
    values: NDArray[np.uint8] = np.asarray(
        (NIBBLE[units[starts]] << 4) | NIBBLE[units[starts + 1]], dtype=np.uint8
    )
    if not _alike(units, starts, values, declared):
        return None
    if declared.token is None and not ((values & 0xF) > 9).any() and not (values > 0x99).any():
        return None  # perhaps decimal: for the slower way to judge
    if declared.limit is not None and len(values) > declared.limit:
        return None
    return Decoded(NAME, 8, ((Block(0, values),),))


def _alike(
    units: NDArray[np.uint8], starts: NDArray[np.int64], values: NDArray[np.uint8], declared: Declared
) -> bool:
    """Whether every line but the last holds the same number of values, and none looks like an address."""
    ends = np.flatnonzero((units == 10) | (units == 13))
    cuts = np.append(np.searchsorted(starts, ends), len(starts))
    counts = np.diff(cuts, prepend=0)
    counts = counts[counts > 0]
    if len(counts) > 1 and ((counts[:-1] != counts[0]).any() or counts[-1] > counts[0]):
        return False
    firsts = values[np.concatenate([[0], np.cumsum(counts)[:-1]])]
    if (firsts == 0xDB).all() and counts.min() > 1:
        return False
    if declared.format == NAME:
        return True
    return not _like_addresses(firsts.astype(np.int64), counts.astype(np.int64))


def _like_addresses(firsts: NDArray[np.int64], counts: NDArray[np.int64]) -> bool:
    """Whether each line's first value runs on like an address column of two digits."""
    if len(firsts) < 3 or counts.min() < 2:
        return False
    return bool(((firsts[1:] - firsts[:-1]) % 256 == (counts[:-1] - 1) % 256).all())


def exact(content: bytes, declared: Declared) -> Decoded:
    """The same as `swift` for every other file, line by line."""
    text = without_stamps(without_pages(plain(content)))
    style = find_style(text, declared)
    text = undressed(text, style)
    titled = None if style.mark or style.run_on else title_line(text, style.values, declared.words)
    _one_directive(text, style)
    reader = LineReader(text, style, usual_separators(text, style))
    log = Log()
    last = 0
    for start, line in text.filled():
        last = start
        if b"*" in line and line.strip() == b"*":
            refuse(
                text.place(start),
                "a * that stands for lines, with no address to say how many",
                "dump with all lines",
            )
        if start == titled:
            text.ledger.add("a title of hex-like words skipped", text.place(start))
        values = None if start == titled else reader.line(start, line)
        if values is None:
            log.text(start, line)
        elif values:
            log.data(start, values)
    if not log.groups:
        refuse(text.place(0), "no hexadecimal values are in the file", "check that it is the dump")
    _wordlike(text, style, titled)
    if style.radix == 16:
        reader.widths.report()
    groups = runs_of(log, text, declared)
    for group in groups:
        _shape(text, group, declared)
    _torn(text, groups[-1], last)
    kind = _dtype(style)
    runs = tuple((Block(0, joined(group, kind)),) for group in groups)
    if declared.limit is not None and any(len(run[0].words) > declared.limit for run in runs):
        _too_long(text, groups, declared.limit)
    if declared.token is None and style.free and not style.mark and may_be_decimal(reader.widths, runs):
        refuse_as_decimal(text, groups[0].starts[0])
    return Decoded(NAME, style.unit_bits, runs, text.ledger.closed(), noted(text, log.skipped()))


def _dtype(style: Style) -> type[np.unsignedinteger]:
    bits = style.unit_bits
    return np.uint8 if bits <= 8 else np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64


def _one_directive(text: Characters, style: Style) -> None:
    """`DB` before unmarked values is an assembler's word or the value DB; nobody can say which."""
    if style.mark:
        return
    count, first = 0, 0
    for start, line in text.filled():
        if not _DIRECTIVE.match(line):
            return
        first = start if count == 0 else first
        count += 1
    if count > 1 or b"," in text.body:
        ambiguous(
            text.place(first),
            "every line starts with what can be a value or an assembler's directive",
            "take the first word of each line out if it is the directive",
        )


def _wordlike(text: Characters, style: Style, titled: int | None) -> None:
    """A line of digits that can be read as a word: refused where it also falls out of the others' manner.

    That is: run-on digits shorter than the other lines, or letters of another case than everywhere else.
    """
    if style.mark or style.radix != 16:
        return
    sizes: Counter[int] = Counter()
    cases: Counter[str] = Counter()
    case_of = remembered(lambda line: _case(line) if _pure(line) else None)
    for _, line, times in text.counted(len(text.body)):
        case = case_of(line)
        if case is not None:
            sizes[len(line.strip())] += times
            cases[case] += times
    usual = sizes.most_common(1)[0][0] if sizes else 0
    cased = sum(cases.values()) - cases[""]
    rare = {case for case in cases if case and cases[case] <= 2 and cased >= 8 * cases[case]}
    words = style.run_on or style.group > 1 or style.bits > 8
    if not rare and not words:
        return
    for start, line in text.filled():
        case = case_of(line)
        if case is None or start == titled:
            continue
        word = line.strip()
        if case in rare or (words and len(word) < usual and _reads_as_word(word)):
            ambiguous(
                text.place(start),
                f"{word[:40].decode('ascii', 'replace')!r} could be a word or data",
                "take the line out of the copy if it is text, or print it like the others if it is data",
            )


def _pure(line: bytes) -> bool:
    """Whether a line has no letters but hexadecimal ones."""
    return not _NOT_HEX.search(line)


def _case(line: bytes) -> str:
    """Upper, lower or mixed; nothing where a line has no letters."""
    upper, lower = line.lower() != line, line.upper() != line
    return "mixed" if upper and lower else "upper" if upper else "lower" if lower else ""


def _reads_as_word(word: bytes) -> bool:
    """Letters alone, not all the same, four or more, a vowel among them."""
    flat = b"".join(WORD.findall(word)).upper()
    return len(flat) >= 4 and flat.isalpha() and len(set(flat)) > 1 and bool(set(flat) & set(b"AE"))


def _shape(text: Characters, group: Group, declared: Declared) -> None:
    """Report lines of another length than most; refuse two-digit addresses read as values."""
    counts = np.frombuffer(group.counts, dtype=np.int64)
    firsts = np.frombuffer(group.values, dtype=np.uint64)[np.cumsum(counts) - counts].astype(np.int64)
    if declared.format != NAME and _like_addresses(firsts, counts):
        ambiguous(
            text.place(group.starts[0]),
            "the first value of every line runs on like an address",
            "write `format: listing` if it is one, `format: hex-text` if it is data",
        )
    usual = Counter(counts.tolist()).most_common(1)[0][0]
    if usual < 2 or len(counts) < 3:
        usual = int(counts.max())
    odd = np.flatnonzero(counts[:-1] != usual).tolist()
    if counts[-1] > usual:
        odd.append(len(counts) - 1)
    if odd:
        text.ledger.add(
            f"a line does not hold {usual} values like most: values may be lost or torn",
            text.place(group.starts[odd[0]]),
            len(odd),
        )


def _torn(text: Characters, group: Group, last_line: int) -> None:
    """Report a last line that ends without a line end where the others have one."""
    if (
        len(group.counts) > 1
        and group.starts[-1] == last_line
        and not text.body.rstrip(b" \t\x0c").endswith((b"\r", b"\n"))
    ):
        text.ledger.add("the last line has no line end: it may be torn", text.place(group.starts[-1]))


def _too_long(text: Characters, groups: list[Group], limit: int) -> None:
    """Refuse at the first line that reaches beyond the chip."""
    for group in groups:
        done = 0
        for start, count in zip(group.starts, group.counts, strict=True):
            done += count
            if done > limit:
                refuse(
                    text.place(start),
                    f"more than {limit} values",
                    "check the part, or say with `take` which part of the file is the chip's",
                )


def looks(text: Characters) -> float:
    """How far the text looks like values: the share of its words that are hexadecimal or marked, 0 to 1."""
    words = WORD.findall(text.body[:SAMPLE])
    if not words:
        return 0.0
    like = sum(
        1
        for word in words
        if HEX.fullmatch(word) or re.fullmatch(rb"0?x[0-9A-Fa-f]+|[0-9A-Fa-f]+h", word, re.IGNORECASE)
    )
    return like / len(words)

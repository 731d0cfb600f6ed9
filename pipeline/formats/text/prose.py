"""Lines of a log that are not data: banners, prompts, time stamps; and the lines that could be either.

A banner read as data is a wrong byte, and a damaged data line taken for a banner is a lost one. So a line is
skipped only where it cannot be data, and what cannot be decided is refused. Common practice, no source.
"""

from __future__ import annotations

import re

from pipeline.formats.text.characters import Characters

WORD = re.compile(rb"[0-9A-Za-z_]+")
DECIMAL_OR_OCTAL = (
    "some values have three digits, as decimal or octal bytes have",
    "write `token: decimal` or `token: octal`",
)
"""What is wrong with a line of `counts_in_decimal`, and what to do."""
_FEWEST_NUMBERS = 4
_PROSE = re.compile(rb"[A-Za-z]{2,}")
_HEX_ONLY = re.compile(rb"[A-Fa-f0-9]+")
_PROMPT = re.compile(rb"\s*[A-P]?[>#$%?:]\s*")
_DATE = re.compile(
    rb"\s*[\[(]?(?:\d{4}-\d\d-\d\d(?:[ T]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?)?"
    rb"|\d{1,2}:\d\d:\d\d(?:[.,]\d+)?)[\])]?\s*"
)
_STAMP = re.compile(
    rb"[ \t]*(?:"
    rb"\[?(?:\d{4}-\d\d-\d\d[ T])?(?:[01]?\d|2[0-3]):[0-5]\d:[0-5]\d(?:[.,]\d{1,9})?(?:Z|[+-]\d\d:?\d\d)?\]?"
    rb"|\[ *\d{1,9}\.\d{1,9}\]"
    rb")(?:[ \t]*(?:->|>|\||-))?(?:[ \t]+|$)"
)
MOST_NOTED = 20
"""Skipped lines quoted in the notes; further ones are only counted."""


def shown(line: bytes) -> str:
    """A line as it may be printed: short, without control characters."""
    text = line.strip()[:60].decode("ascii", "replace")
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def prose_words(line: bytes) -> int:
    """Words of two or more letters that no hexadecimal number is made of."""
    return sum(1 for word in WORD.findall(line) if _PROSE.fullmatch(word) and not _HEX_ONLY.fullmatch(word))


def cannot_be_data(line: bytes, fits: int, *, starts_with_data: bool) -> bool:
    """Whether a line that is no data line is certainly a banner, prompt or decoration.

    Args:
        line: The line.
        fits: How many of its words look exactly like the dump's values.
        starts_with_data: The first word does.
    """
    words = WORD.findall(line)
    if not words or _PROMPT.fullmatch(line) or _DATE.fullmatch(line):
        return True
    if prose_words(line):
        return not starts_with_data and fits < 4
    lead = _PROSE.match(words[0])
    return fits == 0 and lead is not None and not _HEX_ONLY.fullmatch(lead[0])


def signature(line: bytes) -> bytes:
    """A banner without its numbers, so that `pass 1` and `pass 2` are one marker."""
    return re.sub(rb"[0-9]+", b"#", line.strip().lower())


def without_stamps(text: Characters) -> Characters:
    """Blank out time stamps where every line (but a torn first or last one) starts with one.

    Two lines are the least that can show it; a bracketed stamp shows it alone. Times of day that run on in
    the right direction are not asked for: clocks pass midnight and are set.
    """
    spans: list[tuple[int, int]] = []
    bracketed, missed, late = True, 0, False
    for number, (start, line) in enumerate(text.filled()):
        hit = _STAMP.match(line)
        if late or (hit is None and number > 1 and not spans):
            return text
        if hit is None:
            missed += 1
            late = number > 0
            continue
        spans.append((start, hit.end()))
        bracketed = bracketed and line.lstrip()[:1] == b"["
    if len(spans) < (1 if bracketed and not missed else 2):
        return text
    body = bytearray(text.body)
    for start, size in spans:
        body[start : start + size] = b" " * size
    text.ledger.add("time stamps before lines skipped", text.place(spans[0][0]), len(spans))
    return Characters(bytes(body), text.base, text.scale, text.ledger)


def noted(text: Characters, skipped: list[tuple[int, bytes]]) -> tuple[str, ...]:
    """Notes that quote the lines that were skipped."""
    quoted = [
        f"skipped text, line {text.place(start).line}: {shown(line)}" for start, line in skipped[:MOST_NOTED]
    ]
    if len(skipped) > MOST_NOTED:
        quoted.append(f"skipped text: {len(skipped) - MOST_NOTED} more lines")
    return tuple(quoted)


def counts_in_decimal(words: list[bytes]) -> bool:
    """Whether these are decimal or octal bytes of one to three digits, and some of three."""
    plain = len(words) >= _FEWEST_NUMBERS and all(word.isdigit() and len(word) <= 3 for word in words)
    return plain and any(len(word) == 3 for word in words) and all(int(word) <= 377 for word in words)

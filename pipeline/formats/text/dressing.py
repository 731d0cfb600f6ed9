"""What people and programs put around the lines of a dump.

Page breaks, segmented addresses, comments, a title.

Each is taken off only where it cannot be data, and told; what could be either is left for the decoder to
refuse. A comment that begins with a value may hold words of the dump that somebody struck out, so it is left
there. Common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import islice

from pipeline.formats.text.characters import Characters
from pipeline.formats.text.prose import WORD, prose_words

_SEGMENTED = re.compile(
    rb"(?m)^([ \t]*)([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?=[:\- \t]+[0-9A-Fa-f]{2}(?![0-9A-Za-z]))"
)
_HYPHEN = re.compile(rb"(?m)^([ \t]*\$?[0-9A-Fa-f]{3,8})-(?=[0-9A-Fa-f]{2}(?:[ \t,]|\r?$))")
_COMMENT = re.compile(rb";|#|//")
_HEX_WORD = re.compile(rb"[0-9A-Fa-f]+")
LINES_ALIKE = 2
"""So many lines of one shape below it let a first line of another be a title."""
FEWEST_VALUES = 4
"""Values of a line that make a shape at all."""
LINES_LOOKED_AT = 64


def without_pages(text: Characters) -> Characters:
    """Form feeds, with which printers and listings part their pages, as blanks."""
    at = text.body.find(b"\x0c")
    if at < 0:
        return text
    text.ledger.add("form feeds between pages skipped", text.place(at), text.body.count(b"\x0c"))
    return Characters(text.body.replace(b"\x0c", b" "), text.base, text.scale, text.ledger)


def with_plain_addresses(text: Characters) -> Characters:
    """Addresses as `0000:0010` and `C000-C3` in the form that all others have, each as long as it was.

    A segment counts sixteen bytes. Source: Intel, 8086 Family User's Manual (1979), "segment base"; from
    memory.
    """
    lines = text.body.count(b"\n") + text.body.count(b"\r") + 1
    found = _SEGMENTED.findall(text.body) if b":" in text.body else []
    if found and 2 * len(found) >= min(lines, _filled(text)):
        first = _SEGMENTED.search(text.body)
        assert first is not None
        text.ledger.add("segmented addresses read as one number", text.place(first.start(2)), len(found))
        return Characters(_SEGMENTED.sub(_linear, text.body), text.base, text.scale, text.ledger)
    if b"-" in text.body and 2 * len(_HYPHEN.findall(text.body)) >= _filled(text):
        return Characters(_HYPHEN.sub(rb"\1:", text.body), text.base, text.scale, text.ledger)
    return text


def _filled(text: Characters) -> int:
    return sum(1 for _ in text.filled())


def _linear(found: re.Match[bytes]) -> bytes:
    """Sixteen times the segment and the offset, in as many characters."""
    return found[1] + b"%09X" % (int(found[2], 16) * 16 + int(found[3], 16))


def commented(rest: bytes) -> bool:
    """Whether a comment in words stands behind the values of a line: `; start`, `# start`, `// start`."""
    if not re.match(rb"[ \t]*(?:;|#|//)", rest):
        return False
    first = WORD.search(rest)
    return first is not None and not _HEX_WORD.fullmatch(first[0]) and prose_words(rest) > 0


def before_comment(line: bytes, value: Callable[[bytes], object]) -> bytes | None:
    """What stands before a comment: values alone; None where there is no comment that cannot be data.

    Args:
        line: A line in which some word is no value.
        value: Gives the value of a word, or None.
    """
    for mark in _COMMENT.finditer(line):
        before, behind = WORD.findall(line[: mark.start()]), WORD.findall(line[mark.end() :])
        if not before or any(value(word) is None for word in before):
            return None
        if behind and value(behind[0]) is None and prose_words(line[mark.end() :]):
            return line[: mark.start()]
    return None


def title_line(
    text: Characters, values: Callable[[bytes], list[int] | None], words: int | None
) -> int | None:
    """Where the first line is a title of hex-like words, since the lines below it have another shape.

    Else None.

    A line of `DEAD BEEF` above lines of sixteen pairs is no line of pairs that lost its blanks: that one
    would have thirty-two digits. Where the chip's words are known and those below are not all of them,
    nothing is a title.

    Args:
        text: The dump.
        values: Gives the values of one word of the dump, or None.
        words: Of the chip, where known.
    """
    lines = list(islice(text.filled(), LINES_LOOKED_AT))
    if len(lines) <= LINES_ALIKE:
        return None
    start, first = lines[0]
    own = WORD.findall(first)
    if not own or any(values(word) is not None or not _HEX_WORD.fullmatch(word) for word in own):
        return None
    counts = [_count(line, values) for _, line in lines[1:]]
    usual = counts[0]
    if usual < FEWEST_VALUES or any(count != usual for count in counts[:-1]) or not 0 < counts[-1] <= usual:
        return None
    if sum(map(len, own)) >= 2 * usual - 2:
        return None
    if words is not None and sum(_count(line, values) for _, line in text.filled()) != words:
        return None
    return start


def _count(line: bytes, values: Callable[[bytes], list[int] | None]) -> int:
    """Values of a line of nothing else, or 0."""
    got = [values(word) for word in WORD.findall(line)]
    return 0 if any(one is None for one in got) else sum(len(one or ()) for one in got)

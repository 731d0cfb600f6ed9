"""Text laid into the width of a terminal: a line too long goes on below, where its words begin.

What prints knows no width. It gives each paragraph, row and message as one line; here, in one place, a line
that is too long is broken at its spaces. Where it goes on follows from the line: behind its mark (`- ` or
`1. `), below the column of its words, or two spaces in. A word is never broken: digests and paths stay whole.
"""

from __future__ import annotations

import re

_MARK = re.compile(r" *(?:\[ \] [! ] |[-!•] |\d+\. )")
"""A bullet, a warning, a number, or a box to tick with or without a warning."""
_GAP = re.compile(r"(?<=\S) {2,}(?=\S)")
"""Between two columns of a row."""
_LABEL = re.compile(r" *\S+: ")
"""`caution: `, `sheet.yaml:12: `: what follows belongs to it."""
_FAR = 0.62
"""A column that begins farther right than this share of the width is set below; by what looked well."""


def reflow(text: str, width: int) -> str:
    """The text in lines of at most so many characters, but for words that are longer.

    Args:
        text: Lines, each a paragraph, a row or a message.
        width: Characters in a line; with 0 every line stays whole.

    Example:
        >>> print(reflow("- one two three" + chr(10) + "U1  faulty  fault blank", 16))
        - one two three
        U1  faulty
            fault blank
    """
    if width < 1:
        return text
    lines = ([line] if len(line) <= width else _broken(line, width) for line in text.split("\n"))
    return "\n".join(line for some in lines for line in some)


def _broken(line: str, width: int) -> list[str]:
    """One long line as several."""
    hang = " " * _hang(line, width)
    far = {found.end() for found in _GAP.finditer(line) if found.end() > width * _FAR}
    out, now, at = [], "", 0
    for found in re.finditer(r" *[^ ]+| +$", line):
        piece = found[0]
        word = piece.lstrip(" ")
        if at and (found.end() - len(word) in far or len(now) + len(piece) > width):
            out.append(now)
            now, piece = hang, word
        now, at = now + piece, at + 1
    return [*out, now.rstrip(" ")]


def _hang(line: str, width: int) -> int:
    """The column in which a line goes on."""
    columns = [found.end() for found in _GAP.finditer(line) if found.end() <= width * _FAR]
    if columns:
        return columns[-1]
    mark = _MARK.match(line)
    if mark is not None:
        return mark.end()
    indent = len(line) - len(line.lstrip(" "))
    return indent + 2 if _LABEL.match(line) else indent

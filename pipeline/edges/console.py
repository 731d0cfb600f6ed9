"""The terminal: results to standard output, notices to standard error, nothing that can act on it.

Text from a sheet or a dump may carry terminal escapes, right-to-left marks or characters that the terminal's
encoding lacks; all of it is made inert here, in one place.
"""

from __future__ import annotations

import re
import sys
import time
import unicodedata
from collections.abc import Mapping
from typing import TextIO

from pipeline.one_line import one_line


def inert(text: str) -> str:
    r"""Text in which no character acts on a terminal: controls, escapes and direction marks become visible.

    Example:
        >>> inert("a\x1b[31mb\u202e")
        'a\\x1b[31mb\\u202e'
    """
    return _TO_LOOK_AT.sub(_shown, text)


_TO_LOOK_AT = re.compile("[^\n\t -~]")


def _shown(found: re.Match[str]) -> str:
    char = found[0]
    return char if _harmless(char) else char.encode("unicode_escape").decode("ascii")


def _harmless(char: str) -> bool:
    return char in "\n\t" or unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def _write(stream: TextIO, text: str) -> None:
    encoding = stream.encoding or "utf-8"
    stream.write(text.encode(encoding, "backslashreplace").decode(encoding))


def say(text: str = "") -> None:
    """One result line, or several, to standard output."""
    _write(sys.stdout, inert(text) + "\n")


def notice(text: str) -> None:
    """One notice to standard error."""
    _write(sys.stderr, inert(text) + "\n")
    sys.stderr.flush()


def caution_once(text: str) -> None:
    """One notice to standard error, the first time in a run that there is cause for it."""
    if text not in _CAUTIONED:
        _CAUTIONED.add(text)
        notice(text)


_CAUTIONED: set[str] = set()


def say_json(document: Mapping[str, object]) -> None:
    """One JSON document to standard output, ASCII only, so that every encoding carries it."""
    import json

    # Of the characters that act on a terminal, JSON lets one through unescaped: DEL.
    text = json.dumps(document, ensure_ascii=True, indent=2).replace("\x7f", "\\u007f")
    sys.stdout.write(text + "\n")


def can_draw(stream: TextIO | None = None) -> bool:
    """Whether block characters can be written there."""
    encoding = (stream or sys.stdout).encoding or "ascii"
    try:
        "█▒░".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


class Progress:
    """A line on standard error that grows while long work runs; silent when piped or asked to be quiet."""

    def __init__(self, *, quiet: bool) -> None:
        self.live = not quiet and sys.stderr.isatty()
        self.last = 0.0
        self.width = 0

    def show(self, what: str, done: int, of: int) -> None:
        """Draw the line at most ten times a second."""
        if not self.live:
            return
        at = time.monotonic()
        if at - self.last < 0.1 and done < of:
            return
        self.last = at
        text = inert(one_line(f"{what} {done} of {of}"))
        _write(sys.stderr, "\r" + text.ljust(self.width))
        sys.stderr.flush()
        self.width = len(text)

    def done(self) -> None:
        """Wipe the line."""
        if self.live and self.width:
            _write(sys.stderr, "\r" + " " * self.width + "\r")
            sys.stderr.flush()
            self.width = 0

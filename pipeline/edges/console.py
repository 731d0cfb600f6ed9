"""The terminal: results to standard output, notices to standard error, nothing that can act on it.

Text from a sheet or a dump may carry terminal escapes, right-to-left marks or characters that the terminal's
encoding lacks; all of it is made inert here, in one place. Here too it is laid into the terminal's width and
gets its colours.
"""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from typing import TextIO

from pipeline.edges.colour import coloured, wants_colour
from pipeline.reflow import reflow


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


_PLAINER = str.maketrans(
    {"…": "...", "→": "->", "–": "-", "—": "-", "×": "x", "≥": ">=", "≤": "<=", "·": ".", "µ": "u"}
)
"""Our own signs as a terminal without them shows them."""


def _in_its_signs(stream: TextIO, text: str) -> str:
    """Text in the signs that the stream's encoding has: before it is laid out, since some become longer."""
    encoding = stream.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return text.translate(_PLAINER).encode(encoding, "backslashreplace").decode(encoding)
    return text


def columns(stream: TextIO) -> int:
    """Into how many columns text for this stream is laid; 0 where lines stay whole.

    `COLUMNS`, which POSIX gives every program (IEEE 1003.1, chapter 8.3), stands above the terminal's own
    width; neither known, as in a pipe, it is 80.
    """
    said = os.environ.get("COLUMNS", "")
    if said.isascii() and said.isdigit():
        return int(said)
    try:
        return os.get_terminal_size(stream.fileno()).columns or FALLBACK
    except (OSError, ValueError):
        return FALLBACK


FALLBACK = 80
"""Columns where nothing says how many: what terminals have had since punched cards; common practice."""


ON_THE_LINE: list[Callable[[], None]] = []
"""How to take away what progress has drawn on the terminal's last line: one at most."""


def wipe_progress() -> None:
    """Take away what progress has drawn, so that nothing is left behind."""
    while ON_THE_LINE:
        ON_THE_LINE.pop()()


def _laid_out(stream: TextIO, text: str, *, whole: bool) -> str:
    """Text made inert, laid into the stream's columns, and coloured where a person looks on."""
    text = _in_its_signs(stream, inert(text))
    if not whole:
        text = reflow(text, columns(stream))
    return coloured(text) if wants_colour(stream) else text


def say(text: str = "", *, whole: bool = False, now: bool = False) -> None:
    """One result line, or several, to standard output.

    Args:
        text: Lines, each a paragraph, a row or a message.
        whole: Lines stay as they are, such as a path alone.
        now: A pipe does not wait for more.
    """
    wipe_progress()
    sys.stdout.write(_laid_out(sys.stdout, text, whole=whole) + "\n")
    if now:
        sys.stdout.flush()


def notice(text: str, *, whole: bool = False) -> None:
    """One notice to standard error."""
    wipe_progress()
    sys.stderr.write(_laid_out(sys.stderr, text, whole=whole) + "\n")
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


def say_json_line(document: Mapping[str, object]) -> None:
    """One JSON document in one line to standard output, at once."""
    import json

    sys.stdout.write(json.dumps(document, ensure_ascii=True).replace("\x7f", "\\u007f") + "\n")
    sys.stdout.flush()


def can_draw(stream: TextIO | None = None) -> bool:
    """Whether block characters can be written there."""
    encoding = (stream or sys.stdout).encoding or "ascii"
    try:
        "█▒░".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


class Screen:
    """A page that stays in its place on a terminal; none where standard output is no terminal that can."""

    def __init__(self) -> None:
        self.live = sys.stdout.isatty() and os.environ.get("TERM", "dumb") != "dumb"

    def size(self) -> tuple[int, int]:
        """Columns and lines of the terminal."""
        from shutil import get_terminal_size

        columns, lines = get_terminal_size()
        return columns, lines

    def draw(self, lines: Sequence[str], *, bell: bool = False) -> None:
        """Put the page over the one before."""
        columns, rows = self.size()
        # home, each line with what is left of it wiped, the rest of the screen wiped (ECMA-48: CUP, EL, ED)
        page = "\x1b[K\r\n".join(inert(line)[:columns] for line in lines[:rows])
        encoding = sys.stdout.encoding or "utf-8"
        text = page.encode(encoding, "backslashreplace").decode(encoding)
        sys.stdout.write(f"\x1b[H{text}\x1b[K\x1b[J" + "\a" * bell)
        sys.stdout.flush()

    def done(self) -> None:
        """Leave the page as it is and go on below."""
        if self.live:
            sys.stdout.write("\n")
            sys.stdout.flush()


def ring() -> None:
    """The terminal's bell, on standard error: a log on standard output stays clean."""
    if sys.stderr.isatty():
        sys.stderr.write("\a")
        sys.stderr.flush()

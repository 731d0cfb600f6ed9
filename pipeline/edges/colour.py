"""Colour by severity, for a terminal that wants it: never alone, the word that it colours says the same.

Only words that this program puts at the head of a line or a cell are coloured; nothing else changes.
"""

from __future__ import annotations

import os
import re
import sys
from typing import TextIO

_WORD = re.compile(
    r"(?m)(?P<before>^ *|  |, |look at |^grade )"
    r"(?P<word>faulty|faults?|problems?|contested|cautions?|missing)(?=[:,;]|  | [a-z-]+|$)"
)
_BOLD_RED, _YELLOW, _PLAIN = "\x1b[1;31m", "\x1b[33m", "\x1b[0m"
"""ECMA-48, 8.3.117, select graphic rendition."""


def wants_colour(stream: TextIO) -> bool:
    """Whether colour goes there: a terminal that knows any, and nobody has set `NO_COLOR`.

    Source:
        no-color.org: "when present and not an empty string (regardless of its value), prevents the addition
        of ANSI color"; `TERM=dumb` is common practice for a terminal without.
    """
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not stream.isatty():
        return False
    return sys.platform != "win32" or bool(os.environ.get("WT_SESSION") or os.environ.get("TERM"))


def coloured(text: str) -> str:
    r"""The text with severities and unsettled grades in colour.

    Example:
        >>> coloured("caution: two readings")
        '\x1b[33mcaution\x1b[0m: two readings'
    """
    return _WORD.sub(_with_colour, text)


def _with_colour(found: re.Match[str]) -> str:
    colour = _BOLD_RED if found["word"].startswith(("fault", "problem")) else _YELLOW
    return f"{found['before']}{colour}{found['word']}{_PLAIN}"

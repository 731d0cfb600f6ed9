"""Text from elsewhere kept on the one line where it belongs.

A file may be called `x`, a line feed, and `loom-78-v1: valid`: printed as it is, the second line would be
taken for this program's word. What acts on a terminal is made inert where it is written
(`pipeline.edges.console`); only the place where a value is put into a line knows that the value must not end
it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeVar, cast

_Value = TypeVar("_Value")

_BREAKS = str.maketrans(
    {char: char.encode("unicode_escape").decode("ascii") for char in "\t\n\v\f\r\x1c\x1d\x1e\x85\u2028\u2029"}
)
"""What ends a line for `str.splitlines` (Python's documentation), and the tab, which breaks columns."""
_BEYOND = "[\x7f-\U0010ffff]"
"""To make a pattern of so wide a range takes longer than the rest of this module, and few commands write JSON
files.
"""


def one_line(text: str) -> str:
    r"""The text with its line breaks and tabs written out.

    Example:
        >>> one_line("x" + chr(10) + "loom-78-v1: valid")
        'x\\nloom-78-v1: valid'
    """
    return text if text.isprintable() else text.translate(_BREAKS)


def inert_json(text: str) -> str:
    r"""JSON in which no character acts on a terminal that shows the file; its readers get each as it was.

    Args:
        text: JSON as the standard library writes it with `ensure_ascii=False`: controls of ASCII but DEL are
            escaped.

    Source:
        RFC 8259 section 7: any character of a string may be escaped.

    Example:
        >>> print(inert_json('"caf' + chr(0xE9) + chr(0x9B) + '2J"'))
        "café\u009b2J"
    """
    if text.isprintable() or (text.isascii() and "\x7f" not in text):
        return text
    return re.sub(_BEYOND, _escaped, text)


def _escaped(found: re.Match[str]) -> str:
    if found[0].isprintable():
        return found[0]
    # Beyond 16 bits JSON takes two escapes; a lone surrogate, from a name that is no Unicode, is one already.
    units = found[0].encode("utf-16-be", "surrogatepass").hex()
    return "".join(f"\\u{units[at : at + 4]}" for at in range(0, len(units), 4))


def one_lined(value: _Value) -> _Value:
    """A document in which every text, names of fields too, stays on one line.

    Other values come back as they are.
    """
    return cast("_Value", _one_lined(value))


def _one_lined(value: object) -> object:
    if isinstance(value, str):
        return one_line(value)
    if isinstance(value, Mapping):
        return {_one_lined(key): _one_lined(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(_one_lined(each) for each in value) if type(value) in (list, tuple) else value
    return value

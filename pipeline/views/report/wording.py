"""Facts of a record as words: hostile characters made visible, addresses in hexadecimal, nothing left unsaid.

Labels come from old stickers, strangers' files and terminals. What would act on a page or a terminal
(controls, marks that turn the direction of writing) is shown as its code point, so that it is seen and does
nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from schemas.record import RegionRecord

_ACTING = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb"
    "\ud800-\udfff\U000e0000-\U000e007f]"
)
"""Controls, direction marks and overrides, invisible formatters, lone surrogates, tag characters.
Source: Unicode Standard Annex 9 section 2 (the explicit directional characters); the others from memory."""
_ADDRESS_KEYS = frozenset(
    [
        "at",
        "address",
        "addresses",
        "start",
        "end",
        "first",
        "last",
        "stored_at",
        "ranges",
        "covers",
        "range",
        "longest",
        "latest",
        "exceptions_at",
    ]
)
_CHANCES = frozenset(["chance", "p", "p_value"])
_LINE_ORDERS = {"address": "A", "invert_address": "A", "data": "D", "invert_data": "D"}
"""Lists of lines, in a mapping or a wiring: never addresses."""
MOST_SHOWN = 12


def visible(text: str) -> str:
    r"""The text with every acting character shown as `⟨U+202E⟩`; line feeds and tabs stay.

    Example:
        >>> visible("PROM\x1b[31m")
        'PROM⟨U+001B⟩[31m'
    """
    # What acts is of Unicode's categories C and Zl/Zp, which are never printable: the quick way out of most.
    if text.isprintable():
        return text
    return _ACTING.sub(lambda found: f"⟨U+{ord(found[0]):04X}⟩", text)


def short(text: object, most: int = 60) -> str:
    """At most `most` characters, made visible, with `…` where some were left out."""
    shown = visible(str(text))
    return shown if len(shown) <= most else shown[: most - 1] + "…"


def hexa(address: int, digits: int = 0) -> str:
    """An address, `0x01A3`, with at least `digits` digits."""
    return f"0x{address:0{digits}X}" if address >= 0 else f"-0x{-address:X}"


def chance_words(chance: float) -> str:
    """A chance as a person says it; the record has the number.

    Example:
        >>> chance_words(1.2e-90), chance_words(0.004), chance_words(0.25)
        ('less than 1 in a million million', '1 in 250', '25 %')
    """
    if chance < 1e-12:
        return "less than 1 in a million million"
    return f"1 in {1 / chance:,.0f}" if chance < 0.05 else f"{chance:.0%}".replace("%", " %")


def span_text(start: int, end: int, digits: int = 0) -> str:
    """A half-open range as its first and last address, `0x0100–0x01FF`."""
    if end - start == 1:
        return hexa(start, digits)
    return f"{hexa(start, digits)}–{hexa(end - 1, digits)}"


def counted(number: int, one: str, many: str | None = None) -> str:
    """`1 chip`, `12,000 chips`."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def listed(parts: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


@lru_cache(maxsize=1024)
def plain_key(key: object) -> str:
    """A field's name as words."""
    return short(str(key).replace("_", " ").replace("-", " "), 40)


def say(value: Any, key: str = "", digits: int = 0) -> str:
    """Any plain JSON value as one line; addresses in hexadecimal, long lists cut and the rest counted.

    Args:
        value: What the record holds.
        key: The field it stands in: tells an address from a count.
        digits: Of an address, at least.
    """
    if isinstance(value, str):
        return visible(value)
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return hexa(value, digits) if key in _ADDRESS_KEYS else f"{value:,}"
    if isinstance(value, float):
        return chance_words(value) if key in _CHANCES else f"{value:.4g}"
    if isinstance(value, (dict, Mapping)):
        parts = [f"{plain_key(name)} {say(part, str(name), digits)}" for name, part in value.items()]
        return "; ".join(parts) or "none"
    if isinstance(value, (list, tuple, Sequence)):
        return _say_sequence(value, key, digits)
    return visible(str(value))


def _is_span(value: Any) -> bool:
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        return False
    start, end = value
    return _is_number(start) and _is_number(end) and start < end


def _is_number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _say_sequence(value: Sequence[Any], key: str, digits: int) -> str:
    if not value:
        return "none"
    if key in _LINE_ORDERS and all(isinstance(one, int) for one in value):
        return ", ".join(f"{_LINE_ORDERS[key]}{one}" for one in value)
    if key in {"range", "covers", "longest"} and _is_span(value):
        return span_text(value[0], value[1], digits)
    if key in {"ranges", "covers", "addresses"} and all(_is_span(item) for item in value):
        parts = [span_text(item[0], item[1], digits) for item in value[:MOST_SHOWN]]
    else:
        parts = [_say_item(item, key, digits) for item in value[:MOST_SHOWN]]
    more = len(value) - len(parts)
    return ", ".join(parts) + (f" and {more:,} more" if more > 0 else "")


def _say_item(item: Any, key: str, digits: int) -> str:
    said = say(item, key, digits)
    return f"({said})" if isinstance(item, Mapping) and len(item) > 1 else said


def span(value: Any) -> tuple[int, int] | None:
    """A half-open range of word addresses; None where a value is none."""
    return (value[0], value[1]) if _is_span(value) else None


def span_of(region: RegionRecord) -> tuple[int, int] | None:
    """Where a region lies, as (first, end) word addresses; None where it is empty."""
    start, end = region["start"], region["end"]
    return (start, end) if start < end else None

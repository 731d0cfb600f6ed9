"""What a person most likely meant.

Dates of local form in ISO's, numbers with a decimal comma, values cut at a comma.

A suggestion is words to type, never something that is put in by itself. Where a date can be read in two ways
both are offered.
"""

from __future__ import annotations

import re
from datetime import date

_NUMERIC = re.compile(r"(\d{1,2})\s*([./-])\s*(\d{1,2})\s*\2\s*(\d{4}|\d{2})", re.ASCII)
_YEAR_FIRST = re.compile(
    r"(\d{4})\s*[./]\s*(\d{1,2})(?:\s*[./]\s*(\d{1,2}))?|(\d{4})(\d{2})(\d{2})", re.ASCII
)
_MONTH_YEAR = re.compile(r"(\d{1,2})\s*[./]\s*(\d{4})", re.ASCII)
_DAY = re.compile(r"\b(\d{1,2})(?:st|nd|rd|th|\.)?(?![\d])", re.ASCII)
_YEAR = re.compile(r"\b(\d{4})\b", re.ASCII)
_WORD = re.compile(r"[^\W\d_]{3,}\.?")
_DECIMAL = re.compile(r"\s*([+-]?\d+),(\d+)\s*", re.ASCII)
_MONTHS = (
    "jan january januar janvier enero gennaio",
    "feb february februar février febrero febbraio",
    "mar march mär märz mrz mars marzo",
    "apr april avril abril aprile",
    "may mai mayo maggio",
    "jun june juni juin junio giugno",
    "jul july juli juillet julio luglio",
    "aug august août agosto",
    "sep sept september septembre septiembre settembre",
    "oct october okt oktober octobre octubre ottobre",
    "nov november novembre noviembre",
    "dec december dez dezember décembre diciembre dicembre",
)
"""Of English, German, French, Spanish and Italian, whose spreadsheets write them. Common knowledge, no
source.
"""


FIRST_OF_1900 = 69


def iso_dates(text: str) -> tuple[str, ...]:
    """The ISO forms that a date of local form can stand for, most likely first; () where it is none.

    Two digits of a year are taken as POSIX takes them (strptime's `%y`): 69 to 99 are 1969 to 1999.

    Example:
        >>> iso_dates("12.3.2024"), iso_dates("25.3.24")
        (('2024-03-12', '2024-12-03'), ('2024-03-25',))
        >>> iso_dates("3/12/2024")
        ('2024-12-03', '2024-03-12')
        >>> iso_dates("March 2024")
        ('2024-03',)
    """
    text = text.strip()
    found = _NUMERIC.fullmatch(text)
    if found:
        first, second, year = int(found[1]), int(found[3]), int(found[4])
        year += 0 if len(found[4]) == 4 else 1900 if year >= FIRST_OF_1900 else 2000
        orders = [(second, first), (first, second)]
        return tuple(dict.fromkeys(one for month, day in orders if (one := _iso(year, month, day))))
    found = _YEAR_FIRST.fullmatch(text)
    if found:
        year, month = int(found[1] or found[4]), int(found[2] or found[5])
        day = found[3] or found[6]
        one = _iso(year, month, int(day) if day else None)
        return (one,) if one else ()
    found = _MONTH_YEAR.fullmatch(text)
    if found:
        one = _iso(int(found[2]), int(found[1]), None)
        return (one,) if one else ()
    return _in_words(text)


def _in_words(text: str) -> tuple[str, ...]:
    """`March 2024`, `12 March 2024`, `Mar 12, 2024`."""
    months = [month for word in _WORD.findall(text.casefold()) if (month := _month(word))]
    years = _YEAR.findall(text)
    if len(months) != 1 or len(years) != 1:
        return ()
    days = _DAY.findall(text)
    one = _iso(int(years[0]), months[0], int(days[0]) if days else None)
    return (one,) if one and len(days) < 2 else ()


def _month(word: str) -> int:
    return next((k for k, names in enumerate(_MONTHS, 1) if word.rstrip(".") in names.split()), 0)


def _iso(year: int, month: int, day: int | None) -> str:
    """A date that exists, or ""."""
    try:
        date(year, month, day or 1)
    except ValueError:
        return ""
    return f"{year:04}-{month:02}" + (f"-{day:02}" if day else "")


def with_decimal_point(text: str) -> str:
    """`4,5` as `4.5`, or "".

    Example:
        >>> with_decimal_point("4,5")
        '4.5'
    """
    found = _DECIMAL.fullmatch(text)
    return f"{found[1]}.{found[2]}" if found else ""


def in_quotes(field: str, pieces: list[str]) -> str:
    """The line that keeps a value whole which YAML parts at its commas.

    Example:
        >>> in_quotes("marking", ["INTEL D2716", "1979"])
        'marking: "INTEL D2716, 1979"'
        >>> in_quotes("supply_v", ["4", "5"])
        'supply_v: 4.5'
    """
    if len(pieces) == 2 and all(piece.isascii() and piece.isdigit() for piece in pieces):
        return f"{field}: {pieces[0]}.{pieces[1]}"
    whole = ", ".join(pieces).replace("\\", "\\\\").replace('"', '\\"')
    return f'{field}: "{whole}"'

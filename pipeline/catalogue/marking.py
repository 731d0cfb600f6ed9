"""The number printed on a chip, reduced by rule to a catalogue number, or not at all.

Makers wrap the generic number in prefixes, package letters, speed grades and screening codes. A wrong part is
worse than none: it puts a supply on the wrong pin. So a marking resolves only where everything around the
number is accounted for, the longest number wins (a `TMS2716` is no `2716`), and a digit never trails off
unexplained.

Source of the prefixes and suffixes: from memory and common practice.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from functools import cache

_TO_LATIN = str.maketrans("КМРСФЕТАВНХО", "KMRSFETAVNHO")
"""Cyrillic letters of K573RF2 and its kind as they are transcribed."""
_MICRO = str.maketrans("µμ", "UU")
"""Both micro signs of a maker's prefix, before capitals turn one of them into a Greek letter."""
_DASHES = re.compile(r"[\s\-‐‑‒–—―−_./,+]+")
_SUFFIX = re.compile(r"(?:[A-Z]{1,3}(?:\d{1,3}[A-Z]{0,3}\d?)?)?(?:-[A-Z0-9]{1,5}){0,4}")
"""Revision, package and temperature letters, then speed grades and codes set off by a separator."""

_MOS_TEXT = (
    "A AM AT B C CAT CY D DQ E EA EF ET F G HM HN HN46 HN48 HY I ID IM J KM KS L LD LH M M5K M5L M5M MB MBM "
    "MC MCM MD MK ML MM MN MPS MQ MSM MX N NM NMC NTE P PD Q QD QP R RO RO3 S SMJ SST SY SYP SYC TC TD TMM "
    "TMS U UM UPD VT W WS X XL"
)
_MOS = frozenset(_MOS_TEXT.split())
_FAMILIES: tuple[tuple[re.Pattern[str], frozenset[str]], ...] = tuple(
    (re.compile(core), frozenset(prefixes.split()))
    for core, prefixes in (
        (r"(74|54)\d*[SL]?\d+A?", "SN SNJ SNC DM N S HD MB"),
        (r"(14|18|24|28)SA?\d+[AP]?|28L22", "TBP JBP SN"),
        (r"28SA?2708A?", "TBP JBP SN"),
        (r"82\w*S\d+|PLS\d+", "N S"),
        (r"76\d{2,3}", "HM HM1 HM3 HM4 HM6 HM7 HM9 MCM"),
        (r"63S?\d{2,4}", "MMI N J"),
        (r"53\d\d", "MMI J"),
        (r"(36|56|93)\d{2,3}", "D P C M MC MD I IM F"),
        (r"27S\d+", "AM PAM"),
        (r"9316", ""),
        (r"6830|68A30", "MC MCM S EF"),
        (r"6540", "MOS MPS"),
        (r"665\d", "IM"),
        (r"8223", "N S DM"),
        (r"36000", "MK"),
        (r"2716", " ".join(sorted(_MOS - {"TMS", "SMJ", "A"}))),
    )
)


def spelled(marking: str) -> str:
    """A marking in capitals and Latin letters with one hyphen for every run of separators.

    Example:
        >>> spelled("µPD 2716D–1"), spelled("К573РФ2")
        ('UPD-2716D-1', 'K573RF2')
    """
    text = unicodedata.normalize("NFKC", marking).translate(_MICRO).upper().translate(_TO_LATIN)
    return _DASHES.sub("-", text).strip("-")


def compact(marking: str) -> str:
    """A marking without any separator: `27C-256 -15` gives `27C25615`."""
    return spelled(marking).replace("-", "")


def _prefixes(core: str) -> frozenset[str]:
    """The makers' prefixes that may stand before this number."""
    for family, prefixes in _FAMILIES:
        if family.fullmatch(core):
            return prefixes
    return _MOS


@cache
def _pattern(core: str) -> re.Pattern[str]:
    """The number with separators where makers and typists put them.

    A separator may touch a letter or follow the first two digits (`27-128`), never stand elsewhere between
    two
    digits: `27C100-1` is a 27C100 of speed 1 and no 27C1001.
    """
    pieces = [core[0]]
    for at in range(1, len(core)):
        between_digits = core[at - 1].isdigit() and core[at].isdigit()
        pieces.append(core[at] if between_digits and at != 2 else f"-?{core[at]}")
    return re.compile("".join(pieces))


def _readings(text: str, core: str) -> Iterable[tuple[str, str]]:
    """What stands before and after each occurrence of the number in a spelled marking."""
    for found in _pattern(core).finditer(text):
        yield text[: found.start()], text[found.end() :]


def _fits(before: str, after: str, core: str, known: Callable[[str], bool]) -> bool:
    """Whether prefix and suffix are all accounted for."""
    prefix = before.replace("-", "")
    if prefix and prefix not in _prefixes(core):
        return False
    if not _SUFFIX.fullmatch(after):
        return False
    return not any(known(token) for token in after.split("-") if token)


def numbers_in(marking: str, numbers: Mapping[str, object]) -> tuple[str, ...]:
    """The catalogue numbers that the marking can mean.

    One where it is clear, none or several where it is not.

    Args:
        marking: As printed on the chip.
        numbers: Every known number, compact and in capitals.

    Returns:
        The longest fitting number, or all of that length where several fit; a chip marked with two numbers
        fits neither, and a number inside a longer one (1702 in 1702A) is never meant.
    """
    text = spelled(marking)
    squeezed = text.replace("-", "")
    if squeezed in numbers and text.count("-") == 0:
        return (squeezed,)
    present = [
        core
        for core in numbers
        if len(core) <= len(squeezed) and core in squeezed and any(_readings(text, core))
    ]
    fitting = [
        core
        for core in present
        if not any(core != longer and core in longer for longer in present)
        and any(_fits(before, after, core, numbers.__contains__) for before, after in _readings(text, core))
    ]
    longest = max(map(len, fitting), default=0)
    return tuple(sorted(core for core in fitting if len(core) == longest))

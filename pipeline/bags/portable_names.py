"""Names that every system can carry: the set from which names inside a bag are taken.

A bag outlives the computer it was made on. A name that Windows refuses, or that two systems spell with
different bytes, makes a good bag unreadable or invalid there; so no such name is ever written.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from hashlib import sha256

DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL"] + [f"{port}{digit}" for port in ("COM", "LPT") for digit in "123456789"]
)
"""Device names of Windows, with or without an extension. Source: RFC 8493 section 6."""
RESERVED = DEVICES | {"CONIN$", "CONOUT$"} | {f"{port}{digit}" for port in ("COM", "LPT") for digit in "¹²³"}
"""More of them. Source: Microsoft's naming conventions, from memory."""
REFUSED = frozenset('<>:"/\\|?*')
"""What Windows refuses in a name. Source: RFC 8493 section 6."""
FORBIDDEN = REFUSED | {"%"}
"""`%` because RFC 8493 section 2.1.3 gives it a meaning."""
LONGEST_BYTES = 120
"""Half of what file systems take, so that a few folders still fit into Windows' 255-character path."""
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Cn", "Zl", "Zp"})
_TAG_DIGITS = 8


def portable_name(name: str) -> str:
    """One name, made fit for any system; a fit name comes back unchanged.

    The same input always gives the same output, and the output is a fixed point. Two inputs may meet: see
    `unique_names`.

    Args:
        name: A single file or folder name, as the system gave it.

    Returns:
        NFC text of 1 to 120 UTF-8 bytes without control or invisible characters, without the characters that
        Windows or BagIt give a meaning, no device name, no blank or dot at the end, no blank or `~` at the
        start.

    Raises:
        Nothing.

    Example:
        >>> portable_name("100% done?.bin"), portable_name("aux.txt"), portable_name("U12 (2).bin")
        ('100_ done_.bin', '_aux.txt', 'U12 (2).bin')
    """
    if _plainly_fit(name):
        return name
    fit = _fit(name)
    if len(fit.encode("utf-8")) > LONGEST_BYTES:
        fit = _shortened(fit, name)
    return fit


def is_portable(name: str) -> bool:
    """Whether a name needs no change."""
    return _portable_cached(name)


_PLAIN = re.compile(r"[A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]+)*")
"""Names of letters and digits with dots between them: nearly all, and fit but for device names and length."""


def _plainly_fit(name: str) -> bool:
    """Whether nothing has to be looked for letter by letter: ten thousand names are asked about in one go."""
    if not _PLAIN.fullmatch(name) or len(name) > LONGEST_BYTES:
        return False
    return name.split(".", 1)[0].upper() not in RESERVED


@lru_cache(maxsize=4096)
def _portable_cached(name: str) -> bool:
    return portable_name(name) == name


def windows_refuses(name: str) -> bool:
    """Whether Windows cannot make a file or folder of this name, by the list of RFC 8493 section 6.

    Example:
        >>> windows_refuses("aux.txt"), windows_refuses("a:b"), windows_refuses("auxiliary.txt")
        (True, True, False)
    """
    return not REFUSED.isdisjoint(name) or name.split(".", 1)[0].upper() in DEVICES


def name_key(name: str) -> str:
    """Two names with the same key are one name on some system: folded case, decomposed marks."""
    if name.isascii():
        return name.lower()
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())


def unique_names(names: Iterable[str]) -> dict[str, str]:
    """Portable names for the files of one folder, no two of them the same on any system.

    Names that are fit already keep theirs; the others get `-2`, `-3` … before the extension where they would
    meet one. The result does not depend on the order in which the names are given.

    Args:
        names: Names of one folder, as the system gave them, all different.

    Returns:
        Each given name with its portable one.
    """
    ordered = sorted(set(names), key=lambda name: (portable_name(name) != name, _bytes(name)))
    taken: set[str] = set()
    reached: dict[str, int] = {}
    result: dict[str, str] = {}
    for name in ordered:
        fit = portable_name(name)
        candidate, number = fit, reached.get(name_key(fit), 1)
        while name_key(candidate) in taken:
            number += 1
            candidate = _numbered(fit, number)
        # The numbers below are taken for good: else many names that meet would be counted through for each.
        reached[name_key(fit)] = number
        taken.add(name_key(candidate))
        result[name] = candidate
    return result


def _fit(name: str) -> str:
    previous, fit = None, name
    while fit != previous:
        previous = fit
        fit = unicodedata.normalize("NFC", fit)
        fit = "".join("_" if _unfit(letter) else letter for letter in fit)
        fit = fit.rstrip(". \u3000\u00a0").lstrip(" \u3000\u00a0")
        if fit.startswith("~"):
            fit = "_" + fit[1:]
        if fit.split(".", 1)[0].rstrip(" ").upper() in RESERVED or not fit:
            fit = "_" + fit
    return fit


def _unfit(letter: str) -> bool:
    return letter in FORBIDDEN or unicodedata.category(letter) in _UNSEEN


def _bytes(name: str) -> bytes:
    return name.encode("utf-8", "surrogatepass")


def _shortened(fit: str, original: str) -> str:
    # The digest keeps two long names apart that differ only where they were cut.
    tag = "~" + sha256(_bytes(original)).hexdigest()[:_TAG_DIGITS]
    stem, ending = _parted(fit)
    room = LONGEST_BYTES - len(tag) - len(ending.encode("utf-8"))
    return _fit(_cut(stem, room) + tag + ending)


def _numbered(fit: str, number: int) -> str:
    stem, ending = _parted(fit)
    mark = f"-{number}"
    room = LONGEST_BYTES - len(mark) - len(ending.encode("utf-8"))
    return _fit(_cut(stem, room) + mark + ending)


def _parted(fit: str) -> tuple[str, str]:
    stem, dot, ending = fit.rpartition(".")
    if not stem or len(ending.encode("utf-8")) > 16:
        return fit, ""
    return stem, dot + ending


def _cut(stem: str, room_bytes: int) -> str:
    return stem.encode("utf-8")[:room_bytes].decode("utf-8", "ignore")

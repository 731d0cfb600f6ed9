"""What people put into the names of dump files: the chip's place, its marking, the pass, the reader, "copy".

A name proves nothing, so everything read from one is a proposal. Common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from pipeline.bags.portable_names import portable_name
from schemas.names import as_id

FindPart = Callable[[str], str]
"""The catalogue number that a marking means, or "" where it means none."""
_CONVENTION = re.compile(
    r"(?P<chip>.+)\.(?P<reader>[A-Za-z][A-Za-z0-9_+-]*)\.(?P<number>\d{1,6})(?:\.[A-Za-z0-9]+)?"
)
_COPIED = re.compile(
    r"^(?:copy of|kopie von)\s+|[ _-]*(?:\(\d{1,3}\)|\b(?:copy|kopie)(?: \d+| \(\d+\))?)$", re.IGNORECASE
)
_PLACE = re.compile(
    r"(?:U|IC|I|R|D|Q|X|Z|Y|ROM|PROM|EPROM)[0-9]{1,4}[A-Z]?|[0-9]{1,2}[A-HJ-NP-Z]", re.IGNORECASE
)
"""How boards number their sockets: U12, IC7, ROM3, or the crossing of a grid, 4F."""
_PLACE_LETTERS = re.compile(r"(?:U|IC|ROM|PROM|EPROM|CHIP)", re.IGNORECASE)
_PASS = re.compile(r"(?:pass|read|reading|run|dump|try|r|p)[0-9]{1,3}|[0-9]{1,2}", re.IGNORECASE)
_PASS_WORDS = frozenset(["pass", "read", "reading", "run", "dump", "try"])
_FILLERS = "rom eprom prom dump dumps read reading bin hex chip image data file of from the and ok good final"
_SAYS_NOTHING = frozenset([*_FILLERS.split(), "verified", "verify", "programmer"])
LONGEST_ID = 60


class NamedFile(NamedTuple):
    """What one file's name says.

    Attributes:
        chip: The id that it proposes, up to and with the place.
        whole: All its words as an id, where two chips propose one.
        place: The socket in it, such as `U12`; "" where there is none or several.
        reader: The reader, where the name is CHIP.READER.N.ext; else "".
        part: A catalogue number in it, or "".
        copy: It is named as a copy of another file.
        numbered: It is named as one pass of several.
    """

    chip: str
    whole: str
    place: str
    reader: str
    part: str
    copy: bool
    numbered: bool


def named_file(path: str, find: FindPart) -> NamedFile:
    """What the last piece of a path says.

    Args:
        path: In the project folder.
        find: Knows the catalogue.

    Example:
        >>> named_file("dumps/U12_2716 pass 2.bin", {"2716": "2716"}.get)
        NamedFile(chip='U12', whole='U12', place='U12', reader='', part='2716', copy=False, numbered=True)
    """
    name = path.rsplit("/", 1)[-1]
    found = _CONVENTION.fullmatch(name)
    if found and _is_id(found["chip"]) and not _PLACE.fullmatch(found["reader"]):
        chip = found["chip"]
        return NamedFile(chip, chip, chip, found["reader"], "", copy=False, numbered=True)
    stem = name.rsplit(".", 1)[0] if "." in name[1:] else name
    bare = _COPIED.sub("", stem)
    words, part, numbered = _words(bare, find)
    places = [word for word in words if _PLACE.fullmatch(word)]
    told = [word for word in words if word.lower() not in _SAYS_NOTHING]
    place = places[0] if len(places) == 1 else ""
    whole = nearest_id("-".join(told) or part or bare or stem)
    return NamedFile(
        nearest_id("-".join(told[: told.index(place) + 1])) if place else whole,
        whole,
        place,
        "",
        part,
        copy=bare != stem,
        numbered=numbered,
    )


def _words(stem: str, find: FindPart) -> tuple[list[str], str, bool]:
    """(words that may name a chip, the part among them, whether a pass was numbered)."""
    pieces = _joined([one for one in re.split(r"[\s_\-.,()\[\]]+", stem) if one])
    parts = {one: find(one) for one in pieces if sum(map(str.isdigit, one)) >= 3}
    meant = {part for part in parts.values() if part}
    words = [one for one in pieces if not parts.get(one)]
    kept: list[str] = []
    numbered = False
    for at, word in enumerate(words):
        follows = at > 0 and words[at - 1].lower() in _PASS_WORDS and word.isdigit()
        if at > 0 and (follows or (_PASS.fullmatch(word) and not _PLACE.fullmatch(word))):
            numbered = True
            if follows and kept and kept[-1] == words[at - 1]:
                kept.pop()
        else:
            kept.append(word)
    return kept, next(iter(meant)) if len(meant) == 1 else "", numbered


def _joined(pieces: list[str]) -> list[str]:
    """`IC 7` is one word."""
    out: list[str] = []
    for piece in pieces:
        if out and _PLACE_LETTERS.fullmatch(out[-1]) and re.fullmatch(r"[0-9]{1,3}[A-Za-z]?", piece):
            out[-1] += piece
        else:
            out.append(piece)
    return out


def _is_id(text: str) -> bool:
    try:
        as_id(text)
    except ValueError:
        return False
    return True


def nearest_id(text: str) -> str:
    """The nearest id to any text."""
    fit = (
        re.sub(r"\.+", ".", re.sub(r"[^A-Za-z0-9_+.-]+", "-", portable_name(text)))
        .strip(".-_+")[:LONGEST_ID]
        .strip(".-_+")
    )
    return fit if _is_id(fit) else f"chip-{fit or 'x'}".replace("..", ".")

"""A reading of one chip that is what another chip's reader read under that other chip's name.

Whoever exchanges two chips, or the names of two files, gets two sound readings. Where another reader read one
of the two as well, its words turn up under the other name. That does not say which of the names is wrong.
Source: this follows from the definition.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from pipeline.catalogue.advice import advise
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity


class Stray(NamedTuple):
    """A reading of a chip on which readers do not agree.

    Attributes:
        reading: Its id.
        reader: Who read.
        digest: Of its words, as `digest_of` gives it.
    """

    reading: str
    reader: str
    digest: bytes


class ChipNamed(NamedTuple):
    """A chip as the sheet names it.

    Attributes:
        chip: Its id.
        digest: Of its image; None where that says nothing.
        readers: All that read it.
        strays: Its readings where readers do not agree.
    """

    chip: str
    digest: bytes | None
    readers: tuple[str, ...]
    strays: tuple[Stray, ...] = ()


def digest_of(words: Words) -> bytes:
    """16 bytes over the words, the same as a signature's where every word was read."""
    return hashlib.blake2b(words.tobytes(), digest_size=16).digest()


def misnamed_findings(chips: Iterable[ChipNamed]) -> Iterator[Finding]:
    """Cautions that hold back an image which one reader alone read, and another read under another name.

    Args:
        chips: All of the project.
    """
    found: dict[bytes, list[ChipNamed]] = defaultdict(list)
    strays: list[tuple[str, Stray]] = []
    for one in chips:
        if one.digest is not None and not one.strays and len(one.readers) == 1:
            found[one.digest].append(one)
        strays += [(one.chip, stray) for stray in one.strays]
    told: Mapping[bytes, list[ChipNamed]] = found
    for elsewhere, stray in strays:
        for one in told.get(stray.digest, ()):
            if stray.reader not in one.readers:
                yield _finding(one, elsewhere, stray)


def _finding(one: ChipNamed, elsewhere: str, stray: Stray) -> Finding:
    return Finding(
        code=Code.SAME_CONTENT,
        severity=Severity.CAUTION,
        chip=one.chip,
        where={"with": [elsewhere]},
        evidence={"with": [elsewhere], "reading": stray.reading, "exact": True, "holds_back": True},
        means=f"What {one.readers[0]} read here is word for word what {stray.reader} read as {elsewhere}, "
        f"where the readers do not agree. Either {stray.reader} read this chip under the name {elsewhere}, "
        f"or {one.readers[0]} read {elsewhere} under this one: names, sockets or files were exchanged.",
        also="Two chips of one content, of which one was read badly once.",
        next=advise("copies-or-one"),
    )

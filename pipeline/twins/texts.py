"""Text where two specimens differ: what a person would hold side by side, versions and dates first."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from pipeline.words import Words, word_bytes

if TYPE_CHECKING:
    from schemas.record import TwinText

FEWEST_LETTERS = 4
MOST_TEXTS = 12
LONGEST = 60
_RUN = re.compile(rb"[\x20-\x7e]{%d,}" % FEWEST_LETTERS)
_VERSION = re.compile(
    r"\b(v(er(s(ion)?)?)?\.?\s?\d|rev(ision)?\b|\d+\.\d+|copyright|\(c\)|(19|20)\d\d\b|\d\d[-/.]\d\d[-/.]\d\d)",
    re.IGNORECASE,
)
"""What reads like a version, a revision or a date; common practice, no source."""


def texts(this: Words, other: Words, bits: int, regions: Sequence[tuple[int, int]]) -> list[TwinText]:
    """The readable stretches of either image that touch a stretch in which they differ.

    Only for words of whole bytes: of others nobody knows how a text would lie in them.

    Args:
        this: Shape (words,).
        other: Same shape.
        bits: Of a word.
        regions: Half-open ranges of words.
    """
    if bits % 8:
        return []
    step = bits // 8
    pair = word_bytes(this, bits), word_bytes(other, bits)
    found = {one["address"]: one for one in _found(pair, step, regions)}
    out = sorted(found.values(), key=lambda one: (not one["version"], one["address"]))
    return out[:MOST_TEXTS]


def _found(pair: tuple[bytes, bytes], step: int, regions: Sequence[tuple[int, int]]) -> Iterator[TwinText]:
    for index in (0, 1):
        for run in _RUN.finditer(pair[index]):
            start, end = run.span()
            if not any(first * step < end and start < last * step for first, last in regions):
                continue
            said = [_plain(one[start:end]) for one in pair]
            if said[0] != said[1]:
                yield {
                    "address": start // step,
                    "this": said[0],
                    "other": said[1],
                    "version": any(_VERSION.search(one) for one in said),
                }


def _plain(content: bytes) -> str:
    return "".join(chr(one) if 0x20 <= one < 0x7F else "." for one in content[:LONGEST])

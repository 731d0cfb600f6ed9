"""Which kinds of text some bytes may hold at all: what is cheap to ask, and never wrongly denied.

Few images hold text, and each is asked in several orders of its lines. Every question here is a handful of
passes over the bytes; the search that follows in `text.py` is asked only where one is answered by yes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.fixed_width import may_be_words
from pipeline.stages.content.runs import all_of_eight, looked_up
from pipeline.stages.content.text_codes import DECODED, GAP, LETTER, PLAIN, SCORED, least_nats

_PARTS = 8
"""Scores are counted in these parts of a nat, rounded up: those of a group of four fit into a byte."""
_GROUP = 4
"""Bytes that are summed up side by side, before the sums are made that have to go one after the other."""
_IN_PARTS = {
    kind: np.ceil(PLAIN[DECODED[kind]] * _PARTS if kind in DECODED else SCORED[kind] * _PARTS)
    .astype(np.int8)
    .tobytes()
    for kind in (*SCORED, *DECODED)
}
_SHORTEST = 8
_ROUNDING = 1e-6
"""Nats; the sums of floats in `text.py` are less exact than the whole numbers here by far less."""
_SPELT = np.packbits(
    [LETTER[table] | (table == 0x20) for table in DECODED.values()], axis=0, bitorder="little"
).tobytes()
"""Of each byte: in which of `DECODED`, by their places, it is a letter or a blank."""
SHORTEST_STRING, LONGEST_STRING = 2, 40
"""Characters behind a byte that tells their number; common practice, no source."""
_LENGTH = bytes(SHORTEST_STRING <= byte <= LONGEST_STRING for byte in range(256))
_PRINTABLE = (PLAIN > GAP).tobytes()


def possible_kinds(data: NDArray[np.uint8]) -> frozenset[str]:
    """The kinds of text, as `TextRun.kind` has them, that may stand in a row of bytes; all others do not.

    Text in another code must also have fifteen letters and blanks in a row, of which eight fill a group.

    Args:
        data: Shape (n,); in fewer than eight bytes there is none.
    """
    if len(data) < _SHORTEST:
        return frozenset()
    raw = data.tobytes()
    spelt = all_of_eight(looked_up(raw, _SPELT))
    asked = [*SCORED, *(kind for place, kind in enumerate(DECODED) if spelt >> place & 1)]
    least = least_nats(len(data)) - _ROUNDING
    reach = _reach(raw, [_IN_PARTS[kind] for kind in asked])
    found = {kind for kind, nats in zip(asked, reach, strict=True) if nats >= least}
    if _may_be_strings(data, raw):
        found.add("length-prefixed")
    if may_be_words(data):
        found.add("fixed-width words")
    return frozenset(found)


def _reach(raw: bytes, scores: Sequence[bytes]) -> list[float]:
    """Nats that the best stretch of bytes adds up to, or a little more, by each of several scores.

    A stretch is the end of one group, groups, and the beginning of another. Where both lie in one group what
    lies between them may be counted as nothing, which is too much by less than a text must reach.

    Args:
        raw: n bytes.
        scores: What each of 256 bytes says, a signed byte each in parts of a nat.
    """
    padded = raw + bytes(-len(raw) % _GROUP)
    by_place = b"".join([padded[place::_GROUP] for place in range(_GROUP)])
    joined = b"".join([by_place.translate(score) for score in scores])
    groups = np.frombuffer(joined, np.int8).reshape(len(scores), _GROUP, -1)
    whole, begun = _summed(groups)
    _, ended = _summed(groups[:, ::-1])
    total = whole.cumsum(axis=1)
    lowest = np.minimum.accumulate(total - ended, axis=1)
    most: list[int] = (total + (begun - whole) - lowest).max(axis=1).tolist()
    return [parts / _PARTS for parts in most]


def _summed(groups: NDArray[np.int8]) -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """Each group's sum, and the most that its first bytes come to, one of them at least.

    Args:
        groups: Shape (scores, bytes a group, groups).
    """
    total = best = groups[:, 0]
    for place in range(1, _GROUP):
        total = total + groups[:, place]
        best = np.maximum(best, total)
    return total, best


def _may_be_strings(data: NDArray[np.uint8], raw: bytes) -> bool:
    """Whether three strings may follow each other, each behind its length: by their first two characters."""
    printable = looked_up(raw, _PRINTABLE).view(np.bool_)
    heads = looked_up(raw, _LENGTH).view(np.bool_)[:-2] & printable[1:-1] & printable[2:]
    at = heads.nonzero()[0]
    for _ in range(2):
        at = np.minimum(at + data.take(at) + 1, len(heads) - 1)
        at = at[heads.take(at)]
    return bool(at.size)

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
_AT_ONCE = 1 << 16
"""Bytes that are summed up in one array: beyond that, calls cost nothing beside memory."""
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


def possible_kinds(*rows: NDArray[np.uint8]) -> list[frozenset[str]]:
    """The kinds of text, as `TextRun.kind` has them, that may stand in each row of bytes; all others do not.

    Text in another code must also have fifteen letters and blanks in a row, of which eight fill a group.

    Args:
        rows: Each of shape (n,), all at once: as an image is read in other orders of its lines. In fewer than
            eight bytes there is none.
    """
    size = len(rows[0])
    if size < _SHORTEST:
        return [frozenset() for _ in rows]
    asked = [(number, kind) for number, row in enumerate(rows) for kind in (*SCORED, *_spelt(row))]
    places = [_by_place(row.tobytes()) for row in rows]
    at_once = max(1, _AT_ONCE // size)
    reach = [
        nats
        for first in range(0, len(asked), at_once)
        for nats in _reach(
            [places[number].translate(_IN_PARTS[kind]) for number, kind in asked[first : first + at_once]]
        )
    ]
    least = least_nats(size) - _ROUNDING
    found = {one for one, nats in zip(asked, reach, strict=True) if nats >= least}
    found |= {(number, "length-prefixed") for number, row in enumerate(rows) if _may_be_strings(row)}
    found |= {(number, "fixed-width words") for number, row in enumerate(rows) if may_be_words(row)}
    return [frozenset(kind for of, kind in found if of == number) for number in range(len(rows))]


def _spelt(row: NDArray[np.uint8]) -> list[str]:
    """Other codes in which eight letters and blanks fill a group."""
    marks = all_of_eight(looked_up(row.tobytes(), _SPELT))
    return [kind for place, kind in enumerate(DECODED) if marks >> place & 1] if marks else []


def _by_place(raw: bytes) -> bytes:
    """The first bytes of all groups, then the second ones, and so on; the last group is filled up."""
    padded = raw + bytes(-len(raw) % _GROUP)
    return b"".join([padded[place::_GROUP] for place in range(_GROUP)])


def _reach(scores: Sequence[bytes]) -> list[float]:
    """Nats that the best stretch adds up to, or a little more, by each of several scores.

    A stretch is the end of one group, groups, and the beginning of another. Where both lie in one group what
    lies between them may be counted as nothing, which is too much by less than a text must reach.

    Args:
        scores: What each byte of a row says, a signed byte each in parts of a nat, in the order of
            `_by_place`.
    """
    groups = np.frombuffer(b"".join(scores), np.int8).reshape(len(scores), _GROUP, -1)
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


def _may_be_strings(row: NDArray[np.uint8]) -> bool:
    """Whether three strings may follow each other, each behind its length: by their first two characters."""
    raw = row.tobytes()
    printable = looked_up(raw, _PRINTABLE).view(np.bool_)
    heads = looked_up(raw, _LENGTH).view(np.bool_)[:-2] & printable[1:-1] & printable[2:]
    at = heads.nonzero()[0]
    for _ in range(2):
        at = np.minimum(at + row.take(at) + 1, len(heads) - 1)
        at = at[heads.take(at)]
    return bool(at.size)

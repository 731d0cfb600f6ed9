"""Tables of words of one width: mnemonics, commands, names of months, each with other bytes behind or before.

Three or four capital letters stand in every record at the same place, whatever stands beside them, so that
the row of all bytes is no text and still some of its columns are. The last letter may be marked by bit 7, or
all letters carry it.

Source: maximal scoring segments along records (Karlin and Altschul, PNAS 87, 1990), every width, place and
marking counted; the table's own words must differ, since a pattern that repeats itself says nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

_LETTERS = (3, 4)
_WIDTHS = range(3, 9)
_MARKINGS = 3
_LEAST_WORDS, _DIFFERENT = 8, 0.75
"""A table has so many words, and of these this share is different from all before."""
_ASTRAY = -6.0
"""Nats of a place that holds no letter: a table of words has them in every record."""
TRIED = _MARKINGS * sum(1 for width in _WIDTHS for letters in _LETTERS if letters <= width)
"""Ways in which each stretch is read."""


def fixed_width(
    data: NDArray[np.uint8], scores: NDArray[np.float32], least: float, told: Sequence[tuple[int, int]]
) -> Iterator[tuple[int, int, float]]:
    """Every stretch of records that each hold a word at one place: start, end, score.

    Args:
        data: Shape (n,), uint8.
        scores: Shape (256,), nats by which a character speaks for text.
        least: Nats that a stretch must reach, before what the ways to read it cost.
        told: Stretches that are told as text already: a table is looked for where there is more.

    Yields:
        Stretches that may overlap. Nothing is raised.
    """
    plain = data & np.uint8(0x7F)
    capital = _capitals(plain)
    begins = _three(capital)
    for start, end in told:
        begins[max(start - 2, 0) : end] = False
    widths = _widths(begins)
    if not widths:
        return
    least += math.log(TRIED)
    worth = np.where(capital, scores[plain], _ASTRAY)
    high = data >= 0x80
    for marked in range(_MARKINGS):
        first = np.where(high == (marked == 1), worth, _ASTRAY)
        last = np.where(high == (marked > 0), worth, _ASTRAY)
        for letters in _LETTERS:
            words = _words(first, last, letters)
            for width in widths:
                if width >= letters:
                    yield from _tables(plain, words, width, letters, least)


def may_be_words(data: NDArray[np.uint8]) -> bool:
    """False only where `fixed_width` yields nothing, whatever is told already."""
    return bool(_widths(_three(_capitals(data & np.uint8(0x7F)))))


def _capitals(plain: NDArray[np.uint8]) -> NDArray[np.bool_]:
    return plain - np.uint8(0x41) < 26


def _three(capital: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where three capitals begin."""
    return capital[:-2] & capital[1:-1] & capital[2:]


def _widths(begins: NDArray[np.bool_]) -> list[int]:
    """The widths at which words may follow each other; counted in one long number, a fifth of the time."""
    line = int.from_bytes(np.packbits(begins).tobytes())
    return [one for one in _WIDTHS if (line & line >> one).bit_count() >= _LEAST_WORDS]


def _words(first: NDArray[np.float64], last: NDArray[np.float64], letters: int) -> NDArray[np.float64]:
    """What each place says as the first of so many letters."""
    n = max(len(first) - letters + 1, 0)
    out = last[letters - 1 :].copy()
    for place in range(letters - 1):
        out += first[place : place + n]
    return out


def _tables(
    plain: NDArray[np.uint8], words: NDArray[np.float64], width: int, letters: int, least: float
) -> Iterator[tuple[int, int, float]]:
    """The best stretch of records of one width at each place within it."""
    for place in range(width):
        row = words[place::width]
        total = np.cumsum(row)
        low = np.minimum.accumulate(np.concatenate(([0.0], total)))[:-1]
        end = int((total - low).argmax()) if len(row) else 0
        score = float(total[end] - low[end]) if len(row) else 0.0
        if score < least:
            continue
        begin = int(np.flatnonzero(np.concatenate(([0.0], total))[: end + 1] == low[end])[-1])
        start = place + begin * width
        records = np.lib.stride_tricks.sliding_window_view(plain, letters)[
            start : place + end * width + 1 : width
        ]
        if len(records) >= _LEAST_WORDS and len(np.unique(records, axis=0)) >= _DIFFERENT * len(records):
            yield start, min(place + (end + 1) * width, len(plain)), score

"""Agreement against distance: how many words equal the word so many addresses further on.

A dead A9 is one spike at 512, records of sixteen words are spikes at 16, 32, 48. The commonest word is left
out on the near side: unused space agrees with itself at every distance and would hide everything else.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup, escape
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.views.report import wording
from pipeline.views.report.activity import comparable
from pipeline.views.report.image import ChipWords

FARTHEST = 64
"""Every distance up to here is measured; beyond, the powers of two and what lies around them."""
AROUND = 2
LEFT = 34
TALL = 60
STEP = 4
A_POWER = 22
"""Display units for a power of two beyond `FARTHEST` and its neighbours."""
FEWEST = 16
"""Of words that are not the commonest: of fewer, agreement says nothing."""
STANDS_OUT = 0.1
"""So much above the middle a distance must lie to be named."""
MOST_NAMED = 3
AT_ONCE = 1 << 19
"""Comparisons held in memory at one time."""


class Agreement(NamedTuple):
    """How many words agree at each distance.

    Attributes:
        distances: In addresses, ascending.
        shares: Part of the words other than the commonest that equal the word so far on.
        middle: Half of the distances have no more.
        peaks: Distances that stand out, the highest first.
    """

    distances: tuple[int, ...]
    shares: tuple[float, ...]
    middle: float
    peaks: tuple[int, ...]


@lru_cache(maxsize=64)
def distances_of(words: int) -> tuple[int, ...]:
    """The distances that are measured in a chip of so many words: none beyond its half."""
    far = [
        1 << power for power in range(FARTHEST.bit_length(), words.bit_length()) if 1 << power <= words // 2
    ]
    around = [power + near for power in far for near in range(-AROUND, AROUND + 1)]
    return (*range(1, min(FARTHEST, words // 2) + 1), *(one for one in around if one < words))


def agreement_of(content: ChipWords) -> Agreement | None:
    """How far words agree with words further on; None where too few words say anything.

    Args:
        content: The image; words that nobody read are no partners.
    """
    near, far = _sides(content)
    telling = near >= 0
    if np.count_nonzero(telling) < FEWEST:
        return None
    distances = distances_of(len(near))
    equal = _equal(near, far, distances)
    reached = np.array(distances)
    if content.known is None:
        below = np.concatenate(([0], np.cumsum(telling)))
        compared = below[len(near) - reached]
    else:
        known = content.known
        compared = np.array([np.count_nonzero(telling[:-d] & known[d:]) for d in distances])
    shares = np.where(compared >= FEWEST, equal / np.maximum(compared, 1), 0.0).tolist()
    middle = sorted(shares)[len(shares) // 2]
    return Agreement(distances, tuple(shares), middle, _peaks(distances, shares, middle))


def _sides(content: ChipWords) -> tuple[Any, Any]:
    """The words as near and as far partners: -1 what says nothing on the near side, -2 what was not read."""
    words = comparable(content)
    wide = words.astype(np.int16 if content.organisation.bytes_a_word == 1 else np.int64)
    read = wide if content.known is None else wide[content.known]
    if not len(read):
        return np.full(len(wide), -1), wide
    near, far = np.where(wide == _commonest(read), wide.dtype.type(-1), wide), wide
    if content.known is not None:
        near = np.where(content.known, near, wide.dtype.type(-1))
        far = np.where(content.known, far, wide.dtype.type(-2))
    return near, far


def _commonest(words: Any) -> Any:
    if words.dtype == np.int16:
        return np.bincount(words).argmax()
    values, counts = np.unique(words, return_counts=True)
    return values[counts.argmax()]


def _equal(near: Any, far: Any, distances: tuple[int, ...]) -> Any:
    """How many words equal their partner at each distance."""
    dense = min(FARTHEST, len(near) // 2)
    count = len(near)
    if dense * count > AT_ONCE:
        return np.array([np.count_nonzero(near[:-d] == far[d:]) for d in distances])
    padded = np.concatenate((far[1:], np.full(dense, far.dtype.type(-3))))
    windows = sliding_window_view(padded, count)[:dense]
    # Packed, the bits are counted eight times as fast as truth values are summed.
    close = np.bitwise_count(np.packbits(windows == near, axis=1)).sum(axis=1, dtype=np.int64)
    rest = [np.count_nonzero(near[:-d] == far[d:]) for d in distances[dense:]]
    return np.concatenate((close, np.array(rest, close.dtype)))


def _peaks(distances: tuple[int, ...], shares: list[float], middle: float) -> tuple[int, ...]:
    """The distances that stand out above the middle of all, the highest first."""
    there = [
        (-share, one) for one, share in zip(distances, shares, strict=True) if share >= middle + STANDS_OUT
    ]
    return tuple(one for _, one in sorted(there)[:MOST_NAMED])


@lru_cache(maxsize=64)
def _places(words: int) -> tuple[tuple[int, ...], str, int]:
    """Where each distance stands, the axis, and the width; what chips of one size share."""
    dense = min(FARTHEST, words // 2)
    places = [LEFT + STEP * one for one in range(dense)]
    named = [(one, LEFT + STEP * (one - 1), 0) for one in (1, 8, 16, 24, 32, 40, 48, 56, 64) if one <= dense]
    start = LEFT + STEP * dense + 14
    for place, one in enumerate(distances_of(words)[dense:]):
        group, inside = divmod(place, 2 * AROUND + 1)
        places.append(start + group * A_POWER + inside * STEP)
        if inside == AROUND:
            named.append((one, places[-1], group % 2))
    wide = max(places, default=LEFT) + 16
    # Every second power is named a line lower: five digits are wider than its place.
    ticks = "".join(
        f'<text class="c" x="{x}" y="{TALL + 17 + 11 * low}">{one}</text>' for one, x, low in named
    )
    axis = (
        f'<path d="M{LEFT - 3} 6v{TALL}h{wide - LEFT}"/><text x="{LEFT - 6}" y="12">100%</text>'
        f'<text x="{LEFT - 6}" y="{TALL + 6}">0</text>'
    )
    return tuple(places), f'<g class="ruler">{axis}{ticks}</g>', wide


def agreement_svg(agreement: Agreement, words: int, *, label: str) -> Markup:
    """A bar a distance; those that stand out are named.

    Args:
        agreement: What `agreement_of` gave.
        words: Of the chip.
        label: What the picture shows.
    """
    places, axis, wide = _places(words)
    tall = [round(TALL * share) for share in agreement.shares]
    bars = "".join(f"M{x} {6 + TALL}v-{height}" for x, height in zip(places, tall, strict=True) if height)
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="agreement" role="img" aria-label="{escape(label)}" width="{wide}" height="{TALL + 30}" '
        f'viewBox="0 0 {wide} {TALL + 30}">{axis}<path class="spikes" d="{bars}"/></svg>'
    )


def agreement_words(agreement: Agreement) -> str:
    """The chart as a sentence."""
    by_distance = dict(zip(agreement.distances, agreement.shares, strict=True))
    named = [f"{one:,} ({by_distance[one]:.0%})" for one in agreement.peaks]
    start = (
        "Agreement against distance: the part of the words, the most common left out, that equal the word so "
    )
    start += f"many addresses further on; the middle of all distances is {agreement.middle:.1%}, "
    stand = "stands out" if len(named) == 1 else "stand out"
    return start + (f"and {wording.listed(named)} {stand}." if named else "and none stands out.")

"""A chip of a wide set whose address lines are crossed, shown by its sisters; no instruction set is needed.

The chips of a wide word change together at equal addresses. Where two address lines of one of them are
exchanged on the way to the reader, or one is inverted, it goes with the others at those addresses only that
it gave in its place: among all single exchanges and inversions of its lines the true one goes with its
sisters best.

Data lines cannot be told this way: the sum of squared correlations does not change with their order or
polarity.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.orders import LineChange, crossings
from pipeline.stages.content.linked import (
    CLEAR,
    Together,
    data_columns,
    independent,
    standing_out,
)
from pipeline.words import Words

LEAST_SISTERS = 2
"""Of two chips alone either may be the one that is crossed."""
_ROUGHLY, _LIKELY = 512, 4
"""Words by which the orders are sifted, and how many of them are then held against all words."""
_AHEAD = 5.0
"""Spreads by which the order found must be ahead of the order as read and of every other one."""


class ShownBySisters(NamedTuple):
    """What is crossed.

    Attributes:
        crossing: An exchange or inversion of address lines.
        score: Spreads by which the chip goes with its sisters once that is undone.
        ahead: Spreads by which it then is ahead of the next best order, that as read among them.
        gain: Spreads by which it goes with them better than as read.
    """

    crossing: LineChange
    score: float
    ahead: float
    gain: float


def shown_by_sisters(
    together: Together, words: Words, bits: int, sisters: Sequence[int]
) -> ShownBySisters | None:
    """The one exchange or inversion of address lines with which a chip goes with its sisters, or None.

    Args:
        together: Of the group.
        words: The chip's image, as read.
        bits: Bits a word.
        sisters: Two or more other chips of the group that go together.
    """
    whole = independent(data_columns(words, bits, np.arange(len(words))))
    others = together.columns[list(sisters)].reshape(-1, together.total)
    addresses = np.arange(len(words), dtype=np.uint32)
    every = [one for one in crossings(len(words), bits) if one.bus == "address"]
    orders = [addresses, *(one.undo(addresses) for one in every)]

    def fits(numbers: Sequence[int], step: int) -> NDArray[np.float64]:
        """How well the chip goes with its sisters in some of the orders, by every so many of the words."""
        at, beside = together.at[::step], others[:, ::step].T
        return np.array([((whole[:, orders[number][at]] @ beside) ** 2).sum() for number in numbers])

    rough = fits(range(len(orders)), max(together.total // _ROUGHLY, 1))
    likely = sorted({0, *np.argsort(rough)[-_LIKELY:].tolist()})
    fit = fits(likely, 1)
    best = likely[int(fit.argmax())]
    if best == 0:
        return None
    profile = together.profile_of(independent(data_columns(words[orders[best]], bits, together.at)), sisters)
    spread = 1.4826 * float(np.median(np.abs(profile[1:] - np.median(profile[1:])))) + 1e-12
    second, first = np.sort(fit)[-2:]
    ahead = float(first - second) / spread
    score = standing_out(profile)
    if score < CLEAR or ahead < _AHEAD:
        return None
    return ShownBySisters(every[best - 1], score, ahead, float(first - fit[0]) / spread)

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
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.orders import LineChange, crossings
from pipeline.stages.content.linked import (
    CLEAR,
    Together,
    data_columns,
    independent,
    sampled,
    standing_out,
)
from pipeline.words import Words

LEAST_SISTERS = 2
"""Of two chips alone either may be the one that is crossed."""
_ROUGHLY, _LIKELY = 512, 4
"""Words by which the orders are sifted, and how many of them are then held against all words."""
_AHEAD = 5.0
"""Spreads by which the order found must be ahead of the order as read and of every other one."""
_SIZES_KEPT = 8
"""Sizes of chips and groups whose orders are kept: at most 4.5 MB each (64 K words)."""


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
    every, orders = _orders(len(words), together.chips)
    step = max(together.total // _ROUGHLY, 1)
    rough = _fits(whole, others[:, ::step], orders[:, ::step])
    likely = sorted({0, *np.argsort(rough)[-_LIKELY:].tolist()})
    fit = _fits(whole, others, orders[likely])
    best = likely[int(fit.argmax())]
    second, first = np.sort(fit)[-2:]
    if best == 0 or first - second < _AHEAD * _least_spread(whole, others):
        return None
    profile = together.profile_of(
        independent(data_columns(every[best - 1].undo(words), bits, together.at)), sisters
    )
    spread = 1.4826 * float(np.median(np.abs(profile[1:] - np.median(profile[1:])))) + 1e-12
    ahead = float(first - second) / spread
    score = standing_out(profile)
    if score < CLEAR or ahead < _AHEAD:
        return None
    return ShownBySisters(every[best - 1], score, ahead, float(first - fit[0]) / spread)


@lru_cache(maxsize=_SIZES_KEPT)
def _orders(total: int, chips: int) -> tuple[list[LineChange], NDArray[np.intp]]:
    """Every single change of address lines, and the addresses looked at as read and in each.

    Args:
        total: Words of a chip.
        chips: Of the group; it decides which addresses are looked at.
    """
    addresses: Words = np.arange(total, dtype=np.uint32)
    every = [one for one in crossings(total, 0) if one.bus == "address"]
    each = np.stack([addresses, *(one.undo(addresses) for one in every)])
    return every, each[:, sampled(total, chips)].astype(np.intp)


def _fits(
    whole: NDArray[np.float32], others: NDArray[np.float32], orders: NDArray[np.intp]
) -> NDArray[np.float32]:
    """How well a chip goes with its sisters in each of some orders, as one product of matrices.

    Args:
        whole: Shape (bits, words), of the chip.
        others: Shape (columns, words looked at), of its sisters.
        orders: Shape (orders, words looked at), the addresses.
    """
    # Word by word the columns of a chip lie side by side: what is fetched comes in whole rows.
    correlations = np.matmul(others, np.ascontiguousarray(whole.T).take(orders, axis=0))
    return np.asarray((correlations * correlations).sum(axis=(1, 2)))


def _least_spread(whole: NDArray[np.float32], others: NDArray[np.float32]) -> float:
    """Half the spread that the fit of columns of independent words has; that of any real content is larger.

    Source: a correlation of n independent pairs of values has the variance 1/n, and its square 2/n² (normal
    approximation); the columns of a chip are independent of one another, so that the squares add up.
    """
    squares = int(np.count_nonzero(whole.any(axis=1)) * np.count_nonzero(others.any(axis=1)))
    return 0.5 * float(np.sqrt(2 * squares) / others.shape[1])

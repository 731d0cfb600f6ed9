"""A chip of a wide set whose address lines are crossed, shown by its sisters; no instruction set is needed.

The chips of a wide word change together at equal addresses. Where two address lines of one of them are
exchanged on the way to the reader, or one is inverted, it goes with the others at those addresses only that
it gave in its place: among all single exchanges and inversions of its lines the true one goes with its
sisters best. Correlations find that order and keep strangers out; what the sisters foretell of the chip's
words confirms it, and is not misled by tables whose records recur. The limits were set on the setting half
of `tests/content_accuracy`.

Data lines cannot be told this way: the sum of squared correlations does not change with their order or
polarity.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control.line_changes import LineChange, crossings
from pipeline.stages.content.linked import (
    CLEAR,
    Together,
    data_columns,
    independent,
    sampled,
    standing_out,
)
from pipeline.stages.content.recurring import foretold
from pipeline.words import Words

LEAST_SISTERS = 2
"""Of two chips alone either may be the one that is crossed."""
_ROUGHLY, _LIKELY = 512, 4
"""Words by which the orders are sifted, and how many of them are then held against all words."""
_AHEAD = 5.0
"""Half spreads by which the order found must be ahead of the order as read and of every other one."""
_LEAST_NATS, _LEAST_BESIDES = 60.0, 30.0
"""Nats by which the sisters must foretell the chip better in the order found than in every other one.

And all of them but the one that says most: of two chips alone either may be the one that is crossed.
"""
_LEAST_SHARE = 0.4
"""And share of what the order found is worth above the middle of all orders.

As read an inversion leaves no word in its place and an exchange half of them, so that half and more is
gained; tables whose records recur every few words gain by a wrong exchange too, but little.
"""
_MOST_AGAINST = 0.25
"""Share of what one sister says for an order that another may say against it: one of the two is crossed."""
SUREST = 0.99
"""No line is told as surer: of some 580 chips of the held-out half that were told as crossed none was wrong,
which bounds that at 6 in 1,000 (one-sided, 95 %).
"""
_SIZES_KEPT = 8
"""Sizes of chips and groups whose orders are kept: at most 5 MB each (64 K words)."""


class ShownBySisters(NamedTuple):
    """What is crossed.

    Attributes:
        crossing: An exchange or inversion of address lines.
        score: Spreads by which the chip goes with its sisters once that is undone.
        ahead: Nats by which they then foretell it better than in the next best order, that as read among
            them.
        gain: Nats by which they foretell it better than as read.
    """

    crossing: LineChange
    score: float
    ahead: float
    gain: float

    @property
    def odds(self) -> float:
        """How sure, 0 to `SUREST`. Source: Bayes' rule, every other order as likely as the next best."""
        return min(SUREST, 1 / (1 + float(np.exp(-self.ahead))))


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
    whole = independent(data_columns(words, bits, np.arange(len(words)))[None])[0]
    others = together.columns[list(sisters)].reshape(-1, together.total)
    every, orders, few = _orders(len(words), together.chips)
    # Laid side by side: products of matrices with gaps are taken number by number.
    rough = _fits(whole, np.ascontiguousarray(others[:, :: _step(together.total)]), few)
    likely = sorted({0, *np.argsort(rough)[-_LIKELY:].tolist()})
    fit = _fits(whole, others, orders[likely])
    best = likely[int(fit.argmax())]
    second, first = np.sort(fit)[-2:]
    if best == 0 or first - second < _AHEAD * _least_spread(whole, others):
        return None
    each = foretold(words, bits, [together.images[one] for one in sisters], orders, together.at)
    if not _agree(each, best):
        return None
    columns = independent(data_columns(every[best - 1].undo(words), bits, together.at)[None])[0]
    score = standing_out(together.profile_of(columns, sisters), lead=None)
    if score < CLEAR:
        return None
    nats = each.sum(axis=0)
    return ShownBySisters(every[best - 1], score, _lead(nats, best), float(nats[best] - nats[0]))


def _agree(each: NDArray[np.float64], best: int) -> bool:
    """Whether the sisters foretell the chip's words in one order far better than in all others, and as one.

    Args:
        each: Shape (sisters, orders), nats.
        best: The order.
    """
    nats, gains = each.sum(axis=0), each[:, best] - each[:, 0]
    least = max(_LEAST_NATS, _LEAST_SHARE * float(nats[best] - np.median(nats)))
    besides = nats - each[gains.argmax()]
    return (
        _lead(nats, best) >= least
        and _lead(besides, best) >= _LEAST_BESIDES
        and float(gains.min()) >= -_MOST_AGAINST * float(gains.max())
    )


def _lead(nats: NDArray[np.float64], best: int) -> float:
    """Nats by which one order is ahead of every other."""
    return float(nats[best] - np.delete(nats, best).max())


@lru_cache(maxsize=_SIZES_KEPT)
def _orders(total: int, chips: int) -> tuple[list[LineChange], NDArray[np.intp], NDArray[np.intp]]:
    """Every single change of address lines, and the addresses looked at as read and in each: all, and few.

    Args:
        total: Words of a chip.
        chips: Of the group; it decides which addresses are looked at.
    """
    addresses: Words = np.arange(total, dtype=np.uint32)
    every = [one for one in crossings(total, 0) if one.bus == "address"]
    each = np.stack([addresses, *(one.undo(addresses) for one in every)])
    orders = each[:, sampled(total, chips)].astype(np.intp)
    return every, orders, np.ascontiguousarray(orders[:, :: _step(orders.shape[1])])


def _step(looked_at: int) -> int:
    """Of so many words looked at, every how manieth the orders are sifted by."""
    return max(looked_at // _ROUGHLY, 1)


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

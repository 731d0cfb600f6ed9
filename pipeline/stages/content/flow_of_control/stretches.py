"""The best set of stretches of an image that read as a program: those whose votes pay for being told apart.

Source: two-state Viterbi path (Viterbi 1967), inside and outside, with a price for every change.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.stages.content.flow_of_control.model import Nats

PRICE = 6.0
"""Nats a stretch costs to begin, so that single lucky votes make none."""


def best_total(votes: Sequence[float], price: float = PRICE) -> float:
    """What the best set of stretches is worth; 0 where none pays.

    Example:
        >>> best_total([3.0, 4.0, -9.0, 2.0])
        1.0
    """
    inside, outside = -price, 0.0
    for vote in votes:
        begun = outside - price
        # For every vote of every family, calls of `max` take longer than all the rest.
        inside = (begun if begun > inside else inside) + vote  # noqa: FURB136 - measured
        outside = inside if inside > outside else outside  # noqa: FURB136 - measured
    return outside


def best_totals(votes: Nats, price: float = PRICE) -> Nats:
    """The same for many rows at once.

    Example:
        >>> best_totals(np.array([[3.0, 4.0, -9.0, 2.0], [9.0, -2.0, 4.0, -1.0]])).tolist()
        [1.0, 5.0]
    """
    inside = np.full(len(votes), -price)
    outside = np.zeros(len(votes))
    for vote in votes.T:
        inside = np.maximum(inside, outside - price) + vote
        outside = np.maximum(outside, inside)
    return outside


def best_stretches(
    at: Sequence[int], votes: Sequence[float], price: float = PRICE
) -> list[tuple[int, int, float]]:
    """The stretches themselves: first and last voting place, and the sum of their votes.

    Example:
        >>> best_stretches([10, 20, 30, 40], [3.0, 4.0, -9.0, 2.0])
        [(10, 20, 7.0)]
    """
    inside, outside = -price, 0.0
    since, kept = 0, 0
    # Each state remembers the chain of stretches that led to it: (earlier chain, first, last).
    chain: tuple[object, int, int] | None = None
    before: tuple[object, int, int] | None = None
    for number, vote in enumerate(votes):
        if outside - price >= inside:
            inside, since, before = outside - price, number, chain
        inside += vote
        if inside > outside:
            outside, chain = inside, (before, since, number)
    out: list[tuple[int, int, float]] = []
    while chain is not None:
        earlier, since, kept = chain
        out.append((at[since], at[kept], float(sum(votes[since : kept + 1]))))
        chain = earlier  # type: ignore[assignment]
    return out[::-1]

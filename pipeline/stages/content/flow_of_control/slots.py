"""The slots of an address space in which rows of chips may begin, and which row begins where.

A slot is a multiple of the chips' size. What speaks for a row in a slot is what speaks for each of its chips.

Source: linear assignment (Kuhn 1955), by `scipy` where there is much of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.lines.assignment import cheapest_columns
from pipeline.stages.content.flow_of_control.model import Nats
from pipeline.stages.content.flow_of_control.neighbours import Linked, Links

LEAST_STANDING = 8.0
"""Nats by which every other way of placing all chips must be worse; below it nothing is said."""
_NEVER = -1e9
_FEW = 4096
"""Pairs of a chip and a place that are weighed without scipy: 10 ms for sixteen chips, measured."""

Places = Mapping[int, tuple[int, float]]
"""Chip → its first place's address and by how much that stands out."""


class OneSize(NamedTuple):
    """All chips of one size: their numbers, what links them (by position in `chips`), and their rows."""

    size: int
    chips: list[int]
    links: Links
    rows: list[Linked]


def speaking_for(
    group: OneSize, slots: NDArray[np.int64], says: Nats, before: Places, most: int
) -> tuple[NDArray[np.int64], Nats]:
    """The slots in which rows may begin, and shape (slots, rows): what speaks for each one's beginning there.

    Args:
        group: The chips of one size.
        slots: Those that far targets name.
        says: Shape (slots, chips), what these say for each chip's standing there.
        before: Where chips stood in the round before; distances between them and others speak, too.
        most: Slots of the machine.
    """
    entries = [list(_entries(group, row, slots, says, before)) for row in group.rows]
    named = [base for one in entries for base, _ in one]
    bases = np.unique(np.concatenate(named)) if named else np.zeros(0, np.int64)
    bases = bases[(bases >= 0) & (bases < most)]
    worth = np.zeros((len(bases), len(group.rows)))
    for column, (row, one) in enumerate(zip(group.rows, entries, strict=True)):
        length = max(row.at.values())
        for base, nats in one:
            fits = (base >= 0) & (base + length < most)
            np.add.at(worth[:, column], np.searchsorted(bases, base[fits]), nats[fits])
    return bases, worth


def _entries(
    group: OneSize, row: Linked, slots: NDArray[np.int64], says: Nats, before: Places
) -> Iterator[tuple[NDArray[np.int64], Nats]]:
    """Slots in which a row may begin, and what far targets, and distances of placed chips, say for each."""
    reach = group.links.reach
    for chip, at in row.at.items():
        own = group.chips.index(chip)
        yield slots - at, says[:, own]
        for number, other in enumerate(group.chips):
            if other in before and other not in row.at and group.links.leading[:, number, own].any():
                there = before[other][0] // group.size
                yield there + np.arange(-reach, reach + 1) - at, group.links.nats[:, number, own]


def assigned(worth: Nats) -> dict[int, tuple[int, float]]:
    """Column → row of the best assignment, and how much worse the best one without that pair is."""
    best, total = _best(worth)
    out = {}
    for column, row in best.items():
        without = worth.copy()
        without[row, column] = _NEVER
        out[column] = (row, total - _best(without)[1])
    return {column: one for column, one in out.items() if one[1] >= LEAST_STANDING}


def _best(worth: Nats) -> tuple[dict[int, int], float]:
    """The best assignment of columns to rows, each to none at worth 0."""
    rows, columns = worth.shape
    nowhere = np.full((columns, columns), _NEVER)
    np.fill_diagonal(nowhere, 0.0)
    every = np.concatenate([worth, nowhere])
    chosen = _dearest_rows(every)
    in_order = sorted(range(columns), key=chosen.__getitem__)
    total = float(every[[chosen[column] for column in in_order], in_order].sum())
    return {column: chosen[column] for column in in_order if chosen[column] < rows}, total


def _dearest_rows(worth: Nats) -> list[int]:
    """For each column the row that it is assigned to; as many rows as columns, or more."""
    if worth.size <= _FEW:
        return cheapest_columns((-worth.T).tolist())
    # Loading scipy takes as long as many small assignments; it answers the same, ties and all.
    from scipy.optimize import linear_sum_assignment

    return [int(row) for row in linear_sum_assignment(-worth.T)[1]]

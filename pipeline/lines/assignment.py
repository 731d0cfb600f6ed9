"""Each row gets a column of its own, so that all together are cheapest.

Loading scipy for this takes longer, and more memory, than everything else that one chip needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

NOBODY = -1


def cheapest_columns(costs: Sequence[Sequence[float]]) -> list[int]:
    """For each row its column.

    Rows are placed one by one. Each takes the cheapest free column that can be had when others may move over
    (`_Matching.place`); prices of rows and columns keep track of what moving costs. Among equals, a free
    column and then the first wins, as in scipy's function, so that both answer alike: a test compares them.

    Args:
        costs: As many columns as rows, or more; finite numbers.

    Source: Jonker & Volgenant 1987 in the form of Crouse 2016, "On implementing 2D rectangular assignment
    algorithms", IEEE Transactions on Aerospace and Electronic Systems 52 (from memory).
    """
    matching = _Matching(costs)
    for row in range(len(costs)):
        matching.place(row)
    return matching.column_of


class _Matching:
    """Rows and columns matched so far, and their prices."""

    def __init__(self, costs: Sequence[Sequence[float]]) -> None:
        rows, columns = len(costs), len(costs[0]) if costs else 0
        self._costs = costs
        self._row_price = [0.0] * rows
        self._column_price = [0.0] * columns
        self._row_of = [NOBODY] * columns
        self.column_of = [NOBODY] * rows

    def place(self, row: int) -> None:
        """One more row, along the cheapest path of columns from it to a free one (Dijkstra's search)."""
        count = len(self._row_of)
        shortest, before = [inf] * count, [NOBODY] * count
        open_columns = list(range(count - 1, -1, -1))
        rows, columns = [row], []
        lowest, at = 0.0, row
        while True:
            self._reach(at, lowest, open_columns, shortest, before)
            place = self._nearest(open_columns, shortest)
            column = open_columns[place]
            lowest = shortest[column]
            columns.append(column)
            open_columns[place] = open_columns[-1]
            open_columns.pop()
            at = self._row_of[column]
            if at == NOBODY:
                break
            rows.append(at)
        self._raise_prices(rows, columns, lowest, shortest)
        self._move_over(row, columns[-1], before)

    def _reach(
        self, row: int, so_far: float, columns: Sequence[int], shortest: list[float], before: list[int]
    ) -> None:
        """What each column costs by way of a row, where that is cheaper than what is known."""
        costs, price = self._costs[row], self._row_price[row]
        for column in columns:
            cost = so_far + costs[column] - price - self._column_price[column]
            if cost < shortest[column]:
                shortest[column], before[column] = cost, row

    def _nearest(self, columns: Sequence[int], shortest: Sequence[float]) -> int:
        """Where in a list the cheapest column stands; among equals a free one."""
        found, least = NOBODY, inf
        for place, column in enumerate(columns):
            cost = shortest[column]
            if cost < least or (cost == least and self._row_of[column] == NOBODY):
                found, least = place, cost
        return found

    def _raise_prices(
        self, rows: Sequence[int], columns: Sequence[int], lowest: float, shortest: Sequence[float]
    ) -> None:
        self._row_price[rows[0]] += lowest
        for row in rows[1:]:
            self._row_price[row] += lowest - shortest[self.column_of[row]]
        for column in columns:
            self._column_price[column] -= lowest - shortest[column]

    def _move_over(self, row: int, column: int, before: Sequence[int]) -> None:
        """The free column at the path's end is taken, and each row on the path hands its own on."""
        at = NOBODY
        while at != row:
            at = before[column]
            self._row_of[column] = at
            self.column_of[at], column = column, self.column_of[at]

"""Rows and columns assigned: as scipy does it, ties and all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.lines.assignment import cheapest_columns


def _theirs(costs: NDArray[np.float64]) -> list[int]:
    return [int(column) for column in linear_sum_assignment(costs)[1]]


@given(
    st.integers(1, 9).flatmap(
        lambda count: arrays(np.float64, (count, count), elements=st.sampled_from([0.0, 0.5, 1.0, 3.0, -2.0]))
    )
)
def test_costs_full_of_ties_are_assigned_as_scipy_assigns_them(costs: NDArray[np.float64]) -> None:
    """Source: scipy.optimize.linear_sum_assignment."""
    assert cheapest_columns(costs.tolist()) == _theirs(costs)


@pytest.mark.parametrize("count", [1, 2, 13, 24])
def test_costs_of_any_size_are_assigned_as_scipy_assigns_them(count: int) -> None:
    """Source: scipy.optimize.linear_sum_assignment."""
    rng = np.random.default_rng(count)
    for _ in range(20):
        costs = rng.exponential(size=(count, count)) * 10.0 ** rng.integers(-9, 9)
        assert cheapest_columns(costs.tolist()) == _theirs(costs)


@pytest.mark.parametrize(("rows", "columns"), [(1, 2), (3, 5), (7, 40), (12, 13)])
def test_more_columns_than_rows_are_assigned_as_scipy_assigns_them(rows: int, columns: int) -> None:
    """Source: scipy.optimize.linear_sum_assignment; costs full of ties and costs without any."""
    rng = np.random.default_rng(rows * columns)
    for _ in range(20):
        ties = rng.integers(-2, 3, size=(rows, columns)).astype(np.float64)
        for costs in (ties, rng.exponential(size=(rows, columns)) - 1):
            assert cheapest_columns(costs.tolist()) == _theirs(costs)


def test_no_rows_are_given_no_columns() -> None:
    assert cheapest_columns([]) == []

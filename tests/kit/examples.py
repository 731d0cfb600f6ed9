"""How many examples a test takes that is dear, and which of its cases wait for the drills."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from _pytest.mark import ParameterSet
from hypothesis import settings


def examples(share: float, *, least: int = 5, most: int = 1_000_000) -> int:
    """A share of what the profile asks for: 40 in `ci`, 200 in `long`, 100,000 in `night`."""
    return min(most, max(least, int(settings().max_examples * share)))


def drilled_but(cases: Iterable[Any], *kept: object, several: bool = False) -> list[ParameterSet]:
    """All cases of a parameter: those kept in every run, the others where the drills run.

    Args:
        cases: Of one parameter, or of several at once.
        kept: Some of them.
        several: Each case is a tuple of the values of several parameters.
    """
    listed = list(cases)
    assert all(one in listed for one in kept), kept
    return [
        pytest.param(*(one if several else (one,)), marks=[] if one in kept else [pytest.mark.drill])
        for one in listed
    ]

"""Hypothesis profiles: `dev` while typing, `ci` for every run, `night` for long hunts and slow tests."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("dev", max_examples=50, deadline=None)
settings.register_profile("ci", max_examples=200, deadline=None, derandomize=True)
settings.register_profile(
    "night", max_examples=100_000, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests of minutes run in the night profile only, and say so."""
    if os.environ.get("HYPOTHESIS_PROFILE") == "night":
        return
    for item in items:
        if item.get_closest_marker("slow"):
            item.add_marker(
                pytest.mark.skip(reason="minutes, not seconds: run with HYPOTHESIS_PROFILE=night")
            )

"""How the suite runs: hypothesis profiles, several processes at once, and clocks alone after everything else.

`dev` while typing, `ci` for every run, `night` for long hunts and slow tests;
`mutation` gives every changed program the same examples and makes none smaller: that it fails is enough.
"""

from __future__ import annotations

import os
import time
from collections.abc import Generator, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

import pytest
from hypothesis import HealthCheck, Phase, settings

try:
    import fcntl
except ImportError:  # Windows: there the group alone keeps the clocks together
    fcntl = None  # type: ignore[assignment]

settings.register_profile("dev", max_examples=50, deadline=None)
settings.register_profile("ci", max_examples=200, deadline=None, derandomize=True)
settings.register_profile(
    "night", max_examples=100_000, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "mutation",
    max_examples=50,
    deadline=None,
    derandomize=True,
    database=None,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.too_slow],
)
os.environ["COLUMNS"] = "0"
"""Lines stay whole, so that a test finds a sentence; tests of the width set their own."""
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Clocks come last and in one process, the browser's pages in one too.

    Tests of minutes wait for the night.
    """
    night = os.environ.get("HYPOTHESIS_PROFILE") == "night"
    for item in items:
        if item.get_closest_marker("clock"):
            item.add_marker(pytest.mark.xdist_group("clock"))
        elif "browser" in item.path.parts:
            item.add_marker(pytest.mark.xdist_group("browser"))
        if item.get_closest_marker("drill") or item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.timeout(30 * 60))
        if item.get_closest_marker("slow") and not night:
            item.add_marker(
                pytest.mark.skip(reason="minutes, not seconds: run with HYPOTHESIS_PROFILE=night")
            )
    items.sort(key=lambda item: item.get_closest_marker("clock") is not None)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """A test that holds a clock waits until the other processes of the run rest, and they wait for it."""
    with _turn(alone=item.get_closest_marker("clock") is not None):
        return (yield)


@contextmanager
def _turn(*, alone: bool) -> Iterator[None]:
    if fcntl is None or "PYTEST_XDIST_WORKER" not in os.environ:
        yield
        return
    with Path(__file__).open("rb") as lock:  # this file stands for the run: every process of it can open it
        _await(lock, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        try:
            yield
        finally:
            # Closing is not enough: a child that a test forked and left holds the open file too, flock(2).
            fcntl.flock(lock, fcntl.LOCK_UN)


def _await(lock: BinaryIO, kind: int) -> None:
    """Wait ten minutes for a turn at most: a run must end, even where a process that died left its lock."""
    for _ in range(10 * 60 * 10):
        with suppress(BlockingIOError):
            fcntl.flock(lock, kind | fcntl.LOCK_NB)
            return
        time.sleep(0.1)

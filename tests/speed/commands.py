"""Whole commands timed in turn, so that a busy moment of the machine meets all of them."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Sequence

PYTHON = sys.executable
PROGRAM = (PYTHON, "-m", "pipeline")
LONGEST_SECONDS = 900
"""No command that is measured takes so long; one that hangs ends the run."""


def seconds(command: Sequence[str]) -> float:
    """How long one run of a command takes; it has to end well.

    The limit is kept by a second thread: `subprocess` with a limit of its own looks every 50 ms whether the
    command has ended, so that 70 ms read as 115.
    """
    begins = time.perf_counter()
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    limit = threading.Timer(LONGEST_SECONDS, running.kill)
    limit.start()
    try:
        code = running.wait()
        taken = time.perf_counter() - begins
    finally:
        limit.cancel()
        running.kill()
    if code:
        raise subprocess.CalledProcessError(code, command)
    return taken


def in_turn(*commands: Sequence[str], runs: int = 3) -> list[list[float]]:
    """Seconds of each run of each command, all run once before any is run again."""
    taken = [[seconds(command) for command in commands] for _ in range(runs)]
    return [list(one) for one in zip(*taken, strict=True)]


def ratios(ours: Sequence[str], theirs: Sequence[str], *, runs: int) -> list[float]:
    """One command over another, a figure a run: what was run right after one another is compared."""
    return over(*in_turn(ours, theirs, runs=runs))


def over(ours: Sequence[float], theirs: Sequence[float]) -> list[float]:
    """Run by run."""
    return [one / other for one, other in zip(ours, theirs, strict=True)]

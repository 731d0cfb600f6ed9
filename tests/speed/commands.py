"""Whole commands timed in turn, so that a busy moment of the machine meets all of them."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Sequence

PYTHON = sys.executable
PROGRAM = (PYTHON, "-m", "pipeline")
LONGEST_SECONDS = 900
"""No command that is measured takes so long; one that hangs ends the run."""


def seconds(command: Sequence[str]) -> float:
    """How long one run of a command takes; it has to end well."""
    begins = time.perf_counter()
    subprocess.run(
        command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=LONGEST_SECONDS
    )
    return time.perf_counter() - begins


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

"""What a command and its children take: seconds, and memory summed over all of them."""

from __future__ import annotations

import os
import resource
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path


def watched(command: Sequence[str], every_seconds: float = 0.1) -> tuple[float, float]:
    """Seconds, and the peak of the summed resident memory of the process and its children, in MB."""
    begins = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    peak = 0
    while child.poll() is None:
        peak = max(peak, _family_kb(child.pid))
        time.sleep(every_seconds)
    if child.returncode:
        raise RuntimeError(f"{command} ended with {child.returncode}")
    largest = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return time.perf_counter() - begins, max(peak, largest if peak == 0 else peak) / 1024


def _family_kb(pid: int) -> int:
    """Resident kilobytes of a process and its descendants; 0 where /proc is not there."""
    total = 0
    pending = [pid]
    while pending:
        one = pending.pop()
        base = Path("/proc") / str(one)
        try:
            for line in (base / "status").read_text().splitlines():
                if line.startswith("VmRSS:"):
                    total += int(line.split()[1])
            for task in os.listdir(base / "task"):  # noqa: PTH208 - names only
                pending += [int(child) for child in (base / "task" / task / "children").read_text().split()]
        except (OSError, ValueError):
            continue
    return total

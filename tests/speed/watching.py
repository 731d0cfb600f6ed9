"""What a command and its children take: seconds, and memory summed over all of them.

Summed by resident pages, a library that three processes have mapped counts three times, though it lies in
memory once; in proportional set sizes it counts once. Packaging's bounds are on the second, and the first is
told beside it.

Source: `/proc/PID/smaps_rollup`, proc(5): Pss is "the process's proportional share of this mapping", from
memory.
"""

from __future__ import annotations

import os
import resource
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple


class Watched(NamedTuple):
    """What a command took.

    Attributes:
        seconds: By the clock.
        memory_mb: The peak of what it and its children hold of the machine's memory: proportional set sizes.
        resident_mb: The peak of the sum of their resident pages.
    """

    seconds: float
    memory_mb: float
    resident_mb: float


def watched(command: Sequence[str], every_seconds: float = 0.1) -> Watched:
    """Run a command to its end and look at it meanwhile."""
    begins = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    memory = resident = 0
    while child.poll() is None:
        own, pages = _family_kb(child.pid)
        memory, resident = max(memory, own), max(resident, pages)
        time.sleep(every_seconds)
    if child.returncode:
        raise RuntimeError(f"{command} ended with {child.returncode}")
    if not memory:  # another system: the largest process of them is all that can be said
        memory = resident = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return Watched(time.perf_counter() - begins, memory / 1024, resident / 1024)


def _family_kb(pid: int) -> tuple[int, int]:
    """Kilobytes of a process and its descendants, proportional and resident; 0 where /proc is not there.

    A child that has not become its own program yet lives in its parent's memory, which counts once: vfork(2).
    """
    memory = resident = 0
    pending = [(pid, b"")]
    while pending:
        one, parents_program = pending.pop()
        base = Path("/proc") / str(one)
        try:
            program = (base / "cmdline").read_bytes()
            if program == parents_program:
                continue
            for line in (base / "smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    memory += int(line.split()[1])
                elif line.startswith("Rss:"):
                    resident += int(line.split()[1])
            for task in os.listdir(base / "task"):  # noqa: PTH208 - names only
                children = (base / "task" / task / "children").read_text().split()
                pending += [(int(child), program) for child in children]
        except (OSError, ValueError):
            continue
    return memory, resident

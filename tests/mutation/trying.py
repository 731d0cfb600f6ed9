"""One change tried, in a process of its own: put in, and the tests that reach it run until one fails."""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
import signal
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest

from tests.mutation.changes import Change, put_in
from tests.mutation.reach import Reached, caches, run

Outcome = Literal["noticed", "survived", "no test"]
MEMORY_BYTES = 6 << 30
"""What a changed program may ask for: a shift the wrong way round asks for all there is."""
PATIENCE = 10
"""So many times its processor time without the change, and 5 s, and a test is taken to never end: noticed."""


@dataclass(frozen=True)
class Tried:
    """What became of a change; `left_out` says how many tests were too slow to be asked."""

    change: Change
    outcome: Outcome
    left_out: int


def tried(
    change: Change,
    names: Sequence[str],
    items: dict[str, pytest.Item],
    reached: dict[str, Reached],
    most: float,
) -> Tried:
    """Run the tests named, in their order, as long as they take no more than `most` seconds together."""
    chosen: list[pytest.Item] = []
    seconds = 0.0
    for name in names:
        seconds += reached[name]["seconds"]
        if seconds <= most:
            chosen.append(items[name])
    left_out = len(names) - len(chosen)
    if not chosen:
        return Tried(change, "no test", left_out)
    scratch = Path(tempfile.mkdtemp(prefix="change-"))
    child = os.fork()
    if child == 0:
        os._exit(_in_child(change, chosen, reached, scratch))
    status = os.waitpid(child, 0)[1]
    shutil.rmtree(scratch, ignore_errors=True)
    return Tried(change, "noticed" if status else "survived", left_out)


def _in_child(change: Change, chosen: list[pytest.Item], reached: dict[str, Reached], scratch: Path) -> int:
    """0 where every test passes with the change; every other way to end is a notice."""
    nothing = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(nothing, descriptor)
    os.environ["PYTEST_DEBUG_TEMPROOT"] = os.environ["TMPDIR"] = tempfile.tempdir = str(scratch)
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    with contextlib.suppress(BaseException):
        put_in(change)
        for one in caches():
            one.cache_clear()
        for item, following in zip(chosen, [*chosen[1:], None], strict=True):
            limit = 5 + PATIENCE * reached[item.nodeid]["seconds"]
            signal.setitimer(signal.ITIMER_PROF, limit)
            signal.setitimer(
                signal.ITIMER_REAL, 60 + PATIENCE * limit
            )  # one that waits takes no processor time
            if not run(item, following):
                return 1
        return 0
    return 1

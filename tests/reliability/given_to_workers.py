"""What tests have workers do; a module of its own, so that a worker loads nothing else."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence

from pipeline.errors import StorageError


def refuse(_shared: object, _items: Sequence[int]) -> list[float]:
    raise StorageError(where="a chip", problem="the disk says: no", remedy="Wait")


def stumble(_shared: object, items: Sequence[int]) -> list[float]:
    return [1 / each for each in items]


def only_in_workers(shared: tuple[int, str], items: Sequence[int]) -> list[float]:
    """`refuse` or `stumble`; the process that began them only waits, so that others have some."""
    begun_by, what = shared
    if os.getpid() == begun_by:
        time.sleep(0.5)
        return []
    return refuse(None, items) if what == "refuse" else stumble(None, items)


def told_by(_shared: object, items: Sequence[int]) -> list[tuple[int, int]]:
    """Each with the process that had it."""
    time.sleep(0.05)
    return [(each, os.getpid()) for each in items]


def double(_shared: object, items: Sequence[int]) -> list[int]:
    print("not an answer")
    return [2 * each for each in items]

"""What tests have workers do; a module of its own, so that a worker loads nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.errors import StorageError


def refuse(_shared: object, _items: Sequence[int]) -> list[int]:
    raise StorageError(where="a chip", problem="the disk says: no", remedy="Wait")


def stumble(_shared: object, items: Sequence[int]) -> list[float]:
    return [1 / each for each in items]


def double(_shared: object, items: Sequence[int]) -> list[int]:
    print("not an answer")
    return [2 * each for each in items]

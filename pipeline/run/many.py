"""The same work on many bags or projects: one that fails keeps none of the others from being done."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

from pipeline.errors import WellreadError

R = TypeVar("R")


def each_one(paths: Iterable[Path], work: Callable[[Path], R]) -> Iterator[tuple[Path, R | WellreadError]]:
    """Each path with what the work gave, or with the error that ended it, in order.

    A bug is no error of one bag: it ends the run, as does whoever interrupts it.

    Args:
        paths: Of bags or projects.
        work: Done with one of them.
    """
    for path in paths:
        try:
            yield path, work(path)
        except WellreadError as error:
            yield path, error

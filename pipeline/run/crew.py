"""Many chips at once: the same work inline for a few, over the cores for many, results in order.

Workers are started afresh (never forked from a process that may hold threads), ignore Ctrl-C (the parent ends
them), and hand their exceptions back.
"""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Self, TypeVar

T = TypeVar("T")
R = TypeVar("R")

FEWEST_FOR_WORKERS = 400
"""Fewer chips than this are done sooner than a second process has started."""
BATCH = 40


def _start(setup: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    setup(*arguments)


def worker_count() -> int:
    """How many processes to use: one a core that this process may run on, eight at most."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(8, cores))


class Crew:
    """Runs one function over batches, in this process or in several.

    Args:
        setup: Called once in each process before any work, with `arguments`.
        arguments: Small and picklable.
        items: How many items there will be; decides whether workers pay.
    """

    def __init__(self, setup: Callable[..., None], arguments: tuple[Any, ...], *, items: int) -> None:
        self._setup, self._arguments = setup, arguments
        self._pool: Any = None
        self._many = items >= FEWEST_FOR_WORKERS and worker_count() > 1

    def __enter__(self) -> Self:
        if self._many:
            import multiprocessing

            context = multiprocessing.get_context("spawn")
            self._pool = context.Pool(worker_count(), _start, (self._setup, self._arguments))
        else:
            self._setup(*self._arguments)
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if self._pool is None:
            return
        if kind is None:
            self._pool.close()
        else:
            self._pool.terminate()
        with contextlib.suppress(KeyboardInterrupt):
            self._pool.join()

    def each(self, work: Callable[[Sequence[T]], list[R]], items: Iterable[T]) -> Iterator[R]:
        """`work` over batches of the items; results in the items' order."""
        batches = _batched(items)
        source = self._pool.imap(work, batches) if self._pool is not None else map(work, batches)
        for results in source:
            yield from results


def _batched(items: Iterable[T]) -> Iterator[list[T]]:
    batch: list[T] = []
    for item in items:
        batch.append(item)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch

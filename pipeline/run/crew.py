"""Many chips at once: the same work inline for a few, over the cores for many, results in order.

Workers are started afresh (never forked from a process that may hold threads), once for all stages of a task;
they ignore Ctrl-C (the parent ends them), and hand their exceptions back. What all items of a stage share is
handed over once a process, in a file, not with every batch.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Self, TypeVar

from pipeline.edges.disk_errors import storage_trouble

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

FEWEST_FOR_WORKERS = 400
"""Fewer chips than this are done sooner than a second process has started."""
BATCH = 40


def _start() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


_SHARED: dict[str, Any] = {}


def _shared(path: str) -> Any:
    """What the items of a stage share, read once a process; what the stage before shared is dropped."""
    if path not in _SHARED:
        _SHARED.clear()
        _SHARED[path] = pickle.loads(Path(path).read_bytes())  # noqa: S301 - written by our own parent a moment ago
    return _SHARED[path]


def _call(task: tuple[Callable[[Any, Sequence[Any]], list[Any]], str, Sequence[Any]]) -> list[Any]:
    work, path, batch = task
    return work(_shared(path), batch)


def worker_count() -> int:
    """How many processes to use: one a core that this process may run on, eight at most."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(8, cores))


class Crew:
    """Runs functions over batches, in this process or in several.

    Args:
        items: How many items there will be; decides whether workers pay.
        folder: Where what is shared may lie while the crew is at work; the system's own where None.
    """

    def __init__(self, *, items: int, folder: Path | None = None) -> None:
        self._many = items >= FEWEST_FOR_WORKERS and worker_count() > 1
        self._folder = folder
        self._place: tempfile.TemporaryDirectory[str] | None = None
        self._pool: Any = None
        self._stages = 0

    def __enter__(self) -> Self:
        if self._many:
            import multiprocessing

            with storage_trouble(self._folder or Path(tempfile.gettempdir())):
                self._place = tempfile.TemporaryDirectory(dir=self._folder, prefix="shared-")
            self._pool = multiprocessing.get_context("spawn").Pool(worker_count(), _start)
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if self._pool is not None:
            if kind is None:
                self._pool.close()
            else:
                self._pool.terminate()
            with contextlib.suppress(KeyboardInterrupt):
                self._pool.join()
        if self._place is not None:
            self._place.cleanup()

    def each(
        self, work: Callable[[S, Sequence[T]], list[R]], shared: S, items: Iterable[T], *, batch: int = BATCH
    ) -> Iterator[R]:
        """`work(shared, batch)` over batches of the items; results in the items' order.

        Args:
            work: A function of a module, so that another process finds it.
            shared: Picklable; the same for all items.
            items: Picklable each.
            batch: Items handed over together.
        """
        batches = _batched(items, batch)
        if self._pool is None:
            for some in batches:
                yield from work(shared, some)
            return
        assert self._place is not None
        self._stages += 1
        path = Path(self._place.name) / f"{self._stages}"
        with storage_trouble(path):
            path.write_bytes(pickle.dumps(shared, protocol=pickle.HIGHEST_PROTOCOL))
        for results in self._pool.imap(_call, ((work, str(path), some) for some in batches)):
            yield from results


def _batched(items: Iterable[T], size: int) -> Iterator[list[T]]:
    batch: list[T] = []
    for item in items:
        batch.append(item)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch

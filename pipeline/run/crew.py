"""Many chips at once: the same work inline for a few, over the cores for many, results in order.

Workers are started afresh (never forked from a process that may hold threads), once for all stages of a task;
they ignore Ctrl-C (the parent ends them), and hand their exceptions back. What all items of a stage share is
handed over once a process, in a file, not with every batch.
"""

from __future__ import annotations

import contextlib
import pickle
import signal
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, TypeVar

from pipeline.edges.disk_errors import storage_trouble, worker_ended

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

FEWEST_FOR_WORKERS = 400
"""Fewer chips than this are done sooner than a second process has started."""
BATCH = 40
AHEAD = 3
"""Batches for each worker that are being worked on or wait."""


def _start() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


_SHARED: dict[str, Any] = {}  # whatever a stage shares; each knows its own


def _shared(path: str) -> Any:
    """What the items of a stage share, read once a process; what the stage before shared is dropped."""
    if path not in _SHARED:
        _SHARED.clear()
        _SHARED[path] = pickle.loads(Path(path).read_bytes())  # noqa: S301 - written by our own parent a moment ago
    return _SHARED[path]


_Task = tuple[Callable[[Any, Sequence[Any]], list[Any]], str, Sequence[Any]]
"""What is done, where that lies which all items share, and the items."""


def _call(task: _Task) -> list[Any]:
    work, path, batch = task
    return work(_shared(path), batch)


def worker_count() -> int:
    """How many processes to use: one a core that this process may run on, eight at most."""
    from pipeline.edges.bags.digest_pool import cores

    return max(1, min(8, cores()))


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
        self._pool: ProcessPoolExecutor | None = None
        self._stages = 0

    def __enter__(self) -> Self:
        if self._many:
            import multiprocessing
            from concurrent.futures import ProcessPoolExecutor

            with storage_trouble(self._folder or Path(tempfile.gettempdir())):
                self._place = tempfile.TemporaryDirectory(dir=self._folder, prefix="shared-")
            self._pool = ProcessPoolExecutor(
                worker_count(), multiprocessing.get_context("spawn"), initializer=_start
            )
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if self._pool is not None:
            # A batch that is being worked on ends in a second or two; those that wait are dropped.
            with contextlib.suppress(KeyboardInterrupt):
                self._pool.shutdown(wait=True, cancel_futures=True)
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

        Raises:
            ResourceError: The system ended a worker, or started none.
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
        yield from _in_order(self._pool, ((work, str(path), some) for some in batches))


def _in_order(pool: ProcessPoolExecutor, tasks: Iterable[_Task]) -> Iterator[Any]:
    """The results of tasks in their order; a few tasks always wait, so that no worker stands idle."""
    from concurrent.futures.process import BrokenProcessPool

    ahead = AHEAD * worker_count()
    waiting: deque[Future[list[Any]]] = deque()
    try:
        for task in tasks:
            waiting.append(pool.submit(_call, task))
            if len(waiting) >= ahead:
                yield from waiting.popleft().result()
        while waiting:
            yield from waiting.popleft().result()
    except BrokenProcessPool as error:
        raise worker_ended("packaging") from error


def _batched(items: Iterable[T], size: int) -> Iterator[list[T]]:
    batch: list[T] = []
    for item in items:
        batch.append(item)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch

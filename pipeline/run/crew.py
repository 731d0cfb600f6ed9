"""Many chips at once: the same work inline for a few, over the cores for many, results in order.

Workers are started afresh (never forked from a process that may hold threads), once for all stages of a task;
they hand their exceptions back, and end when this process does. What all items of a stage share is handed
over once a process, in a file, not with every batch.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice
from pathlib import Path
from typing import Any, NamedTuple, Self, TypeVar

from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.worker_pool import AHEAD, Tasks, WorkerPool, cores, program
from pipeline.run import crew_worker

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

FEWEST_FOR_WORKERS = 200
"""Fewer small chips than this are done sooner than a second process has started."""
LEAST_BYTES_FOR_WORKERS = 1 << 20
"""Some chips with so many bytes of dumps are as much work: a byte takes two microseconds."""
_SOME = 4
BATCH = 40


class _Task(NamedTuple):
    """Some items, and what is done with them, as a worker is told."""

    number: int
    packed: bytes


def worker_count() -> int:
    """How many processes to use: one a core that this process may run on, eight at most."""
    return max(1, min(8, cores()))


class Crew:
    """Runs functions over batches, in this process or in several.

    Args:
        items: How many items there will be; decides whether workers pay.
        size_bytes: How many bytes the items are made of; decides it, too.
        folder: Where what is shared may lie while the crew is at work; the system's own where None.
        loads: A module that each worker loads before it is given anything, while this process goes on.
        workers: How many processes there will be, where they pay; one a core where None.
    """

    def __init__(
        self,
        *,
        items: int,
        size_bytes: int = 0,
        folder: Path | None = None,
        loads: str = "",
        workers: int | None = None,
    ) -> None:
        much = items >= _SOME and size_bytes >= LEAST_BYTES_FOR_WORKERS
        self._many = (items >= FEWEST_FOR_WORKERS or much) and worker_count() > 1
        self._batch = max(1, min(BATCH, items // (2 * _SOME * worker_count()))) if self._many else BATCH
        self._workers = worker_count() if workers is None else workers
        self._folder = folder
        self._place: tempfile.TemporaryDirectory[str] | None = None
        self._tasks = Tasks[_Task]()
        self._pool = WorkerPool(
            self._tasks,
            program(crew_worker.__file__, loads, *sys.path, flags=["-P"]),
            lambda task: task.packed,
            where="packaging",
        )
        self._stages = self._given = 0
        self._early: dict[int, list[Any]] = {}

    def __enter__(self) -> Self:
        if self._many:
            with storage_trouble(self._folder or Path(tempfile.gettempdir())):
                self._place = tempfile.TemporaryDirectory(dir=self._folder, prefix="shared-")
            self._pool.start(self._workers)
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self.end()
        if self._place is not None:
            self._place.cleanup()

    def end(self) -> None:
        """The workers go, and their memory with them; what is done afterwards is done in this process."""
        self._many = False
        self._pool.close()

    def each(
        self, work: Callable[[S, Sequence[T]], list[R]], shared: S, items: Iterable[T], *, batch: int = 0
    ) -> Iterator[R]:
        """`work(shared, batch)` over batches of the items; results in the items' order.

        Other processes begin at once, this one when it is asked for results.

        Args:
            work: A function of a module, so that another process finds it.
            shared: Picklable; the same for all items.
            items: Picklable each.
            batch: Items handed over together; a few batches a process where not said.

        Raises:
            ResourceError: The system ended a worker.
        """
        batches = _batched(items, batch or self._batch)
        if not (self._many and self._pool.running):
            return chain.from_iterable(work(shared, some) for some in batches)
        assert self._place is not None
        self._stages += 1
        path = Path(self._place.name) / f"{self._stages}"
        with storage_trouble(path):
            path.write_bytes(pickle.dumps(shared, protocol=pickle.HIGHEST_PROTOCOL))
        packed = (pickle.dumps((work, str(path), some)) for some in batches)
        return self._in_order(packed, self._give(islice(packed, AHEAD * self._pool.running)))

    def _in_order(self, packed: Iterator[bytes], given: Iterable[int]) -> Iterator[Any]:
        """The results of tasks in their order; a few always wait, so that no worker stands idle."""
        wanted = deque(given)
        while wanted:
            while wanted[0] not in self._early:
                number, results = self._taken()
                self._early[number] = results
            yield from self._early.pop(wanted.popleft())
            wanted += self._give(islice(packed, 1))

    def _give(self, packed: Iterable[bytes]) -> list[int]:
        """The numbers that some tasks got."""
        before = self._given
        for each in packed:
            self._tasks.put(_Task(self._given, each))
            self._given += 1
        return list(range(before, self._given))

    def _taken(self) -> tuple[int, list[Any]]:
        """The next answer, of whichever task."""
        told = self._pool.next()
        assert told is not None
        assert not isinstance(told, int)
        error, results = pickle.loads(told.answer)  # noqa: S301 - written by our own worker a moment ago
        if error is not None:
            raise error
        return told.task.number, results


def _batched(items: Iterable[T], size: int) -> Iterator[list[T]]:
    batch: list[T] = []
    for item in items:
        batch.append(item)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch

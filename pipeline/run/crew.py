"""Many chips at once: the same work inline for a few, over the cores for many, results in order.

Where workers pay this process works, too, instead of one more: each that loads the libraries takes a quarter
of a second and some 45 MB for it. Workers are started afresh (never forked from a process that may hold
threads), once for all stages of a task; they hand their exceptions back, and end when this process does. What
all items of a stage share is handed over once a process, in a file, not with every batch.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, count, islice
from pathlib import Path
from typing import Any, NamedTuple, Self, TypeVar

from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.worker_pool import Tasks, WorkerPool, cores, program
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
AHEAD = 2
"""Batches that a worker has or will find waiting: with more, it would be left with some when this process is
done."""


class _Task(NamedTuple):
    """Some items, and what is done with them.

    Attributes:
        number: In the order of all tasks.
        work: Is done with them.
        shared: By all items of the stage.
        path: Where that lies for workers.
        some: The items.
    """

    number: int
    work: Callable[[Any, Sequence[Any]], list[Any]]
    shared: Any
    path: str
    some: Sequence[Any]

    def packed(self) -> bytes:
        """As a worker is told."""
        return pickle.dumps((self.work, self.path, self.some))


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
        workers: How many other processes there will be, where they pay; this one has a core, too, where None.
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
        self._workers = worker_count() - 1 if workers is None else workers
        self._folder = folder
        self._place: tempfile.TemporaryDirectory[str] | None = None
        self._tasks = Tasks[_Task]()
        self._pool = WorkerPool(
            self._tasks,
            program(crew_worker.__file__, loads, *sys.path, flags=["-P"]),
            _Task.packed,
            where="packaging",
            ahead=AHEAD,
        )
        self._stages, self._numbers = 0, count()
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
        tasks = (_Task(next(self._numbers), work, shared, str(path), some) for some in batches)
        # Besides what workers have in hand: what each takes while this process is at work on one itself.
        return self._in_order(tasks, self._give(islice(tasks, (AHEAD + 1) * (self._pool.running + 1))))

    def _in_order(self, tasks: Iterator[_Task], given: Iterable[int]) -> Iterator[Any]:
        """The results of tasks in their order; a few always wait, so that no process stands idle."""
        wanted = deque(given)
        while wanted:
            while wanted[0] not in self._early:
                number, results = self._done()
                self._early[number] = results
            yield from self._early.pop(wanted.popleft())
            wanted += self._give(islice(tasks, 1))

    def _give(self, tasks: Iterable[_Task]) -> list[int]:
        """The numbers of some tasks, which from now on wait to be done."""
        numbers = []
        for task in tasks:
            self._tasks.put(task)
            numbers.append(task.number)
        return numbers

    def _done(self) -> tuple[int, list[Any]]:
        """A task done: by a worker that has told of one, else here, or by a worker where none waits."""
        if not self._pool.has_told() and (mine := self._tasks.take_now()) is not None:
            self._tasks.answered(mine, None)
            return mine.number, mine.work(mine.shared, mine.some)
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

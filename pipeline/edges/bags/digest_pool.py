"""Digesting many files on all cores, beginning while they are still being found.

Where there is little to do it is all done here. Nobody knows how large a file is before it has been opened.
Small files are digested at once; large ones are told, and handed out one by one when the small ones are done,
the largest first, to whichever worker is free.
"""
# ruff: noqa: PTH118 - paths stay text here: a Path for each of 100,000 files costs more than reading them

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from typing import NamedTuple, Self

from pipeline.edges.bags import digest_worker
from pipeline.edges.disk_errors import worker_ended
from pipeline.edges.worker_pool import Tasks, WorkerPool, cores, program

Progress = Callable[[int, int], None]
"""Told how many bytes of how many are digested."""
Groups = tuple[tuple[str, ...], ...]
"""Lists of algorithms, one for each group of files."""

_BATCH_FILES = 200
_FEW_FILES = 1500
_FEW_BYTES = 24 << 20
"""Less than this and starting another process takes longer than doing the work."""


class _Batch(NamedTuple):
    """Some files to digest, or a single one that is known to be large."""

    group: int
    paths: list[str]
    size_bytes: int = 0


class Digested(NamedTuple):
    """Some files of one group that were read, or of which it is known that they are large.

    Attributes:
        paths: Of the files.
        answer: What was read of them.
    """

    paths: Sequence[str]
    answer: digest_worker.Answer


class Digesting:
    """The digests of files that are named one by one; a context that ends the workers.

    Args:
        root: The folder that paths are below.
        groups: Which algorithms a file of each group wants.
        workers: How many processes beside this one, which digests as well once results are asked for; by
            default one for each further core, or none where there is little to do.
        progress: Told as the bytes go by, once all files are named.
        expected_bytes: How many there will be, as far as anyone has said; for the progress only.
    """

    def __init__(
        self,
        root: str,
        groups: Groups,
        *,
        workers: int | None = None,
        progress: Progress | None = None,
        expected_bytes: int = 0,
    ) -> None:
        self._root = root
        self._groups = groups
        self._workers = workers
        self._tally = _Tally(progress, expected_bytes)
        self._unanswered = 0
        self._named: list[list[str]] = [[] for _ in groups]
        self._work = _Work()
        names = [",".join(group) for group in groups]
        self._pool = WorkerPool(
            self._work,
            program(digest_worker.__file__, *names, flags=("-I", "-S")),
            lambda batch: (batch.group, batch.paths),
            where=root,
            folder=root,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.close()

    def add(self, paths: list[str], group: int) -> None:
        """Name some files.

        Args:
            paths: Below the root.
            group: Which algorithms they want.
        """
        self._unanswered += len(paths)
        named = self._named[group]
        named += paths
        while len(named) >= _BATCH_FILES:
            self._work.put(_Batch(group, named[:_BATCH_FILES]))
            del named[:_BATCH_FILES]
        if self._unanswered >= _FEW_FILES:
            self._start(self._workers)

    def named_all(self) -> None:
        """Say that there are no more files."""
        for group, paths in enumerate(self._named):
            if paths:
                self._work.put(_Batch(group, paths))
        self._work.all_named()
        if self._workers is not None or self._unanswered >= _FEW_FILES or self._is_much():
            self._start(self._workers)

    def results(self) -> Iterator[Digested]:
        """What was read of some files after others, in any order; only after `named_all`.

        A large file may be told twice: among others by its size, and alone by its digests.

        Raises:
            ResourceError: A worker was ended before its work.
        """
        for done in self._read():
            read_bytes, large = _told(done.answer)
            self._tally.add(read_bytes)
            self._unanswered -= len(done.paths) - len(large)
            yield done
        if self._unanswered:
            raise worker_ended(self._root)
        self._tally.end()

    def _is_much(self) -> bool:
        """Whether a few files hold enough bytes for more than one process."""
        known = 0
        for path in (path for batch in self._work.waiting for path in batch.paths):
            with suppress(OSError):  # whoever opens it will tell why
                known += os.lstat(os.path.join(self._root, path)).st_size
        self._tally.known(known)
        return known >= _FEW_BYTES

    def _start(self, workers: int | None) -> None:
        if self._pool.running or self._unanswered < 2:
            return
        self._pool.start(min(cores() - 1 if workers is None else workers, self._unanswered))
        if not self._pool.running:
            self._workers = 0  # the system gives none: it is not asked again

    def _read(self) -> Iterator[Digested]:
        """What is read here and by the other processes, until nothing is left and these have ended."""
        while (batch := self._work.take_now()) is not None or self._pool.running:
            if batch is not None:
                yield self._from_here(batch)
            yield from self._from_workers(wait=batch is None)

    def _from_here(self, batch: _Batch) -> Digested:
        there = [os.path.join(self._root, path) for path in batch.paths]
        answer = digest_worker.digest_files(there, self._groups[batch.group], self._tally.early)
        self._work.answered(batch, answer)
        return Digested(batch.paths, answer)

    def _from_workers(self, *, wait: bool) -> Iterator[Digested]:
        """What the other processes have told, and the next thing that they tell if it is waited for."""
        while self._pool.running and (wait or self._pool.has_told()):
            wait = False
            told = self._pool.next()
            if isinstance(told, int):
                self._tally.early(told)
            elif told is not None:
                yield Digested(told.task.paths, told.answer)


def _told(answer: digest_worker.Answer) -> tuple[int, list[tuple[int, int]]]:
    """How many bytes were read, and place and size in bytes of each file that was left for being large."""
    sizes, _, others = answer
    large = [(place, result) for place, result in others if isinstance(result, int)]
    return sum(sizes) + sum([result[0] for _, result in others if not isinstance(result, int)]), large


class _Tally:
    """Adds up the bytes that are done."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self._progress = progress
        self._total = total
        self._done = self._early = 0

    def known(self, total: int) -> None:
        """The bytes there are."""
        self._total = total

    def early(self, count: int) -> None:
        """Bytes of a file that is not finished."""
        self._early += count
        self._tell(count)

    def add(self, count: int) -> None:
        """Bytes of files that are finished, those told early among them."""
        told = min(count, self._early)
        self._early -= told
        self._tell(count - told)

    def end(self) -> None:
        """What is done is all there is."""
        self._total = self._done
        self._tell(0)

    def _tell(self, count: int) -> None:
        self._done += count
        if self._progress is not None:
            self._progress(self._done, max(self._done, self._total))


class _Work(Tasks[_Batch]):
    """Batches; the files in one that turn out to be large are work again."""

    def __init__(self) -> None:
        super().__init__()
        self._large: list[_Batch] = []

    def next_for(self, mine: Collection[_Batch]) -> _Batch | None:
        """A large file is for a process that has nothing else."""
        if self.waiting:
            return self.waiting.popleft()
        return self._large.pop() if self._large and not mine else None

    def is_all(self) -> bool:
        """A batch that is being worked on may hold large files."""
        return super().is_all() and not self._large

    def answered(self, task: _Batch, answer: digest_worker.Answer) -> None:
        """A batch came back."""
        with self.changed:
            if task.size_bytes:  # a single file, taken out of a batch that came back before
                self.changed.notify_all()
                return
            self._large += [_Batch(task.group, [task.paths[place]], size) for place, size in _told(answer)[1]]
            self._large.sort(key=lambda large: large.size_bytes)
            super().answered(task, answer)

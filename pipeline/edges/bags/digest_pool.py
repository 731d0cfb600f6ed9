"""Digesting many files on all cores, beginning while they are still being found.

Where there is little to do it is done here. Else each child process (`digest_worker`) is tended by two
threads: one keeps a few batches waiting in its pipe, so that it never stands idle while this process does
something else; one takes its answers. Writing and reading in one thread could meet two full pipes and wait
for ever.

Nobody knows how large a file is before a child has opened it. Small files are digested at once; large ones
are told, and handed out one by one when the small ones are done, the largest first, to whichever child is
free.
"""
# ruff: noqa: PTH118 - paths stay text here: a Path for each of 100,000 files costs more than reading them

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterator
from contextlib import suppress
from queue import SimpleQueue
from typing import BinaryIO, NamedTuple, Self, cast

from pipeline.edges.bags import digest_worker
from pipeline.edges.disk_errors import worker_ended

Progress = Callable[[int, int], None]
"""Told how many bytes of how many are digested."""
Groups = tuple[tuple[str, ...], ...]
"""Lists of algorithms, one for each group of files."""

_BATCH_FILES = 200
_AHEAD = 3
"""Batches that a child has or will find waiting."""
_FEW_FILES = 1500
_FEW_BYTES = 24 << 20
"""Less than this and starting another process takes longer than doing the work."""


class _Batch(NamedTuple):
    """Some files to digest, or a single one that is known to be large."""

    group: int
    paths: list[str]
    size_bytes: int = 0


class _Done(NamedTuple):
    """Files that are digested, or, as a number instead of a result, known to be large."""

    batch: _Batch
    results: list[digest_worker.Result | int]


_Answer = _Done | int | BaseException | None
"""From a child: a batch; bytes of a large file; an error for the caller's thread to raise; its end."""


class Digesting:
    """The digests of files that are named one by one; a context that ends the child processes.

    Args:
        root: The folder that paths are below.
        groups: Which algorithms a file of each group wants.
        workers: How many processes; one a core by default, or none where there is little to do.
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
        self._answers: SimpleQueue[_Answer] = SimpleQueue()
        self._children: list[_Child] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._work.abandon()
        for child in self._children:
            child.close()

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

    def results(self) -> Iterator[tuple[str, digest_worker.Result]]:
        """Each file's path and what was read of it, in any order; only after `named_all`.

        Raises:
            ResourceError: A child ended before its work.
        """
        for batch, results in self._from_children() if self._children else self._from_here():
            for path, result in zip(batch.paths, results, strict=True):
                if not isinstance(result, int):
                    self._unanswered -= 1
                    yield path, result
        if self._unanswered:
            raise worker_ended(self._root)
        self._tally.end()

    def _is_much(self) -> bool:
        """Whether a few files hold enough bytes for more than one process."""
        known = 0
        for path in self._work.waiting():
            with suppress(OSError):  # whoever opens it will tell why
                known += os.lstat(os.path.join(self._root, path)).st_size
        self._tally.known(known)
        return known >= _FEW_BYTES

    def _start(self, workers: int | None) -> None:
        if self._children or self._unanswered < 2:
            return
        count = min(cores() if workers is None else workers, self._unanswered)
        for _ in range(count):
            try:
                child = _Child(self._root, self._groups)
            except (
                OSError
            ):  # no more processes, or no memory for one: fewer do the work, or none but this one
                self._workers = 0
                return
            self._children.append(child)
            child.tend(self._work, self._answers.put)

    def _from_here(self) -> Iterator[_Done]:
        while (batch := self._work.take()) is not None:
            results: list[digest_worker.Result | int] = []
            algorithms = self._groups[batch.group]
            for path in batch.paths:
                result = digest_worker.digest_file(
                    os.path.join(self._root, path), algorithms, self._tally.early
                )
                self._tally.add(result[0])
                results.append(result)
            self._work.answered(batch, [])
            yield _Done(batch, results)

    def _from_children(self) -> Iterator[_Done]:
        running = len(self._children)
        while running:
            answer = self._answers.get()
            if answer is None:
                running -= 1
            elif isinstance(answer, BaseException):
                raise answer
            elif isinstance(answer, int):
                self._tally.early(answer)
            else:
                self._tally.add(sum([0 if isinstance(each, int) else each[0] for each in answer.results]))
                yield answer


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


class _Work:
    """Batches to be done, for several threads."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._batches: deque[_Batch] = deque()
        self._large: list[_Batch] = []
        self._unanswered = 0
        self._all_named = False
        self._abandoned = False

    def put(self, batch: _Batch) -> None:
        with self._changed:
            self._batches.append(batch)
            self._unanswered += 1
            self._changed.notify()

    def all_named(self) -> None:
        with self._changed:
            self._all_named = True
            self._changed.notify_all()

    def abandon(self) -> None:
        """There is nothing more to do, whatever there was."""
        with self._changed:
            self._abandoned = True
            self._changed.notify_all()

    def waiting(self) -> list[str]:
        """All files that nobody has taken."""
        with self._changed:
            return [path for batch in self._batches for path in batch.paths]

    def take(self, mine: Collection[_Batch] = ()) -> _Batch | None:
        """The next batch for someone with these before it.

        None where there is nothing and will be nothing.
        """
        with self._changed:
            while not self._abandoned:
                if self._batches:
                    return self._batches.popleft()
                if self._large and not mine:
                    return self._large.pop()
                if self._all_named and not self._unanswered and not self._large:
                    return None
                self._changed.wait()
        return None

    def answered(self, batch: _Batch, results: list[digest_worker.Result | int]) -> None:
        """A batch came back; the files in it that are large are work again."""
        with self._changed:
            if not batch.size_bytes:
                self._unanswered -= 1
                self._large += [
                    _Batch(batch.group, [path], result)
                    for path, result in zip(batch.paths, results, strict=False)
                    if isinstance(result, int)
                ]
                self._large.sort(key=lambda large: large.size_bytes)
            self._changed.notify_all()


class _Child:
    """One process that digests, and the two threads that tend it."""

    def __init__(self, root: str, groups: Groups) -> None:
        command = [
            sys.executable,
            *("-I", "-S", "-X", f"utf8={sys.flags.utf8_mode}", digest_worker.__file__),
            *(",".join(group) for group in groups),
        ]
        self._process = subprocess.Popen(  # noqa: S603 - our own file
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root
        )
        self._sent: deque[_Batch] = deque()
        self._room = threading.Semaphore(_AHEAD)
        self._closed = False
        self._threads: list[threading.Thread] = []

    def tend(self, work: _Work, tell: Callable[[_Answer], None]) -> None:
        """Keep the child busy until there is nothing more to do; its end is the last thing told."""
        self._threads = [
            threading.Thread(target=each, args=(work, tell), daemon=True)
            for each in (self._write, self._read)
        ]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """End it, and its threads."""
        self._closed = True
        self._process.kill()
        self._process.wait()
        self._room.release()
        for thread in self._threads:
            thread.join()
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):  # what it did not take is of no use to anybody
                cast("BinaryIO", pipe).close()

    def _write(self, work: _Work, tell: Callable[[_Answer], None]) -> None:
        sink = cast("BinaryIO", self._process.stdin)
        try:
            while self._room.acquire() and not self._closed:
                batch = work.take(self._sent)
                if batch is None:
                    break
                self._sent.append(batch)
                digest_worker.send(sink, (batch.group, batch.paths))
            sink.close()
        except BrokenPipeError:
            work.abandon()  # it has ended: nobody shall wait for its answers, which are missed at the end
        except BaseException as error:  # noqa: BLE001 - raised again by whoever waits for the results
            tell(error)

    def _read(self, work: _Work, tell: Callable[[_Answer], None]) -> None:
        source = cast("BinaryIO", self._process.stdout)
        try:
            while (answer := digest_worker.receive(source)) is not None:
                if isinstance(answer, int):
                    tell(answer)
                    continue
                done = _Done(self._sent.popleft(), cast("list[digest_worker.Result | int]", answer))
                tell(done)
                self._room.release()
                work.answered(*done)
        except BaseException as error:  # noqa: BLE001 - raised again by whoever waits for the results
            tell(error)
        finally:
            if self._sent:
                work.abandon()  # it died at work
            tell(None)


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1

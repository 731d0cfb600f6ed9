"""Several processes that work on one list of tasks; one that is ended from outside ends the work with words.

Each process (`worker.py`) is tended by two threads: one keeps a few tasks waiting in its pipe, so that it
never stands idle while this process does something else; one takes its answers. Writing and reading in one
thread could meet two full pipes and wait for ever.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from typing import Any, BinaryIO, Generic, NamedTuple, TypeVar, cast

from pipeline.edges import worker
from pipeline.edges.disk_errors import worker_ended

T = TypeVar("T")

AHEAD = 3
"""Tasks that a process has or will find waiting."""


class Answered(NamedTuple):
    """A task, and what a process made of it."""

    task: Any
    answer: Any


_Told = Answered | int | BaseException | None
"""From a process: an answer; news of one that is not finished; an error for the caller's thread to raise; its
end."""


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def program(file: str, *arguments: str, flags: Sequence[str] = ()) -> list[str]:
    """The command of a process that answers as a file says.

    Args:
        file: Of Python; has an `answerer`.
        arguments: For it.
        flags: For the interpreter.
    """
    return [
        sys.executable,
        *flags,
        *("-X", f"utf8={sys.flags.utf8_mode}"),
        *(["-B"] if sys.dont_write_bytecode else []),
        *(worker.__file__, file, *arguments),
    ]


class Tasks(Generic[T]):
    """What is to be done, for several threads; more may come until all are named."""

    def __init__(self) -> None:
        self.changed = threading.Condition()
        self.waiting: deque[T] = deque()
        self._unanswered = 0
        self._all_named = False
        self._abandoned = False

    def put(self, task: T) -> None:
        """One more task, for the first worker that is free."""
        with self.changed:
            self.waiting.append(task)
            self._unanswered += 1
            self.changed.notify()

    def all_named(self) -> None:
        """There will be no more, but what answers make."""
        with self.changed:
            self._all_named = True
            self.changed.notify_all()

    def abandon(self) -> None:
        """There is nothing more to do, whatever there was."""
        with self.changed:
            self._abandoned = True
            self.changed.notify_all()

    def take(self, mine: Collection[T] = ()) -> T | None:
        """The next task for a process with these before it.

        None where there is nothing and will be nothing.
        """
        with self.changed:
            while not self._abandoned:
                if (task := self.next_for(mine)) is not None:
                    return task
                if self.is_all():
                    return None
                self.changed.wait()
        return None

    def take_now(self) -> T | None:
        """The next task for this process, which has no other; None where none waits."""
        with self.changed:
            return None if self._abandoned else self.next_for(())

    def next_for(self, mine: Collection[T]) -> T | None:  # noqa: ARG002 - where tasks are not alike it matters
        """The next task, if one waits; the lock is held."""
        return self.waiting.popleft() if self.waiting else None

    def is_all(self) -> bool:
        """Whether nothing waits and nothing will come; the lock is held."""
        return self._all_named and not self._unanswered

    def answered(self, task: T, answer: Any) -> None:  # noqa: ARG002 - answers may make tasks
        """A task came back."""
        with self.changed:
            self._unanswered -= 1
            self.changed.notify_all()


class WorkerPool(Generic[T]):
    """Processes that work on the same tasks.

    Args:
        tasks: What is to be done.
        command: What a process runs (`program`).
        message: Makes of a task what is sent.
        where: What is worked on, for the words of an error.
        folder: Where processes run; where this one does if not said.
        ahead: Tasks that each process has or will find waiting.
    """

    def __init__(
        self,
        tasks: Tasks[T],
        command: Sequence[str],
        message: Callable[[T], Any],
        *,
        where: str,
        folder: str | None = None,
        ahead: int = AHEAD,
    ) -> None:
        self._tasks = tasks
        self._command = command
        self._message = message
        self._where = where
        self._folder = folder
        self._ahead = ahead
        self._told: SimpleQueue[_Told] = SimpleQueue()
        self._workers: list[_Worker[T]] = []
        self.running = 0

    def start(self, count: int) -> None:
        """Start some processes; fewer, or none, where the system gives no more (`running` says how many)."""
        for _ in range(count):
            try:
                # A Ctrl-C between a process's begin and its entry here would leave it to end by itself.
                with _deaf_to_ctrl_c():
                    one = _Worker[T](self._command, self._folder, self._where, self._ahead)
                    self._workers.append(one)
                one.tend(self._tasks, self._message, self._told.put)
            except (OSError, RuntimeError):  # no process, memory or thread to be had
                return
            self.running += 1

    def has_told(self) -> bool:
        """Whether `next` would give something at once."""
        return not self._told.empty()

    def next(self) -> Answered | int | None:
        """What a process says next: an answer, news of one, or that it has ended with its work.

        Raises:
            ResourceError: A process was ended before its work.
        """
        told = self._told.get()
        if isinstance(told, BaseException):
            raise told
        if told is None:
            self.running -= 1
        return told

    def close(self) -> None:
        """End all processes, whatever they do, and the threads that tend them."""
        self._tasks.abandon()
        for one in self._workers:
            one.close()


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """A process begun within hears no Ctrl-C from its first moment on; this one hears it right after.

    Source: a blocked signal stays blocked over fork and exec, signal(7).
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Worker(Generic[T]):
    """One process, and the two threads that tend it."""

    def __init__(self, command: Sequence[str], folder: str | None, where: str, ahead: int) -> None:
        from subprocess import PIPE, Popen

        self._process = Popen(command, stdin=PIPE, stdout=PIPE, cwd=folder)  # noqa: S603 - our own file
        self._where = where
        self._sent: deque[T] = deque()
        self._room = threading.Semaphore(ahead)
        self._done = self._closed = False
        self._threads: list[threading.Thread] = []

    def tend(self, tasks: Tasks[T], message: Callable[[T], Any], tell: Callable[[_Told], None]) -> None:
        """Keep the process busy until there is nothing more to do; its end is the last thing told."""
        # Who takes answers comes first: without the other one no task is lost.
        for each in (lambda: self._read(tasks, tell), lambda: self._write(tasks, message, tell)):
            thread = threading.Thread(target=each, daemon=True)
            thread.start()
            self._threads.append(thread)

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

    def _write(self, tasks: Tasks[T], message: Callable[[T], Any], tell: Callable[[_Told], None]) -> None:
        sink = cast("BinaryIO", self._process.stdin)
        try:
            while self._room.acquire() and not self._closed:
                task = tasks.take(self._sent)
                if task is None:
                    break
                self._sent.append(task)
                worker.send(sink, message(task))
            self._done = True
            sink.close()
        except BrokenPipeError:
            pass  # it has ended; whoever reads its answers finds out
        except BaseException as error:  # noqa: BLE001 - raised again by whoever waits for answers
            tell(error)

    def _read(self, tasks: Tasks[T], tell: Callable[[_Told], None]) -> None:
        source = cast("BinaryIO", self._process.stdout)
        try:
            while (answer := worker.receive(source)) is not None:
                if isinstance(answer, int):
                    tell(answer)
                    continue
                done = Answered(self._sent.popleft(), answer)
                tell(done)
                self._room.release()
                tasks.answered(*done)
        except BaseException as error:  # noqa: BLE001 - raised again by whoever waits for answers
            tell(error)
        self._tell_end(tasks, tell)

    def _tell_end(self, tasks: Tasks[T], tell: Callable[[_Told], None]) -> None:
        if self._done and not self._sent:
            tell(None)
            return
        tasks.abandon()  # it was ended at work, or while it waited for some: nobody waits for its answers
        tell(worker_ended(self._where))

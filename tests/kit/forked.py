"""A child process that a test forks: it ends by itself, whatever becomes of it or of the test."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import AnyStr

MOST_SECONDS = 120


def forked(program: Callable[[], int]) -> int:
    """The id of a child that ends with a program's code, or is ended by the kernel after two minutes.

    What another thread had locked at the fork stays locked in the child. Whoever waits for such a child, or
    for the end of a pipe that it has inherited, would wait for ever.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of threads beside a fork
        child = os.fork()
    if child:
        return child
    code = 99
    try:
        end_after(MOST_SECONDS)
        code = program()
    except BaseException:  # noqa: BLE001 - told as an interpreter tells it
        import traceback

        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def end_after(seconds: int) -> None:
    """The kernel ends this process, or what it becomes, after so long; alarm(2) outlives execve(2)."""
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.alarm(seconds)


def ended(child: int) -> int:
    """How a child ended, as `subprocess` says it: below zero where a signal ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def alive(pid: int) -> bool:
    """Whether a process is there and is no mere entry for its parent to fetch."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def coming(handle: int) -> Iterator[bytes]:
    """What comes on this end of a terminal or a pipe until nobody has the other; of the first Linux says so.

    Read while a process writes it: one that finds no room waits.
    """
    with suppress(OSError):
        while some := os.read(handle, 65_536):
            yield some


@contextmanager
def ending(process: subprocess.Popen[AnyStr]) -> Iterator[subprocess.Popen[AnyStr]]:
    """A process that is ended where the test fails: leaving its `with` block alone waits for it for ever."""
    with process:
        try:
            yield process
        except BaseException:
            process.kill()
            raise

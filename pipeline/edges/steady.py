"""A file as it was at one moment: what changed while it was read is read again, and never taken torn.

No system tells a reader that somebody writes into a file meanwhile. Its state before and after does: which
file has the name, how long it is, when it was changed last. A file that was changed so lately that its file
system could not tell one more change from that one is waited for. A program that writes through memory which
the file is mapped to changes no time until the system writes those pages out: a file that was changed within
the last minute is read twice, and both must be the same.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, TypeVar

from pipeline.errors import StorageError

R = TypeVar("R")

TRIES = 3
_GRAIN_SECONDS = 0.02
"""Times of a change closer than this may be one: the clock of a kernel's tick, 10 ms at the slowest; from
memory.
"""
_COARSE_SECONDS = 2.0
"""FAT keeps whole even seconds, older file systems whole ones. Source: Microsoft, FAT: General Overview of
On-Disk Format, 1.03; Apple, Technical Note 1150; both from memory.
"""
_FRESH_SECONDS = 60.0
"""Linux writes a changed page out after 30 seconds, and looks for such pages every 5. Source: its
Documentation/admin-guide/sysctl/vm.rst, dirty_expire_centisecs and dirty_writeback_centisecs.
"""


class State(NamedTuple):
    """What changes whenever a file does."""

    device: int
    inode: int
    size_bytes: int
    changed_ns: int
    touched_ns: int


def steadily(path: Path | str, read: Callable[[], R], *, name: str = "") -> R:
    """Read a file, again where it changed meanwhile.

    Args:
        path: The file; a link is followed.
        read: Reads it; called up to six times. What it gives is compared.
        name: For the message; the path where not said.

    Returns:
        What was read while nothing changed.

    Raises:
        StorageError: It changed every time.
        OSError: Its state cannot be asked for.
    """
    for _ in range(TRIES):
        before = at_rest(path)
        found = read()
        same = before is not None and (not _is_fresh(before) or read() == found)
        if same and state_of(path) == before:
            return found
    raise StorageError(
        where=name or str(path),
        problem=f"changed each of the {TRIES} times that it was read",
        remedy="Let the program that writes it end, then run it again",
    )


def changed_between(path: str) -> StorageError:
    """What is told of a file that was another one when it was read again for something else."""
    return StorageError(
        where=path,
        problem="changed between two times that it was read in this run",
        remedy="Let the program that writes it end, then run it again",
    )


def state_of(path: Path | str) -> State:
    """A file's state now. Raises OSError."""
    status = os.stat(path)  # noqa: PTH116 - one of many thousand calls
    return State(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)


def at_rest(path: Path | str) -> State | None:
    """A file's state once its last change lies far enough back; None where it changes on and on.

    Raises OSError.
    """
    for _ in range(TRIES):
        state = state_of(path)
        coarse = state.changed_ns % 1_000_000_000 == 0
        ago = time.time() - max(state.changed_ns, 0 if coarse else state.touched_ns) / 1e9
        left = (_COARSE_SECONDS if coarse else _GRAIN_SECONDS) - ago
        if ago < 0 or left <= 0:
            # A time that is still to come says nothing.
            return state
        time.sleep(left)
    return None


def _is_fresh(state: State) -> bool:
    """Whether pages of a file may have been changed since without any time that says so."""
    return time.time() - max(state.changed_ns, state.touched_ns) / 1e9 < _FRESH_SECONDS

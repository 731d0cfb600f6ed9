"""A line drained by one thread that does nothing else, and written down by another.

Run as a program of its own.

As a program (`python -I -S serial_recorder.py PORT LOG SINCE`: two open handles, and when the port was
opened) it shares no interpreter lock with what decodes, draws and asks, so none of these can keep it from the
line; nor can the disk, which only the second thread waits for. It ends when its standard input does, which is
also how it learns that its parent is
dead: what had come by then is written first. Its first word on standard output is `READY`, its last a `Told`.
"""

from __future__ import annotations

import errno
import os
import queue
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

BLOCK = 65_536
"""Most bytes taken from the line at once."""

LOOK_SECONDS = 0.002
"""How long one look at the line waits for bytes: a tenth of what 4 KiB of a system's buffer hold at 2,000,000
baud.
"""

LAST_SECONDS = 0.2
"""How long what still comes is taken at the end, from a reader that never stops."""

LINE_SECONDS = 0.6
"""How much longer such a reader's last line is waited for: 70 characters at 1200 baud."""

SILENT_SECONDS = 0.05
"""How long a line must give nothing to count as silent: adapters hold bytes back for up to 16 ms."""


FLUSH_EVERY = 1.0
"""Seconds after which what was written is given to the disk itself."""

READY = b"+\n"
"""Said once it is about to look at the line for the first time."""


class Told(NamedTuple):
    """How it went.

    Attributes:
        worst_stall: Longest time in seconds from one look at the line to the next that found bytes, whatever
            the
            cause: this program, its interpreter, or a system that let it wait. It holds the wait for bytes
            too, of at most `LOOK_SECONDS`, so that it is never told shorter than it was.
        fullest: Most bytes found at one look.
        trouble: "" or what ended it: `line` or `disk`.
        number: The system's number of that error; 0 where it gave none.
    """

    worst_stall: float
    fullest: int
    trouble: str
    number: int


class Drain:
    """Takes bytes until told to end; everything taken is written in order.

    Args:
        look: Waits at most a moment for bytes; b"" where none came. Raises OSError where the line is gone.
        log: Handle that bytes are appended to.
        ended: Whether to end.
        since: When the line was opened, on the clock of `time.monotonic`; None for now.
    """

    def __init__(
        self, look: Callable[[], bytes], log: int, ended: Callable[[], bool], since: float | None = None
    ) -> None:
        self._look, self._log, self._ended = look, log, ended
        self._since = since
        # without bound: at the fastest line a minute of a disk that hangs is twelve megabytes
        self._taken: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._refused = False
        self._gone: OSError | None = None
        self._worst_stall, self._fullest = 0.0, 0

    def run(self) -> Told:
        """Drain until the end."""
        taking = threading.Thread(target=self._take, name="taking", daemon=True)
        taking.start()
        refused = self._write()
        taking.join()
        trouble = ("disk", refused) if refused else ("line", self._gone) if self._gone else ("", None)
        return Told(
            self._worst_stall,
            self._fullest,
            trouble[0],
            trouble[1].errno or 0 if trouble[1] is not None else 0,
        )

    def _take(self) -> None:
        """Take bytes off the line until it ends, and hand each block on; nothing else is done here.

        When the end is asked for, what is still coming is taken for `LAST_SECONDS`, and a reader that prints
        on is cut at the end of one of its lines. The queue's None says that no more comes, whatever ended it.
        """
        try:
            heard = before = time.monotonic() if self._since is None else self._since
            until: float | None = None
            while not self._refused:
                block = self._look()
                at = time.monotonic()
                if block:
                    self._worst_stall = max(self._worst_stall, at - before)
                    self._fullest = max(self._fullest, len(block))
                    heard = at
                before = at
                if until is None and self._ended():
                    until = at + LAST_SECONDS
                silent = at - heard > SILENT_SECONDS
                if until is not None and at > until and not silent:
                    # a reader that prints on: the log ends with one of its lines, not in the middle of a
                    # value
                    line_end = block.rfind(b"\n") + 1
                    block = block[: line_end or len(block)]
                    silent = line_end > 0 or at > until + LINE_SECONDS
                if block:
                    self._taken.put(block)
                if until is not None and silent:
                    break
        except OSError as error:
            self._gone = error
        finally:
            self._taken.put(None)

    def _write(self) -> OSError | None:
        """Write until there is no more; what the disk refused, if it did.

        What was written is on the disk `FLUSH_EVERY` later, also where no more comes: a power cut costs that
        much.
        """
        flushed, waits = time.monotonic(), False
        while True:
            try:
                block = self._taken.get(timeout=FLUSH_EVERY if waits else None)
            except queue.Empty:
                block = b""
            if block is None:
                return None
            try:
                _written(self._log, block)
                waits = waits or bool(block)
                if waits and time.monotonic() - flushed >= FLUSH_EVERY:
                    flush(self._log)
                    flushed, waits = time.monotonic(), False
            except OSError as error:
                self._refused = True
                return error


def _written(log: int, block: bytes) -> None:
    rest = memoryview(block)
    while rest:
        rest = rest[os.write(log, rest) :]


def flush(log: int) -> None:
    """What was written is on the disk when this returns. Raises OSError.

    A file system that cannot flush one file keeps what was written all the same.
    """
    try:
        getattr(os, "fdatasync", os.fsync)(log)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS):
            raise


def look_at(port: int, control: int) -> tuple[Callable[[], bytes], Callable[[], bool]]:
    """How a handle is looked at, and whether the other one has ended."""
    import select

    done = False

    def look() -> bytes:
        nonlocal done
        watched = [port] if done else [port, control]
        ready, _, _ = select.select(watched, [], [], LOOK_SECONDS)
        if control in ready:
            done = not os.read(control, 1)
        if port not in ready:
            return b""
        try:
            block = os.read(port, BLOCK)
        except BlockingIOError:
            return b""
        if not block:
            raise OSError(0, "hung up")
        return block

    return look, lambda: done


def main() -> None:
    """Run as a program."""
    import gc

    gc.disable()
    sys.setswitchinterval(0.0002)
    port, log = (int(each) for each in sys.argv[1:3])
    look, ended = look_at(port, 0)
    os.write(1, READY)
    told = Drain(look, log, ended, float(sys.argv[3])).run()
    last = " ".join(map(str, (told.worst_stall, told.fullest, told.trouble or "-", told.number)))
    # a parent that is dead hears nothing
    with suppress(BrokenPipeError):
        os.write(1, last.encode())


if __name__ == "__main__":
    main()

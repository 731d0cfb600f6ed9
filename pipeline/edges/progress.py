"""How far long work has come: a bar on standard error while somebody watches, and nothing left behind.

The first sign is a plain line, at once; the bar comes from the library that the command line stands on, which
takes a tenth of a second to load and so waits until there is something to count.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from pipeline.edges.console import ON_THE_LINE, inert, wipe_progress
from pipeline.one_line import one_line

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

_EVERY_S = 0.1
"""Ten pictures a second at most: more is not seen, and drawing costs time."""
_WIPED = "\r\x1b[2K"
"""Back to the line's beginning, and the line erased (ECMA-48, 8.3.41)."""


def watched(*, quiet: bool) -> bool:
    """Whether somebody looks on, at a terminal on which a line can be drawn anew."""
    return not quiet and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"


def begin(what: str, *, quiet: bool) -> None:
    """The first sign of long work, before anything heavy is loaded; wiped by whatever comes next."""
    if watched(quiet=quiet):
        wipe_progress()
        sys.stderr.write(f"{what} ...")
        sys.stderr.flush()
        ON_THE_LINE.append(_wipe_line)


def _wipe_line() -> None:
    sys.stderr.write(_WIPED)
    sys.stderr.flush()


class Progress:
    """A bar with rate and time left, one stage after another; silent when piped or asked to be quiet.

    Args:
        quiet: Nothing is drawn.
    """

    def __init__(self, *, quiet: bool) -> None:
        self.live = watched(quiet=quiet)
        self._last = 0.0
        self._bar: Bar | None = None
        self._task: TaskID | None = None
        self._stage = ""

    def show(self, what: str, done: int, of: int, *, size: bool = False) -> None:
        """Draw the bar at most ten times a second.

        Args:
            what: The stage in words of the trade, such as `chips read`.
            done: How many of them.
            of: How many there are.
            size: They are bytes, shown as KB, MB and so on.
        """
        if not self.live:
            return
        at = time.monotonic()
        if at - self._last < _EVERY_S and done < of and what == self._stage:
            return
        self._last = at
        if what != self._stage or self._bar is None:
            self._begin(what, of, size=size)
        assert self._bar is not None
        assert self._task is not None
        self._bar.update(self._task, completed=done, total=of, refresh=True)

    def _begin(self, what: str, of: int, *, size: bool) -> None:
        """A bar for a stage, in place of what stands on the line."""
        from pipeline.edges.bar import bar

        wipe_progress()
        self._bar, self._stage = bar(size=size), what
        self._task = self._bar.add_task(inert(one_line(what)), total=of)
        self._bar.start()
        ON_THE_LINE.append(self.stop)

    def done(self) -> None:
        """Wipe the bar, or what stood on the line before it."""
        if self.live:
            wipe_progress()

    def stop(self) -> None:
        """End the bar: its line is wiped and the cursor is back."""
        if self._bar is not None:
            self._bar.stop()
        self._bar = self._task = None


class DoneByWorkers:
    """How many things several workers have done, in whatever order.

    Args:
        progress: That shows it.
        of: How many there are.
        what: They are and what is done with them, such as `bags checked`.
        share: Of a thing that is done in parts: which part of it one is.
    """

    def __init__(
        self, progress: Progress, of: int, what: str, share: Callable[[Any], float] = lambda _: 1.0
    ) -> None:
        self._progress, self._of, self._what, self._share = progress, of, what, share
        self._done = 0.0

    def __call__(self, item: object, workers: int) -> None:
        """One more is done, and so many workers are there.

        Args:
            item: The thing, or a part of one.
            workers: How many.
        """
        self._done += self._share(item)
        by = "1 worker" if workers == 1 else f"{workers} workers"
        # Thirds of a thing add up to a little less than it.
        self._progress.show(f"{self._what} by {by}", int(self._done + 1e-6), self._of)

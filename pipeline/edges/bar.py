"""The bar itself, drawn by rich: what is counted, how far, how fast, and how long it will still take."""

from __future__ import annotations

import sys

from rich.console import Console
from rich.filesize import decimal
from rich.progress import BarColumn, ProgressColumn, Task, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Column
from rich.text import Text

from pipeline.edges.console import FALLBACK, columns


class Counted(ProgressColumn):
    """`120 of 400, 31/s`, or the same in bytes.

    Args:
        size: They are bytes.
    """

    def __init__(self, *, size: bool) -> None:
        super().__init__()
        self._size = size

    def render(self, task: Task) -> Text:
        """The column's text now."""
        done, of = int(task.completed), int(task.total or 0)
        told = f"{decimal(done)} of {decimal(of)}" if self._size else f"{done} of {of}"
        speed = task.finished_speed or task.speed
        if not speed:
            return Text(told)
        rate = decimal(int(speed)) if self._size else f"{speed:.{0 if speed >= 10 else 1}f}"
        return Text(f"{told}, {rate}/s")


def bar(*, size: bool) -> Bar:
    """A bar for one stage that leaves nothing behind.

    Args:
        size: What is counted are bytes.
    """
    # Drawn by `show` alone: a thread of its own would draw into the notices of others.
    return Bar(
        TextColumn(
            "{task.description}", markup=False, table_column=Column(no_wrap=True, overflow="ellipsis")
        ),
        BarColumn(bar_width=16),
        Counted(size=size),
        TimeRemainingColumn(compact=True),
        console=Console(
            file=sys.stderr,
            width=columns(sys.stderr) or FALLBACK,
            no_color=True,  # colour says how severe, and nothing else
            emoji=False,
            markup=False,
            highlight=False,
        ),
        auto_refresh=False,
        transient=True,
    )

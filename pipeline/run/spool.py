"""Things kept on disk while a bag is built, so that ten thousand chips need no more memory than forty."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pipeline.edges.diskerrors import storage_trouble


class Spool:
    """JSON values, one a line, written once and read in order as often as needed.

    Args:
        folder: Where the temporary file lies: the staging folder, so that it goes with it.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        with storage_trouble(folder):
            self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by __exit__
        self.count = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # What a full disk left in the buffer is of no use: the error was told, or is on its way.
        with contextlib.suppress(OSError):
            self._file.close()

    def add(self, value: Any) -> None:
        """Append one value."""
        self.add_line(json.dumps(value, separators=(",", ":")).encode())

    def add_line(self, line: bytes) -> None:
        """Append one value that is JSON already."""
        with storage_trouble(self._folder):
            self._file.write(line + b"\n")
        self.count += 1

    def lines(self) -> Iterator[bytes]:
        """Every value as JSON."""
        with storage_trouble(self._folder):
            self._file.seek(0)
        for line in self._file:
            yield line[:-1]
        self._file.seek(0, 2)

    def __iter__(self) -> Iterator[Any]:
        for line in self.lines():
            yield json.loads(line)


class Bytes:
    """Bytes appended piece by piece and copied out in large chunks, in the order in which they came.

    Args:
        folder: Where the temporary file lies.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        with storage_trouble(folder):
            self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by __exit__

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # What a full disk left in the buffer is of no use: the error was told, or is on its way.
        with contextlib.suppress(OSError):
            self._file.close()

    def add(self, piece: bytes) -> None:
        """Append."""
        with storage_trouble(self._folder):
            self._file.write(piece)

    def chunks(self) -> Iterator[bytes]:
        """Everything, a megabyte at a time."""
        with storage_trouble(self._folder):
            self._file.seek(0)
        while chunk := self._file.read(1 << 20):
            yield chunk
        self._file.seek(0, 2)

    def lines(self) -> Iterator[bytes]:
        """Everything, line by line."""
        with storage_trouble(self._folder):
            self._file.seek(0)
        yield from self._file
        self._file.seek(0, 2)

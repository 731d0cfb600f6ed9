"""Things kept on disk while a bag is built, so that ten thousand chips need no more memory than forty."""

from __future__ import annotations

import contextlib
import json
import pickle
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

from pipeline.edges.disk_errors import storage_trouble

BUFFER = 1 << 16
"""Bytes of each file that wait to be written: a chip gives some thousand, and the default
asks the system for each of them.
"""


class Bytes:
    """Bytes appended piece by piece and given back in the order in which they came, as often as needed.

    Args:
        folder: Where the temporary file lies: the staging folder, so that it goes with it.

    Raises:
        StorageError: The disk refused; so do the methods.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        with storage_trouble(folder):
            self._file: IO[bytes] = tempfile.TemporaryFile(buffering=BUFFER, dir=folder)  # noqa: SIM115

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # What a full disk left in the buffer is of no use: the error was told, or is on its way.
        with contextlib.suppress(OSError):
            self._file.close()

    def add(self, piece: bytes) -> None:
        """Append some bytes."""
        with storage_trouble(self._folder):
            self._file.write(piece)

    def chunks(self) -> Iterator[bytes]:
        """Everything, a megabyte at a time."""
        self._rewind()
        while chunk := self._file.read(1 << 20):
            yield chunk
        self._file.seek(0, 2)

    def lines(self) -> Iterator[bytes]:
        """Everything, line by line, each with its end."""
        self._rewind()
        yield from self._file
        self._file.seek(0, 2)

    def _rewind(self) -> None:
        with storage_trouble(self._folder):
            self._file.seek(0)


def json_line(value: Any) -> bytes:
    """A value as JSON on a line of its own."""
    return json.dumps(value, separators=(",", ":")).encode() + b"\n"


def pickled(value: Any) -> bytes:
    """A value as `Pickles` keeps it; whoever only passes it on need not know what it is."""
    return pickle.dumps(value, pickle.HIGHEST_PROTOCOL)


def unpickled(content: bytes) -> Any:
    """What `pickled` made bytes of, in this run."""
    return pickle.loads(content)  # noqa: S301 - see `Pickles`


class Pickles(Bytes):
    """Values of any kind, added as `pickled` made them, in order; each is made anew when it is asked for."""

    def __iter__(self) -> Iterator[Any]:
        self._rewind()
        while True:
            with storage_trouble(self._folder):
                try:
                    value = pickle.load(self._file)  # noqa: S301 - written by our own worker a moment ago
                except EOFError:
                    break
            yield value
        self._file.seek(0, 2)


class Spool(Bytes):
    """JSON values, one a line."""

    def add_value(self, value: Any) -> None:
        """Append one value."""
        self.add(json_line(value))

    def __iter__(self) -> Iterator[Any]:
        for line in self.lines():
            yield json.loads(line)

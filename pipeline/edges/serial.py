"""A serial line recorded to disk as it arrives: one thread that reads and writes and does nothing else.

Decoding, progress and everything slow happen elsewhere, so that no byte waits for them. The file is only ever
appended to, without a buffer of this program's own: what was received is with the system before anything is decoded.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from pathlib import Path
from typing import Any

from pipeline.edges.diskerrors import as_storage_error
from pipeline.errors import DestinationError, PortError, StorageError

BLOCK = 65_536
"""Most bytes taken from the line at once."""


def open_port(name: str, baud: int) -> Any:
    """The port, raw: no byte is interpreted, XON and XOFF are recorded like any other.

    Raises:
        PortError: pyserial is missing, or the port cannot be opened at this speed.
    """
    try:
        import serial
    except ImportError:
        raise PortError(
            where=name,
            problem="reading a serial port needs the optional package pyserial",
            remedy="Install it with `pip install 'wellread[serial]'`",
        ) from None
    try:
        return serial.Serial(
            name, baud, timeout=0.05, write_timeout=1, xonxoff=False, rtscts=False, exclusive=True
        )
    except (OSError, ValueError) as error:
        raise PortError(
            where=name,
            problem=f"the port cannot be opened ({error})",
            remedy="Check the cable, the port's name, its permissions, and that no other program has it",
        ) from error


def open_log(path: Path, *, resume: bool) -> int:
    """A handle that appends: to a new file, or with `resume` to one that is there.

    Raises:
        DestinationError: The file exists and is not to be gone on with.
        StorageError: The disk refuses.
    """
    flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0)
    flags |= 0 if resume else os.O_CREAT | os.O_EXCL
    try:
        return os.open(path, flags, 0o644)
    except FileExistsError:
        raise DestinationError(
            where=str(path), problem="this file exists", remedy="Go on with --resume, or move it away"
        ) from None
    except OSError as error:
        raise as_storage_error(error, path) from error


def append(log: int, path: Path, block: bytes) -> int:
    """Add a block to a log at once; how many bytes. Raises StorageError."""
    view = memoryview(block)
    while view:
        try:
            view = view[os.write(log, view) :]
        except OSError as error:
            raise as_storage_error(error, path) from error
    return len(block)


class Recorder(threading.Thread):
    """Copies a port to a log until told to stop; what it has written is handed on in `blocks`.

    Attributes:
        blocks: Blocks in order, each already in the log; None once at the end.
        trouble: Why it ended by itself: the line went away, or the disk refused.
        worst_stall: Longest time in seconds between two looks at the line while bytes were coming.
        received: Bytes in the log from this run.
    """

    def __init__(self, port: Any, log: int, path: Path) -> None:
        super().__init__(name="recorder", daemon=True)
        self.blocks: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self.trouble: PortError | StorageError | None = None
        self.worst_stall = 0.0
        self.received = 0
        self._port, self._log, self._path = port, log, path
        self._ending = threading.Event()

    def run(self) -> None:
        """Copy until the end; never raises."""
        try:
            while not self._ending.is_set():
                block = self._read()
                started = time.monotonic()
                if block:
                    self.received += append(self._log, self._path, block)
                    self.blocks.put(block)
                    self.worst_stall = max(self.worst_stall, time.monotonic() - started)
        except (PortError, StorageError) as error:
            self.trouble = error
        finally:
            self.blocks.put(None)

    def stop(self) -> None:
        """End, and wait for it."""
        self._ending.set()
        self.join(timeout=5)

    def _read(self) -> bytes:
        try:
            return bytes(self._port.read(max(1, min(BLOCK, self._port.in_waiting))))
        except (OSError, TypeError) as error:
            raise PortError(
                where=str(self._port.name),
                problem="the line went away in the middle of it",
                remedy="Plug it in again and go on with --resume",
            ) from error


def ask(port: Any, request: bytes) -> bool:
    """Send a request to the reader; False where it does not take it."""
    import serial

    try:
        port.write(request)
    except (OSError, serial.SerialException):
        return False
    return True


def close(port: Any, log: int) -> None:
    """Close the log with everything on the disk, then the port. Raises StorageError."""
    try:
        os.fsync(log)
    except OSError as error:
        raise as_storage_error(error, "the log") from error
    finally:
        os.close(log)
        port.close()

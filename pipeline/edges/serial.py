"""A serial line recorded to disk as it arrives, by a program of its own (`serial_recorder`).

Decoding, progress and everything slow happen here, in another process, and read the log like any other file,
so that no byte waits for them. The log is only ever appended to, without a buffer of this program's own: what
is decoded is with the system already. It is given to the disk itself each second and at the end: a power cut
in the middle may cost its last two seconds, a crash or a kill of this program none that was written.
"""

from __future__ import annotations

import errno
import os
import queue
import struct
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from pipeline.edges import serial_recorder
from pipeline.edges.disk_errors import as_storage_error, storage_trouble
from pipeline.edges.flush import sync_folder
from pipeline.errors import DestinationError, PortError, ResourceError, StorageError

POLL_SECONDS = 0.02
"""How often the log is looked at for what is new in it; nothing is lost meanwhile."""

FLUSH_SECONDS = 30
"""How long a disk may take for what is still to be written at the end."""

_COUNTERS = struct.Struct("@20i")
_GET_COUNTERS = 0x545D
"""Source: Linux, asm-generic/ioctls.h (TIOCGICOUNT) and linux/serial.h (struct serial_icounter_struct)."""


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
            remedy=(
                "Install the extra `serial`: `pip install '.[serial]'` in Wellread's folder, as the "
                "README has it"
            ),
        ) from None
    try:
        return serial.Serial(
            name, baud, timeout=0.05, write_timeout=1, xonxoff=False, rtscts=False, exclusive=True
        )
    except (OSError, ValueError) as error:
        raise _not_opened(name, error) from error


def _not_opened(name: str, error: OSError | ValueError) -> PortError:
    """Why a port cannot be opened, in words."""
    number = getattr(error, "errno", None)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        problem, remedy = "there is no such port", "Check the cable and the port's name"
    elif number in (errno.EACCES, errno.EPERM):
        problem = "you may not open this port"
        remedy = "Become a member of the group that owns it (often `dialout`), then log in again"
    elif number in (errno.EAGAIN, errno.EBUSY):
        problem, remedy = "another program has this port", "Close that program, then try again"
    else:
        problem = f"the port cannot be opened ({error})"
        remedy = "Check that it is a serial port, and that it knows this --baud"
    return PortError(where=name, problem=problem, remedy=remedy)


def open_log(path: Path, *, resume: bool) -> int:
    """A handle that appends: to a new file, or with `resume` to one that is there.

    Raises:
        DestinationError: The file exists and is not to be gone on with.
        StorageError: The disk refuses.
    """
    flags = os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0)
    flags |= 0 if resume else os.O_CREAT | os.O_EXCL
    try:
        log = os.open(path, flags, 0o644)
    except FileExistsError:
        raise DestinationError(
            where=str(path), problem="this file exists", remedy="Go on with --resume, or move it away"
        ) from None
    except OSError as error:
        raise as_storage_error(error, path) from error
    try:
        if not resume:
            sync_folder(path.parent)
    except OSError as error:
        os.close(log)
        raise as_storage_error(error, path) from error
    if not _own(log):
        os.close(log)
        raise DestinationError(
            where=str(path), problem="another capture is writing to this log", remedy="Let it end, or stop it"
        )
    return log


def in_use(path: Path) -> bool:
    """Whether a capture is writing to this log at this moment, as far as its lock tells."""
    try:
        log = os.open(path, os.O_WRONLY | os.O_APPEND)
    except OSError:
        return False
    try:
        return not _own(log)
    finally:
        os.close(log)


def _own(log: int) -> bool:
    """Lock the log, for this capture and whatever still writes for it; False where another one has it."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(log, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        # a file system without locks is no reason to lose a reading
        return True
    return True


def ends_a_line(path: Path) -> bool:
    """Whether the last byte of a log that is not empty is a line feed. Raises StorageError."""
    with storage_trouble(path), path.open("rb") as reading:
        reading.seek(-1, os.SEEK_END)
        return reading.read(1) == b"\n"


def append(log: int, path: Path, block: bytes) -> int:
    """Add a block to a log at once; how many bytes. Raises StorageError."""
    view = memoryview(block)
    while view:
        try:
            view = view[os.write(log, view) :]
        except OSError as error:
            raise as_storage_error(error, path) from error
    return len(block)


class Draining:
    """Has a port drained into a handle until told to stop, by a process of its own where that can be.

    Args:
        port: Open.
        into: Handle that takes what comes, in order.
        since: When the port was opened, on the clock of `time.monotonic`; None for now.
        apart: Drain in another process.
    """

    def __init__(self, port: Any, into: int, since: float | None, *, apart: bool) -> None:
        self._port, self._log, self._apart = port, into, apart
        self._since = time.monotonic() if since is None else since
        self._child: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()
        self._told: serial_recorder.Told | None = None

    def start(self) -> None:
        """Begin to copy; when this returns, the line is being looked at."""
        if self._apart and sys.executable:
            # a system that starts no process now may yet start a thread
            with suppress(OSError):
                self._child = self._started()
        if self._child is None:
            self._thread = threading.Thread(target=self._copy, name="recorder", daemon=True)
            self._thread.start()

    def _started(self) -> subprocess.Popen[bytes]:
        handles = (self._port.fileno(), self._log)
        # a session of its own: Ctrl-C is this process's to hear, and it then ends the copying in good order
        child = subprocess.Popen(  # noqa: S603 - this interpreter and our own file
            [sys.executable, "-I", "-S", serial_recorder.__file__, *map(str, handles), repr(self._since)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            pass_fds=handles,
            start_new_session=True,
        )
        if child.stdout is not None:
            child.stdout.readline()
        return child

    def _end(self) -> int:
        """End it; the signal that ended a process of its own before, or 0."""
        if self._child is not None:
            return self._end_child(self._child)
        if self._thread is not None:
            self._ending.set()
            self._thread.join(timeout=FLUSH_SECONDS)
            self._thread = None
        return 0

    def _over(self) -> bool:
        if self._child is not None:
            # its last word, or the end of its standard output. Not `poll`: a Ctrl-C that falls into it leaves
            # it locked
            return _ready(self._child.stdout, 0)
        return self._thread is None or not self._thread.is_alive()

    def _end_child(self, child: subprocess.Popen[bytes]) -> int:
        """Hear its last word; the signal that ended it, or 0."""
        if child.stdin is not None:
            child.stdin.close()
        said, until = b"", time.monotonic() + FLUSH_SECONDS
        while child.stdout is not None and not child.stdout.closed:
            if not _ready(child.stdout, max(0.0, until - time.monotonic())):
                child.kill()
            piece = child.stdout.read(4096)
            said += piece or b""
            if not piece:
                child.stdout.close()
        child.wait()
        self._child = None
        words = said.split()
        if len(words) == len(serial_recorder.Told._fields):
            kind = words[2].decode("ascii").removeprefix("-")
            self._told = serial_recorder.Told(float(words[0]), int(words[1]), kind, int(words[3]))
        return max(0, -child.returncode)

    def _copy(self) -> None:
        def look() -> bytes:
            waiting = self._port.in_waiting
            return bytes(self._port.read(min(serial_recorder.BLOCK, max(1, waiting))))

        self._port.timeout = serial_recorder.LOOK_SECONDS
        self._told = serial_recorder.Drain(look, self._log, self._ending.is_set, self._since).run()


class Listener(Draining):
    """What comes on a port, as it comes: drained like a capture, kept nowhere.

    Args:
        port: Open.
        apart: Drain in another process.

    Attributes:
        gone: Whether the line went away.
    """

    def __init__(self, port: Any, *, apart: bool = os.name == "posix") -> None:
        self._out, into = os.pipe()
        super().__init__(port, into, None, apart=apart)
        self.gone = False
        self._came: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()

    def start(self) -> None:
        """Begin; when this returns, the line is being looked at."""
        super().start()
        if self._child is not None:
            os.close(self._log)  # its end of the pipe alone is left, so that its end is heard
        self._hearing = threading.Thread(target=self._hear, name="hearing", daemon=True)
        self._hearing.start()

    def _hear(self) -> None:
        while True:
            block = os.read(self._out, serial_recorder.BLOCK)
            self._came.put((time.monotonic(), block))
            if not block:
                return

    def _copy(self) -> None:
        super()._copy()
        os.close(self._log)

    def new(self, seconds: float) -> tuple[float, bytes | None]:
        """What has come and when, as soon as it has; b"" after so long without any.

        None once no more will come. The time is that of its coming, however late it is asked for.
        """
        try:
            at, block = self._came.get(timeout=seconds)
        except queue.Empty:
            return time.monotonic(), b""
        self.gone = not block
        return at, block or None

    def stop(self) -> None:
        """End; the port stays open."""
        self._end()
        self._hearing.join(timeout=FLUSH_SECONDS)
        os.close(self._out)


class Recorder(Draining):
    """Has a port copied to a log until told to stop.

    Where handles can be handed on, another process copies, which no work of this one can hold up and which,
    should this one be killed, still writes what has come. Elsewhere two threads do.

    Args:
        port: Open.
        log: Handle that appends.
        path: Of the log.
        since: When the port was opened, on the clock of `time.monotonic`; None for now.
        apart: Copy in another process.

    Attributes:
        trouble: Why it ended by itself: the line went away, or the disk refused.
        worst_stall: Longest time in seconds from one look at the line to the next that found bytes; None
            until the end, and where the copying process was killed.
        fullest: Most bytes found at one look; None where `worst_stall` is.
    """

    def __init__(
        self, port: Any, log: int, path: Path, *, since: float | None = None, apart: bool = os.name == "posix"
    ) -> None:
        self.trouble: PortError | StorageError | ResourceError | None = None
        self.worst_stall: float | None = None
        self.fullest: int | None = None
        super().__init__(port, log, since, apart=apart)
        self._path = path
        self._before = self._size = os.fstat(log).st_size
        self._reading = path.open("rb", buffering=0)
        self._reading.seek(self._before)
        self._stopped = False

    @property
    def received(self) -> int:
        """Bytes in the log from this run; after the end, as many as there were at the end."""
        self._look_at_size()
        return self._size - self._before

    def _look_at_size(self) -> None:
        # once it is closed, its handle may be another file's
        if not self._stopped:
            with suppress(OSError):
                self._size = os.fstat(self._log).st_size

    def new(self) -> bytes | None:
        """What is new in the log, after a short wait where nothing is.

        None once it has ended and all was given.
        """
        over = self._over()
        block = self._reading.read(1 << 20)
        if block:
            return block
        if over:
            return None
        time.sleep(POLL_SECONDS)
        return b""

    def stop(self) -> None:
        """End: what has come is written, and how it went is known."""
        early = self._over()
        killed_by = self._end()
        self._reading.close()
        self._look_at_size()
        self._stopped = True
        told = self._told
        if told is None or (early and not told.trouble):
            by = f" (signal {killed_by})" if killed_by else ""
            self.trouble = PortError(
                where=str(self._port.name),
                problem=f"the process that takes its bytes was ended from outside{by}",
                remedy="Go on with --resume",
            )
            return
        self.worst_stall, self.fullest = told.worst_stall, told.fullest
        if told.trouble == "disk":
            self.trouble = as_storage_error(OSError(told.number, os.strerror(told.number)), self._path)
        elif told.trouble == "line":
            self.trouble = PortError(
                where=str(self._port.name),
                problem="the line went away in the middle of it",
                remedy="Plug it in again and go on with --resume",
            )


def _ready(output: IO[bytes] | None, seconds: float) -> bool:
    """Whether a process has said something, or will say no more; waits for it at most so long. POSIX only."""
    import select

    if output is None or output.closed:
        return True
    return bool(select.select([output], [], [], seconds)[0])


def overruns(port: Any) -> int | None:
    """Bytes that the port's hardware or driver has lost so far by its own count; None where it keeps none."""
    if sys.platform != "linux":
        return None
    import fcntl

    try:
        return lost(fcntl.ioctl(port.fileno(), _GET_COUNTERS, bytes(_COUNTERS.size)))
    except (OSError, ValueError):
        return None


def lost(counters: bytes) -> int:
    """The two counts of lost bytes among a port's counters: the receiver's and its buffer's."""
    fields = _COUNTERS.unpack(counters)
    return int(fields[7] + fields[10])


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
        serial_recorder.flush(log)
    except OSError as error:
        raise as_storage_error(error, "the log") from error
    finally:
        os.close(log)
        port.close()

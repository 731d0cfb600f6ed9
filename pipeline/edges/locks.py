"""Whether somebody is at work: a lock that dies with its holder, or a file where locks are refused.

The system's own locks go when their holder dies, whatever kills it. Some mounts refuse them; there a file
made exclusively says who holds it (computer, process and when that began), and a holder that is not alive
holds nothing.
"""

from __future__ import annotations

import contextlib
import errno
import os
import platform
import sys
import time
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from pipeline.edges.console import caution_once
from pipeline.edges.disk_errors import storage_trouble
from pipeline.errors import StorageError

REFUSED = frozenset([errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL])
"""How a file system says that it has no locks. Source: flock(2) of the Linux manual; NFS and FUSE from
memory.
"""
WAIT_SECONDS = 30.0
_LOOK_SECONDS = 0.01
_YOUNG_SECONDS = 60.0
"""How old an empty lock file may be whose maker is taken to be about to write its name into it."""


def locked(handle: int) -> bool | None:
    """Take the lock of an open file without waiting.

    Returns:
        Whether it was taken; None where this file system has no locks. It goes when the file is closed.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return None if error.errno in REFUSED else False
    return True


def locks_work(path: Path) -> bool:
    """Whether parts of a file can be locked, as a database needs it; True where there is no such file yet."""
    if sys.platform == "win32":
        return True
    import fcntl

    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)  # a pipe would wait for its other end
    except OSError:
        return True
    try:
        fcntl.lockf(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in REFUSED
    finally:
        os.close(handle)
    return True


def hold(path: Path) -> int:
    """Make a lock file and hold it; it is held until the handle is closed or its holder dies.

    Raises:
        OSError: There is one, or the disk refused.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        taken = locked(handle)
        if taken is None:
            os.write(handle, _holder(os.getpid()).encode())
            caution_once(f"{path.parent}: this file system has no locks; a file stands in for them")
        elif not taken:
            raise BlockingIOError(errno.EAGAIN, "a new file is locked")  # noqa: TRY301 - closed and raised on
    except BaseException:
        os.close(handle)
        raise
    return handle


def is_held(path: Path) -> bool:
    """Whether a lock file's holder is at work; also where that cannot be known."""
    try:
        handle = os.open(path, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
    except FileNotFoundError:
        return False
    except OSError:
        return True
    try:
        return _is_held(handle)
    finally:
        os.close(handle)


def _is_held(handle: int) -> bool:
    said = os.read(handle, 300).decode("utf-8", "replace")
    if said:
        return _alive(said)
    taken = locked(handle)
    if taken is None:
        return time.time() - os.fstat(handle).st_mtime < _YOUNG_SECONDS
    return not taken


@contextmanager
def one_at_a_time(path: Path, *, wait_seconds: float = WAIT_SECONDS) -> Generator[None]:
    """Only one process at a time is in this block; the others wait.

    Args:
        path: A lock file beside what is being changed; it is made for the time being.
        wait_seconds: For how long.

    Raises:
        StorageError: Another process holds it for longer, or the disk refused.
    """
    until = time.monotonic() + wait_seconds
    with storage_trouble(path):
        while (held := _tried(path)) is None:
            if time.monotonic() > until:
                raise StorageError(
                    where=str(path),
                    problem="another process has been at work here for too long",
                    remedy="Let it end; if none is at work, remove this file",
                )
            time.sleep(_LOOK_SECONDS)
    try:
        yield
    finally:
        # While it is still held: who has opened the file finds that the name is no longer this file's.
        handle, names = held
        for each in names:
            with contextlib.suppress(OSError):
                each.unlink()
        os.close(handle)


def _tried(path: Path) -> tuple[int, tuple[Path, ...]] | None:
    """The held lock file, and the names that go when it is let go; None where another process has it."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        taken = locked(handle)
        if taken is None:
            named = path.with_name(f"{path.name}-holder")
            return (os.dup(handle), (named, path)) if _named(named) else None
        if taken and _is_named(handle, path):
            return os.dup(handle), (path,)
    finally:
        os.close(handle)
    return None


def _is_named(handle: int, path: Path) -> bool:
    """Whether an open file still has its name: the one who let it go may have removed it meanwhile."""
    try:
        return os.path.samestat(os.fstat(handle), os.stat(path, follow_symlinks=False))  # noqa: PTH116
    except FileNotFoundError:
        return False


def _named(path: Path) -> bool:
    """Make the file that stands in for a lock.

    A dead holder's is removed, so that the next try finds none; never another one's, that has taken its name
    since it was looked at.
    """
    try:
        os.close(hold(path))
    except FileExistsError:
        with contextlib.suppress(OSError):
            handle = os.open(path, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
            try:
                if not _is_held(handle) and _is_named(handle, path):
                    path.unlink()
            finally:
                os.close(handle)
        return False
    return True


def _holder(process: int) -> str:
    return f"{platform.node()}\n{process}\n{_began(process)}\n"


def _began(process: int) -> str:
    """When a process began, by the system's own count; "" where it does not tell."""
    try:
        told = Path(f"/proc/{process}/stat").read_text("ascii", "replace")
    except OSError:
        return ""
    # Field 22, counted from behind the command's name, which may hold anything. Source: proc(5).
    return told.rpartition(")")[2].split()[19]


def _alive(said: str) -> bool:
    """Whether the process that a lock file names still runs; one of another computer may."""
    node, _, rest = said.partition("\n")
    number, _, began = rest.partition("\n")
    if node != platform.node() or not number.isdigit():
        return True
    if sys.platform == "win32":
        return True
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return not began.strip() or began.strip() == _began(int(number))

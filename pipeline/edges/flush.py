"""What was written is on the disk when these return, as far as the file system knows how.

A file system that has no such call (a network share, a FUSE mount) keeps what was written all the same: that
is worth a caution, once a run, and no reason to throw finished work away. A disk that says that it failed is
an error.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

from pipeline.edges.console import caution_once

NOT_KNOWN = frozenset(
    [errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, getattr(errno, "ENOTTY", errno.EINVAL)]
)
"""How file systems say that they know no such call. Source: fsync(2), syncfs(2) and flock(2) of the Linux
manual.
"""
NOT_ALLOWED = frozenset([errno.EPERM, errno.EACCES, errno.EBADF])
"""How some say it of a folder, which they do not let anybody open for it; from memory."""


def sync_tree(path: Path) -> None:
    """Everything below a folder is on the disk when this returns: one call a file system, not one a file.

    Raises:
        OSError: The disk refused, now or when it wrote something earlier.
    """
    if sys.platform == "win32":
        for folder, _, names in os.walk(path):
            for name in names:
                sync_file(Path(folder, name))
        return
    import ctypes

    library = ctypes.CDLL(None, use_errno=True)
    if not hasattr(library, "syncfs"):
        os.sync()
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        if library.syncfs(handle) == 0:
            return
        code = ctypes.get_errno()
    finally:
        os.close(handle)
    if code not in NOT_KNOWN | NOT_ALLOWED:
        raise OSError(code, os.strerror(code), str(path))
    # Every file system at once: slower, and it tells of no failure, but it leaves nothing behind.
    os.sync()


def sync_file(path: Path) -> None:
    """One file is on the disk when this returns. Raises OSError."""
    handle = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        sync_handle(handle, path)
    finally:
        os.close(handle)


def sync_handle(handle: int, path: Path) -> None:
    """The same for a file that is open. Raises OSError."""
    try:
        os.fsync(handle)
    except OSError as error:
        _forgive(error, path, NOT_KNOWN)


def sync_folder(path: Path) -> None:
    """The names in a folder are on the disk when this returns. Raises OSError."""
    if sys.platform == "win32":
        return
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError as error:
        _forgive(error, path, NOT_KNOWN | NOT_ALLOWED)
        return
    try:
        os.fsync(handle)
    except OSError as error:
        _forgive(error, path, NOT_KNOWN | NOT_ALLOWED)
    finally:
        os.close(handle)


def flushes(path: Path) -> bool:
    """Whether the file system of a file that is there can be asked to put it on the disk."""
    try:
        handle = os.open(path, os.O_RDWR)
    except OSError:
        return True
    try:
        os.fsync(handle)
    except OSError as error:
        return error.errno not in NOT_KNOWN
    finally:
        os.close(handle)
    return True


def _forgive(error: OSError, path: Path, numbers: frozenset[int]) -> None:
    if error.errno not in numbers:
        raise error
    caution_once(
        f"{path.parent}: this file system does not say when names and files are on the disk; "
        "a power cut may cost the last seconds"
    )

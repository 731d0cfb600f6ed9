"""Names given, and changed between two folders, without ever replacing what has one."""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from pipeline.edges.disk_errors import is_open_elsewhere
from pipeline.edges.flush import NOT_ALLOWED, NOT_KNOWN
from pipeline.errors import DestinationError

_RENAME_NOREPLACE = 1
_RENAME_EXCHANGE = 2
_RENAME_EXCL = 4
_RENAME_SWAP = 2
_AT_FDCWD = -100
_LOOKS = 20
_LOOK_SECONDS = 0.1
"""Two seconds: a search or virus programme looks at a new file for less; from memory."""
_ACCESS_DENIED = 5
"""What Windows says of a folder in which a file is open, and of much else.

Source: Microsoft, "System Error Codes (0-499)".
"""
T = TypeVar("T")


def identity(path: Path) -> str:
    """What tells one file or folder of this system from every other while the system runs. Raises OSError."""
    status = path.stat(follow_symlinks=False)
    return f"{status.st_dev} {status.st_ino}"


def refuse_existing(path: Path) -> None:
    """Nothing is ever overwritten.

    Raises DestinationError where anything has that name, a broken link too.
    """
    if os.path.lexists(path):
        raise DestinationError(
            where=str(path), problem="is there already", remedy="Move it away or choose another destination"
        )


def rename_new(source: Path, target: Path) -> None:
    """Rename, but never onto anything: the kernel refuses, so that no other process can slip in between.

    Raises:
        DestinationError: The target exists.
        OSError: The disk refused.
    """
    refuse_existing(target)
    try:
        patiently(lambda: _renamed(source, target))
    except OSError as error:
        if error.errno in {errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR, errno.EISDIR}:
            refuse_existing(target)
        raise


def _renamed(source: Path, target: Path) -> None:
    if not _renamed_specially(source, target, _RENAME_NOREPLACE, _RENAME_EXCL):
        _renamed_plainly(source, target)


def _renamed_plainly(source: Path, target: Path) -> None:
    """Windows refuses an existing target by itself; elsewhere a folder can only replace an empty one.

    A file would replace another: there a second name is given first, which the system refuses where one is,
    and where it knows no second names the look just before is all there is.
    """
    if sys.platform != "win32" and not source.is_dir():
        try:
            os.link(source, target, follow_symlinks=False)
        except FileExistsError:
            raise
        except (OSError, NotImplementedError):
            refuse_existing(target)
        else:
            source.unlink()
            return
    os.rename(source, target)  # noqa: PTH104 - the very call the comment speaks of


def exchange(one: Path, other: Path) -> bool:
    """Two names change their files or folders in one step; False where the system knows no such step.

    Raises:
        OSError: The disk refused; nothing has changed.
    """
    return patiently(lambda: _renamed_specially(one, other, _RENAME_EXCHANGE, _RENAME_SWAP))


def replace_patiently(source: Path, target: Path) -> None:
    """Let a file take another one's place; it is waited for that no other program has that one open.

    Raises:
        OSError: The disk refused, or the other file stays open.
    """
    patiently(lambda: os.replace(source, target))  # noqa: PTH105 - one step, as the other edges do it


def rename_patiently(source: Path, target: Path) -> None:
    """A plain rename, of what is ours or to a name in a folder of ours.

    Raises:
        OSError: The disk refused, or another program keeps the file, or one in the folder, open.
    """
    patiently(lambda: os.rename(source, target))  # noqa: PTH104 - the very call


def patiently(step: Callable[[], T]) -> T:
    """Take a step again for two seconds while another program has open what it is about.

    Raises:
        OSError: What the step says at last.
    """
    for _ in range(_LOOKS):
        try:
            return step()
        except OSError as error:
            if not is_shared(error):
                raise
        time.sleep(_LOOK_SECONDS)
    return step()


def remove_own(path: Path) -> None:
    """Remove a file of ours, if it is there; on Windows one that took over another's rights may be read-only.

    Raises:
        OSError: The disk refused.
    """
    try:
        path.unlink(missing_ok=True)
    except PermissionError:
        path.chmod(0o600)
        path.unlink()


def is_shared(error: OSError) -> bool:
    """Whether another program's having a file open is why something was refused, or, on Windows, may be."""
    return is_open_elsewhere(error) or getattr(error, "winerror", None) == _ACCESS_DENIED


def copy_mode(source: Path, target: Path) -> None:
    """Give a file the rights of another one, as far as the file system knows rights."""
    try:
        target.chmod(source.stat().st_mode & 0o777)
    except OSError as error:
        if error.errno not in NOT_KNOWN | NOT_ALLOWED:
            raise


def _renamed_specially(source: Path, target: Path, linux_flag: int, mac_flag: int) -> bool:
    """True when the kernel did it; False where it knows no such call."""
    if sys.platform == "win32":
        return False
    import ctypes

    library = ctypes.CDLL(None, use_errno=True)
    old, new = os.fsencode(source), os.fsencode(target)
    if hasattr(library, "renameat2"):
        result = library.renameat2(_AT_FDCWD, old, _AT_FDCWD, new, linux_flag)
    elif hasattr(library, "renamex_np"):
        result = library.renamex_np(old, new, mac_flag)
    else:
        return False
    if result == 0:
        return True
    code = ctypes.get_errno()
    if code in {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP}:
        return False
    raise OSError(code, os.strerror(code), str(target))

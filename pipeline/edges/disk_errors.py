"""What a disk refused, as an error a person can act on."""

from __future__ import annotations

import errno
import os
from types import TracebackType

from pipeline.errors import ResourceError, StorageError

_CLOSE_IT = "Another program has it open, or a file in it: close that program and run it again"
_OPEN_ELSEWHERE = {32, 33}
"""A sharing and a lock violation. Source: Microsoft, "System Error Codes (0-499)"."""
_REMEDIES = {
    errno.ENOSPC: "Free some space and run it again",
    getattr(errno, "EDQUOT", -1): "Free some of your quota and run it again",
    errno.EFBIG: "Write to a file system that takes files of this size",
    errno.EROFS: "Choose a destination that can be written",
    errno.EACCES: "Choose a place you may read and write",
    errno.EPERM: "Choose a place you may read and write",
    errno.EIO: "The device is failing: save what is on it first, then write elsewhere",
    errno.ENAMETOOLONG: "Choose a destination with a shorter path",
    errno.ENOENT: "Something removed the folder while it was in use; run it again",
    errno.EBUSY: _CLOSE_IT,
    errno.EMFILE: "Too many files are open; close other programs and run it again",
}


class storage_trouble:  # noqa: N801 - read as a verb, `with storage_trouble(path)`
    """Turn an OSError of the block into a StorageError that names the file.

    A class, since a file of a bag passes several such blocks: a generator takes four times as long for each.

    Args:
        where: The file or folder being used.

    Raises:
        StorageError: Instead of any OSError.
        ResourceError: The system had no memory for it.
    """

    __slots__ = ("_where",)

    def __init__(self, where: str | os.PathLike[str]) -> None:
        self._where = where

    def __enter__(self) -> None:
        """Nothing is to be done."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, OSError):
            raise as_storage_error(error, self._where) from error


def absent(where: str | os.PathLike[str], what: str, remedy: str) -> StorageError:
    """What a person named and nobody finds.

    The same words and exit code for a folder, a dump, a bag and a ledger.

    Args:
        where: The path as it was given.
        what: What was looked for, such as `bag`.
        remedy: What to do, without a full stop.
    """
    return StorageError(where=os.fspath(where), problem=f"there is no such {what}", remedy=remedy)


def as_storage_error(error: OSError, where: str | os.PathLike[str]) -> StorageError | ResourceError:
    """The same refusal in words; what lacks is told by an error of its own where it is memory."""
    if error.errno == errno.ENOMEM:
        return no_memory(os.fspath(where))
    said = error.strerror or str(error) or type(error).__name__
    remedy = _REMEDIES.get(error.errno or 0, "Look at the disk, then run it again")
    if is_open_elsewhere(error):
        remedy = _CLOSE_IT
    return StorageError(where=os.fspath(where), problem=f"the disk says: {said.lower()}", remedy=remedy)


def is_open_elsewhere(error: OSError) -> bool:
    """Whether another program has open what was to be renamed, replaced or opened.

    Windows has numbers for it; a share of Windows that Linux mounts says that it is busy, from memory.
    """
    return error.errno == errno.EBUSY or getattr(error, "winerror", None) in _OPEN_ELSEWHERE


def worker_ended(where: str) -> ResourceError:
    """A process of this run was ended by somebody else: nearly always by a system that is short of memory."""
    return ResourceError(
        where=where,
        problem="a process of this run was ended from outside, as a system short of memory does",
        remedy="Nothing was put in place; close other programs or work on fewer at once, then run it again",
    )


def no_memory(where: str) -> ResourceError:
    """The system gave no memory."""
    return ResourceError(
        where=where,
        problem="there is not enough memory for this",
        remedy="Nothing was put in place; close other programs, or raise the limit that was set, then run it "
        "again",
    )

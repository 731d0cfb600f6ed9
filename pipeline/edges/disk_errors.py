"""What a disk refused, as an error a person can act on."""

from __future__ import annotations

import errno
import os
from collections.abc import Generator
from contextlib import contextmanager

from pipeline.errors import StorageError

_REMEDIES = {
    errno.ENOSPC: "Free some space and run it again",
    getattr(errno, "EDQUOT", -1): "Free some of your quota and run it again",
    errno.EFBIG: "Write to a file system that takes files of this size",
    errno.EROFS: "Choose a destination that can be written",
    errno.EACCES: "Choose a place you may read and write",
    errno.EPERM: "Choose a place you may read and write",
    errno.EIO: "The device fails: save what is on it first, then write elsewhere",
    errno.ENAMETOOLONG: "Choose a destination with a shorter path",
    errno.ENOENT: "Something removed the folder while it was in use; run it again",
    errno.EMFILE: "Too many files are open; close other programs and run it again",
}


@contextmanager
def storage_trouble(where: str | os.PathLike[str]) -> Generator[None]:
    """Turn an OSError of the block into a StorageError that names the file.

    Args:
        where: The file or folder being used.

    Raises:
        StorageError: Instead of any OSError.
    """
    try:
        yield
    except OSError as error:
        raise as_storage_error(error, where) from error


def as_storage_error(error: OSError, where: str | os.PathLike[str]) -> StorageError:
    """The same refusal in words."""
    said = error.strerror or str(error) or type(error).__name__
    remedy = _REMEDIES.get(error.errno or 0, "Look at the disk, then run it again")
    return StorageError(where=os.fspath(where), problem=f"the disk says: {said.lower()}", remedy=remedy)

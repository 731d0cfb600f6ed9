"""Whether every file of a folder lies in others too, so that removing the folder removes nothing."""

from __future__ import annotations

import errno
import filecmp
import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path

_BY_HANDLE = os.open in os.supports_dir_fd and os.scandir in os.supports_fd
_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0)


def missing(folder: Path, among: Sequence[Path]) -> Iterator[str]:
    """Paths of everything in a folder that has no equal, under the same path, in any of some others.

    Args:
        folder: What is to be removed.
        among: Folders that stay.

    Raises:
        OSError: Something cannot be read, so that nothing is proved of it.
    """
    for path in _files(folder) if _BY_HANDLE else _files_by_path(folder):
        if not any(_same(folder / path, other / path) for other in among):
            yield path


def _files(folder: Path) -> Iterator[str]:
    """Paths of everything in a folder that is no folder.

    Without recursion, and deeper than a path can say too.

    One folder is open at a time, entered by its name and left by `..`, which must lead back to where it came
    from.
    """
    handle = os.open(folder, _FOLDER)
    here: list[str] = []
    parents: list[tuple[int, int]] = []
    left = [_folders_left(handle)]
    try:
        while True:
            yield from ("/".join((*here, name)) for name in _others(handle))
            while not left[-1]:
                left.pop()
                if not left:
                    return
                handle = _entered(handle, "..")
                if _identity(handle) != parents.pop():
                    raise OSError(errno.ESTALE, os.strerror(errno.ESTALE), str(folder))
                here.pop()
            parents.append(_identity(handle))
            here.append(left[-1].pop())
            handle = _entered(handle, here[-1])
            left.append(_folders_left(handle))
    finally:
        os.close(handle)


def _entered(handle: int, name: str) -> int:
    """The folder of this name, opened in place of the one it lies in."""
    there = os.open(name, _FOLDER, dir_fd=handle)
    os.close(handle)
    return there


def _identity(handle: int) -> tuple[int, int]:
    status = os.fstat(handle)
    return status.st_dev, status.st_ino


def _folders_left(handle: int) -> list[str]:
    with os.scandir(handle) as entries:
        return sorted((one.name for one in entries if one.is_dir(follow_symlinks=False)), reverse=True)


def _others(handle: int) -> list[str]:
    with os.scandir(handle) as entries:
        return sorted(one.name for one in entries if not one.is_dir(follow_symlinks=False))


def _files_by_path(folder: Path) -> Iterator[str]:
    """The same where the system knows no handles of folders."""
    for inside, folders, names in os.walk(folder, onerror=_raised):
        links = [name for name in folders if os.path.islink(os.path.join(inside, name))]  # noqa: PTH114, PTH118
        for name in sorted((*names, *links)):
            yield os.path.relpath(os.path.join(inside, name), folder)  # noqa: PTH118 - text, see above


def first_missing(folder: Path, among: Sequence[Path]) -> str:
    """The first of them, or "". Raises OSError."""
    return next(missing(folder, among), "")


def _raised(error: OSError) -> None:
    raise error


def _same(one: Path, other: Path) -> bool:
    """Whether two paths hold the same.

    One file under two names, the same bytes, or links to the same place.
    """
    try:
        first, second = one.lstat(), other.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    if os.path.samestat(first, second):
        return True
    if stat.S_IFMT(first.st_mode) != stat.S_IFMT(second.st_mode):
        return False
    if stat.S_ISLNK(first.st_mode):
        return one.readlink() == other.readlink()
    # Pipes, sockets and devices hold nothing.
    return not stat.S_ISREG(first.st_mode) or (
        first.st_size == second.st_size and filecmp.cmp(one, other, shallow=False)
    )

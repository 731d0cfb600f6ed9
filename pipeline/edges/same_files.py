"""Whether every file of a folder lies in others too, so that removing the folder removes nothing."""

from __future__ import annotations

import filecmp
import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path


def missing(folder: Path, among: Sequence[Path]) -> Iterator[str]:
    """Paths of everything in a folder that has no equal, under the same path, in any of some others.

    Args:
        folder: What is to be removed.
        among: Folders that stay.

    Raises:
        OSError: Something cannot be read, so that nothing is proved of it.
    """
    for inside, folders, names in os.walk(folder, onerror=_raised):
        links = [name for name in folders if os.path.islink(os.path.join(inside, name))]  # noqa: PTH114, PTH118
        for name in sorted((*names, *links)):
            path = os.path.relpath(os.path.join(inside, name), folder)  # noqa: PTH118 - text, see above
            if not any(_same(folder / path, other / path) for other in among):
                yield path


def first_missing(folder: Path, among: Sequence[Path]) -> str:
    """The first of them, or "". Raises OSError."""
    return next(missing(folder, among), "")


def _raised(error: OSError) -> None:
    raise error


def _same(one: Path, other: Path) -> bool:
    """Whether two paths hold the same: one file under two names, the same bytes, or links to the same place."""
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

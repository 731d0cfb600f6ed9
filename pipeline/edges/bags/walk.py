"""Walking a bag: what lies in it, folder by folder, each thing looked at once.

What is found is written down, not judged; a link is never followed and a pipe never opened.
"""
# ruff: noqa: PTH118 - paths stay text here: a Path for each of 100,000 files costs more than reading them

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Iterator
from typing import NamedTuple

from pipeline.bags.observed import Seen
from pipeline.edges.disk_errors import as_storage_error


class Folder(NamedTuple):
    """What one folder holds.

    Attributes:
        files: Paths of the regular files in it, sorted.
        others: What is neither a file nor a folder.
        directories: Paths of the folders in it.
        oddities: What the file system would not show: (path, what it means).
    """

    files: list[str]
    others: list[Seen]
    directories: list[str]
    oddities: list[tuple[str, str]]


def walk(root: str) -> Iterator[Folder]:
    """Everything below a folder, each folder before those in it, and these in the order of their names.

    Args:
        root: An absolute path.

    Yields:
        One folder after the other, so that its files can be digested while the walk goes on.

    Raises:
        StorageError: The root itself cannot be listed; what is refused below it is an oddity.
    """
    waiting = [""]
    while waiting:
        inside = waiting.pop()
        folder = Folder([], [], [], [])
        try:
            entries = os.scandir(os.path.join(root, inside) if inside else root)
        except OSError as error:
            if not inside:
                raise as_storage_error(error, root) from error
            folder.oddities.append((inside, f"the folder cannot be read: {error.strerror}"))
        else:
            with entries:
                _look(entries, f"{inside}/" if inside else "", folder)
        folder.files.sort()
        waiting += sorted(folder.directories, reverse=True)
        yield folder


def _look(entries: Iterator[os.DirEntry[str]], prefix: str, folder: Folder) -> None:
    files = folder.files
    for entry in entries:
        path = prefix + entry.name
        # What kind of thing it is comes with the listing nearly everywhere; asking for more takes half of the
        # walk.
        try:
            if entry.is_file(follow_symlinks=False):
                files.append(path)
            elif entry.is_dir(follow_symlinks=False) and not _is_reparse(entry):
                folder.directories.append(path)
            else:
                folder.others.append(Seen(path, kind_of(entry.stat(follow_symlinks=False).st_mode), 0))
        except OSError as error:
            folder.oddities.append((path, f"it cannot be looked at: {error.strerror}"))


def _is_reparse(entry: os.DirEntry[str]) -> bool:
    """A folder of Windows that is really a junction to another place."""
    if sys.platform != "win32":
        return False
    return bool(entry.stat(follow_symlinks=False).st_file_attributes & stat.FILE_ATTRIBUTE_REPARSE_POINT)


def kind_of(mode: int) -> str:
    """What a thing that is neither a file nor a folder is called."""
    for test, name in (
        (stat.S_ISLNK, "link"),
        (stat.S_ISFIFO, "fifo"),
        (stat.S_ISSOCK, "socket"),
        (stat.S_ISBLK, "device"),
        (stat.S_ISCHR, "device"),
    ):
        if test(mode):
            return name
    return "link" if stat.S_ISDIR(mode) else "other"

"""A folder is built out of sight and gets its name in one step, or not at all.

The staging folder lies beside its destination, so that giving it its name is one rename within one file
system:

1. `.NAME.staging-XXXXXXXX/` is made, closed to other users, and a lock inside it says that its maker lives.
2. The caller builds `.NAME.staging-XXXXXXXX/NAME/`.
3. `commit` flushes that file system once, renames the inner folder to `NAME` if there is no `NAME`, and
   removes the rest. Whatever ends the run before the rename leaves no `NAME`.

A killed run leaves its staging folder; its lock dies with it, which is how `leftovers` knows.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from pipeline.edges.disk_errors import as_storage_error, storage_trouble
from pipeline.errors import DestinationError

_NAME = re.compile(r"^\.(?P<name>.+)\.staging-[0-9a-f]{8}$", re.DOTALL)
_LOCK = "in-use"
_BUILT = "built"
"""Says which folder was built, so that a leftover tells whether that got its name before its maker died."""
_RENAME_NOREPLACE = 1
_RENAME_EXCHANGE = 2
_RENAME_EXCL = 4
_RENAME_SWAP = 2
_AT_FDCWD = -100


@dataclass(frozen=True, slots=True)
class Leftover:
    """A staging folder that was found.

    Attributes:
        path: Where it lies.
        name: The name that it would have got.
        in_use: Its maker is still at work (or may be: on a system without locks this cannot be known).
        waiting: Names of finished files that its maker had still to put beside the finished folder, which is
            in place already; empty where nothing was in place yet.
    """

    path: Path
    name: str
    in_use: bool
    waiting: tuple[str, ...] = ()


class Staging:
    """A staging folder beside its destination, gone again unless it is committed.

    Args:
        final: The path that the finished folder gets.
        replacing: The finished folder takes the place of one that is there, by `exchange` instead of
            `commit`.

    Raises:
        DestinationError: There is something of that name already, or its parent is no folder.
        StorageError: The disk refused.
    """

    def __init__(self, final: Path, *, replacing: bool = False) -> None:
        self._replacing = replacing
        self._kept = False
        self.final = Path(os.path.abspath(final))  # noqa: PTH100 - resolve() would follow a link under that name
        self.outer = self.final.parent / f".{self.final.name}.staging-{os.urandom(4).hex()}"
        self.path = self.outer / self.final.name
        self._lock = -1

    def __enter__(self) -> Self:
        if not self._replacing:
            refuse_existing(self.final)
        if not self.final.parent.is_dir():
            raise DestinationError(
                where=str(self.final.parent),
                problem="is no folder",
                remedy="Make it, or choose another --into",
            )
        with storage_trouble(self.final.parent):
            self.outer.mkdir(mode=0o700)
        try:
            with storage_trouble(self.outer):
                self._lock = _held(self.outer / _LOCK)
                self.path.mkdir()
        except BaseException:
            self.discard()
            raise
        return self

    def commit(self, beside: Sequence[str] = ()) -> Path:
        """Flush the file system once, then give the folder its name unless the name is taken.

        Args:
            beside: Names of files in `outer` that get their place beside the folder, each unless its name is
                taken. They come after the folder; where one is refused, the folder is taken back. A run that
                is killed in between leaves them in its staging folder, and `remove_leftover` puts them in
                place.

        Returns:
            The final path.

        Raises:
            DestinationError: Something has got that name in the meantime; it is left alone.
            StorageError: The disk refused. Nothing has the final name, or all is in place and only the last
                flush of the names was refused.
        """
        with storage_trouble(self.path):
            if beside:
                (self.outer / _BUILT).write_text(_identity(self.path), "ascii")
            sync_tree(self.path)
        with storage_trouble(self.final):
            rename_new(self.path, self.final)
        self._place(beside)
        with storage_trouble(self.final):
            sync_folder(self.final.parent)
        self.discard()
        return self.final

    def _place(self, beside: Sequence[str]) -> None:
        placed: list[str] = []
        try:
            for name in beside:
                with storage_trouble(self.final.parent / name):
                    rename_new(self.outer / name, self.final.parent / name)
                placed.append(name)
        except BaseException:
            # All or nothing; where even going back is refused, what waits must not go with the staging
            # folder.
            try:
                for name in placed:
                    rename_new(self.final.parent / name, self.outer / name)
                rename_new(self.final, self.path)
            except (OSError, DestinationError):
                self.keep()
            raise

    def exchange(self) -> Path:
        """Flush the file system once, then let the new folder and the old one change places.

        Returns:
            Where the old folder lies now: inside the staging folder, which goes with the end of the block.

        Raises:
            StorageError: The disk refused; the old folder has its name still.
        """
        with storage_trouble(self.path):
            (self.outer / _BUILT).write_text(_identity(self.path), "ascii")
            sync_tree(self.outer)
        with storage_trouble(self.final):
            exchange_names(self.path, self.final)
        return self.path

    def keep(self) -> None:
        """Leave the staging folder where it is, as a killed run would; `leftovers` finds it."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1
        self._kept = True

    def discard(self) -> None:
        """Remove the staging folder and whatever is in it; what cannot be removed is left to `leftovers`."""
        if self._kept:
            return
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1
        _remove_what_goes(self.outer)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.discard()


def leftovers(parent: Path) -> tuple[Leftover, ...]:
    """Staging folders lying in a folder, sorted; those of dead runs are not `in_use` and may be removed.

    Args:
        parent: The folder where bags are built.

    Raises:
        StorageError: The folder cannot be read.
    """
    with storage_trouble(parent), os.scandir(parent) as entries:
        found = [
            (Path(entry.path), match["name"])
            for entry in entries
            if (match := _NAME.fullmatch(entry.name)) and entry.is_dir(follow_symlinks=False)
        ]
    return tuple(
        Leftover(path, name, _is_held(path / _LOCK), _waiting(path, name)) for path, name in sorted(found)
    )


def is_staging_name(name: str) -> bool:
    """Whether a folder of this name is a staging folder."""
    return _NAME.fullmatch(name) is not None


def remove_leftover(leftover: Leftover) -> None:
    """Remove the staging folder of a dead run; what only waited for its place beside the finished folder gets it.

    Raises:
        DestinationError: It is in use.
        StorageError: The disk refused.
    """
    if _is_held(leftover.path / _LOCK):
        raise DestinationError(
            where=str(leftover.path),
            problem="is in use by another run",
            remedy="Wait until that run has ended",
        )
    with storage_trouble(leftover.path):
        for name in leftover.waiting:
            if not os.path.lexists(leftover.path.parent / name):
                rename_new(leftover.path / name, leftover.path.parent / name)
        _remove_what_goes(leftover.path)
        if os.path.lexists(leftover.path):
            _remove_flat(leftover.path)


def _remove_what_goes(folder: Path) -> None:
    """Remove a folder with all in it; what the disk refuses stays."""
    import shutil

    with contextlib.suppress(RecursionError):
        shutil.rmtree(folder, ignore_errors=True)
    if os.path.lexists(folder):
        with contextlib.suppress(OSError):
            _remove_flat(folder)


def _remove_flat(folder: Path) -> None:
    """Remove a folder in which others are nested deeper than a path, or the way down by recursion, reaches.

    Each folder's folders come up beside it before it goes, so that no path is longer than two names more.

    Raises:
        OSError: The disk refused.
    """
    waiting, number = [folder], 0
    while waiting:
        lowest = waiting.pop()
        with os.scandir(lowest) as entries:
            found = list(entries)
        for entry in found:
            if not entry.is_dir(follow_symlinks=False):
                Path(entry.path).unlink()
                continue
            number += 1
            moved = folder / f".{number}-{os.urandom(4).hex()}"
            Path(entry.path).rename(moved)
            waiting.append(moved)
        if lowest != folder:
            lowest.rmdir()
    folder.rmdir()


def _waiting(path: Path, name: str) -> tuple[str, ...]:
    """Files that a run killed after its folder had got the name had still to put beside it: a record, a zip."""
    try:
        if (path / _BUILT).read_text("ascii") != _identity(path.parent / name):
            return ()
        return tuple(sorted(each.name for each in path.iterdir() if each.suffix in {".json", ".zip"}))
    except (OSError, ValueError):
        return ()


def _identity(folder: Path) -> str:
    status = folder.stat()
    return f"{status.st_dev} {status.st_ino}"


def refuse_existing(path: Path) -> None:
    """Nothing is ever overwritten. Raises DestinationError where anything has that name, a broken link too."""
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
        if not _renamed_exclusively(source, target):
            # Windows refuses an existing target by itself; elsewhere a folder can only replace an empty one.
            os.rename(source, target)  # noqa: PTH104 - the very call the comment speaks of
    except OSError as error:
        if error.errno in {errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR, errno.EISDIR}:
            refuse_existing(target)
        raise


def exchange_names(one: Path, other: Path) -> None:
    """Two folders change names in one step where the kernel can; elsewhere in three renames.

    Raises:
        OSError: The disk refused.
    """
    if _renamed_specially(one, other, _RENAME_EXCHANGE, _RENAME_SWAP):
        return
    # Without such a call there is a moment without the name; both folders lie beside each other meanwhile.
    aside = one.with_name(f"{one.name}.old")
    os.rename(other, aside)  # noqa: PTH104 - the very call the comment speaks of
    try:
        os.rename(one, other)  # noqa: PTH104
    except OSError:
        os.rename(aside, other)  # noqa: PTH104
        raise
    os.rename(aside, one)  # noqa: PTH104


def _renamed_exclusively(source: Path, target: Path) -> bool:
    return _renamed_specially(source, target, _RENAME_NOREPLACE, _RENAME_EXCL)


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
        if library.syncfs(handle) != 0:
            code = ctypes.get_errno()
            raise OSError(code, os.strerror(code), str(path))
    finally:
        os.close(handle)


def sync_file(path: Path) -> None:
    """One file is on the disk when this returns. Raises OSError."""
    handle = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(path: Path) -> None:
    """The names in a folder are on the disk when this returns. Raises OSError."""
    if sys.platform == "win32":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _held(path: Path) -> int:
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    if not _lock(handle):
        os.close(handle)
        raise as_storage_error(BlockingIOError(errno.EAGAIN, "a new file is locked"), path)
    return handle


def _is_held(path: Path) -> bool:
    try:
        handle = os.open(path, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
    except FileNotFoundError:
        return False
    except OSError:
        return True
    try:
        return not _lock(handle)
    finally:
        os.close(handle)


def _lock(handle: int) -> bool:
    """Take the lock of an open file without waiting; it goes when the file is closed or its holder dies."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True

"""A disk as other systems have it, laid over a folder by FUSE: nothing of the program is patched.

Names are found whatever their case, are stored decomposed, or are refused as Windows refuses them; a file
without rights to write is not written, replaced or removed; what somebody has open is not moved or removed.

Run as a program: `python -m tests.kit.other_disk FOLDER PLACE TRAIT…`; it ends when PLACE is unmounted.

Sources: Microsoft, "Naming Files, Paths, and Namespaces", "CreateFile" (sharing), "DeleteFile" (read-only
files); Apple, Technical Note 1150 (decomposed names), "Apple File System Reference"; all from memory.
"""
# ruff: noqa: PTH101, PTH102, PTH104, PTH106, PTH108, PTH113, PTH115, PTH116, PTH118, PTH119, PTH120
# ruff: noqa: PTH121, PTH208, PTH211 - the kernel asks in text, and each answer is one call of the system

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import time
import unicodedata
from collections import Counter
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from pathlib import Path, PureWindowsPath
from typing import Any

TRAITS = ("case-blind", "decomposing", "windows-names", "read-only", "sharing", "no-links")
DISKS = {
    "as on macOS": ("case-blind",),
    "as on old macOS": ("case-blind", "decomposing"),
    "as on Windows": ("case-blind", "windows-names", "read-only", "sharing", "no-links"),
}
ROOT = Path(__file__).parents[2]
_FORBIDDEN = set('<>:"|?*\\') | {chr(code) for code in range(32)}
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}


def cannot() -> str:
    """Why no such disk can be had here, or ""."""
    if not sys.platform.startswith("linux"):
        return "such a layer needs Linux"
    if not os.access("/dev/fuse", os.R_OK | os.W_OK) or shutil.which("fusermount") is None:
        return "this user may not mount by FUSE"
    try:
        import mfusepy  # noqa: F401 - only whether it is there, and finds its library
    except (ImportError, OSError, AttributeError) as error:
        return f"no FUSE library: {error}"
    return ""


@contextmanager
def mounted(folder: Path, traits: tuple[str, ...]) -> Generator[Path]:
    """An empty disk with these traits, below a folder."""
    real, place = folder / "real", folder / "disk"
    real.mkdir()
    place.mkdir()
    command = [sys.executable, "-m", "tests.kit.other_disk", str(real), str(place), *traits]
    serving = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE)
    try:
        until = time.monotonic() + 60
        while not os.path.ismount(place):
            if serving.poll() is not None or time.monotonic() > until:
                serving.kill()
                assert serving.stderr is not None
                raise RuntimeError(f"the layer did not start: {serving.stderr.read().decode()[-500:]}")
            time.sleep(0.01)
        yield place
    finally:
        subprocess.run(["fusermount", "-u", "-z", str(place)], check=False, capture_output=True)
        try:
            serving.wait(timeout=10)
        except subprocess.TimeoutExpired:
            serving.kill()
        serving.communicate()


def refused(number: int) -> OSError:
    return OSError(number, os.strerror(number))


class OtherDisk:
    """What the kernel asks of the disk; paths begin with `/`."""

    def __init__(self, real: str, traits: frozenset[str]) -> None:
        self.real = real
        self.traits = traits
        self.open_files: Counter[str] = Counter()
        self.by_handle: dict[int, str] = {}

    # --- names ---------------------------------------------------------------------------------------------

    def key(self, name: str) -> str:
        name = unicodedata.normalize("NFD", name)
        return name.casefold() if "case-blind" in self.traits else name

    def stored(self, name: str) -> str:
        """A new name as this disk keeps it."""
        odd = bool(set(name) & _FORBIDDEN) or name[-1] in ". "
        device = name.split(".", 1)[0].rstrip().casefold() in _DEVICES or bool(PureWindowsPath(name).drive)
        if "windows-names" in self.traits and (odd or device):
            raise refused(errno.EINVAL)
        return unicodedata.normalize("NFD", name) if "decomposing" in self.traits else name

    def found(self, path: str) -> str:
        """The real path of what has this name in any spelling, or of what would have it."""
        there = self.real
        for name in filter(None, path.split("/")):
            entry = os.path.join(there, name)
            if not os.path.lexists(entry):
                same = [each for each in self._names(there) if self.key(each) == self.key(name)]
                entry = os.path.join(there, same[0] if same else self.stored(name))
            there = entry
        return there

    @staticmethod
    def _names(folder: str) -> list[str]:
        try:
            return os.listdir(folder)
        except OSError:
            return []

    # --- what is refused -----------------------------------------------------------------------------------

    def refuse_read_only(self, real: str) -> None:
        if "read-only" in self.traits and os.path.isfile(real) and not os.stat(real).st_mode & 0o200:
            raise refused(errno.EACCES)

    def refuse_open(self, real: str) -> None:
        """Whoever has a file open without saying that others may remove it keeps it where it is.

        What Linux says of such a file on a share of Windows, from memory; Windows has a number of its own.
        Files that the standard library makes for a moment are opened to be removed, there as here.
        """
        below = os.path.join(real, "")
        if os.path.basename(real).startswith("tmp"):
            return
        if "sharing" in self.traits and any(
            count and (each == real or each.startswith(below)) for each, count in self.open_files.items()
        ):
            raise refused(errno.EBUSY)

    # --- the calls -----------------------------------------------------------------------------------------

    def getattr(self, path: str, _handle: int | None = None) -> dict[str, Any]:
        status = os.lstat(self.found(path))
        names = ("st_gid", "st_ino", "st_mode", "st_nlink", "st_size", "st_uid", "st_blocks")
        told = {name: getattr(status, name) for name in names}
        return told | {name: getattr(status, f"{name}_ns") for name in ("st_atime", "st_mtime", "st_ctime")}

    def readdir(self, path: str, _handle: int) -> Iterator[tuple[str, dict[str, int], int]]:
        """Names with their inodes: one with inode 0 is passed over by the C library."""
        real = self.found(path)
        for name in (".", "..", *os.listdir(real)):
            status = os.lstat(os.path.join(real, name))
            yield name, {"st_mode": status.st_mode, "st_ino": status.st_ino}, 0

    def create(self, path: str, mode: int, _info: Any = None) -> int:
        return self._opened(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)

    def open(self, path: str, flags: int) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR):
            self.refuse_read_only(self.found(path))
        # The kernel has appended already: it says where.
        return self._opened(path, flags & ~(os.O_APPEND | os.O_CREAT | os.O_EXCL))

    def _opened(self, path: str, flags: int, mode: int = 0o666) -> int:
        real = self.found(path)
        handle = os.open(real, flags, mode)
        self.open_files[real] += 1
        self.by_handle[handle] = real
        return handle

    def flush(self, _path: str, handle: int) -> None:
        """A program closes the file; the kernel tells the last of it only later, by `release`."""
        if (real := self.by_handle.pop(handle, None)) is not None:
            self.open_files[real] -= 1

    def release(self, path: str, handle: int) -> None:
        self.flush(path, handle)
        os.close(handle)

    def read(self, _path: str, size: int, offset: int, handle: int) -> bytes:
        return os.pread(handle, size, offset)

    def write(self, _path: str, content: bytes, offset: int, handle: int) -> int:
        return os.pwrite(handle, content, offset)

    def truncate(self, path: str, length: int, handle: int | None = None) -> None:
        self.refuse_read_only(self.found(path))
        os.truncate(handle if handle is not None else self.found(path), length)

    def fsync(self, _path: str, _data: int, handle: int) -> None:
        os.fsync(handle)

    def mkdir(self, path: str, mode: int) -> None:
        os.mkdir(self.found(path), mode)

    def rmdir(self, path: str) -> None:
        os.rmdir(self.found(path))

    def unlink(self, path: str) -> None:
        real = self.found(path)
        self.refuse_read_only(real)
        self.refuse_open(real)
        os.unlink(real)

    def rename(self, old: str, new: str, *_flags: int) -> None:
        source, target = self.found(old), self.found(new)
        self.refuse_open(source)
        if os.path.lexists(target) and os.path.samefile(source, target):  # another spelling of the name
            target = os.path.join(os.path.dirname(target), self.stored(os.path.basename(new)))
        elif os.path.lexists(target):
            self.refuse_open(target)
            self.refuse_read_only(target)
        os.rename(source, target)

    def link(self, target: str, source: str) -> None:
        os.link(self.found(source), self.found(target), follow_symlinks=False)

    def symlink(self, target: str, source: str) -> None:
        if "no-links" in self.traits:
            raise refused(errno.EPERM)
        os.symlink(source, self.found(target))

    def readlink(self, path: str) -> str:
        return os.readlink(self.found(path))

    def chmod(self, path: str, mode: int) -> None:
        os.chmod(self.found(path), mode)

    def chown(self, path: str, user: int, group: int) -> None:
        os.chown(self.found(path), user, group)

    def utimens(self, path: str, times: tuple[int, int]) -> None:
        os.utime(self.found(path), ns=times)

    def statfs(self, path: str) -> dict[str, int]:
        status = os.statvfs(self.found(path))
        return {
            name: getattr(status, name) for name in ("f_bavail", "f_bfree", "f_blocks", "f_bsize", "f_frsize")
        }


def serve(real: str, place: str, traits: frozenset[str]) -> None:
    """Lay the disk over a folder, until it is unmounted."""
    import mfusepy

    class Serving(OtherDisk, mfusepy.Operations):  # type: ignore[misc]  # it has no types
        use_ns = True

    mfusepy.FUSE(
        Serving(real, traits), place, foreground=True, nothreads=True, use_ino=True,
        entry_timeout=0, attr_timeout=0, negative_timeout=0,
    )  # fmt: skip


if __name__ == "__main__":
    serve(sys.argv[1], sys.argv[2], frozenset(sys.argv[3:]))

"""A disk that loses power: every write, name and flush of a program logged, and the disks that a power cut
could leave.

The kernel stops the program at each call that changes something (`tests/journey/drilling.py`), so that what
SQLite and the C library write is seen as well. From the log a disk is put together as it could lie there
after the power went at any point. What was flushed is there:

- the bytes of a file by a flush of that file, or of its file system;
- a name in a folder by a flush of that folder, or of its file system. A flush of the file says nothing of
its name
  (POSIX promises no more), and a move is kept or lost in one piece with the folder that it leads to.

Of all else anything may be there: nothing; names in their order and any bytes (a journal keeps names); or
any of it in any order. Writes are torn at sectors of 512 bytes, and gaps are zeros.

Not simulated: a disk that lies about a flush, and damage to what was flushed long ago.
"""
# ruff: noqa: PTH115, PTH116, PTH118, PTH119, PTH120, PTH123 - the paths are other processes', under /proc

from __future__ import annotations

import os
import random
import stat
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

SECTOR = 512
ROOT = 0
Mode = Literal["all", "nothing", "names in order", "any"]
_O_CREAT, _O_TRUNC, _EXCHANGE, _HERE = 0o100, 0o1000, 2, -100
_WRITES = {"write": 0, "writev": 0, "pwrite64": 0, "pwritev": 0, "sendfile": 0, "copy_file_range": 2}
"""Call → which argument is the file that is written."""
_NAMES = {"rename", "renameat", "renameat2", "link", "linkat"}


@dataclass(frozen=True)
class Change:
    """One change of the disk, or a flush, or a word of the program.

    Attributes:
        kind: What it is.
        of: Number of the file or folder that is changed, named or flushed.
        folder: In which a name comes, goes or changes.
        name: That name.
        source: For a move: (folder, name) that it leaves; with `swapped` the number of what goes there.
        swapped: For an exchange: what had the name before.
        offset: Of written bytes; the length for a truncation.
        content: Written bytes, or what the program said.
    """

    kind: Literal[
        "file", "folder", "write", "truncate", "move", "link", "unlink", "flush", "flush all", "said"
    ]
    of: int = -1
    folder: int = -1
    name: str = ""
    source: tuple[int, str] = (-1, "")
    swapped: int = -1
    offset: int = 0
    content: bytes = b""

    @property
    def of_bytes(self) -> bool:
        return self.kind in {"write", "truncate"}

    @property
    def of_names(self) -> bool:
        return self.kind in {"file", "folder", "move", "link", "unlink"}


@dataclass
class Disk:
    """Files and folders by number; names lead to numbers."""

    files: dict[int, bytearray] = field(default_factory=dict)
    folders: dict[int, dict[str, int]] = field(default_factory=lambda: {ROOT: {}})

    def copy(self) -> Disk:
        """The same, to be changed."""
        return Disk(
            {number: bytearray(content) for number, content in self.files.items()},
            {number: dict(names) for number, names in self.folders.items()},
        )

    def apply(self, one: Change) -> None:
        """Carry out a change; what it builds on may not be there."""
        names = self.folders.get(one.folder, {})
        if one.kind in {"file", "folder", "link"}:
            names[one.name] = one.of
        elif one.kind == "unlink":
            names.pop(one.name, None)
        elif one.kind == "move":
            old = self.folders.get(one.source[0], {})
            if one.swapped >= 0:
                old[one.source[1]] = one.swapped
            elif old.get(one.source[1]) == one.of:
                del old[one.source[1]]
            names[one.name] = one.of
        elif one.kind == "write":
            content = self.files.setdefault(one.of, bytearray())
            content.extend(bytes(max(0, one.offset - len(content))))
            content[one.offset : one.offset + len(one.content)] = one.content
        elif one.kind == "truncate":
            content = self.files.setdefault(one.of, bytearray())
            content.extend(bytes(max(0, one.offset - len(content))))
            del content[one.offset :]

    def tree(self, number: int = ROOT, before: str = "") -> Iterator[tuple[str, bytes | None]]:
        """(path, content) of everything with a name; None for a folder, which comes before its files."""
        for name, inside in sorted(self.folders[number].items()):
            if inside in self.folders:
                yield before + name, None
                yield from self.tree(inside, f"{before}{name}/")
            else:
                yield before + name, bytes(self.files.get(inside, b""))

    def write_to(self, folder: Path, known: Mapping[str, int]) -> None:
        """Lay everything into an empty folder.

        Args:
            folder: Where the program ran.
            known: The system's identity of what was there → number. A file that holds one of them holds the
            new one
                then: after a real power cut files have the numbers that they had.
        """
        places = {ROOT: folder} | {number: folder / path for path, number in self._numbered()}
        for path, content in self.tree():
            if content is None:
                (folder / path).mkdir()
            else:
                (folder / path).write_bytes(content)
        for number, held in self.files.items():
            other = places.get(known.get(held.decode("latin-1"), -1))
            if other is not None and number in places:
                about = other.stat()
                places[number].write_text(f"{about.st_dev} {about.st_ino}")

    def _numbered(self, number: int = ROOT, before: str = "") -> Iterator[tuple[str, int]]:
        for name, inside in self.folders[number].items():
            yield before + name, inside
            if inside in self.folders:
                yield from self._numbered(inside, f"{before}{name}/")


class Log:
    """Records what a program does in a folder; a `drilling.Recorder`.

    Args:
        watched: The folder, as it lies before the program runs.

    Attributes:
        base: The disk before.
        changes: In order.
    """

    def __init__(self, watched: Path) -> None:
        self._watched = os.path.realpath(watched)
        self._device = os.stat(self._watched).st_dev
        self._numbers: dict[int, int] = {os.stat(self._watched).st_ino: ROOT}
        self._first = dict(self._numbers)
        self._last = ROOT
        self.base, self.changes = Disk(), list[Change]()
        for folder, names, files in os.walk(self._watched):
            inside = self.base.folders[self._number(folder)]
            for name in names:
                inside[name] = self._new(os.path.join(folder, name))
                self.base.folders[inside[name]] = {}
            for name in files:
                inside[name] = self._new(os.path.join(folder, name))
                self.base.files[inside[name]] = bytearray(Path(folder, name).read_bytes())

    def _new(self, path: str) -> int:
        self._last += 1
        inode = os.lstat(path).st_ino
        self._numbers[inode] = self._last
        # A disk gives the number of what is gone to what comes next: what was written down meant the first.
        self._first.setdefault(inode, self._last)
        return self._last

    def _number(self, path: str) -> int:
        return self._numbers[os.stat(path).st_ino]

    @property
    def identities(self) -> dict[str, int]:
        """What the system tells a file by, as `pipeline.edges.names.identity` writes it → number."""
        return {f"{self._device} {inode}": number for inode, number in self._first.items()}

    # --- as drilling.Recorder -----------------------------------------------------------------------------

    def before(self, process: int, call: str, arguments: Sequence[int]) -> object | None:
        """What the call is about, and whether its name was there."""
        if call in {"open", "openat", "creat"}:
            shift = call == "openat"
            flags = arguments[1 + shift] if call != "creat" else _O_CREAT | _O_TRUNC
            if not flags & (_O_CREAT | _O_TRUNC):
                return None
            path = self._path(process, arguments[0] if shift else _HERE, arguments[shift])
            return (call, path, os.path.lexists(path), flags) if self._inside(path) else None
        if call in {"mkdir", "mkdirat", "unlink", "unlinkat", "rmdir"}:
            shift = call.endswith("at")
            path = self._path(process, arguments[0] if shift else _HERE, arguments[shift])
            return (call, path, os.path.lexists(path), 0) if self._inside(path) else None
        if call in _NAMES:
            at = call.endswith(("at", "at2"))
            old = self._path(process, arguments[0] if at else _HERE, arguments[1 if at else 0])
            new = self._path(process, arguments[2] if at else _HERE, arguments[3 if at else 1])
            swap = call == "renameat2" and bool(arguments[4] & _EXCHANGE)
            return (call, old, new, swap) if self._inside(new) else None
        if call == "truncate":
            path = self._path(process, _HERE, arguments[0])
            return (call, path, True, arguments[1]) if self._inside(path) else None
        return (
            (call, arguments)
            if call in _WRITES or call in {"fsync", "fdatasync", "syncfs", "ftruncate"}
            else None
        )

    def after(self, process: int, remembered: object, result: int) -> None:
        """The change, if the call made one."""
        if result < 0 or not isinstance(remembered, tuple):
            return
        call, *rest = remembered
        if call in {"open", "openat", "creat"}:
            self._opened(*rest)
        elif call in {"mkdir", "mkdirat"}:
            self._named("folder", rest[0])
        elif call in {"unlink", "unlinkat", "rmdir"}:
            self.changes.append(
                Change(
                    "unlink", folder=self._number(os.path.dirname(rest[0])), name=os.path.basename(rest[0])
                )
            )
        elif call in _NAMES:
            self._moved(call, *rest)
        elif call == "truncate":
            self.changes.append(Change("truncate", self._number(rest[0]), offset=rest[2]))
        elif call == "syncfs":
            self.changes.append(Change("flush all"))
        else:
            self._by_handle(process, call, rest[0], result)

    def _opened(self, path: str, was_there: bool, flags: int) -> None:  # noqa: FBT001
        if not was_there:
            self._named("file", path)
        elif flags & _O_TRUNC:
            self.changes.append(Change("truncate", self._number(path), offset=0))

    def _named(self, kind: Literal["file", "folder"], path: str) -> None:
        folder, name = os.path.split(path)
        self.changes.append(Change(kind, self._new(path), self._number(folder), name))

    def _moved(self, call: str, old: str, new: str, swap: bool) -> None:  # noqa: FBT001
        folder, name = os.path.split(new)
        of = self._number(new)
        if call.startswith("link"):
            self.changes.append(Change("link", of, self._number(folder), name))
            return
        source = (self._number(os.path.dirname(old)), os.path.basename(old))
        swapped = self._number(old) if swap else -1
        self.changes.append(Change("move", of, self._number(folder), name, source, swapped))

    def _by_handle(self, process: int, call: str, arguments: Sequence[int], result: int) -> None:
        handle = arguments[_WRITES.get(call, 0)]
        link = f"/proc/{process}/fd/{handle}"
        try:
            about = os.stat(link)
        except OSError:
            return
        number = self._numbers.get(about.st_ino, -1)
        if not self._inside(os.readlink(link).removesuffix(" (deleted)")) or number < 0:
            if call == "write" and stat.S_ISFIFO(about.st_mode):
                self.changes.append(Change("said", content=self._memory(process, arguments[1], result)))
        elif call == "ftruncate":
            self.changes.append(Change("truncate", number, offset=arguments[1]))
        elif call in _WRITES:
            at = arguments[3] if call in {"pwrite64", "pwritev"} else self._position(process, handle) - result
            with open(link, "rb") as stream:
                stream.seek(at)
                self.changes.append(Change("write", number, offset=at, content=stream.read(result)))
        else:
            self.changes.append(Change("flush", number))

    def _position(self, process: int, handle: int) -> int:
        told = Path(f"/proc/{process}/fdinfo/{handle}").read_text()
        return int(told.partition("pos:")[2].split()[0])

    def _memory(self, process: int, address: int, size: int) -> bytes:
        with open(f"/proc/{process}/mem", "rb", buffering=0) as memory:
            memory.seek(address)
            return memory.read(size)

    def _path(self, process: int, folder: int, address: int) -> str:
        text = os.fsdecode(self._memory(process, address, 4096).split(b"\0", 1)[0])
        handle = ((folder & 0xFFFFFFFF) ^ 0x80000000) - 0x80000000
        base = os.readlink(f"/proc/{process}/cwd" if handle == _HERE else f"/proc/{process}/fd/{handle}")
        return os.path.normpath(os.path.join(base, text))

    def _inside(self, path: str) -> bool:
        return path == self._watched or path.startswith(self._watched + "/")


# --- what a power cut leaves ------------------------------------------------------------------------------


def flushed_at(changes: Sequence[Change]) -> list[int]:
    """For each change the number of the flush that makes it safe; the count of changes where none."""
    never = len(changes)
    result, by_number, all_at = [never] * never, dict[int, int](), never
    for place in range(never - 1, -1, -1):
        one = changes[place]
        if one.kind == "flush":
            by_number[one.of] = place
        elif one.kind == "flush all":
            all_at = place
        elif one.of_bytes or one.of_names:
            key = one.of if one.of_bytes else one.folder
            result[place] = min(by_number.get(key, never), all_at)
    return result


def left(
    base: Disk, changes: Sequence[Change], safe: Sequence[int], until: int, mode: Mode, dice: random.Random
) -> Disk:
    """A disk as a power cut leaves it.

    Args:
        base: Before the program.
        changes: All that the program did.
        safe: `flushed_at` of them.
        until: The power goes before this change.
        mode: What is there of that which was not flushed.
        dice: Decides.
    """
    disk = base.copy()
    flushed = [place for place in range(until) if safe[place] < until]
    named = max((place for place in flushed if changes[place].of_names), default=-1)
    named = dice.randint(named, until) if mode == "names in order" else named
    share = dice.choice((0.2, 0.5, 0.9))
    for place in range(until):
        one = changes[place]
        kept = safe[place] < until or mode == "all"
        if not kept and mode == "names in order" and one.of_names:
            kept = place <= named
        elif not kept and mode != "nothing":
            kept = dice.random() < share
            if kept and one.kind == "write" and dice.random() < 0.5:
                for piece in _torn(one, dice):
                    disk.apply(piece)
                continue
        if kept:
            if one.kind == "folder":
                disk.folders.setdefault(one.of, {})
            disk.apply(one)
        elif one.kind == "folder":
            disk.folders.setdefault(one.of, {})  # it exists, though no name leads to it
    return disk


def _torn(one: Change, dice: random.Random) -> Iterator[Change]:
    """Some of the sectors of a write."""
    at, end = one.offset, one.offset + len(one.content)
    while at < end:
        to = min(end, (at // SECTOR + 1) * SECTOR)
        if dice.random() < 0.5:
            yield replace(one, offset=at, content=one.content[at - one.offset : to - one.offset])
        at = to


def said_until(changes: Sequence[Change], until: int) -> str:
    """What the program had told by then."""
    return b"".join(one.content for one in changes[:until] if one.kind == "said").decode("utf-8", "replace")


def emptied(folder: Path) -> None:
    """Take away everything in a folder."""
    import shutil

    for path in folder.iterdir():
        with suppress(FileNotFoundError):
            shutil.rmtree(path) if path.is_dir() else path.unlink()

"""What was worked out in earlier runs, each piece under a key, kept where it may vanish at any time.

A pack is a file of pieces, written once and never changed. Nothing here is believed because it lies here: a
pack that is cut off or altered, or that is none of ours, counts as not there, and whoever takes a piece holds
it against what it stands for. Trouble with the disk is no trouble: what is not kept is worked out again.
"""

from __future__ import annotations

import json
import os
import re
import stat
import sys
import time
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import BinaryIO, NamedTuple

from pipeline.edges import open_flags

CHOSEN = "WELLREAD_CACHE"
"""The variable that names another folder, or `off`."""
OFF = "off"
FORGOTTEN_AFTER_DAYS = 60
"""A project that was not packaged for so long has its packs removed. Chosen by the project."""
_HEAD = b"wellread pack 1\n"
_ENDING = ".pack"
_PROJECT, _PACK = re.compile("[0-9a-f]{32}"), re.compile(r"[0-9a-f]{32}\.pack(\.\d+)?")
"""Names of a project's folder, and of a pack, finished or not: nothing else is ever removed."""
_MOST_INDEX_BYTES = 1 << 24


class PieceAt(NamedTuple):
    """Where a piece lies.

    Attributes:
        pack: Name of the file.
        start: Its first byte.
        size_bytes: Its length.
        sha256: Of its bytes.
    """

    pack: str
    start: int
    size_bytes: int
    sha256: str


def kept_at() -> Path | None:
    """The folder for what is kept between runs; None where nothing is to be, or nobody can say where.

    Source: XDG Base Directory Specification 0.8 (a relative path is ignored); for Windows and macOS common
    practice.
    """
    chosen = os.environ.get(CHOSEN, "")
    if chosen:
        return None if chosen == OFF else Path(chosen)
    try:
        return _system_folder() / "wellread"
    except RuntimeError:  # there is no home
        return None


def _system_folder() -> Path:
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA", "")
        return Path(local) if local else Path.home() / "AppData" / "Local"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    said = os.environ.get("XDG_CACHE_HOME", "")
    return Path(said) if said.startswith("/") else Path.home() / ".cache"


@dataclass(frozen=True, slots=True)
class Packs:
    """The packs of one project.

    Attributes:
        folder: In which they lie; the user's alone.
    """

    folder: Path

    def index(self) -> dict[str, PieceAt]:
        """Key → where its piece lies, of every pack that is whole as far as its index."""
        out: dict[str, PieceAt] = {}
        with suppress(OSError):
            for path in sorted(self.folder.glob(f"*{_ENDING}")):
                out.update(_index_of(path))
        return out

    def read(self, place: PieceAt) -> bytes | None:
        """A piece; None where it is not what it was."""
        return piece_of(self.folder / place.pack, place.start, place.size_bytes, place.sha256)

    def write(self, pieces: Sequence[tuple[str, bytes]]) -> str:
        """Keep some pieces, each with its key, in a new pack.

        Returns:
            Its name; "" where the disk did not take it.
        """
        start, index = 0, []
        for key, piece in pieces:
            index.append((key, start, len(piece), sha256(piece).hexdigest()))
            start += len(piece)
        told = json.dumps(index).encode()
        name = f"{sha256(told).hexdigest()[:32]}{_ENDING}"
        head = _HEAD + len(told).to_bytes(8, "big") + sha256(told).digest() + told
        new = self.folder / f"{name}.{os.getpid()}"
        try:
            with os.fdopen(os.open(new, open_flags.NEW, 0o600), "wb") as stream:
                stream.write(head)
                stream.writelines(piece for _, piece in pieces)
            new.replace(self.folder / name)
        except OSError:
            with suppress(OSError):
                new.unlink()
            return ""
        return name

    def keep_only(self, names: Collection[str]) -> None:
        """Remove all other packs, and what runs that died left."""
        for path in _own(self.folder, _PACK):
            if path.name not in names:
                with suppress(OSError):
                    path.unlink()


def piece_of(path: Path, start: int, size_bytes: int, sum_: str) -> bytes | None:
    """A part of a file; None where it is not what it was.

    Args:
        path: Of the file.
        start: The part's first byte.
        size_bytes: Its length.
        sum_: SHA-256 of its bytes.
    """
    try:
        with _opened(path) as stream:
            stream.seek(start)
            piece = stream.read(size_bytes)
    except OSError:
        return None
    return piece if sha256(piece).hexdigest() == sum_ else None


def packs_of(project: Path) -> Packs | None:
    """The packs of a project, by the folder's path; None where nothing can be kept.

    A folder that others may write into, or that is somebody else's, is not used.
    """
    root = kept_at()
    if root is None:
        return None
    folder = root / sha256(os.fsencode(project.absolute())).hexdigest()[:32]
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _is_ours(folder):
            return None
        os.utime(folder)
    except OSError:
        return None
    _forget_old(root)
    return Packs(folder)


def _is_ours(folder: Path) -> bool:
    status = folder.lstat()
    if not stat.S_ISDIR(status.st_mode):
        return False
    return sys.platform == "win32" or (status.st_uid == os.geteuid() and not status.st_mode & 0o022)


def _forget_old(root: Path) -> None:
    """Projects that nobody packages any more."""
    oldest = time.time() - FORGOTTEN_AFTER_DAYS * 86_400
    for folder in _own(root, _PROJECT):
        with suppress(OSError):
            if folder.lstat().st_mtime < oldest:
                Packs(folder).keep_only(())
                folder.rmdir()


def _own(folder: Path, named: re.Pattern[str]) -> list[Path]:
    """What in a folder bears a name of ours: `WELLREAD_CACHE` may name one that holds other things too."""
    try:
        return [path for path in folder.iterdir() if named.fullmatch(path.name)]
    except OSError:
        return []


def _opened(path: Path) -> BinaryIO:
    return os.fdopen(os.open(path, open_flags.READ), "rb")


def _index_of(path: Path) -> Iterator[tuple[str, PieceAt]]:
    """What a pack says that it holds; nothing where it is damaged, or none of ours."""
    try:
        with _opened(path) as stream:
            if stream.read(len(_HEAD)) != _HEAD:
                return
            size_bytes, digest = int.from_bytes(stream.read(8), "big"), stream.read(32)
            told = stream.read(min(size_bytes, _MOST_INDEX_BYTES))
            begins = stream.tell()
    except OSError:
        return
    if sha256(told).digest() != digest:
        return
    for key, start, length, sum_ in json.loads(told):
        yield key, PieceAt(path.name, begins + start, length, sum_)

"""The one writer of bags: it refuses to leave its folder, refuses to overwrite, and hashes what it writes.

Written from RFC 8493 because the common library writes version 0.97 and moves its source in place. Nothing is
synced to the disk file by file: `staging.Staging.commit` does it once for the whole tree.
"""
# ruff: noqa: PTH102, PTH103, PTH104, PTH118, PTH120 - paths stay text here: making a Path for each of 100,000
# files costs more than writing them

from __future__ import annotations

import os
import stat
from array import array
from collections.abc import Iterable, Sequence
from hashlib import sha256, sha512
from pathlib import Path
from types import TracebackType
from typing import Self

from pipeline.bags.observed import BagEntry, PlainFiles
from pipeline.bags.portable_names import is_portable, name_key
from pipeline.bags.write_tag_files import DECLARATION, info_text, manifest_of, size_text
from pipeline.edges import open_flags
from pipeline.edges.disk_errors import as_storage_error, storage_trouble
from pipeline.edges.steady import steadily
from pipeline.errors import DestinationError, UnsafeError

CHUNK_BYTES = 1 << 20
_ALGORITHMS = ("sha256", "sha512")
"""Of the digests that an entry has, in their order."""


class MemberStream:
    """A file of the bag, open for writing as a stream; its entry is known once it is closed.

    Args:
        root: The bag's folder.
        path: Inside the bag, `/` between the names.

    Attributes:
        target: Where it lies on the disk.

    Raises:
        UnsafeError: The path leaves the bag or holds a name that some system refuses.
        DestinationError: There is a file of that name already.
        StorageError: The disk refused.
    """

    def __init__(self, root: Path, path: str) -> None:
        self._path = path
        self.target = _target(root, path)
        self._hashes = (sha256(), sha512())
        self._size_bytes = 0
        self._entry: BagEntry | None = None
        self._handle = _created(self.target, path)

    def write(self, content: bytes | bytearray | memoryview) -> int:
        """Append bytes. Raises StorageError where the disk refuses."""
        for each in self._hashes:
            each.update(content)
        _write_all(self._handle, content, self.target)
        self._size_bytes += len(content)
        return len(content)

    def close(self) -> BagEntry:
        """Close the file and say what landed in it; closing twice says the same again."""
        if self._entry is None:
            handle, self._handle = self._handle, -1
            with storage_trouble(self.target):
                os.close(handle)
            first, second = (each.hexdigest() for each in self._hashes)
            self._entry = BagEntry(self._path, self._size_bytes, first, second)
        return self._entry

    @property
    def entry(self) -> BagEntry:
        """What landed; known only after closing."""
        if self._entry is None:
            raise ValueError(f"{self._path} is still open")
        return self._entry

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
        elif self._handle >= 0:
            handle, self._handle = self._handle, -1
            os.close(handle)


def write_member(root: Path, path: str, content: bytes | Path) -> BagEntry:
    """One file of the bag, written and hashed in one go; several processes may do so at once.

    Args:
        root: The bag's folder.
        path: Inside the bag, `/` between the names.
        content: The bytes, or a regular file to copy; the copy is hashed as it is read, once for both
            digests.

    Returns:
        The entry of the bytes that were written.

    Raises:
        UnsafeError: The path leaves the bag, holds a name that some system refuses, or the source is no
        regular
            file.
        DestinationError: There is a file of that name already.
        StorageError: The disk refused, or the file to copy changes each time that it is read.
    """
    if isinstance(content, Path):
        return _copied(root, path, content)
    target = _target(root, path)
    handle = _created(target, path)
    try:
        _write_all(handle, content, target)
    finally:
        os.close(handle)
    return BagEntry(path, len(content), sha256(content).hexdigest(), sha512(content).hexdigest())


def member_content(root: Path, path: str) -> bytes:
    """A file of the bag as it was written: for whoever makes another one of it.

    Args:
        root: The bag's folder.
        path: Inside the bag, `/` between the names.

    Raises:
        OSError: It is not there, or the disk refuses.
    """
    with open(os.path.join(root, path), "rb", buffering=0) as file:  # noqa: PTH123 - see the head of this file
        return file.read()


def place_member(root: Path, kept: Path, path: str) -> None:
    """Give a finished file its name in the bag, by a rename within one file system.

    Args:
        root: The bag's folder.
        kept: The file as it lies beside the bag in staging.
        path: Inside the bag, `/` between the names.

    Raises:
        UnsafeError: The path leaves the bag, or holds a name that some system refuses.
        DestinationError: There is a file of that name already.
        StorageError: The disk refused.
    """
    target = _target(root, path)
    with storage_trouble(target):
        if os.path.lexists(target):
            raise DestinationError(where=path, problem="is in the bag already", remedy="Write each path once")
        try:
            os.rename(kept, target)
        except FileNotFoundError:
            _make_folder_of(target)
            os.rename(kept, target)


def finish_bag(root: Path, entries: Iterable[BagEntry], info: Sequence[tuple[str, str]]) -> None:
    """The files that make a folder a bag: RFC 8493 section 2, version 1.0, SHA-256 and SHA-512.

    Args:
        root: The bag's folder, holding every entry's file.
        entries: Every file written so far, payload (`data/…`) and other tag files alike.
        info: Elements of `bag-info.txt` in the order wanted; `Payload-Oxum` and `Bag-Size` are added at the
            end.

    Raises:
        ValueError: No payload; one path twice; an element that `bag-info.txt` cannot carry.
        DestinationError: Two names that are one on some system, or the bag is finished already.
        StorageError: The disk refused.
    """
    payload, tags = _Columns(), _Columns()
    paths = []
    for entry in entries:
        (payload if entry.path.startswith("data/") else tags).add(entry)
        paths.append(entry.path)
    if not payload.paths:
        raise ValueError("a bag without payload keeps nothing")
    _refuse_clashes(paths)
    payload_bytes = sum(payload.sizes)
    own = [
        ("Payload-Oxum", f"{payload_bytes}.{len(payload.paths)}"),
        ("Bag-Size", size_text(payload_bytes + sum(tags.sizes))),
    ]
    tags.add(write_member(root, "bagit.txt", DECLARATION.encode("utf-8")))
    tags.add(write_member(root, "bag-info.txt", info_text([*info, *own]).encode("utf-8")))
    of_payload = payload.in_order()
    for algorithm in _ALGORITHMS:
        tags.add(_write_manifest(root, f"manifest-{algorithm}.txt", of_payload, algorithm))
    of_tags = tags.in_order()
    for algorithm in _ALGORITHMS:
        _write_manifest(root, f"tagmanifest-{algorithm}.txt", of_tags, algorithm)


def _write_manifest(root: Path, name: str, files: PlainFiles, algorithm: str) -> BagEntry:
    with MemberStream(root, name) as stream:
        for lines in manifest_of(files, algorithm):
            stream.write(lines)
    return stream.entry


class _Columns:
    """Files that manifests list, in columns as they come: 200,000 entries would take a hundred megabytes.

    Attributes:
        paths: Of the files.
        sizes: Of each, in bytes.
    """

    def __init__(self) -> None:
        self.paths: list[str] = []
        self.sizes = array("Q")
        self._digests = bytearray()

    def add(self, entry: BagEntry) -> None:
        """One more."""
        self.paths.append(entry.path)
        self.sizes.append(entry.size_bytes)
        self._digests += bytes.fromhex(entry.sha256 + entry.sha512)

    def in_order(self) -> PlainFiles:
        """All of them, as a manifest lists them."""
        return PlainFiles(self.paths, self.sizes, self._digests, _ALGORITHMS).in_order()


def _refuse_clashes(paths: Sequence[str]) -> None:
    folders: dict[str, str] = {}
    files: dict[str, str] = {}
    for path in paths:
        *parents, _ = path.split("/")
        for depth in range(1, len(parents) + 1):
            folder = "/".join(parents[:depth])
            if folders.setdefault(name_key(folder), folder) != folder:
                raise _clash(folder, folders[name_key(folder)])
        key = name_key(path)
        if key in files:
            raise _clash(path, files[key])
        files[key] = path
    for key in files.keys() & folders.keys():
        raise _clash(files[key], folders[key])


def _clash(one: str, other: str) -> DestinationError:
    return DestinationError(
        where=one,
        problem=f"is the same name as {other} on some systems",
        remedy="Give one of them another name",
    )


def _target(root: Path, path: str) -> str:
    names = path.split("/")
    if not all(is_portable(name) for name in names):
        raise UnsafeError(
            where=repr(path),
            problem="is not a path that a bag can carry everywhere",
            remedy="Take every name in it from portable_name()",
        )
    return os.path.join(root, *names)


def _created(target: str, path: str) -> int:
    for attempt in (1, 2):
        try:
            return os.open(target, open_flags.NEW, 0o666)
        except FileNotFoundError:
            with storage_trouble(target):
                if attempt == 2:
                    raise
                _make_folder_of(target)
        except FileExistsError as error:
            raise DestinationError(
                where=path, problem="is in the bag already", remedy="Write each path once"
            ) from error
        except OSError:
            with storage_trouble(target):
                raise
    raise AssertionError(target)


def _make_folder_of(target: str) -> None:
    """Makes the folder of a file: nearly always the last one of its path alone is missing."""
    folder = os.path.dirname(target)
    try:
        os.mkdir(folder)
    except FileNotFoundError:
        os.makedirs(folder, exist_ok=True)
    except FileExistsError:
        pass  # another process has made it meanwhile


def _write_all(handle: int, content: bytes | bytearray | memoryview, target: str) -> None:
    view = memoryview(content)
    with storage_trouble(target):
        while view:
            view = view[os.write(handle, view) :]


def _copied(root: Path, path: str, source: Path) -> BagEntry:
    """Copy a file as it was at one moment; what was copied of one that changed meanwhile goes again."""
    copied: list[str] = []

    def once() -> BagEntry:
        for each in copied:
            os.unlink(each)  # noqa: PTH108 - see the head of this file
        copied.clear()
        handle = _opened(source)
        try:
            return _copied_once(root, path, source, handle, copied)
        finally:
            os.close(handle)

    try:
        if source.is_symlink():
            raise _not_regular(source)
        return steadily(source, once)
    except OSError as error:
        raise as_storage_error(error, source) from error


def _copied_once(root: Path, path: str, source: Path, handle: int, copied: list[str]) -> BagEntry:
    with MemberStream(root, path) as stream:
        copied.append(stream.target)
        while True:
            with storage_trouble(source):
                chunk = os.read(handle, CHUNK_BYTES)
            if not chunk:
                break
            stream.write(chunk)
    return stream.entry


def _opened(source: Path) -> int:
    """A regular file, opened for reading; a FIFO would wait forever and a link may lead anywhere."""
    try:
        handle = os.open(source, open_flags.READ)
    except OSError as error:
        if source.is_symlink():
            raise _not_regular(source) from error
        with storage_trouble(source):
            raise
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise _not_regular(source)
    return handle


def _not_regular(source: Path) -> UnsafeError:
    return UnsafeError(
        where=str(source),
        problem="is a link, a pipe, a device or a folder",
        remedy="Put a copy of the file itself in its place",
    )

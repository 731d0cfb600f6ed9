"""Bags inside `.zip` and `.tar` files, looked at in place: nothing is unpacked, so nothing can land anywhere.

What an archive can do to its reader is bounded before any content is read:

- the sizes it declares are added up first, and no file is read beyond what it declared;
- no two files of a `.zip` may share bytes, so that a small archive cannot hold more than deflate can give;
- how many things it may list is limited, and how many bytes one of their names may take;
- of the ways to pack a file in a `.zip` only the two are read whose output can be taken bit by bit;
- paths that lead out, names listed twice, links, pipes and devices are told, never followed.

An archive holds one folder, the bag's base; all paths below are inside it.
"""

from __future__ import annotations

import bz2
import gzip
import lzma
import stat
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from pipeline.bags.observed import REGULAR, Observation, Seen
from pipeline.bags.parse_tag_files import MOST_TAG_BYTES, algorithms_of, is_tag_name, unsafe_path
from pipeline.edges.bags.digest_pool import Progress
from pipeline.edges.bags.digest_worker import CHUNK_BYTES, digest_of
from pipeline.edges.bags.walk import kind_of
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.project_folder import JUNK
from pipeline.errors import BagError, UnsafeError

MOST_MEMBERS = 2_000_000
FREE_MEMBERS = 100_000
FEWEST_BYTES_A_MEMBER = 16
"""An archive of more members than are free takes more than so many bytes for each: a `.zip` 76, and a packed
`.tar` whose files have names of their own some 50 (measured on bags of tiny files).
"""
MOST_HEADER_BYTES = 1 << 20
"""Bytes a `.tar` may take to say one file's name and size; honest ones take a few thousand."""
MOST_TIMES_LARGER = 1100
"""Deflate cannot do better than 1032 to 1 (zlib's own documentation), so an honest archive stays below."""
FREE_BYTES = 1 << 30
"""So much may come out of any archive, however small: a set of blank chips compresses very well."""
_BROKEN = (
    zipfile.BadZipFile,
    tarfile.TarError,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    ValueError,
    NotImplementedError,
    RuntimeError,
)
"""What the two modules of the standard library raise on archives that are damaged, encrypted or unknown."""


_UTF_8, _ENCRYPTED, _UNICODE_PATH = 0x800, 0x1, 0x7075
_METHODS = {
    1: "shrunk",
    **dict.fromkeys(range(2, 6), "reduced"),
    6: "imploded",
    7: "tokenized",
    9: "deflate64",
    10: "imploded by the compression library",
    12: "bzip2",
    14: "LZMA",
    16: "CMPSC",
    18: "TERSE",
    19: "LZ77",
    20: "Zstandard",
    93: "Zstandard",
    94: "MP3",
    95: "XZ",
    96: "JPEG",
    97: "WavPack",
    98: "PPMd",
    99: "AES",
}
"""Source: the .ZIP format specification (APPNOTE 6.3.10), section 4.4.5, from memory."""


class _NotReadError(NotImplementedError):
    """A way of packing that may be sound and is not read here."""


@dataclass(slots=True)
class _Member:
    """One thing that an archive lists."""

    name: str
    kind: str
    size_bytes: int
    handle: Any = None
    digests: tuple[bytes, ...] = ()
    trouble: str = ""


@dataclass(slots=True)
class _Listed:
    """What an archive lists, before any content is read."""

    members: list[_Member] = field(default_factory=list)
    directories: set[str] = field(default_factory=set)
    oddities: list[tuple[str, str]] = field(default_factory=list)
    remarks: list[tuple[str, str]] = field(default_factory=list)


def observe_archive(archive: Path, *, progress: Progress | None = None) -> Observation:
    """Everything about a bag inside an archive that its judge needs.

    Args:
        archive: A `.zip` or a `.tar`, compressed or not; recognised by its content.
        progress: Told as the bytes go by.

    Returns:
        What was seen.

    Raises:
        BagError: It is no archive that can be read.
        UnsafeError: It would give more than an honest archive can.
        StorageError: The disk refused.
    """
    with storage_trouble(archive):
        if not archive.is_file():
            raise _no_archive(archive, "is neither a folder nor a file")
        if zipfile.is_zipfile(archive):
            return _observe(archive, "zip", _list_zip, _open_zip, progress)
        if _is_tar(archive):
            return _observe(archive, "tar", _list_tar, _open_tar, progress)
    raise _no_archive(archive, "is neither a bag's folder nor a .zip or .tar")


def archive_members(archive: Path, wanted: Collection[str]) -> Iterator[tuple[str, Iterator[bytes]]]:
    """The content of some files of a bag inside an archive, each as chunks to be read before the next.

    Args:
        archive: A `.zip` or a `.tar`.
        wanted: Paths inside the bag.

    Yields:
        Path and content, in the archive's order.

    Raises:
        BagError: The archive is damaged there.
        UnsafeError: It would give more than an honest archive can.
        StorageError: The disk refused.
    """
    with storage_trouble(archive):
        container = "zip" if zipfile.is_zipfile(archive) else "tar"
    lister, opener = (_list_zip, _open_zip) if container == "zip" else (_list_tar, _open_tar)
    try:
        with storage_trouble(archive), _opened(archive, container) as opened:
            for member in _based(lister(opened, _Limit(archive))).members:
                if member.name in wanted and member.kind == REGULAR:
                    yield member.name, _chunks(opened, member, opener)
                    if member.trouble:
                        raise BagError(
                            where=f"{archive}: {member.name}",
                            problem=member.trouble,
                            remedy="Take another copy",
                        )
    except _BROKEN as error:
        raise BagError(
            where=str(archive),
            problem=f"is a damaged {container} archive ({error})",
            remedy="Take another copy",
        ) from error


def _no_archive(archive: Path, problem: str) -> BagError:
    return BagError(where=str(archive), problem=problem, remedy="Give the path of a bag")


_Lister = Callable[[Any, "_Limit"], Iterator[_Member]]
_Opener = Callable[[Any, Any], IO[bytes] | None]


class _Limit:
    """Adds up what an archive declares and stops before it is too much."""

    def __init__(self, archive: Path) -> None:
        self.archive = archive
        size_bytes = archive.stat().st_size
        self.most_bytes = max(FREE_BYTES, size_bytes * MOST_TIMES_LARGER)
        self.most_members = min(MOST_MEMBERS, max(FREE_MEMBERS, size_bytes // FEWEST_BYTES_A_MEMBER))
        self.bytes = 0
        self.members = 0

    def count(self, size_bytes: int) -> None:
        """One more member. Raises UnsafeError where it is one too many."""
        self.bytes += size_bytes
        self.members += 1
        if self.bytes > self.most_bytes or self.members > self.most_members:
            raise UnsafeError(
                where=str(self.archive),
                problem=(
                    f"declares {self.bytes} bytes in {self.members} files, more than an honest archive holds"
                ),
                remedy="Do not unpack it; ask its sender for the bag's folder",
            )


def _observe(
    path: Path, container: str, lister: _Lister, opener: _Opener, progress: Progress | None
) -> Observation:
    """Members are digested in the order in which they lie, since a packed archive can only be read forwards.

    Tag files are read first and kept: they say which algorithms are wanted, and are digested from memory.
    """
    limit = _Limit(path)
    try:
        with _opened(path, container) as archive:
            listed = _based(lister(archive, limit))
            tags = _read_tags(archive, listed, opener)
            groups = algorithms_of(list(tags))
            done = 0
            for member in listed.members:
                if member.name in tags:
                    member.digests = tuple(digest_of(tags[member.name], name) for name in groups[1])
                elif member.kind == REGULAR:
                    _digest(archive, member, opener, groups[0 if member.name.startswith("data/") else 1])
                done += member.size_bytes
                if progress is not None:
                    progress(done, limit.bytes)
    except _BROKEN as error:
        raise BagError(
            where=str(path), problem=f"is a damaged {container} archive ({error})", remedy="Take another copy"
        ) from error
    return Observation(
        path=str(path),
        tags=tags,
        found=tuple(
            Seen(each.name, each.kind, each.size_bytes, each.digests, 1, each.trouble)
            for each in sorted(listed.members, key=lambda each: each.name)
        ),
        directories=tuple(sorted(listed.directories)),
        payload_algorithms=groups[0],
        tag_algorithms=groups[1],
        container=container,
        oddities=tuple(listed.oddities),
        remarks=tuple(listed.remarks),
    )


@contextmanager
def _opened(path: Path, container: str) -> Iterator[Any]:
    if container == "zip":
        with zipfile.ZipFile(path) as archive:
            yield archive
        return
    with path.open("rb") as raw:
        start = raw.read(6)
    unpacker = next((each for magic, each in _UNPACKERS.items() if start.startswith(magic)), open)
    with unpacker(path, "rb") as stream:
        bounded: Any = _Bounded(path, stream)
        with tarfile.TarFile(fileobj=bounded) as tape:
            yield tape


_UNPACKERS: dict[bytes, Callable[..., Any]] = {
    b"\x1f\x8b": gzip.open,
    b"BZh": bz2.open,
    b"\xfd7zXZ\x00": lzma.open,
}
"""By how a file begins. Source: RFC 1952 section 2.3.1; the .xz file format, section 2.1.1.1; bzip2's from
memory.
"""


def _is_tar(path: Path) -> bool:
    try:
        with _opened(path, "tar"):
            return True
    except _BROKEN:
        return False


class _Bounded:
    """A stream of which the tar reader gets no more at a time than it was allowed, whatever a header says.

    Args:
        path: For what is told.
        stream: Unpacked bytes.

    Raises:
        UnsafeError: More is asked for.
        ReadError: What was packed is damaged.
    """

    def __init__(self, path: Path, stream: IO[bytes]) -> None:
        self.path = path
        self.stream = stream
        self.left = MOST_HEADER_BYTES
        self.name = str(path)
        self.mode = "rb"

    def allow(self, size_bytes: int) -> None:
        self.left = size_bytes

    def read(self, size_bytes: int = -1) -> bytes:
        self.left -= size_bytes
        if size_bytes < 0 or self.left < 0:
            raise UnsafeError(
                where=str(self.path),
                problem=f"has more than {MOST_HEADER_BYTES} bytes for a name or a size, as only a trap does",
                remedy="Do not unpack it; ask its sender for the bag's folder",
            )
        with _packing_told():
            return self.stream.read(size_bytes)

    def seek(self, place: int) -> int:
        with _packing_told():
            return self.stream.seek(place)

    def tell(self) -> int:
        return self.stream.tell()


@contextmanager
def _packing_told() -> Iterator[None]:
    """Damage to what was packed is the archive's; only what the system refuses is the disk's."""
    try:
        yield
    except (EOFError, lzma.LZMAError, zlib.error, ValueError) as error:
        raise tarfile.ReadError(str(error)) from error
    except OSError as error:
        if error.errno is not None:
            raise
        raise tarfile.ReadError(str(error)) from error


def _based(members: Iterable[_Member]) -> _Listed:
    """Take the one folder at the top off every name; tell what leads out or comes twice."""
    every = list(members)
    listed = _Listed()
    safe = []
    for member in every:
        name = member.name.removeprefix("./").rstrip("/")
        if why := unsafe_path(name):
            listed.oddities.append((member.name, f"the archive lists it, but {why} (RFC 8493 section 5)"))
        elif name and name != ".":
            member.name = name
            safe.append(member)
    base = _base([member.name for member in safe])
    known: set[str] = set()
    for member in safe:
        name = member.name.removeprefix(base)
        if name == member.name and base:
            if _of_a_desktop(name):
                listed.remarks.append((member.name, "a desktop left it beside the bag; it is no part of it"))
            elif member.name + "/" != base:
                listed.oddities.append((member.name, "it lies beside the bag's folder in the archive"))
            continue
        if name in known and member.kind != "folder":
            listed.oddities.append((name, "the archive holds it twice, and nothing says which one counts"))
            continue
        known.add(name)
        parts = name.split("/")
        listed.directories.update("/".join(parts[:depth]) for depth in range(1, len(parts)))
        if member.kind == "folder":
            listed.directories.add(name)
        else:
            member.name = name
            listed.members.append(member)
    return listed


def _of_a_desktop(name: str) -> bool:
    """Whether a desktop put a thing into an archive by itself: AppleDouble (RFC 1740) and window settings."""
    last = name.rsplit("/", 1)[-1]
    return name.split("/", 1)[0] == "__MACOSX" or last.startswith("._") or last in JUNK


def _base(names: list[str]) -> str:
    """The folder of the declaration nearest to the top, with a slash; "" where it is the archive."""
    found = [
        name
        for name in names
        if (name == "bagit.txt" or name.endswith("/bagit.txt")) and not name.startswith("__MACOSX/")
    ]
    if found:
        return min(found, key=lambda name: (name.count("/"), name)).removesuffix("bagit.txt")
    tops = {name.split("/", 1)[0] for name in names if "/" in name} - {"__MACOSX"}
    return f"{tops.pop()}/" if len(tops) == 1 else ""


def _read_tags(archive: Any, listed: _Listed, opener: _Opener) -> dict[str, bytes]:
    tags: dict[str, bytes] = {}
    for member in listed.members:
        if member.kind == REGULAR and is_tag_name(member.name):
            if member.size_bytes > MOST_TAG_BYTES:
                listed.oddities.append(
                    (member.name, f"it holds {member.size_bytes} bytes, too many for a tag file")
                )
                continue
            content = b"".join(_chunks(archive, member, opener))
            if not member.trouble:
                tags[member.name] = content
    return tags


def _digest(archive: Any, member: _Member, opener: _Opener, algorithms: tuple[str, ...]) -> None:
    import hashlib

    hashes = [hashlib.new(name, usedforsecurity=False) for name in algorithms]
    for chunk in _chunks(archive, member, opener):
        for each in hashes:
            each.update(chunk)
    member.digests = () if member.trouble else tuple(each.digest() for each in hashes)


def _chunks(archive: Any, member: _Member, opener: _Opener) -> Iterator[bytes]:
    """A member's content, never more than it declared."""
    count = 0
    try:
        stream = opener(archive, member.handle)
        if stream is None:
            member.trouble = "the archive holds no content for it"
            return
        with stream:
            while chunk := stream.read(CHUNK_BYTES):
                count += len(chunk)
                if count > member.size_bytes:
                    break
                yield chunk
    except _NotReadError as error:
        member.trouble = str(error)
        return
    except (*_BROKEN, OSError) as error:
        member.trouble = f"the archive is damaged there ({error})"
        return
    if count != member.size_bytes:
        member.trouble = f"the archive declares {member.size_bytes} bytes for it, but gives another number"


def _list_zip(archive: zipfile.ZipFile, limit: _Limit) -> Iterator[_Member]:
    before, end = "", 0
    for entry in sorted(archive.infolist(), key=lambda entry: entry.header_offset):
        limit.count(entry.file_size)
        if entry.header_offset < end:
            raise UnsafeError(
                where=str(limit.archive),
                problem=f"keeps {entry.filename!r} and {before!r} in the same bytes, as only a trap does",
                remedy="Do not unpack it; ask its sender for the bag's folder",
            )
        before, end = entry.filename, entry.header_offset + 30 + entry.compress_size
        name = _written_name(entry)
        mode = entry.external_attr >> 16
        if name.endswith("/"):
            kind = "folder"
        else:
            kind = REGULAR if stat.S_IFMT(mode) in {0, stat.S_IFREG} else kind_of(mode)
        yield _Member(name, kind, entry.file_size, entry)


def _written_name(entry: zipfile.ZipInfo) -> str:
    """A member's name as it was written.

    The library cuts it at a zero byte, mends separators, and guesses a code page.

    Without the flag for UTF-8 a name is in a DOS code page by the book; Info-ZIP on Unix writes the bytes
    that the disk has, nearly always UTF-8, which no text in such a code page is by chance but a very short
    one.

    Source:
        The .ZIP format specification, sections 4.4.4 (bit 11), 4.6.9 (extra field 7075) and appendix D; from
        memory.
    """
    name = entry.orig_filename
    if entry.flag_bits & _UTF_8 or (name.isascii() and not entry.extra):
        return name
    try:
        raw = name.encode("cp437")
        return _extra_name(entry, raw) or raw.decode("utf-8")
    except UnicodeError:
        return name


def _extra_name(entry: zipfile.ZipInfo, raw: bytes) -> str:
    """The UTF-8 name that an extra field holds for the header's; "" where it holds none."""
    extra = entry.extra
    while len(extra) >= 4:
        kind, size = struct.unpack_from("<HH", extra)
        body, extra = extra[4 : 4 + size], extra[4 + size :]
        if kind == _UNICODE_PATH and body[:5] == struct.pack("<BI", 1, zlib.crc32(raw)):
            return body[5:].decode("utf-8", "surrogateescape")
    return ""


def _open_zip(archive: zipfile.ZipFile, handle: zipfile.ZipInfo) -> IO[bytes]:
    """One file, packed in a way of which no more comes out at a time than is asked for.

    The standard library unpacks the other ways a whole chunk at once, and a kilobyte of bzip2 can hold a
    gigabyte.

    Source:
        ISO/IEC 21320-1 (Document Container File), from memory: stored and deflated, and no other.
    """
    if handle.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
        called = _METHODS.get(handle.compress_type, "unknown")
        raise _NotReadError(
            f"it is packed by method {handle.compress_type} ({called}), which is not read here; "
            "only stored and deflated are"
        )
    if handle.flag_bits & _ENCRYPTED:
        raise _NotReadError("it is encrypted, so that nothing of it can be read here")
    return archive.open(handle)


_TAR_KINDS = {
    tarfile.DIRTYPE: "folder",
    tarfile.SYMTYPE: "link",
    tarfile.LNKTYPE: "link",
    tarfile.FIFOTYPE: "fifo",
    tarfile.CHRTYPE: "device",
    tarfile.BLKTYPE: "device",
}


def _list_tar(archive: Any, limit: _Limit) -> Iterator[_Member]:
    while True:
        archive.fileobj.allow(MOST_HEADER_BYTES)
        entry = archive.next()
        if entry is None:
            break
        if entry.size < 0:
            raise tarfile.ReadError(f"{entry.name!r} has a negative size")
        limit.count(entry.size)
        kind = REGULAR if entry.isreg() else _TAR_KINDS.get(entry.type, "other")
        yield _Member(entry.name, kind, entry.size if kind == REGULAR else 0, entry)
    # tarfile takes any end for the end; a tape that was cut between two files must not pass for a shorter
    # bag.
    archive.fileobj.allow(tarfile.BLOCKSIZE)
    archive.fileobj.seek(archive.offset)
    if archive.fileobj.read(tarfile.BLOCKSIZE) != bytes(tarfile.BLOCKSIZE):
        raise tarfile.ReadError("it has no end mark: it was cut or is damaged after its last whole file")


def _open_tar(archive: Any, handle: tarfile.TarInfo) -> IO[bytes] | None:
    archive.fileobj.allow(handle.size)
    stream: IO[bytes] | None = archive.extractfile(handle)
    return stream

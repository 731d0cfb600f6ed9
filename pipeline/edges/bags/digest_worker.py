"""Digests of many files, each read once for all its algorithms; also what a worker process answers with.

A worker (`edges/worker.py`) loads this file by itself, in the folder that paths are below; so it needs
nothing but these modules.
"""

from __future__ import annotations

import hashlib
import os
from stat import S_ISREG

TYPE_CHECKING = False  # not from `typing`, which takes as long to load as all else that a worker needs
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    _Maker = Callable[..., hashlib._Hash]  # noqa: SLF001 - it has no public name

CHUNK_BYTES = 1 << 20
THREADED_BYTES = 8 << 20
"""From this size on, the algorithms of one file run beside each other: hashing lets other threads run."""
CHUNKS_AHEAD = 4
"""Chunks that wait for an algorithm, so that it never waits for the disk or for another thread."""
REPORT_BYTES = 64 << 20
_NEVER = 1 << 63
FLAGS = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)

LARGE_BYTES = 1 << 19
"""Files from this size on are worth a message of their own: who hands out the work must know of them."""

Result = tuple[int, tuple[bytes, ...], int, str]
"""Bytes read, digests in the order asked for, how many names it has, and why it could not be read or ""."""
Answer = tuple[list[int], bytes, list[tuple[int, Result | int]]]
"""Of some files: sizes and digests of the plain ones (they could be read, and have one name), all digests of
one file before the next one's; and of each other one its place among the files and what was read of it, or,
of one that is large among others, its size in bytes."""
_NO_REPORT: Callable[[int], None] = lambda _count: None  # noqa: E731 - a default that does nothing


def digest_files(
    paths: Sequence[str],
    algorithms: Sequence[str],
    report: Callable[[int], None] = _NO_REPORT,
    *,
    postpone_from: int = _NEVER,
) -> Answer:
    """Digest some files; a pipe or device that took the place of one since is not waited for.

    What the file system refuses is part of the answer, and never raised.

    Args:
        paths: Of the files.
        algorithms: hashlib's names.
        report: Told how many bytes were read, now and then, for large files only.
        postpone_from: Of a file of so many bytes only the size is told.
    """
    sizes: list[int] = []
    digests: list[bytes] = []
    others: list[tuple[int, Result | int]] = []
    makers = _makers(algorithms)
    for place, path in enumerate(paths):
        result = _digest(path, makers, report, postpone_from)
        if isinstance(result, int) or result[2] != 1 or result[3]:
            others.append((place, result))
        else:
            sizes.append(result[0])
            digests += result[1]
    return sizes, b"".join(digests), others


def _digest(
    path: str, makers: Sequence[_Maker], report: Callable[[int], None], postpone_from: int
) -> Result | int:
    """Digest a file, or give its size where it has so many bytes that it is another message's work."""
    try:
        handle = os.open(path, FLAGS)
    except OSError as error:
        return 0, (), 1, error.strerror or str(error)
    try:
        status = os.fstat(handle)
        size_bytes = status.st_size
        if not S_ISREG(status.st_mode):
            return 0, (), 1, "it is not a regular file"
        if size_bytes >= postpone_from:
            return size_bytes
        if size_bytes >= CHUNK_BYTES:
            return (*_digest_large(handle, size_bytes, makers, report), status.st_nlink, "")
        # One byte more than there should be: a file that grows meanwhile is read to its end below.
        content = os.read(handle, size_bytes + 1)
        if len(content) != size_bytes:
            while more := os.read(handle, CHUNK_BYTES):
                content += more
    except OSError as error:
        return 0, (), 1, error.strerror or str(error)
    finally:
        os.close(handle)
    return len(content), tuple([maker(content).digest() for maker in makers]), status.st_nlink, ""


def digest_of(content: bytes, algorithm: str) -> bytes:
    """The digest of some bytes."""
    return _makers([algorithm])[0](content).digest()


def _makers(algorithms: Sequence[str]) -> list[_Maker]:
    """What begins a digest of each algorithm.

    Fixity only, so that systems with restricted algorithms still check old bags.
    """

    def other(name: str) -> _Maker:
        return lambda content=b"": hashlib.new(name, content, usedforsecurity=False)

    return [_PROMPT.get(name) or other(name) for name in algorithms]


_PROMPT: dict[str, _Maker] = {"sha256": hashlib.sha256, "sha512": hashlib.sha512}
"""They are never restricted, and need not be looked for by name."""


def _digest_large(
    handle: int, size_bytes: int, makers: Sequence[_Maker], report: Callable[[int], None]
) -> tuple[int, tuple[bytes, ...]]:
    hashes = [maker() for maker in makers]
    if size_bytes >= THREADED_BYTES and len(hashes) > 1:
        return _digest_threaded(handle, hashes, report)
    total = 0
    while chunk := os.read(handle, CHUNK_BYTES):
        for each in hashes:
            each.update(chunk)
        total += len(chunk)
    return total, tuple(each.digest() for each in hashes)


def _digest_threaded(
    handle: int, hashes: Sequence[hashlib._Hash], report: Callable[[int], None]
) -> tuple[int, tuple[bytes, ...]]:
    """The slowest algorithm sets the pace: the others and the reading happen meanwhile."""
    # Bare threads: to load what makes a pool of them takes as long as to digest ten chunks.
    from queue import SimpleQueue
    from threading import Semaphore, Thread

    failed: list[Exception] = []

    def digest(update: Callable[[bytes], None], chunks: SimpleQueue[bytes], room: Semaphore) -> None:
        while chunk := chunks.get():
            try:
                update(chunk)
            except Exception as error:  # noqa: BLE001 - raised again where the chunks come from
                failed.append(error)
            room.release()

    lanes: list[tuple[SimpleQueue[bytes], Semaphore, Thread]] = []
    total = unreported = 0
    try:
        for each in hashes:  # one thread for each, in which its chunks come one after the other
            chunks, room = SimpleQueue[bytes](), Semaphore(CHUNKS_AHEAD)
            thread = Thread(target=digest, args=(each.update, chunks, room))
            thread.start()
            lanes.append((chunks, room, thread))
        while chunk := os.read(handle, CHUNK_BYTES):
            for chunks, room, _ in lanes:
                room.acquire()
                chunks.put(chunk)
            total += len(chunk)
            unreported += len(chunk)
            if unreported >= REPORT_BYTES:
                report(unreported)
                unreported = 0
    finally:
        for chunks, _, thread in lanes:
            chunks.put(b"")
            thread.join()
    for error in failed:
        raise error
    return total, tuple(each.digest() for each in hashes)


def answerer(
    arguments: Sequence[str],
) -> Callable[[tuple[int, list[str]], Callable[[int], None]], Answer]:
    """What a worker does.

    Args:
        arguments: Lists of algorithms, one for each group of files, with commas.

    Returns:
        Digests a batch: which group, and a list of paths. A file that is alone in its batch is digested
        whatever its size; of large ones among others only the size is told.
    """
    groups = [[name for name in group.split(",") if name] for group in arguments]

    def answer(batch: tuple[int, list[str]], news: Callable[[int], None]) -> Answer:
        group, paths = batch
        postpone_from = LARGE_BYTES if len(paths) > 1 else _NEVER
        return digest_files(paths, groups[group], news, postpone_from=postpone_from)

    return answer

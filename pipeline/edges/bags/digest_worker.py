"""Digests of many files, each read once for all its algorithms; also what a worker process answers with.

A worker (`edges/worker.py`) loads this file by itself, in the folder that paths are below; so it needs
nothing but these modules.
"""

from __future__ import annotations

import hashlib
import os
import stat

TYPE_CHECKING = False  # not from `typing`, which takes as long to load as all else that a worker needs
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from concurrent.futures import Future

CHUNK_BYTES = 1 << 20
THREADED_BYTES = 8 << 20
"""From this size on, the algorithms of one file run beside each other: hashing lets other threads run."""
CHUNKS_AHEAD = 4
"""Chunks that wait for the slowest algorithm, so that it never waits for the disk or for another thread."""
REPORT_BYTES = 64 << 20
_NEVER = 1 << 63
FLAGS = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)

LARGE_BYTES = 1 << 19
"""Files from this size on are worth a message of their own: who hands out the work must know of them."""

Result = tuple[int, tuple[bytes, ...], int, str]
"""Bytes read, digests in the order asked for, how many names it has, and why it could not be read or ""."""
_NO_REPORT: Callable[[int], None] = lambda _count: None  # noqa: E731 - a default that does nothing


def digest_file(path: str, algorithms: Sequence[str], report: Callable[[int], None] = _NO_REPORT) -> Result:
    """Digest one regular file; a pipe or device that took its place since is not waited for.

    Args:
        path: The file.
        algorithms: hashlib's names.
        report: Told how many bytes were read, now and then, for large files only.

    Returns:
        What was read; never raises for what the file system refuses.
    """
    result = _digest(path, algorithms, report, postpone_from=_NEVER)
    assert not isinstance(result, int)
    return result


def _digest(
    path: str, algorithms: Sequence[str], report: Callable[[int], None], *, postpone_from: int
) -> Result | int:
    """Digest a file, or give its size where it has so many bytes that it is another message's work."""
    try:
        handle = os.open(path, FLAGS)
    except OSError as error:
        return 0, (), 1, error.strerror or str(error)
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            return 0, (), 1, "it is not a regular file"
        if status.st_size >= postpone_from:
            return status.st_size
        if status.st_size >= CHUNK_BYTES:
            return (*_digest_large(handle, status.st_size, algorithms, report), status.st_nlink, "")
        # One byte more than there should be: a file that grows meanwhile is read to its end below.
        content = os.read(handle, status.st_size + 1)
        if len(content) != status.st_size:
            while more := os.read(handle, CHUNK_BYTES):
                content += more
    except OSError as error:
        return 0, (), 1, error.strerror or str(error)
    finally:
        os.close(handle)
    return len(content), tuple([digest_of(content, name) for name in algorithms]), status.st_nlink, ""


def digest_of(content: bytes, algorithm: str) -> bytes:
    """The digest of some bytes.

    Fixity only, so that systems with restricted algorithms still check old bags.
    """
    maker = _MAKERS.get(algorithm)
    if maker is None:
        return hashlib.new(algorithm, content, usedforsecurity=False).digest()
    return maker(content).digest()


_MAKERS = {"sha256": hashlib.sha256, "sha512": hashlib.sha512}


def _digest_large(
    handle: int, size_bytes: int, algorithms: Sequence[str], report: Callable[[int], None]
) -> tuple[int, tuple[bytes, ...]]:
    hashes = [hashlib.new(name, usedforsecurity=False) for name in algorithms]
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
    from collections import deque
    from concurrent.futures import ThreadPoolExecutor
    from contextlib import ExitStack

    total = unreported = 0
    with ExitStack() as opened:
        # One thread for each algorithm, in which its chunks come one after the other.
        lanes = [(opened.enter_context(ThreadPoolExecutor(1)), each.update) for each in hashes]
        running: deque[list[Future[None]]] = deque()
        while chunk := os.read(handle, CHUNK_BYTES):
            running.append([lane.submit(update, chunk) for lane, update in lanes])
            total += len(chunk)
            unreported += len(chunk)
            if len(running) > CHUNKS_AHEAD:
                _wait(running.popleft())
            if unreported >= REPORT_BYTES:
                report(unreported)
                unreported = 0
        for some in running:
            _wait(some)
    return total, tuple(each.digest() for each in hashes)


def _wait(some: Sequence[Future[None]]) -> None:
    """Until a chunk has gone through every algorithm; raises what any of them did."""
    for each in some:
        each.result()


def answerer(
    arguments: Sequence[str],
) -> Callable[[tuple[int, list[str]], Callable[[int], None]], list[Result | int]]:
    """What a worker does.

    Args:
        arguments: Lists of algorithms, one for each group of files, with commas.

    Returns:
        Makes a list of results, in the order asked, of a batch: which group, and a list of paths. A file
        that is alone in its batch is digested whatever its size; of large ones among others only the size is
        told.
    """
    groups = [[name for name in group.split(",") if name] for group in arguments]

    def answer(batch: tuple[int, list[str]], news: Callable[[int], None]) -> list[Result | int]:
        group, paths = batch
        postpone_from = LARGE_BYTES if len(paths) > 1 else _NEVER
        return [_digest(path, groups[group], news, postpone_from=postpone_from) for path in paths]

    return answer

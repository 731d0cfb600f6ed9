"""Digests of many files, each read once for all its algorithms; also run as a program of its own.

As a program (`python -I -S digest_worker.py ALGORITHMS...`, in the folder that paths are below) it starts in
a hundredth of a second because it needs nothing but these four modules: a pool of processes from the standard
library costs more than hashing a thousand small files. It reads batches from standard input and answers on
standard output, each a length and marshalled plain data; it trusts its parent and nobody else.
"""
# ruff: noqa: S302 - marshal only ever crosses the pipe between the parent and its own child

from __future__ import annotations

import hashlib
import marshal
import os
import stat
import sys
from collections.abc import Callable, Sequence
from typing import Any, BinaryIO, cast

CHUNK_BYTES = 1 << 20
THREADED_BYTES = 8 << 20
"""From this size on, the algorithms of one file run beside each other: hashing lets other threads run."""
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
            return 0, (), 1, "it is no regular file"
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
    from concurrent.futures import ThreadPoolExecutor

    total = unreported = 0
    with ThreadPoolExecutor(len(hashes)) as pool:
        chunk = os.read(handle, CHUNK_BYTES)
        while chunk:
            running = [pool.submit(each.update, chunk) for each in hashes]
            total += len(chunk)
            unreported += len(chunk)
            chunk = os.read(handle, CHUNK_BYTES)
            for each in running:
                each.result()
            if unreported >= REPORT_BYTES:
                report(unreported)
                unreported = 0
    return total, tuple(each.digest() for each in hashes)


def send(stream: BinaryIO, value: Any) -> None:
    """One value over a pipe."""
    packed = marshal.dumps(value)
    stream.write(len(packed).to_bytes(8, "little") + packed)
    stream.flush()


def receive(stream: BinaryIO) -> object:
    """The next value, or None at the end."""
    head = stream.read(8)
    if len(head) < 8:
        return None
    return marshal.loads(stream.read(int.from_bytes(head, "little")))


def serve(source: BinaryIO, sink: BinaryIO, groups: Sequence[Sequence[str]]) -> None:
    """Answer batches until the pipe closes.

    Args:
        source: Batches: which group of algorithms, and a list of paths. A file that is alone in its batch is
            digested whatever its size; of large files among others only the size is told.
        sink: A count of bytes now and then, then the list of results, in the order asked.
        groups: Lists of algorithms.
    """

    def report(count: int) -> None:
        send(sink, count)

    while (batch := receive(source)) is not None:
        group, paths = cast("tuple[int, list[str]]", batch)
        postpone_from = LARGE_BYTES if len(paths) > 1 else _NEVER
        algorithms = groups[group]
        send(sink, [_digest(path, algorithms, report, postpone_from=postpone_from) for path in paths])


def main() -> None:
    """Run as a program; an interrupt or the parent's end is the end, without a word."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_DFL)
    groups = [[name for name in group.split(",") if name] for group in sys.argv[1:]]
    try:
        serve(sys.stdin.buffer, sys.stdout.buffer, groups)
    except BrokenPipeError:
        os._exit(1)


if __name__ == "__main__":
    main()

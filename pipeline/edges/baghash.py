"""Walking a bag and digesting it: each file is read once for all algorithms, the work spread over the cores.

What is found is written down, not judged; a link is never followed and a pipe never opened.
"""
# ruff: noqa: PTH100, PTH118 - paths stay text here: a Path for each of 100,000 files costs more than reading them

from __future__ import annotations

import os
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import SimpleQueue
from typing import BinaryIO, NamedTuple, cast

from pipeline.bagflow import REGULAR, Observation, Seen
from pipeline.edges import hashworker
from pipeline.edges.diskerrors import as_storage_error, storage_trouble
from pipeline.errors import BagError, StorageError
from pipeline.formats.bagparse import MANIFEST_NAME, hash_name, receipt_of

MOST_TAG_BYTES = 1 << 30
"""A manifest larger than this would list ten million files; it is not read into memory."""
_BATCH_FILES = 400
_BATCH_BYTES = 16 << 20
_FEW_FILES = 1500
_FEW_BYTES = 24 << 20
"""Less than this and starting another process takes longer than doing the work."""

Progress = Callable[[int, int], None]
"""Told how many bytes of how many are digested."""
_Groups = tuple[tuple[str, ...], tuple[str, ...]]


class _Job(NamedTuple):
    """One file to digest: its place in the list, its size, its path, and which group of algorithms."""

    place: int
    size_bytes: int
    path: str
    group: int


def observe(bag: Path, *, workers: int | None = None, progress: Progress | None = None) -> Observation:
    """Everything about a bag that its judge needs; also for a bag inside a `.zip` or `.tar`, without unpacking.

    Args:
        bag: The bag's folder, or an archive that holds it.
        workers: How many processes digest; by default one a core, or none where there is little to do.
        progress: Told as the bytes go by.

    Returns:
        What was seen.

    Raises:
        BagError: It is neither a folder nor an archive that can be read.
        StorageError: The disk refused the folder itself; what it refuses of single files is part of what was seen.
    """
    if bag.is_dir():
        return _observe_folder(bag, workers=workers, progress=progress)
    if not bag.exists():
        raise BagError(where=str(bag), problem="is not there", remedy="Give the path of a bag")
    from pipeline.edges.bagarchive import observe_archive

    return observe_archive(bag, progress=progress)


def receipt(bag: Path) -> str:
    """The digest over a bag's tag manifests, which stands for every byte of it.

    Args:
        bag: The bag's folder.

    Returns:
        64 hexadecimal digits.

    Raises:
        BagError: There is no tag file to take it from.
        StorageError: The disk refused.
    """
    with storage_trouble(bag), os.scandir(bag) as entries:
        tags = {
            entry.name: _read_tag(entry.path)
            for entry in entries
            if is_tag_name(entry.name) and entry.is_file(follow_symlinks=False)
        }
    digest = receipt_of(tags)
    if not digest:
        raise BagError(
            where=str(bag), problem="is no bag: it has no tag files", remedy="Give the path of a bag"
        )
    return digest


def is_tag_name(name: str) -> bool:
    """Whether BagIt gives a meaning to a file of this name at the bag's base."""
    return name in {"bagit.txt", "bag-info.txt", "package-info.txt", "fetch.txt"} or bool(
        MANIFEST_NAME.fullmatch(name)
    )


def algorithms_of(names: list[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What to compute for payload files and for tag files, from the names of the manifests that are there."""
    payload = {hash_name(name) for name in names if name.startswith("manifest-")} - {""}
    tags = {hash_name(name) for name in names if name.startswith("tagmanifest-")} - {""}
    return tuple(sorted(payload)), tuple(sorted(tags))


def _observe_folder(bag: Path, *, workers: int | None, progress: Progress | None) -> Observation:
    root = os.path.abspath(bag)
    found, directories, oddities = _walk(root)
    tags = _read_tags(root, found, oddities)
    groups = algorithms_of(list(tags))
    jobs = [
        _Job(place, item.size_bytes, item.path, 0 if item.path.startswith("data/") else 1)
        for place, item in enumerate(found)
        if item.kind == REGULAR and item.path not in tags
    ]
    for place, (size_bytes, digests, trouble) in _digest_all(root, jobs, groups, workers, progress):
        path, kind, _, _, links, _ = found[place]
        found[place] = Seen(path, kind, size_bytes, digests, links, trouble)
    for index, item in enumerate(found):
        if (raw := tags.get(item.path)) is not None:
            digests = tuple(hashworker.digest_of(raw, name) for name in groups[1])
            found[index] = item._replace(size_bytes=len(raw), digests=digests)
    return Observation(
        path=str(bag),
        tags=tags,
        seen=tuple(found),
        directories=tuple(sorted(directories)),
        payload_algorithms=groups[0],
        tag_algorithms=groups[1],
        oddities=tuple(oddities),
    )


def _walk(root: str) -> tuple[list[Seen], list[str], list[tuple[str, str]]]:
    """Everything below a folder, each thing looked at once, links not followed."""
    found: list[Seen] = []
    directories: list[str] = []
    oddities: list[tuple[str, str]] = []
    waiting = [""]
    while waiting:
        inside = waiting.pop()
        try:
            entries = os.scandir(os.path.join(root, inside) if inside else root)
        except OSError as error:
            if not inside:
                raise as_storage_error(error, root) from error
            oddities.append((inside, f"the folder cannot be read: {error.strerror}"))
            continue
        with entries:
            for entry in entries:
                path = f"{inside}/{entry.name}" if inside else entry.name
                try:
                    status = entry.stat(follow_symlinks=False)
                except OSError as error:
                    oddities.append((path, f"it cannot be looked at: {error.strerror}"))
                    continue
                mode = status.st_mode
                if stat.S_ISDIR(mode) and not _is_reparse(status):
                    directories.append(path)
                    waiting.append(path)
                elif stat.S_ISREG(mode):
                    found.append(Seen(path, REGULAR, status.st_size, (), status.st_nlink))
                else:
                    found.append(Seen(path, kind_of(mode), 0))
    found.sort(key=lambda item: item.path)
    return found, directories, oddities


def _is_reparse(status: os.stat_result) -> bool:
    """A folder of Windows that is really a junction to another place."""
    return bool(getattr(status, "st_file_attributes", 0) & getattr(stat, "FILE_ATTRIBUTE_REPARSE_POINT", 0))


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


def _read_tags(root: str, found: list[Seen], oddities: list[tuple[str, str]]) -> dict[str, bytes]:
    tags: dict[str, bytes] = {}
    for item in found:
        if item.kind != REGULAR or "/" in item.path or not is_tag_name(item.path):
            continue
        if item.size_bytes > MOST_TAG_BYTES:
            oddities.append((item.path, f"it holds {item.size_bytes} bytes, too many for a tag file"))
            continue
        try:
            tags[item.path] = _read_tag(os.path.join(root, item.path))
        except OSError as error:
            oddities.append((item.path, f"it cannot be read: {error.strerror}"))
    return tags


def _read_tag(path: str) -> bytes:
    with os.fdopen(os.open(path, hashworker.FLAGS), "rb") as stream:
        return stream.read(MOST_TAG_BYTES + 1)


def _digest_all(
    root: str, jobs: list[_Job], groups: _Groups, workers: int | None, progress: Progress | None
) -> Iterator[tuple[int, hashworker.Result]]:
    """Digest every job; the results come in any order."""
    tally = _Tally(sum(job.size_bytes for job in jobs), progress)
    if workers is None:
        little = len(jobs) < _FEW_FILES and tally.total < _FEW_BYTES
        workers = 0 if little else cores()
    if workers < 1 or len(jobs) < 2:
        yield from _digest_here(root, jobs, groups, tally)
    else:
        yield from _digest_there(root, jobs, groups, min(workers, len(jobs)), tally)


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Tally:
    """Adds up the bytes that are done."""

    def __init__(self, total: int, progress: Progress | None) -> None:
        self.total = total
        self.done = 0
        self.progress = progress

    def add(self, count: int) -> None:
        self.done += count
        if self.progress is not None:
            self.progress(min(self.done, self.total), self.total)


def _digest_here(
    root: str, jobs: list[_Job], groups: _Groups, tally: _Tally
) -> Iterator[tuple[int, hashworker.Result]]:
    reported = 0

    def report(count: int) -> None:
        nonlocal reported
        reported += count
        tally.add(count)

    for job in jobs:
        reported = 0
        yield job.place, hashworker.digest_file(os.path.join(root, job.path), groups[job.group], report)
        tally.add(job.size_bytes - reported)


def _digest_there(
    root: str, jobs: list[_Job], groups: _Groups, workers: int, tally: _Tally
) -> Iterator[tuple[int, hashworker.Result]]:
    """Digest in other processes; the largest files first, so that no core waits for another at the end."""
    batches = iter(_batches(sorted(jobs, key=lambda job: -job.size_bytes)))
    taking = threading.Lock()
    answers: SimpleQueue[tuple[list[_Job], list[hashworker.Result]] | int | BaseException | None] = (
        SimpleQueue()
    )

    def tend(child: subprocess.Popen[bytes]) -> None:
        # Whatever goes wrong must reach the caller's thread, which alone can raise it.
        try:
            source, sink = cast("BinaryIO", child.stdin), cast("BinaryIO", child.stdout)
            while True:
                with taking:
                    batch = next(batches, None)
                if batch is None:
                    break
                hashworker.send(source, [(os.fsencode(job.path), job.group) for job in batch])
                while isinstance(answer := hashworker.receive(sink), int):
                    answers.put(answer)
                answers.put(
                    _ended(root) if answer is None else (batch, cast("list[hashworker.Result]", answer))
                )
                if answer is None:
                    break
        except BaseException as error:  # noqa: BLE001 - raised again below
            answers.put(error)
        finally:
            answers.put(None)

    children = [_child(root, groups) for _ in range(workers)]
    try:
        threads = [threading.Thread(target=tend, args=(child,), daemon=True) for child in children]
        for thread in threads:
            thread.start()
        running, reported = len(threads), 0
        while running:
            answer = answers.get()
            if answer is None:
                running -= 1
            elif isinstance(answer, BaseException):
                raise answer
            elif isinstance(answer, int):
                reported += answer
                tally.add(answer)
            else:
                for job, result in zip(*answer, strict=True):
                    yield job.place, result
                done = sum(job.size_bytes for job in answer[0])
                early = min(done, reported)
                reported -= early
                tally.add(done - early)
    finally:
        for child in children:
            child.kill()
            child.wait()
            for pipe in (child.stdin, child.stdout):
                if pipe is not None:
                    pipe.close()


def _ended(root: str) -> StorageError:
    return StorageError(where=root, problem="a process that digests files has ended", remedy="Run it again")


def _child(root: str, groups: _Groups) -> subprocess.Popen[bytes]:
    command = [
        sys.executable,
        "-I",
        "-S",
        hashworker.__file__,
        os.path.join(root, ""),
        *(",".join(group) for group in groups),
    ]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)  # noqa: S603 - our own file


def _batches(jobs: list[_Job]) -> Iterator[list[_Job]]:
    batch: list[_Job] = []
    size_bytes = 0
    for job in jobs:
        if batch and (len(batch) >= _BATCH_FILES or size_bytes + job.size_bytes > _BATCH_BYTES):
            yield batch
            batch, size_bytes = [], 0
        batch.append(job)
        size_bytes += job.size_bytes
    if batch:
        yield batch

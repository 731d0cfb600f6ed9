"""Seeing a bag: each file is read once for all its algorithms, the work spread over the cores.

What is found is written down, not judged.
"""
# ruff: noqa: PTH100, PTH118 - paths stay text here: a Path for each of 100,000 files costs more than reading
# them

from __future__ import annotations

import os
import re
from array import array
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from itertools import chain
from pathlib import Path
from typing import NamedTuple, Self

from pipeline.bags.observed import REGULAR, Observation, PlainFiles, Seen
from pipeline.bags.parse_tag_files import (
    MOST_TAG_BYTES,
    algorithms_of,
    is_tag_name,
    receipt_names,
    receipt_of,
)
from pipeline.edges.bags import digest_worker
from pipeline.edges.bags.digest_pool import Digested, Digesting, Progress
from pipeline.edges.bags.walk import walk
from pipeline.edges.disk_errors import absent, storage_trouble
from pipeline.errors import BagError

_OXUM = re.compile(rb"^payload-oxum[ \t]*:[ \t]*(\d{1,18})\.(\d{1,18})", re.IGNORECASE | re.MULTILINE)


def observe(bag: Path, *, workers: int | None = None, progress: Progress | None = None) -> Observation:
    """Everything about a bag that its judge needs.

    Also for a bag inside a `.zip` or `.tar`, without unpacking.

    Args:
        bag: The bag's folder, or an archive that holds it.
        workers: How many processes digest beside this one; by default one for each further core, or none
            where there is little to do.
        progress: Told as the bytes go by.

    Returns:
        What was seen.

    Raises:
        BagError: It is neither a folder nor an archive that can be read.
        StorageError: It is not there, or the disk refused the folder itself; what it refuses of single files
            is part of what was
        seen.
    """
    if bag.is_dir():
        with Observing(bag, workers=workers, progress=progress) as observing:
            return observing.observation()
    if not bag.exists():
        raise absent(bag, "bag", "Give the path of a bag")
    from pipeline.edges.bags.archive import observe_archive

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
        paths = {
            entry.name: entry.path
            for entry in entries
            if is_tag_name(entry.name) and entry.is_file(follow_symlinks=False)
        }
        # Of a thousand bags most have not changed: nothing is read that the digest is not taken over.
        digest = receipt_of({name: _read_tag(paths[name])[0] for name in receipt_names(paths)})
    if not digest:
        raise BagError(
            where=str(bag), problem="is not a bag: it has no tag files", remedy="Give the path of a bag"
        )
    return digest


class BagWalk:
    """A bag's folder as it is walked: its tag files are read at once, names of all others as they are found.

    Args:
        bag: The folder.

    Attributes:
        tags: The tag files.
        groups: The algorithms that payload files want, and those that others want.
    """

    def __init__(self, bag: Path) -> None:
        self._bag, self.root = bag, os.path.abspath(bag)
        self._found: list[Seen] = []
        self._directories: list[str] = []
        self._oddities: list[tuple[str, str]] = []
        self._folders = walk(self.root)
        self._base = next(self._folders)
        self.tags, self._links = _read_tags(self.root, self._base.files, self._oddities)
        self.groups = algorithms_of(list(self.tags))

    def files(self) -> Iterator[tuple[int, list[str]]]:
        """Files to be digested, folder by folder, each time with the number of their group."""
        for folder in chain((self._base,), self._folders):
            is_base = folder is self._base
            files = [path for path in folder.files if path not in self.tags] if is_base else folder.files
            if files:
                yield (0 if files[0].startswith("data/") else 1), files
            self._found += folder.others
            self._directories += folder.directories
            self._oddities += folder.oddities

    def observation(self, results: Iterable[Digested]) -> Observation:
        """What was seen, once every file is digested.

        Args:
            results: What was read of some files after others, in any order; the files of each are of one
                group.
        """
        found = self._found
        # The tag files come first, while other processes still digest.
        payload: list[PlainFiles] = []
        others: list[PlainFiles] = []
        for done in chain(map(self._digested_tag, self.tags), results):
            plain = _sorted_out(done, found)
            if plain.paths:
                (payload if plain.paths[0].startswith("data/") else others).append(plain)
        return Observation(
            path=str(self._bag),
            tags=self.tags,
            found=tuple(found),
            directories=tuple(sorted(self._directories)),
            payload_algorithms=self.groups[0],
            tag_algorithms=self.groups[1],
            oddities=tuple(self._oddities),
            plain_payload=_in_columns(payload, self.groups[0]),
            plain_tags=_in_columns(others, self.groups[1]),
        )

    def _digested_tag(self, path: str) -> Digested:
        raw, links = self.tags[path], self._links[path]
        digests = tuple([digest_worker.digest_of(raw, name) for name in self.groups[1]])
        if links != 1:
            return Digested([path], ([], b"", [(0, (len(raw), digests, links, ""))]))
        return Digested([path], ([len(raw)], b"".join(digests), []))


def _sorted_out(done: Digested, found: list[Seen]) -> PlainFiles:
    """The plain files among some, algorithms not named; what was seen of the others is added to `found`."""
    sizes, digests, others = done.answer
    if not others:
        return PlainFiles(list(done.paths), sizes, digests)
    found += [Seen(done.paths[at], REGULAR, *told) for at, told in others if not isinstance(told, int)]
    apart = {at for at, _ in others}
    return PlainFiles([path for at, path in enumerate(done.paths) if at not in apart], sizes, digests)


def _in_columns(batches: list[PlainFiles], algorithms: tuple[str, ...]) -> PlainFiles:
    """Files as one value, sorted; nearly always they are it already, but for the order of batches."""
    batches.sort(key=lambda batch: batch.paths[0], reverse=True)
    paths: list[str] = []
    sizes, digests = array("Q"), bytearray()
    while batches:  # each goes as it is taken over: a large bag's digests are not held twice
        some = batches.pop()
        paths += some.paths
        sizes.extend(some.sizes)
        digests += some.digests
    return PlainFiles(paths, sizes, digests, algorithms).in_order()


class Observing:
    """A bag's folder that other processes digest meanwhile, where it is large; a context that ends them.

    Files go to the digesters as the walk finds them: hashing begins before the tree is known. Tag files of
    the top are read first: they say which algorithms are wanted, and are digested from memory.

    Args:
        bag: The folder.
        workers: How many processes digest beside this one; by default one for each further core, or none
            where there is little to do.
        progress: Told as the bytes go by.

    Attributes:
        tags: The tag files.
    """

    def __init__(self, bag: Path, *, workers: int | None = None, progress: Progress | None = None) -> None:
        self._walked = walked = BagWalk(bag)
        self.tags = walked.tags
        expected = told_size(walked.tags.get("bag-info.txt")).size_bytes
        self._digesting = Digesting(
            walked.root, walked.groups, workers=workers, progress=progress, expected_bytes=expected
        )

    def __enter__(self) -> Self:
        with ExitStack() as opened:
            opened.enter_context(self._digesting)
            for group, files in self._walked.files():
                self._digesting.add(files, group)
            self._digesting.named_all()
            self._opened = opened.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._opened.close()

    def observation(self) -> Observation:
        """What was seen, once every file is digested.

        Raises:
            ResourceError: A worker was ended before its work.
        """
        return self._walked.observation(self._digesting.results())


class ToldSize(NamedTuple):
    """What `Payload-Oxum` says there is to read; judged elsewhere, here only to share out the work."""

    size_bytes: int = 0
    files: int = 0


def told_size(info: bytes | None) -> ToldSize:
    """What a bag says of its size.

    Args:
        info: Its `bag-info.txt`, where it has one.
    """
    match = _OXUM.search(info or b"")
    return ToldSize(int(match[1]), int(match[2])) if match else ToldSize()


def told_size_of(bag: str) -> ToldSize:
    """The same of a bag's folder; nothing where it says nothing, or is no folder."""
    try:
        return told_size(_read_tag(os.path.join(bag, "bag-info.txt"))[0])
    except OSError:
        return ToldSize()


def _read_tags(
    root: str, files: list[str], oddities: list[tuple[str, str]]
) -> tuple[dict[str, bytes], dict[str, int]]:
    """The tag files among the files of the base, and how many names each has on its file system."""
    tags: dict[str, bytes] = {}
    links: dict[str, int] = {}
    for path in filter(is_tag_name, sorted(files)):
        try:
            raw, names = _read_tag(os.path.join(root, path))
        except OSError as error:
            oddities.append((path, f"it cannot be read: {error.strerror}"))
            continue
        if len(raw) > MOST_TAG_BYTES:
            oddities.append((path, f"it holds more than {MOST_TAG_BYTES} bytes, too many for a tag file"))
            continue
        tags[path], links[path] = raw, names
    return tags, links


def _read_tag(path: str) -> tuple[bytes, int]:
    with os.fdopen(os.open(path, digest_worker.FLAGS), "rb") as stream:
        status = os.fstat(stream.fileno())
        # As much as it says it holds, and a little: asked for more, the reader takes memory for all of it at
        # once.
        raw = stream.read(min(status.st_size, MOST_TAG_BYTES) + 1)
        while len(raw) <= MOST_TAG_BYTES and (more := stream.read(digest_worker.CHUNK_BYTES)):
            raw += more
        return raw, status.st_nlink

"""What the common BagIt library says of a bag: the second judge, written by others from the same RFC."""

from __future__ import annotations

import logging
import os
import sys
import warnings
from collections.abc import Callable, Collection, Iterator
from functools import cache
from itertools import chain, islice
from pathlib import Path
from typing import Any

from pipeline.edges.bags import second_worker
from pipeline.edges.bags.packed_hashes import PackedEntries, SpelledOtherwise
from pipeline.edges.bags.second_worker import Share, complaints_of
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.worker_pool import Answered, Tasks, WorkerPool, cores, program

_MANY_FILES, _SHARE_FILES = 4000, 200
"""From so many files on a second process pays, which is handed so many at a time."""
_NONE: frozenset[str] = frozenset()
_PAYLOAD = f"data{os.sep}"
"""How the library spells the beginning of a payload file's path."""


@cache
def second_judge() -> Any:
    """The library's own class, which asks many things once and not for each file, and holds less of it.

    It resolves every component of every path of both manifests, and that takes longer than all of its
    hashing. The answer for a file that is no link is its folder's; whatever else there is goes the whole way.
    It walks the payload once for its size and once for its names; here both see the same walk.
    """
    import bagit

    class Judge(bagit.Bag):  # type: ignore[misc] # the library has no types
        def __init__(self, path: str) -> None:
            self._links: dict[str, frozenset[str]] = {}
            self._payload: list[str] | None = None
            super().__init__(path)

        @property
        def entries(self) -> PackedEntries:
            return self._entries

        @entries.setter
        def entries(self, none: dict[str, object]) -> None:
            if none:
                raise ValueError("entries come one by one")
            self._entries = PackedEntries()

        @property
        def normalized_filesystem_names(self) -> SpelledOtherwise:
            return self._on_disk

        @normalized_filesystem_names.setter
        def normalized_filesystem_names(self, names: dict[str, str]) -> None:
            self._on_disk = SpelledOtherwise()
            self._on_disk.update(names.items())

        @property
        def normalized_manifest_names(self) -> SpelledOtherwise:
            return self._in_manifests

        @normalized_manifest_names.setter
        def normalized_manifest_names(self, names: dict[str, str]) -> None:
            self._in_manifests = SpelledOtherwise()
            self._in_manifests.update(names.items())

        def payload_files(self) -> Iterator[str]:
            if self._payload is None:
                self._payload = [*map(self._entries.own, super().payload_files())]
            return iter(self._payload)

        def _path_is_dangerous(self, path: str) -> bool:
            if path in self._entries:
                return False  # a manifest before this one has it, and it was asked about then
            folder, name = os.path.split(path)
            if not folder or not name or ".." in path:
                return bool(super()._path_is_dangerous(path))
            if folder not in self._links:
                if self._path_is_dangerous(folder):
                    return True
                self._links[folder] = _links_in(os.path.join(self.path, folder))  # noqa: PTH118
            return name in self._links[folder] and bool(super()._path_is_dangerous(path))

        def _validate_entries(self, processes: int) -> None:
            if len(self.entries) < _MANY_FILES or cores() < 2:
                super()._validate_entries(processes)
            elif found := complaints_by_two(shares_of(self)):
                raise bagit.BagValidationError("hashes that do not hold", found)

    return Judge


def _links_in(folder: str) -> frozenset[str]:
    """Names of the links in a folder; none where there is no such folder, since nothing in it leads out."""
    try:
        with os.scandir(folder) as entries:
            # A set of none takes as much as three paths, and nearly every folder is without links.
            return frozenset(entry.name for entry in entries if entry.is_symlink()) or _NONE
    except OSError:
        return _NONE


def shares_of(bag: Any, files: int = _SHARE_FILES) -> Iterator[Share]:
    """The entries of a bag's manifests, some at a time.

    Args:
        bag: The library's, its manifests read.
        files: How many at a time.
    """
    # Tag files first, which are few and may be large: at the end one process would be left alone with them.
    tags = (path for path in bag.entries if not path.startswith(_PAYLOAD))
    payload = (path for path in bag.entries if path.startswith(_PAYLOAD))
    every = ((path, bag.entries[path]) for path in chain(tags, payload))
    names = bag.normalized_filesystem_names
    while some := {path: hashes.texts() for path, hashes in islice(every, files)}:
        spelled = {path: names[path] for path in some if names.get(path, path) != path}
        yield Share(bag.path, some, spelled, bag.algorithms)


class _Shares(Tasks[Share]):
    """Shares that are made as they are taken: each holds the texts of its hashes."""

    def __init__(self, shares: Iterator[Share]) -> None:
        super().__init__()
        self._shares = shares

    def next_for(self, mine: Collection[Share]) -> Share | None:  # noqa: ARG002 - they are all alike
        """The next one; the lock is held."""
        share = next(self._shares, None)
        self._unanswered += share is not None
        self._all_named = share is None
        return share


def complaints_by_two(shares: Iterator[Share]) -> list[str]:
    """What is wrong with some shares: they are looked at here and in one more process.

    Args:
        shares: Each is looked at once, in whichever of the two is free.

    Raises:
        ResourceError: That process was ended from outside.
    """
    tasks, found = _Shares(shares), []
    command = program(second_worker.__file__, *sys.path, flags=("-P",))
    pool = WorkerPool(tasks, command, tuple, where="the second judge")
    try:
        pool.start(1)
        while (mine := tasks.take_now()) is not None or pool.running:
            if mine is not None:
                found += complaints_of(mine)
                tasks.answered(mine, None)
            while pool.running and (mine is None or pool.has_told()):
                told = pool.next()
                found += told.answer if isinstance(told, Answered) else []
    finally:
        pool.close()
    return found


class SecondOpinion:
    """Everything the `bagit` library finds wrong with a bag; names first, hashes when they are asked for.

    It also crashes on some malformed bags (facts: an Oxum without a dot, a manifest that is no UTF-8, a blank
    line in fetch.txt …); a crash of its counts as one thing wrong, because it would be one for anybody else.

    Args:
        bag: The bag's folder.

    Raises:
        StorageError: The folder cannot be read.
    """

    def __init__(self, bag: Path) -> None:
        with storage_trouble(bag):
            next(bag.iterdir(), None)
        self._judge: Any = None
        self._of_names = _complaints(lambda: self._look(bag))

    def complaints(self) -> list[str]:
        """What it complains of, sorted; empty where it finds the bag valid. Files are hashed only now."""
        # As the library's own `validate`, which hashes nothing of a bag whose files are not all there.
        return self._of_names or _complaints(lambda: self._judge._validate_entries(1))  # noqa: SLF001

    def _look(self, bag: Path) -> None:
        self._judge = second_judge()(str(bag))
        self._judge.validate(completeness_only=True)


def second_opinion(bag: Path) -> list[str]:
    """Everything the `bagit` library finds wrong with a bag: see `SecondOpinion`.

    Raises:
        StorageError: The folder cannot be read.
    """
    return SecondOpinion(bag).complaints()


def _complaints(of: Callable[[], None]) -> list[str]:
    """What the library complains of while it does something, sorted."""
    import bagit

    log = logging.getLogger("bagit")
    level, log.level = log.level, logging.CRITICAL + 1
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            of()
    except bagit.BagValidationError as error:
        return sorted({str(detail) for detail in error.details} or {str(error)})
    except bagit.BagError as error:
        return [str(error)]
    except (ValueError, LookupError, TypeError, AttributeError, OSError) as error:
        return [f"it cannot read the bag: {type(error).__name__}: {error}"]
    finally:
        log.level = level
    return []

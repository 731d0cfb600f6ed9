"""A mended bag is built beside the damaged one and takes its place in one step; what was damaged is kept.

1. `.NAME.staging-XXXXXXXX/` holds the new bag: what was good is there under a second name (or copied, where
   the file system knows no second names), what was damaged comes from the copies and is digested again on the
   way.
2. The caller judges the new bag. If it is not whole and of the planned receipt, nothing was touched.
3. What was damaged or nobody's gets a second name in `NAME.damaged-N/`.
4. The new bag and the old one change places, in one step of the kernel where it knows one. A bag that is not
   the one that was looked at keeps its place.
5. What came into the old bag after it was looked at is kept in `NAME.damaged-N/` too.
6. The record gets its name `NAME.mend-N.json`; the staging folder, with the old bag in it, goes.

Killed before step 4 the damaged bag is as it was; after it the bag is whole. Killed within it, where it takes
more than one step, the next run puts the whole bag in place (`staging.put_back`).
"""
# ruff: noqa: PTH118 - paths stay text where there is one for each of a hundred thousand files

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.bags.parse_tag_files import unsafe_path
from pipeline.edges import open_flags
from pipeline.edges.bags.archive import archive_members
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.flush import sync_folder
from pipeline.edges.names import rename_new
from pipeline.edges.same_files import missing
from pipeline.edges.staging import Staging
from pipeline.errors import DestinationError, MendError, StorageError, UnsafeError

_CHUNK_BYTES = 1 << 20


class Swapped(NamedTuple):
    """What lies where after a mend.

    Attributes:
        damaged: The folder that keeps what was damaged, or None where nothing was (files were only missing).
        record: The file that tells of the mend.
    """

    damaged: Path | None
    record: Path


def carry_out(
    bag: Path,
    copies: Sequence[Path],
    take: Mapping[str, int],
    set_aside: Sequence[str],
    record: Mapping[str, Any],  # written as it comes, and never read here
    approve: Callable[[Path], None],
    looked_at: str,
) -> Swapped:
    """Build the whole bag beside the damaged one and let them change places.

    Args:
        bag: The damaged bag's folder.
        copies: Folders or archives.
        take: For every path of the whole bag the place it comes from: 0 the bag, 1 the first copy …
        set_aside: Paths in the damaged bag that are to be kept beside it.
        record: What the record file tells.
        approve: Judges the new bag; raises where it is not what was planned.
        looked_at: The `identity` of the damaged bag's folder as it was observed; another one is never
            replaced.

    Returns:
        What lies where.

    Raises:
        MendError: The bag or a copy changed meanwhile, or the new bag was not approved; nothing was touched.
        StorageError: The disk refused; the damaged bag is as it was, or whole and the old one kept in
            staging.
        UnsafeError: A path leads out, or what is to be read is not a regular file.
    """
    for path in (*take, *set_aside):
        if why := unsafe_path(path):
            raise UnsafeError(
                where=repr(path), problem=f"is not a path in a bag: {why}", remedy="Nothing was touched"
            )
    number = _free_number(bag)
    aside = bag.with_name(f"{bag.name}.damaged-{number}")
    record_path = bag.with_name(f"{bag.name}.mend-{number}.json")
    with Staging(bag, replacing=True) as staging:
        _build(bag, copies, take, staging.path)
        approve(staging.path)
        kept = _keep(bag, set_aside, staging.outer / aside.name)
        waiting = staging.outer / record_path.name
        _note(waiting, record, aside.name if kept else None)
        if kept:
            with storage_trouble(aside):
                rename_new(staging.outer / aside.name, aside)
        old = _swapped(staging, looked_at, aside if kept else None)
        try:
            late = _keep_what_came_late(old, bag, aside)
            if late and not kept:
                _note(waiting, record, aside.name)
            with storage_trouble(record_path):
                rename_new(waiting, record_path)
        except BaseException:
            # The bag is whole by now; its record must not go with the staging folder.
            staging.keep()
            raise
        with storage_trouble(bag.parent):
            sync_folder(bag.parent)
        staging.settle()
    return Swapped(aside if kept or late else None, record_path)


def _note(path: Path, record: Mapping[str, object], damaged: str | None) -> None:
    with storage_trouble(path):
        text = json.dumps({**record, "damaged": damaged}, indent=2, ensure_ascii=True) + "\n"
        path.write_text(text, encoding="utf-8")


def _swapped(staging: Staging, looked_at: str, aside: Path | None) -> Path:
    """The repaired bag in the old one's place; where that is refused, the damaged files are staged again."""
    try:
        return staging.exchange(looked_at)
    except (MendError, StorageError):
        if aside is not None:
            with contextlib.suppress(OSError, DestinationError):
                rename_new(aside, staging.outer / aside.name)
        raise


def _keep_what_came_late(old: Path, bag: Path, aside: Path) -> bool:
    """Keep whatever the old bag holds that neither the new one nor the folder of damaged files has.

    Somebody may have written into the damaged bag since it was looked at; nobody has judged that, so it
    stays.
    """
    with storage_trouble(old):
        late = list(missing(old, [bag, aside]))
        if late:
            aside.mkdir(exist_ok=True)
    for path in late:
        with storage_trouble(aside / path):
            _make_folders(os.path.dirname(os.path.join(aside, path)))  # noqa: PTH120 - see the head of this file
            target = _free_name(aside / path)
            rename_new(old / path, target)
    return bool(late)


def _free_name(path: Path) -> Path:
    number = 1
    free = path
    while os.path.lexists(free):
        number += 1
        free = path.with_name(f"{path.name}.{number}")
    return free


def _free_number(bag: Path) -> int:
    number = 1
    while any(
        os.path.lexists(bag.with_name(f"{bag.name}.{what}"))
        for what in (f"damaged-{number}", f"mend-{number}.json")
    ):
        number += 1
    return number


def _build(bag: Path, copies: Sequence[Path], take: Mapping[str, int], target: Path) -> None:
    for place, source in enumerate([bag, *copies]):
        wanted = sorted(path for path, where in take.items() if where == place)
        if not wanted:
            continue
        if source.is_dir():
            for path in wanted:
                _second_name_or_copy(source, path, target, linking=place == 0)
        else:
            _from_archive(source, wanted, target)


def _second_name_or_copy(source: Path, path: str, target: Path, *, linking: bool) -> None:
    """Files of the bag itself need no copy: they get a second name. Those of a copy stay its own."""
    old, new = os.path.join(source, path), os.path.join(target, path)
    with storage_trouble(new):
        _make_folders(os.path.dirname(new))  # noqa: PTH120 - see the head of this file
        if linking and _linked(old, new):
            return
    with storage_trouble(old):
        handle = os.open(old, open_flags.READ)
    with os.fdopen(handle, "rb") as stream:
        _written(iter(lambda: stream.read(_CHUNK_BYTES), b""), new)


def _make_folders(folder: str) -> None:
    """`os.makedirs` without its recursion, which gives up where folders are nested a thousand deep."""
    missing = []
    while not os.path.isdir(folder):  # noqa: PTH112 - see the head of this file
        missing.append(folder)
        folder = os.path.dirname(folder)  # noqa: PTH120 - see the head of this file
    for each in reversed(missing):
        os.mkdir(each)  # noqa: PTH102 - see the head of this file


def _linked(old: str, new: str) -> bool:
    try:
        os.link(old, new, follow_symlinks=False)
    except (OSError, NotImplementedError):
        return False
    return True


def _written(chunks: Any, new: str) -> None:
    with storage_trouble(new), os.fdopen(os.open(new, open_flags.NEW, 0o666), "wb") as stream:
        for chunk in chunks:
            stream.write(chunk)


def _from_archive(archive: Path, wanted: Sequence[str], target: Path) -> None:
    waiting = set(wanted)
    for path, chunks in archive_members(archive, waiting):
        new = os.path.join(target, path)
        with storage_trouble(new):
            _make_folders(os.path.dirname(new))  # noqa: PTH120 - see the head of this file
        _written(chunks, new)
        waiting.discard(path)
    if waiting:
        raise MendError(
            where=str(archive), problem="changed meanwhile", remedy="Nothing was touched; run it again"
        )


def _keep(bag: Path, set_aside: Sequence[str], folder: Path) -> bool:
    """Give what was damaged a second name in a folder.

    Links are kept as links, pipes and devices told only.
    """
    kept = False
    for path in set_aside:
        old, new = os.path.join(bag, path), os.path.join(folder, path)
        if not os.path.lexists(old):
            continue
        with storage_trouble(new):
            _make_folders(os.path.dirname(new))  # noqa: PTH120 - see the head of this file
            if not _linked(old, new):
                if os.path.islink(old):  # noqa: PTH114 - see the head of this file
                    os.symlink(os.readlink(old), new)  # noqa: PTH115, PTH211 - see the head of this file
                elif os.path.isfile(old):  # noqa: PTH113 - see the head of this file
                    shutil.copyfile(old, new)
                else:
                    continue
        kept = True
    return kept

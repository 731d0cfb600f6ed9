"""An index brought up to date: only bags whose tag manifests have changed are read again."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.edges.holdings_index import HoldingsIndex
from pipeline.errors import WellreadError
from pipeline.holdings.rows import BagRow, ChipRow, trouble_row
from pipeline.run.holdings.shelf_bag import bag_rows, fingerprint
from pipeline.run.keep.places import search
from pipeline.run.many import each_one

AT_ONCE = 64
"""Bags put into the index in one transaction: each costs a flush of the disk. Chosen by us, no source."""
MOST_TOGETHER, PIECES = 16, 32
"""Bags handed to a worker of a cluster together at most, and pieces that there are at least. Chosen by us, no
source."""

Rows = tuple[BagRow, list[ChipRow]]
ReadRows = Callable[[Sequence[tuple[str, str]]], Iterable[Rows]]
"""Reads bags, each given by its path and fingerprint, in their order."""
TellDone = Callable[[int, int], None]


class Updated(NamedTuple):
    """What bringing an index up to date did.

    Attributes:
        bags: How many lie on the shelves.
        read: How many were read, since they are new or changed.
        gone: How many were forgotten, since they are there no more.
    """

    bags: int
    read: int
    gone: int


def update(
    index: HoldingsIndex,
    shelves: Sequence[Path],
    tell: TellDone | None = None,
    read_rows: ReadRows | None = None,
) -> Updated:
    """Bring an index up to date with some shelves; what it knows of others stays.

    Args:
        index: Open.
        shelves: Bags, archives that hold one, or folders to be searched.
        tell: Told how many of how many are read.
        read_rows: Who reads the bags, where it is not this process.

    Raises:
        HoldingsError: The index cannot be written.
    """
    searched = search(shelves, set())
    found = list(searched.bags)
    known = index.known()
    roots = [os.path.realpath(shelf) for shelf in shelves]
    unmet = (path for path in known.keys() - searched.bags.keys() if _below_any(path, roots))
    # Of a folder that cannot be searched nobody knows whether its bags are gone.
    gone = [path for path in unmet if not _below_any(path, searched.unsearched)]
    changed = [(path, seen) for path, seen in _fingerprints(found) if known.get(path) != seen]
    if gone:
        index.replace((), gone)
    done = 0
    for some in _batched((read_rows or _rows)(changed)):
        index.replace(some)
        done += len(some)
        if tell is not None:
            tell(done, len(changed))
    return Updated(len(found), len(changed), len(gone))


def _below_any(path: str, roots: Iterable[str]) -> bool:
    return any(path == root or path.startswith(root.rstrip(os.sep) + os.sep) for root in roots)


def _fingerprints(found: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Each bag with its fingerprint; one that has none, with why."""
    for path, seen in each_one(map(Path, found), fingerprint):
        yield str(path), seen if isinstance(seen, str) else f"trouble: {seen}"


def _rows(changed: Iterable[tuple[str, str]]) -> Iterator[Rows]:
    fingerprints = dict(changed)
    for path, rows in each_one(map(Path, fingerprints), lambda one: _of_bag(one, fingerprints[str(one)])):
        if isinstance(rows, WellreadError):
            yield trouble_row(str(path), fingerprints[str(path)], f"{rows.problem}. {rows.remedy}"), []
        else:
            yield rows


def rows_batch(shared: None, changed: Sequence[tuple[str, str]]) -> list[Rows]:
    """What another computer does of an update."""
    del shared
    return list(_rows(changed))


def rows_given_up(changed: tuple[str, str]) -> Rows:
    """A bag at which several workers ended, one after the other."""
    return trouble_row(*changed, "three workers ended while reading it"), []


def _of_bag(path: Path, seen: str) -> Rows:
    if seen.startswith("trouble: "):
        return trouble_row(str(path), seen, seen.removeprefix("trouble: ")), []
    return bag_rows(path, seen)


def _batched(rows: Iterable[Rows]) -> Iterator[list[Rows]]:
    batch: list[Rows] = []
    for one in rows:
        batch.append(one)
        if len(batch) == AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch


def with_checks(index: HoldingsIndex, ledger: Path) -> None:
    """Put each bag's last check into the index.

    Raises:
        LedgerError: The ledger is not whole.
        StorageError: It is not there.
    """
    from pipeline.edges.ledger import Ledger
    from pipeline.run.keep.recheck import whole_ledger

    with Ledger(ledger) as book:
        whole_ledger(book)
        latest = book.latest()
    index.checked(
        {path: (str(row.get("when", "")), str(row.get("outcome", ""))) for path, row in latest.items()}
    )

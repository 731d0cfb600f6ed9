"""`recheck`, `ledger` and `mend` as their commands need them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, cast

from pipeline.edges.clock import now
from pipeline.edges.console import caution_once
from pipeline.edges.progress import DoneByWorkers, Progress
from pipeline.result import Result
from pipeline.run.keep.recheck import recheck_bags
from pipeline.views.checks import ledger_shown, mended, rechecked

if TYPE_CHECKING:
    from pipeline.edges.cluster import Cluster
    from pipeline.run.keep.recheck import CheckEach, Checked
    from schemas.answers import (
        LedgerAnswer,
        LedgerLine,
        MendAnswer,
        RecheckAnswer,
        ReplayedImages,
    )


def recheck(
    bags: Sequence[Path],
    *,
    ledger: Path | None,
    due_days: float | None,
    expect_head: str,
    quiet: bool,
    new_ledger: bool = False,
    replay: bool = False,
    scheduler: str | None = None,
) -> Result[RecheckAnswer]:
    """What `recheck` says.

    Raises:
        ClusterError: The scheduler cannot be reached, or none of its workers may do this.
        NothingToDoError: There is no bag.
        LedgerError: The ledger is not whole, or not the one expected.
        StorageError: The disk refused.
    """
    progress = Progress(quiet=quiet)
    with ExitStack() as opened:
        cluster = None if scheduler is None else opened.enter_context(_cluster(scheduler, bags))
        if cluster is not None:
            cluster.members.first()
        done = recheck_bags(
            bags,
            now=now(),
            ledger=ledger,
            due_days=due_days,
            expect_head=expect_head,
            new_ledger=new_ledger,
            progress=lambda path, read, of: progress.show(
                f"{Path(path).name}: files hashed", read, of, size=True
            ),
            check_each=_checks_of(cluster, progress),
        )
        progress.done()
        checked: Iterable[Checked] = done.bags
        if replay:
            checked = (
                _replayed_by(cluster, done.bags, progress)
                if cluster
                else (_replayed(bag, progress) for bag in checked)
            )
        checked = list(checked)
    document: RecheckAnswer = {
        "schema": "wellread/recheck/1",
        "command": "recheck",
        "bags": [bag.document() for bag in checked],
        "ledger": str(ledger) if ledger else None,
        "head": done.head,
        "cautions": list(done.cautions),
    }
    return Result(document, rechecked(document))


def _cluster(address: str, places: Sequence[Path]) -> Cluster:
    from pipeline.edges.cluster import Cluster

    return Cluster(address, places, caution_once)


def _checks_of(cluster: Cluster | None, progress: Progress) -> CheckEach | None:
    """Bags checked by the workers of a cluster, in order."""
    if cluster is None:
        return None
    from pipeline.run.keep.on_cluster import checked_by

    return lambda some: checked_by(cluster, some, progress)


def _replayed_by(cluster: Cluster, bags: Sequence[Checked], progress: Progress) -> Iterator[Checked]:
    """Images of bags rebuilt by the workers of a cluster."""
    told = DoneByWorkers(progress, len(bags), "bags replayed")
    return cluster.each(
        replay_batch, None, bags, places=lambda bag: [bag.path], lost=_not_replayed, tell=told
    )


def replay_batch(shared: None, bags: Sequence[Checked]) -> list[Checked]:
    """What another computer does of `--replay`."""
    del shared
    return [_replayed(bag, Progress(quiet=True)) for bag in bags]


def _not_replayed(bag: Checked) -> Checked:
    from pipeline.bags.observed import Trouble

    trouble = Trouble("", "malformed", "it cannot be replayed: three workers ended while replaying it")
    return bag._replace(outcome="invalid", valid=False, problems=(*bag.problems, trouble))


def _replayed(bag: Checked, progress: Progress) -> Checked:
    """A bag that is valid, its images rebuilt as well; one that is not says enough already."""
    if not bag.valid:
        return bag
    from pipeline.bags.observed import Trouble
    from pipeline.errors import WellreadError
    from pipeline.run.keep.replay import replay_bag

    try:
        made = replay_bag(Path(bag.path), progress)
    except WellreadError as error:
        trouble = Trouble("", "malformed", f"it cannot be replayed: {error}")
        return bag._replace(outcome="invalid", valid=False, problems=(*bag.problems, trouble))
    counts: ReplayedImages = {"images": made.images, "passes": made.passes, "away": made.away}
    if not made.problems:
        return bag._replace(replayed=counts)
    problems = (*bag.problems, *made.problems)
    return bag._replace(outcome="invalid", valid=False, problems=problems, replayed=counts)


def show_ledger(
    path: Path,
    *,
    verify: bool,
    expect_head: str,
    csv: Path | None,
    premis: Path | None,
    accept: Path | None = None,
    because: str = "",
) -> Result[LedgerAnswer]:
    """What `ledger` says; exports are written as new files, an acceptance is added first.

    Raises:
        BagError: The bag to be accepted is not valid by itself.
        LedgerError: It is no ledger, or, asked to verify, to accept or to export, it is not whole or not the
            one expected; nothing is written then.
        DestinationError, StorageError: An export cannot be written.
    """
    from pipeline.edges.ledger import Ledger
    from pipeline.edges.new_file import write_new
    from pipeline.errors import LedgerError
    from pipeline.views.fixity import history_csv, history_premis

    if accept is not None:
        from pipeline.run.keep.accept import accept_bag

        accept_bag(accept, now=now(), ledger=path, because=because, expect_head=expect_head)
    with Ledger(path) as book:
        wholeness = book.wholeness(expect_head=expect_head)
        rows = list(book.rows())
    if (verify or expect_head or csv or premis) and wholeness.problems:
        # What is exported says nothing any more of a ledger that is not whole.
        raise LedgerError(
            where=str(path),
            problem="; ".join(wholeness.problems[:5]),
            remedy="Keep this file as it is, and go on with a copy whose head is known",
        )
    told = [(row.number, row.digest, row.body) for row in rows]
    written = []
    for target, lines in ((csv, history_csv), (premis, history_premis)):
        if target is not None:
            write_new(target, "".join(lines(told)).encode("utf-8"))
            written.append(str(target))
    document: LedgerAnswer = {
        "schema": "wellread/ledger/1",
        "command": "ledger",
        "ledger": str(path),
        "head": wholeness.head,
        "whole": not wholeness.problems,
        "problems": list(wholeness.problems),
        "cautions": list(wholeness.cautions),
        "rows": [
            cast("LedgerLine", {"number": row.number, "digest": row.digest, **row.body}) for row in rows
        ],
        "written": written,
    }
    return Result(document, ledger_shown(document))


def mend(bag: Path, copies: Sequence[Path], *, ledger: Path | None, receipt: str) -> Result[MendAnswer]:
    """What `mend` says.

    Raises:
        MendError: No copy can prove itself; nothing was touched.
        BagError, LedgerError, StorageError: As mending says.
    """
    from pipeline.run.keep.mend import mend_bag

    document = mend_bag(bag, copies, now=now(), ledger=ledger, receipt=receipt).document()
    return Result(document, mended(document))

"""The years after packaging, joined: find bags, watch them, judge them, remember them.

Like everything in `run`, this knows both the stages and the edges. It imports nothing heavy, because a check
of ten thousand files takes a third of a second.
"""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline import __version__
from pipeline.bags.history import became_link, body_of_check, compare, is_due, vanished
from pipeline.bags.observed import Kind, Trouble, Verdict
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.disk_errors import absent
from pipeline.edges.new_file import need_folder
from pipeline.errors import LedgerError, NothingToDoError, WellreadError
from pipeline.run.keep.places import Memory, look_up, search

if TYPE_CHECKING:
    from pipeline.bags.history import Body
    from pipeline.edges.clock import Now
    from pipeline.edges.ledger import Ledger
    from schemas.answers import BagOutcome, RecheckedBag, ReplayedImages
    from schemas.ledger import LedgerProblem, RowFacts

TOOL = f"wellread {__version__}"

BagProgress = Callable[[str, int, int], None]
"""Told a bag's path, the bytes done and the bytes in all."""
CheckEach = Callable[[Iterable[str]], "Iterator[Checked]"]
"""Checks the bags at some paths, each by itself, and gives what became of them in their order."""


class Checked(NamedTuple):
    """What became of one bag.

    Attributes:
        path: Where it lies.
        outcome: `valid`, `invalid`, `missing` (known to the ledger, not there), `unreadable`, or `not due`.
        complete: Every required element is there.
        valid: Every digest agrees, and the receipt is the one remembered.
        problems: Every difference, those of the memory last.
        note: For a person, such as `first seen` or `moved from …`.
        verdict: What the judge said, where it was asked.
        replayed: What rebuilding its images gave, where that was asked.
    """

    path: str
    outcome: BagOutcome
    complete: bool
    valid: bool
    problems: tuple[Trouble, ...]
    note: str = ""
    verdict: Verdict | None = None
    replayed: ReplayedImages | None = None

    def document(self) -> RecheckedBag:
        """The bag's part of the `recheck --json` document."""
        told: RecheckedBag = {
            "path": self.path,
            "outcome": self.outcome,
            "complete": self.complete,
            "valid": self.valid,
            "problems": [
                {"path": each.path, "kind": each.kind, "severity": each.severity, "means": each.means}
                for each in self.problems
            ],
            "note": self.note,
            "receipt": self.verdict.receipt if self.verdict else "",
            "files": self.verdict.files if self.verdict else 0,
            "size_bytes": self.verdict.size_bytes if self.verdict else 0,
            "algorithms": list(self.verdict.algorithms) if self.verdict else [],
        }
        if self.replayed is not None:
            told["replayed"] = self.replayed
        return told


class Rechecked(NamedTuple):
    """What became of all bags of a run.

    Attributes:
        bags: In the order found; those that vanished last.
        head: The ledger's head after the run, to be kept elsewhere; "" without a ledger.
        cautions: What is odd about the ledger.
    """

    bags: tuple[Checked, ...]
    head: str = ""
    cautions: tuple[str, ...] = ()


def recheck_bag(
    bag: Path, *, workers: int | None = None, progress: Callable[[int, int], None] | None = None
) -> Verdict:
    """Watch one bag and judge it.

    Args:
        bag: Its folder, or an archive that holds it.
        workers: How many processes digest beside this one; by default one a further core where it pays.
        progress: Told the bytes as they go by.

    Raises:
        BagError, UnsafeError, StorageError: As `observe` does.
    """
    # No value here is part of a cycle, and to look for cycles among a hundred thousand of them takes a tenth
    # of the time.
    collecting = gc.isenabled()
    gc.disable()
    try:
        return judge(observe(bag, workers=workers, progress=progress))
    finally:
        if collecting:
            gc.enable()


def recheck_bags(
    paths: Sequence[Path],
    *,
    now: Now,
    ledger: Path | None = None,
    due_days: float | None = None,
    expect_head: str = "",
    new_ledger: bool = False,
    workers: int | None = None,
    progress: BagProgress | None = None,
    check_each: CheckEach | None = None,
) -> Rechecked:
    """Check bags, and the memory of them.

    1. The ledger is whole, or nothing is checked against it.
    2. Folders are searched for bags; the ledger knows of more below them.
    3. Each bag that is due is watched, judged, compared with what is remembered; its row is on the disk a
       moment later, whatever is checked then, so that a run that is interrupted has remembered what it did.
    4. Bags that the ledger knows and that were neither there nor met elsewhere are told missing.

    Args:
        paths: Bags, archives that hold one, or folders to be searched.
        now: The time of the run.
        ledger: The ledger's file.
        due_days: Check only what was not found valid within so many days.
        expect_head: A head that an earlier run printed.
        new_ledger: Begin the ledger where there is none. A missing one is refused otherwise: it may lie on a
            disk that is not mounted.
        workers: How many processes digest beside this one.
        progress: Told the bytes of each bag.
        check_each: Who checks them, where it is not this process; `workers` and `progress` are then its
            business.

    Returns:
        What became of each.

    Raises:
        NothingToDoError: There is no bag: checking nothing is never a pass.
        LedgerError: The ledger is not whole or not the one expected.
        StorageError: The disk refused the ledger.
    """
    check_each = check_each or (lambda some: (_checked(path, workers, progress) for path in some))
    if ledger is None:
        return Rechecked(tuple(check_each(_some(find_bags(paths), paths))))
    from pipeline.edges.ledger import Ledger
    from pipeline.edges.ledger_writer import LedgerWriter

    gone = not ledger.exists() or (ledger.is_file() and not ledger.stat().st_size)
    if gone and (expect_head or not new_ledger):
        begun = "say --new-ledger, without a head to expect" if expect_head else "say --new-ledger"
        remedy = f"Look for it where it was kept (is its disk mounted?); to begin a new one, {begun}"
        if not ledger.exists():
            raise absent(ledger, "ledger", remedy)
        raise LedgerError(where=str(ledger), problem="is empty", remedy=remedy)
    need_folder(ledger)
    stamp = {"when": now.text, "clock_fixed": now.fixed, "tool": TOOL}
    with Ledger(ledger, {"kind": "opened", **stamp}) as book:
        cautions = whole_ledger(book, expect_head)
        known = book.latest()
        places = look_up(paths, known)
        if not places.below:
            _some(list(places.found), paths)
        links = {
            path: became_link(given, path, known) if given in known else None
            for path, given in places.found.items()
        }
        resting = {} if due_days is None else _resting(links, known, now, due_days)
        each = iter(check_each([path for path in links if path not in resting]))
        result: list[Checked] = []
        with LedgerWriter(book) as rows:
            for path, given in places.found.items():
                if path in resting:
                    result.append(resting[path])
                    continue
                checked, body = _remembered(next(each), known, places.present, links[path])
                if path not in places.unsearched:  # that is no bag, and none that is to be missed later
                    rows.add({**body, **({"given": given} if given != path else {}), **stamp})
                result.append(checked)
            receipts = {each.verdict.receipt for each in result if each.verdict and each.valid}
            for path in vanished(places.below, places.present, receipts):
                unmet = _unseen(path) if places.may_hold(path) else _missing(path, known[path])
                receipt = known[path].get("receipt", "")
                rows.add(
                    {"kind": "check", "bag": path, "outcome": unmet.outcome, "receipt": receipt, **stamp}
                )
                result.append(unmet)
        return Rechecked(tuple(result), book.head, cautions)


def whole_ledger(book: Ledger, expect_head: str = "") -> tuple[str, ...]:
    """Make sure of a ledger before anything is held against it.

    Returns:
        What is odd about it but explains itself.

    Raises:
        LedgerError: It is not whole, or its end was cut off.
        StorageError: The disk refused.
    """
    wholeness = book.wholeness(expect_head=expect_head)
    if wholeness.problems:
        more = f" (and {len(wholeness.problems) - 1} more)" if len(wholeness.problems) > 1 else ""
        raise LedgerError(
            where=str(book.path),
            problem=f"is not whole: {wholeness.problems[0]}{more}",
            remedy="Nothing was checked against it; take the copy of it that you keep elsewhere",
        )
    return wholeness.cautions


def _some(found: list[str], paths: Iterable[Path]) -> list[str]:
    if not found:
        raise NothingToDoError(
            where=", ".join(str(path) for path in paths) or "recheck",
            problem="there is no bag: checking nothing is never a pass",
            remedy="Give the path of a bag, or of a folder that holds some",
        )
    return found


_UNREAD: Mapping[int, Kind] = {16: "missing", 27: "unsafe"}
"""What a bag is that could not be read, by the code of the error that says so."""


def _checked(path: str, workers: int | None, progress: BagProgress | None) -> Checked:
    told = None if progress is None else lambda done, total: progress(path, done, total)
    return checked_as(path, lambda: recheck_bag(Path(path), workers=workers, progress=told))


def checked_as(path: str, judged: Callable[[], Verdict]) -> Checked:
    """What a check says of one bag by itself.

    Args:
        path: Of the bag.
        judged: Watches and judges it.
    """
    try:
        verdict = judged()
    except WellreadError as error:
        # One bag that cannot be read must not keep the others from being checked.
        trouble = Trouble("", _UNREAD.get(error.exit_code, "malformed"), str(error))
        return Checked(path, "unreadable", complete=False, valid=False, problems=(trouble,))
    outcome: BagOutcome = "valid" if verdict.valid else "invalid"
    return Checked(path, outcome, verdict.complete, verdict.valid, verdict.problems, verdict=verdict)


def _remembered(
    checked: Checked, known: Memory, present: Collection[str], link: Trouble | None
) -> tuple[Checked, RowFacts]:
    """What a check says once the ledger has been heard, and the ledger's row for it.

    A bag whose files agree with each other may still be another bag than the one that was received: only the
    ledger knows.
    """
    if checked.verdict is None:
        if link is not None:
            checked = checked._replace(problems=(*checked.problems, link))
        problems: list[LedgerProblem] = [
            {"path": each.path, "kind": each.kind, "severity": each.severity} for each in checked.problems
        ]
        note = checked.problems[0].means
        unread: RowFacts = {
            "kind": "check",
            "bag": checked.path,
            "outcome": "unreadable",
            "problems": problems,
            "note": note,
            "problem_count": len(problems),
        }
        return checked, unread
    troubles, note = compare(checked.path, checked.verdict, known, present)
    if link is not None:
        troubles = (*troubles, link)
    body = body_of_check(checked.path, checked.verdict, troubles, note)
    outcome: BagOutcome = body["outcome"] or "invalid"
    valid = outcome == "valid"
    whole = Checked(
        checked.path, outcome, checked.complete, valid, (*checked.problems, *troubles), note, checked.verdict
    )
    return whole, body


def _resting(
    links: Mapping[str, Trouble | None], known: Memory, now: Now, due_days: float
) -> dict[str, Checked]:
    """The bags that are not due, with what is said of them."""
    out = {}
    for path, link in links.items():
        before = known.get(path)
        if before is not None and link is None and not is_due(before, now.moment, due_days):
            out[path] = Checked(path, "not due", True, True, (), f"found valid on {before['when']}")  # noqa: FBT003
    return out


def _missing(path: str, body: Body) -> Checked:
    trouble = Trouble(
        "", "missing", f"the ledger knows a bag here since {body.get('when', '')}; it is not there"
    )
    return Checked(path, "missing", complete=False, valid=False, problems=(trouble,))


def _unseen(path: str) -> Checked:
    trouble = Trouble("", "missing", "the ledger knows a bag here, below a folder that cannot be searched")
    return Checked(path, "unreadable", complete=False, valid=False, problems=(trouble,))


def find_bags(paths: Iterable[Path], also: Iterable[Path] = ()) -> list[str]:
    """Every bag at or below some paths, as real paths, each once (see `pipeline.run.keep.places`).

    Args:
        paths: What a person gave; a path at which nothing lies counts as a bag, so that its absence is told.
        also: Known bags, which are looked at even where they no longer look like one.
    """
    return list(search(paths, {os.path.realpath(path) for path in also}).bags)

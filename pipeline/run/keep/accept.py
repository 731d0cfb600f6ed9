"""A person says that a bag's new receipt is right, and why; from then on the ledger remembers that one.

Without it a bag that was knowingly packed anew in its old place would be told altered for ever, and a person
would begin another ledger and lose its memory. The old rows stay, and the acceptance stands after them with
its reason.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bags.history import body_of_check
from pipeline.edges.disk_errors import absent
from pipeline.errors import BagError, LedgerError, NothingToDoError
from pipeline.run.keep.recheck import TOOL, recheck_bag, whole_ledger

if TYPE_CHECKING:
    from pipeline.edges.clock import Now


def accept_bag(bag: Path, *, now: Now, ledger: Path, because: str, expect_head: str = "") -> str:
    """Remember a bag's present receipt in place of the one before.

    Args:
        bag: Its folder or archive; it must be valid by itself, and known to the ledger.
        now: The time of the run.
        ledger: The ledger's file, which is there.
        because: The reason, for those who read the history.
        expect_head: A head that an earlier run printed.

    Returns:
        The ledger's new head.

    Raises:
        BagError: The bag is not valid: what is damaged is mended, not accepted.
        LedgerError: The ledger is not there, not whole, or does not know this bag.
        NothingToDoError: Its receipt is the one remembered.
        StorageError: The disk refused.
    """
    from pipeline.edges.ledger import Ledger

    if not ledger.is_file():
        raise absent(ledger, "ledger", "Give the path of a ledger")
    path, given = os.path.realpath(bag), os.path.abspath(bag)  # noqa: PTH100 - a key of the ledger
    stamp = {"when": now.text, "clock_fixed": now.fixed, "tool": TOOL}
    with Ledger(ledger) as book:
        whole_ledger(book, expect_head)
        known = book.latest()
        if path not in known and given not in known:
            if not os.path.lexists(bag):
                raise absent(bag, "bag", "Give the path of a bag")
            raise LedgerError(
                where=str(ledger),
                problem=f"does not know {path}",
                remedy="Check the bag with --ledger first, then accept what differs",
            )
        verdict = recheck_bag(Path(path))
        if not verdict.valid:
            raise BagError(
                where=path,
                problem="is not valid by itself, so its receipt is not accepted",
                remedy="Mend it from a copy, or package it again, then accept it",
            )
        # A known path that has become a link is accepted together with the place that it leads to.
        differing = [
            each
            for each in dict.fromkeys((path, given))
            if (each == path or each in known) and known.get(each, {}).get("receipt") != verdict.receipt
        ]
        if not differing:
            raise NothingToDoError(
                where=path,
                problem="has the receipt that is remembered",
                remedy="Nothing needs to be accepted",
            )
        head = ""
        for each in differing:
            body = body_of_check(each, verdict, (), " ".join(because.split()))
            head = book.add({**body, "kind": "accepted", **stamp})
        return head

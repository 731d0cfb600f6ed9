"""Mending joined: watch the bag and its copies, plan, build beside, judge, swap, remember."""

from __future__ import annotations

import os
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline.bags.repair_plan import plan, whole_enough
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.repair import carry_out
from pipeline.edges.disk_errors import absent, storage_trouble
from pipeline.edges.names import identity
from pipeline.errors import BagError, JudgedBadError, LedgerError, NothingToDoError
from pipeline.run.keep.recheck import TOOL, whole_ledger

if TYPE_CHECKING:
    from pipeline.edges.clock import Now
    from schemas.answers import MendAnswer


class Mended(NamedTuple):
    """What a mend did.

    Attributes:
        bag: The bag, whole now.
        receipt: Its receipt.
        replaced: Path and the copy it came from.
        set_aside: Paths that were damaged or nobody's.
        damaged: The folder that keeps them, or None where files were only missing.
        record: The file that tells of the mend.
        head: The ledger's head after the run, or "".
    """

    bag: Path
    receipt: str
    replaced: tuple[tuple[str, Path], ...]
    set_aside: tuple[str, ...]
    damaged: Path | None
    record: Path
    head: str = ""

    def document(self) -> MendAnswer:
        """What `mend --json` prints."""
        return {
            "schema": "wellread/mend/1",
            "command": "mend",
            "bag": str(self.bag),
            "receipt": self.receipt,
            "replaced": [{"path": path, "from": str(copy)} for path, copy in self.replaced],
            "set_aside": list(self.set_aside),
            "damaged": str(self.damaged) if self.damaged else None,
            "record": str(self.record),
            "head": self.head,
        }


def mend_bag(
    bag: Path, copies: Sequence[Path], *, now: Now, ledger: Path | None = None, receipt: str = ""
) -> Mended:
    """Make a damaged bag whole from copies that can prove themselves.

    1. Bag and copies are watched; each file is read once.
    2. The receipt comes from the ledger, where there is one and it is whole.
    3. The stage plans; the whole bag is built beside; our judge must find it valid and of the planned
       receipt.
    4. The two change places, the damaged files are kept, the mend is written down beside the bag and in the
       ledger.

    Args:
        bag: The damaged bag's folder.
        copies: Folders or archives that hold the same bag, damaged elsewhere or whole.
        now: The time of the run.
        ledger: The ledger that remembers the bag.
        receipt: The receipt, where a person kept it elsewhere.

    Returns:
        What was done.

    Raises:
        MendError: No copy can prove itself; nothing was touched.
        NothingToDoError: The bag is whole, or no copy was given.
        BagError: The bag is no folder, or a copy cannot be read.
        LedgerError: The ledger is not whole, or remembers another receipt than the one given.
        JudgedBadError: What was built is not whole; nothing was touched.
        StorageError: The disk refused.
    """
    bag = Path(os.path.realpath(bag))
    if not copies:
        raise NothingToDoError(where=str(bag), problem="no copy was given", remedy="Give one with --from")
    if not bag.is_dir():
        if not bag.exists():
            raise absent(bag, "bag", "Give the folder of the damaged bag")
        raise BagError(where=str(bag), problem="is not a folder", remedy="Give the folder of the damaged bag")
    remembered = _remembered(bag, ledger, receipt)
    with storage_trouble(bag):
        looked_at = identity(bag)
    places = [observe(path) for path in (bag, *copies)]
    made = plan(places, name=str(bag), receipt=remembered)
    if not made.mended and not made.set_aside and judge(places[0]).valid:
        raise NothingToDoError(where=str(bag), problem="is whole", remedy="There is nothing to mend")
    replaced = tuple((path, copies[made.take[path] - 1]) for path in made.mended)
    record = {
        "schema": "wellread/mend/1",
        "when": now.text,
        "clock_fixed": now.fixed,
        "tool": TOOL,
        "bag": bag.name,
        "receipt": made.receipt,
        "proved_by": "the receipt remembered" if remembered else "manifests that agree in two places",
        "replaced": [{"path": path, "from": str(copy)} for path, copy in replaced],
        "set_aside": list(made.set_aside),
    }

    def approve(built: Path) -> None:
        if not whole_enough(judge(observe(built)), made):
            raise JudgedBadError(
                where=str(bag), problem="what was put together is not whole", remedy="Nothing was touched"
            )

    swapped = carry_out(bag, copies, made.take, made.set_aside, record, approve, looked_at)
    head = _written_down(bag, ledger, now, made.receipt, swapped.record, made.mended)
    return Mended(bag, made.receipt, replaced, made.set_aside, swapped.damaged, swapped.record, head)


def _remembered(bag: Path, ledger: Path | None, receipt: str) -> str:
    if ledger is None:
        return receipt
    from pipeline.edges.ledger import Ledger

    with Ledger(ledger) as book:
        whole_ledger(book)
        known = str(book.latest().get(str(bag), {}).get("receipt", ""))
    if receipt and known and receipt != known:
        raise LedgerError(
            where=str(ledger),
            problem="remembers another receipt than the one given",
            remedy="Find out which is right",
        )
    return receipt or known


def _written_down(
    bag: Path, ledger: Path | None, now: Now, receipt: str, record: Path, replaced: Sequence[str]
) -> str:
    if ledger is None:
        return ""
    from pipeline.edges.ledger import Ledger

    stamp = {"when": now.text, "clock_fixed": now.fixed, "tool": TOOL}
    with Ledger(ledger) as book:
        return book.add(
            {
                "kind": "mend",
                "bag": str(bag),
                "receipt": receipt,
                "replaced": list(replaced),
                "note": f"{record.name}, SHA-256 {sha256(record.read_bytes()).hexdigest()}",
                **stamp,
            }
        )

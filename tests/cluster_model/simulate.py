"""A shelf of a million files rechecked by so many workers, event by event, with the costs that were measured.

1. The caller prepares pieces, takes results in, and writes each bag's row: one thing at a time.
2. The scheduler passes each piece on: one at a time.
3. A worker has two pieces, one that it works on and one that waits.
4. The storage gives files at a rate of its own, to all workers together.
5. The ledger's disk flushes beside the caller, one flush at a time: whatever rows have come by its beginning.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from itertools import count


@dataclass(frozen=True, slots=True)
class Costs:
    """Seconds.

    Attributes:
        caller_piece: Of the caller, for a piece, whatever is in it.
        caller_bag: Of the caller, for a bag: what it proves, prepares, takes in.
        row: Of the caller, for a row of the ledger.
        flush: Of the ledger's disk, for a flush, however many rows are in it.
        scheduler_piece: Of the scheduler, for a piece.
        worker_piece: Of a worker, for a piece.
        worker_bag: Of a worker, for a bag of so many files: read, digested, judged.
    """

    caller_piece: float
    caller_bag: float
    row: float
    flush: float
    scheduler_piece: float
    worker_piece: float
    worker_bag: float


@dataclass(frozen=True, slots=True)
class Shelf:
    """What is rechecked: bags, files in each, bags handed over together."""

    bags: int
    files: int
    together: int


@dataclass(frozen=True, slots=True)
class Load:
    """Seconds until all is done, and what share of them each was at work."""

    seconds: float
    caller: float
    ledger: float
    scheduler: float
    storage: float
    workers: float

    @property
    def limit(self) -> str:
        """Who was at work most."""
        shares = {
            "caller": self.caller,
            "ledger": self.ledger,
            "scheduler": self.scheduler,
            "storage": self.storage,
            "workers": self.workers,
        }
        return max(shares, key=lambda one: shares[one])


class _Server:
    """One that does one thing after the other."""

    def __init__(self) -> None:
        self.free = self.busy = 0.0

    def take(self, at: float, seconds: float) -> float:
        """When what comes at a time is done."""
        self.free = max(self.free, at) + seconds
        self.busy += seconds
        return self.free


class _Ledger(_Server):
    """A disk that flushes together what has come."""

    def __init__(self, flush: float) -> None:
        super().__init__()
        self._flush, self._begins = flush, -1.0

    def add(self, at: float) -> None:
        """Some rows come: they join the flush that has not begun, or another begins as soon as it can."""
        if self._flush and at > self._begins:
            self._begins = max(at, self.free)
            self.take(self._begins, self._flush)


def simulate(shelf: Shelf, workers: int, costs: Costs, storage_files: float) -> Load:
    """How long it takes.

    Args:
        shelf: The bags.
        workers: How many.
        costs: Measured.
        storage_files: Files a second that the storage gives, to all together.
    """
    caller, scheduler, storage, ledger = _Server(), _Server(), _Server(), _Ledger(costs.flush)
    hands = [_Server() for _ in range(workers)]
    order = count()
    left = shelf.bags
    coming: list[tuple[float, int, int, int]] = []

    def hand_out(at: float, worker: int) -> None:
        nonlocal left
        bags = min(left, shelf.together)
        if not bags:
            return
        left -= bags
        sent = caller.take(at, costs.caller_piece + bags * costs.caller_bag)
        there = scheduler.take(sent, costs.scheduler_piece)
        # A file is read before it is digested: whichever of storage and worker is slower sets the pace.
        read = storage.take(max(there, hands[worker].free), bags * shelf.files / storage_files)
        done = hands[worker].take(there, costs.worker_piece + bags * costs.worker_bag)
        hands[worker].free = max(done, read)
        heapq.heappush(coming, (hands[worker].free, next(order), worker, bags))

    for _ in range(2):
        for worker in range(workers):
            hand_out(0.0, worker)
    while coming:
        at, _, worker, bags = heapq.heappop(coming)
        taken_in = caller.take(at, bags * costs.row)
        ledger.add(taken_in)
        hand_out(taken_in, worker)
    ends = max(caller.free, ledger.free, *(hand.free for hand in hands))
    at_work = sum(hand.busy for hand in hands) / workers
    return Load(
        ends,
        caller.busy / ends,
        ledger.busy / ends,
        scheduler.busy / ends,
        storage.busy / ends,
        at_work / ends,
    )

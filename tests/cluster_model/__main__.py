"""What a cluster costs on this machine, and what would limit it with up to 100 workers.

    python -m tests.cluster_model [--bags 400] [--runs 3] [--workers 1 2 4] [--folder DIR]

Prints lines for `tests/MEASUREMENTS.md`: what was measured, then what follows for a million files. The model
knows no network: that is measured nowhere here.
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
from pathlib import Path

from tests.cluster_model.measure import FILES, Run, best, connecting, embedded, ledger_row, on_workers, shelf
from tests.cluster_model.simulate import Costs, Shelf, simulate
from tests.kit.clusters import yard

TOGETHER = 32
"""Bags in a piece where there are a thousand and more, as `pipeline/run/keep/on_cluster.py` has it."""
MANY = Shelf(bags=10_000, files=FILES, together=TOGETHER)


def main() -> None:
    """Measure, then work out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bags", type=int, default=400)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2, 4])
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as place:
        held = shelf(Path(place) / "shelf", given.bags)
        alone = []
        for workers in given.workers:
            pairs = _side_by_side(Path(place) / f"yard-{workers}", held, workers, given.runs)
            here, there = best([one for one, _ in pairs]), best([other for _, other in pairs])
            alone.append((workers, here, there))
            _tell(workers, here, there, pairs)
        row, flush = ledger_row(Path(place), alone[0][1].found)
        # Before the folder is emptied, which takes longer than all else where it holds many files.
        _model(_costs(given.bags, alone[0][1], alone[0][2], row, flush))


def _side_by_side(folder: Path, held: Path, workers: int, runs: int) -> list[tuple[Run, Run]]:
    """Some runs by this process and by workers, in turn; all find the same."""
    with yard(folder, workers) as made:
        for _ in range(3):
            wall, own = connecting(held, made)
            print(f"  a new process connects: wall {wall:.2f} s, its processor {own:.2f} s", flush=True)
        on_workers(held, made)  # everything is loaded once
        pairs = [(embedded(held), on_workers(held, made)) for _ in range(runs)]
    assert all(here.found == there.found == pairs[0][0].found for here, there in pairs)
    return pairs


def _tell(workers: int, here: Run, there: Run, pairs: list[tuple[Run, Run]]) -> None:
    for one, other in pairs:
        told = [
            f"{what} {seconds:.2f} / {own:.2f} s = {seconds / own:.3f}"
            for what, seconds, own in (
                ("wall", other.wall, one.wall),
                ("processor of all threads", other.workers, one.caller),
                ("of the one that works", other.working, one.caller),
            )
        ]
        print(f"  a pair: {', '.join(told)}; connecting {other.connecting:.2f} s")
    print(
        f"{workers} workers: wall {there.wall:.2f} s, connecting {there.connecting:.2f} s; processor: "
        f"caller {there.caller:.2f} s, workers {there.workers:.2f} s, scheduler {there.scheduler:.2f} s"
    )
    print(
        f"  one process alone: wall {here.wall:.2f} s, processor {here.caller:.2f} s; ratios: wall "
        f"{there.wall / here.wall:.2f}, processor of all workers {there.workers / here.caller:.2f}",
        flush=True,
    )


def _costs(bags: int, here: Run, there: Run, row: float, flush: float) -> Costs:
    """What was measured, for one piece and one bag each.

    What a piece costs and what a bag costs was not told apart on the two sides: all of the caller's is a
    bag's, all of the scheduler's and what a worker has to do beside checking is a piece's.
    """
    pieces = -(-bags // min(TOGETHER, max(1, bags // 32)))
    return Costs(
        caller_piece=0.0,
        caller_bag=there.caller / bags,
        row=row,
        flush=flush,
        scheduler_piece=there.scheduler / pieces,
        worker_piece=max(0.0, there.workers - here.caller) / pieces,
        worker_bag=here.caller / bags,
    )


def _model(costs: Costs) -> None:
    for what, seconds in (
        ("caller, a bag", costs.caller_bag),
        ("caller, a row of the ledger", costs.row),
        ("ledger's disk, a flush, on the wall", costs.flush),
        ("scheduler, a piece", costs.scheduler_piece),
        ("worker, a piece", costs.worker_piece),
        (f"worker, a bag of {FILES} files", costs.worker_bag),
    ):
        print(f"{what:45} {1e3 * seconds:8.3f} ms")
    print(f"\n| workers | storage, files a second | rows | seconds | {' | '.join(_SHARES)} | limit |")
    print("|--:|--:|---|--:|" + "--:|" * len(_SHARES) + "---|")
    waited_for = dataclasses.replace(costs, row=costs.row + costs.flush, flush=0.0)
    for flushed, cost in (("each waited for", waited_for), ("beside", costs)):
        for storage in (10_000.0, 100_000.0, 1_000_000.0):
            for workers in (1, 10, 100):
                load = simulate(MANY, workers, cost, storage)
                shares = [f"{getattr(load, one):.0%}" for one in _SHARES]
                row = [str(workers), f"{storage:,.0f}", flushed, f"{load.seconds:.1f}", *shares, load.limit]
                print(f"| {' | '.join(row)} |")


_SHARES = ("caller", "ledger", "scheduler", "storage", "workers")


if __name__ == "__main__":
    main()

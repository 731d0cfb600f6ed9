"""What one piece of work, one bag, one file and one row of the ledger cost on this machine.

Processor seconds are of the processes that do it (`/proc/PID/stat`), so that other work on the machine counts
less; seconds on the wall are told beside them.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from pipeline.bags.history import body_of_check
from pipeline.edges.bags.writer import finish_bag, write_member
from pipeline.edges.clock import now
from pipeline.edges.cluster import Cluster
from pipeline.edges.ledger import Ledger
from pipeline.edges.ledger_writer import LedgerWriter
from pipeline.edges.progress import Progress
from pipeline.run.keep.on_cluster import checked_by
from pipeline.run.keep.recheck import Rechecked, recheck_bags
from tests.kit.clusters import ROOT, Yard, children

if TYPE_CHECKING:
    from collections.abc import Callable

FILES, FILE_BYTES = 100, 2048
_TICKS = 100.0
"""Of a second, in /proc/PID/stat. Source: proc_pid_stat(5) and sysconf(_SC_CLK_TCK) on Linux."""


@dataclass(frozen=True, slots=True)
class Run:
    """Seconds of one recheck of all bags.

    Attributes:
        wall: On the wall, connecting left out.
        caller: Of the processor, this process.
        workers: The same of all workers.
        working: The same of the thread that did most, of each worker: the rest listens to the scheduler.
        scheduler: The same of the scheduler.
        connecting: On the wall, until a worker has proved itself.
        found: What became of the bags.
    """

    wall: float
    caller: float
    workers: float
    working: float
    scheduler: float
    connecting: float
    found: Rechecked


def shelf(folder: Path, bags: int) -> Path:
    """So many bags of 100 files of 2 KiB each, written by our own writer."""
    folder.mkdir()
    for number in range(bags):
        bag, source = folder / f"bag-{number:05}", Random(number)
        bag.mkdir()
        entries = [
            write_member(bag, f"data/b{at // 20}/chip{at:03}.bin", source.randbytes(FILE_BYTES))
            for at in range(FILES)
        ]
        finish_bag(bag, entries, [("Source-Organization", "Loom Museum")])
    return folder


def embedded(folder: Path) -> Run:
    """The same work in one process: this one."""
    begins, own = time.perf_counter(), time.process_time()
    found = recheck_bags([folder], now=now(), workers=0)
    return Run(time.perf_counter() - begins, time.process_time() - own, 0.0, 0.0, 0.0, 0.0, found)


def on_workers(folder: Path, made: Yard) -> Run:
    """The same by the workers of a yard."""
    begins = time.perf_counter()
    with Cluster(made.address, [folder], _refused) as cluster:
        cluster.members.first()
        connecting = time.perf_counter() - begins
        wall, own = time.perf_counter(), time.process_time()
        threads, scheduler = _threads(made), _seconds(Path(f"/proc/{made.scheduler}/stat"))
        found = recheck_bags(
            [folder], now=now(), check_each=lambda some: checked_by(cluster, some, Progress(quiet=True))
        )
        return Run(
            time.perf_counter() - wall,
            time.process_time() - own,
            *_since(threads, _threads(made)),
            _seconds(Path(f"/proc/{made.scheduler}/stat")) - scheduler,
            connecting,
            found,
        )


_COLD = """
import sys, time
begins = time.perf_counter(), time.process_time()
from pipeline.edges.cluster import Cluster
with Cluster(sys.argv[1], [sys.argv[2]], print) as cluster:
    cluster.members.first()
    print(time.perf_counter() - begins[0], time.process_time() - begins[1])
"""


def connecting(folder: Path, made: Yard) -> tuple[float, float]:
    """Seconds of a new process until a worker has proved itself, the library's import included.

    Returns:
        On the wall; of its processor.
    """
    command = [sys.executable, "-c", _COLD, made.address, str(folder)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True, timeout=120)
    wall, own = map(float, done.stdout.split())
    return wall, own


def _refused(why: str) -> None:
    raise AssertionError(why)


_Threads = dict[int, dict[str, float]]
"""Seconds of each thread of each worker."""


def _threads(made: Yard) -> _Threads:
    return {
        one: {task.name: _seconds(task / "stat") for task in Path(f"/proc/{one}/task").iterdir()}
        for worker in made.workers
        for one in children(worker.pid)
    }


def _since(before: _Threads, after: _Threads) -> tuple[float, float]:
    """Of all threads of all workers, and of the busiest of each."""
    took = [
        [seconds - before.get(one, {}).get(task, 0.0) for task, seconds in threads.items()]
        for one, threads in after.items()
    ]
    return sum(map(sum, took)), sum(map(max, took))


def _seconds(stat: Path) -> float:
    with suppress(OSError):
        fields = stat.read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / _TICKS
    return 0.0


def ledger_row(folder: Path, found: Rechecked, rows: int = 200) -> tuple[float, float]:
    """Processor seconds of this process for a row, and seconds on the wall of a flush, the median."""
    verdicts = [one.verdict for one in found.bags if one.verdict][:rows]
    stamp = {"when": now().text, "clock_fixed": False, "tool": "measured"}
    bodies = [
        {**body_of_check(f"bag-{number}", verdict, (), ""), **stamp}
        for number, verdict in enumerate(verdicts)
    ]
    with Ledger(folder / "measured.ledger", {"kind": "opened", **stamp}) as book:
        flush = statistics.median(_took(lambda body=body: book.add(body)) for body in bodies)  # type: ignore[misc]
        own = time.process_time()
        with LedgerWriter(book) as writer:
            for body in bodies:
                writer.add(body)
        return (time.process_time() - own) / len(bodies), flush


def _took(work: Callable[[], object]) -> float:
    begins = time.perf_counter()
    work()
    return time.perf_counter() - begins


def best(runs: Sequence[Run]) -> Run:
    """The run that other work on the machine hindered least: the one with the least processor seconds."""
    return min(runs, key=lambda run: run.caller + run.workers)

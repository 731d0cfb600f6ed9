"""Real schedulers and workers of Dask on loopback, and what is done to them."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.edges.cluster import Cluster
from pipeline.edges.cluster_worker import program

ROOT = Path(__file__).parents[2]
_SECONDS = 60.0
"""A loaded machine takes long to start a process."""


@dataclass
class Yard:
    """A scheduler and its workers, all started here.

    Attributes:
        folder: Where their files lie.
        address: Of the scheduler.
        workers: The processes that look after each worker, and start it anew when it ended.
        scheduler: The scheduler's process id.
        options: More of the scheduler's.
    """

    folder: Path
    address: str = ""
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)
    scheduler: int = 0
    options: Sequence[str] = ()
    opened: ExitStack = field(default_factory=ExitStack)

    def add_worker(self, name: str, *, sources: Path | None = None, at: Path | None = None) -> None:
        """Start one more.

        Args:
            name: Its name.
            sources: The program that it runs; that of the tests if not said.
            at: Its current folder.
        """
        options = ["--nthreads", "1", "--name", name, "--local-directory", str(self.folder / name)]
        command = [self.address, *options]
        process = self._process("dask_worker", command, sources or self.folder / "program", at or self.folder)
        self.workers.append(process)

    def start(self) -> None:
        """Start the scheduler, and wait for its address.

        Workers run a copy of the program: one that is started anew in the middle of a long run would not be
        let in where somebody had edited a line since.
        """
        program()  # what runs here is looked at now, and remembered
        for part in ("pipeline", "schemas"):
            shutil.copytree(ROOT / part, self.folder / "program" / part)
        told = self.folder / "scheduler.json"
        options = ["--port", "0", "--scheduler-file", str(told), *self.options]
        self.scheduler = self._process("dask_scheduler", options, ROOT, self.folder).pid
        deadline = time.monotonic() + _SECONDS
        while not told.exists() or not told.read_text().strip().endswith("}"):
            assert time.monotonic() < deadline, "the scheduler did not start"
            time.sleep(0.05)
        self.address = json.loads(told.read_text())["address"]

    def _process(self, what: str, options: list[str], sources: Path, at: Path) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.{what}", "--host", "127.0.0.1", "--no-dashboard"]
        path = f"{sources}{os.pathsep}{ROOT}"  # the tests' own functions lie beside them
        environment = {**os.environ, "PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1"}
        log = self.opened.enter_context((self.folder / f"{what}-{len(self.workers)}.log").open("wb"))
        process = subprocess.Popen([*command, *options], env=environment, cwd=at, stdout=log, stderr=log)
        self.opened.callback(_ended, process)
        return process

    def wait_for(self, workers: int) -> None:
        """Wait until so many workers are there: a run waits half a minute, a loaded machine needs more."""
        with Cluster(self.address, [], lambda _: None, answer_seconds=_SECONDS) as cluster:
            cluster.client.wait_for_workers(workers, timeout=_SECONDS)

    def logs(self, most: int = 3000) -> str:
        """The ends of what scheduler and workers had to say."""
        logs = sorted(self.folder.glob("*.log"))
        return "\n".join(f"{log.name}: {log.read_text(errors='replace')[-most:]}" for log in logs)

    def kill(self, number: int) -> bool:
        """SIGKILL to the process that works, not to the one that looks after it; whether there was one."""
        working = children(self.workers[number].pid)
        for process in working:
            try:
                os.kill(process, signal.SIGKILL)
            except ProcessLookupError:
                return False
        return bool(working)


def children(looking_after: int) -> list[int]:
    """The processes that work, of one that looks after a worker."""
    found = []
    # Each thread has children of its own.
    for thread in Path(f"/proc/{looking_after}/task").glob("*/children"):
        with suppress(OSError):  # it has ended
            found += thread.read_text().split()
    # The other child keeps count of what they share; it ends with the last of them.
    return [int(one) for one in found if b"resource_tracker" not in _command(one)]


def _command(process: str) -> bytes:
    try:
        return Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return b""


def _ended(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGINT)
    try:
        process.wait(timeout=20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextmanager
def yard(folder: Path, workers: int, *options: str) -> Iterator[Yard]:
    """A scheduler, with more options, and so many workers; all ended behind it."""
    folder.mkdir(parents=True, exist_ok=True)
    made = Yard(folder, options=options)
    with made.opened:
        made.start()
        for number in range(workers):
            made.add_worker(f"bench-{number}")
        if workers:
            made.wait_for(workers)
        yield made


def doubled(shared: Path, numbers: Sequence[int]) -> list[int]:
    """Twice each number; a negative one ends the worker, and a line says that it was begun."""
    for number in numbers:
        with (shared / f"{number}").open("a") as stream:
            stream.write("begun\n")
        if number < 0:
            os.kill(os.getpid(), signal.SIGKILL)
    return [2 * number for number in numbers]


def slow(shared: float, numbers: Sequence[int]) -> list[int]:
    """Each number, after so many seconds."""
    time.sleep(shared)
    return list(numbers)

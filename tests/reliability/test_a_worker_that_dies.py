"""A worker killed by a system short of memory ends the run with words and never makes it wait."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.journey import drilled

ROOT = Path(__file__).parents[2]
posix = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")
PROGRAM = (
    "import sys; sys.path.insert(0, sys.argv[1]); from pipeline.__main__ import run; raise "
    "SystemExit(run(sys.argv[2:]))"
)


def children(pid: int) -> list[int]:
    """Processes that a process started and that work on chips."""
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            command = Path(f"/proc/{child}/cmdline").read_bytes()
            if b"spawn_main" in command:
                found.append(int(child))
    return found


@posix
@pytest.mark.parametrize("after_seconds", [0.0, 0.6])
def test_a_package_whose_worker_is_killed_ends_with_words(tmp_path: Path, after_seconds: float) -> None:
    if len(os.sched_getaffinity(0)) < 2:
        pytest.skip("one core: no workers are started")
    drilled.many_chips(tmp_path)
    running = subprocess.Popen(
        [
            *(sys.executable, "-c", PROGRAM, str(ROOT)),
            *("package", str(tmp_path / "m"), "--into", str(tmp_path / "into")),
        ],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    until = time.monotonic() + 60
    workers: list[int] = []
    while not workers and time.monotonic() < until and running.poll() is None:
        workers = children(running.pid)
        time.sleep(0.01)
    assert workers
    time.sleep(after_seconds)
    os.kill(workers[0], signal.SIGKILL)
    try:
        _, said = running.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        running.kill()
        running.communicate()
        pytest.fail("it waits for ever")
    assert running.returncode == 28, said
    assert b"Traceback" not in said
    assert b"memory" in said, said
    assert not list((tmp_path / "into").iterdir())

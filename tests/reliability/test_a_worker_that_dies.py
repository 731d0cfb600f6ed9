"""A worker killed by a system short of memory ends the run with words and never makes it wait."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.journey import drilled
from tests.outside import bag_cases

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
            if b"spawn_main" in command or b"digest_worker" in command:
                found.append(int(child))
    return found


def many_files(folder: Path) -> None:
    """A bag of so many files that they are digested by several processes."""
    bag_cases.bag(folder / "bag", {f"data/{number}.bin": b"%d" % number * 100 for number in range(4000)})


def arguments(name: str, folder: Path) -> list[str]:
    """A command that starts workers, in a folder that has what it needs."""
    into = str(folder / "into")
    if name in {"check", "package"}:
        drilled.many_chips(folder)
        return [name, str(folder / "m"), *(["--into", into] if name == "package" else [])]
    (folder / "into").mkdir()
    many_files(folder)
    bag = str(folder / "bag")
    if name == "mend":
        shutil.copytree(folder / "bag", folder / "copy")
        (folder / "bag/data/7.bin").write_bytes(b"damaged")
        return ["mend", bag, "--from", str(folder / "copy")]
    return ["recheck", bag]


@posix
@pytest.mark.parametrize(
    ("name", "after_seconds"),
    [("package", 0.0), ("package", 0.6), ("check", 0.0), ("recheck", 0.0), ("mend", 0.0)],
)
def test_a_command_whose_worker_is_killed_ends_with_words(
    tmp_path: Path, name: str, after_seconds: float
) -> None:
    if len(os.sched_getaffinity(0)) < 2:
        pytest.skip("one core: no workers are started")
    running = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(ROOT), *arguments(name, tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    until = time.monotonic() + 60
    workers: list[int] = []
    while not workers and time.monotonic() < until and running.poll() is None:
        workers = children(running.pid)
        time.sleep(0.001)
    assert workers
    time.sleep(after_seconds)
    os.kill(workers[0], signal.SIGKILL)
    try:
        told, said = running.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        running.kill()
        running.communicate()
        pytest.fail("it waits for ever")
    if name == "recheck":
        # One bag that cannot be read keeps no other from being checked.
        assert running.returncode == 1, told
        said += told
    else:
        assert running.returncode == 28, said
    assert b"Traceback" not in said
    assert b"memory" in said, said
    assert not (tmp_path / "into").exists() or not list((tmp_path / "into").iterdir())

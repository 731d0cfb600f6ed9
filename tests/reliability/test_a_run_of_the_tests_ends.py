"""The tests' own run ends, whatever a test does: nothing waits for a process that some test has left."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.kit import forked

ROOT = Path(__file__).parents[2]
LEAVING = """
import os, subprocess, sys, time
import pytest

def test_starts_a_process_and_leaves_it():
    print(subprocess.Popen(["sleep", "600"]).pid, file=open("pids", "a"))

def test_forks_and_leaves_the_child():
    child = os.fork()
    if child == 0:
        time.sleep(60)
        os._exit(0)
    print(child, file=open("pids", "a"))

@pytest.mark.clock
def test_waits_for_its_turn_alone():
    pass
"""
posix = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")


@posix
@pytest.mark.drill
def test_a_run_whose_tests_leave_processes_ends_says_so_and_ends_them(tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text("from tests.conftest import *\n")
    (tmp_path / "test_leaving.py").write_text(LEAVING)
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers =\n    clock: x\n    drill: x\n    slow: x\n")
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-n2", "-q", "-p", "no:cacheprovider"],
        cwd=tmp_path,
        env={**kept, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    sleeper, child = map(int, (tmp_path / "pids").read_text().split())
    assert f"left a process behind; it is ended: {sleeper} sleep 600" in done.stderr
    assert not [pid for pid in (sleeper, child) if forked.alive(pid)]


@posix
@pytest.mark.drill
def test_a_forked_child_that_hangs_is_ended_by_the_kernel(monkeypatch: pytest.MonkeyPatch) -> None:
    def hangs() -> int:
        time.sleep(200)
        return 0

    monkeypatch.setattr(forked, "MOST_SECONDS", 1)
    begun = time.monotonic()
    assert forked.ended(forked.forked(hangs)) < 0
    assert time.monotonic() - begun < 100

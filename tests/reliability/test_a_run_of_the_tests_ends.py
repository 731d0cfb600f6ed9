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
    print(subprocess.Popen(["sleep", "600"]).pid, file=open("started", "w"))

def test_forks_and_leaves_the_child():
    child = os.fork()
    if child == 0:
        time.sleep(60)
        os._exit(0)
    print(child, file=open("forked", "w"))

@pytest.mark.clock
def test_waits_for_its_turn_alone():
    pass
"""
HANGING = """
import os, time

def test_waits_for_ever_and_has_forked():
    if os.fork() == 0:
        time.sleep(1000)
        os._exit(0)
    time.sleep(1000)

def test_is_sound():
    pass
"""
posix = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")


def run(folder: Path, content: str, *options: str) -> subprocess.CompletedProcess[str]:
    """A run of these tests by two processes, under the conftest of all tests."""
    (folder / "conftest.py").write_text("from tests.conftest import *\n")
    (folder / "test_leaving.py").write_text(content)
    (folder / "pytest.ini").write_text("[pytest]\nmarkers =\n    clock: x\n    drill: x\n    slow: x\n")
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-n2", "-p", "no:cacheprovider", *options],
        cwd=folder,
        env={**kept, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )


@posix
@pytest.mark.drill
def test_a_run_whose_tests_leave_processes_ends_says_so_and_ends_them(tmp_path: Path) -> None:
    done = run(tmp_path, LEAVING, "-q")
    assert done.returncode == 0, done.stdout
    sleeper, child = (int((tmp_path / name).read_text()) for name in ("started", "forked"))
    assert f"left a process behind; it is ended: {sleeper} sleep 600" in done.stderr
    assert not [pid for pid in (sleeper, child) if forked.alive(pid)]


@posix
@pytest.mark.drill
def test_a_test_that_hangs_with_a_child_left_behind_fails_by_name_and_the_others_run(tmp_path: Path) -> None:
    begun = time.monotonic()
    # Of the sound test a busy machine may take seconds, too.
    limit = ("-o", "timeout=15", "-o", "timeout_method=signal", "--dist", "loadgroup")
    done = run(tmp_path, HANGING, "-v", *limit)
    assert "FAILED test_leaving.py::test_waits_for_ever_and_has_forked" in done.stdout
    assert "1 failed, 1 passed" in done.stdout
    assert done.returncode == 1
    assert time.monotonic() - begun < 600


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

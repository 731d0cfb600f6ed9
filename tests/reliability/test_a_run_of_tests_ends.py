"""The tests themselves: a test that hangs is named, and the run ends, whatever the test has started."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="a child is forked")
HANGS = """
import os, time

def test_waits_for_ever_and_has_forked():
    if os.fork() == 0:
        time.sleep(100)
        os._exit(0)
    time.sleep(100)

def test_is_sound():
    pass
"""


@pytest.mark.drill
def test_a_test_that_hangs_with_a_child_left_behind_ends_the_run_and_is_named(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    (tmp_path / "conftest.py").write_bytes((root / "tests" / "conftest.py").read_bytes())
    (tmp_path / "test_hangs.py").write_text(HANGS)
    marks = "markers =\n  clock: c\n  drill: d\n  slow: s\n"
    (tmp_path / "pytest.ini").write_text(f"[pytest]\ntimeout = 3\ntimeout_method = signal\n{marks}")
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-v",
        "-n2",
        "--dist",
        "loadgroup",
        "-p",
        "no:cacheprovider",
        ".",
    ]
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(
        command, cwd=tmp_path, env=kept, stdout=subprocess.PIPE, check=False, text=True, timeout=90
    )
    assert "FAILED test_hangs.py::test_waits_for_ever_and_has_forked" in done.stdout
    assert "1 failed, 1 passed" in done.stdout
    assert done.returncode == 1

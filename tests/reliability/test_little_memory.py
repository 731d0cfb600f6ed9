"""Where memory is short the program takes only what it needs, and says so where even that cannot be had."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.outside import bag_cases

ROOT = Path(__file__).parents[2]
LIMITED = """
import resource, sys
sys.path.insert(0, sys.argv[1])
most = int(sys.argv[2]) << 20
resource.setrlimit(resource.RLIMIT_AS, (most, most))
from pipeline.__main__ import run
raise SystemExit(run(sys.argv[3:]))
"""
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is limited as Linux does")


def limited(megabytes: int, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", LIMITED, str(ROOT), str(megabytes), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


@linux
def test_a_small_bag_is_checked_in_little_memory(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    ran = limited(300, "recheck", tmp_path / "bag")
    assert ran.returncode == 0, ran.stderr


@linux
def test_memory_that_cannot_be_had_is_told_in_words_and_has_its_exit_code(tmp_path: Path) -> None:
    big = tmp_path / "big.bin"
    with big.open("wb") as stream:
        stream.truncate(1000 << 20)
    ran = limited(900, "examine", big, "--organisation", "1024x8")
    assert ran.returncode == 28, ran.stderr
    assert "not enough memory" in ran.stderr
    assert "Traceback" not in ran.stderr

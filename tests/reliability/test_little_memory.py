"""Where memory is short the program takes only what it needs, and says so where even that cannot be had."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.journey import drilled
from tests.kit.examples import drilled_but
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


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shelf")
    drilled.project(folder)
    drilled.quietly("package", folder / "m", "--into", folder)
    return folder


COMMANDS: dict[str, tuple[str, ...]] = {
    "check": ("check", "{in}/m"),
    "package": ("package", "{in}/m", "--into", "{out}"),
    "examine": ("examine", "{in}/m/dumps/U1.prog.1.bin", "--part", "2716"),
    "compare": ("compare", "{in}/m/dumps/U1.prog.1.bin", "{in}/m/dumps/U2.prog.1.bin", "--part", "2716"),
    "convert": ("convert", "{in}/m/dumps/U1.prog.1.bin", "--to", "intel-hex", "--output", "{out}/x"),
    "recheck": ("recheck", "{in}/m-v1", "--ledger", "{out}/l", "--new-ledger"),
    "replay": ("recheck", "{in}/m-v1", "--replay"),
    "release": ("release", "{in}/m-v1", "--into", "{out}"),
    "reopen": ("reopen", "{in}/m-v1", "--into", "{out}/again"),
    "burn": ("burn", "{in}/m-v1", "--chip", "U1", "--into", "2716", "--output", "{out}/x"),
    "changes": ("changes", "{in}/m-v1", "{in}/m-v1"),
}


@linux
@pytest.mark.parametrize(
    ("name", "megabytes"),
    drilled_but(
        [
            *((name, 879) for name in COMMANDS),
            ("package", 300),
            ("check", 300),
            ("examine", 200),
            ("release", 200),
        ],
        ("package", 300),
        ("release", 200),
        ("replay", 879),
        several=True,
    ),
)
def test_every_command_does_its_work_in_little_memory_or_says_that_it_is_too_little(
    shelf: Path, tmp_path: Path, name: str, megabytes: int
) -> None:
    """879 MiB are the 900,000 KiB of `ulimit -v` under which a small tag file was too much once."""
    words = [word.format(**{"in": shelf, "out": tmp_path}) for word in COMMANDS[name]]
    ran = limited(megabytes, *words)
    assert ran.returncode in ((0,) if megabytes == 879 else (0, 28)), ran.stderr
    assert "Traceback" not in ran.stderr
    if ran.returncode == 28:
        assert "not enough memory" in ran.stderr
        assert not list(tmp_path.iterdir())

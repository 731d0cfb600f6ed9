"""A sheet that two captures add to, or that a person saves in that very second, loses nothing."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from pipeline.errors import StorageError
from pipeline.run.bench.sheet_row import add_row

ROOT = Path(__file__).parents[2]
HEAD = "# mine\nmachine: {id: m, name: M}\nchips:\n  - {chip: U1}\nreadings:\n  - {file: a.bin}\n"
ADDING = """
import sys
sys.path.insert(0, sys.argv[1])
from pathlib import Path
from pipeline.errors import StorageError
from pipeline.run.bench.sheet_row import add_row
sys.stdin.readline()
for name in sys.argv[3:]:
    assert add_row(Path(sys.argv[2]), {"file": name})
"""
STOPPING = """
import os, signal, sys
sys.path.insert(0, sys.argv[1])
from pathlib import Path
from pipeline.errors import StorageError
from pipeline.run.bench.sheet_row import add_row
stopped = []
def hook(event, args):
    if event == "open" and ".part-" in str(args[0]) and not stopped:
        stopped.append(1)
        os.kill(os.getpid(), signal.SIGSTOP)
sys.addaudithook(hook)
raise SystemExit(0 if add_row(Path(sys.argv[2]), {"file": "U1.hb.1.log"}) else 3)
"""
"""Adds a row, and stands still when it has read the sheet and is about to write."""
SAVING = """
import itertools, pathlib, sys
sheet = pathlib.Path(sys.argv[1])
for n in itertools.count():
    new = sheet.with_name("saved")
    new.write_text(sys.argv[2] + f"# {n}\\n")
    new.replace(sheet)
"""
posix = pytest.mark.skipif(os.name != "posix", reason="processes are stopped by signals")


def files(sheet: Path) -> list[str]:
    return [row["file"] for row in yaml.safe_load(sheet.read_text())["readings"]]


def started(program: str, *arguments: str | Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", program, str(ROOT), *map(str, arguments)], stdin=subprocess.PIPE
    )


@pytest.mark.parametrize("round_", range(5))
def test_two_captures_at_once_lose_no_row(tmp_path: Path, round_: int) -> None:
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(HEAD)
    names = [[f"U{one}.hb.{n}.log" for n in range(8)] for one in (1, 2, 3)]
    running = [started(ADDING, sheet, *some) for some in names]
    for each in running:
        assert each.stdin is not None
        each.stdin.write(b"go\n")
        each.stdin.close()
    assert [each.wait(60) for each in running] == [0, 0, 0]
    assert sorted(files(sheet)) == sorted(["a.bin", *names[0], *names[1], *names[2]])
    assert sorted(path.name for path in tmp_path.iterdir() if ".part-" in path.name) == []


@posix
@pytest.mark.parametrize("way", ["in place", "another file under the name"])
def test_what_a_person_saves_in_that_second_stays(tmp_path: Path, way: str) -> None:
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(HEAD)
    running = started(STOPPING, sheet)
    _, status = os.waitpid(running.pid, os.WUNTRACED)
    assert os.WIFSTOPPED(status)
    edited = HEAD.replace("# mine", "# mine, with a note of a minute ago")
    if way == "in place":
        sheet.write_text(edited)
    else:
        (tmp_path / "new").write_text(edited)
        (tmp_path / "new").rename(sheet)
    running.send_signal(signal.SIGCONT)
    running.communicate(timeout=60)
    assert running.returncode == 0
    assert sheet.read_text().startswith("# mine, with a note of a minute ago")
    assert files(sheet) == ["a.bin", "U1.hb.1.log"]


@posix
def test_a_sheet_that_never_rests_is_left_alone_and_told(tmp_path: Path) -> None:
    """Somebody saves as fast as rows are tried: it ends, with the person's text whole."""
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(HEAD)
    saver = subprocess.Popen([sys.executable, "-c", SAVING, str(sheet), HEAD])
    try:
        with contextlib.suppress(StorageError):
            add_row(sheet, {"file": "U1.hb.1.log"})
    finally:
        saver.kill()
        saver.wait()
    assert sheet.read_text().startswith(HEAD) or "U1.hb.1.log" in files(sheet)
    assert files(sheet)[0] == "a.bin"

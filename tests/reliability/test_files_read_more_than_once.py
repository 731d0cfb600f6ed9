"""A file that several readings name is one content in the whole bag, or the run ends.

Another process sees, by the kernel's notices, when the file was read so many times, and puts another content
in its place at once: nothing of the program is patched.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.journey.cli import wellread
from tests.kit import images

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs inotify, as Linux has it")
WATCHER = """
import ctypes, os, sys
path, new, left = sys.argv[1], sys.argv[2], int(sys.argv[3])
library = ctypes.CDLL(None)
handle = library.inotify_init()
library.inotify_add_watch(handle, os.fsencode(path), 0x10)  # IN_CLOSE_NOWRITE, <sys/inotify.h>
print("+", flush=True)
for _ in range(left):
    os.read(handle, 16)  # one event
os.replace(new, path)
"""
SHEET = """\
machine: {id: m, name: M}
readers: {prog: {kind: device-programmer}}
chips:
  - {chip: U1, organisation: 2048x8}
  - {chip: U2, organisation: 2048x8}
  - {chip: U3, organisation: 2048x8}
readings:
  - {chip: U1, reader: prog, file: both.bin, take: {range: 0x0000-0x0800}}
  - {chip: U2, reader: prog, file: both.bin, take: {range: 0x0800-0x1000}}
  - {chip: U3, reader: prog, file: both.bin, take: {range: 0x1000-0x1800}}
"""


@linux
@pytest.mark.parametrize("times", range(1, 8))
def test_a_dump_that_changes_between_two_readings_of_it_is_named_or_one_content(
    tmp_path: Path, times: int
) -> None:
    (tmp_path / "m/dumps").mkdir(parents=True)
    (tmp_path / "m/sheet.yaml").write_text(SHEET, encoding="utf-8")
    dump = tmp_path / "m/dumps/both.bin"
    for path, seed in ((dump, 1), (tmp_path / "new", 2)):
        words, _ = images.code(np.random.default_rng(seed), 6144)
        path.write_bytes(words.astype(np.uint8).tobytes())
    watching = subprocess.Popen(
        [sys.executable, "-c", WATCHER, str(dump), str(tmp_path / "new"), str(times)], stdout=subprocess.PIPE
    )
    try:
        assert watching.stdout is not None
        watching.stdout.readline()
        ran = wellread("package", tmp_path / "m", "--into", tmp_path)
    finally:
        watching.kill()
        watching.communicate()
    if ran.code == 16:
        assert not (tmp_path / "new").exists(), "it was put in its place"
        assert "dumps/both.bin" in ran.err
        assert "chang" in ran.err
        assert not (tmp_path / "m-v1").exists()
        return
    assert ran.code == 0, ran.err
    bag = tmp_path / "m-v1"
    record = json.loads((bag / "metadata/record.json").read_bytes())
    told = [file for chip in record["chips"] for reading in chip["readings"] for file in reading["files"]]
    assert len(told) == 3
    for file in told:
        assert hashlib.sha256((bag / file["path"]).read_bytes()).hexdigest() == file["sha256"]
    assert wellread("recheck", bag, "--replay").code == 0

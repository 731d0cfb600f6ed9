"""A file that changes while it is packed goes in as it was at one moment, or the run ends and names it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.edges.steady import steadily
from tests.journey import drilled
from tests.journey.cli import wellread

WRITER = """
import itertools, os, sys
handle = os.open(sys.argv[1], os.O_WRONLY)
print("+", flush=True)
for n in itertools.count():
    os.pwrite(handle, bytes([128 + n % 100]) * int(sys.argv[2]), 0)
"""
SIZE = 8 << 20


@pytest.mark.parametrize(
    "name", ["docs/growing.txt", "dumps/loose.bin", "dumps/U1.prog.1.bin", "photos/p.png"]
)
def test_a_file_that_never_rests_ends_the_run_and_is_named(tmp_path: Path, name: str) -> None:
    drilled.project(tmp_path)
    target = tmp_path / "m" / name
    size = 2048 if name.endswith("1.bin") else SIZE
    target.write_bytes(b"A" * size)
    writing = subprocess.Popen([sys.executable, "-c", WRITER, str(target), str(size)], stdout=subprocess.PIPE)
    try:
        assert writing.stdout is not None
        writing.stdout.readline()
        ran = wellread("package", tmp_path / "m", "--into", tmp_path / "into")
    finally:
        writing.kill()
        writing.communicate()
    if size == 2048 and ran.code == 0:
        # so small a file is read in one call of the kernel, which writes it in one as well
        packed = (tmp_path / "into/m-v1/data/readings/main/U1/U1.prog.1.bin").read_bytes()
        assert len(set(packed)) == 1
        return
    assert ran.code == 16, ran.err
    assert name in ran.err
    assert "chang" in ran.err
    assert not (tmp_path / "into").exists() or not list((tmp_path / "into").iterdir())


@pytest.mark.parametrize("times", [1, 2])
def test_a_file_that_comes_to_rest_goes_in_as_it_is_then(tmp_path: Path, times: int) -> None:
    source = tmp_path / "growing.txt"
    source.write_bytes(b"0")
    read: list[bytes] = []

    def reading() -> bytes:
        read.append(source.read_bytes())
        if len(read) <= times:
            source.write_bytes(read[-1] + b"+")
        return read[-1]

    assert steadily(source, reading) == source.read_bytes() == b"0" + b"+" * times


def test_a_file_of_the_same_length_that_took_the_name_is_a_change(tmp_path: Path) -> None:
    source = tmp_path / "a"
    source.write_bytes(b"first")
    (tmp_path / "b").write_bytes(b"other")
    read: list[bytes] = []

    def reading() -> bytes:
        read.append(source.read_bytes())
        if len(read) == 1:
            (tmp_path / "b").replace(source)
        return read[-1]

    assert steadily(source, reading) == b"other"

"""A file that changes while it is packed goes in as it was at one moment, or the run ends and names it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from pipeline.edges.steady import steadily
from tests.journey import drilled
from tests.journey.cli import wellread

WRITER = """
import itertools, os, sys
handle = os.open(sys.argv[1], os.O_WRONLY)
print("+", flush=True)
for n in itertools.count():
    os.pwrite(handle, bytes([128 + n % 40]) * int(sys.argv[2]), 0)
"""
MAPPED = """
import itertools, mmap, os, sys
handle = os.open(sys.argv[1], os.O_RDWR)
pages = mmap.mmap(handle, 0)
print("+", flush=True)
for n in itertools.count():
    pages[:] = bytes([128 + n % 40]) * len(pages)
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


@pytest.mark.parametrize("name", ["docs/growing.txt", "dumps/loose.bin"])
def test_a_file_that_is_written_through_mapped_memory_is_seen_to_change(tmp_path: Path, name: str) -> None:
    """Such a program changes no time of the file until the system writes its pages out."""
    drilled.project(tmp_path)
    target = tmp_path / "m" / name
    target.write_bytes(b"A" * SIZE)
    writing = subprocess.Popen([sys.executable, "-c", MAPPED, str(target)], stdout=subprocess.PIPE)
    try:
        assert writing.stdout is not None
        writing.stdout.readline()
        ran = wellread("package", tmp_path / "m", "--into", tmp_path / "into")
    finally:
        writing.kill()
        writing.communicate()
    assert ran.code == 16, ran.err
    assert name in ran.err
    assert not list((tmp_path / "into").iterdir())


@pytest.mark.parametrize("grain_seconds", [1, 2])
def test_a_change_within_one_tick_of_a_coarse_clock_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, grain_seconds: int
) -> None:
    """As on FAT and on older file systems, whose times are whole seconds: the system's `stat` is played."""
    source = tmp_path / "a"
    source.write_bytes(b"first")
    true, read = os.stat, []

    def coarse(path: Path) -> os.stat_result:
        found = true(path)
        when = int(found.st_mtime) // grain_seconds * grain_seconds * 10**9
        return cast(
            "os.stat_result",
            SimpleNamespace(
                st_dev=found.st_dev,
                st_ino=found.st_ino,
                st_size=found.st_size,
                st_mtime_ns=when,
                st_ctime_ns=when,
            ),
        )

    def reading() -> bytes:
        read.append(source.read_bytes())
        if len(read) == 1:
            source.write_bytes(b"other")
        return read[-1]

    with monkeypatch.context() as patch:
        patch.setattr(os, "stat", coarse)
        found = steadily(source, reading)
    assert found == b"other"

"""A file that changes while it is packed goes in as it was at one moment, or the run ends and names it."""

from __future__ import annotations

import mmap
import os
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from pipeline.__main__ import run
from pipeline.edges.steady import steadily
from tests.journey import drilled
from tests.journey.drilling import can_drill, drill

SIZE = 2 << 20
"""Bytes of a file that is read in several pieces."""
WHY_NOT = can_drill()
traced = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)


class Restless:
    """Changes a file whenever the program is about to open one, which it waits for: no scheduler decides.

    Args:
        path: The file.
        mapped: Change it through memory that it is mapped to; else in place.
    """

    def __init__(self, path: Path, *, mapped: bool) -> None:
        self._path = path
        self._times = 0
        with path.open("r+b") as stream:
            self._pages = mmap.mmap(stream.fileno(), 0) if mapped else None
        if self._pages is not None:
            self._pages[:] = bytes(len(self._pages))  # written once, a page changes no time until it is out

    def before(self, _process: int, call: str, _arguments: Sequence[int]) -> None:
        if call != "openat":
            return
        self._times += 1
        content = bytes([128 + self._times % 40]) * self._path.stat().st_size
        if self._pages is not None:
            self._pages[:] = content
        else:
            with self._path.open("r+b") as stream:
                stream.write(content)

    def after(self, _process: int, _remembered: object, _result: int) -> None:
        """Nothing is remembered."""


def ends_and_names_it(folder: Path, name: str, *, mapped: bool) -> None:
    drilled.project(folder)
    target = folder / "m" / name
    target.write_bytes(b"A" * (2048 if name.endswith("1.bin") else SIZE))
    into = folder / "into"
    into.mkdir()
    done = drill(
        lambda: run(["package", str(folder / "m"), "--into", str(into)]),
        into,
        recorder=Restless(target, mapped=mapped),
    )
    assert done.status == 16, done.output
    assert name in done.output
    assert "chang" in done.output
    assert not list(into.iterdir())


@traced
@pytest.mark.parametrize(
    "name", ["docs/growing.txt", "dumps/loose.bin", "dumps/U1.prog.1.bin", "photos/p.png"]
)
def test_a_file_that_never_rests_ends_the_run_and_is_named(tmp_path: Path, name: str) -> None:
    ends_and_names_it(tmp_path, name, mapped=False)


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


@traced
@pytest.mark.parametrize("name", ["docs/growing.txt", "dumps/loose.bin"])
def test_a_file_that_is_written_through_mapped_memory_is_seen_to_change(tmp_path: Path, name: str) -> None:
    """Such a program changes no time of the file until the system writes its pages out."""
    ends_and_names_it(tmp_path, name, mapped=True)


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

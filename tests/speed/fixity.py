"""Recheck against what others take for the same files: the library, and the checksum programs.

Every ratio is of whole commands, interpreter start included, and of runs right after one another.
`WELLREAD_SPEED_FIXITY=full` adds the bag of 100,000 files.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from random import Random

from pipeline.edges.bags.writer import finish_bag, write_member
from tests.speed.commands import in_turn, over, ratios
from tests.speed.watching import watched

FILE_BYTES = 2048
GIBIBYTE = 1 << 30


def rows() -> Iterator[tuple[str, float | list[float], float]]:
    """Name, ratio or one a run, bound."""
    with tempfile.TemporaryDirectory() as place:
        yield from _many_files(Path(place), 10_000, 0.16)
        yield from _many_files(Path(place), 30_000, 0.16)
        yield from _one_large_file(Path(place))
        if os.environ.get("WELLREAD_SPEED_FIXITY") == "full":
            yield from _growth(Path(place))


def made(folder: Path, count: int, size_bytes: int = FILE_BYTES) -> Path:
    """A bag of so many different files, written by our own writer."""
    bag = folder / f"bag{count}"
    bag.mkdir()
    source = Random(count)
    entries = [
        write_member(bag, f"data/b{number // 100:04d}/chip{number:06d}.bin", source.randbytes(size_bytes))
        for number in range(count)
    ]
    finish_bag(bag, entries, [("Source-Organization", "Loom Museum")])
    return bag


def recheck(bag: Path) -> list[str]:
    """The whole command of a user."""
    return [sys.executable, "-m", "pipeline", "recheck", "--quiet", str(bag)]


def library(bag: Path) -> list[str]:
    """The library's own command."""
    return [sys.executable, "-m", "bagit", "--validate", "--quiet", str(bag)]


def sums(bag: Path, *algorithms: str) -> list[str]:
    """The checksum programs over the manifests, one after the other."""
    commands = " && ".join(f"{each}sum --check --quiet manifest-{each}.txt" for each in algorithms)
    return ["sh", "-c", f"cd '{bag}' && {commands}"]


def _many_files(folder: Path, count: int, bound: float) -> Iterator[tuple[str, list[float], float]]:
    bag = made(folder, count)
    ours, theirs, programs = in_turn(recheck(bag), library(bag), sums(bag, "sha256", "sha512"))
    yield f"recheck {count} files of 2 KB over bagit --validate", over(ours, theirs), bound
    yield f"recheck {count} files of 2 KB over sha256sum and sha512sum", over(ours, programs), 0.9
    shutil.rmtree(bag)


def _one_large_file(folder: Path) -> Iterator[tuple[str, list[float], float]]:
    bag = folder / "large"
    bag.mkdir()
    source = folder / "large.bin"
    with source.open("wb") as stream:
        for number in range(GIBIBYTE >> 24):
            stream.write(Random(number).randbytes(1 << 24))
    finish_bag(bag, [write_member(bag, "data/large.bin", source)], [("Source-Organization", "Loom Museum")])
    source.unlink()
    found = ratios(recheck(bag), sums(bag, "sha512"), runs=3)
    yield "recheck 1 GiB in one file, two algorithms, over sha512sum", found, 0.7
    shutil.rmtree(bag)


def _growth(folder: Path) -> Iterator[tuple[str, float, float]]:
    empty, small, large = (made(folder, count) for count in (1, 10_000, 100_000))
    nothing, ten, hundred = map(min, in_turn(recheck(empty), recheck(small), recheck(large)))
    yield (
        "recheck 100,000 files over ten times 10,000, net of an empty run",
        (hundred - nothing) / (ten - nothing) / 10,
        1.15,
    )
    megabytes = watched(recheck(large), every_seconds=0.02).resident_mb
    yield "megabytes of recheck and its workers at 100,000 files", megabytes, 250

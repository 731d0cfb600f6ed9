"""Start-up against a bare Typer app; packaging many chips against the bare cost of bagging the same files."""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.speed.watching import watched

FULL, SMALL = 10_000, 1_000
_BARE = """
import typer
from typing import Annotated
app = typer.Typer(
    help="A bare app.", no_args_is_help=True, pretty_exceptions_enable=False, rich_markup_mode=None
)
def make(name):
    def command(
        one: Annotated[str, typer.Argument(help="An argument.")],
        two: Annotated[bool, typer.Option(help="An option.")] = False,
    ) -> None:
        "A command that does nothing."
    command.__name__ = name
    return command
for name in {names!r}:
    app.command(name)(make(name))
app()
"""


def rows() -> Iterator[tuple[str, float, float]]:
    """Ratios and their bounds."""
    yield "wellread --help over a bare Typer app's", _help_ratio(), 1.25
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        small = _package(folder, SMALL, inline=False)
        for inline in (False, True):
            full = _package(folder, FULL, inline=inline)
            where = "inline" if inline else "in a CSV"
            yield f"packaging {FULL} chips ({where}) over bagit's making and validating", full.ratio, 4.0
            yield (
                f"  its peak memory, workers included, over 400 MB ({full.memory_mb:.0f} MB)",
                full.memory_mb / 400,
                1.0,
            )
            if not inline:
                yield (
                    f"  time per chip at {FULL} over that at {SMALL}",
                    (full.seconds / FULL) / (small.seconds / SMALL),
                    1.3,
                )


def _help_ratio() -> float:
    names = subprocess.run(
        [sys.executable, "-m", "pipeline", "--help"], capture_output=True, text=True, check=True
    ).stdout
    commands = [
        line.split()[0]
        for line in names.split("Commands:")[1].splitlines()
        if line.startswith("  ") and line[2] != " "
    ]
    bare = _BARE.format(names=commands)
    ours, theirs = [], []
    for _ in range(9):
        ours.append(_seconds([sys.executable, "-m", "pipeline", "--help"]))
        theirs.append(_seconds([sys.executable, "-c", bare, "--help"]))
    return float(np.median(np.array(ours) / np.array(theirs)))


def _seconds(command: list[str]) -> float:
    begins = time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begins


class _Measured:
    def __init__(self, seconds: float, ratio: float, memory_mb: float) -> None:
        self.seconds, self.ratio, self.memory_mb = seconds, ratio, memory_mb


def project(folder: Path, chips: int, *, inline: bool, seed: int = 1978) -> Path:
    """A project of distinct 2K×8 chips, two readings each by two readers, one chip in a hundred faulty."""
    root = folder / f"project-{chips}-{'inline' if inline else 'csv'}"
    dumps = root / "dumps"
    dumps.mkdir(parents=True)
    rng = np.random.default_rng(seed)
    rows = []
    for index in range(chips):
        chip = f"U{index + 1}"
        # Code-like bytes: skewed, with repeats, and an unused end.
        words = rng.choice(256, size=2048, p=_SKEW).astype(np.uint8)
        words[2048 - int(rng.integers(0, 256)) :] = 0xFF
        first = words
        if index % 100 == 0:
            line = 1 << int(rng.integers(3, 9))
            first = words[np.arange(2048) & ~line]
        (dumps / f"{chip}.prog.1.bin").write_bytes(first.tobytes())
        (dumps / f"{chip}.hb.1.bin").write_bytes(first.tobytes())
        rows.append((chip, "2716", f"b{index // 40}", f"U{index % 40}"))
    boards = sorted({row[2] for row in rows})
    head = [
        "machine: {id: many, name: Many chips}",
        "readers:",
        "  prog: {kind: device-programmer}",
        "  hb: {kind: home-built}",
        "boards:",
    ]
    head += [f"  {board}: {{}}" for board in boards]
    if inline:
        head.append("chips:")
        head += [f"  - {{chip: {c}, part: '{p}', board: {b}, socket: {s}}}" for c, p, b, s in rows]
    else:
        head.append("chips: chips.csv")
        with (root / "chips.csv").open("w", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(("chip", "part", "board", "socket"))
            writer.writerows(rows)
    (root / "sheet.yaml").write_text("\n".join(head) + "\n")
    return root


_SKEW = 1.0 / (1.0 + np.arange(256)) ** 0.6
_SKEW = np.random.default_rng(7).permutation(_SKEW / _SKEW.sum())


def _package(folder: Path, chips: int, *, inline: bool) -> _Measured:
    root = project(folder, chips, inline=inline)
    into = folder / "bags"
    shutil.rmtree(into, ignore_errors=True)
    command = [sys.executable, "-m", "pipeline", "package", str(root), "--into", str(into), "--quiet"]
    seconds, memory_mb = watched(command)
    bag = next(into.iterdir())
    copy = folder / "bare"
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(bag / "data", copy)
    shutil.copytree(bag / "metadata", copy / "metadata")
    bare = _seconds([sys.executable, "-c", _MAKE_AND_VALIDATE, str(copy)])
    shutil.rmtree(root)
    shutil.rmtree(copy)
    return _Measured(seconds, seconds / bare, memory_mb)


_MAKE_AND_VALIDATE = """
import bagit, logging, sys
logging.disable(logging.CRITICAL)
bagit.make_bag(sys.argv[1], checksums=["sha256", "sha512"])
bagit.Bag(sys.argv[1]).validate()
"""

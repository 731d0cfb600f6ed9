"""Start-up against a bare Typer app; packaging many chips against the bare cost of bagging the same files.

Nothing is removed until all is measured: for minutes after a removal ext4 looks at each removed inode again
wherever a new file is made (its `recently_deleted`, from memory). A dump in a folder of its own was written
in 0.05 ms, and in 0.35 ms after some ten thousand files had been removed; who measures removes more than
anybody who packages.
"""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.edges.packs import CHOSEN
from tests.speed.commands import PROGRAM, PYTHON, ratios, seconds
from tests.speed.watching import Watched, watched

HUGE, FULL, SMALL = 50_000, 10_000, 1_000
EXAMPLE = Path(__file__).parents[2] / "example_project"
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


@contextmanager
def _keeping(folder: Path) -> Iterator[None]:
    """What is worked out is kept in a folder of its own, as for somebody who packages for the first time."""
    before = os.environ.get(CHOSEN)
    with tempfile.TemporaryDirectory(dir=folder) as place:
        os.environ[CHOSEN] = place
        try:
            yield
        finally:
            os.environ.pop(CHOSEN) if before is None else os.environ.update({CHOSEN: before})


def rows() -> Iterator[tuple[str, float | list[float], float]]:
    """Ratios, or one a run, and their bounds. `WELLREAD_SPEED_PACKAGING=full` adds 50,000 chips."""
    yield "wellread --help over a bare Typer app's", _help_ratios(), 1.1
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        yield from _example(folder)
        yield from _one_changed(folder)
        small = _package(folder, SMALL, inline=False)
        for inline in (False, True):
            full = _package(folder, FULL, inline=inline, runs=2)
            where = "inline" if inline else "in a CSV"
            yield f"packaging {FULL} chips ({where}) over bagit's making and validating", full.ratios, 2.4
            yield _memory(full, 260)
            if not inline:
                yield "  the same again, nothing changed, over a recheck of the bag", full.again, 2.0
                yield f"  time per chip at {FULL} over that at {SMALL}", full.a_chip / small.a_chip, 1.1
        if os.environ.get("WELLREAD_SPEED_PACKAGING") == "full":
            huge = _package(folder, HUGE, inline=False)
            yield f"time per chip at {HUGE} over that at {FULL}", huge.a_chip / full.a_chip, 1.1
            yield _memory(huge, 300)


def _help_ratios() -> list[float]:
    names = subprocess.run([*PROGRAM, "--help"], capture_output=True, text=True, check=True).stdout
    commands = [
        line.split()[0]
        for line in names.split("Commands:")[1].splitlines()
        if line.startswith("  ") and line[2] != " "
    ]
    bare = [PYTHON, "-c", _BARE.format(names=commands), "--help"]
    return ratios([*PROGRAM, "--help"], bare, runs=9)


def packaging(root: Path, into: Path) -> list[str]:
    """The whole command of a user."""
    return [*PROGRAM, "package", str(root), "--into", str(into), "--quiet"]


def _example(folder: Path) -> Iterator[tuple[str, list[float], float]]:
    """The example, a new bag each time, over an interpreter that only loads the libraries."""
    bare = [PYTHON, "-c", "import numpy, pydantic, typer, bagit"]
    found = []
    for number in range(5):
        into = folder / f"example-{number}"
        with _keeping(folder):
            found += ratios(packaging(EXAMPLE, into), bare, runs=1)
    yield "packaging the example over loading the libraries", found, 4.0


def _one_changed(folder: Path) -> Iterator[tuple[str, list[float], float]]:
    """What packaging again costs where one reading changed, another one each time."""
    root, into = project(folder / "changed", SMALL, inline=False), folder / "again"
    again = []
    with _keeping(folder):
        first = seconds(packaging(root, into))
        for chip in ("U7", "U77", "U777"):
            dump = root / "dumps" / f"{chip}.hb.1.bin"
            content = dump.read_bytes()
            dump.write_bytes(bytes([content[0] ^ 1]) + content[1:])
            again.append(seconds(packaging(root, into)) / first)
    assert len(list(into.iterdir())) == 1 + len(again), "one reading changed each time"
    yield f"the next version of {SMALL} chips, one reading changed, over the first", again, 0.6


class _Measured(NamedTuple):
    """Packaging some chips.

    Attributes:
        a_chip: Seconds a chip.
        ratios: Seconds over bagit's; a figure a run.
        first: What packaging for the first time took, workers included; each run.
        again: Packaging once more, nothing changed, over a recheck of the bag; a figure a run.
    """

    a_chip: float
    ratios: list[float]
    first: list[Watched]
    again: list[float]


def _memory(one: _Measured, bound_mb: int) -> tuple[str, list[float], float]:
    """The peak of all processes together, pages that they share counted once; and by resident pages."""
    memory, resident = (max(peaks) for peaks in zip(*[run[1:] for run in one.first], strict=True))
    told = f"{memory:.0f} MB by proportional set sizes, {resident:.0f} MB resident"
    found = [run.memory_mb / bound_mb for run in one.first]
    return f"  its peak memory, workers included, over {bound_mb} MB ({told})", found, 1.0


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


def _package(folder: Path, chips: int, *, inline: bool, runs: int = 1) -> _Measured:
    """Package some chips as if for the first time, `runs` times, each with bagit right after it."""
    root = project(folder, chips, inline=inline)
    first, over_bagit = [], []
    for run in range(runs):
        into, copy = folder / f"bags-{run}-{root.name}", folder / f"bare-{run}-{root.name}"
        with _keeping(folder):
            first.append(watched(packaging(root, into)))
        (bag,) = into.iterdir()
        shutil.copytree(bag / "data", copy)
        shutil.copytree(bag / "metadata", copy / "metadata")
        over_bagit.append(first[-1].seconds / seconds([PYTHON, "-c", _MAKE_AND_VALIDATE, str(copy)]))
    again = ratios(packaging(root, into), [*PROGRAM, "recheck", "--quiet", str(bag)], runs=2)
    assert list(into.iterdir()) == [bag], "nothing changed, and something was written"
    return _Measured(min(run.seconds for run in first) / chips, over_bagit, first, again)


_MAKE_AND_VALIDATE = """
import bagit, logging, sys
logging.disable(logging.CRITICAL)
bagit.make_bag(sys.argv[1], checksums=["sha256", "sha512"])
bagit.Bag(sys.argv[1]).validate()
"""

"""Whatever ends a run, and wherever it is in its writing: the old state or the new, never a mixture.

Every program below runs once undisturbed, then once for each of its write steps (at least once for every distinct
call and kind of file; every third of these for the two slow ones): killed by the kernel at that step, refused by a full disk from there on, refused once by a
failing device. `WELLREAD_DRILLS=all` takes every step; `WELLREAD_DRILL_TABLE=FILE` writes the table for
DEVELOPERS.md.
"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from pipeline.edges.bagdir import leftovers, observe, remove_leftover
from pipeline.edges.ledger import Ledger
from pipeline.stages.recheck import judge
from tests.journey.drilling import Run, can_drill, chosen, drill
from tests.outside import bag_cases, rfc8493

ROOT = Path(__file__).parents[2]
WHY_NOT = can_drill()
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)
ALL = os.environ.get("WELLREAD_DRILLS") == "all"
MOST = 10**9 if ALL else 30

WRITER = """
import sys
from pathlib import Path
from pipeline.edges.bagdir import MemberStream, Staging, finish_bag, write_member
from pipeline.errors import WellreadError
def write():
    with Staging(Path(sys.argv[1])) as staging:
        entries = [write_member(staging.path, f"data/d{n % 2}/{n}.bin", bytes([n]) * 500) for n in range(6)]
        with MemberStream(staging.path, "metadata/record.json") as stream:
            for part in (b"{", b"}"):
                stream.write(part)
        finish_bag(staging.path, [*entries, stream.entry], [("Source-Organization", "Loom Museum")])
        staging.commit()
try:
    write()
except WellreadError as error:
    sys.exit(f"{type(error).__name__} {error}")
"""
MEND = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from pipeline.edges.clock import Now
from pipeline.errors import WellreadError
from pipeline.run.mending import mend_bag
shelf = Path(sys.argv[1])
try:
    mend_bag(shelf / "bag", [shelf / "copy"], now=Now(datetime(2024, 6, 2, tzinfo=UTC), True), ledger=shelf / "l")
except WellreadError as error:
    sys.exit(f"{type(error).__name__} {error}")
"""
RECHECK = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from pipeline.edges.clock import Now
from pipeline.errors import WellreadError
from pipeline.run.upkeep import recheck_bags
shelf = Path(sys.argv[1])
try:
    found = recheck_bags([shelf], now=Now(datetime(2024, 6, 1, tzinfo=UTC), True), ledger=shelf / "l")
except WellreadError as error:
    sys.exit(f"{type(error).__name__} {error}")
print("head", found.head)
"""
ADD = """
import sys
from pathlib import Path
from pipeline.edges.ledger import Ledger
from pipeline.errors import WellreadError
try:
    with Ledger(Path(sys.argv[1]) / "l", {"kind": "opened", "when": "", "tool": ""}) as book:
        for number in range(3):
            print("added", book.add({"kind": "check", "bag": f"/{number}", "note": "x" * 3000}), flush=True)
except WellreadError as error:
    sys.exit(f"{type(error).__name__} {error}")
"""
SHEET = """\
machine: {id: m, name: M}
readers: {prog: {kind: device-programmer}}
chips:
  - {chip: U1, part: '2716'}
  - {chip: U2, part: '2716'}
"""


@dataclass(frozen=True)
class Drill:
    """One program under drill.

    Attributes:
        name: For the table.
        arrange: Fills an empty folder before each run.
        command: What runs in it.
        inspect: Asserts that the folder is in the old state or the new; told how the run ended.
        most: How many steps to drill, beyond one for every distinct site.
        slow: It starts the whole program: only every third step unless all are asked for.
    """

    name: str
    arrange: Callable[[Path], None]
    command: Callable[[Path], list[str]]
    inspect: Callable[[Path, Run], None]
    most: int
    slow: bool = False


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def clean_up(folder: Path) -> None:
    """Leftovers are known for what they are, their maker is known to be dead, and they can be removed."""
    for leftover in leftovers(folder):
        assert not leftover.in_use
        remove_leftover(leftover)
    assert not [path.name for path in folder.iterdir() if "staging" in path.name]


def python(source: str) -> Callable[[Path], list[str]]:
    return lambda folder: [sys.executable, "-c", source, str(folder)]


# --- the writer -------------------------------------------------------------------------------------------


def nothing(folder: Path) -> None:
    assert not list(folder.iterdir())


def bag_or_none(folder: Path, run: Run) -> None:
    if (folder / "bag").exists():
        assert rfc8493.problems(folder / "bag") == []
        assert judge(observe(folder / "bag")).valid
    else:
        assert run.status != 0
    clean_up(folder)
    assert [path.name for path in folder.iterdir()] in ([], ["bag"])


def writer_command(folder: Path) -> list[str]:
    return [sys.executable, "-c", WRITER, str(folder / "bag")]


# --- mend -------------------------------------------------------------------------------------------------


def damaged_shelf(folder: Path) -> None:
    bag_cases.bag(folder / "bag", {f"data/{number}.bin": bytes([number]) * 300 for number in range(3)})
    shutil.copytree(folder / "bag", folder / "copy")
    done = subprocess.run([*python(RECHECK)(folder)], check=True, capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.startswith("head")
    (folder / "bag/data/0.bin").write_bytes(b"damaged")
    (folder / "bag/bag-info.txt").unlink()


def old_or_mended(folder: Path, run: Run) -> None:
    whole, now = tree(folder / "copy"), tree(folder / "bag")
    old = {**whole, "data/0.bin": b"damaged"}
    del old["bag-info.txt"]
    assert now in (old, whole)
    kept = any(path.read_bytes() == b"damaged" for path in folder.rglob("0.bin"))
    assert kept, "the damaged bytes are lost"
    ledger_is_whole(folder, at_least=3 + (now == whole and run.status == 0))
    clean_up(folder)
    assert tree(folder / "bag") == now
    if now == whole:
        assert (folder / "bag.mend-1.json").exists()
        assert tree(folder / "bag.damaged-1") == {"data/0.bin": b"damaged"}
    else:
        assert run.status != 0
        assert not (folder / "bag.mend-1.json").exists()
        again = subprocess.run(python(MEND)(folder), check=False, capture_output=True, text=True, cwd=ROOT)
        assert again.returncode == 0, again.stderr
        assert tree(folder / "bag") == whole


# --- ledger -----------------------------------------------------------------------------------------------


def ledger_is_whole(folder: Path, *, at_least: int) -> None:
    if not (folder / "l").exists() or not (folder / "l").stat().st_size:
        assert at_least == 0
        return
    with Ledger(folder / "l", {"kind": "opened", "when": "", "tool": ""}) as book:
        found = book.wholeness()
    assert found.problems == ()
    assert found.rows >= at_least


def added_rows_are_there(folder: Path, run: Run) -> None:
    added = [line.split()[1] for line in run.output.splitlines() if line.startswith("added")]
    ledger_is_whole(folder, at_least=len(added) + 1 if added else 0)
    if added:
        with Ledger(folder / "l") as book:
            digests = [row.digest for row in book.rows()]
        assert set(added) <= set(digests)
        assert len(digests) <= len(added) + 2
    if run.status == 0:
        assert len(added) == 3


def two_bags(folder: Path) -> None:
    for name in ("one", "two"):
        bag_cases.bag(folder / name, {"data/x": name.encode()})


def bags_untouched(folder: Path, run: Run) -> None:
    ledger_is_whole(folder, at_least=3 if run.status == 0 else 0)
    for name in ("one", "two"):
        assert judge(observe(folder / name)).valid


# --- package ----------------------------------------------------------------------------------------------


def project(folder: Path) -> None:
    (folder / "m/dumps").mkdir(parents=True)
    (folder / "into").mkdir()
    source = (ROOT / "example_project/dumps/MEM-U1.prog.1.bin").read_bytes()
    for chip in ("U1", "U2"):
        (folder / f"m/dumps/{chip}.prog.1.bin").write_bytes(source)
    (folder / "m/sheet.yaml").write_text(SHEET, encoding="utf-8")


def package(folder: Path) -> list[str]:
    return [
        sys.executable,
        "-m",
        "pipeline",
        "package",
        str(folder / "m"),
        "--into",
        str(folder / "into"),
        "-q",
    ]


def project_untouched_and_bag_or_none(folder: Path, run: Run) -> None:
    assert set(tree(folder / "m")) == {"sheet.yaml", "dumps/U1.prog.1.bin", "dumps/U2.prog.1.bin"}
    bag = folder / "into/m-v1"
    if bag.exists():
        assert rfc8493.problems(bag) == []
        assert judge(observe(bag)).valid
    else:
        assert run.status != 0
    clean_up(folder / "into")
    assert [path.name for path in (folder / "into").iterdir()] == (["m-v1"] if bag.exists() else [])


# --- release ----------------------------------------------------------------------------------------------

RIGHTS = "rights: {statement: CC0-1.0}\n"


@cache
def packaged() -> Path:
    """A bag that may be released, made once."""
    folder = Path(tempfile.mkdtemp(prefix="wellread-drill-"))
    project(folder)
    sheet = folder / "m/sheet.yaml"
    sheet.write_text(sheet.read_text("utf-8") + RIGHTS, "utf-8")
    subprocess.run(
        package(folder), check=True, cwd=ROOT, env={**os.environ, "SOURCE_DATE_EPOCH": "1717200000"}
    )
    return folder / "into/m-v1"


def a_bag(folder: Path) -> None:
    shutil.copytree(packaged(), folder / "m-v1")
    (folder / "out").mkdir()


def release(folder: Path) -> list[str]:
    return [
        sys.executable,
        "-m",
        "pipeline",
        "release",
        str(folder / "m-v1"),
        "--into",
        str(folder / "out"),
        "-q",
    ]


def bag_untouched_and_bundle_or_none(folder: Path, run: Run) -> None:
    assert tree(folder / "m-v1") == tree(packaged())
    clean_up(folder / "out")
    made = list((folder / "out").iterdir())
    assert len(made) in (range(3) if run.status else {2})
    for path in made:
        assert judge(observe(path)).valid
        assert path.suffix == ".zip" or rfc8493.problems(path) == []


DRILLS = [
    Drill("writing a bag", nothing, writer_command, bag_or_none, MOST),
    Drill("mend, with a ledger", damaged_shelf, python(MEND), old_or_mended, MOST),
    Drill("adding to a ledger", nothing, python(ADD), added_rows_are_there, MOST),
    Drill("recheck, with a ledger", two_bags, python(RECHECK), bags_untouched, MOST),
    Drill("package", project, package, project_untouched_and_bag_or_none, MOST, slow=True),
    Drill("release", a_bag, release, bag_untouched_and_bundle_or_none, MOST, slow=True),
]
FAULTS = {
    "killed": {"kill": True, "failure": 0, "lasting": False},
    "disk full": {"kill": False, "failure": errno.ENOSPC, "lasting": True},
    "device fails once": {"kill": False, "failure": errno.EIO, "lasting": False},
    "read-only": {"kill": False, "failure": errno.EROFS, "lasting": True},
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("drilled", DRILLS, ids=lambda each: each.name.replace(" ", "-"))
def test_the_old_state_or_the_new_never_a_mixture(drilled: Drill, fault: str, tmp_path: Path) -> None:
    how = FAULTS[fault]

    def run(number: int) -> tuple[Path, Run]:
        folder = tmp_path / f"run{number}"
        folder.mkdir()
        drilled.arrange(folder)
        done = drill(
            drilled.command(folder),
            folder,
            kill_at=number if how["kill"] else 0,
            fail_at=0 if how["kill"] else number,
            failure=int(how["failure"]),
            lasting=bool(how["lasting"]),
            environment={"PYTHONPATH": str(ROOT), "SOURCE_DATE_EPOCH": "1717200000"},
        )
        return folder, done

    folder, undisturbed = run(0)
    assert undisturbed.status == 0, undisturbed.output
    drilled.inspect(folder, undisturbed)
    points = chosen(undisturbed.steps, drilled.most)
    assert len(points) >= 10
    if drilled.slow and not ALL:
        points = points[::3]
    if how["failure"] == errno.EROFS:
        points = [1]  # a folder that cannot be written shows at the first step
    elif not how["kill"] and not ALL:
        points = points[:: max(1, len(points) // 10)]
    reached = 0
    for number in points:
        folder, done = run(number)
        reached += done.reached
        assert "Traceback" not in done.output, f"step {number}: {done.output}"
        try:
            drilled.inspect(folder, done)
        except AssertionError as error:
            step = done.steps[number - 1] if len(done.steps) >= number else None
            pytest.fail(
                f"{fault} at step {number} ({step}), ended with {done.status}: {error}\n{done.output}"
            )
        shutil.rmtree(folder)
    assert reached >= len(points) * 0.9, (
        "too few steps were reached: the program does not write alike each time"
    )
    sites = {step.site for step in undisturbed.steps}
    met = {undisturbed.steps[number - 1].site for number in points}
    note(
        drilled.name, fault, f"{reached} of {len(undisturbed.steps)} steps, {len(met)} of {len(sites)} kinds"
    )


@pytest.mark.parametrize("round_", range(5))
def test_two_packagers_racing_for_one_name_leave_one_whole_bag(tmp_path: Path, round_: int) -> None:
    del round_
    command = writer_command(tmp_path)
    racers = [subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    said = [racer.communicate()[1] for racer in racers]
    assert sorted(racer.returncode for racer in racers) == [0, 1, 1], said
    assert sum("DestinationError" in each for each in said) == 2
    assert rfc8493.problems(tmp_path / "bag") == []
    assert [path.name for path in tmp_path.iterdir()] == ["bag"]


OTHER = Path("/dev/shm")


@pytest.mark.skipif(
    not OTHER.is_dir() or OTHER.stat().st_dev == Path(tempfile.gettempdir()).stat().st_dev,
    reason="there is no second file system here",
)
def test_a_destination_on_another_file_system_is_as_good(tmp_path: Path) -> None:
    with tempfile.TemporaryDirectory(dir=OTHER) as place:
        damaged_shelf(tmp_path)
        shutil.move(tmp_path / "bag", Path(place) / "bag")
        moved = MEND.replace('shelf / "bag"', f'Path({place!r}) / "bag"')
        subprocess.run(python(moved)(tmp_path), check=True, cwd=ROOT)
        assert tree(Path(place) / "bag") == tree(tmp_path / "copy")
        (Path(place) / "written").mkdir()
        subprocess.run(writer_command(Path(place) / "written"), check=True, cwd=ROOT)
        assert rfc8493.problems(Path(place) / "written/bag") == []


def note(name: str, fault: str, times: str) -> None:
    if table := os.environ.get("WELLREAD_DRILL_TABLE"):
        with Path(table).open("a", encoding="utf-8") as stream:
            stream.write(f"| {name} | {fault} | {times} | nothing lost |\n")

"""Whatever ends a run, and wherever it is in its writing: the old state or the new, never a mixture.

Every program below runs once undisturbed, then once for each of its write steps: killed by the kernel at that
step, refused by a full disk from there on, refused once by a failing device. What lies there afterwards is
the old state or, byte for byte, what the undisturbed run left. The same command run again tells of what was
left behind, clears it where asked, and ends in the new state.

By default every distinct call and kind of file is killed once, and every second of them refused;
`WELLREAD_DRILLS=all` takes every step for every fault. `WELLREAD_DRILL_TABLE=FILE` writes the table for
tests/MEASUREMENTS.md.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest
from _pytest.mark.structures import ParameterSet

from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.ledger import Ledger
from pipeline.edges.staging import leftovers
from pipeline.run.crew import worker_count
from tests.journey import drilled
from tests.journey.cli import Ran, wellread
from tests.journey.drill_yard import Yard
from tests.journey.drilling import Run, can_drill, chosen
from tests.kit.examples import drilled_but
from tests.outside import bag_cases, rfc8493

ROOT = Path(__file__).parents[2]
WHY_NOT = can_drill()
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)
ALL = os.environ.get("WELLREAD_DRILLS") == "all"

Tree = dict[str, bytes]


@dataclass(frozen=True)
class Drill:
    """One program under drill.

    Attributes:
        name: For the table.
        program: Of `drilled.PROGRAMS`.
        arrange: Fills an empty folder before each run.
        arguments: What the program is given, in that folder.
        inspect: Asserts that the folder is in the old state or the new; told how the run ended, the old state
            and the new (empty for the undisturbed run, which makes it).
    """

    name: str
    program: str
    arrange: Callable[[Path], None]
    arguments: Callable[[Path], Sequence[str | Path]]
    inspect: Callable[[Path, Run, Tree, Tree], None]


def tree(folder: Path) -> Tree:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def again(*arguments: str | Path) -> Ran:
    """The command once more in this process, told to clear what a dead run left.

    It names whatever it finds.
    """
    ran = wellread(*arguments, "--clear-leftovers")
    assert "Traceback" not in ran.err
    return ran


def told_and_cleared(folder: Path, ran: Ran, left: Sequence[str]) -> None:
    for name in left:
        assert f"{name}: left behind by a run that ended" in ran.err, ran.err
    assert not [path for path in folder.iterdir() if ".staging-" in path.name]


def left_in(folder: Path) -> list[str]:
    """Staging folders there: each known for one, its maker known to be dead."""
    found = leftovers(folder)
    assert not any(each.in_use for each in found)
    assert {each.path.name for each in found} == {p.name for p in folder.iterdir() if "staging" in p.name}
    return [each.path.name for each in found]


# --- the writer -------------------------------------------------------------------------------------------


def nothing(folder: Path) -> None:
    assert not list(folder.iterdir())


def bag_or_none(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    del old
    left_in(folder)
    if (folder / "bag").exists():
        assert rfc8493.problems(folder / "bag") == []
        assert judge(observe(folder / "bag")).valid
        assert (
            tree(folder / "bag") == {name.removeprefix("bag/"): each for name, each in new.items()} or not new
        )
    else:
        assert run.status != 0
    assert {path.name for path in folder.iterdir() if "staging" not in path.name} <= {"bag"}


# --- ledger -----------------------------------------------------------------------------------------------


def ledger_is_whole(folder: Path, *, at_least: int) -> None:
    if not (folder / "l").exists() or not (folder / "l").stat().st_size:
        assert at_least == 0
        return
    with Ledger(folder / "l", {"kind": "opened", "when": "", "tool": ""}) as book:
        found = book.wholeness()
    assert found.problems == ()
    assert found.rows >= at_least


def added_rows_are_there(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    del old, new
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


def bags_untouched(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    del new
    ledger_is_whole(folder, at_least=3 if run.status == 0 else 0)
    now = tree(folder)
    assert {name: each for name, each in now.items() if name.partition("/")[0] in {"one", "two"}} == old


def known_bags(folder: Path) -> None:
    two_bags(folder)
    drilled.quietly("recheck", folder / "one", "--ledger", folder / "l", "--new-ledger")


def a_rewritten_bag(folder: Path) -> None:
    """A known bag that was packed anew, so that its new receipt waits to be accepted."""
    known_bags(folder)
    shutil.rmtree(folder / "one")
    bag_cases.bag(folder / "one", {"data/x": b"a better reading"})


def accept(folder: Path) -> list[str | Path]:
    return ["ledger", folder / "l", "--accept", folder / "one", "--because", "a better reading"]


def accepted_or_not(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    def rows() -> list[str]:
        with Ledger(folder / "l") as book:
            return [str(row.body["kind"]) for row in book.rows()]

    ledger_is_whole(folder, at_least=2)
    before, after = ["opened", "check"], ["opened", "check", "accepted"]
    assert rows() in (before, after)
    assert rows() == after or run.status != 0
    now = {name: each for name, each in tree(folder).items() if name.partition("/")[0] in {"one", "two"}}
    assert now == {name: each for name, each in old.items() if name in now}
    if new:
        # Asked again, it is accepted, or known to be accepted already (24).
        expected = 24 if rows() == after else 0
        assert wellread(*accept(folder)).code == expected
        assert rows() == after


def exports_or_none(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    ledger_is_whole(folder, at_least=2)
    now = {name: each for name, each in tree(folder).items() if ".part-" not in name and name[:2] != "l-"}
    if new:
        for name in ("l.csv", "l.xml"):
            assert name not in now or now[name] == exported(folder, name), f"{name} is not whole"
        assert set(now) >= set(old)
    assert ({"l.csv", "l.xml"} <= set(now)) or run.status != 0


def exported(folder: Path, name: str) -> bytes:
    """What an export of this very ledger holds; the ledger's own number is random."""
    target = folder / f"again{name[1:]}"
    assert wellread("ledger", folder / "l", "--csv" if name == "l.csv" else "--premis", target).code == 0
    content = target.read_bytes()
    target.unlink()
    return content


# --- mend -------------------------------------------------------------------------------------------------


def damaged_shelf_with_zip(folder: Path) -> None:
    drilled.damaged_shelf(folder)
    shutil.make_archive(str(folder / "packed"), "zip", folder, "copy")
    shutil.rmtree(folder / "copy")


def mend(folder: Path) -> list[str | Path]:
    copy = folder / ("copy" if (folder / "copy").exists() else "packed.zip")
    return ["mend", folder / "bag", "--from", copy, "--ledger", folder / "l"]


def old_or_mended(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    def inside(state: Tree, name: str) -> Tree:
        return {each.removeprefix(name): what for each, what in state.items() if each.startswith(name)}

    before, now = inside(old, "bag/"), tree(folder / "bag")
    whole = inside(new, "bag/") or now
    assert now in (before, whole)
    assert any(path.read_bytes() == b"damaged" for path in folder.rglob("0.bin")), (
        "the damaged bytes are lost"
    )
    ledger_is_whole(folder, at_least=3 + (now == whole and run.status == 0))
    assert now == whole or run.status != 0
    if not new:
        return
    left = left_in(folder)
    ran = again(*mend(folder))
    # A bag that is whole needs no mending: 24.
    assert ran.code == (0 if now == before else 24), ran.err
    told_and_cleared(folder, ran, left)
    assert tree(folder / "bag") == whole
    assert (folder / "bag.mend-1.json").exists() or (folder / "bag.mend-2.json").exists()
    number = 1 if (folder / "bag.mend-1.json").exists() else 2
    assert tree(folder / f"bag.damaged-{number}") == {"data/0.bin": b"damaged"}


# --- package ----------------------------------------------------------------------------------------------


def project(folder: Path) -> None:
    (folder / "into").mkdir()
    drilled.project(folder)


def package(folder: Path) -> list[str | Path]:
    return ["package", folder / "m", "--into", folder / "into"]


def version_or_none(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    left = left_in(folder / "into")
    now = {name: each for name, each in tree(folder).items() if ".staging-" not in name}
    for bag in (folder / "into").glob("m-v*"):
        assert rfc8493.problems(bag) == []
        assert judge(observe(bag)).valid
    assert now != old or run.status != 0
    if not new:
        return
    assert now in (old, new), sorted(set(now) ^ set(new))
    with fixed_clock():
        ran = again(*package(folder))
    assert ran.code == 0, ran.err
    told_and_cleared(folder / "into", ran, left)
    assert tree(folder) == new


# --- release ----------------------------------------------------------------------------------------------


def a_bag(folder: Path) -> None:
    shutil.copytree(drilled.packaged() / "m-v1", folder / "m-v1")
    (folder / "out").mkdir()


def release(folder: Path) -> list[str | Path]:
    return ["release", folder / "m-v1", "--into", folder / "out"]


def bundle_and_zip_or_neither(folder: Path, run: Run, old: Tree, new: Tree) -> None:
    left = left_in(folder / "out")
    now = {name: each for name, each in tree(folder).items() if ".staging-" not in name}
    for path in (folder / "out").glob("m-v1-public*"):
        assert judge(observe(path)).valid
        assert path.suffix == ".zip" or rfc8493.problems(path) == []
    if not new:
        assert run.status == 0
        assert {path.name for path in (folder / "out").iterdir()} == {"m-v1-public", "m-v1-public.zip"}
        return
    zipped = {"out/m-v1-public.zip": new["out/m-v1-public.zip"]}
    # Two names cannot come in one step. The folder's comes first, and the leftover puts the zip in place.
    assert now in (old, new) or (left and {**now, **zipped} == new)
    assert now == new or run.status != 0
    with fixed_clock():
        ran = again(*release(folder))
    assert ran.code == (0 if now == old else 15), ran.err
    told_and_cleared(folder / "out", ran, left)
    assert tree(folder) == new


DRILLS = [
    Drill("writing a bag", "write", nothing, lambda at: [at / "bag"], bag_or_none),
    Drill("adding to a ledger", "add", nothing, lambda at: [at / "l"], added_rows_are_there),
    Drill(
        "recheck, with a ledger",
        "wellread",
        two_bags,
        lambda at: ["recheck", at / "one", at / "two", "--ledger", at / "l", "--new-ledger"],
        bags_untouched,
    ),
    Drill("accepting a receipt", "wellread", a_rewritten_bag, accept, accepted_or_not),
    Drill(
        "exports of a ledger",
        "wellread",
        known_bags,
        lambda at: ["ledger", at / "l", "--csv", at / "l.csv", "--premis", at / "l.xml"],
        exports_or_none,
    ),
    Drill("mend, with a ledger", "wellread", drilled.damaged_shelf, mend, old_or_mended),
    Drill("mend from a zip", "wellread", damaged_shelf_with_zip, mend, old_or_mended),
    Drill("package", "wellread", project, package, version_or_none),
    Drill("package a second version", "wellread", drilled.edited, package, version_or_none),
    Drill("release", "wellread", a_bag, release, bundle_and_zip_or_neither),
]


@dataclass(frozen=True)
class Fault:
    """What happens at a step: the kernel kills (0), or answers with an error number, once or from then on."""

    failure: int
    lasting: bool = False


FAULTS = {
    "killed": Fault(0),
    "disk full": Fault(errno.ENOSPC, lasting=True),
    "device fails once": Fault(errno.EIO),
    "read-only": Fault(errno.EROFS, lasting=True),
}


class fixed_clock:  # noqa: N801 - reads as what it does
    """The drilled programs' time, in this process."""

    def __enter__(self) -> None:
        self.before = os.environ.get("SOURCE_DATE_EPOCH")
        os.environ["SOURCE_DATE_EPOCH"] = drilled.EPOCH

    def __exit__(self, *ended: object) -> None:
        del os.environ["SOURCE_DATE_EPOCH"]
        if self.before is not None:
            os.environ["SOURCE_DATE_EPOCH"] = self.before


@pytest.fixture(scope="module")
def yard() -> Iterator[Yard]:
    with Yard() as made:
        yield made


def points_of(run: Run, fault: Fault) -> list[int]:
    """Which steps: all, or one of every kind when killed, and of every second kind when refused."""
    if fault.failure == errno.EROFS:
        return [1]  # a folder that cannot be written shows at the first step
    if ALL:
        return list(range(1, len(run.steps) + 1))
    return chosen(run.steps, 0)[:: 2 if fault.failure else 1]


def marked(drill: Drill) -> ParameterSet:
    """The long ones wait for `pytest -m drill`."""
    long = drill.name.startswith(("mend", "package", "release", "writing"))
    return pytest.param(drill, marks=[pytest.mark.drill] if long else [], id=drill.name.replace(" ", "-"))


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("drill", [marked(each) for each in DRILLS])
def test_the_old_state_or_the_new_never_a_mixture(
    drill: Drill, fault: str, tmp_path: Path, yard: Yard
) -> None:
    how = FAULTS[fault]

    def run(number: int) -> tuple[Path, Run, Tree]:
        folder = tmp_path / f"run{number}"
        folder.mkdir()
        drill.arrange(folder)
        old = tree(folder)
        at = {"kill_at": number} if how.failure == 0 else {"fail_at": number, "failure": how.failure}
        done = yard.drill(
            drill.program,
            [str(each) for each in drill.arguments(folder)],
            folder,
            **at,
            lasting=how.lasting,
            environment={"SOURCE_DATE_EPOCH": drilled.EPOCH},
        )
        return folder, done, old

    folder, undisturbed, old = run(0)
    assert undisturbed.status == 0, undisturbed.output
    drill.inspect(folder, undisturbed, old, {})
    new = tree(folder)
    points = points_of(undisturbed, how)
    assert len(points) >= (1 if how.failure == errno.EROFS else 4)
    reached = 0
    for number in points:
        folder, done, old = run(number)
        reached += done.reached
        step = done.steps[number - 1] if len(done.steps) >= number else None
        where = f"{fault} at step {number} ({step}), ended with {done.status}"
        assert "Traceback" not in done.output, f"{where}: {done.output}"
        assert done.reached == (done.status < 0) or how.failure, where
        try:
            drill.inspect(folder, done, old, new)
        except AssertionError as error:
            raise AssertionError(f"{where}: {error}\n{done.output}") from error
        shutil.rmtree(folder)
    assert reached >= len(points) * 0.9, (
        "too few steps were reached: the program does not write alike each time"
    )
    sites = {step.site for step in undisturbed.steps}
    met = {undisturbed.steps[number - 1].site for number in points}
    note(drill.name, fault, reached, f"{len(undisturbed.steps)} steps", f"{len(met)} of {len(sites)} kinds")


def note(name: str, fault: str, times: int, *of: str) -> None:
    if table := os.environ.get("WELLREAD_DRILL_TABLE"):
        with Path(table).open("a", encoding="utf-8") as stream:
            stream.write(f"| {name} | {fault} | {times} | {', '.join(of)} | nothing lost |\n")


@pytest.mark.drill
@pytest.mark.parametrize("fault", ["killed", "disk full", "device fails once"])
def test_a_package_made_by_several_processes_is_whole_or_not_there(
    fault: str, tmp_path: Path, yard: Yard
) -> None:
    if worker_count() < 2:
        pytest.skip("one core: no workers are started")
    how = FAULTS[fault]

    def run(number: int) -> tuple[Path, Run]:
        folder = tmp_path / f"run{number}"
        folder.mkdir()
        drilled.many_chips(folder)
        at = {"kill_at": number} if how.failure == 0 else {"fail_at": number, "failure": how.failure}
        asked = [str(each) for each in package(folder)]
        environment = {"SOURCE_DATE_EPOCH": drilled.EPOCH, "PYTHONPATH": str(ROOT)}
        return folder, yard.drill(
            "wellread", asked, folder, **at, lasting=how.lasting, environment=environment
        )

    folder, undisturbed = run(0)
    assert undisturbed.status == 0, undisturbed.output
    new = tree(folder / "into/m-v1")
    sites: dict[str, int] = {}
    for number, step in enumerate(undisturbed.steps, 1):
        sites.setdefault(re.sub(r"shared-[^/]*", "shared-*", step.site), number)
    shared = [number for site, number in sites.items() if "shared-*" in site]
    assert shared, "no workers were started"
    # What the processes share is drilled nowhere else; of the other kinds, which are, every sixth.
    points = sorted({*shared, *list(sites.values())[::6]})
    for number in points:
        folder, done = run(number)
        assert "Traceback" not in done.output, f"step {number}: {done.output}"
        left_in(folder / "into")
        bag = folder / "into/m-v1"
        assert not bag.exists() or tree(bag) == new
        assert bag.exists() or done.status != 0
        shutil.rmtree(folder)
    note(
        "package by several processes",
        fault,
        len(points),
        f"{len(undisturbed.steps)} steps",
        f"{len(points)} of {len(sites)} kinds",
    )


# --- races ------------------------------------------------------------------------------------------------


def racing(*commands: Sequence[str | Path]) -> list[tuple[int, str]]:
    """Commands started at once; how each ended and what it said."""
    racers = [
        subprocess.Popen(
            [sys.executable, "-m", "pipeline", *map(str, command)],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "SOURCE_DATE_EPOCH": drilled.EPOCH, "PYTHONDONTWRITEBYTECODE": "1"},
        )
        for command in commands
    ]
    said = [racer.communicate()[1] for racer in racers]
    assert not any("Traceback" in each for each in said), said
    return [(racer.returncode, each) for racer, each in zip(racers, said, strict=True)]


ROUNDS = range(10 if ALL else 2)


@pytest.mark.drill
@pytest.mark.parametrize("round_", ROUNDS)
def test_two_packagers_racing_for_one_name_leave_one_whole_bag(tmp_path: Path, round_: int) -> None:
    del round_
    project(tmp_path)
    ended = racing(*[package(tmp_path)] * 3)
    # The slower ones find the name taken, or, if they come late, that nothing changed since.
    assert {code for code, _ in ended} <= {0, 15}, ended
    assert 0 in {code for code, _ in ended}
    assert all("m-v1: is there already" in said for code, said in ended if code == 15)
    assert rfc8493.problems(tmp_path / "into/m-v1") == []
    assert [path.name for path in (tmp_path / "into").iterdir()] == ["m-v1"]
    note("three packagers racing", "race", 1, "each left one whole bag")


@pytest.mark.drill
@pytest.mark.parametrize("round_", ROUNDS)
def test_two_releases_racing_for_one_name_leave_one_bundle_with_its_own_zip(
    tmp_path: Path, round_: int
) -> None:
    del round_
    a_bag(tmp_path)
    ended = racing(*[release(tmp_path)] * 2)
    assert {code for code, _ in ended} <= {0, 15}, ended
    assert 0 in {code for code, _ in ended}
    bundle, zipped = tmp_path / "out/m-v1-public", tmp_path / "out/m-v1-public.zip"
    assert {path.name for path in (tmp_path / "out").iterdir()} == {bundle.name, zipped.name}
    assert judge(observe(bundle)).receipt == judge(observe(zipped)).receipt
    note("two releases racing", "race", 1, "each left one bundle and its zip")


@pytest.mark.parametrize("round_", drilled_but(ROUNDS, 0))
def test_two_mends_racing_for_one_bag_leave_it_whole_and_keep_what_was_damaged(
    tmp_path: Path, round_: int
) -> None:
    del round_
    drilled.damaged_shelf(tmp_path)
    ended = racing(*[mend(tmp_path)] * 2)
    assert 0 in {code for code, _ in ended}, ended
    assert tree(tmp_path / "bag") == tree(tmp_path / "copy")
    assert any(tree(each) == {"data/0.bin": b"damaged"} for each in tmp_path.glob("bag.damaged-*")), ended
    ledger_is_whole(tmp_path, at_least=4)
    assert not leftovers(tmp_path)
    note("two mends racing", "race", 1, "each left the bag whole")


# --- real file systems ------------------------------------------------------------------------------------


OTHER = Path("/dev/shm")


def test_a_destination_on_another_file_system_is_as_good(tmp_path: Path) -> None:
    if not OTHER.is_dir() or OTHER.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no second file system here")
    with tempfile.TemporaryDirectory(dir=OTHER) as place:
        other = Path(place)
        project(tmp_path)
        assert wellread("package", tmp_path / "m", "--into", other / "bags").code == 0
        assert rfc8493.problems(other / "bags/m-v1") == []
        assert wellread("release", other / "bags/m-v1", "--into", tmp_path / "out").code == 0
        assert judge(observe(tmp_path / "out/m-v1-public.zip")).valid
        for here, there in ((tmp_path, other), (other, tmp_path)):
            drilled.damaged_shelf(here / "shelf")
            shutil.move(here / "shelf/copy", there / "copy")
            shutil.move(here / "shelf/l", there / "l")
            mended = wellread("mend", here / "shelf/bag", "--from", there / "copy", "--ledger", there / "l")
            assert mended.code == 0, mended.err
            assert tree(here / "shelf/bag") == tree(there / "copy")
            ledger_is_whole(there, at_least=4)


MOUNTED = """
mount -t tmpfs -o size={size} tmpfs {at} && cp -a {source}/. {at}/ && \
    {{ [ "{mode}" != ro ] || mount -o remount,ro {at}; }} || exit 99
"$@"
code=$?
cp -a {at}/. {kept}/
exit $code
"""


def mounted(
    tmp_path: Path, command: Sequence[str | Path], *, size: str, mode: str = "rw"
) -> tuple[int, str, Path]:
    """A command on a small file system of its own that holds what `tmp_path/disk` does.

    What it left there.
    """
    kept = tmp_path / "kept"
    kept.mkdir()
    script = MOUNTED.format(size=size, at=tmp_path / "disk", source=tmp_path / "source", kept=kept, mode=mode)
    (tmp_path / "disk").rename(tmp_path / "source")
    (tmp_path / "disk").mkdir()
    asked = [sys.executable, "-m", "pipeline", *map(str, command)]
    done = subprocess.run(
        ["unshare", "--mount", "sh", "-c", script, "sh", *asked],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "SOURCE_DATE_EPOCH": drilled.EPOCH, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stderr, kept


def can_mount() -> bool:
    if not sys.platform.startswith("linux") or not shutil.which("unshare"):
        return False
    with tempfile.TemporaryDirectory() as place:
        asked = ["unshare", "--mount", "mount", "-t", "tmpfs", "tmpfs", place]
        return subprocess.run(asked, capture_output=True, check=False).returncode == 0


needs_mount = pytest.mark.skipif(not can_mount(), reason="this user may not mount a file system")
COMMANDS = ["package", "release", "mend", "ledger"]


def on_disk(disk: Path, command: str) -> list[str | Path]:
    """The command and its state, on a disk that is to be."""
    disk.mkdir()
    if command == "package":
        project(disk)
        return package(disk)
    if command == "release":
        a_bag(disk)
        return release(disk)
    drilled.damaged_shelf(disk)
    if command == "mend":
        return mend(disk)
    shutil.rmtree(disk / "bag")
    return ["recheck", disk / "copy", "--ledger", disk / "l", "--new-ledger"]


@needs_mount
@pytest.mark.parametrize("command", drilled_but(COMMANDS, "package", "mend"))
def test_a_read_only_file_system_is_told_in_words_and_stays_as_it_is(tmp_path: Path, command: str) -> None:
    asked = on_disk(tmp_path / "disk", command)
    old = tree(tmp_path / "disk")
    code, said, kept = mounted(tmp_path, asked, size="8m", mode="ro")
    assert code == 16, said
    assert "read-only" in said or "readonly" in said
    assert tree(kept) == old


@needs_mount
@pytest.mark.parametrize("command", drilled_but(COMMANDS, "package", "mend"))
def test_a_file_system_that_is_really_full_is_told_in_words_and_the_old_state_stays(
    tmp_path: Path, command: str
) -> None:
    asked = on_disk(tmp_path / "disk", command)
    old = tree(tmp_path / "disk")
    blocks = sum(
        -(-path.stat().st_size // 4096) if path.is_file() else 0 for path in (tmp_path / "disk").rglob("*")
    )
    code, said, kept = mounted(tmp_path, asked, size=str((blocks + 1) * 4096))
    assert code == 16, said
    assert "no space left" in said or "disk is full" in said
    now = tree(kept)
    now.pop("l-journal", None)
    assert {name: each for name, each in now.items() if name != "l"} == {
        name: each for name, each in old.items() if name != "l"
    }
    if "l" in old:
        ledger_is_whole(kept, at_least=2)


# --- the clock --------------------------------------------------------------------------------------------


def at(moment: int, *arguments: str | Path) -> Ran:
    """A command at a time of its own."""
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = str(moment)
    try:
        return wellread(*arguments)
    finally:
        del os.environ["SOURCE_DATE_EPOCH"]
        if before is not None:
            os.environ["SOURCE_DATE_EPOCH"] = before


LATE, EARLY, FAR = 1717200000, 946684800, 32503680000  # 2024, 2000, 3000


@pytest.mark.parametrize("then", [EARLY, FAR])
def test_a_clock_that_jumps_changes_no_order_of_versions_and_is_told(tmp_path: Path, then: int) -> None:
    project(tmp_path)
    assert at(LATE, *package(tmp_path)).code == 0
    (tmp_path / "m/docs/notes.txt").write_bytes(b"later\n")
    second = at(then, *package(tmp_path))
    assert second.code == 0, second.err
    assert "Supersedes m-v1." in second.out
    assert ("m-v1 was made at 2024-06-01T00:00:00Z" in second.out) == (then == EARLY)
    assert judge(observe(tmp_path / "into/m-v2")).valid
    # The number decides which is the newest, and the clock never does.
    assert "Same as m-v2" in at(LATE, *package(tmp_path)).out
    released = at(EARLY, "release", tmp_path / "into/m-v2", "--into", tmp_path)
    assert released.code == 0, released.err
    assert ("caution: the clock says 2000-01-01T00:00:00Z" in released.out) == (then == FAR)
    assert judge(observe(tmp_path / "m-v2-public.zip")).valid


def test_a_clock_that_jumps_loses_no_row_of_a_ledger_and_is_told(tmp_path: Path) -> None:
    two_bags(tmp_path)
    for moment in (LATE, FAR, EARLY, LATE):
        ran = at(
            moment, "recheck", tmp_path / "one", "--ledger", tmp_path / "l", "--new-ledger", "--due", "30"
        )
        assert ran.code == 0
        assert "not due" not in ran.out, "a date that lies ahead, or long ago, vouches for nothing"
    assert "the clock went back between row" in ran.out
    verified = wellread("ledger", tmp_path / "l", "--verify")
    assert verified.code == 0
    assert "the clock went back between row 3 and row 4" in verified.out
    ledger_is_whole(tmp_path, at_least=5)
    drilled.damaged_shelf(tmp_path / "shelf")
    early = at(EARLY, *mend(tmp_path / "shelf"))
    assert early.code == 0, early.err
    assert tree(tmp_path / "shelf/bag") == tree(tmp_path / "shelf/copy")


@pytest.mark.parametrize("moment", drilled_but([0, 4102444800], 0), ids=["1970", "2100"])
def test_a_leftover_is_known_by_its_lock_and_never_by_its_date(
    tmp_path: Path, moment: int, yard: Yard
) -> None:
    project(tmp_path)
    asked = [str(each) for each in package(tmp_path)]
    assert yard.drill("wellread", asked, tmp_path, kill_at=30).status == -9
    (left,) = (tmp_path / "into").iterdir()
    for path in (left, *left.rglob("*")):
        os.utime(path, (moment, moment))
    told = wellread(*package(tmp_path))
    assert told.code == 0
    assert told.err == (
        f"{left}: left behind by a run that ended before m-v1 was finished; `--clear-leftovers` removes it.\n"
    )
    assert left.is_dir()
    cleared = again(*package(tmp_path))
    assert (
        cleared.err
        == f"{left}: left behind by a run that ended before m-v1 was finished; removed (an unfinished "
        "m-v1).\n"
    )
    assert not left.exists()

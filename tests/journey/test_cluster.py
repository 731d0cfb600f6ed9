"""`--scheduler`: other processes do the work, and nothing of a result depends on it."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline.edges.bags.observe import ToldSize
from pipeline.edges.clock import now
from pipeline.edges.cluster import Cluster
from pipeline.edges.progress import Progress
from pipeline.errors import BagError, ClusterError, WellreadError
from pipeline.exit_codes import NOT_THERE
from pipeline.run.keep.on_cluster import Sharing, checked_by, shared_out
from pipeline.run.keep.recheck import recheck_bags
from pipeline.run.many import each_one
from pipeline.run.package.several import Awaited
from tests.journey.cli import wellread
from tests.kit.clusters import ROOT, Yard, doubled, slow, yard
from tests.kit.example_bags import EPOCH, example_bag
from tests.kit.forked import ending
from tests.kit.reader_simulated import until
from tests.unit.test_ledger_writer import rows_there

pytestmark = [
    pytest.mark.drill,
    pytest.mark.xdist_group("cluster"),
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are looked up in /proc"),
]


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    with yard(tmp_path_factory.mktemp("yard"), 2) as made:
        yield made


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    with yard(tmp_path_factory.mktemp("yard"), 1) as made:
        yield made


def shelf(folder: Path, bags: int) -> Path:
    """A shelf of bags: whole ones, an altered one, one without a declaration, one that says it is huge."""
    for number in range(bags):
        shutil.copytree(example_bag(), folder / f"bag-{number:03}")
    with (folder / "bag-001" / "metadata" / "provenance.txt").open("a") as stream:
        stream.write("one line more\n")
    (folder / "bag-002" / "bagit.txt").unlink()
    info = folder / "bag-003" / "bag-info.txt"
    info.write_text(re.sub(r"Payload-Oxum: .*", "Payload-Oxum: 999999999999.99", info.read_text()))
    return folder


def rows_of(ledger: Path) -> list[dict[str, object]]:
    """The rows but for the ledger's own name, which is made by chance, and the chain that begins with it."""
    rows = wellread("ledger", ledger, "--verify", "--json").document["rows"]
    return [{key: value for key, value in row.items() if key not in {"ledger", "digest"}} for row in rows]


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    with yard(tmp_path_factory.mktemp("yard"), 4) as made:
        yield made


@pytest.mark.parametrize("workers", ["one", "two", pytest.param("four", marks=pytest.mark.drill)])
def test_workers_say_and_remember_what_this_process_does(
    workers: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    held, by = shelf(tmp_path / "shelf", 5), request.getfixturevalue(workers).address
    said, remembered = [], []
    for extra in ([], ["--scheduler", by]):
        ledger = tmp_path / f"{len(extra)}.ledger"
        done = wellread("recheck", held, "--ledger", ledger, "--new-ledger", "--replay", "--json", *extra)
        assert done.code == 1, done.err
        said.append({**done.document, "ledger": "", "head": ""})
        remembered.append(rows_of(ledger))
    assert len(remembered[0]) == 6
    assert said[0] == said[1]
    assert remembered[0] == remembered[1]


def test_a_bag_that_is_not_due_is_not_checked_by_workers_either(two: Yard, tmp_path: Path) -> None:
    held, ledger = shelf(tmp_path / "shelf", 4), tmp_path / "checks.ledger"
    wellread("recheck", held, "--ledger", ledger, "--new-ledger", "--scheduler", two.address)
    done = wellread("recheck", held, "--ledger", ledger, "--due", "30", "--json", "--scheduler", two.address)
    assert [bag["outcome"] for bag in done.document["bags"]] == ["not due", "invalid", "invalid", "invalid"]


def test_a_worker_that_sees_another_folder_is_refused_by_name(tmp_path: Path) -> None:
    here, elsewhere = tmp_path / "here", tmp_path / "elsewhere"
    shelf(here / "shelf", 4)
    (elsewhere / "shelf").mkdir(parents=True)
    with yard(tmp_path / "yard", 0) as made:
        made.add_worker("bench-of-another-house", at=elsewhere)
        made.wait_for(1)
        # One path, and for each process the folder in which it was started: as if another disk were mounted.
        done = _command("recheck", "/proc/self/cwd/shelf", "--scheduler", made.address, at=here)
        assert done.returncode == ClusterError.exit_code
        assert "no worker may do this" in done.stderr
        assert "bench-of-another-house" in done.stderr
        made.add_worker("bench-of-this-house", at=here)
        made.wait_for(2)
        done = _command("recheck", "/proc/self/cwd/shelf", "--scheduler", made.address, at=here)
        assert done.returncode == 1
        assert done.stderr.count("bench-of-another-house") == 1
        assert "sees something else at /proc/self/cwd/shelf; it is left out." in done.stderr
        assert done.stdout.count("bag-00") >= 4


def test_a_worker_of_another_version_is_refused_by_name(tmp_path: Path) -> None:
    other = tmp_path / "other"
    for part in ("pipeline", "schemas"):
        shutil.copytree(ROOT / part, other / part, ignore=shutil.ignore_patterns("__pycache__"))
    text = (other / "pipeline" / "__init__.py").read_text()
    (other / "pipeline" / "__init__.py").write_text(text + "# one line more\n")
    with yard(tmp_path / "yard", 0) as made:
        made.add_worker("bench-of-yesterday", sources=other)
        made.wait_for(1)
        done = wellread("recheck", example_bag(), "--scheduler", made.address)
    assert done.code == ClusterError.exit_code
    assert "bench-of-yesterday" in done.err
    assert "runs wellread" in done.err


def test_an_item_that_ends_three_workers_is_reported_and_the_rest_goes_on(two: Yard, tmp_path: Path) -> None:
    items = [*range(20), -1, *range(21, 40)]
    with Cluster(two.address, [ROOT], lambda _: None) as cluster:
        found = list(
            cluster.each(
                doubled,
                tmp_path,
                items,
                places=lambda _: [],
                lost=lambda item: 1000 + item,
                weight=lambda _: 1 / 4,
            )
        )
    assert found == [999 if item < 0 else 2 * item for item in items]
    assert (tmp_path / "-1").read_text().count("begun") == 3


def test_a_folder_that_changes_while_workers_come_makes_none_of_them_a_stranger(
    two: Yard, tmp_path: Path
) -> None:
    items = [*range(6), -1, *range(6, 12)]
    # The place itself gets new files while new workers are asked what they see there.
    told: list[str] = []
    with Cluster(two.address, [tmp_path], told.append) as cluster:
        found = list(cluster.each(doubled, tmp_path, items, places=lambda _: [], lost=lambda item: item))
    assert [told, found] == [[], [item if item < 0 else 2 * item for item in items]]


def test_results_come_back_before_all_work_is_done(two: Yard) -> None:
    with Cluster(two.address, [], lambda _: None) as cluster:
        # All of it would take them three minutes.
        each = cluster.each(slow, 0.5, range(720), places=lambda _: [], lost=lambda item: -item)
        assert next(each) == 0
        begins = time.monotonic()
        each.close()
        assert time.monotonic() - begins < 60
        # What waited is dropped: the workers are free for whoever comes next.
        deadline = begins + 60
        while busy := any(cluster.client.processing().values()):
            assert time.monotonic() < deadline
            time.sleep(0.05)
        assert not busy


def test_ctrl_c_ends_at_once_and_what_was_remembered_is_whole(two: Yard, tmp_path: Path) -> None:
    held = shelf(tmp_path / "shelf", 60)
    for number in range(TRIES):
        ledger = tmp_path / f"{number}.ledger"
        asked = ["recheck", str(held), "--ledger", str(ledger), "--new-ledger", "--scheduler", two.address]
        code, told = _interrupted(asked, lambda ledger=ledger: rows_there(ledger) >= 4)  # type: ignore[misc]
        if code != 1:
            break
    assert code == 130, told
    assert told.splitlines()[-1].startswith("Interrupted")
    assert wellread("ledger", ledger, "--verify").code == 0
    again = wellread("recheck", held, "--ledger", ledger, "--scheduler", two.address, "--json")
    assert len(again.document["bags"]) == 60


def test_projects_packaged_by_workers_give_the_same_bytes_and_the_same_words(
    two: Yard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    projects = [ROOT / "example_project", tmp_path / "not-there", _other_machine(tmp_path / "other")]
    said = []
    for place, extra in (("here", []), ("there", ["--scheduler", two.address])):
        (tmp_path / place).mkdir()
        done = wellread("package", *projects, "--into", tmp_path / place, *extra)
        said.append((done.code, done.out))
    assert said[0] == said[1]
    assert said[0][0] == NOT_THERE
    assert names(tmp_path / "there") == ["loom-78-v1", "loom-79-v1"]
    assert contents(tmp_path / "here") == contents(tmp_path / "there")


def test_a_worker_killed_while_it_packages_is_replaced_and_nothing_is_left(
    two: Yard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    over, kills = threading.Event(), [0]

    def kill_whoever_works(into: Path) -> None:
        while not over.wait(0.02):
            if list(into.glob(".*.staging-*/attempt-*/*/data/readings")):
                kills[0] += sum(two.kill(number) for number in range(2))
                return

    for number in range(TRIES):
        into = tmp_path / str(number)
        into.mkdir()
        over.clear()
        killer = threading.Thread(target=kill_whoever_works, args=[into])
        killer.start()
        done = wellread("package", ROOT / "example_project", "--into", into, "--scheduler", two.address)
        over.set()
        killer.join(timeout=60)
        assert done.code == 0, done.err
        assert names(into) == ["loom-78-v1"]
        assert contents(into / "loom-78-v1") == contents(example_bag())
        if kills[0]:
            return
    pytest.fail("nobody was killed at work")


def test_ctrl_c_while_workers_package_leaves_nothing(two: Yard, tmp_path: Path) -> None:
    for number in range(TRIES):
        into = tmp_path / str(number)
        into.mkdir()
        asked = ["package", str(ROOT / "example_project"), "--into", str(into), "--scheduler", two.address]
        code, told = _interrupted(asked, lambda into=into: list(into.glob(STAGED)))  # type: ignore[misc]
        if code != 0:
            break
    assert code == 130, told
    assert names(into) == []
    time.sleep(1)
    assert names(into) == []


STAGED = ".*.staging-*/attempt-*/*/data"
TRIES = 5
"""How often a run may be over before anybody interrupts or kills what it was seen to be at."""


def _interrupted(asked: list[str], at_work: Callable[[], object]) -> tuple[int, str]:
    """How a command ended that gets Ctrl-C once it is seen to be at work, and what it said."""
    command = [sys.executable, "-m", "pipeline", *asked]
    with ending(subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True)) as process:
        assert until(lambda: at_work() or process.poll() is not None, 120)
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=120)
    return process.returncode, told


def names(folder: Path) -> list[str]:
    """What lies in a folder, hidden or not."""
    return sorted(path.name for path in folder.iterdir())


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder, by its path in it."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def _other_machine(folder: Path) -> Path:
    """The example once more, as another machine's."""
    shutil.copytree(ROOT / "example_project", folder)
    sheet = folder / "sheet.yaml"
    text = sheet.read_text(encoding="utf-8")
    assert "loom-78" in text
    sheet.write_text(text.replace("id: loom-78", "id: loom-79"), encoding="utf-8")
    return folder


def test_a_shelf_read_by_workers_holds_the_same(two: Yard, tmp_path: Path) -> None:
    held = shelf(tmp_path / "shelf", 5)
    (held / "bag-003" / "metadata" / "record.json").write_text("{}")
    asked: list[str | Path] = ["holdings", held, "--next", "--json"]
    here, there = wellread(*asked), wellread(*asked, "--scheduler", two.address)
    assert here.document["read"] == 5
    assert here.document["troubled"]
    assert there.document == here.document


def test_nobody_at_the_address_is_told_as_that() -> None:
    nobody = Cluster("tcp://127.0.0.1:9", [], lambda _: None, answer_seconds=0.3)
    with pytest.raises(ClusterError, match=r"tcp://127\.0\.0\.1:9: no scheduler answers there"), nobody:
        pass


def test_no_worker_within_the_time_is_told_as_that(tmp_path: Path) -> None:
    with (
        yard(tmp_path / "yard", 0) as made,
        Cluster(made.address, [], lambda _: None, patience_seconds=0.3) as cluster,
        pytest.raises(
            ClusterError, match=r"has had no worker for 0\.3 seconds\. Start some with `dask worker"
        ),
    ):
        cluster.members.first()


def test_a_large_bag_is_shared_out_by_its_files_and_judged_the_same(two: Yard, tmp_path: Path) -> None:
    for name in ("whole", "altered", "lacking", "more"):
        shutil.copytree(example_bag(), tmp_path / name)
    images = {
        name: sorted((tmp_path / name).rglob("data/images/**/*.bin")) for name in ("altered", "lacking")
    }
    images["altered"][3].write_bytes(b"something else")
    images["lacking"][5].unlink()
    (tmp_path / "more" / "data" / "more.bin").write_bytes(b"more")
    here = recheck_bags([tmp_path], now=now())
    most = ToldSize(64 << 10, 20)
    slices, _ = shared_out(str(tmp_path / "whole"), most)
    assert len(slices) > 5
    told = _Told()
    with Cluster(two.address, [tmp_path], lambda _: None) as cluster:
        sharing = Sharing(ToldSize(1, 1), most)
        there = recheck_bags(
            [tmp_path], now=now(), check_each=lambda some: checked_by(cluster, some, told, sharing)
        )
    assert there == here
    assert [one.valid for one in there.bags] == [False, False, False, True]
    assert told.shown[-1] == ("bags checked by 2 workers", 4, 4)
    assert len(told.shown) > 4 * 5


class _Told(Progress):
    """What a bar would have shown."""

    def __init__(self) -> None:
        super().__init__(quiet=True)
        self.shown: list[tuple[str, int, int]] = []

    def show(self, what: str, done: int, of: int, *, size: bool = False) -> None:
        self.shown.append((what, done, of))


def test_once_the_scheduler_is_gone_each_project_that_is_left_says_so() -> None:
    gone = ClusterError(where="there", problem="the scheduler went away", remedy="Start it again")

    def found() -> Iterator[WellreadError]:
        yield BagError(where="a", problem="is bad", remedy="Mend it")
        raise gone

    ended = list(each_one([Path("a"), Path("b"), Path("c")], Awaited(found())))
    assert [type(one) for _, one in ended] == [BagError, ClusterError, ClusterError]


def _command(*words: str, at: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "pipeline", *words]
    return subprocess.run(
        command, cwd=at, env=environment, capture_output=True, text=True, check=False, timeout=300
    )


RUNS, LEAST_KILLS = (50, 25) if os.environ.get("WELLREAD_DRILLS") == "all" else (10, 5)
"""Runs of the drill, and how many of the kills in them must have met a worker at work."""


@pytest.mark.drill
def test_workers_killed_at_random_lose_nothing_and_double_nothing(
    two: Yard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    held = shelf(tmp_path / "shelf", 16)
    whole = _remembered(held, tmp_path / "whole.ledger")
    for undisturbed in ("loading", "timed"):  # how long a run takes where nobody is killed
        begins = time.monotonic()
        assert _remembered(held, tmp_path / f"{undisturbed}.ledger", "--scheduler", two.address) == whole
    takes = time.monotonic() - begins
    chosen, killed, run = random.Random(21), 0, 0
    while run < RUNS or killed < LEAST_KILLS:
        run += 1
        assert run <= 5 * RUNS, f"of {run} runs {killed} met a kill"
        _somebody_is_back(two)
        over = threading.Event()
        kills: list[bool] = []
        killer = threading.Thread(target=_kill, args=(two, chosen, takes, over, kills))
        killer.start()
        try:
            found = _remembered(held, tmp_path / f"{run}.ledger", "--scheduler", two.address)
        finally:
            over.set()
            killer.join(timeout=60)
        # Shown where a later run fails.
        print(f"run {run}: {sum(kills)} of {len(kills)} kills met a worker")
        assert found == whole, f"run {run}\n{two.logs()}"
        killed += sum(kills)
        if not kills:  # it was over before: runs are quicker now than the one that was timed
            takes *= 0.8


def _somebody_is_back(made: Yard) -> None:
    """A worker may take longer to start on a loaded machine than a run waits for one."""
    with Cluster(made.address, [], lambda _: None, patience_seconds=120) as cluster:
        cluster.members.first()


def _remembered(held: Path, ledger: Path, *extra: str) -> tuple[object, object]:
    """What a recheck says, and the rows of its ledger."""
    done = wellread("recheck", held, "--ledger", ledger, "--new-ledger", "--json", *extra)
    assert done.code == 1, done.err
    rows = rows_of(ledger)
    assert len(rows) == 17
    return done.document["bags"], rows


def _kill(made: Yard, chosen: random.Random, takes: float, over: threading.Event, kills: list[bool]) -> None:
    """One or two workers end some time after the run began, which takes so many seconds."""
    for _ in range(chosen.choice([1, 1, 1, 2])):
        if over.wait(chosen.uniform(0.1, 0.9) * takes):
            return
        kills.append(made.kill(chosen.randrange(len(made.workers))))

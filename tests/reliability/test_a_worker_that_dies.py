"""A worker killed by a system short of memory ends the run with words; none outlives whoever started it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from pipeline.errors import StorageError
from pipeline.run.crew import FEWEST_FOR_WORKERS, Crew, worker_count
from tests.journey import drilled
from tests.journey.cli import wellread
from tests.kit.forked import alive
from tests.kit.reader_simulated import until
from tests.outside import bag_cases
from tests.reliability.given_to_workers import double, only_in_workers, refuse, stumble, told_by

ROOT = Path(__file__).parents[2]
two_cores = pytest.mark.skipif(worker_count() < 2, reason="one core: no workers are started")
posix = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")
PROGRAM = """
import os, signal, subprocess, sys
sys.path.insert(0, sys.argv[1])
from pipeline.__main__ import run
stopped = []
class Popen(subprocess.Popen):
    def __init__(self, command, **options):
        super().__init__(command, **options)
        if not stopped and any(str(one).endswith("edges/worker.py") for one in command):
            stopped.append(1)
            os.kill(os.getpid(), signal.SIGSTOP)
subprocess.Popen = Popen
raise SystemExit(run(sys.argv[2:]))
"""
"""The command line, which stands still once it has started a worker, before it has sent anything to it."""
TRIES = 6
"""How often a command may be over before anybody kills it or its worker."""


def children(pid: int) -> list[int]:
    """Processes that a process started and that work on chips."""
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            command = Path(f"/proc/{child}/cmdline").read_bytes()
            if b"edges/worker.py" in command:
                found.append(int(child))
    return found


def many_files(folder: Path) -> None:
    """A bag of so many files and bytes that several processes are at work long enough to be seen."""
    bag_cases.bag(folder / "bag", {f"data/{number}.bin": b"%d" % number * 4_000 for number in range(2000)})


def arguments(name: str, folder: Path) -> list[str]:
    """A command that starts workers, in a folder that has what it needs."""
    into = str(folder / "into")
    if name in {"check", "package"}:
        drilled.many_chips(folder)
        return [name, str(folder / "m"), *(["--into", into] if name == "package" else [])]
    (folder / "into").mkdir()
    if name == "release":
        return ["release", str(much_packaged(folder)), "--into", into]
    many_files(folder)
    bag = str(folder / "bag")
    if name == "mend":
        shutil.copytree(folder / "bag", folder / "copy")
        (folder / "bag/data/7.bin").write_bytes(b"damaged")
        return ["mend", bag, "--from", str(folder / "copy")]
    return ["recheck", bag]


def much_packaged(folder: Path) -> Path:
    """A packaged bag of so many bytes that they are digested by several processes."""
    drilled.project(folder)
    for name in ("one", "two"):
        (folder / f"m/docs/{name}.pdf").write_bytes(name.encode() * (5 << 20))
    ran = wellread("package", folder / "m", "--into", folder, "--quiet")
    assert ran.code == 0, ran.err
    return folder / "m-v1"


@contextmanager
def at_work(name: str, folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], list[int]]]:
    """A command that stands still and the workers that it has; all have ended when the block has."""
    if len(os.sched_getaffinity(0)) < 2:
        pytest.skip("one core: no workers are started")
    running = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(ROOT), *arguments(name, folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    workers: list[int] = []
    try:
        _, status = os.waitpid(running.pid, os.WUNTRACED)
        assert os.WIFSTOPPED(status)
        # While a process becomes another program it has no command line for a moment.
        assert until(lambda: children(running.pid), 60)
        workers = children(running.pid)
        yield running, workers
    finally:
        for pid in (running.pid, *workers):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        running.communicate()


def ended(running: subprocess.Popen[bytes]) -> bytes:
    """What a command said until nobody held its pipes any more."""
    try:
        told, said = running.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        pytest.fail("it waits for ever")
    return said + told


def outliving(workers: list[int]) -> list[int]:
    """Who is still there half a minute later: a process lets go of its pipes a moment before it has ended."""
    until = time.monotonic() + 30
    while any(map(alive, workers)) and time.monotonic() < until:
        time.sleep(0.02)
    return [pid for pid in workers if alive(pid)]


def drills(*names: str) -> list[object]:
    return [pytest.param(name, marks=pytest.mark.drill) for name in names]


@posix
@pytest.mark.parametrize(
    ("name", "after_seconds"),
    [
        ("recheck", 0.0),
        *(
            pytest.param(name, after, marks=pytest.mark.drill)
            for name, after in (
                ("package", 0.0),
                ("package", 0.6),
                ("check", 0.0),
                ("mend", 0.0),
                ("release", 0.0),
            )
        ),
    ],
)
def test_a_command_whose_worker_is_killed_ends_with_words(
    tmp_path: Path, name: str, after_seconds: float
) -> None:
    """Killed before it was given anything, or at work."""
    for number in range(TRIES):
        folder = tmp_path / str(number)
        folder.mkdir()
        with at_work(name, folder) as (running, workers):
            if after_seconds:
                running.send_signal(signal.SIGCONT)
                time.sleep(after_seconds / 2**number)
            with suppress(ProcessLookupError):
                os.kill(workers[0], signal.SIGKILL)
            running.send_signal(signal.SIGCONT)
            said = ended(running)
        if running.returncode or not after_seconds:
            break  # else it was over before
    # Of several bags one that cannot be read keeps no other from being checked.
    assert running.returncode == (1 if name == "recheck" else 28), said
    assert b"Traceback" not in said
    assert b"memory" in said, said
    assert not (folder / "into").exists() or not list((folder / "into").iterdir())


@posix
@pytest.mark.parametrize("name", ["recheck", *drills("check", "package", "mend", "release")])
def test_no_worker_outlives_a_program_that_is_killed(tmp_path: Path, name: str) -> None:
    """Whoever waits for the end of what it says would wait for ever."""
    with at_work(name, tmp_path) as (running, workers):
        running.send_signal(signal.SIGCONT)
        running.kill()
        ended(running)
        assert not outliving(workers)


@posix
@pytest.mark.drill
@pytest.mark.parametrize("name", ["package", "check", "recheck", "mend", "release"])
def test_ctrl_c_ends_a_program_and_its_workers_with_one_sentence(tmp_path: Path, name: str) -> None:
    for number in range(TRIES):
        folder = tmp_path / str(number)
        folder.mkdir()
        with at_work(name, folder) as (running, workers):
            running.send_signal(signal.SIGCONT)
            with suppress(ProcessLookupError):
                os.killpg(running.pid, signal.SIGINT)  # a terminal sends it to all of them
            said = ended(running)
            assert not outliving(workers)
        if running.returncode:
            break  # else it was over before
    assert running.returncode == 130, said
    assert said.decode().strip().splitlines() == [
        "Interrupted; nothing half-made was left under a final name."
    ]
    assert not (folder / "into").exists() or not list((folder / "into").iterdir())


def test_an_error_is_raised_whichever_process_met_it() -> None:
    with (
        Crew(items=FEWEST_FOR_WORKERS) as crew,
        pytest.raises(StorageError, match="a chip: the disk says: no"),
    ):
        list(crew.each(refuse, None, range(9)))
    with Crew(items=FEWEST_FOR_WORKERS) as crew, pytest.raises((RuntimeError, ZeroDivisionError)) as caught:
        list(crew.each(stumble, None, range(9)))
    assert "ZeroDivisionError" in repr(caught.value)


@two_cores
def test_a_worker_hands_back_errors_with_their_words_and_a_bug_with_its_traceback() -> None:
    with (
        Crew(items=FEWEST_FOR_WORKERS) as crew,
        pytest.raises(StorageError, match="a chip: the disk says: no"),
    ):
        list(crew.each(only_in_workers, (os.getpid(), "refuse"), [0] * 99, batch=1))
    with Crew(items=FEWEST_FOR_WORKERS) as crew, pytest.raises(RuntimeError, match="stumble") as caught:
        list(crew.each(only_in_workers, (os.getpid(), "stumble"), [0] * 99, batch=1))
    assert "ZeroDivisionError" in str(caught.value)


@two_cores
def test_this_process_works_beside_its_workers_one_less_than_there_are_cores() -> None:
    """It also never waits for one that has not begun: what it can do itself is done here meanwhile."""
    with Crew(items=FEWEST_FOR_WORKERS) as crew:
        told = list(crew.each(told_by, None, range(60), batch=1))
    assert [each for each, _ in told] == list(range(60))
    had_some = {process for _, process in told}
    assert os.getpid() in had_some
    assert len(had_some) == worker_count()


def test_what_workers_are_given_in_two_turns_at_once_comes_back_each_in_its_order() -> None:
    """Also where the one is not fetched to its end, and where a worker prints something."""
    with Crew(items=FEWEST_FOR_WORKERS) as crew:
        one = crew.each(double, None, range(100), batch=7)
        first = [next(one) for _ in range(3)]
        assert list(crew.each(double, None, range(50), batch=1)) == [2 * each for each in range(50)]
        assert [*first, *one] == [2 * each for each in range(100)]
        next(crew.each(double, None, range(100), batch=7))
        assert list(crew.each(double, None, range(5))) == [0, 2, 4, 6, 8]

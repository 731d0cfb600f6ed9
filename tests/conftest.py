"""How the suite runs: hypothesis profiles, several processes at once, and clocks alone after everything else.

`dev` while typing, `ci` for every run, `long` beside the drills, `night` for hunts of hours and slow tests;
`mutation` gives every changed program the same examples and makes none smaller: that it fails is enough.
"""

from __future__ import annotations

import os
import secrets
import signal
import stat
import sys
import tempfile
import threading
import time
from collections.abc import Generator, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

import pytest
from hypothesis import HealthCheck, Phase, settings

try:
    import fcntl
except ImportError:  # Windows: there the group alone keeps the clocks together
    fcntl = None  # type: ignore[assignment]

# No clock: how long examples take to draw says what else the machine does.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
UNTIMED = settings.get_profile("untimed")
settings.register_profile("dev", UNTIMED, max_examples=25)
settings.register_profile("ci", UNTIMED, max_examples=40, derandomize=True)
settings.register_profile("long", UNTIMED, max_examples=200, derandomize=True)
settings.register_profile("night", UNTIMED, max_examples=100_000)
settings.register_profile(
    "mutation",
    UNTIMED,
    max_examples=50,
    derandomize=True,
    database=None,
    phases=(Phase.explicit, Phase.generate),
)
os.environ["COLUMNS"] = "0"
"""Lines stay whole, so that a test finds a sentence; tests of the width set their own."""
# A process that a test starts finds the program compiled: 0.7 s of processor time each.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# A run that a shell put into the background has Ctrl-C ignored, and its children would inherit that
# (POSIX.1-2017, Shell Command Language, 2.11): a handler of our own is none that they inherit.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
RUN_NAME = "WELLREAD_TEST_RUN"


class _Run:
    """This run of the tests, which all its processes are of."""

    name = os.environ.get(RUN_NAME, "") if "PYTEST_XDIST_WORKER" in os.environ else secrets.token_hex(8)
    given_up = False
    """Whether a turn was waited for in vain."""


RUN = _Run()
os.environ[RUN_NAME] = RUN.name
PROFILE = os.environ.get("HYPOTHESIS_PROFILE", "ci")
settings.load_profile(PROFILE)
RUN_MINUTES = 60
"""A run that lasts longer hangs: `pytest-timeout` ends a test, this ends what no test is to blame for."""


def pytest_sessionstart(session: pytest.Session) -> None:
    """The process that hands out the tests ends in time, whatever a worker left behind."""
    if not hasattr(session.config, "workerinput") and PROFILE != "night":
        limit = threading.Timer(RUN_MINUTES * 60, _end, [session.config])
        limit.daemon = True
        limit.start()


def _end(config: pytest.Config) -> None:
    writer = config.get_terminal_writer()
    writer.line(f"\nThe run has taken {RUN_MINUTES} minutes and is ended: something hangs.")
    writer.flush()
    os._exit(1)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Groups that share one process come first, clocks last and in one process.

    The browser's pages are drills; tests of minutes wait for the night.
    """
    for item in items:
        if item.get_closest_marker("clock"):
            item.add_marker(pytest.mark.xdist_group("clock"))
        elif "browser" in item.path.parts:
            item.add_marker(pytest.mark.xdist_group("browser"))
        if "browser" in item.path.parts:
            item.add_marker(pytest.mark.drill)
        if getattr(getattr(item, "obj", None), "is_hypothesis_test", False):
            item.add_marker(pytest.mark.sampled)
        if PROFILE == "night":
            item.add_marker(pytest.mark.timeout(0))
        elif item.get_closest_marker("drill"):
            item.add_marker(pytest.mark.timeout(30 * 60))
        if item.get_closest_marker("slow") and PROFILE != "night":
            item.add_marker(
                pytest.mark.skip(reason="minutes, not seconds: run with HYPOTHESIS_PROFILE=night")
            )
    items.sort(key=_when)


def _when(item: pytest.Item) -> int:
    """A group that came last would leave the other processes nothing to do."""
    if item.get_closest_marker("clock"):
        return 2
    return 0 if item.get_closest_marker("xdist_group") else 1


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """A test that holds a clock waits until the other processes of the run rest, and they wait for it.

    Outermost, so that the time limit counts a test with all that is made and torn down for it, and no turn.
    """
    with _turn(alone=item.get_closest_marker("clock") is not None):
        return (yield)


@contextmanager
def _turn(*, alone: bool) -> Iterator[None]:
    """A lock of lockf(3), which no forked child inherits and which a process that dies lets go.

    Whoever opens and closes the file lets go of it too, so it is one that nobody else looks at.
    """
    if fcntl is None or RUN.given_up or "PYTEST_XDIST_WORKER" not in os.environ:
        yield
        return
    with (Path(tempfile.gettempdir()) / f"wellread-turn-{RUN.name}").open("a+b") as lock:
        RUN.given_up = not _await(lock, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        yield


def _pipes() -> list[int]:
    """The files by which this process is handed its tests: its only pipes, while tests are gathered."""
    out = []
    for handle in range(3, 64):
        with suppress(OSError):
            if stat.S_ISFIFO(os.fstat(handle).st_mode):
                out.append(handle)
    return out


_handed_tests_by = _pipes() if "PYTEST_XDIST_WORKER" in os.environ else []


def _keep_nothing_of_the_run() -> None:
    """A process that a test forks and leaves must not keep the run waiting when its parent is ended."""
    nothing = os.open(os.devnull, os.O_RDWR)
    for handle in _handed_tests_by:
        os.dup2(nothing, handle)
    os.close(nothing)


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_keep_nothing_of_the_run)


def _await(lock: BinaryIO, kind: int) -> bool:
    """Wait ten minutes for a turn at most, once in a run: a run must end, whatever became of a process."""
    for _ in range(10 * 60 * 10):
        with suppress(BlockingIOError, PermissionError):  # either, says lockf(3)
            fcntl.lockf(lock, kind | fcntl.LOCK_NB)
            return True
        time.sleep(0.1)
    return False


def pytest_unconfigure() -> None:
    """The run's end is the end of all that it started: who reads what it says must not wait for them."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        return
    (Path(tempfile.gettempdir()) / f"wellread-turn-{RUN.name}").unlink(missing_ok=True)
    for process, command in left_behind(RUN.name):
        sys.stderr.write(f"A test left a process behind; it is ended: {process} {command}\n")
        with suppress(OSError):
            os.kill(process, signal.SIGKILL)


def left_behind(run: str) -> Iterator[tuple[int, str]]:
    """Processes of a run that live though it is over: each carries its name, or has it from who began it."""
    marked = f"{RUN_NAME}={run}".encode()
    for place in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if int(place.name) != os.getpid() and marked in (place / "environ").read_bytes().split(b"\0"):
                said = (place / "cmdline").read_bytes().replace(b"\0", b" ")
                yield int(place.name), said.decode(errors="replace")[:200]

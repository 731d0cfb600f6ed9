"""Writing commands work where a file system lacks locks, flushes, rights or exchanges, with a caution."""

from __future__ import annotations

import errno
import itertools
import json
import os
import platform
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from pipeline.edges.locks import _named, hold, is_held, one_at_a_time
from pipeline.errors import StorageError
from tests.journey import drilled
from tests.journey.cli import wellread
from tests.kit.examples import drilled_but
from tests.kit.forked import ended, forked
from tests.reliability.refusing import cannot, command, refuse

WHY_NOT = cannot()
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)

REFUSED = {
    "no locks, as some network shares": {"flock": errno.ENOLCK},
    "locks not supported": {"flock": errno.ENOTSUP},
    "no such call as a lock": {"flock": errno.ENOSYS},
    "no locks for a database": {"locks of a part": errno.ENOLCK},
    "no flush": {"fsync": errno.EINVAL, "fdatasync": errno.EINVAL},
    "no flush of a whole file system": {"syncfs": errno.ENOSYS},
    "no rights": {"chmod": errno.EPERM, "fchmod": errno.EPERM, "fchmodat": errno.EPERM},
    "no exchange and no second names": {
        "renameat2": errno.EINVAL,
        "link": errno.EPERM,
        "linkat": errno.EPERM,
    },
    "nothing of all that": {
        "flock": errno.ENOSYS,
        "fsync": errno.EINVAL,
        "fdatasync": errno.EINVAL,
        "syncfs": errno.ENOSYS,
        "fchmodat": errno.EPERM,
        "chmod": errno.EPERM,
        "renameat2": errno.ENOSYS,
        "link": errno.EPERM,
        "linkat": errno.EPERM,
    },
}


def run(calls: dict[str, int], *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"SOURCE_DATE_EPOCH": drilled.EPOCH}
    return subprocess.run(
        command(calls, *arguments), capture_output=True, text=True, check=False, timeout=120, env=environment
    )


def packages(folder: Path) -> list[str | Path]:
    drilled.project(folder)
    return ["package", folder / "m", "--into", folder]


def releases(folder: Path) -> list[str | Path]:
    shutil.copytree(drilled.packaged() / "m-v1", folder / "m-v1")
    return ["release", folder / "m-v1", "--into", folder]


def reopens(folder: Path) -> list[str | Path]:
    shutil.copytree(drilled.packaged() / "m-v1", folder / "m-v1")
    return ["reopen", folder / "m-v1", "--into", folder / "again"]


def mends(folder: Path) -> list[str | Path]:
    drilled.damaged_shelf(folder)
    return ["mend", folder / "bag", "--from", folder / "copy", "--ledger", folder / "l"]


def rechecks(folder: Path) -> list[str | Path]:
    shutil.copytree(drilled.packaged() / "m-v1", folder / "m-v1")
    return ["recheck", folder / "m-v1", "--ledger", folder / "l", "--new-ledger"]


def burns(folder: Path) -> list[str | Path]:
    shutil.copytree(drilled.packaged() / "m-v1", folder / "m-v1")
    return ["burn", folder / "m-v1", "--chip", "U1", "--into", "2716", "--output", folder / "b.bin"]


def exports(folder: Path) -> list[str | Path]:
    drilled.damaged_shelf(folder)
    return ["ledger", folder / "l", "--csv", folder / "l.csv", "--premis", folder / "l.xml"]


def starts(folder: Path) -> list[str | Path]:
    drilled.project(folder)
    (folder / "m/sheet.yaml").unlink()
    return ["start", folder / "m"]


def converts(folder: Path) -> list[str | Path]:
    drilled.project(folder)
    dump, target = folder / "m/dumps/U1.prog.1.bin", folder / "u1.hex"
    return ["convert", dump, "--to", "intel-hex", "--output", target]


COMMANDS: dict[str, Callable[[Path], Sequence[str | Path]]] = {
    "package": packages,
    "release": releases,
    "reopen": reopens,
    "mend": mends,
    "recheck": rechecks,
    "burn": burns,
    "ledger": exports,
    "start": starts,
    "convert": converts,
}


KEPT = {
    *((name, "nothing of all that") for name in ("package", "release", "mend", "start")),
    *(("recheck", refused) for refused in REFUSED),
}
"""What writes most where all is refused, and one that locks and writes where each is; the rest are drills."""


@pytest.mark.parametrize("asked", drilled_but(itertools.product(COMMANDS, REFUSED), *KEPT), ids="-".join)
def test_the_command_does_its_work_all_the_same(tmp_path: Path, asked: tuple[str, str]) -> None:
    name, refused = asked
    arguments = COMMANDS[name](tmp_path)
    done = run(REFUSED[refused], *arguments, "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["command"] == name
    assert "Traceback" not in done.stderr
    assert done.stderr.count("this file system") <= 3, done.stderr
    assert not [path for path in tmp_path.iterdir() if ".staging-" in path.name]
    if name == "mend":
        assert wellread("ledger", tmp_path / "l", "--verify").code == 0


def test_a_disk_that_fails_is_still_an_error(tmp_path: Path) -> None:
    done = run({"syncfs": errno.EIO}, *packages(tmp_path))
    assert done.returncode == 16, done.stderr
    assert not list(tmp_path.glob("m-v*"))


def in_a_child(program: Callable[[], int]) -> int:
    """The exit code of a program that runs where there are no locks."""

    def without_locks() -> int:
        refuse({"flock": errno.ENOLCK})
        return program()

    return ended(forked(without_locks))


def test_without_locks_a_living_holder_is_known_from_a_dead_one(tmp_path: Path) -> None:
    def makes_and_dies() -> int:
        hold(tmp_path / "dead")
        return 0

    assert in_a_child(makes_and_dies) == 0

    def looks() -> int:
        hold(tmp_path / "mine")
        return 0 if (is_held(tmp_path / "mine"), is_held(tmp_path / "dead")) == (True, False) else 1

    assert in_a_child(looks) == 0


NO_PROCESS = 1 << 22
"""No process has this number. Source: proc(5), /proc/sys/kernel/pid_max."""


@pytest.mark.parametrize("when", ["it is looked at", "its holder is found dead"])
def test_without_locks_nobody_removes_what_took_the_name_meanwhile(tmp_path: Path, when: str) -> None:
    """The file of a dead holder, which somebody else removes in that very moment, and makes his own."""
    named, living = tmp_path / "lock-holder", tmp_path / "living"
    opened: list[int] = []
    removed: list[int] = []

    def another_comes(event: str, args: tuple[object, ...]) -> None:
        if event == "open" and args[0] == str(named):
            opened.append(1)
            if when == "it is looked at" and len(opened) == 2:
                named.rename(tmp_path / "dead")
        elif event == "os.kill" and when == "its holder is found dead":
            living.replace(named)
        elif event == "os.remove" and str(args[0]) == str(named):
            removed.append(1)

    def waits() -> int:
        hold(living)
        named.write_text(f"{platform.node()}\n{NO_PROCESS}\n")
        sys.addaudithook(another_comes)
        return 0 if not _named(named) and not removed else 1

    assert in_a_child(waits) == 0
    assert named.exists() == (when == "its holder is found dead")


def test_without_locks_only_one_at_a_time_is_in_the_block(tmp_path: Path) -> None:
    def counts() -> int:
        for _ in range(40):
            with one_at_a_time(tmp_path / "lock"):
                counted = tmp_path / "count"
                counted.write_text(str(int(counted.read_text()) + 1))
        return 0

    (tmp_path / "count").write_text("0")
    children = [forked(lambda: in_a_child(counts)) for _ in range(3)]
    assert [ended(child) for child in children] == [0, 0, 0]
    assert (tmp_path / "count").read_text() == "120"
    assert [path.name for path in tmp_path.iterdir()] == ["count"]


def test_a_holder_that_stays_is_waited_for_no_longer_than_asked(tmp_path: Path) -> None:
    def waits() -> None:
        with one_at_a_time(tmp_path / "lock", wait_seconds=0.1):
            pytest.fail("both are in")

    with one_at_a_time(tmp_path / "lock"), pytest.raises(StorageError, match="at work here for too long"):
        waits()

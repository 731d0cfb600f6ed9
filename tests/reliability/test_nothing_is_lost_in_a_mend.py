"""A mend loses nothing: not where no call exchanges two folders, not where somebody else moves things.

Every state after a kill is held against three things that must be somewhere under the shelf, whatever
happens: the bag's files (whole or as damaged as they were), the damaged bytes, and whatever a stranger put
there meanwhile.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from pipeline.__main__ import run
from tests.journey import drilled
from tests.journey.cli import wellread
from tests.journey.drilling import Run, can_drill, drill
from tests.outside import bag_cases
from tests.reliability.refusing import NTFS_LIKE, cannot, refuse

WHY_NOT = can_drill() or cannot()
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)


def mend(folder: Path) -> list[str]:
    return ["mend", str(folder / "bag"), "--from", str(folder / "copy"), "--ledger", str(folder / "l")]


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def without_exchange(arguments: Sequence[str]) -> Callable[[], int]:
    """The command on a file system that can neither exchange two names nor give a file a second one."""

    def program() -> int:
        refuse(NTFS_LIKE)
        return run(list(arguments))

    return program


def shelf(folder: Path) -> Path:
    folder.mkdir()
    drilled.damaged_shelf(folder)
    return folder


def holds_the_bag(folder: Path, whole: dict[str, bytes]) -> None:
    """Each file of the bag that was sound is somewhere outside the copy, and so are the damaged bytes."""
    found = {content for path, content in tree(folder).items() if not path.startswith("copy/")}
    for path, content in whole.items():
        assert content in found or path in {"data/0.bin", "bag-info.txt"}, f"{path} is nowhere"
    assert b"damaged" in found


def test_killed_anywhere_where_names_cannot_be_exchanged_the_bag_comes_back(tmp_path: Path) -> None:
    first = shelf(tmp_path / "first")
    whole = tree(first / "copy")
    undisturbed = drill(without_exchange(mend(first)), first)
    assert undisturbed.status == 0, undisturbed.output
    assert tree(first / "bag") == whole
    renames = [n for n, step in enumerate(undisturbed.steps, 1) if "rename" in step.call]
    assert len(renames) >= 4
    around = sorted({n + off for n in renames for off in (0, 1)} & set(range(1, len(undisturbed.steps) + 1)))
    for number in around:
        folder = shelf(tmp_path / f"at{number}")
        done = drill(without_exchange(mend(folder)), folder, kill_at=number)
        assert done.reached
        holds_the_bag(folder, whole)
        ran = wellread(*mend(folder), "--clear-leftovers")
        assert ran.code in (0, 24), (number, undisturbed.steps[number - 1], ran.err)
        assert tree(folder / "bag") == whole, number
        holds_the_bag(folder, whole)
        assert not [path for path in folder.iterdir() if ".staging-" in path.name], ran.err


def test_refused_anywhere_where_names_cannot_be_exchanged_the_bag_stays(tmp_path: Path) -> None:
    first = shelf(tmp_path / "first")
    whole = tree(first / "copy")
    undisturbed = drill(without_exchange(mend(first)), first)
    for number, step in enumerate(undisturbed.steps, 1):
        if "rename" not in step.call:
            continue
        for lasting in (False, True):
            folder = shelf(tmp_path / f"at{number}{lasting}")
            drill(without_exchange(mend(folder)), folder, fail_at=number, failure=5, lasting=lasting)
            holds_the_bag(folder, whole)
            ran = wellread(*mend(folder), "--clear-leftovers")
            assert ran.code in (0, 24), (number, ran.err)
            assert tree(folder / "bag") == whole


def test_a_leftover_with_the_only_bag_is_put_back_without_being_asked(tmp_path: Path) -> None:
    folder = shelf(tmp_path / "s")
    done = between_the_renames(folder)
    assert not (folder / "bag").exists(), done.output
    ran = wellread("recheck", folder / "bag")
    assert ran.code == 16, "no bag stands under its name"
    ran = wellread(*mend(folder))
    assert (folder / "bag").is_dir(), ran.err
    assert "put back" in ran.err


def between_the_renames(folder: Path) -> Run:
    """A mend that was killed in the moment in which no bag has the name."""
    undisturbed = drill(
        without_exchange(mend(shelf(folder.parent / "undisturbed"))), folder.parent / "undisturbed"
    )
    names = [n for n, step in enumerate(undisturbed.steps, 1) if step.call == "rename" and "bag" in step.path]
    for number in names:
        shutil.rmtree(folder)
        shelf(folder)
        done = drill(without_exchange(mend(folder)), folder, kill_at=number)
        if not (folder / "bag").exists():
            return done
    raise AssertionError("there is no moment without the name")


def test_a_bag_that_was_put_in_the_place_meanwhile_is_never_deleted(tmp_path: Path) -> None:
    folder = shelf(tmp_path / "s")
    stopped = stopped_before_the_swap(mend(folder))
    (folder / "bag").rename(folder / "moved away")
    bag_cases.bag(folder / "bag", {"data/new.bin": b"packed meanwhile"})
    before = tree(folder / "bag")
    code = stopped()
    assert code != 0
    assert tree(folder / "bag") == before
    assert tree(folder / "moved away")["data/0.bin"] == b"damaged"


def test_a_file_that_somebody_adds_to_the_bag_meanwhile_is_kept(tmp_path: Path) -> None:
    folder = shelf(tmp_path / "s")
    stopped = stopped_before_the_swap(mend(folder))
    (folder / "bag/notes-of-today.txt").write_bytes(b"written while it was mended")
    stopped()
    assert b"written while it was mended" in tree(folder).values()


WAITING = """
import os, signal, sys
sys.path.insert(0, sys.argv[1])
from pipeline.__main__ import run
stopped = []
def hook(event, args):
    if event == "open" and str(args[0]).endswith("/built") and not stopped:
        stopped.append(1)
        os.kill(os.getpid(), signal.SIGSTOP)
sys.addaudithook(hook)
raise SystemExit(run(sys.argv[2:]))
"""
"""The command line, which stops itself when it notes that the new bag is built, right before the swap."""


def stopped_before_the_swap(arguments: Sequence[str]) -> Callable[[], int]:
    """A command that stands still before the swap.

    What is given back lets it go on and tells its exit code.
    """
    root = str(Path(__file__).parents[2])
    process = subprocess.Popen([sys.executable, "-c", WAITING, root, *arguments], stderr=subprocess.PIPE)
    _, status = os.waitpid(process.pid, os.WUNTRACED)
    assert os.WIFSTOPPED(status)

    def go_on() -> int:
        process.send_signal(signal.SIGCONT)
        process.communicate(timeout=60)
        return process.returncode

    return go_on


def test_a_mend_tells_which_files_it_moved_and_why(tmp_path: Path) -> None:
    project = tmp_path / "p"
    (project / "dumps").mkdir(parents=True)
    (project / "dumps" / "U1.prog.1.bin").write_bytes(bytes(range(256)) * 8)
    (project / "sheet.yaml").write_text(
        "machine: {id: m, name: M}\nreaders: {prog: {}}\nchips:\n  - {chip: U1, organisation: 2048x8}\n"
    )
    assert wellread("package", project, "--quiet").code == 0
    shutil.copytree(tmp_path / "m-v1", tmp_path / "copy")
    (tmp_path / "m-v1/data/readings/unplaced/U1/U1.prog.1.bin").write_bytes(b"damaged")
    (tmp_path / "m-v1/data/stray.txt").write_bytes(b"nobody's")
    done = wellread("mend", tmp_path / "m-v1", "--from", tmp_path / "copy")
    assert done.code == 0, done.err
    aside = tmp_path / "m-v1.damaged-1"
    assert f"  data/stray.txt: in no manifest, moved to {aside}" in done.out.splitlines()
    moved = f"  the damaged files are kept: data/readings/unplaced/U1/U1.prog.1.bin, moved to {aside}"
    assert moved in done.out.splitlines()
    assert (aside / "data/stray.txt").read_bytes() == b"nobody's"

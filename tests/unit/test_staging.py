"""A folder gets its name in one step or not at all."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.edges.names import rename_new
from pipeline.edges.staging import Staging, leftovers, remove_leftover
from pipeline.errors import DestinationError, StorageError


def test_what_was_built_gets_its_name_and_nothing_else_remains(tmp_path: Path) -> None:
    with Staging(tmp_path / "bag") as staging:
        (staging.path / "x").write_bytes(b"x")
        assert not (tmp_path / "bag").exists()
        assert staging.commit() == tmp_path / "bag"
    assert (tmp_path / "bag/x").read_bytes() == b"x"
    assert [entry.name for entry in tmp_path.iterdir()] == ["bag"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, SystemExit])
def test_an_end_before_the_commit_leaves_nothing(tmp_path: Path, error: type[BaseException]) -> None:
    def build() -> None:
        with Staging(tmp_path / "bag") as staging:
            (staging.path / "x").write_bytes(b"x")
            raise error

    with pytest.raises(error):
        build()
    assert not list(tmp_path.iterdir())


def test_a_block_that_never_commits_leaves_nothing(tmp_path: Path) -> None:
    with Staging(tmp_path / "bag") as staging:
        (staging.path / "x").write_bytes(b"x")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("kind", ["folder", "file", "link"])
def test_a_name_that_is_taken_is_refused_before_anything_is_built(tmp_path: Path, kind: str) -> None:
    final = tmp_path / "bag"
    if kind == "folder":
        final.mkdir()
    elif kind == "file":
        final.touch()
    else:
        final.symlink_to("nowhere")
    with pytest.raises(DestinationError, match="there already"), Staging(final):
        pytest.fail("it began to build")
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("filled", [True, False])
def test_the_slower_of_two_packagers_changes_nothing(tmp_path: Path, filled: bool) -> None:  # noqa: FBT001 - a case
    def race() -> None:
        with Staging(tmp_path / "bag") as slow:
            (slow.path / "x").write_bytes(b"slow")
            with Staging(tmp_path / "bag") as fast:
                if filled:
                    (fast.path / "x").write_bytes(b"fast")
                fast.commit()
            slow.commit()

    with pytest.raises(DestinationError, match="there already"):
        race()
    assert [path.name for path in (tmp_path / "bag").iterdir()] == (["x"] if filled else [])
    assert not leftovers(tmp_path)


def test_a_rename_never_replaces_even_an_empty_folder(tmp_path: Path) -> None:
    (tmp_path / "new").mkdir()
    (tmp_path / "old").mkdir()
    before = (tmp_path / "old").stat().st_ino
    with pytest.raises(DestinationError):
        rename_new(tmp_path / "new", tmp_path / "old")
    assert (tmp_path / "old").stat().st_ino == before


def test_a_parent_that_is_no_folder_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(DestinationError, match="there is no such folder"), Staging(tmp_path / "nowhere/bag"):
        pytest.fail("it began to build")


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_read_only_parent_is_told_in_words(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(StorageError, match="denied"), Staging(tmp_path / "bag"):
        pytest.fail("it began to build")


KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline.edges.staging import Staging
with Staging(Path(sys.argv[1])) as staging:
    (staging.path / "x").write_bytes(b"x")
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_the_leftover_of_a_killed_run_is_known_from_one_at_work(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-c", KILLED, str(tmp_path / "killed")], check=False)
    with Staging(tmp_path / "alive"):
        found = {leftover.name: leftover for leftover in leftovers(tmp_path)}
        assert {name: each.in_use for name, each in found.items()} == {"killed": False, "alive": True}
        with pytest.raises(DestinationError, match="in use"):
            remove_leftover(found["alive"])
        remove_leftover(found["killed"])
    assert not list(tmp_path.iterdir())

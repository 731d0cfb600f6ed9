"""A project is told to be unchanged from the bytes of its files, before any chip is worked on."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline import __version__
from pipeline.__main__ import NO_PLUGINS, ONE_THREAD, settle_libraries
from pipeline.run.package.package import package, unchanged
from pipeline.run.package.ready import get_ready
from schemas.record import SoftwareRecord

SHEET = """\
machine: {id: m, name: M}
readers: {p: {kind: device-programmer}}
boards: {b: {}}
chips: chips.csv
"""
EPOCH = "1800000000"


@pytest.fixture(scope="module")
def packaged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project with one chip, a loose dump and a document, packaged beside itself."""
    root = tmp_path_factory.mktemp("unchanged") / "p"
    (root / "dumps").mkdir(parents=True)
    (root / "docs").mkdir()
    (root / "sheet.yaml").write_text(SHEET)
    (root / "chips.csv").write_text("chip,part,board,socket\nU1,2716,b,U1\n")
    (root / "dumps" / "U1.p.1.bin").write_bytes(bytes(range(256)) * 8)
    (root / "dumps" / "stray.bin").write_bytes(b"stray")
    (root / "docs" / "note.txt").write_text("as found\n")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        package(root, quiet=True)
    return root


def _is_unchanged(root: Path, version: str = __version__) -> bool:
    ready, _ = get_ready(root, None, quiet=True, clear_leftovers=False)
    previous = ready.previous
    assert previous is not None
    made_by: SoftwareRecord = {**previous.record["software"], "version": version}
    before = replace(previous, record={**previous.record, "software": made_by})
    return unchanged(replace(ready, previous=before)) is not None


def _flipped(path: Path) -> None:
    """One bit, with the size and the time of the last change kept."""
    times = path.stat()
    content = path.read_bytes()
    path.write_bytes(bytes([content[0] ^ 1]) + content[1:])
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


CHANGES: dict[str, Callable[[Path], object]] = {
    "a bit of a dump": lambda root: _flipped(root / "dumps" / "U1.p.1.bin"),
    "a bit of a loose dump": lambda root: _flipped(root / "dumps" / "stray.bin"),
    "a bit of a document": lambda root: _flipped(root / "docs" / "note.txt"),
    "one more pass": lambda root: (root / "dumps" / "U1.p.2.bin").write_bytes(bytes(2048)),
    "one more loose dump": lambda root: (root / "dumps" / "stray2.bin").write_bytes(b"stray"),
    "a document gone": lambda root: (root / "docs" / "note.txt").unlink(),
    "a document renamed": lambda root: (root / "docs" / "note.txt").rename(root / "docs" / "n.txt"),
    "a space in the table": lambda root: (root / "chips.csv").write_text(
        "chip,part,board,socket\nU1,2716,b,U1 \n"
    ),
    "a comment in the sheet": lambda root: (root / "sheet.yaml").write_text(SHEET + "# seen\n"),
}


def test_a_project_that_nobody_touched_is_unchanged(packaged: Path) -> None:
    assert _is_unchanged(packaged)


@pytest.mark.parametrize("change", CHANGES)
def test_whatever_goes_into_a_bag_tells_a_changed_project(packaged: Path, change: str) -> None:
    kept = {path: path.read_bytes() for path in packaged.rglob("*") if path.is_file()}
    CHANGES[change](packaged)
    try:
        assert not _is_unchanged(packaged)
    finally:
        for path in packaged.rglob("*"):
            if path.is_file() and path not in kept:
                path.unlink()
        for path, content in kept.items():
            path.write_bytes(content)
    assert _is_unchanged(packaged)


def test_a_version_that_another_program_made_is_no_reason_to_do_nothing(packaged: Path) -> None:
    assert not _is_unchanged(packaged, version="999")


@pytest.mark.parametrize(("name", "ours"), [*((name, "1") for name in ONE_THREAD), (NO_PLUGINS, "__all__")])
def test_libraries_get_one_thread_and_no_plugins_unless_the_user_said_otherwise(
    name: str, ours: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for each in (*ONE_THREAD, NO_PLUGINS):
        monkeypatch.setenv(each, "")  # so that it is put back afterwards as it was
        monkeypatch.delenv(each)
    settle_libraries()
    assert os.environ[name] == ours
    monkeypatch.setenv(name, "7")
    settle_libraries()
    assert os.environ[name] == "7"

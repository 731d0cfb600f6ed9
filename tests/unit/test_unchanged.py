"""A project is told to be unchanged from the bytes of its files, before any chip is worked on."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import __version__
from pipeline.__main__ import NO_PLUGINS, ONE_THREAD, settle_libraries
from pipeline.errors import BagError
from pipeline.flow import Packaged
from pipeline.run.package.package import package, unchanged
from pipeline.run.package.ready import get_ready
from pipeline.run.package.untouched import untouched_version
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
    before = previous._replace(record={**previous.record, "software": made_by})
    return unchanged(ready._replace(previous=before)) is not None


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


@pytest.fixture
def plain(packaged: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The same without the loose dump, which the sheet's cautions tell of, and older than its version."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    root = tmp_path / "p"
    shutil.copytree(packaged, root)
    (root / "dumps" / "stray.bin").unlink()
    package(root, quiet=True)
    _aged(root)
    return root


def _aged(root: Path) -> None:
    """As if nothing had been changed for years."""
    for path in root.rglob("*"):
        if path.is_file():
            os.utime(path, (1, 1))


def _untouched(root: Path) -> Packaged | None:
    return untouched_version(root, None, quiet=True, clear_leftovers=False)


def test_a_project_that_nobody_touched_is_told_before_its_sheet_is_read(plain: Path) -> None:
    short = _untouched(plain)
    (plain / "sheet.yaml").touch()
    assert short is not None
    assert _untouched(plain) is None  # newer: the longer way is asked
    assert package(plain, quiet=True) == short


@pytest.mark.parametrize("change", [name for name in CHANGES if "loose dump" not in name])
def test_bytes_tell_a_changed_project_that_no_time_tells(plain: Path, change: str) -> None:
    CHANGES[change](plain)
    _aged(plain)
    assert _untouched(plain) is None
    assert package(plain, quiet=True).same_as == ""


def test_what_the_sheet_cautions_of_is_told_again(packaged: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    _aged(packaged)
    assert _untouched(packaged) is None
    assert package(packaged, quiet=True).cautions


def test_a_link_out_of_the_folder_is_not_passed_over(plain: Path, tmp_path: Path) -> None:
    (tmp_path / "other").write_text("x")
    (plain / "docs" / "link").symlink_to(tmp_path / "other")
    os.utime(plain / "docs" / "link", (1, 1))
    assert _untouched(plain) is None


def test_an_untouched_project_whose_version_is_damaged_is_refused(plain: Path) -> None:
    page = plain.parent / "m-v1" / "metadata" / "provenance.txt"
    page.write_text(page.read_text() + "\n")
    with pytest.raises(BagError, match="damaged"):
        _untouched(plain)


def test_a_record_that_is_none_of_ours_leaves_it_to_the_longer_way(plain: Path) -> None:
    path = plain.parent / "m-v1" / "metadata" / "record.json"
    record = json.loads(path.read_text())
    others: list[object] = [None, 7, {"a": []}, [{}]]
    for key in ("machine", "software", "cautions", "created", "sheet", "chips", "inputs_sha256"):
        for instead in others:
            path.write_text(json.dumps({**record, key: instead}))
            assert _untouched(plain) is None
    path.write_text(json.dumps(record))
    with pytest.raises(BagError, match="damaged"):  # of the right files, but laid out otherwise
        _untouched(plain)


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

"""The writing commands on disks that behave as those of macOS and Windows, laid over a folder by FUSE.

What those systems do is played (`tests/kit/other_disk.py`); the commands and the kernel's calls are real.
Disks of real images are in `test_real_file_systems.py`.
"""

from __future__ import annotations

import contextlib
import shutil
import threading
import unicodedata
from collections.abc import Callable, Generator, Mapping, Sequence
from pathlib import Path

import pytest

from pipeline.errors import WellreadError
from pipeline.run.bench.sheet_row import add_row
from tests.journey import drilled
from tests.journey.cli import Ran, wellread
from tests.journey.test_drills import tree
from tests.kit.examples import drilled_but
from tests.kit.other_disk import DISKS, cannot, mounted
from tests.outside import bag_cases, rfc8493
from tests.reliability.test_calls_that_file_systems_refuse import COMMANDS

WHY_NOT = cannot()
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)


@pytest.fixture(params=drilled_but(DISKS, "as on Windows", "as on old macOS"))
def disk(tmp_path: Path, request: pytest.FixtureRequest) -> Generator[Path]:
    with mounted(tmp_path, DISKS[request.param]) as place:
        yield place


@pytest.fixture
def windows(tmp_path: Path) -> Generator[Path]:
    with mounted(tmp_path, DISKS["as on Windows"]) as place:
        yield place


def well(ran: Ran) -> Ran:
    assert ran.code == 0, (ran.code, ran.err)
    return ran


def left_over(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if ".staging-" in path.name or ".part-" in path.name]


def composed(files: Mapping[str, bytes]) -> dict[str, bytes]:
    return {unicodedata.normalize("NFC", name): content for name, content in files.items()}


def named_in_words(folder: Path) -> None:
    """A project whose files have names that some disks keep in another form than the sheet says them."""
    drilled.project(folder)
    (folder / "m/docs/Bänder.txt").write_bytes(b"wound in June\n")
    (folder / "m/dumps/U2.prog.1.bin").rename(folder / "m/dumps/Größe.bin")
    sheet = folder / "m/sheet.yaml"
    text = sheet.read_text("utf-8").replace("[docs/notes.txt]", "[docs/notes.txt, docs/Bänder.txt]")
    sheet.write_text(f"{text}readings:\n  - {{chip: U2, reader: prog, file: Größe.bin}}\n", "utf-8")


def test_a_project_goes_to_a_bag_a_bundle_and_back_with_all_its_names(disk: Path) -> None:
    named_in_words(disk)
    well(wellread("package", disk / "m", "--into", disk))
    assert rfc8493.problems(disk / "m-v1") == []
    (disk / "m/docs/notes.txt").write_bytes(b"read in July\n")
    well(wellread("package", disk / "m", "--into", disk))
    well(wellread("recheck", disk / "m-v2", "--replay"))
    well(wellread("release", disk / "m-v2", "--into", disk))
    out = {unicodedata.normalize("NFC", path.name) for path in (disk / "m-v2-public/data/docs").iterdir()}
    assert out == {"Bänder.txt", "notes.txt"}
    well(wellread("recheck", disk / "m-v2-public", disk / "m-v2-public.zip"))
    well(wellread("reopen", disk / "m-v2", "--into", disk / "again"))
    assert composed(tree(disk / "again")) == composed(tree(disk / "m"))
    assert wellread("package", disk / "again", "--into", disk).out.count("m-v2")
    assert not (disk / "m-v3").exists()
    assert left_over(disk) == []


def test_a_bag_that_was_packed_elsewhere_is_used_as_it_is_there(disk: Path, tmp_path: Path) -> None:
    (tmp_path / "linux").mkdir()
    named_in_words(tmp_path / "linux")
    well(wellread("package", tmp_path / "linux/m", "--into", tmp_path / "linux"))
    shutil.copytree(tmp_path / "linux/m-v1", disk / "m-v1")
    well(wellread("recheck", disk / "m-v1", "--replay"))
    well(wellread("reopen", disk / "m-v1", "--into", disk / "again"))
    assert composed(tree(disk / "again")) == composed(tree(tmp_path / "linux/m"))
    (disk / "m-v1/data/docs/Bänder.txt").write_bytes(b"damaged")
    well(wellread("mend", disk / "m-v1", "--from", tmp_path / "linux/m-v1"))
    assert composed(tree(disk / "m-v1")) == composed(tree(tmp_path / "linux/m-v1"))


OUTPUTS: dict[str, tuple[str, ...]] = {
    "package": ("package", "{disk}/m", "--into", "{place}"),
    "release": ("release", "{disk}/m-v1", "--into", "{place}"),
    "reopen": ("reopen", "{disk}/m-v1", "--into", "{place}/again"),
    "burn": ("burn", "{disk}/m-v1", "--chip", "U1", "--into", "2716", "--output", "{place}/b.bin"),
    "convert": ("convert", "{disk}/m/dumps/U1.prog.1.bin", "--to", "intel-hex", "--output", "{place}/u.hex"),
    "bench": ("bench", "2716", "--html", "{place}/b.html"),
    "ledger": ("recheck", "{disk}/m-v1", "--ledger", "{place}/l", "--new-ledger"),
}


@pytest.mark.parametrize("spelling", ["m-v1", "M-V1", "M-v1/DATA"])
def test_nothing_is_written_into_a_bag_however_its_folder_is_spelled(disk: Path, spelling: str) -> None:
    drilled.project(disk)
    shutil.copytree(drilled.packaged() / "m-v1", disk / "m-v1")
    before = tree(disk / "m-v1")
    for name, words in OUTPUTS.items():
        ran = wellread(*(word.format(disk=disk, place=disk / spelling) for word in words))
        assert ran.code == 15, (name, ran.err)
        assert "this lies inside the bag" in ran.err
    assert tree(disk / "m-v1") == before


@pytest.mark.parametrize("spelling", ["m", "M", "M/Dumps"])
def test_no_bag_is_packed_into_its_project_however_that_is_spelled(disk: Path, spelling: str) -> None:
    drilled.project(disk)
    ran = wellread("package", disk / "m", "--into", disk / spelling)
    assert ran.code == 15
    assert "inside the project folder" in ran.err


def test_another_spelling_of_a_known_bag_is_the_known_bag(disk: Path) -> None:
    bag_cases.bag(disk / "Bänder-Bag", {"data/a.bin": b"first"})
    well(wellread("recheck", disk / "Bänder-Bag", "--ledger", disk / "l", "--new-ledger"))
    other = unicodedata.normalize("NFD", "bänder-BAG")
    assert "first seen" not in well(wellread("recheck", disk / other, "--ledger", disk / "l")).out
    shutil.rmtree(disk / "Bänder-Bag")
    bag_cases.bag(disk / "Bänder-Bag", {"data/a.bin": b"forged"})
    ran = wellread("recheck", disk / other, "--ledger", disk / "l")
    assert ran.code == 1
    assert "first seen" not in ran.out


# --- Windows ----------------------------------------------------------------------------------------------


def given(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def contents(paths: Sequence[Path]) -> dict[Path, bytes]:
    """What files hold, but for ledgers, which grow."""
    return {path: path.read_bytes() for path in paths if path.name != "l"}


@pytest.mark.parametrize("name", drilled_but(COMMANDS, "package", "mend", "release"))
def test_files_that_may_not_be_written_are_read_and_taken_away_as_others(windows: Path, name: str) -> None:
    arguments = COMMANDS[name](windows)
    there = [path for path in given(windows) if path.name != "l"]
    for path in there:
        path.chmod(0o444)
    before = contents(there)
    well(wellread(*arguments))
    kept = {path: content for path, content in before.items() if name != "mend" or path.parent.name == "copy"}
    assert kept
    assert contents(list(kept)) == kept
    assert left_over(windows) == []
    if name == "mend":
        assert tree(windows / "bag") == tree(windows / "copy")


@pytest.mark.parametrize(
    "name",
    # Whoever is refused waits two seconds for that.
    [pytest.param(name, marks=[pytest.mark.drill] if name == "mend" else []) for name in COMMANDS],
)
def test_with_every_file_open_elsewhere_a_command_does_its_work_or_leaves_all_as_it_was(
    windows: Path, name: str
) -> None:
    arguments = COMMANDS[name](windows)
    there = given(windows)
    before = contents(there)
    with contextlib.ExitStack() as held:
        for path in there:
            held.enter_context(path.open("rb"))
        ran = wellread(*arguments)
        assert ran.code in (0, 16), (ran.code, ran.err)
        assert "Traceback" not in ran.err
        if ran.code:
            assert name == "mend", "only what takes another one's place can be refused"
            assert "close that program" in ran.err
        assert contents(there) == before
    if ran.code:
        well(wellread(*arguments))
        assert left_over(windows) == []


@pytest.mark.drill
@pytest.mark.parametrize("name", ["mend", "row"])
def test_what_is_open_elsewhere_for_a_moment_is_waited_for(windows: Path, name: str) -> None:
    arguments = COMMANDS["mend"](windows)
    sheet = windows / "sheet.yaml"
    sheet.write_text("machine: {id: m, name: M}\nchips:\n  - {chip: U1}\nreadings:\n  - {file: a.bin}\n")
    with contextlib.ExitStack() as held:
        for path in given(windows):
            held.enter_context(path.open("rb"))
        letting_go = threading.Timer(1, held.close)
        letting_go.start()
        try:
            if name == "mend":
                well(wellread(*arguments))
            else:
                assert add_row(sheet, {"file": "b.bin"})
        finally:
            letting_go.join(timeout=10)
    assert left_over(windows) == []


@pytest.mark.parametrize(
    "how", [pytest.param("open elsewhere", marks=pytest.mark.drill), "not to be written"]
)
def test_a_sheet_that_may_not_be_replaced_keeps_its_rows_and_the_row_is_told(windows: Path, how: str) -> None:
    sheet = windows / "sheet.yaml"
    sheet.write_text("machine: {id: m, name: M}\nchips:\n  - {chip: U1}\nreadings:\n  - {file: a.bin}\n")
    before = sheet.read_bytes()
    with contextlib.ExitStack() as held:
        if how == "open elsewhere":
            held.enter_context(sheet.open("rb"))
        else:
            sheet.chmod(0o444)
        with pytest.raises(WellreadError):
            add_row(sheet, {"file": "b.bin"})
    assert sheet.read_bytes() == before
    assert [path.name for path in windows.iterdir()] == ["sheet.yaml"]


@pytest.mark.parametrize("name", ["CON", "aux.txt", "a:b", "what?", "ends.", "ends "])
def test_the_layer_refuses_what_windows_refuses(windows: Path, name: str) -> None:
    with pytest.raises(OSError, match="Invalid argument"):
        (windows / name).write_bytes(b"x")


def test_the_layer_keeps_what_is_open_or_not_to_be_written(windows: Path) -> None:
    (windows / "folder").mkdir()
    path = windows / "folder/a"
    path.write_bytes(b"x")
    actions: list[Callable[[], object]] = [
        path.unlink,
        lambda: path.rename(windows / "b"),
        lambda: (windows / "folder").rename(windows / "g"),
        lambda: (windows / "new").replace(path),
    ]
    (windows / "new").write_bytes(b"y")
    with path.open("rb"):
        for act in actions:
            with pytest.raises(OSError, match="busy"):
                act()
    path.chmod(0o444)
    for act in (path.unlink, lambda: path.write_bytes(b"z"), lambda: (windows / "new").replace(path)):
        with pytest.raises(PermissionError):
            act()
    assert path.read_bytes() == b"x"

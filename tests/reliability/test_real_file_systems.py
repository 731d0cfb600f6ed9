"""The writing commands on real images of other systems' disks, made and mounted here, where the system
allows it.

NTFS through ntfs-3g and exFAT through exfat-fuse, both FUSE programs; ext4 with folders that fold case
needs a kernel with Unicode tables. What cannot be mounted is skipped with the system's own words.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Generator
from pathlib import Path

import pytest

from tests.journey import drilled, test_drills
from tests.journey.cli import Ran, wellread
from tests.journey.test_drills import tree
from tests.outside import bag_cases, rfc8493

pytestmark = pytest.mark.drill
MEGABYTES = 48
DISKS = {
    "NTFS": (["mkfs.ntfs", "-F", "-Q", "-q"], ["ntfs-3g"]),
    "exFAT": (["mkfs.exfat"], ["mount.exfat-fuse"]),
    "ext4 that folds case": (
        ["mkfs.ext4", "-q", "-O", "casefold", "-E", "encoding=utf8"],
        ["mount", "-t", "ext4"],
    ),
}
"""How a disk is made, and how it is mounted from a device."""


def carried_out(*command: str | Path) -> str:
    """What a command printed; the test is skipped with its words where it was refused."""
    if shutil.which(str(command[0])) is None:
        pytest.skip(f"there is no {command[0]} here")
    done = subprocess.run([*map(str, command)], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"{command[0]}: {(done.stderr or done.stdout).strip()[-200:]}")
    return done.stdout.strip()


@pytest.fixture(params=DISKS)
def disk(tmp_path: Path, request: pytest.FixtureRequest) -> Generator[Path]:
    """An empty disk of this kind, mounted."""
    make, mount = DISKS[request.param]
    image, place = tmp_path / "image", tmp_path / "disk"
    place.mkdir()
    with image.open("wb") as stream:
        stream.truncate(MEGABYTES << 20)
    carried_out(*make, image)
    device = carried_out("losetup", "-f", "--show", image)
    try:
        carried_out(*mount, device, place)
        try:
            if request.param.startswith("ext4"):
                (place / "folds").mkdir()
                carried_out("chattr", "+F", place / "folds")
                yield place / "folds"
            else:
                yield place
        finally:
            subprocess.run(["umount", str(place)], check=True)
    finally:
        subprocess.run(["losetup", "-d", device], check=True)


def ended_well(ran: Ran, *codes: int) -> None:
    assert ran.code in codes, (ran.code, ran.err)
    assert "Traceback" not in ran.err


def test_every_writing_command_does_its_work(disk: Path) -> None:
    drilled.project(disk)
    ended_well(wellread("package", disk / "m", "--into", disk), 0)
    assert rfc8493.problems(disk / "m-v1") == []
    (disk / "m/docs/notes.txt").write_bytes(b"read in July\n")
    ended_well(wellread("package", disk / "m", "--into", disk), 0)
    assert rfc8493.problems(disk / "m-v2") == []
    ended_well(wellread("release", disk / "m-v2", "--into", disk), 0)
    assert rfc8493.problems(disk / "m-v2-public") == []
    ended_well(wellread("reopen", disk / "m-v2", "--into", disk / "again"), 0)
    assert tree(disk / "again") == tree(disk / "m")
    ended_well(
        wellread("burn", disk / "m-v2", "--chip", "U1", "--into", "2716", "--output", disk / "b.bin"), 0
    )
    assert not [path for path in disk.iterdir() if ".staging-" in path.name or ".part-" in path.name]


def test_a_bag_is_mended_and_the_damaged_file_kept(disk: Path) -> None:
    shelf = disk / "shelf"
    shelf.mkdir()
    drilled.damaged_shelf(shelf)
    ended_well(wellread(*test_drills.mend(shelf)), 0)
    assert tree(shelf / "bag") == tree(shelf / "copy")
    assert tree(shelf / "bag.damaged-1") == {"data/0.bin": b"damaged"}
    test_drills.ledger_is_whole(shelf, at_least=4)
    assert not [path for path in shelf.iterdir() if ".staging-" in path.name]


def test_another_spelling_of_a_known_bag_is_known_where_case_is_not_told_apart(disk: Path) -> None:
    bag_cases.bag(disk / "Shelf-Bag", {"data/a.bin": b"first"})
    if not (disk / "shelf-bag").exists():
        pytest.skip("this disk tells case apart")
    ledger = disk / "l"
    ended_well(wellread("recheck", disk / "Shelf-Bag", "--ledger", ledger, "--new-ledger"), 0)
    ran = wellread("recheck", disk / "shelf-BAG", "--ledger", ledger)
    ended_well(ran, 0)
    assert "first seen" not in ran.out
    shutil.rmtree(disk / "Shelf-Bag")
    bag_cases.bag(disk / "Shelf-Bag", {"data/a.bin": b"forged"})
    ran = wellread("recheck", disk / "shelf-bag", "--ledger", ledger)
    ended_well(ran, 1)
    assert "first seen" not in ran.out


def test_two_chips_whose_names_differ_only_in_case_are_refused_before_they_meet(disk: Path) -> None:
    drilled.project(disk)
    text = (disk / "m/sheet.yaml").read_text("utf-8").replace("chip: U2,", "chip: u1,")
    (disk / "m/sheet.yaml").write_text(text, "utf-8")
    ran = wellread("check", disk / "m")
    ended_well(ran, 1)
    assert "upper and lower case counted alike" in ran.out

"""What the ledger knows is found again by path, by content and by folder.

What is no ledger of ours is never believed.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
from collections.abc import Generator
from pathlib import Path

import pytest

from pipeline.edges.ledger import Ledger
from tests.journey.cli import Ran, wellread
from tests.outside import bag_cases

posix = pytest.mark.skipif(os.name != "posix", reason="links need POSIX")
INFO = "External-Identifier: urn:uuid:1\nBag-Group-Identifier: loom-78\n"


def bag(path: Path, content: bytes = b"first", info: str = INFO) -> Path:
    bag_cases.bag(path, {"data/a.bin": content}, info=info)
    return path


def check(ledger: Path, *bags: Path) -> Ran:
    return wellread("recheck", *bags, "--ledger", ledger, "--new-ledger")


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "shelf").mkdir()
    bag(tmp_path / "shelf/bag")
    assert check(tmp_path / "l", tmp_path / "shelf").code == 0
    return tmp_path


# --- links and spelling -----------------------------------------------------------------------------------


@posix
@pytest.mark.parametrize("asked", ["shelf", "shelf/bag", "elsewhere/rewritten"])
def test_a_known_bag_replaced_by_a_link_to_a_rewritten_one_is_an_error(shelf: Path, asked: str) -> None:
    shutil.rmtree(shelf / "shelf/bag")
    (shelf / "elsewhere").mkdir()
    bag(shelf / "elsewhere/rewritten", b"forged")
    (shelf / "shelf/bag").symlink_to(shelf / "elsewhere/rewritten")
    for _ in range(2):
        ran = check(shelf / "l", shelf / asked)
        assert ran.code == 1, ran.out
        assert "first seen" not in ran.out


@posix
def test_a_link_in_a_known_bags_place_is_an_error_until_it_is_accepted(shelf: Path) -> None:
    (shelf / "elsewhere").mkdir()
    (shelf / "shelf/bag").rename(shelf / "elsewhere/bag")
    (shelf / "shelf/bag").symlink_to(shelf / "elsewhere/bag")
    for _ in range(2):
        ran = check(shelf / "l", shelf / "shelf/bag")
        assert ran.code == 1
        assert "which is now a link" in ran.out
    accepted = wellread(
        "ledger", shelf / "l", "--accept", shelf / "shelf/bag", "--because", "moved it myself"
    )
    assert accepted.code == 0, accepted.err
    assert check(shelf / "l", shelf / "shelf/bag").code == 0
    assert check(shelf / "l", shelf / "shelf").code == 0
    assert wellread("ledger", shelf / "l", "--verify").code == 0


@posix
def test_a_shelf_that_became_a_link_is_an_error_for_each_bag_below_it(shelf: Path) -> None:
    (shelf / "shelf").rename(shelf / "old")
    shutil.rmtree(shelf / "old/bag")
    bag(shelf / "old/bag", b"forged")
    (shelf / "shelf").symlink_to(shelf / "old")
    ran = check(shelf / "l", shelf / "shelf")
    assert ran.code == 1
    assert "which is now a link" in ran.out


@posix
def test_one_known_bag_replaced_by_a_link_to_another_known_one_is_an_error(shelf: Path) -> None:
    bag(shelf / "shelf/other", b"second", "External-Identifier: urn:uuid:2\n")
    assert check(shelf / "l", shelf / "shelf").code == 0
    shutil.rmtree(shelf / "shelf/bag")
    (shelf / "shelf/bag").symlink_to(shelf / "shelf/other")
    assert check(shelf / "l", shelf / "shelf").code == 1


@posix
def test_a_dangling_link_to_a_known_bag_tells_that_it_is_missing(shelf: Path) -> None:
    (shelf / "links").mkdir()
    bag(shelf / "links/sound", b"x", "External-Identifier: urn:uuid:3\n")
    (shelf / "links/l").symlink_to(shelf / "shelf/bag")
    shutil.rmtree(shelf / "shelf/bag")
    ran = check(shelf / "l", shelf / "links")
    assert ran.code == 1
    assert f"{shelf / 'shelf/bag'}: missing" in ran.out


@pytest.fixture
def two_spellings(shelf: Path) -> Generator[Path]:
    """The shelf under a second spelling, one folder by device and inode, as where case is not told apart."""
    (shelf / "SHELF").mkdir()
    mounted = subprocess.run(
        ["mount", "--bind", str(shelf / "shelf"), str(shelf / "SHELF")], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("this user may not mount, so that one folder cannot have two spellings")
    yield shelf
    subprocess.run(["umount", str(shelf / "SHELF")], check=True)


@pytest.mark.skipif(shutil.which("mount") is None, reason="needs mounts, as Linux has them")
def test_another_spelling_of_a_known_path_is_the_known_bag(two_spellings: Path) -> None:
    ran = check(two_spellings / "l", two_spellings / "SHELF/bag")
    assert ran.code == 0
    assert "first seen" not in ran.out
    assert "same receipt" in ran.out
    shutil.rmtree(two_spellings / "shelf/bag")
    bag(two_spellings / "shelf/bag", b"forged")
    ran = check(two_spellings / "l", two_spellings / "SHELF/bag")
    assert ran.code == 1, ran.out


def test_two_bags_whose_names_differ_in_case_are_two_where_case_is_told_apart(shelf: Path) -> None:
    if (shelf / "SHELF").exists():
        pytest.skip("this disk does not tell case apart")
    ran = check(shelf / "l", shelf / "shelf/BAG")
    assert ran.code != 0, "what is not there is not taken for what is"
    bag(shelf / "shelf/BAG", b"second", INFO.replace("uuid:1", "uuid:2").replace("loom-78", "loom-79"))
    ran = check(shelf / "l", shelf / "shelf/BAG")
    assert ran.code == 0, ran.out
    assert "first seen" in ran.out
    assert check(shelf / "l", shelf / "shelf").code == 0


def test_the_same_identifier_with_another_receipt_is_an_error_until_it_is_accepted(shelf: Path) -> None:
    bag(shelf / "again", b"second")
    for _ in range(2):
        ran = check(shelf / "l", shelf / "again")
        assert ran.code == 1
        assert "External-Identifier" in ran.out
    done = wellread(
        "ledger", shelf / "l", "--accept", shelf / "again", "--because", "a second copy, corrected"
    )
    assert done.code == 0, done.err
    assert check(shelf / "l", shelf / "again").code == 0
    assert check(shelf / "l", shelf / "shelf").code == 0


def test_another_bag_of_the_same_machine_is_a_note(shelf: Path) -> None:
    bag(shelf / "v2", b"second", INFO.replace("uuid:1", "uuid:2"))
    ran = check(shelf / "l", shelf / "v2")
    assert ran.code == 0
    assert "another bag of loom-78 is known" in ran.out


# --- the ledger's own file --------------------------------------------------------------------------------


def test_a_ledger_that_is_not_there_is_refused_and_not_begun_anew(shelf: Path) -> None:
    gone = shelf / "unmounted/l"
    gone.parent.mkdir()
    ran = wellread("recheck", shelf / "shelf", "--ledger", gone)
    assert ran.code == 16
    assert "--new-ledger" in ran.err
    assert not gone.exists()


def test_a_ledger_that_was_emptied_is_refused_and_not_begun_anew(shelf: Path) -> None:
    (shelf / "l").write_bytes(b"")
    ran = wellread("recheck", shelf / "shelf", "--ledger", shelf / "l")
    assert ran.code == 20
    assert "is empty" in ran.err
    assert wellread("ledger", shelf / "l", "--accept", shelf / "shelf/bag", "--because", "x").code == 20
    assert (shelf / "l").read_bytes() == b""


@pytest.mark.parametrize("command", ["recheck", "ledger"])
@pytest.mark.parametrize("head", ["", "  "])
def test_an_empty_head_is_refused_because_it_would_check_nothing(
    shelf: Path, command: str, head: str
) -> None:
    arguments: list[str | Path] = (
        ["ledger", shelf / "l"]
        if command == "ledger"
        else ["recheck", shelf / "shelf", "--ledger", shelf / "l"]
    )
    assert wellread(*arguments, "--expect-head", head).code == 2


FORGERIES = {
    "a view": "ALTER TABLE rows RENAME TO real; CREATE VIEW rows AS SELECT * FROM real",
    "a trigger": "CREATE TRIGGER quiet AFTER INSERT ON rows BEGIN SELECT 1; END",
    "a trigger less": "DROP TRIGGER rows_stay",
    "another trigger of the name": "DROP TRIGGER rows_stay; "
    "CREATE TRIGGER rows_stay BEFORE UPDATE ON rows BEGIN SELECT 1; "
    "END",
    "another table": "CREATE TABLE more (x)",
    "another index": "DROP INDEX rows_by_bag; CREATE INDEX rows_by_bag ON rows (bag) WHERE number < 2",
}


@pytest.mark.parametrize("forgery", FORGERIES)
def test_a_ledger_of_another_schema_is_never_whole(shelf: Path, forgery: str) -> None:
    with sqlite3.connect(shelf / "l") as base:
        base.executescript(FORGERIES[forgery])
    base.close()
    assert wellread("ledger", shelf / "l", "--verify").code == 20
    assert check(shelf / "l", shelf / "shelf").code == 20


@pytest.mark.parametrize("kind", ["--csv", "--premis"])
@pytest.mark.parametrize("forgery", FORGERIES)
def test_nothing_is_exported_from_a_ledger_that_is_not_whole(shelf: Path, forgery: str, kind: str) -> None:
    """The export would say nothing any more of what is wrong with the ledger."""
    with sqlite3.connect(shelf / "l") as base:
        base.executescript(FORGERIES[forgery])
    base.close()
    ran = wellread("ledger", shelf / "l", kind, shelf / "out")
    assert ran.code == 20, ran.err
    assert not (shelf / "out").exists()


@pytest.mark.parametrize("forgery", FORGERIES)
def test_a_ledger_of_another_schema_proves_no_mend_and_takes_no_acceptance(shelf: Path, forgery: str) -> None:
    shutil.copytree(shelf / "shelf/bag", shelf / "copy")
    (shelf / "shelf/bag/data/a.bin").write_bytes(b"damaged")
    with sqlite3.connect(shelf / "l") as base:
        base.executescript(FORGERIES[forgery])
    base.close()
    ran = wellread("mend", shelf / "shelf/bag", "--from", shelf / "copy", "--ledger", shelf / "l")
    assert ran.code == 20, ran.err
    assert (shelf / "shelf/bag/data/a.bin").read_bytes() == b"damaged"
    assert wellread("ledger", shelf / "l", "--accept", shelf / "copy", "--because", "x").code == 20
    told = wellread("ledger", shelf / "l")
    assert "NOT whole" in told.out + told.err


def test_a_head_that_is_expected_of_a_ledger_to_be_begun_is_refused_with_the_way_out(shelf: Path) -> None:
    ran = wellread(
        "recheck", shelf / "shelf", "--ledger", shelf / "none", "--new-ledger", "--expect-head", "0" * 64
    )
    assert ran.code == 16
    assert "without a head to expect" in ran.err
    assert not (shelf / "none").exists()


@pytest.mark.parametrize("command", ["recheck", "mend", "ledger"])
@pytest.mark.parametrize("what", ["nothing", "nothing behind a link", "a folder", "a cut file"])
def test_a_ledger_that_is_not_there_or_is_no_ledger_is_told_by_every_command(
    shelf: Path, command: str, what: str
) -> None:
    ledger = shelf / "other"
    if what == "a folder":
        ledger.mkdir()
    elif what == "a cut file":
        ledger.write_bytes((shelf / "l").read_bytes()[:3000])
    elif what == "nothing behind a link":
        if os.name != "posix":
            pytest.skip("links need POSIX")
        ledger.symlink_to(shelf / "unmounted/l")
    shutil.copytree(shelf / "shelf/bag", shelf / "copy")
    arguments: dict[str, list[str | Path]] = {
        "recheck": ["recheck", shelf / "shelf", "--ledger", ledger],
        "mend": ["mend", shelf / "shelf/bag", "--from", shelf / "copy", "--ledger", ledger],
        "ledger": ["ledger", ledger],
    }
    ran = wellread(*arguments[command])
    assert ran.code == (20 if what == "a cut file" else 16), ran.err
    assert "Traceback" not in ran.err
    assert ran.err.startswith(str(ledger))
    assert not (shelf / "unmounted").exists()


@pytest.mark.parametrize("value", ["NULL", "x'ff00'", "7"])
@pytest.mark.parametrize("column", ["previous", "digest", "bag", "body"])
def test_a_row_of_other_types_is_told_in_words(tmp_path: Path, column: str, value: str) -> None:
    with Ledger(tmp_path / "l", {"kind": "opened", "when": "", "tool": ""}):
        pass
    base = sqlite3.connect(tmp_path / "l", isolation_level=None)
    triggers = base.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        base.execute(f"DROP TRIGGER {name}")
    base.execute("PRAGMA writable_schema = on")
    base.execute("PRAGMA ignore_check_constraints = on")
    if value == "NULL":
        base.execute("UPDATE sqlite_master SET sql = replace(sql, ' NOT NULL', '') WHERE name = 'rows'")
        base.close()
        base = sqlite3.connect(tmp_path / "l", isolation_level=None)
    base.execute(f"UPDATE rows SET {column} = {value}")
    for _, sql in triggers:
        base.execute(sql)
    base.close()
    for more in (["--verify"], []):
        ran = wellread("ledger", tmp_path / "l", *more)
        assert ran.code in (0, 20), ran.err
        assert "Traceback" not in ran.err
    assert wellread("ledger", tmp_path / "l", "--verify").code == 20


def test_a_damaged_byte_anywhere_in_a_ledger_is_told_in_words(shelf: Path) -> None:
    raw = (shelf / "l").read_bytes()
    dice = random.Random(7)
    places = [*range(100), *(dice.randrange(len(raw)) for _ in range(300)), 3695, 3797, 3949]
    for at in places:
        value = dice.choice([raw[at] ^ 0x80, raw[at] ^ 1, 0xFF, 0])
        (shelf / "m").write_bytes(raw[:at] + bytes([value % 256]) + raw[at + 1 :])
        for ran in (
            wellread("ledger", shelf / "m", "--verify"),
            wellread("recheck", shelf / "shelf", "--ledger", shelf / "m"),
        ):
            assert ran.code in (0, 14, 16, 20), (at, value, ran.err)
            assert "Traceback" not in ran.err
        for each in shelf.glob("m-*"):
            each.unlink()

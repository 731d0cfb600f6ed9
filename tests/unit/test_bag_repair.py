"""A damaged bag is made whole only from bytes that prove themselves, and what was damaged is kept."""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.bags.repair_plan import plan
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe, receipt
from pipeline.edges.clock import Now
from pipeline.edges.ledger import Ledger
from pipeline.edges.staging import leftovers, remove_leftover
from pipeline.errors import BagError, JudgedBadError, LedgerError, MendError, NothingToDoError, StorageError
from pipeline.run.keep.mend import mend_bag
from pipeline.run.keep.recheck import recheck_bags
from schemas.base import follows
from schemas.ledger import LedgerRow
from tests.outside import bag_cases
from tests.unit.test_bag_observe import PACKERS, as_zip

NOW = Now(datetime(2024, 6, 1, tzinfo=UTC), fixed=False)
PAYLOAD = {f"data/b{number % 2}/{number}.bin": bytes([number]) * 300 for number in range(6)}
posix_only = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such thing")


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    bag_cases.bag(tmp_path / "bag", PAYLOAD)
    bag_cases.write(tmp_path / "bag", "metadata/record.json", "{}")
    bag_cases.seal(tmp_path / "bag")
    for name in ("copy", "other", "whole"):
        shutil.copytree(tmp_path / "bag", tmp_path / name)
    return tmp_path


def spoil(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(bytes([content[0] ^ 1]) + content[1:])


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.mark.parametrize(
    "wounded",
    [
        "data/b0/0.bin",
        "metadata/record.json",
        "bag-info.txt",
        "bagit.txt",
        "manifest-sha256.txt",
        "tagmanifest-sha256.txt",
        "tagmanifest-sha512.txt",
    ],
)
@pytest.mark.parametrize("gone", [True, False])
def test_any_one_file_is_mended_and_the_bag_is_as_it_was_byte_for_byte(
    shelf: Path,
    wounded: str,
    gone: bool,  # noqa: FBT001 - a case
) -> None:
    before = tree(shelf / "bag")
    hurt = b"" if gone else bytes([before[wounded][0] ^ 1]) + before[wounded][1:]
    if gone:
        (shelf / "bag" / wounded).unlink()
    else:
        spoil(shelf / "bag" / wounded)
    mended = mend_bag(shelf / "bag", [shelf / "copy"], now=NOW)
    assert tree(shelf / "bag") == before
    assert [path for path, _ in mended.replaced] == [wounded]
    assert mended.receipt == receipt(shelf / "whole")
    assert mended.damaged == (None if gone else shelf / "bag.damaged-1")
    if not gone:
        assert tree(shelf / "bag.damaged-1") == {wounded: hurt}
    record = json.loads((shelf / "bag.mend-1.json").read_text("utf-8"))
    assert record["replaced"] == [{"path": wounded, "from": str(shelf / "copy")}]
    assert tree(shelf / "copy") == before
    assert not leftovers(shelf)


def test_copies_with_different_wounds_make_one_whole(shelf: Path) -> None:
    for number, name in ((0, "bag"), (1, "bag"), (1, "copy"), (2, "copy"), (0, "other"), (3, "other")):
        spoil(shelf / name / f"data/b{number % 2}/{number}.bin")
    mended = mend_bag(shelf / "bag", [shelf / "copy", shelf / "other"], now=NOW)
    assert tree(shelf / "bag") == tree(shelf / "whole")
    assert [(path, copy.name) for path, copy in mended.replaced] == [
        ("data/b0/0.bin", "copy"),
        ("data/b1/1.bin", "other"),
    ]


def test_two_damaged_bags_alone_make_one_whole(shelf: Path) -> None:
    spoil(shelf / "bag/tagmanifest-sha256.txt")
    spoil(shelf / "copy/tagmanifest-sha512.txt")
    with Ledger(shelf / "l", {"kind": "opened", "when": "", "tool": ""}) as book:
        body = {"kind": "check", "outcome": "valid", "when": NOW.text, "tool": "x"}
        book.add({**body, "bag": str(shelf / "bag"), "receipt": receipt(shelf / "whole")})
    mend_bag(shelf / "bag", [shelf / "copy"], now=NOW, ledger=shelf / "l")
    assert tree(shelf / "bag") == tree(shelf / "whole")


def test_what_nobody_lists_is_set_aside_and_what_nothing_vouches_for_stays(shelf: Path) -> None:
    bag_cases.write(shelf / "bag", "data/stray.bin", b"stray")
    bag_cases.write(shelf / "bag", "notes.txt", b"mine")
    mended = mend_bag(shelf / "bag", [shelf / "copy"], now=NOW)
    assert mended.set_aside == ("data/stray.bin",)
    assert tree(shelf / "bag") == {**tree(shelf / "whole"), "notes.txt": b"mine"}
    assert tree(shelf / "bag.damaged-1") == {"data/stray.bin": b"stray"}


@posix_only
def test_a_link_in_the_place_of_a_file_is_replaced_and_kept_as_a_link(shelf: Path) -> None:
    (shelf / "bag/data/b0/0.bin").unlink()
    (shelf / "bag/data/b0/0.bin").symlink_to(shelf / "whole/data/b0/0.bin")
    os.mkfifo(shelf / "bag/data/pipe")
    mend_bag(shelf / "bag", [shelf / "copy"], now=NOW)
    assert not (shelf / "bag/data/b0/0.bin").is_symlink()
    assert (shelf / "bag.damaged-1/data/b0/0.bin").is_symlink()
    assert judge(observe(shelf / "bag")).valid


@pytest.mark.parametrize("pack", PACKERS)
def test_a_copy_may_be_an_archive(shelf: Path, pack: Callable[[Path, Path], Path]) -> None:
    spoil(shelf / "bag/data/b0/0.bin")
    spoil(shelf / "bag/metadata/record.json")
    mend_bag(shelf / "bag", [pack(shelf / "copy", shelf / "packed")], now=NOW)
    assert tree(shelf / "bag") == tree(shelf / "whole")


def test_a_second_mend_keeps_the_first_ones_records(shelf: Path) -> None:
    for number in (1, 2):
        spoil(shelf / "bag/data/b0/0.bin")
        mended = mend_bag(shelf / "bag", [shelf / "copy"], now=NOW)
        assert mended.record.name == f"bag.mend-{number}.json"
    assert {"bag.damaged-1", "bag.damaged-2", "bag.mend-1.json", "bag.mend-2.json"} <= names(shelf)


def test_the_mend_is_remembered_and_the_next_check_knows_the_receipt(shelf: Path) -> None:
    recheck_bags([shelf / "bag"], now=NOW, ledger=shelf / "l", new_ledger=True)
    spoil(shelf / "bag/data/b0/0.bin")
    mended = mend_bag(shelf / "bag", [shelf / "copy"], now=NOW, ledger=shelf / "l")
    with Ledger(shelf / "l") as book:
        assert book.head == mended.head
        rows = [row.body for row in book.rows()]
        follows(LedgerRow, json.dumps(rows[-1]), unknown="forbid")
        assert (rows[-1]["kind"], rows[-1]["replaced"]) == ("mend", ["data/b0/0.bin"])
    assert all(
        one.valid for one in recheck_bags([shelf / "bag"], now=NOW, ledger=shelf / "l", new_ledger=True).bags
    )


# --- nothing is touched ------------------------------------------------------------------------------------


def untouched(shelf: Path, error: type[Exception], match: str, *copies: str, **options: object) -> None:
    before, listed = tree(shelf / "bag"), names(shelf)
    with pytest.raises(error, match=match):
        mend_bag(shelf / "bag", [shelf / name for name in copies], now=NOW, **options)  # type: ignore[arg-type]
    assert tree(shelf / "bag") == before
    assert names(shelf) == listed


def test_nothing_is_touched_where_the_same_file_is_damaged_everywhere(shelf: Path) -> None:
    for name in ("bag", "copy"):
        spoil(shelf / name / "data/b0/0.bin")
    untouched(shelf, MendError, r"no copy proves data/b0/0\.bin", "copy")


def test_nothing_is_touched_where_the_copy_is_of_another_bag(shelf: Path) -> None:
    bag_cases.bag(shelf / "stranger", dict.fromkeys(PAYLOAD, b"other"))
    spoil(shelf / "bag/data/b0/0.bin")
    untouched(shelf, MendError, "no manifest is the same", "stranger")


def test_nothing_is_touched_where_two_copies_agree_on_another_bag(shelf: Path) -> None:
    for name in ("stranger", "twin"):
        bag_cases.bag(shelf / name, dict.fromkeys(PAYLOAD, b"other"))
    spoil(shelf / "bag/data/b0/0.bin")
    untouched(shelf, MendError, "not proved to be of this bag", "stranger", "twin")


def test_two_bags_that_agree_with_each_other_are_no_guess(shelf: Path) -> None:
    for name in ("stranger", "twin"):
        bag_cases.bag(shelf / name, dict.fromkeys(PAYLOAD, b"other"))
    spoil(shelf / "bag/data/b0/0.bin")
    untouched(shelf, MendError, "two different bags", "copy", "stranger", "twin")


def test_a_copy_that_was_forged_whole_is_refused_by_the_receipt(shelf: Path) -> None:
    for name in ("bag", "copy"):
        (shelf / name / "data/b0/0.bin").write_bytes(b"forged")
        for algorithm in bag_cases.TWO:
            path = shelf / name / f"manifest-{algorithm}.txt"
            old = bag_cases.digest(algorithm, PAYLOAD["data/b0/0.bin"])
            path.write_text(path.read_text().replace(old, bag_cases.digest(algorithm, b"forged")))
        bag_cases.seal(shelf / name)
    known = receipt(shelf / "whole")
    untouched(shelf, MendError, "no place holds the tag manifests", "copy", receipt=known)
    mend_bag(shelf / "bag", [shelf / "copy", shelf / "other"], now=NOW, receipt=known)
    assert tree(shelf / "bag") == tree(shelf / "whole")


def test_a_whole_bag_needs_no_mending(shelf: Path) -> None:
    untouched(shelf, NothingToDoError, "is whole", "copy")
    untouched(shelf, NothingToDoError, "no copy was given")


def test_what_is_no_bag_is_refused(shelf: Path) -> None:
    untouched(shelf, StorageError, "there is no such bag", "nowhere")
    with pytest.raises(BagError, match="is not a folder"):
        mend_bag(as_zip(shelf / "bag", shelf / "b.zip"), [shelf / "copy"], now=NOW)


def test_a_ledger_that_remembers_another_receipt_than_the_one_given_stops_the_mend(shelf: Path) -> None:
    recheck_bags([shelf / "bag"], now=NOW, ledger=shelf / "l", new_ledger=True)
    spoil(shelf / "bag/data/b0/0.bin")
    untouched(shelf, LedgerError, "another receipt", "copy", ledger=shelf / "l", receipt="0" * 64)


def test_a_copy_that_changes_between_the_look_and_the_copying_is_caught(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spoil(shelf / "bag/data/b0/0.bin")

    def slow_plan(*values: object, **named: object) -> object:
        made = plan(*values, **named)  # type: ignore[arg-type]
        spoil(shelf / "copy/data/b0/0.bin")
        return made

    monkeypatch.setattr("pipeline.run.keep.mend.plan", slow_plan)
    untouched(shelf, JudgedBadError, "not whole", "copy")


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_read_only_shelf_is_told_in_words(shelf: Path) -> None:
    spoil(shelf / "bag/data/b0/0.bin")
    shelf.chmod(0o500)
    try:
        untouched(shelf, StorageError, "the disk says", "copy")
    finally:
        shelf.chmod(0o700)


@pytest.mark.parametrize("late", [True, False])
def test_the_record_of_a_mend_that_was_killed_is_kept_only_where_the_bags_had_changed_places(
    shelf: Path,
    late: bool,  # noqa: FBT001 - a case
) -> None:
    outer = shelf / ".bag.staging-01234567"
    shutil.copytree(shelf / "copy", outer / "bag")
    (outer / "bag.mend-1.json").write_text("{}")
    status = (shelf / "bag" if late else outer / "bag").stat()
    (outer / "built").write_text(f"{status.st_dev} {status.st_ino}")
    (leftover,) = leftovers(shelf)
    remove_leftover(leftover)
    assert (shelf / "bag.mend-1.json").exists() == late
    assert not outer.exists()


@pytest.mark.parametrize("sets", [30, pytest.param(200, marks=pytest.mark.drill)])
def test_any_wounds_are_healed_or_nothing_is_touched(shelf: Path, sets: int) -> None:
    """Random sets of wounds over the bag and two copies: whole again, or refused and left alone."""
    source = random.Random(2024)
    whole = tree(shelf / "whole")
    known = receipt(shelf / "whole")
    outcomes = {"mended": 0, "refused": 0}
    for _ in range(sets):
        for name in ("bag", "copy", "other"):
            shutil.rmtree(shelf / name)
            shutil.copytree(shelf / "whole", shelf / name)
        for _ in range(source.randint(1, 6)):
            place, path = source.choice(("bag", "copy", "other")), source.choice(sorted(whole))
            if (shelf / place / path).exists():
                if source.random() < 0.3:
                    (shelf / place / path).unlink()
                else:
                    spoil(shelf / place / path)
        before = tree(shelf / "bag")
        try:
            mend_bag(
                shelf / "bag", [shelf / "copy", shelf / "other"], now=NOW, receipt=source.choice(["", known])
            )
        except (MendError, NothingToDoError):
            assert tree(shelf / "bag") == before
            outcomes["refused"] += 1
        else:
            assert tree(shelf / "bag") == whole
            outcomes["mended"] += 1
    assert min(outcomes.values()) > sets // 20

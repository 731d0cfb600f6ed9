"""A new receipt is believed only when a person says so, of a valid bag, with a reason, in the ledger."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline.edges.bags.writer import finish_bag, write_member
from tests.journey.cli import wellread


def _bag(path: Path, content: bytes, name: str = "loom-1") -> Path:
    shutil.rmtree(path, ignore_errors=True)
    path.mkdir()
    finish_bag(path, [write_member(path, "data/u1.bin", content)], [("External-Identifier", name)])
    return path


def test_an_accepted_receipt_is_remembered_with_its_reason_and_the_old_rows_stay(tmp_path: Path) -> None:
    bag, ledger = _bag(tmp_path / "bag", b"old"), tmp_path / "ledger"
    assert wellread("recheck", bag, "--ledger", ledger, "--new-ledger").code == 0
    _bag(bag, b"new")
    assert wellread("recheck", bag, "--ledger", ledger, "--new-ledger").code == 1
    done = wellread("ledger", ledger, "--accept", bag, "--because", "a better reading of U1", "--json")
    assert done.code == 0, done.err
    rows = done.document["rows"]
    assert [row["kind"] for row in rows] == ["opened", "check", "check", "accepted"]
    assert rows[-1]["note"] == "a better reading of U1"
    assert wellread("recheck", bag, "--ledger", ledger, "--new-ledger").code == 0
    assert wellread("ledger", ledger, "--verify").code == 0
    _bag(bag, b"old")
    assert wellread("recheck", bag, "--ledger", ledger, "--new-ledger").code == 1


def test_a_damaged_an_unknown_and_an_unchanged_bag_are_not_accepted(tmp_path: Path) -> None:
    bag, ledger = _bag(tmp_path / "bag", b"old"), tmp_path / "ledger"
    assert wellread("recheck", bag, "--ledger", ledger, "--new-ledger").code == 0
    before = ledger.read_bytes()
    same = wellread("ledger", ledger, "--accept", bag, "--because", "x")
    unknown = wellread("ledger", ledger, "--accept", _bag(tmp_path / "other", b"o"), "--because", "x")
    (bag / "data/u1.bin").write_bytes(b"cut")
    damaged = wellread("ledger", ledger, "--accept", bag, "--because", "x")
    assert "is remembered" in same.err
    assert "does not know" in unknown.err
    assert "not valid by itself" in damaged.err
    assert all(each.code > 2 for each in (same, unknown, damaged))
    assert ledger.read_bytes() == before


def test_accepting_needs_a_reason_and_a_ledger_that_is_there(tmp_path: Path) -> None:
    bag = _bag(tmp_path / "bag", b"old")
    assert wellread("ledger", tmp_path / "none", "--accept", bag, "--because", "  ").code == 2
    assert wellread("ledger", tmp_path / "none", "--accept", bag, "--because", "x").code == 16
    assert not (tmp_path / "none").exists()


def test_a_bag_moved_and_rewritten_is_told_altered_every_time_not_the_first_alone(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger"
    first = _bag(tmp_path / "first", b"old")
    assert wellread("recheck", first, "--ledger", ledger, "--new-ledger").code == 0
    shutil.rmtree(first)
    moved = _bag(tmp_path / "moved", b"new")
    for _ in range(3):
        done = wellread("recheck", moved, "--ledger", ledger, "--new-ledger")
        assert done.code == 1
        assert "receipt is not the one remembered" in done.out

"""Rows written beside the work: soon on the disk, whole, in order, each once, whatever ends the run."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.edges.clock import Now
from pipeline.edges.ledger import Ledger
from pipeline.edges.ledger_writer import LedgerWriter
from pipeline.errors import StorageError
from pipeline.run.keep.recheck import Checked, Rechecked, checked_as, recheck_bag, recheck_bags
from tests.kit.forked import ended, forked
from tests.kit.reader_simulated import until
from tests.outside import bag_cases

OPENED = {"kind": "opened", "when": "2024-01-01T00:00:00Z", "tool": "wellread 0"}
SECONDS = 20


def row(number: int) -> dict[str, str]:
    return {"kind": "check", "when": "2024-01-02T00:00:00Z", "bag": f"/b{number}", "tool": "x"}


def bags_of(path: Path) -> list[str]:
    """The bags of a ledger's rows, which is whole."""
    with Ledger(path) as book:
        assert book.wholeness().problems == ()
        return [str(each.body.get("bag", "")) for each in book.rows()][1:]


def transactions(path: Path) -> int:
    """How often the file was changed. Source: SQLite, "Database File Format", file change counter."""
    return int.from_bytes(path.read_bytes()[24:28], "big")


def test_all_rows_are_there_in_order_once_the_block_is_left(tmp_path: Path) -> None:
    with Ledger(tmp_path / "l", OPENED) as book, LedgerWriter(book) as rows:
        for number in range(300):
            rows.add(row(number))
    assert bags_of(tmp_path / "l") == [f"/b{number}" for number in range(300)]


def test_nobody_waits_for_a_slow_disk_and_what_came_meanwhile_is_flushed_together(tmp_path: Path) -> None:
    with (
        Ledger(tmp_path / "l", OPENED) as book,
        closing(sqlite3.connect(tmp_path / "l", isolation_level=None)) as other,
    ):
        before = transactions(tmp_path / "l")
        with LedgerWriter(book) as rows:
            other.execute("BEGIN IMMEDIATE")  # as long as this lasts no row can be written
            for number in range(100):
                rows.add(row(number))
            assert transactions(tmp_path / "l") == before
            other.execute("ROLLBACK")
    assert len(bags_of(tmp_path / "l")) == 100
    assert 1 <= transactions(tmp_path / "l") - before <= 3


def test_whoever_is_interrupted_leaves_every_row_behind(tmp_path: Path) -> None:
    def interrupted() -> None:
        with Ledger(tmp_path / "l", OPENED) as book, LedgerWriter(book) as rows:
            for number in range(20):
                rows.add(row(number))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert len(bags_of(tmp_path / "l")) == 20


def test_a_disk_that_refuses_is_told_at_the_next_row_or_at_the_end(tmp_path: Path) -> None:
    told: list[str] = []

    def refused(*, one_more: bool) -> None:
        with Ledger(tmp_path / "l") as book, LedgerWriter(book) as rows:
            book._base.execute("PRAGMA query_only = ON")  # as a disk that is read-only
            rows.add(row(1))
            if one_more:
                rows._thread.join(60)  # it ends where a row is refused
                with pytest.raises(StorageError, match="cannot be written"):
                    rows.add(row(2))
                told.append("at the next row")

    Ledger(tmp_path / "l", OPENED).close()
    for one_more in (False, True):
        with pytest.raises(StorageError, match="cannot be written"):
            refused(one_more=one_more)
    assert told == ["at the next row"]
    assert bags_of(tmp_path / "l") == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits memory by what /proc says")
def test_where_the_system_gives_no_thread_that_is_told_as_too_little_memory(tmp_path: Path) -> None:
    import resource

    def without_room() -> int:
        with Ledger(tmp_path / "l", OPENED) as book:
            pages = int(Path("/proc/self/statm").read_text().split()[0])
            room = pages * resource.getpagesize() + (1 << 20)
            threading.stack_size(1 << 26)  # none of the size that earlier threads have left behind
            resource.setrlimit(resource.RLIMIT_AS, (room, room))
            with pytest.raises(MemoryError), LedgerWriter(book):
                pass
        return 0

    assert ended(forked(without_room)) == 0


@pytest.mark.drill
@pytest.mark.skipif(sys.platform == "win32", reason="forks")
def test_a_writer_killed_at_any_moment_leaves_whole_rows_in_order_each_once(tmp_path: Path) -> None:
    path, chosen = tmp_path / "l", random.Random(21)
    Ledger(path, OPENED).close()

    def write_on() -> int:
        first = len(bags_of(path))
        with Ledger(path) as book, LedgerWriter(book) as rows:
            for number in range(first, first + 1_000_000):
                rows.add(row(number))
                time.sleep(0.0002)
        return 0

    met = 0
    for _ in range(8):
        child = forked(write_on)
        try:
            size = path.stat().st_size
            until(lambda before=size: path.stat().st_size > before, SECONDS)  # type: ignore[misc]
            time.sleep(chosen.uniform(0, 0.02))
        finally:
            os.kill(child, signal.SIGKILL)
            assert ended(child) == -signal.SIGKILL
        found = bags_of(path)
        assert found == [f"/b{number}" for number in range(len(found))]
        met += len(found) > 0
    assert met == 8


@pytest.mark.drill
@pytest.mark.skipif(sys.platform == "win32", reason="forks")
def test_a_run_killed_while_one_bag_takes_long_remembers_all_before_it(tmp_path: Path) -> None:
    shelf, path = tmp_path / "shelf", tmp_path / "l"
    for number in range(6):
        bag_cases.bag(
            shelf / f"{number}",
            {"data/x": b"%d" % number},
            info=f"External-Identifier: urn:example:{number}\n",
        )

    def stuck(paths: Iterable[str]) -> Iterator[Checked]:
        for number, path in enumerate(paths):
            if number == 4:
                time.sleep(SECONDS)
            yield checked_as(path, lambda path=path: recheck_bag(Path(path), workers=0))  # type: ignore[misc]

    child = forked(lambda: bool(_run(shelf, path, 1, check_each=stuck)))
    try:
        assert until(lambda: rows_there(path) >= 5, SECONDS)
    finally:
        os.kill(child, signal.SIGKILL)
        assert ended(child) == -signal.SIGKILL
    again = _run(shelf, path, 2, due_days=30)
    assert [one.outcome for one in again.bags] == ["not due"] * 4 + ["valid"] * 2
    assert sorted(bags_of(path)) == [str(shelf / f"{number}") for number in range(6)]


def _run(shelf: Path, path: Path, day: int, **options: object) -> Rechecked:
    when = Now(datetime(2024, 1, day, tzinfo=UTC), fixed=False)
    return recheck_bags([shelf], now=when, ledger=path, new_ledger=True, **options)  # type: ignore[arg-type]


def rows_there(path: Path) -> int:
    with suppress(sqlite3.Error), closing(sqlite3.connect(path, timeout=0)) as base:
        return int(base.execute("SELECT count(*) FROM rows").fetchone()[0])
    return 0

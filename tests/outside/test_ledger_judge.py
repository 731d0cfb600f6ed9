"""A ledger before SQLite's own judge, in a connection that knows nothing of the program.

Source: SQLite, "PRAGMA integrity_check", "PRAGMA foreign_key_check" and the header of the file format.
"""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from tests.journey.cli import wellread
from tests.kit.example_bags import example_bag


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A ledger of three checks."""
    file = tmp_path / "checks.ledger"
    assert wellread("recheck", example_bag(), "--ledger", file, "--new-ledger").code == 0
    for _ in range(2):
        assert wellread("recheck", example_bag(), "--ledger", file).code == 0
    return file


def said(file: Path, pragma: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as base:
        return base.execute(f"PRAGMA {pragma}").fetchall()


def test_sqlite_finds_the_file_whole(ledger: Path) -> None:
    assert said(ledger, "integrity_check") == [("ok",)]
    assert said(ledger, "foreign_key_check") == []
    assert ledger.read_bytes()[:16] == b"SQLite format 3\0"
    assert [one.name for one in ledger.parent.iterdir()] == [ledger.name]


def test_sqlite_s_own_program_says_the_same(ledger: Path) -> None:
    program = shutil.which("sqlite3")
    if program is None:
        pytest.skip("the program sqlite3 is not installed here; the library has judged in the test above")
    done = subprocess.run(
        [program, "-readonly", str(ledger), "PRAGMA integrity_check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, "ok\n")


def test_sqlite_sees_a_page_that_was_overwritten(ledger: Path) -> None:
    content = bytearray(ledger.read_bytes())
    size = int.from_bytes(content[16:18], "big")
    content[size : size + 8] = b"\xff" * 8
    ledger.write_bytes(content)
    with closing(sqlite3.connect(ledger)) as base:
        try:
            told = base.execute("PRAGMA integrity_check").fetchall()
        except sqlite3.DatabaseError as error:
            told = [(str(error),)]
    assert told != [("ok",)]

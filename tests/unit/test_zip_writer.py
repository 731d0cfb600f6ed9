"""The same folder and moment give the same zip, wherever and whenever it is written."""

from __future__ import annotations

import hashlib
import os
import zipfile
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.edges.zip_writer import write_zip
from pipeline.errors import StorageError
from tests.kit.examples import examples

MOMENT = datetime(2026, 1, 1, 12, 30, 17, tzinfo=UTC)
FILES = {"b/z.bin": b"z", "b/A.bin": b"A" * 70_000, "a.txt": b"", "b.txt": b"t", "é/ü.txt": b"u"}


def folder(place: Path, names: list[str]) -> Path:
    """The files, made in this order, with modes and times of their own."""
    root = place / "bundle"
    for number, name in enumerate(names):
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(FILES[name])
        path.chmod(0o600 if number % 2 else 0o755)
        os.utime(path, (number * 1e8, number * 1e8))
    return root


@settings(max_examples=examples(0.1))
@given(st.permutations(sorted(FILES)), st.integers(-12, 14))
def test_order_modes_times_and_zone_of_the_making_do_not_show(
    tmp_path_factory: pytest.TempPathFactory, names: list[str], hours: int
) -> None:
    one, other = (tmp_path_factory.mktemp("zip") for _ in range(2))
    first = write_zip(one / "x.zip", folder(one, sorted(FILES)), MOMENT)
    second = write_zip(
        other / "y.zip", folder(other, names), MOMENT.astimezone(timezone(timedelta(hours=hours)))
    )
    assert first == second == hashlib.sha256((other / "y.zip").read_bytes()).hexdigest()


def test_members_stand_in_the_order_of_their_names_bytes(tmp_path: Path) -> None:
    write_zip(tmp_path / "x.zip", folder(tmp_path, sorted(FILES)), MOMENT)
    with zipfile.ZipFile(tmp_path / "x.zip") as packed:
        names = packed.namelist()
        assert names == ["bundle/a.txt", "bundle/b.txt", "bundle/b/A.bin", "bundle/b/z.bin", "bundle/é/ü.txt"]
        assert {name.removeprefix("bundle/"): packed.read(name) for name in names} == FILES


@pytest.mark.parametrize(
    ("moment", "shown"),
    [
        (datetime(1970, 1, 1, tzinfo=UTC), (1980, 1, 1, 0, 0, 0)),
        (datetime(9999, 12, 31, tzinfo=UTC), (2107, 12, 31, 23, 59, 58)),
        (MOMENT, (2026, 1, 1, 12, 30, 16)),
    ],
    ids=["before", "after", "odd second"],
)
def test_a_moment_that_a_zip_cannot_say_becomes_the_nearest(
    moment: datetime, shown: tuple[int, ...], tmp_path: Path
) -> None:
    """A zip's time begins in 1980, ends in 2107 and counts in steps of two seconds (MS-DOS date and time)."""
    write_zip(tmp_path / "x.zip", folder(tmp_path, ["a.txt"]), moment)
    with zipfile.ZipFile(tmp_path / "x.zip") as packed:
        assert packed.infolist()[0].date_time == shown


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "x.zip").write_bytes(b"mine")
    with pytest.raises(StorageError):
        write_zip(tmp_path / "x.zip", folder(tmp_path, ["a.txt"]), MOMENT)
    assert (tmp_path / "x.zip").read_bytes() == b"mine"

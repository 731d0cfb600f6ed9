"""A folder of a shelf that cannot be searched is told by name, and nothing else is kept from being done."""

from __future__ import annotations

import json
import platform
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.journey.cli import wellread
from tests.kit.forked import ended, forked
from tests.kit.permissions import be_nobody_special
from tests.outside import bag_cases

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or platform.machine() != "x86_64", reason="permissions are dropped by Linux"
)


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """Two bags, and one in a folder that will be locked."""
    for name in ("a", "locked/inside", "z"):
        info = f"External-Identifier: urn:example:{name}\n"
        bag_cases.bag(tmp_path / "shelf" / name, {"data/x": name.encode()}, info=info)
    return tmp_path / "shelf"


@contextmanager
def locked(folder: Path, mode: int = 0) -> Iterator[None]:
    folder.chmod(mode)
    try:
        yield
    finally:
        folder.chmod(0o755)


def said(tmp_path: Path, *words: str | Path) -> tuple[int, dict[str, Any]]:
    """Exit code and answer of a command that nobody special runs."""

    def run() -> int:
        be_nobody_special()
        done = wellread(*words, "--json")
        (tmp_path / "said.json").write_text(done.out or json.dumps({"err": done.err}))
        return done.code

    code = ended(forked(run))
    return code, json.loads((tmp_path / "said.json").read_text())


def outcomes(answer: dict[str, Any]) -> dict[str, str]:
    return {Path(bag["path"]).name: bag["outcome"] for bag in answer["bags"]}


def test_it_is_told_by_name_and_the_rest_is_checked(shelf: Path, tmp_path: Path) -> None:
    with locked(shelf / "locked"):
        code, answer = said(tmp_path, "recheck", shelf)
    assert code == 16
    assert outcomes(answer) == {"a": "valid", "locked": "unreadable", "z": "valid"}
    assert "permission denied" in answer["bags"][1]["problems"][0]["means"]


def test_damage_counts_for_more_than_what_cannot_be_searched(shelf: Path, tmp_path: Path) -> None:
    (shelf / "z/data/x").write_bytes(b"w")
    with locked(shelf / "locked"):
        code, answer = said(tmp_path, "recheck", shelf)
    assert code == 1
    assert outcomes(answer) == {"a": "valid", "locked": "unreadable", "z": "invalid"}


@pytest.mark.drill
def test_a_known_bag_below_it_is_not_told_missing_and_the_folder_is_never_missed(
    shelf: Path, tmp_path: Path
) -> None:
    ask: list[str | Path] = ["recheck", shelf, "--ledger", tmp_path / "l", "--new-ledger"]
    assert said(tmp_path, *ask)[0] == 0
    with locked(shelf / "locked"):
        code, answer = said(tmp_path, *ask)
    assert code == 16
    assert outcomes(answer) == {"a": "valid", "locked": "unreadable", "z": "valid", "inside": "unreadable"}
    code, answer = said(tmp_path, *ask)
    assert code == 0
    assert outcomes(answer) == {"a": "valid", "inside": "valid", "z": "valid"}
    rows = said(tmp_path, "ledger", tmp_path / "l", "--verify")[1]["rows"]
    assert not any(row.get("bag", "").endswith("locked") for row in rows)


@pytest.mark.drill
def test_a_known_bag_below_a_folder_that_lets_through_but_shows_nothing_is_checked(
    shelf: Path, tmp_path: Path
) -> None:
    ask: list[str | Path] = ["recheck", shelf, "--ledger", tmp_path / "l", "--new-ledger"]
    assert said(tmp_path, *ask)[0] == 0
    (shelf / "locked/inside/data/x").write_bytes(b"another thing")
    with locked(shelf / "locked", 0o311):
        code, answer = said(tmp_path, *ask)
    assert code == 1
    assert outcomes(answer)["inside"] == "invalid"


@pytest.mark.drill
def test_a_shelf_is_indexed_but_for_it_and_forgets_nothing(shelf: Path, tmp_path: Path) -> None:
    ask: list[str | Path] = ["holdings", shelf, "--index", tmp_path / "i"]
    before = said(tmp_path, *ask)[1]
    with locked(shelf / "locked"):
        code, answer = said(tmp_path, *ask)
        assert code == 0
        assert str(shelf / "locked") in [one["path"] for one in answer["troubled"]]
        assert answer["gone"] == 0
    after = said(tmp_path, *ask)[1]
    assert after["troubled"] == before["troubled"]

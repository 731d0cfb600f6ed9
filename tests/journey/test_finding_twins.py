"""`wellread twins BAG --among SHELF…`: the same programs in other specimens, and how they differ."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from tests.journey.cli import wellread
from tests.journey.test_twins import CLUB, SHED, TRUTH, bag_of
from tests.kit.example_bags import EPOCH
from tests.kit.images import code
from tests.kit.specimens import Held, machine
from tests.kit.wires import Bench, Image

REVERSED = np.array([int(f"{at:011b}"[::-1], 2) for at in range(2048)])


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


def one_bit(image: Image) -> Image:
    out = image.copy()
    out[900] ^= 4
    return out


def faded(image: Image) -> Image:
    """Forty cells, each in a word of its own, have gone to 1."""
    out = image.copy()
    zeros = [at for at in range(7, 2048, 13) if not out[at] & 16][:40]
    assert len(zeros) == 40
    out[zeros] |= 16
    return out


def found(tmp_path: Path, theirs: Image, chip: str = "X5", own: Image = TRUTH) -> dict[str, Any]:
    """What is found of our one chip on a shelf with another owner's one chip."""
    other = replace(CLUB, more={})
    held = Held(chip, (theirs,), part="2716" if len(theirs) == 2048 else "2732")
    shelf = bag_of(tmp_path / "shelf", other, [held]).parent
    bag = bag_of(tmp_path, SHED, [Held("U5", (own,))])
    return wellread("twins", bag, "--among", shelf, "--json").document


@pytest.mark.parametrize(
    ("change", "how", "verdict"),
    [
        (lambda image: image, "same", "same"),
        (one_bit, "near", "perhaps-fading"),
        (faded, "near", "fading"),
        (lambda image: image[REVERSED], "lines", "crossed"),
        (lambda image: np.concatenate([image, code(np.random.default_rng(2), 2048)[0]]), "holds", "part-of"),
    ],
)
def test_a_twin_is_found_by_its_content(
    tmp_path: Path, change: Callable[[Image], Image], how: str, verdict: str
) -> None:
    document = found(tmp_path, change(TRUTH))
    (one,) = document["found"]
    assert (one["how"][0], one["verdict"]) == (how, verdict)
    assert one["one_bit"] == (change is one_bit)


def test_another_program_in_another_socket_is_no_twin(tmp_path: Path) -> None:
    document = found(tmp_path, code(np.random.default_rng(99), 2048)[0])
    assert (document["found"], document["rows"], document["without"]) == ([], [], ["U5"])


def test_another_program_in_the_same_socket_is_no_twin_either(tmp_path: Path) -> None:
    assert found(tmp_path, code(np.random.default_rng(99), 2048)[0], "U5")["found"] == []


def test_a_chip_read_through_a_dead_line_is_found_by_its_socket(tmp_path: Path) -> None:
    (one,) = found(tmp_path, Bench(TRUTH, 8).kill_address_line(4, 0).read(), "U5")["found"]
    assert (one["how"], one["verdict"], one["side"], one["lines"]) == (["socket"], "line", "other", ["A4"])


def test_the_rows_are_printed_and_written_into_the_sheet_and_then_heard(tmp_path: Path) -> None:
    bag = bag_of(tmp_path, SHED, [Held("U5", (TRUTH,))])
    bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    ran = wellread("twins", bag, "--among", tmp_path, "--project", tmp_path / "loom-a")
    assert ran.code == 0, ran.err
    assert "  - {chip: U5, bag: loom-b-v1, their: X5}" in ran.out
    sheet = yaml.safe_load((tmp_path / "loom-a/sheet.yaml").read_text(encoding="utf-8"))
    assert sheet["twins"] == [{"chip": "U5", "bag": "loom-b-v1", "their": "X5"}]
    again = wellread("twins", bag, "--among", tmp_path, "--project", tmp_path / "loom-a", "--json")
    assert again.document["added"] == 1
    assert len(yaml.safe_load((tmp_path / "loom-a/sheet.yaml").read_text(encoding="utf-8"))["twins"]) == 1
    packaged = wellread("package", tmp_path / "loom-a", "--json").document
    assert packaged["chips"][0]["grade"] == "corroborated"


def test_a_bag_of_the_same_machine_is_told_and_no_row_is_made_of_it(tmp_path: Path) -> None:
    bag = bag_of(tmp_path, SHED, [Held("U5", (TRUTH,))])
    other = bag_of(tmp_path / "shelf", replace(CLUB, machine="loom-a"), [Held("U5", (TRUTH,))])
    document = wellread("twins", bag, "--among", other, "--json").document
    assert [one["other_machine"] for one in document["found"]] == [False]
    assert document["rows"] == []


def test_a_damaged_bag_on_the_shelf_is_not_heard_and_the_others_are(tmp_path: Path) -> None:
    bag = bag_of(tmp_path, SHED, [Held("U5", (TRUTH,))])
    bag_of(tmp_path / "shelf", CLUB, [Held("X5", (TRUTH,))])
    bad = bag_of(tmp_path / "shelf", replace(CLUB, machine="loom-c"), [Held("X5", (TRUTH,))])
    dump = next((bad / "data/readings").rglob("*.bin"))
    dump.write_bytes(b"other")
    document = wellread("twins", bag, "--among", tmp_path / "shelf", "--json").document
    assert [one["bag"] for one in document["found"]] == ["loom-b-v1"]
    assert [Path(one["path"]).name for one in document["troubled"]] == ["loom-c-v1"]


def test_a_shelf_without_another_bag_is_no_shelf(tmp_path: Path) -> None:
    bag = bag_of(tmp_path, SHED, [Held("U5", (TRUTH,))])
    assert wellread("twins", bag, "--among", bag).code == 24


def test_a_chip_nobody_could_read_is_found_by_its_label(tmp_path: Path) -> None:
    bag_of(tmp_path / "shelf", CLUB, [Held("X5", (TRUTH,), says={"label": "MILL 2"})])
    own = machine(tmp_path, SHED, [Held("U5", (), says={"label": "mill 2"}), Held("U6", (TRUTH[::-1],))])
    assert wellread("package", own).code == 0
    document = wellread("twins", tmp_path / "loom-a-v1", "--among", tmp_path / "shelf", "--json").document
    (one,) = [one for one in document["found"] if one["chip"] == "U5"]
    assert (one["how"], one["verdict"]) == (["label"], "only-there")

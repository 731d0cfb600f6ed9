"""Wires that are in doubt on one chip are in doubt on the next: whole projects, packaged as a user would."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from tests.journey.cli import wellread
from tests.kit.project import Chip, Reader, plain, project
from tests.kit.wires import Crossing, Image

EXCHANGED = Crossing(tuple(range(9)), (0, 1, 5, 3, 4, 2, 6, 7))
OTHERS = Crossing(tuple(range(9)), (0, 4, 2, 3, 1, 5, 6, 7))
HOME, TWO = Reader("hb"), Reader("two")
PROGRAMMER = Reader("prog", "device-programmer")


def content(seed: int) -> Image:
    return np.random.default_rng(seed).integers(0, 256, 512, dtype=np.uint8)


def packaged(folder: Path, *chips: Chip) -> dict[str, dict[str, Any]]:
    """The chips as `wellread package` records them."""
    place = project(folder / "project", chips)
    ran = wellread("package", place, "--into", folder / "bags", "--json", "--quiet")
    assert ran.code == 0, ran.err
    record = json.loads((Path(ran.document["bag"]) / "metadata/record.json").read_bytes())
    return {chip["chip"]: chip for chip in record["chips"]}


def test_two_readers_that_a_programmer_contradicts_bear_each_other_out_on_no_other_chip(
    tmp_path: Path,
) -> None:
    one, other = content(1), content(2)
    seen, alone = EXCHANGED.read(one), EXCHANGED.read(other)
    chips = packaged(
        tmp_path,
        Chip("U1", one, 8, (plain(seen, 8, HOME), plain(seen, 8, TWO), plain(one, 8, PROGRAMMER)), "82S141"),
        Chip("U2", other, 8, (plain(alone, 8, HOME), plain(alone, 8, TWO)), "82S141"),
    )
    assert [chips[chip]["grade"] for chip in ("U1", "U2")] == ["contested", "contested"]
    assert not chips["U2"]["image"]["settled"]


def test_two_readers_bear_each_other_out_where_only_one_of_them_was_ever_crossed(tmp_path: Path) -> None:
    one, other = content(1), content(2)
    chips = packaged(
        tmp_path,
        Chip("U1", one, 8, (plain(EXCHANGED.read(one), 8, HOME), plain(one, 8, PROGRAMMER)), "82S141"),
        Chip("U2", other, 8, (plain(other, 8, HOME), plain(other, 8, TWO)), "82S141"),
    )
    assert chips["U2"]["grade"] == "corroborated"


def test_two_readers_of_which_one_was_crossed_nobody_knows_which_bear_each_other_out_elsewhere(
    tmp_path: Path,
) -> None:
    one, other = content(1), content(2)
    chips = packaged(
        tmp_path,
        Chip("U1", one, 8, (plain(EXCHANGED.read(one), 8, HOME), plain(one, 8, TWO)), "82S141"),
        Chip("U2", other, 8, (plain(other, 8, HOME), plain(other, 8, TWO)), "82S141"),
    )
    assert [chips[chip]["grade"] for chip in ("U1", "U2")] == ["contested", "corroborated"]


def test_lines_of_the_sheet_that_readings_contradict_settle_no_other_chip(tmp_path: Path) -> None:
    one, other, third = content(1), content(2), content(3)
    said = OTHERS.lines
    home = [plain(EXCHANGED.read(image), 8, HOME, lines=said) for image in (one, other)]
    chips = packaged(
        tmp_path,
        Chip("U1", one, 8, (home[0], plain(one, 8, PROGRAMMER)), "82S141"),
        Chip("U2", other, 8, (home[1],), "82S141"),
        Chip("U3", third, 8, (plain(third, 8, PROGRAMMER),), "82S141"),
    )
    assert chips["U1"]["held_back"] == ["lines-reordered"]
    assert chips["U2"]["grade"] == "contested"
    assert not chips["U2"]["image"]["settled"]
    told = next(one for one in chips["U2"]["findings"] if one["code"] == "wiring-carried")
    assert "in doubt" in told["means"]
    assert "U1" in told["means"]
    assert chips["U3"]["grade"] == "single", "the programmer's wires are in no doubt"


def test_lines_of_the_sheet_that_a_programmer_bears_out_settle_the_other_chips(tmp_path: Path) -> None:
    one, other = content(1), content(2)
    said = EXCHANGED.lines
    home = [plain(EXCHANGED.read(image), 8, HOME, lines=said) for image in (one, other)]
    chips = packaged(
        tmp_path,
        Chip("U1", one, 8, (home[0], plain(one, 8, PROGRAMMER)), "82S141"),
        Chip("U2", other, 8, (home[1],), "82S141"),
    )
    assert [chips[chip]["grade"] for chip in ("U1", "U2")] == ["corroborated", "single"]
    assert chips["U2"]["image"]["settled"]


def test_a_table_read_with_a_line_that_is_dead_on_its_sisters_is_held_back_until_answered(
    tmp_path: Path,
) -> None:
    def without_a6(image: Image) -> Image:
        return np.repeat(image[:256].reshape(-1, 64), 2, axis=0).reshape(-1)

    sister, table = content(3), without_a6(content(2) & np.uint8(1))
    answer = {"answers": {"address-line-dead": "A6: a decoder, drawn so"}}
    chips = packaged(
        tmp_path,
        Chip("U1", sister, 8, (plain(without_a6(sister), 8, HOME), plain(sister, 8, PROGRAMMER)), "82S141"),
        Chip("U2", table, 8, (plain(table, 8, HOME),), "82S141"),
        Chip("U3", table, 8, (plain(table, 8, HOME),), "82S141", answer),
        Chip("U4", table, 8, (plain(table, 8, HOME, date="2024"),), "82S141"),
    )
    assert chips["U2"]["held_back"] == ["address-line-dead"]
    settled = {chip: chips[chip]["image"]["settled"] for chip in ("U2", "U3", "U4")}
    assert settled == {"U2": False, "U3": True, "U4": True}, "U4 was read on another day"

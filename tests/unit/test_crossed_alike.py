"""A reader whose every chip is crossed alike is told once, and lines are asked of the board's own family."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
import yaml

from pipeline.stages.content import Leaning, leaning, order_search, program_of
from pipeline.stages.content.among_chips import ReadAlone, crossed_reader, family_of_board
from pipeline.stages.content.crossed_alike import CrossedReader
from pipeline.stages.content.flow_of_control import LineChange
from pipeline.words import Words
from tests.journey.cli import wellread
from tests.kit.images import random_image
from tests.kit.invented_programs import program
from tests.kit.project import Chip, Reader, plain, project

CROSSED = LineChange("address", (3, 7))
ALIKE = {f"K{n}": CROSSED.undo(program("z80", 1024, seed=n, base=0x8000 + 0x400 * n)) for n in range(1, 4)}


def asked(images: Mapping[str, Words]) -> CrossedReader | None:
    chips = []
    for chip, words in images.items():
        read_as = program_of(words, 8)
        chips.append(ReadAlone(chip, 8, leaning(read_as, order_search(words, 8, read_as, "z80"))))
    return crossed_reader("hb", chips, images.__getitem__)


def test_lines_crossed_alike_on_all_chips_of_a_reader_are_said_once_of_the_reader() -> None:
    found = asked(ALIKE)
    assert found is not None
    assert (found.crossing, found.chips, found.silent) == (CROSSED, ("K1", "K2", "K3"), ())
    assert found.in_words() == (
        "reader hb: all 3 chips that show it read as programs only with A3 and A7 exchanged, 99 in 100: "
        "check the reader, not the chips"
    )


def test_a_chip_that_is_no_program_says_nothing_against_it_and_is_named_as_silent() -> None:
    found = asked({**ALIKE, "F1": random_image(4, 1024)})
    assert found is not None
    assert found.silent == ("F1",)


@pytest.mark.parametrize(
    "others",
    [
        {"K1": ALIKE["K1"]},
        {"K1": ALIKE["K1"], "K2": program("z80", 1024, seed=2, base=0x8400)},
        {**ALIKE, "K4": program("z80", 1024, seed=4, base=0x9000)},
        {f"K{n}": program("z80", 1024, seed=n, base=0x8000) for n in range(1, 4)},
        {f"K{n}": random_image(n, 1024) for n in range(1, 4)},
    ],
    ids=["one chip", "another that reads straight", "one of four that does", "none crossed", "no programs"],
)
def test_a_single_chip_a_chip_that_reads_straight_and_sound_chips_accuse_no_reader(
    others: dict[str, Words],
) -> None:
    assert asked(others) is None


@pytest.mark.parametrize(
    ("chips", "family"),
    [
        ([Leaning("z80", 0.999), Leaning("z80", 0.99), Leaning()], "z80"),
        ([Leaning("z80", 0.999), Leaning("z80", 0.95)], None),
        ([Leaning("z80", 0.999), Leaning("z80", 0.999), Leaning("8051", 0.92)], None),
        ([Leaning(), Leaning()], None),
    ],
)
def test_a_boards_family_is_taken_from_two_sure_programs_and_from_no_board_of_two_families(
    chips: Sequence[Leaning], family: str | None
) -> None:
    assert family_of_board(chips) == family


def packaged(folder: Path, images: Mapping[str, Words]) -> tuple[list[str], dict[str, dict[str, Any]]]:
    """The reader's cautions, and the chips' records."""
    home = Reader("hb", "home-built")
    chips = [
        Chip(chip, words, 8, (plain(words, 8, home, 2),), says={"board": "cpu"})
        for chip, words in images.items()
    ]
    sheet = project(folder / "set", chips) / "sheet.yaml"
    said = yaml.safe_load(sheet.read_text(encoding="utf-8"))
    said["boards"]["cpu"]["processor"] = "Z80"
    sheet.write_text(yaml.safe_dump(said, sort_keys=False), encoding="utf-8")
    ran = wellread("package", sheet.parent, "--into", folder, "--json")
    assert ran.code == 0, ran.err
    record = json.loads((Path(ran.document["bag"]) / "metadata" / "record.json").read_text(encoding="utf-8"))
    cautions = [one for one in ran.document["cautions"] if one.startswith("reader ")]
    assert [one["says"] for one in record["qualification"]["crossed"]] == cautions
    checked = wellread("check", sheet.parent)
    assert all(one in " ".join(checked.out.split()) for one in cautions), checked.out
    again = wellread("package", sheet.parent, "--into", folder, "--json")
    assert [one for one in again.document["cautions"] if one.startswith("reader ")] == cautions
    return cautions, {chip["chip"]: chip for chip in record["chips"]}


@pytest.mark.drill
def test_packaged_chips_of_a_crossed_reader_are_held_back_and_point_to_the_reader(tmp_path: Path) -> None:
    cautions, told = packaged(tmp_path, {"K1": ALIKE["K1"], "K2": ALIKE["K2"], "F1": random_image(4, 1024)})
    assert len(cautions) == 1
    assert "all 2 chips that show it read as programs only with A3 and A7 exchanged" in cautions[0]
    for chip in told.values():
        (found,) = [one for one in chip["findings"] if one["code"] == "lines-crossed"]
        assert found["means"].endswith("exchanged, 99 in 100: check the reader, not the chip")
        assert len(found["means"]) <= 160
        assert chip["held_back"] == ["lines-crossed"]

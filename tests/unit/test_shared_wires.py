"""A line that other chips prove dead on the same wires holds back what could not show it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from pipeline.stages.examine.shared_wires import WiredChip, WireFault, carries, shared_wire_findings
from pipeline.words import Words
from schemas.finding import Code
from schemas.names import Organisation
from tests.kit.wires import Bench

SMALL, LARGE = Organisation(256, 8), Organisation(1024, 8)
DEAD = WireFault(Code.ADDRESS_LINE_DEAD, ("A6",), "")
CONTENT: Words = np.random.default_rng(5).integers(0, 256, 256, dtype=np.uint8)
DECODER: Words = np.tile(CONTENT[:64], 4)
"""A table that makes no use of A6 and A7."""
STUCK = WireFault(Code.DATA_LINE_STUCK, ("D3",), "1")


def chip(
    name: str, *faults: WireFault, size: Organisation = SMALL, alone: bool = True, told: bool = True
) -> WiredChip:
    return WiredChip(name, size, "hb on 2024-05", faults, alone, told)


def held(*chips: WiredChip, images: Mapping[str, Words]) -> list[str]:
    """Chips that are held back."""
    found = shared_wire_findings(chips, images.__getitem__)
    assert all(one.evidence["holds_back"] for one in found)
    return [one.chip for one in found]


def test_a_table_that_makes_no_use_of_a_line_is_held_back_where_the_same_wires_lacked_it() -> None:
    assert held(chip("U1", DEAD), chip("U2"), images={"U2": DECODER}) == ["U2"]
    (finding,) = shared_wire_findings([chip("U1", DEAD), chip("U2")], {"U2": DECODER}.__getitem__)
    assert (finding.code, finding.where["line"], finding.evidence["shown_by"]) == (
        Code.ADDRESS_LINE_DEAD,
        "A6",
        ["U1"],
    )


def test_a_chip_that_shows_the_line_alive_clears_the_wires() -> None:
    images = {"U2": DECODER, "U3": CONTENT}
    assert held(chip("U1", DEAD), chip("U2"), chip("U3"), images=images) == []


def test_other_wires_are_not_accused() -> None:
    other = WiredChip("U2", SMALL, "hb on 2024-06", (), alone=True, told=True)
    assert held(chip("U1", DEAD), other, images={"U2": DECODER}) == []


def test_a_chip_that_a_second_reader_read_alike_is_not_held_back() -> None:
    assert held(chip("U1", DEAD), chip("U2", alone=False), images={"U2": DECODER}) == []


def test_a_chip_whose_image_is_another_readers_says_nothing_of_the_wires() -> None:
    unsettled = chip("U3", alone=False, told=False)
    assert held(chip("U1", DEAD), chip("U2"), unsettled, images={"U2": DECODER, "U3": CONTENT}) == ["U2"]


def test_a_fault_on_chips_of_two_sizes_reaches_every_size_and_of_one_size_no_other() -> None:
    wide = np.tile(DECODER, 4)
    assert held(chip("U1", DEAD), chip("U2", size=LARGE), images={"U2": wide}) == []
    tiny = Organisation(512, 8)
    proved = (chip("U1", DEAD), chip("U3", DEAD, size=tiny))
    assert held(*proved, chip("U2", size=LARGE), images={"U2": wide}) == ["U2"]
    short = chip("U4", size=Organisation(32, 8))
    assert held(*proved, short, images={"U4": CONTENT[:32]}) == [], "it has no A6"


@pytest.mark.parametrize(
    ("bench", "fault"),
    [
        (Bench(CONTENT).kill_address_line(6, 1), DEAD),
        (Bench(CONTENT).stick_data_line(3, 1), STUCK),
        (Bench(CONTENT).join_data_lines(1, 4, "low"), WireFault(Code.DATA_LINES_JOINED, ("D1", "D4"), "low")),
        (
            Bench(CONTENT).join_address_lines(1, 4, "low"),
            WireFault(Code.ADDRESS_LINES_JOINED, ("A1", "A4"), "low"),
        ),
        (
            Bench(CONTENT).join_address_lines(1, 4, "high"),
            WireFault(Code.ADDRESS_LINES_JOINED, ("A1", "A4"), "high"),
        ),
    ],
)
def test_what_was_read_with_a_fault_carries_it_and_the_chip_itself_does_not(
    bench: Bench, fault: WireFault
) -> None:
    assert carries(bench.read(), fault)
    assert not carries(CONTENT, fault)

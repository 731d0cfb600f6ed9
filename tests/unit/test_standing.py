"""At which address each chip of a board stands: told by the calls of the others, or not at all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content.among_chips import BoardChip, placed_spaces, placings, standing_findings
from pipeline.stages.content.flow_of_control.slots import LEAST_STANDING
from pipeline.stages.content.flow_of_control.standing import standing
from pipeline.words import Words
from schemas.finding import Code, Severity
from schemas.names import Organisation
from schemas.sheet import Space
from tests.kit.images import random_image
from tests.kit.invented_programs import program

READ = {"z80": "z80", "8080": "z80", "6502": "65c02", "6800": "6800", "8051": "8051"}


def cut(image: Words, size: int = 2048) -> list[Words]:
    return [np.ascontiguousarray(image[at : at + size]) for at in range(0, len(image), size)]


def board(images: dict[str, Words], family: str = "z80", *placed: str) -> list[BoardChip]:
    return [
        BoardChip(name, Organisation(len(words), 8), (family,), name in placed)
        for name, words in images.items()
    ]


@pytest.mark.parametrize("family", READ)
@pytest.mark.parametrize("seed", range(3))
def test_shuffled_chips_of_one_program_are_placed_where_they_stood(family: str, seed: int) -> None:
    chips = cut(program(family, 8192, seed=seed, base=0x4000))
    order = np.random.default_rng(seed).permutation(4).tolist()
    found = standing([chips[number] for number in order], READ[family]).placed
    assert len(found) >= 3
    assert {one.image: one.base for one in found} == {
        one.image: 0x4000 + order[one.image] * 2048 for one in found
    }
    assert all(one.nats >= LEAST_STANDING and one.landing <= one.calls for one in found)


@pytest.mark.parametrize("seed", range(6))
def test_a_program_of_another_machine_is_placed_nowhere(seed: int) -> None:
    own = cut(program("z80", 8192, seed=seed, base=0x8000))
    foreign = program("z80", 2048, seed=seed + 50, base=0x2000)
    found = standing([*own, foreign, random_image(seed)[:2048].astype(np.uint8)], "z80").placed
    assert {one.image for one in found} <= {0, 1, 2, 3}
    assert len(found) >= 3


def test_two_banks_of_the_same_address_are_placed_nowhere() -> None:
    first, second, *_ = cut(program("z80", 4096, base=0x8000))
    found = standing([first, second, second.copy()], "z80").placed
    assert {one.image for one in found} <= {0}
    assert found == []


def test_chips_of_two_sizes_are_placed_together() -> None:
    image = program("6502", 8192, base=0xC000)
    found = standing([np.ascontiguousarray(image[4096:]), *cut(image[:4096])], "65c02").placed
    assert [(one.image, one.base) for one in found] == [(0, 0xD000), (1, 0xC000), (2, 0xC800)]


@pytest.mark.parametrize("seed", range(10))
def test_noise_fonts_and_tables_of_addresses_are_placed_nowhere(seed: int) -> None:
    noise = [random_image(seed + number * 100)[:2048].astype(np.uint8) for number in range(4)]
    table = np.arange(0x8000, 0x8000 + 2048, 2, dtype="<u2").view(np.uint8)
    rows = np.array([0, 24, 60, 102, 102, 126, 102, 0], dtype=np.uint8)
    font = np.concatenate([np.roll(rows, shift) ^ np.uint8(shift) for shift in range(256)])
    for family in sorted(set(READ.values())):
        assert standing([*(one for one in noise if len(one) == 2048), table, font], family) == ([], [])


@given(
    st.lists(st.binary(min_size=256, max_size=256), max_size=5), st.sampled_from([*READ.values(), "68000"])
)
def test_any_bytes_are_looked_at_without_an_error(contents: list[bytes], family: str) -> None:
    images = [np.frombuffer(one, dtype=np.uint8) for one in contents]
    for one in standing(images, family).placed:
        assert 0 <= one.image < len(images)
        assert one.base % (256 if family != "68000" else 128) == 0


def test_a_note_says_the_address_and_what_speaks_for_it() -> None:
    images = {f"K{number}": words for number, words in enumerate(cut(program("z80", 8192, base=0xE000)), 1)}
    (found,) = placings(board(images), images.__getitem__, None)
    told = {one.chip: one for one in standing_findings(found)}
    assert set(told) == set(images)
    assert [told[name].where["address"] for name in images] == [0xE000, 0xE800, 0xF000, 0xF800]
    one = told["K2"]
    assert (one.code, one.severity) == (Code.STANDS_AT, Severity.NOTE)
    assert one.means.startswith("stands at 0xE800: ")
    assert "times less likely" in one.means
    assert set(one.evidence["from"]) <= set(images) - {"K2"}
    assert one.evidence["landing"] <= one.evidence["calls"]
    for named, words in ((0, " to an instruction; every"), (1, ", and 1 address in it is named; every")):
        placing = found._replace(chips={"K2": found.chips["K2"]._replace(named=named, leading=0)})
        (note,) = standing_findings(placing)
        assert words in note.means
        assert note.evidence["named"] == named


def test_the_suggested_space_can_be_pasted_into_the_sheet() -> None:
    images = {f"K{number}": words for number, words in enumerate(cut(program("6800", 8192, base=0xE000)), 1)}
    found = placings(board(images, "6800"), images.__getitem__, None)
    (suggested,) = placed_spaces(found)
    space = Space.model_validate(suggested)
    assert [(one.at, one.lanes) for one in space.placements] == [
        (0xE000 + number * 2048, (f"K{number + 1}",)) for number in range(4)
    ]


def test_chips_that_the_sheet_places_are_told_nothing_new() -> None:
    images = {f"K{number}": words for number, words in enumerate(cut(program("z80", 8192, base=0xE000)), 1)}
    assert placings(board(images, "z80", *images), images.__getitem__, None) == ()
    (found,) = placings(board(images, "z80", "K1", "K2"), images.__getitem__, None)
    assert {one.chip for one in standing_findings(found)} == {"K3", "K4"}


def test_the_boards_own_processor_is_taken_where_no_chip_says_its_own() -> None:
    images = {f"K{number}": words for number, words in enumerate(cut(program("z80", 8192, base=0xE000)), 1)}
    unnamed = [BoardChip(one, Organisation(2048, 8), (), placed=False) for one in images]
    assert placings(unnamed, images.__getitem__, None) == ()
    (found,) = placings(unnamed, images.__getitem__, "Z-80A")
    assert found.address("K4") == 0xF800


def test_chips_of_which_nothing_is_known_cost_no_image() -> None:
    def never(chip: str) -> Words:
        raise AssertionError(chip)

    unnamed = [BoardChip(f"U{number}", Organisation(2048, 8), (), placed=False) for number in range(9)]
    assert placings(unnamed, never, None) == ()

"""Which chip comes next: told by distances that lead out of one chip into another, or not at all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content.among_chips import BoardChip, placed_spaces, placings, standing_findings
from pipeline.stages.content.flow_of_control.slots import LEAST_STANDING
from pipeline.stages.content.flow_of_control.standing import standing
from pipeline.views.suggestions import kin_of, suggested
from pipeline.words import Words
from schemas.names import Organisation
from tests.kit.images import random_image
from tests.kit.invented_programs import calling_by_distance

SIZE = 2048
UNITS = {"8086": 1, "68000": 2}


def cut(image: Words, size: int = SIZE) -> list[Words]:
    return [np.ascontiguousarray(image[at : at + size]) for at in range(0, len(image), size)]


@pytest.mark.parametrize("family", UNITS)
@pytest.mark.parametrize("seed", range(3))
def test_shuffled_chips_whose_calls_are_all_near_are_linked_in_their_order_and_have_no_address(
    family: str, seed: int
) -> None:
    chips = cut(calling_by_distance(family, 4 * SIZE, seed=seed))
    order = np.random.default_rng(seed).permutation(4).tolist()
    found = standing([chips[number] for number in order], family)
    assert found.placed == []
    assert {one.image for one in found.in_rows} == set(range(4))
    for one in found.in_rows:
        assert [order[number] for number in one.row] == [0, 1, 2, 3]
        assert one.behind * UNITS[family] == (order[one.image] - order[one.beside]) * SIZE
        assert abs(one.behind) * UNITS[family] == SIZE
        assert one.nats >= LEAST_STANDING
        assert one.landed <= one.leading


def test_a_chip_that_is_missing_leaves_a_gap_of_its_size() -> None:
    first, _, third, fourth = cut(calling_by_distance("8086", 4 * SIZE))
    found = standing([third, first, fourth], "8086")
    assert [(one.image, one.beside, one.behind) for one in found.in_rows] == [
        (1, 0, -2 * SIZE),
        (0, 1, 2 * SIZE),
        (2, 0, SIZE),
    ]


@pytest.mark.parametrize("family", UNITS)
@pytest.mark.parametrize("seed", range(5))
def test_a_program_of_another_machine_and_noise_are_linked_to_nothing(family: str, seed: int) -> None:
    own = cut(calling_by_distance(family, 4 * SIZE, seed=seed))
    foreign = cut(calling_by_distance(family, 4 * SIZE, seed=seed + 50))[seed % 4]
    noise = random_image(seed)[:SIZE].astype(np.uint8)
    noise = np.resize(noise, SIZE)
    found = standing([foreign, *own, noise], family)
    assert {one.image for one in found.in_rows} == {1, 2, 3, 4}
    assert found.placed == []


def test_of_two_versions_of_a_neighbour_neither_is_told() -> None:
    first, second = cut(calling_by_distance("8086", 2 * SIZE))
    later = second.copy()
    later[1000] ^= 1
    assert len(standing([first, second], "8086").in_rows) == 2
    assert standing([first, second, later], "8086").in_rows == []


def test_chips_of_two_versions_of_a_whole_program_are_linked_to_nothing() -> None:
    chips = cut(calling_by_distance("8086", 3 * SIZE))
    assert standing([*chips, *(one.copy() for one in chips)], "8086").in_rows == []


@pytest.mark.parametrize("seed", range(3))
def test_chips_that_no_far_call_reaches_stand_where_their_neighbours_say(seed: int) -> None:
    image = calling_by_distance("68000", 4 * SIZE, seed=seed, far=range(SIZE))
    order = np.random.default_rng(seed).permutation(4).tolist()
    found = standing([cut(image)[number] for number in order], "68000")
    assert {one.image: one.base for one in found.placed} == {
        number: order[number] * SIZE // 2 for number in range(4)
    }
    assert found.in_rows == []
    assert all(one.beside and one.leading for one in found.placed)
    assert [one.calls for one in found.placed if order[one.image] > 0] == [0, 0, 0]


def test_chips_of_two_sizes_are_not_linked() -> None:
    image = calling_by_distance("8086", 4 * SIZE)
    first, second = image[: 2 * SIZE].copy(), image[2 * SIZE : 3 * SIZE].copy()
    assert standing([first, second], "8086").in_rows == []


@given(
    st.lists(st.binary(min_size=256, max_size=256), max_size=5),
    st.sampled_from(["8086", "68000", "6809", "pdp11", "8048", "1802", "z80"]),
)
def test_any_bytes_are_linked_without_an_error_and_never_two_in_one_place(
    contents: list[bytes], family: str
) -> None:
    found = standing([np.frombuffer(one, dtype=np.uint8) for one in contents], family)
    for row in {one.row for one in found.in_rows}:
        assert len(set(row)) == len(row) > 1
    assert len({one.image for one in found.in_rows}) == len(found.in_rows)


def board(images: dict[str, Words], *placed: str, **bases: int) -> list[BoardChip]:
    return [
        BoardChip(name, Organisation(len(words), 8), ("8086",), name in {*placed, *bases}, bases.get(name))
        for name, words in images.items()
    ]


def test_a_note_of_a_neighbour_says_what_speaks_for_it_and_that_no_address_is_known() -> None:
    images = dict(zip(("K1", "K2", "K3"), cut(calling_by_distance("8086", 3 * SIZE)), strict=True))
    (found,) = placings(board(images), images.__getitem__, None)
    told = {one.chip: one for one in standing_findings(found)}
    assert set(told) == set(images)
    assert [told[name].where for name in images] == [
        {"with": ["K2"], "by": -SIZE},
        {"with": ["K1"], "by": SIZE},
        {"with": ["K2"], "by": SIZE},
    ]
    one = told["K2"]
    assert one.means.startswith("stands 0x800 words behind K1, at an address that is not known: ")
    between = (
        f"{one.evidence['between']} jumps and calls by distance run between it and K1, K3, "
        f"{one.evidence['between_landing']} to an instruction"
    )
    assert between in one.means
    assert told["K1"].means.startswith("stands 0x800 words before K2, ")
    assert one.evidence["row"] == ["K1", "K2", "K3"]
    assert placed_spaces([found]) == []
    kin = [kin for one in told.values() for kin in kin_of(one.chip, [one.to_record()])]
    assert suggested([], kin) == ["one behind the other, at an address that is not known: K1, K2, K3"]


def test_a_row_that_the_sheet_places_whole_is_told_nothing_new() -> None:
    images = dict(zip(("K1", "K2", "K3"), cut(calling_by_distance("8086", 3 * SIZE)), strict=True))
    assert placings(board(images, *images), images.__getitem__, None) == ()
    (found,) = placings(board(images, "K1", "K3"), images.__getitem__, None)
    assert [one.chip for one in standing_findings(found)] == ["K2"]


def test_a_chip_that_the_sheet_places_gives_its_neighbours_their_addresses() -> None:
    images = dict(zip(("K1", "K2", "K3"), cut(calling_by_distance("8086", 3 * SIZE)), strict=True))
    (found,) = placings(board(images, K2=0xFE800), images.__getitem__, None)
    told = {one.chip: one for one in standing_findings(found)}
    assert {chip: one.where["address"] for chip, one in told.items()} == {"K1": 0xFE000, "K3": 0xFF000}
    assert told["K1"].means.startswith("stands at 0xFE000: the sheet places K2, and ")
    assert " jumps and calls by distance run between it and K2, K3, " in told["K1"].means
    (space,) = placed_spaces([found])
    assert [(one["at"], one["lanes"]) for one in space["placements"]] == [
        (0xFE000, ["K1"]),
        (0xFE800, ["K2"]),
        (0xFF000, ["K3"]),
    ]


@pytest.mark.parametrize("bases", [{"K1": 0xF0000, "K3": 0xFF000}, {"K3": 0x800}])
def test_a_sheet_that_the_neighbours_contradict_gives_no_address(bases: dict[str, int]) -> None:
    images = dict(zip(("K1", "K2", "K3"), cut(calling_by_distance("8086", 3 * SIZE)), strict=True))
    (found,) = placings(board(images, **bases), images.__getitem__, None)
    told = standing_findings(found)
    assert {one.chip for one in told} == set(images) - set(bases)
    assert all("address" not in one.where and one.where["with"] for one in told)
    assert placed_spaces([found]) == []

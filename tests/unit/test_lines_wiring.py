"""Boards that scramble lines, and which orders are worth declaring."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.lines import LineMap, apply_wiring, suggest_wiring, undo_wiring
from tests.kit.images import firmware_like


def test_the_machine_sees_word_a_of_the_chip_where_the_board_puts_it() -> None:
    chip = np.array([10, 11, 12, 13], np.uint8)

    machine = apply_wiring(chip, 8, address=(1, 0))

    assert machine.tolist() == [10, 12, 11, 13]  # chip address 1 (A0 high) is machine address 2 (A1 high)


def test_wiring_is_undone_exactly() -> None:
    chip = firmware_like(1, 256, 4)
    wiring = {"address": (7, 6, 5, 4, 3, 2, 1, 0), "data": (3, 1, 2, 0), "invert_data": (2,)}

    machine = apply_wiring(chip, 4, **wiring)

    assert not np.array_equal(machine, chip)
    assert np.array_equal(undo_wiring(machine, 4, **wiring), chip)


@pytest.mark.parametrize(
    ("address", "data"), [((0, 0), None), ((0, 1, 2), None), (None, (0, 1)), ((0, 2), None)]
)
def test_a_wiring_that_is_no_permutation_of_the_chips_lines_is_refused(
    address: tuple[int, ...] | None, data: tuple[int, ...] | None
) -> None:
    with pytest.raises(ValueError, match=r"address|data"):
        apply_wiring(np.zeros(4, np.uint8), 8, address=address, data=data)


def test_address_lines_of_a_chip_that_does_not_fill_them_cannot_be_reordered() -> None:
    with pytest.raises(ValueError, match="do not fill"):
        apply_wiring(np.zeros(3, np.uint8), 8, address=(1, 0))


@pytest.mark.parametrize(
    ("mapping", "why"),
    [
        (LineMap.simple(4, 8, data=(7, 6, 5, 4, 3, 2, 1, 0)), "the data bus is exactly reversed"),
        (LineMap.simple(4, 8, address=(3, 2, 1, 0)), "the address bus is exactly reversed"),
        (LineMap.simple(4, 8, address=(0, 2, 1, 3)), "neighbouring address lines are swapped: A1 and A2"),
        (
            LineMap.simple(4, 8, data=(1, 0, 2, 3, 5, 4, 6, 7)),
            "neighbouring data lines are swapped: D0 and D1, D4 and D5",
        ),
    ],
)
def test_a_reversed_bus_and_swapped_neighbours_are_worth_declaring(mapping: LineMap, why: str) -> None:
    suggestion = suggest_wiring(mapping)

    assert suggestion is not None
    assert suggestion.why == why
    first = firmware_like(2, 16)
    assert np.array_equal(apply_wiring(first, 8, **suggestion.wiring), mapping.apply(first))


@pytest.mark.parametrize(
    "mapping",
    [
        LineMap.simple(4, 8),
        LineMap.simple(4, 8, rotate=3),
        LineMap.simple(4, 8, invert_data=(0,), data=(1, 0, 2, 3, 4, 5, 6, 7)),
        LineMap.simple(4, 8, address=(2, 1, 0, 3)),
        LineMap.simple(4, 8, address=(1, 2, 0, 3)),
        LineMap.simple(4, 8, address=(3, 2, 1, 0), data=(2, 1, 0, 3, 4, 5, 6, 7)),
    ],
)
def test_any_other_order_is_not_worth_declaring(mapping: LineMap) -> None:
    assert suggest_wiring(mapping) is None

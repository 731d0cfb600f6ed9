"""What a burn plan warns of, and parts that only a sheet defines."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.bench.pairing import obstacle, pair
from pipeline.catalogue import load
from pipeline.errors import PairingError
from pipeline.flow import Words
from pipeline.publish.programming import LineOrder, plan_burn, split_space
from pipeline.views.burn import burn_text
from schemas.names import Organisation
from schemas.part import Part

CATALOGUE = load()


def zeros(number: str) -> Words:
    part = CATALOGUE.find(number)
    return np.zeros(part.words or 0, np.uint8)


def warnings_of(old: str, new: str, **options: Any) -> str:
    burn = plan_burn(zeros(old), CATALOGUE.find(old), CATALOGUE.find(new), **options)
    return "\n".join(burn.warnings)


def own_part(number: str, **changes: object) -> Part:
    """A catalogued part as a sheet of some project might have changed it."""
    return Part.model_validate({**CATALOGUE.find(number).model_dump(), **changes})


def test_a_place_that_rests_on_a_programming_pin_asks_for_a_measurement() -> None:
    assert "Pin 21 (A11) is taken as high because hole 21 was Vpp" in warnings_of("2716", "2732")
    assert "because hole" not in warnings_of("2764", "27128")


def test_a_slower_part_is_told_in_nanoseconds() -> None:
    slow = own_part("2732", part="SLOW", access_ns={"max": 600, "source": "invented"})
    burn = plan_burn(zeros("2716"), CATALOGUE.find("2716"), slow)
    assert any("takes 600 ns where the old one took 450 ns" in warning for warning in burn.warnings)


def test_an_unknown_access_time_asks_for_a_grade() -> None:
    assert "choose a grade no slower" in warnings_of("2764", "27128")


def test_lost_selects_are_named_and_a_part_that_nothing_gates_too() -> None:
    assert "select in hole 18, 19, 21 no longer gates" in warnings_of("7641", "2716")
    enables = [{"pin": 20, "name": "CS", "active": "high"}, {"pin": 18, "name": "CS2", "active": "high"}]
    high = own_part("2716", part="HIGH", enables=enables)
    burn = plan_burn(zeros("2716"), high, CATALOGUE.find("2732"))
    assert burn.pairing.always_on
    assert any("No select gates" in warning for warning in burn.warnings)


def test_padding_with_an_unknown_unprogrammed_state_says_what_it_took() -> None:
    burn = plan_burn(zeros("82S129"), CATALOGUE.find("82S129"), CATALOGUE.find("82S185"), layout="offset")
    assert burn.fill == 0xF
    assert any("1 was taken" in warning for warning in burn.warnings)
    told = plan_burn(
        zeros("82S129"), CATALOGUE.find("82S129"), CATALOGUE.find("82S185"), layout="offset", fill_bit=0
    )
    assert told.fill == 0


def test_a_write_enable_of_the_new_part_is_named() -> None:
    assert "Pin 27 must never go low" in warnings_of("27256", "28C256")


def test_inverted_lines_are_told() -> None:
    assert "inverted" in warnings_of("2716", "2732", order=LineOrder(invert_data=(0,)))


def test_every_plan_ends_with_reading_the_copy_back() -> None:
    """FACTS c: programmed copies must be read back at both supply limits (common practice, no source)."""
    assert warnings_of("2716", "2732").endswith("at both supply limits")


def test_supplies_in_other_holes_are_tied_to_them() -> None:
    crossed = own_part(
        "2708",
        part="CROSSED",
        other_supply=[{"pin": 21, "name": "Vdd", "volts": 12}, {"pin": 19, "name": "Vbb", "volts": -5}],
    )
    joints = {joint.pin: joint for joint in pair(CATALOGUE.find("2708"), crossed).joints}
    assert (joints[21].action, joints[21].hole, joints[21].lifted) == ("tie", 19, True)
    assert (joints[19].action, joints[19].hole, joints[19].lifted) == ("tie", 21, True)
    burn = plan_burn(zeros("2708"), CATALOGUE.find("2708"), crossed)
    assert "tie it to its supply (hole 21)" in burn_text(burn)


def test_a_2704_socket_holds_the_ninth_address_pin_of_a_2708_low() -> None:
    burn = plan_burn(zeros("2704"), CATALOGUE.find("2704"), CATALOGUE.find("2708"))
    assert (burn.copies, burn.layout) == ((0,), "at-offset")


def test_enables_of_unknown_polarity_are_an_obstacle() -> None:
    enables = [{"pin": 20, "name": "/OE", "active": "low"}, {"pin": 18, "name": "CE", "active": "unknown"}]
    odd = own_part("2732", part="ODD", enables=enables)
    assert "polarity" in obstacle(CATALOGUE.find("2716"), odd)


def test_packages_of_another_row_spacing_need_an_adapter_board() -> None:
    assert "build a small adapter board" in warnings_of("82S129", "27512")
    assert "adapter board" not in warnings_of("2364", "2764")


def test_a_socket_without_ground_takes_it_from_the_board() -> None:
    assert "no ground hole" in warnings_of("1702A", "2716")


def test_a_refusal_without_candidates_still_says_what_to_do() -> None:
    with pytest.raises(PairingError, match="Choose a part of at least that size"):
        plan_burn(zeros("2732"), CATALOGUE.find("2732"), CATALOGUE.find("2716"))


def test_a_smaller_package_says_over_which_hole_it_sits() -> None:
    burn = plan_burn(zeros("2364"), CATALOGUE.find("2364"), CATALOGUE.find("2764"))
    assert "pin 3 of the new part over hole 1" in burn_text(burn)


def test_the_text_of_a_repeated_image_lists_the_first_places_only() -> None:
    source = CATALOGUE.find("82S129")
    burn = plan_burn(zeros("82S129"), source, CATALOGUE.find("27512"), layout="repeat")
    assert len(burn.copies) == 256
    assert "repeated 256 times, at word 0, 100, 200" in burn_text(burn)
    assert "..." in burn_text(burn)


def test_slices_have_names_that_say_bits_and_start() -> None:
    slices = split_space(np.arange(600, dtype=np.uint64), 12, Organisation(512, 8))
    assert [one.name for one in slices] == ["11-8_0", "11-8_200", "7-0_0", "7-0_200"]

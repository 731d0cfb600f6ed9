"""What a burn plan warns of, and parts that only a sheet defines."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from pipeline.bench.pairing import obstacle, pair
from pipeline.catalogue import load
from pipeline.errors import PairingError
from pipeline.publish.programming import Burn, LineOrder, burn_document, plan_burn, split_space
from pipeline.views.burn import burn_text
from pipeline.words import Words
from schemas.names import Organisation
from schemas.part import Confidence, Part

CATALOGUE = load()


def zeros(number: str) -> Words:
    part = CATALOGUE.find(number)
    return np.zeros(part.words or 0, np.uint8)


def plan(old: str, new: str, **options: Any) -> Burn:
    return plan_burn(zeros(old), CATALOGUE.find(old), CATALOGUE.find(new), **options)


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
    assert any("1 was assumed" in warning for warning in burn.warnings)
    told = plan_burn(
        zeros("82S129"), CATALOGUE.find("82S129"), CATALOGUE.find("82S185"), layout="offset", fill_bit=0
    )
    assert told.fill == 0


def test_a_write_enable_of_the_new_part_is_named() -> None:
    burn = plan("27256", "28C256")
    assert burn.dangers == (
        (
            "Pin 27 (/WE) of the new part writes when it goes low: keep it out of hole 27 and tie it to +5 V "
            "on the adapter, whatever the hole carried"
        ),
    )
    assert burn_text(burn).index("! Pin 27 (/WE)") < burn_text(burn).index("Image ")


def test_a_write_enable_never_rests_on_a_hole_that_a_board_may_drive() -> None:
    for source in CATALOGUE.parts:
        for target in (one for one in CATALOGUE.parts if one.write_enables):
            if obstacle(source, target) or source.part == target.part:
                continue
            pairing = pair(source, target)
            for other in target.write_enables:
                joint = next(one for one in pairing.joints if one.pin == other.pin)
                assert joint.hole in {*source.vcc, None}, (source.part, target.part)
                assert joint.action == "tie" or joint.hole in source.vcc


def test_a_programming_pin_that_meets_a_hole_asks_for_a_measurement_first() -> None:
    burn = plan("2316E", "2716", select_levels={18: 0, 20: 0, 21: 1})
    assert not any("programming" in one for one in burn.dangers), "hole 21 is a select: Vpp is tied"
    burn = plan("2764", "27128")
    assert any(one.startswith("Pin 1 (Vpp) of the new part meets hole 1") for one in burn.dangers)
    assert all("never above 5.25 V" in one for one in burn.dangers)


def test_a_socket_of_negative_supplies_is_measured_hole_by_hole() -> None:
    burn = plan("1702A", "2716")
    assert burn.dangers[0].startswith("The old part had -9 V: holes of this socket may stand below ground")
    assert "Measure every hole" in burn.dangers[0]


def test_supply_pins_over_other_holes_are_a_danger_even_where_numbers_are_withheld() -> None:
    """From memory: a 6830 has ground on pin 1 and +5 V on pin 12, where a 2716 has its ground."""
    for memory in (False, True):
        dangers = plan("6830", "2716", from_memory=memory).dangers
        assert any("plugged in straight it is destroyed" in one for one in dangers)
    for old, new in (("2716", "2732"), ("2764", "27128"), ("2716", "27256")):
        assert not any("plugged in straight" in one for one in plan(old, new).dangers)


def test_a_pin_over_a_hole_that_nothing_drives_is_kept_out_of_it_before_it_is_tied() -> None:
    joint = next(one for one in plan("7641", "2716").pairing.joints if one.action == "either")
    assert joint.lifted
    assert "keep it out of that hole" in warnings_of("7641", "2716")


def test_the_old_parts_dangers_are_told_as_the_old_parts() -> None:
    said = [one.text for one in plan("1702A", "2716").cautions if "-9 V" in one.text]
    assert said
    assert all(text.startswith("The old part, 1702A: ") for text in said)


def test_a_fuse_prom_is_programmed_by_its_marking() -> None:
    assert "programming-fuses" in {one.key for one in plan("82S123", "74S288").cautions}
    assert "programming-fuses" not in {one.key for one in plan("2716", "2732").cautions}


def test_an_old_part_that_latches_its_address_is_told() -> None:
    assert "must hold them while it reads" in warnings_of("36000", "2764")
    assert "must hold them while it reads" not in warnings_of("2764", "27128")


def test_what_a_blank_reads_is_no_matter_where_the_image_fills_the_part() -> None:
    assert "unprogrammed" not in warnings_of("82S123", "74S288")


def test_pin_numbers_from_memory_are_withheld_until_asked_for_and_then_stamped() -> None:
    low = next(
        (source.part, target.part)
        for source in CATALOGUE.parts
        for target in CATALOGUE.parts
        if source.confidence is Confidence.LOW and source.part != target.part
        if not obstacle(source, target) and pair(source, target).needs_adapter
    )
    burn = plan(*low)
    text = burn_text(burn)
    assert burn_document(burn)["pins"] == []
    assert "No pin numbers" in text
    assert not re.search(r"[Pp]in \d|hole \d", text.replace("hole 1 of the socket", ""))
    asked = plan(*low, from_memory=True)
    lines = [line for line in burn_text(asked).splitlines() if re.match(r"  [ \d]\d  ", line)]
    assert lines
    assert all(line.endswith("LOW CONFIDENCE") for line in lines)
    assert np.array_equal(asked.words, burn.words), "the content does not depend on it"


def test_inverted_lines_are_told() -> None:
    assert "inverted" in warnings_of("2716", "2732", order=LineOrder(invert_data=(0,)))


def test_every_plan_ends_with_reading_the_copy_back() -> None:
    """Common practice, no source; in a second reader, since a machine's supply is nobody's to turn."""
    last = warnings_of("2716", "2732").splitlines()[-1]
    assert last.startswith("Read the programmed copy back in a second reader at its nominal supply")


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
    assert "repeated 256 times, at word 0x0, 0x100, 0x200" in burn_text(burn)
    assert "..." in burn_text(burn)


def test_slices_have_names_that_say_bits_and_start() -> None:
    slices = split_space(np.arange(600, dtype=np.uint64), 12, Organisation(512, 8))
    assert [one.name for one in slices] == ["11-8_0", "11-8_200", "7-0_0", "7-0_200"]

"""A part entry that contradicts itself is refused; what it does not know it does not say."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from schemas.names import Organisation
from schemas.part import Part

TINY: dict[str, Any] = {
    "part": "TINY",
    "kind": "mask ROM",
    "words": 4,
    "bits": 2,
    "pins": 8,
    "pinout": "known",
    "address_pins": [1, 2],
    "data_pins": [6, 7],
    "vcc": [8],
    "gnd": [4],
    "enables": [{"pin": 3, "name": "/CE", "active": "low"}],
    "nc": [5],
    "source": {"type": "from memory", "citation": "invented for this test"},
    "confidence": "low",
}


def tiny(**changes: object) -> Part:
    return Part.model_validate({**TINY, **changes})


def test_a_whole_entry_is_accepted_and_tells_its_organisation() -> None:
    assert tiny().organisation == Organisation(4, 2)


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"words": 8}, "2 address pins for 8 words"),
        ({"bits": 3}, "2 data pins for 3 bits"),
        ({"address_pins": [1, 1]}, "pin 1 named twice"),
        ({"nc": [5, 9]}, "pin 9 beyond pin 8"),
        ({"nc": []}, "pin 5 not named"),
        ({"supplies_v": [5, -5]}, "no pin for -5 V"),
        ({"gnd": [], "nc": [4, 5]}, "no ground pin"),
        ({"address_pins": [], "data_pins": [], "nc": [1, 2, 5, 6, 7]}, "names every address and data pin"),
        ({"data_labels": ["O1"]}, "1 data labels for 2 pins"),
        ({"pins": 7}, "even number of pins"),
        ({"other_supply": [{"pin": 5, "name": "Vdd", "volts": 12}], "nc": []}, "no supply"),
    ],
)
def test_an_entry_that_contradicts_itself_is_refused(changes: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        tiny(**changes)


def test_a_slip_in_a_field_name_is_refused() -> None:
    with pytest.raises(ValidationError, match="adress_pins"):
        tiny(adress_pins=[1, 2])


def test_a_sheet_that_writes_every_scalar_as_text_defines_the_same_part() -> None:
    as_text = {
        **TINY,
        "words": "4",
        "bits": "2",
        "pins": "8",
        "supplies_v": ["5"],
        "address_pins": ["1", "2"],
        "erased_state": "1",
        "fades_to": "null",
    }
    assert Part.model_validate(as_text) == tiny(erased_state=1)


@pytest.mark.parametrize("level", [2, "high", -1])
def test_an_unprogrammed_state_is_0_1_or_not_known(level: object) -> None:
    with pytest.raises(ValidationError):
        tiny(erased_state=level)


def test_reversed_maker_labels_stand_beside_our_own_line_names() -> None:
    part = tiny(data_labels=["Q2", "Q1"], labels_source="invented")
    uses = {use.pin: use for use in part.pin_table}
    assert (uses[6].name, uses[6].label) == ("D0", "Q2")
    assert (uses[7].name, uses[7].label) == ("D1", "Q1")


def test_the_pin_table_gives_every_pin_once_and_says_what_it_does_not_know() -> None:
    part = tiny(pinout="partial", nc=[])
    assert [use.pin for use in part.pin_table] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert part.pin_table[4].role == "unknown"


def test_a_part_without_a_single_organisation_has_none() -> None:
    part = tiny(words=None, bits=None, pinout="not applicable", address_pins=[], data_pins=[])
    assert part.organisation is None


def test_a_write_enable_is_known_by_its_name() -> None:
    part = tiny(nc=[], other_pins=[{"pin": 5, "name": "/WE", "for_reading": "high"}])
    assert [other.pin for other in part.write_enables] == [5]

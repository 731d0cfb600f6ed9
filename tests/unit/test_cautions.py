"""Cautions follow from what the entry says, the dangerous ones first, and defer to data sheet and law."""

from __future__ import annotations

import re

import pytest

from pipeline.catalogue import load
from pipeline.catalogue.cautions import AROUND_THE_CHIP, DEFERENCE, cautions, own_cautions
from schemas.part import Part

CATALOGUE = load()


def keys(number: str) -> list[str]:
    return [one.key for one in cautions(CATALOGUE.find(number))]


@pytest.mark.parametrize("part", CATALOGUE.parts, ids=lambda p: p.part)
def test_every_part_is_told_the_general_cautions_and_dangers_come_first(part: Part) -> None:
    found = cautions(part)
    order = [one.dangerous for one in found]
    assert order == sorted(order, reverse=True)
    assert {"measure-first", "switch-off", "static", "sole-copy"} <= {one.key for one in found}
    assert all(one.text.endswith(".") and one.ground for one in found)
    assert len({one.key for one in found}) >= len(found) - 1


@pytest.mark.parametrize("number", ["2708", "2704", "TMS2716", "2308"])
def test_minus_five_volts_comes_first_on_three_supply_parts(number: str) -> None:
    """-5 V first on and last off (second-hand: Intel's sheet as quoted)."""
    first = cautions(CATALOGUE.find(number))[0]
    assert first.key == "several-supplies"
    assert "-5 V on first and off last" in first.text


@pytest.mark.parametrize("number", ["28C16", "28C256", "29F040", "29C256", "28F010"])
def test_a_write_enable_is_a_danger_to_a_sole_copy(number: str) -> None:
    """/WE tied high in hardware (common practice, no source)."""
    part = CATALOGUE.find(number)
    found = [one for one in cautions(part) if one.key == "write-enable"]
    assert [
        f"Pin {other.pin} " in one.text for other, one in zip(part.write_enables, found, strict=True)
    ] == [True]
    assert any(one.dangerous for one in own_cautions(part))


def test_a_part_without_a_pin_that_writes_has_no_danger_of_its_own() -> None:
    assert not any(one.dangerous for one in own_cautions(CATALOGUE.find("82S123")))
    assert any(one.dangerous for one in own_cautions(CATALOGUE.find("27C256"))), "its programming pin"


@pytest.mark.parametrize(
    ("number", "key"),
    [
        ("82S126", "pull-ups"),
        ("82S126", "runs-hot"),
        ("2316E", "select-by-mask"),
        ("36000", "latched-address"),
        ("2716", "window"),
        ("2716", "shared-number"),
        ("1702A", "no-ground-pin"),
        ("6830", "reverse-powered"),
        ("2758", "check-the-pins"),
        ("82S100", "not-a-rom"),
        ("27256", "programming-voltage"),
        ("2513", "supply-versions"),
    ],
)
def test_a_kind_is_told_its_own_caution(number: str, key: str) -> None:
    assert key in keys(number)


@pytest.mark.parametrize(
    ("number", "key"),
    [
        ("82S129", "pull-ups"),
        ("27256", "runs-hot"),
        ("28C256", "window"),
        ("82S129", "write-enable"),
        ("27256", "shared-number"),
        ("1702A", "supply-versions"),
    ],
)
def test_no_kind_is_told_anothers_caution(number: str, key: str) -> None:
    assert key not in keys(number)


def test_where_pin_numbers_are_withheld_no_caution_tells_one() -> None:
    for part in CATALOGUE.parts:
        told = " ".join(one.text for one in own_cautions(part, numbered=False))
        told = re.sub(r"differ on pins 18 to 21.{0,60}\+12 V on pin 19", "", told)
        assert not re.search(r"\bpins? \d", told, re.IGNORECASE), part.part


def test_the_texts_defer_to_data_sheet_local_rules_and_licensed_practice() -> None:
    assert all(
        word in DEFERENCE for word in ("data sheet", "local electrical-safety rules", "licensed practice")
    )
    assert {one.key for one in AROUND_THE_CHIP} == {"mains", "batteries", "substances", "ultraviolet"}

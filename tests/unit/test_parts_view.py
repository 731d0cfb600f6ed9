"""The catalogue as a person reads it: pins never without source and confidence."""

from __future__ import annotations

import json

import pytest

from pipeline.catalogue import load
from pipeline.reflow import reflow
from pipeline.views.parts import (
    package_drawing,
    part_document,
    part_sheet,
    parts_document,
    parts_table,
)
from schemas.part import Part

CATALOGUE = load()
DRAWN = [part for part in CATALOGUE.parts if part.address_pins]


@pytest.mark.parametrize("part", DRAWN, ids=lambda p: p.part)
def test_a_drawing_shows_every_pin_once_beside_its_name(part: Part) -> None:
    rows = package_drawing(part).splitlines()[1:-1]
    half = part.pins // 2
    assert len(rows) == half
    names = {use.pin: use.name for use in part.pin_table}
    for number, row in enumerate(rows, start=1):
        left, right = row.split("|")[0], row.split("|")[-1]
        assert left.split()[-1] == str(number)
        assert left.strip().startswith(names[number])
        other = part.pins + 1 - number
        assert right.split()[0] == str(other)
        assert right.strip()[len(str(other)) :].strip().startswith(names[other])


@pytest.mark.parametrize("part", CATALOGUE.parts, ids=lambda p: p.part)
def test_a_sheet_is_plain_ascii_of_the_terminals_width_and_carries_its_source(part: Part) -> None:
    text = part_sheet(part)
    assert text.isascii()
    assert max(map(len, reflow(text, 80).splitlines())) <= 80
    assert part.source.type in text
    assert f"Confidence    {part.confidence}" in text
    assert "Cautions" in text


def test_an_entry_without_pins_says_so_and_draws_nothing() -> None:
    part = CATALOGUE.find("27S25")
    assert package_drawing(part) == ""
    assert "take them from the data sheet" in part_sheet(part)


def test_a_low_confidence_drawing_is_stamped() -> None:
    assert "LOW CONFIDENCE" in part_sheet(CATALOGUE.find("2758"))
    assert "LOW CONFIDENCE" not in part_sheet(CATALOGUE.find("27256"))


def test_a_partial_pinout_says_that_pins_are_missing() -> None:
    assert "Not every pin is known" in part_sheet(CATALOGUE.find("74186"))


def test_the_makers_label_stands_beside_ours() -> None:
    assert "D0 (O1)" in package_drawing(CATALOGUE.find("2708"))
    assert "D0 (Q1)" in package_drawing(CATALOGUE.find("2532"))


def test_the_list_has_one_line_a_part_and_says_when_nothing_matches() -> None:
    parts = CATALOGUE.filter(words=2048, bits=8)
    lines = parts_table(parts).splitlines()
    assert [line.split()[0] for line in lines[1:-1]] == [part.part for part in parts]
    assert parts_table(()) == "No part matches."


@pytest.mark.parametrize("part", CATALOGUE.parts, ids=lambda p: p.part)
def test_the_document_is_plain_json_with_a_pin_table(part: Part) -> None:
    document = json.loads(json.dumps(part_document(part)))
    assert document["part"] == part.part
    assert len(document["pin_table"]) == (part.pins if part.address_pins else 0)
    assert document["cautions"]
    assert Part.model_validate({k: document[k] for k in Part.model_fields}) == part


def test_the_list_document_names_source_and_confidence_of_each() -> None:
    document = parts_document(CATALOGUE.parts)
    assert len(document) == len(CATALOGUE.parts)
    assert all(entry["source"] and entry["confidence"] for entry in document)

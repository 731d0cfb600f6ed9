"""The record's types know every field that a person can fill in, and nobody can write another."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from pipeline.bags import record_file
from schemas import evidence, part, record, recorded_sheet, sheet, wiring
from schemas.base import adapter, fields, follows, private_fields, public_fields
from schemas.finding import Code, Finding, Severity
from schemas.recorded_finding import FindingRecord
from schemas.vocabulary import Kind
from tests.kit.example_bags import example_bag, example_bundle, record_of

MIRRORED: list[tuple[type[BaseModel], type]] = [
    (sheet.Machine, recorded_sheet.MachineRecord),
    (sheet.Custodian, recorded_sheet.CustodianRecord),
    (sheet.Rights, recorded_sheet.RightsRecord),
    (sheet.ReleaseWord, recorded_sheet.ReleaseWordRecord),
    (sheet.Reader, recorded_sheet.ReaderRecord),
    (sheet.Board, recorded_sheet.BoardRecord),
    (wiring.Lines, recorded_sheet.WiringRecord),
    (sheet.View, recorded_sheet.ViewRecord),
    (sheet.Attempt, recorded_sheet.AttemptRecord),
    (sheet.Take, recorded_sheet.TakeRecord),
    (sheet.Packed, recorded_sheet.PackedRecord),
    (sheet.Placement, recorded_sheet.PlacementRecord),
    (part.Part, recorded_sheet.PartRecord),
    (part.Source, recorded_sheet.SourceRecord),
    (part.Enable, recorded_sheet.EnableRecord),
    (evidence.Evidence, recorded_sheet.EvidenceRecord),
    (evidence.Contradiction, recorded_sheet.ContradictionRecord),
    (part.SupplyPin, recorded_sheet.SupplyPinRecord),
    (part.OtherPin, recorded_sheet.OtherPinRecord),
    (part.AccessTime, recorded_sheet.AccessTimeRecord),
]
GUESSES = {"unconfirmed"}
"""Of the sheet's chip; `wellread check` refuses a sheet that still holds one, so no record has any."""
NAMES_OF_A_ROW = {"chip", "file"}
"""Of the sheet's row; the record names the reading and its files instead."""


@pytest.mark.parametrize(("form", "stored"), MIRRORED, ids=lambda one: one.__name__)
def test_what_a_person_can_say_has_its_place_in_the_record(form: type[BaseModel], stored: type) -> None:
    assert fields(form) <= fields(stored)
    assert private_fields(form) == private_fields(stored) & fields(form)


def test_a_chip_of_the_sheet_has_its_place_in_the_record() -> None:
    assert fields(sheet.Chip) - fields(record.ChipRecord) == GUESSES
    assert private_fields(sheet.Chip) == private_fields(record.ChipRecord)


def test_a_reading_of_the_sheet_has_its_place_in_the_record() -> None:
    known = fields(record.ReadingRecord) | fields(recorded_sheet.HowRecord)
    assert fields(sheet.ReadingRow) - known == NAMES_OF_A_ROW
    assert private_fields(sheet.ReadingRow) == private_fields(record.ReadingRecord)


def test_a_space_of_the_sheet_has_its_place_in_the_record() -> None:
    assert fields(sheet.Space) <= fields(record.SpaceRecord)


def test_a_chip_of_a_record_has_what_the_gaps_were() -> None:
    assert {"image_paths", "original_name", "fill", "description"} <= public_fields(record.SpaceRecord)
    assert "matching" in public_fields(record.ImageRecord)


@pytest.mark.parametrize("bag", [example_bag, example_bundle], ids=["bag", "bundle"])
def test_the_examples_record_has_no_field_that_the_schema_does_not_know(bag: Any) -> None:
    text = (bag() / record_file.PATH).read_bytes()
    follows(record.Record, text, unknown="forbid")
    follows(record.Record, text, unknown="allow")


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where in a document a dict stands."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    own = [path] if isinstance(value, dict) else []
    return own + [place for key, one in items for place in _places(one, (*path, key))]


OPEN = {"settings", "where", "evidence", "readers", "boards", "parts", "grades", "votes", "erased_by_marking"}
"""Dicts whose keys are ids, or belong to one kind of step or finding."""


def _closed(place: tuple[Any, ...]) -> bool:
    """Whether a dict takes no key but its type's: what was `said` of a word has its passes by reader."""
    return not OPEN & set(map(str, place)) and not {"said", "passes"} <= set(map(str, place))


@given(st.data())
def test_a_field_put_in_anywhere_is_refused_to_a_writer_and_kept_for_a_reader(data: st.DataObject) -> None:
    chip = data.draw(st.sampled_from(record_of(example_bag())["chips"]))
    chip = json.loads(json.dumps(chip))
    closed = [place for place in _places(chip) if _closed(place)]
    target = chip
    for key in data.draw(st.sampled_from(closed)):
        target = target[key]
    target["a field of a later version"] = 1
    with pytest.raises(ValidationError, match="a field of a later version"):
        record_file.chip_text(chip)
    text = json.dumps(chip)
    follows(record.ChipRecord, text, unknown="allow")
    assert adapter(record.ChipRecord).validate_json(text, extra="allow") == chip


def test_a_head_with_an_unknown_field_is_not_written() -> None:
    head: Any = {key: one for key, one in record_of(example_bag()).items() if key != "chips"}
    assert "".join(record_file.file_text(head, [])).endswith(' "chips": [\n ]\n}\n')
    with pytest.raises(ValidationError, match="surprise"):
        list(record_file.file_text(head | {"surprise": 1}, []))


def test_a_record_file_is_read_as_it_was_written() -> None:
    whole = record_of(example_bag())
    head: Any = {key: one for key, one in whole.items() if key != "chips"}
    text = "".join(record_file.file_text(head, map(record_file.chip_text, whole["chips"])))
    assert text == (example_bag() / record_file.PATH).read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    opened = record_file.open_lines(lines)
    assert opened is not None
    assert opened.head == head
    assert list(record_file.chips_in(lines, opened)) == whole["chips"]
    assert record_file.whole(text.encode()) == whole


def test_a_file_of_another_layout_is_not_taken_for_ours() -> None:
    whole = record_of(example_bag())
    assert record_file.open_lines(json.dumps(whole).splitlines()) is None
    assert record_file.whole(json.dumps(whole).encode()) == whole
    for content in (b"", b"[]", b"{}", b'{"chips": 3}', b"\xff"):
        with pytest.raises(ValueError):  # noqa: PT011 - whatever json says of it
            record_file.whole(content)


def test_a_finding_is_written_with_the_fields_that_it_has() -> None:
    one = Finding(code=Code.FILL, severity=Severity.NOTE, chip="U1", means="a", also="b", next="c")
    assert set(one.to_record()) == fields(FindingRecord)
    follows(FindingRecord, json.dumps(one.to_record()), unknown="forbid")


def test_a_finding_is_written_in_jsons_own_types() -> None:
    facts = {
        "spans": ((1, 2), [3]),
        "part": {"kind": Kind.FLASH},
        "votes": {7: 1.5},
        "none": None,
        "yes": True,
    }
    one = Finding(
        code=Code.FILL, severity=Severity.NOTE, chip="U1", evidence=facts, means="a", also="b", next="c"
    ).to_record()
    assert [type(one["code"]), type(one["severity"])] == [str, str]
    assert one["evidence"] == json.loads(json.dumps(one["evidence"]))
    assert one["evidence"] == {
        "spans": [[1, 2], [3]],
        "part": {"kind": "flash"},
        "votes": {"7": 1.5},
        "none": None,
        "yes": True,
    }

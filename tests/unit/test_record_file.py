"""The layout of a bag's record: what is written comes back, and nothing else is taken for it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import ValidationError

from pipeline.bags import record_file
from pipeline.bags.record_file import Opened

HEAD: Any = {
    "software": {"version": "1"},
    "created": "1978-05-05T00:00:00Z",
    "clock_fixed": True,
    "bag": "caf\u00e9\u009b-v1",
    "version": 1,
    "external_identifier": "urn:uuid:0",
    "machine": {"id": "loom", "name": "Loom"},
    "readers": {},
    "boards": {},
    "sheet": [],
    "grades": {},
    "inputs_sha256": "00",
}


def chip(name: str) -> Any:
    bears = {"passes": 0, "sittings": 0, "readers": 0, "checks": 0}
    return {"chip": name, "grade": "missing", "reasons": [], "bears": bears}


def test_a_chip_stands_on_one_line_without_blanks_and_with_its_letters_as_they_are() -> None:
    assert record_file.chip_text(chip("\u00dc1")) == (
        '{"chip":"\u00dc1","grade":"missing","reasons":[],"bears":'
        '{"passes":0,"sittings":0,"readers":0,"checks":0}}'
    )


def test_what_would_act_on_a_terminal_is_written_as_an_escape() -> None:
    assert '"chip":"U\\u009b1"' in record_file.chip_text(chip("U\u009b1"))
    assert "caf\u00e9\\u009b-v1" in "".join(record_file.file_text(HEAD, []))


@pytest.mark.parametrize("more", [{"surprise": 1}, {"reasons": "none"}, {"chip": 7}])
def test_a_chip_with_an_unknown_field_or_a_wrong_type_is_not_written(more: dict[str, Any]) -> None:
    with pytest.raises(ValidationError, match=f"1 validation error for ChipRecord\n{next(iter(more))}"):
        record_file.chip_text(chip("U1") | more)


@pytest.mark.parametrize("more", [{"surprise": 1}, {"version": "1"}])
def test_a_head_with_an_unknown_field_or_a_wrong_type_is_not_written(more: dict[str, Any]) -> None:
    with pytest.raises(ValidationError, match=f"1 validation error for RecordHead\n{next(iter(more))}"):
        next(record_file.file_text(HEAD | more, []))


def test_the_file_is_an_indented_head_and_a_chip_a_line() -> None:
    lines = "".join(record_file.file_text(HEAD, ["{}", '{"a":1}'])).split("\n")
    assert lines[:3] == ["{", ' "software": {', '  "version": "1"']
    assert lines[-7:] == [' "inputs_sha256": "00",', ' "chips": [', "{},", '{"a":1}', " ]", "}", ""]


def test_chips_are_asked_for_one_at_a_time_while_the_file_is_written() -> None:
    asked = []

    def chips() -> Iterator[str]:
        for number in range(3):
            asked.append(number)
            yield str(number)

    text = record_file.file_text(HEAD, chips())
    next(text)
    assert asked == []
    assert next(text) == "\n0"
    assert asked == [0]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_was_written_is_read_back_with_either_end_of_line(end: str) -> None:
    text = "".join(record_file.file_text(HEAD, map(record_file.chip_text, [chip("U1"), chip("U2")])))
    lines = [line + end for line in text.splitlines()]
    opened = record_file.open_lines(lines)
    assert opened == Opened(HEAD, lines.index(' "chips": [' + end) + 1)
    assert list(record_file.chips_in(lines, opened)) == [chip("U1"), chip("U2")]


def test_opening_reads_no_further_than_the_head() -> None:
    lines = iter(["{\n", ' "bag": "b",\n', ' "chips": [\n', "never asked for\n"])
    assert record_file.open_lines(lines) == Opened({"bag": "b"}, 3)  # type: ignore[typeddict-item]
    assert next(lines) == "never asked for\n"


@pytest.mark.parametrize(
    "lines",
    [
        [],
        ["{\n", ' "bag": "b"\n', "}\n"],
        ["{\n", ' "bag": b,\n', ' "chips": [\n'],
        ["{\n", ' "bag": "b",\n', '"chips": [\n'],
        ["{\n", ' "bag": "b",\n', ' "chips": [ \n'],
        ["{\n", ' "bag": "b",\n', ' "chips": [X\n'],
        [f'{{"bag":{"[" * 100_000}\n', ' "chips": [\n'],
    ],
    ids=[
        "nothing",
        "no chips",
        "no JSON",
        "other layout",
        "a blank at the end",
        "a letter at the end",
        "nested without end",
    ],
)
def test_a_file_of_another_layout_is_not_opened(lines: list[str]) -> None:
    assert record_file.open_lines(lines) is None


def test_blank_lines_are_passed_over_and_nothing_is_read_after_the_chips() -> None:
    lines = ["head", '{"a":1},', "", '  {"a":2}', " ]", "}", "no JSON"]
    opened = Opened(HEAD, 1)
    found: list[Any] = [*record_file.chips_in(lines, opened)]
    assert found == [{"a": 1}, {"a": 2}]


def test_a_chips_line_that_is_no_json_is_an_error_and_not_the_end() -> None:
    with pytest.raises(ValueError, match="Expecting"):
        list(record_file.chips_in(["{}", "nonsense"], Opened(HEAD, 0)))


@pytest.mark.parametrize("content", [b"[]", b"{}", b'{"chips": {}}', b"null"])
def test_json_that_is_no_record_is_refused(content: bytes) -> None:
    with pytest.raises(ValueError, match=r"^no record$"):
        record_file.whole(content)


def test_a_record_of_any_layout_is_read_at_once_with_what_a_later_version_added() -> None:
    content = json.dumps({"later": 1, "chips": [{"chip": "U1"}]}).encode()
    assert record_file.whole(content) == {"later": 1, "chips": [{"chip": "U1"}]}


def test_what_a_chips_record_lacks_is_named_in_the_order_of_the_record() -> None:
    whole = dict.fromkeys(("chip", "grade", "reasons", "image", "readings", "findings"))
    assert record_file.lacking(whole) == ""
    assert record_file.lacking({"grade": 1, "findings": [], "image": None}) == "chip, reasons, readings"

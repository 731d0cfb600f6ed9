"""Small files in every format but the plainest: what each holds, what is forgiven, or why it is refused.

`tests/assets/format_cases.jsonl` has one a line. The sums in them were worked out from the formats' rules by
a script of its own, without the decoders; the words were read one by one.
`python -m tests.unit.test_format_cases` writes the file anew: read its difference.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.errors import FormatError, UsageError
from pipeline.formats import FORMATS, Block, Declared, decode, encode
from pipeline.formats.convert import convert

KEPT = Path(__file__).parents[1] / "assets" / "format_cases.jsonl"
CASES = [json.loads(line) for line in KEPT.read_text("utf-8").splitlines()]
GIVEN = ("format", "text", "declared")


def found(name: str, text: str, declared: dict[str, Any]) -> dict[str, Any]:
    """What reading a file says, as the cases are written."""
    try:
        decoded = decode(text.encode("latin-1"), Declared(format=name, **declared))
    except FormatError as error:
        return {"refused": str(error), "as": type(error).__name__}
    return {
        "holds": [
            [[block.address, block.words.dtype.name, block.words.tolist()] for block in run]
            for run in decoded.runs
        ],
        "forgiven": [[one.what, one.place.line, one.place.column, one.count] for one in decoded.forgiven],
        "notes": list(decoded.notes),
        "bits": decoded.unit_bits,
    }


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['format']}-{case['text'][:20]!a}")
def test_a_file_is_read_or_refused_as_its_format_says(case: dict[str, Any]) -> None:
    said = found(case["format"], case["text"], case["declared"])
    assert said == {key: case[key] for key in said}


def test_the_cases_reach_every_format_that_is_text() -> None:
    assert {case["format"] for case in CASES} == set(FORMATS) - {"binary"}
    assert sum("refused" in case for case in CASES) > 80
    assert sum("holds" in case for case in CASES) > 60


AT_16 = Block(0x10, np.arange(4, dtype=np.uint8))
AT_32 = Block(0x20, np.arange(4, dtype=np.uint8))


def test_gaps_of_a_record_format_are_filled_from_its_first_byte_where_that_is_asked() -> None:
    (run,) = decode(encode("s-record", [AT_16, AT_32], fill=0xEE)).runs
    assert [(block.address, bytes(block.words)) for block in run] == [
        (0x10, bytes(range(4)) + bytes([0xEE]) * 12 + bytes(range(4)))
    ]
    (run,) = decode(encode("intel-hex", [AT_16, AT_32], base=0x100)).runs
    assert [block.address for block in run] == [0x110, 0x120]


def test_nothing_at_all_makes_an_empty_binary_file() -> None:
    assert encode("binary", []) == b""


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (
            {"fmt": "jesd3"},
            "format: 'jesd3' is not written. Say --to with one of binary, intel-hex, s-record.",
        ),
        ({"word_order": "middle"}, "word_order: 'middle' is not known. Say big or little."),
        ({"fill": 256}, "fill: 256 is not a byte. Say 0 to 255."),
        ({"fill": -1}, "fill: -1 is not a byte. Say 0 to 255."),
        ({"record": 0}, "record: 0 bytes a record. Say 1 to 250."),
        ({"record": 251}, "record: 251 bytes a record. Say 1 to 250."),
        ({"header": b"x" * 65}, "header: the header is too long or not ASCII. Say at most 64 characters."),
        ({"header": b"\xe9"}, "header: the header is too long or not ASCII. Say at most 64 characters."),
        ({"unit_bits": 1}, "format: fuses are not bytes. Keep the fuse map as it is."),
        ({"base": -0x11}, "base: an address does not fit in 32 bits. Choose another base."),
        ({"base": 0xFFFFFFED}, "base: an address does not fit in 32 bits. Choose another base."),
        (
            {"fmt": "binary"},
            (
                "address 0x0: nothing is known there, and a binary file cannot have gaps. "
                "Say --fill 0xFF or what the gaps hold, or write intel-hex or s-record, which keep gaps."
            ),
        ),
        (
            {"fmt": "binary", "base": 0x11},
            "base: data starts at address 0x10, before the base 0x11. Choose a base at or below it.",
        ),
        (
            {"fmt": "binary", "fill": 0, "most_fill": 15},
            (
                "fill: the file would hold 16 bytes of fill between address 0x0 and 0x14. "
                "Write a record format, which keeps gaps, or allow that much fill."
            ),
        ),
    ],
)
def test_what_cannot_be_written_is_refused_in_words(options: dict[str, Any], said: str) -> None:
    with pytest.raises(UsageError) as caught:
        encode(options.pop("fmt", "s-record"), [AT_16], **options)
    assert str(caught.value) == said


def test_blocks_that_overlap_are_refused_and_those_that_touch_are_not() -> None:
    with pytest.raises(UsageError, match=r"^address 0x13: two blocks overlap\. Write them to two files\.$"):
        encode("s-record", [Block(0x13, AT_32.words), AT_16])
    assert encode("binary", [Block(0x14, AT_32.words), AT_16], base=0x10) == bytes(range(4)) * 2


def test_the_last_addresses_of_32_bits_can_be_written() -> None:
    (run,) = decode(encode("s-record", [AT_16], base=0xFFFFFFEC)).runs
    assert run[0].address == 0xFFFFFFFC


def test_a_dump_of_no_bytes_is_not_converted() -> None:
    with pytest.raises(FormatError, match="the file is empty"):
        convert(b"", "binary", declared=Declared(format="binary"))


@pytest.mark.parametrize(
    ("last", "kind", "end"),
    [(0xFFFF, "S1", "S9"), (0x10000, "S2", "S8"), (0xFFFFFF, "S2", "S8"), (1 << 24, "S3", "S7")],
)
def test_s_records_are_as_narrow_as_the_last_address_lets_them_be(last: int, kind: str, end: str) -> None:
    lines = encode("s-record", [Block(last, np.ones(1, np.uint8))]).decode().splitlines()
    assert [line[:2] for line in lines] == ["S0", kind, "S5", end]


def test_more_than_65535_s_records_are_counted_in_three_bytes() -> None:
    lines = encode("s-record", [Block(0, np.zeros(1 << 16, np.uint8))], record=1).decode().splitlines()
    assert lines[-2] == "S604010000FA"
    assert len(lines) == (1 << 16) + 3


def main() -> None:
    """Write the file anew."""
    given = [{key: case[key] for key in GIVEN} for case in CASES]
    lines = [json.dumps({**one, **found(*(one[key] for key in GIVEN))}, ensure_ascii=False) for one in given]
    KEPT.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()

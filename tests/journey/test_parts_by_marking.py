"""`wellread parts` as a person types at it: whole numbers, beginnings, slips, and numbers that mislead."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest

from pipeline.run.schemas import schema_document
from tests.journey.cli import wellread


def test_the_beginning_of_a_number_lists_what_begins_so() -> None:
    done = wellread("parts", "27", "--json")
    assert done.code == 0, done.err
    jsonschema.validate(done.document, schema_document("parts"))
    named = [one["part"] for one in done.document["parts"]]
    assert {"2704", "2708", "2716", "2732", "2758", "2764", "27128", "27256", "27512"} <= set(named)
    assert all(
        any(str(n).startswith("27") for n in (one["part"], *one["aliases"])) for one in done.document["parts"]
    )
    assert done.document["further"]["27S19"] == "82S123"
    assert all(number.startswith("27") for number in done.document["further"])
    text = wellread("parts", "27").out
    assert "27S19 (as 82S123)" in " ".join(text.split())
    assert {line.split()[0] for line in text.splitlines() if line[:2] == "27"} >= set(named) - {"39SF020"}


def test_a_whole_number_is_never_taken_for_a_beginning() -> None:
    done = wellread("parts", "2716", "--json")
    assert [one["part"] for one in done.document["parts"]] == ["2716"]
    assert done.document.get("begins") is None


@pytest.mark.parametrize(
    ("typed", "size", "first", "never"),
    [
        ("2761", 8192, ["2764"], "7681"),
        ("2761", 2048, ["2716"], "7681"),
        ("28C46", 8192, ["28C64"], "28S46"),
        ("2765", 8192, ["2764"], "2716"),
    ],
)
def test_a_misspelt_number_offers_near_markings_that_the_dump_fits(
    typed: str, size: int, first: list[str], never: str, tmp_path: Path
) -> None:
    dump = tmp_path / "dump.bin"
    dump.write_bytes(bytes(range(256)) * (size // 256))
    done = wellread("examine", dump, "--part", typed)
    assert done.code == 13
    assert f"Did you mean {', '.join(first)}" in done.err
    assert never not in done.err.split("Did you mean")[1]


def test_a_misspelt_number_without_a_dump_offers_the_nearest_spellings() -> None:
    assert "Did you mean 2764, 2716?" in wellread("parts", "2761").err


def test_a_sheet_with_a_misspelt_part_is_offered_one_of_its_dumps_size(tmp_path: Path) -> None:
    (tmp_path / "dumps").mkdir()
    (tmp_path / "dumps" / "U1.prog.1.bin").write_bytes(bytes(range(256)) * 8)
    (tmp_path / "sheet.yaml").write_text(
        "machine: {id: m, name: M}\nreaders:\n  prog: {kind: device-programmer}\n"
        'chips:\n  - {chip: U1, part: "2761"}\n'
    )
    done = wellread("check", tmp_path)
    assert done.code == 1
    assert "nearest valid value 2716" in done.out
    assert "2764" not in done.out + done.err


@pytest.mark.parametrize(
    ("number", "why", "meant"),
    [
        ("27C1000", "makers sold both orders", "27C100, 27C010"),
        ("D27CX321-40", "NOT a 2732", ""),
        ("10139", "NEGATIVE supply", ""),
        ("6336-1J", "NOT in the 20-pin order", ""),
    ],
)
def test_a_number_that_would_mislead_is_refused_with_its_reason(number: str, why: str, meant: str) -> None:
    done = wellread("parts", number)
    assert done.code == 13
    assert why in done.err
    assert meant in done.err


def test_a_number_that_only_resolves_says_to_what_and_what_that_does_not_vouch_for() -> None:
    done = wellread("parts", "MB7114E", "--json")
    (part,) = done.document["parts"]
    assert (part["part"], part["resolves_to"], part["erased_state"]) == ("MB7114", "82S129", None)
    assert "how it is programmed, and at which voltage" in part["not_vouched"]
    text = " ".join(wellread("parts", "MB7114E").out.split())
    assert "Resolves to 82S129; that does not vouch for what an unprogrammed cell reads" in text


def test_parts_that_can_stand_in_are_named_with_the_common_ones_first() -> None:
    from pipeline.catalogue import load
    from pipeline.publish.programming import replacements

    catalogue = load()
    for old in ("2708", "2332", "82S191", "27C010"):
        able = [
            part.part for part in replacements(catalogue.find(old), catalogue.parts, common=catalogue.common)
        ]
        common = [name in catalogue.common for name in able]
        assert any(common)
        assert common == sorted(common, reverse=True)

"""The map of a program over its chips: entries, routines, calls across chips, what nothing leads to."""

from __future__ import annotations

import re
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content.among_chips import ProgramChip, program_maps, sheet_bases
from pipeline.stages.content.flow_of_control import READ_AS
from pipeline.stages.content.flow_of_control.walk import laid, walk
from pipeline.views.report.program_map import program_view
from pipeline.words import Words
from schemas.record import ChipRecord
from schemas.sheet import Space
from tests.journey.cli import wellread
from tests.kit.images import put, random_image
from tests.kit.invented_programs import program
from tests.kit.project import Chip, Reader, plain, project


def two_chips(family: str = "z80", base: int = 0) -> list[ProgramChip]:
    image = program(family, 4096, base=base)
    return [
        ProgramChip("K1", image[:2048].copy(), 8, (family,), base, "sheet"),
        ProgramChip("K2", image[2048:].copy(), 8, (family,), base + 2048, "sheet"),
    ]


def test_calls_across_chips_are_told_on_both_sides() -> None:
    found = program_maps(two_chips())
    out = [one for one in found["K1"]["calls_out"] if one.get("chip") == "K2" and one["kind"] == "call"]
    assert out
    routines = {one["at"]: one for one in found["K2"]["routines"]}
    for one in out:
        callers = routines[one["to"]]["callers"]
        assert {"chip": "K1", "at": one["at"]} in callers or routines[one["to"]]["called"] > len(callers)
    assert found["K1"]["entries"] == [0]
    assert (found["K2"]["address"], found["K2"]["address_by"]) == (0x800, "sheet")


def test_what_no_call_leads_to_is_unreached() -> None:
    """A routine that is called, one that is not, and a table of text."""
    code = bytearray(256)
    code[0:4] = b"\xcd\x10\x00\xc9"
    code[0x10:0x14] = b"\x3e\x01\x47\xc9"
    code[0x20:0x26] = b"\x3e\x02\x47\x3e\x03\xc9"
    one = laid(np.frombuffer(bytes(code), dtype=np.uint8), "z80", 0)._replace(stretches=((0, 0x26),))
    walked = walk([one])
    assert walked.entries == [[0]]
    assert np.flatnonzero(walked.reached[0]).tolist() == [0, 1, 2, 3, 0x10, 0x11, 0x12, 0x13]
    assert walked.unreached == [[(4, 0x10), (0x14, 0x26)]]


def test_what_is_called_is_reached_though_its_caller_is_come_to_by_a_jump_through_a_register() -> None:
    """The entry leads on where no walk can follow; the routine behind calls another."""
    code = bytearray(64)
    code[0:4] = b"\x21\x10\x00\xe9"
    code[0x10:0x14] = b"\xcd\x20\x00\xc9"
    code[0x20:0x24] = b"\x3e\x02\x47\xc9"
    one = laid(np.frombuffer(bytes(code), dtype=np.uint8), "z80", 0)
    begins = np.isin(np.arange(64), [0, 3, 0x10, 0x13, 0x20, 0x22, 0x23])
    walked = walk([one._replace(code=begins, stretches=((0, 4), (0x10, 0x14), (0x20, 0x24)))])
    assert walked.entries == [[0]]
    assert np.flatnonzero(walked.reached[0]).tolist() == [0, 1, 2, 3, 0x20, 0x21, 0x22, 0x23]
    assert walked.unreached == [[(0x10, 0x14)]]


@pytest.mark.parametrize(
    ("family", "vector"),
    [("6502", b"\x00\xf9\x00\xf8\x00\xfa"), ("6800", b"\xf9\x00\xfa\x00\xfb\x00\xf8\x00")],
)
def test_vectors_at_the_top_are_entries(family: str, vector: bytes) -> None:
    image = put(program(family, 2048, base=0xF800), 2048 - len(vector), vector)
    found = program_maps([ProgramChip("U1", image, 8, (family,), 0xF800, "sheet")])["U1"]
    assert 0 in found["entries"]
    assert set(found["entries"]) <= {0, 0x100, 0x200, 0x300}


def test_without_a_known_address_no_entry_is_made_up() -> None:
    image = program("z80", 2048, base=0x4000)
    found = program_maps([ProgramChip("U1", image, 8, ("z80",))])["U1"]
    assert found["address"] in {None, 0x4000}
    assert found["entries"] == []


def test_two_banks_at_one_address_are_linked_by_no_third_chip() -> None:
    first, second = two_chips()
    again = ProgramChip("K3", second.words.copy(), 8, second.families, second.base, "sheet")
    found = program_maps([first, second, again])
    assert not [one for one in found["K1"]["calls_out"] if "chip" in one]
    assert all("address" in one for one in found["K1"]["calls_out"])


def test_only_a_chip_that_makes_up_the_whole_word_has_an_address() -> None:
    one = Space.model_validate(
        {
            "name": "s",
            "width": 16,
            "placements": [{"at": 0, "lanes": ["E", "O"]}, {"at": 0x800, "lanes": ["W"]}],
        }
    )
    assert sheet_bases([one]) == {"W": 0x800}
    halves = {"name": "b", "width": 16, "unit": "byte", "placements": [{"at": 0x1000, "lanes": ["W"]}]}
    assert sheet_bases([Space.model_validate(halves)]) == {"W": 0x800}
    assert (
        sheet_bases([one, Space.model_validate(halves | {"placements": [{"at": 0, "lanes": ["W"]}]})]) == {}
    )


@given(st.binary(min_size=256, max_size=600), st.sampled_from(READ_AS), st.none() | st.integers(0, 0xFF00))
def test_any_bytes_are_mapped_without_an_error(content: bytes, family: str, base: int | None) -> None:
    words = np.frombuffer(content, dtype=np.uint8)
    found = program_maps([ProgramChip("U1", words, 8, (family,), base)])["U1"]
    for start, end in found["unreached"]:
        assert 0 <= start < end <= len(words)
    assert all(0 <= at < len(words) for at in found["entries"])
    assert all(0 <= one["at"] < len(words) for one in found["routines"])


def test_the_page_says_where_the_processor_is_not_known() -> None:
    chip = cast(
        "ChipRecord",
        {"chip": "U1", "organisation": "256x8", "regions": [{"kind": "dense", "start": 0, "end": 256}]},
    )
    view = program_view(chip, one_page=True)
    assert view is not None
    assert view["shares"] == "256 words of no known kind"
    assert str(view["unknown"]).startswith("No processor that Wellread knows")
    assert program_view(cast("ChipRecord", {"chip": "U1", "regions": []}), one_page=True) is None


def banks(tmp_path: Path, *more: Chip) -> Path:
    image = program("z80", 8192, base=0)
    home = Reader("hb")
    chips = [
        Chip(f"K{number}", words, 8, (plain(words, 8, home, 2),), says={"board": "main"})
        for number in range(4)
        for words in [image[number * 2048 : (number + 1) * 2048]]
    ]
    folder = project(tmp_path / "banks", [*chips, *more])
    done = wellread("package", folder, "--into", tmp_path, "--json")
    assert done.code == 0, done.err
    return Path(done.document["bag"])


def noise() -> Chip:
    words: Words = random_image(3)[:1024].astype(np.uint8)
    return Chip("N1", words, 8, (plain(words, 8, Reader("hb"), 2),), says={"board": "main"})


def test_every_call_of_the_report_leads_to_a_place_that_is_there(tmp_path: Path) -> None:
    page = (banks(tmp_path, noise()) / "data/report/index.html").read_text(encoding="utf-8")
    assert "Program map" in page
    assert "Calls and jumps out of this chip" in page
    there = set(re.findall(r'id="([^"]+)"', page))
    ways = re.findall(r'href="#((?:at|chip)-[^"]+)"', page)
    assert sum(way.startswith("at-") for way in ways) > 20
    assert {way for way in ways if way not in there} == set()
    assert len(there) == len(re.findall(r'id="([^"]+)"', page))

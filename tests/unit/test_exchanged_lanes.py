"""Even and odd chips exchanged: told at the space and at both chips, silent on sound ones, none held back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content.among_chips import exchanged_lanes
from tests.journey.cli import wellread
from tests.kit.firmware import installed
from tests.kit.images import silent_code
from tests.kit.project import Chip, Reader, plain, project

TEXT = (
    b"THE LEVEL OF THE WATER IN THE BOILER IS TOO LOW. SHUT THE MAIN VALVE AND CALL THE ENGINEER. "
    b"DO NOT OPEN THE DOOR WHILE THE DRUM TURNS. THE NUMBER OF THE CARD IS NOT KNOWN HERE. "
)
PROG = Reader("prog", "device-programmer")


def program(size: int = 4096, seed: int = 1) -> Any:
    """Bytes of no known family, without text."""
    return silent_code(np.random.default_rng(seed), size)[0]


def with_header(size: int = 4096) -> Any:
    """A whole expansion ROM: signature, length, and a sum that comes to nothing."""
    data = program(size).copy()
    data[:3] = [0x55, 0xAA, size // 512]
    data[-1] = (int(data[-1]) - int(data.sum(dtype=np.uint64))) & 0xFF
    return data


def with_words(size: int = 4096) -> Any:
    data = program(size).copy()
    data[1000 : 1000 + len(TEXT)] = np.frombuffer(TEXT, np.uint8)
    return data


CONTENT = {"header": with_header, "text": with_words}


@pytest.mark.parametrize(("by", "lanes"), [("header", 2), ("text", 2), ("header", 4)])
def test_two_lanes_exchanged_are_named_by_what_the_content_says(by: str, lanes: int) -> None:
    data = CONTENT[by]()
    own = [data[k::lanes].copy() for k in range(lanes)]
    assert exchanged_lanes(own) is None
    found = exchanged_lanes([own[1], own[0], *own[2:]])
    assert found is not None
    assert (found.first, found.second) == (0, 1)
    assert found.by == by


def test_code_without_header_text_or_known_branches_says_nothing() -> None:
    data = program()
    assert exchanged_lanes([data[1::2], data[::2]]) is None


def test_equal_chips_and_fills_say_nothing() -> None:
    assert exchanged_lanes([program(), program()]) is None
    assert exchanged_lanes([np.zeros(512, np.uint8), np.full(512, 255, np.uint8)]) is None
    assert exchanged_lanes([]) is None
    assert exchanged_lanes([program()]) is None


@given(st.binary(min_size=64, max_size=1024), st.integers(2, 4))
def test_any_bytes_are_read_without_a_word_of_exchange(content: bytes, lanes: int) -> None:
    data = np.frombuffer(content[: len(content) // lanes * lanes], np.uint8)
    assert exchanged_lanes([data[k::lanes] for k in range(lanes)]) is None


def test_real_code_laid_in_its_own_order_says_nothing() -> None:
    """The first 8 K of every image installed here, in pairs; of 1,163 pairs tried once none was told."""
    images, _ = installed("open")
    assert images
    told = []
    for one in images:
        data = one.words[: min(8192, len(one.words) & ~1)]
        if exchanged_lanes([data[::2].copy(), data[1::2].copy()]) is not None:
            told.append(one.name)
    assert told == []


def made(folder: Path, data: Any, order: str | None, *, exchange: bool) -> Path:
    """A project of an even and an odd chip in one space of 16 bits."""
    even, odd = data[::2].copy(), data[1::2].copy()
    first, second = (odd, even) if exchange else (even, odd)
    chips = [
        Chip("E1", first, 8, (plain(first, 8, PROG, 2),)),
        Chip("O1", second, 8, (plain(second, 8, PROG, 2),)),
    ]
    root = project(folder, chips)
    sheet = json.loads((root / "sheet.yaml").read_text())
    lanes = ["O1", "E1"] if order == "little" else ["E1", "O1"]
    space = {"name": "rom", "width": 16, "placements": [{"at": 0, "lanes": lanes}]}
    sheet["spaces"] = [space | ({"byte_order": order} if order else {})]
    (root / "sheet.yaml").write_text(json.dumps(sheet))
    return root


@pytest.mark.parametrize("order", ["little", "big", None])
@pytest.mark.parametrize("by", CONTENT)
def test_a_space_of_exchanged_chips_is_told_at_the_space_and_at_both(
    tmp_path: Path, by: str, order: str | None
) -> None:
    folder = made(tmp_path / "p", CONTENT[by](), order, exchange=True)
    done = wellread("package", folder, "--into", tmp_path / "b")
    assert done.code == 0
    assert "  E1  repeatable" in done.out
    assert done.out.count("caution lanes-exchanged") == 4  # the table, and what is to be done
    (bag,) = (tmp_path / "b").iterdir()
    record = json.loads((bag / "metadata/record.json").read_bytes())
    (space,) = record["spaces"]
    (caution,) = space["cautions"]
    assert "E1" in caution
    assert "O1" in caution
    assert caution in done.out
    assert caution in wellread("check", folder).out
    for name in ("metadata/provenance.txt", "metadata/premis.xml", "data/report/index.html"):
        assert caution in (bag / name).read_text(encoding="utf-8"), name
    assert [one["chip"] for one in space["to_do"]] == ["E1", "O1"]
    for chip in record["chips"]:
        (finding,) = [one for one in chip["findings"] if one["code"] == "lanes-exchanged"]
        assert finding["severity"] == "caution"
        assert finding["evidence"]["by"] == by
        assert not chip.get("held_back")
        assert chip["image"]["settled"]
    assert wellread("package", folder, "--into", tmp_path / "b", "--strict").code == 0


@pytest.mark.parametrize("order", ["little", "big", None])
@pytest.mark.parametrize("by", CONTENT)
def test_a_space_of_chips_in_their_places_is_told_nothing(tmp_path: Path, by: str, order: str | None) -> None:
    folder = made(tmp_path / "p", CONTENT[by](), order, exchange=False)
    done = wellread("check", folder, "--json").document
    assert done["to_do"] == []
    assert done["spaces"] == []

"""`wellread listing`: instructions, strings, tables, empty stretches and unreached code told apart."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import mnemonics
from pipeline.stages.content.flow_of_control import READ_AS
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.listing import listing
from pipeline.stages.content.mnemonics import OWN, covered, speaker
from schemas.record import ProgramRecord, RegionRecord
from tests.journey.cli import wellread
from tests.kit.images import put, random_image
from tests.kit.invented_programs import program
from tests.kit.project import Chip, Reader, plain, project

EXAMPLE = Path(__file__).parents[2] / "example_project"
CODE = b"\xcd\x10\x00\x76\xc9" + bytes(11) + b"\x21\x34\x12\x18\xfd"
"""call 0010, halt, return; at 10: load HL with 1234, jump to itself."""


def mapped(family: str, *, address: int | None = 0) -> ProgramRecord:
    return {
        "family": family,
        "address": address,
        "address_by": None,
        "entries": [],
        "routines": [{"at": 0x10, "callers": [{"chip": "U1", "at": 0}], "called": 1}],
        "routines_found": 1,
        "calls_out": [],
        "calls_out_found": 0,
        "reached": 0,
        "unreached": [[3, 5]],
    }


def regions(*cut: tuple[str, int, int]) -> list[RegionRecord]:
    return [{"kind": kind, "start": start, "end": end} for kind, start, end in cut]


def test_each_stretch_is_told_for_what_it_is() -> None:
    data = np.zeros(128, dtype=np.uint8)
    data = put(put(data, 0, CODE), 64, b"HELLO\x8d")
    cut = regions(
        ("code", 0, 21), ("fill", 21, 64), ("text", 64, 70), ("table", 70, 100), ("dense", 100, 128)
    )
    _, lines = listing(data, 8, "z80", cut, mapped("z80"))
    kinds = [one["kind"] for one in lines]
    assert list(dict.fromkeys(kinds)) == ["code", "unreached", "fill", "text", "table", "unknown"]
    assert [(one["at"], one["label"], one["note"]) for one in lines if one["label"]] == [
        (0x10, "L_0010", "called from U1 0x000")
    ]
    assert [one["text"] for one in lines if one["kind"] == "text"] == ['"HELLO."']
    assert sum(one["length"] for one in lines) == 128


@pytest.mark.parametrize(
    ("code", "content"),
    [
        ("7-bit", b"READY FOR INPUT"),
        ("last letter marked", b"READY FOR INPU\xd4"),
        ("EBCDIC", "READY FOR INPUT".encode("cp037")),
        ("six-bit, blank 00", bytes(ord(one) - 0x20 for one in "READY FOR INPUT")),
        ("six-bit, blank 20", bytes(ord(one) & 0x3F for one in "READY FOR INPUT")),
    ],
)
def test_a_text_can_be_read_whatever_its_code(code: str, content: bytes) -> None:
    data = put(np.zeros(64, dtype=np.uint8), 16, content)
    cut: list[RegionRecord] = [
        *regions(("fill", 0, 16)),
        {"kind": "text", "start": 16, "end": 31, "text": code},
        *regions(("fill", 31, 64)),
    ]
    _, lines = listing(data, 8, "z80", cut, None)
    assert [one["text"] for one in lines if one["kind"] == "text"] == ['"READY FOR INPUT"']


def test_instructions_are_put_into_words_by_a_library_where_one_has_the_family() -> None:
    pytest.importorskip("pypcode")
    data = put(np.zeros(64, dtype=np.uint8), 0, CODE)
    library, lines = listing(data, 8, "z80", regions(("code", 0, 21)), mapped("z80"))
    assert library.startswith("pypcode ")
    assert [lines[0]["text"], lines[-2]["text"], lines[-1]["text"]] == [
        "call 0x10",
        "ld hl,0x1234",
        "jr 0x12",
    ]


@pytest.mark.parametrize(
    ("family", "content", "said"),
    [
        ("65c02", b"\x20\x34\x12", "jsr 0x1234"),
        ("6800", b"\xbd\x12\x34", "jsr $1234"),
        ("6809", b"\x17\x00\x10", "lbsr $0013"),
        ("8086", b"\xe8\x10\x00", "call 0x13"),
        ("68000", b"\x4e\xb9\x00\x00\x12\x34", "jsr $1234.l"),
    ],
)
def test_capstone_speaks_for_its_families(family: str, content: bytes, said: str) -> None:
    pytest.importorskip("capstone")
    speak = speaker(family).speak
    assert speak is not None
    assert speak(content.ljust(16, b"\0"), 0) == (len(content), said)


@pytest.mark.parametrize("family", READ_AS)
def test_without_a_library_our_own_tables_say_how_long_and_where_to(
    family: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "capstone", None)
    monkeypatch.setattr(mnemonics, "find_spec", lambda _name: None)
    assert speaker(family) == (OWN, None)
    data = random_image(5)[:512].astype(np.uint8)
    library, lines = listing(data, 8, family, regions(("code", 0, 512)), None)
    assert library == OWN
    assert {one["text"].split(" ")[0].rstrip(",") for one in lines} <= {
        "",
        "branch",
        "call",
        "jump",
        "return",
    }


def test_families_that_no_library_has_are_known_to_have_none() -> None:
    assert [family for family in READ_AS if not covered(family)] == ["1802", "pdp11", "9900"]


@given(
    st.binary(min_size=64, max_size=400),
    st.sampled_from(READ_AS),
    st.lists(st.integers(0, 64), min_size=1, max_size=4, unique=True),
)
def test_every_byte_of_any_image_stands_in_exactly_one_line(
    content: bytes, family: str, edges: Sequence[int]
) -> None:
    data = np.frombuffer(content, dtype=np.uint8)
    cuts = [0, *sorted(edge for edge in edges if 0 < edge < len(data)), len(data)]
    kinds = ["code", "text", "dense", "fill", "table"]
    cut = regions(*((kinds[n % 5], low, high) for n, (low, high) in enumerate(pairwise(cuts))))
    _, lines = listing(data, 8, family, cut, mapped(family) if len(content) % 2 else None)
    at = 0
    for one in lines:
        assert one["at"] == at
        assert bytes.fromhex(one["bytes"]) == content[at : at + len(one["bytes"]) // 2]
        at += one["length"]
    assert at == len(data)


def test_lines_of_code_are_the_instructions_of_our_tables() -> None:
    data = program("z80", 1024)
    _, lines = listing(data, 8, "z80", regions(("code", 0, 1024)), None)
    one = decode("z80", data)
    lines = [line for line in lines if line["kind"] == "code"]
    assert len(lines) > 300
    assert all(line["length"] in {1, int(one.length[line["at"]])} for line in lines)
    assert sum(line["length"] == int(one.length[line["at"]]) for line in lines) > 0.95 * len(lines)


def bag(tmp_path: Path, **board: str) -> Path:
    image = program("z80", 2048, base=0)
    home = Reader("hb")
    chips = [Chip("U1", image, 8, (plain(image, 8, home, 2),), says={"board": "main"})]
    wide = random_image(9)[:512].astype(np.uint8) & np.uint8(15)
    chips += [Chip("U2", wide, 4, (plain(wide, 4, home, 2),), says={"board": "main"})]
    folder = project(tmp_path / "listed", chips)
    sheet = folder / "sheet.yaml"
    if board:
        text = sheet.read_text(encoding="utf-8")
        sheet.write_text(
            text.replace('"main": {}', f'"main": {{"processor": "{board["processor"]}"}}'), "utf-8"
        )
    done = wellread("package", folder, "--into", tmp_path, "--json")
    assert done.code == 0, done.err
    return Path(done.document["bag"])


def test_a_chips_program_is_listed_from_its_bag(tmp_path: Path) -> None:
    made = bag(tmp_path)
    told = wellread("listing", made, "--chip", "U1")
    assert told.code == 0
    assert told.out.startswith("; U1, 2048x8: read as a program for Z80, as its content reads\n")
    assert "; -- code" in told.out
    # No line is laid into the terminal's width: what follows a comment's first line would be no comment.
    begun = re.compile(r"; |[0-9A-F]{4}  |L_[0-9A-F]{4}:|ENTRY_[0-9A-F]{4}:")
    assert [line for line in told.out.splitlines() if line and not begun.match(line)] == []
    answer: dict[str, Any] = wellread("listing", made, "--chip", "U1", "--json").document
    assert sum(line["length"] for line in answer["lines"]) == 2048
    assert (answer["family"], answer["family_by"]) == ("z80", "content")


def test_the_sheets_processor_stands_above_the_content_and_the_options_above_both(tmp_path: Path) -> None:
    made = bag(tmp_path, processor="6800")
    assert wellread("listing", made, "--chip", "U1", "--json").document["family_by"] == "sheet"
    asked = wellread("listing", made, "--chip", "U1", "--processor", "8051", "--json").document
    assert (asked["family"], asked["family_by"]) == ("8051", "option")


@pytest.mark.parametrize(
    ("line", "code", "said"),
    [
        ("--chip U1 --processor quern", 24, "'quern' are not known here"),
        ("--chip U2 --processor z80", 24, "words of 4 bits"),
        ("--chip U2", 24, "a program for no processor that is known here"),
        ("--chip U9", 14, "has no such chip"),
    ],
)
def test_what_cannot_be_listed_is_said_with_what_to_do(
    tmp_path: Path, line: str, code: int, said: str
) -> None:
    done = wellread("listing", bag(tmp_path), *line.split())
    assert done.code == code
    assert said in done.err

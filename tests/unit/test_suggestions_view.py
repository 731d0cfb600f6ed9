"""What the content suggests, on the terminal: spaces with their reason, and chips that are kin."""

from __future__ import annotations

import html
import json
from pathlib import Path
from typing import Any

import yaml

from pipeline.views.suggestions import MOST_KIN, MOST_LANES, MOST_SPACES, kin_of, row, suggested
from schemas.finding import Code, Severity
from schemas.record import SuggestedSpace
from schemas.recorded_finding import FindingRecord
from tests.journey.cli import wellread
from tests.kit.invented_programs import program
from tests.kit.project import Chip, Reader, plain, project


def space(name: str, *placements: tuple[int, list[str]]) -> SuggestedSpace:
    return {
        "name": name,
        "width": 8,
        "byte_order": None,
        "unit": "word",
        "placements": [{"at": at, "lanes": lanes} for at, lanes in placements],
        "description": "suggested by content",
    }


def finding(code: Code, *others: str) -> FindingRecord:
    return {
        "code": code,
        "severity": Severity.NOTE,
        "chip": "A",
        "where": {"with": list(others)},
        "means": "",
        "also": "",
        "next": "",
    }


def test_a_suggested_space_is_told_with_its_addresses_and_why() -> None:
    lines = suggested([space("s", (0xE000, ["K1"]), (0xE800, ["K2"]))], ())
    assert lines == ["suggested space s: K1 at 0xE000, K2 at 0xE800", "  suggested by content"]


def test_the_lanes_of_one_word_are_told_side_by_side() -> None:
    assert suggested([space("s", (0, ["E", "O"]))], ())[0] == "suggested space s: E | O"


def test_chips_that_are_kin_are_told_once_however_many_say_so() -> None:
    kin = [*kin_of("A", [finding(Code.SAME_CONTENT, "B")]), *kin_of("B", [finding(Code.SAME_CONTENT, "A")])]
    assert suggested((), kin) == ["the same content: A, B"]
    assert kin_of("A", [finding(Code.TEXT)]) == ()


def test_kin_that_differ_in_some_words_are_not_told_as_the_same() -> None:
    nearly: FindingRecord = {**finding(Code.SAME_CONTENT, "B"), "evidence": {"exact": False}}
    assert suggested((), kin_of("A", [nearly])) == ["the same content but for some words: A, B"]


def test_many_suggestions_are_cut_and_the_rest_is_counted() -> None:
    many = [space(f"s{number}", (0, [f"U{lane}" for lane in range(20)])) for number in range(30)]
    kin = [("part-of", f"A{number}", (f"B{number}",)) for number in range(40)]
    lines = suggested(many, kin)
    assert len(lines) == 2 * MOST_SPACES + 1 + MOST_KIN + 1
    assert lines[0].endswith(f" … and {20 - MOST_LANES} more")
    assert f"… and {30 - MOST_SPACES} more suggested spaces; the record has them all" in lines
    assert lines[-1] == f"… and {40 - MOST_KIN} more groups of kin; the record has them all"


def test_a_name_keeps_to_its_line() -> None:
    """What acts on a terminal is made inert where it is written; a name may only not end the line."""
    assert [len(line.splitlines()) for line in suggested([space("s", (0, ["U1\nbag: valid"]))], ())] == [1, 1]


def test_unplaced_banks_are_told_and_their_row_pasted_into_the_sheet_puts_them_together(
    tmp_path: Path,
) -> None:
    image = program("z80", 8192, base=0xC000)
    home = Reader("hb")
    chips = [
        Chip(f"K{number}", words, 8, (plain(words, 8, home, 2),), says={"board": "main"})
        for number in range(4)
        for words in [image[number * 2048 : (number + 1) * 2048]]
    ]
    folder = project(tmp_path / "banks", chips)
    told = wellread("check", folder)
    placed = ", ".join(f"K{number} at 0x{0xC000 + number * 2048:X}" for number in range(4))
    assert f"suggested space program-z80-K0: {placed}" in told.out
    done = wellread("package", folder, "--into", tmp_path)
    assert f"suggested space program-z80-K0: {placed}" in done.out
    assert "program for Z80 (odds at least 99 in 100): K0, K1, K2, K3" in done.out
    answer: dict[str, Any] = wellread("package", folder, "--into", tmp_path, "--json").document
    (suggestion,) = answer["suggestions"]
    page = (tmp_path / "kit-v1/data/report/index.html").read_text(encoding="utf-8")
    assert f">{row(suggestion)}<" in html.unescape(page)
    sheet = json.loads((folder / "sheet.yaml").read_text(encoding="utf-8"))
    sheet["spaces"] = yaml.safe_load(row(suggestion))
    (folder / "sheet.yaml").write_text(json.dumps(sheet), encoding="utf-8")
    wellread("package", folder, "--into", tmp_path)
    space = (tmp_path / "kit-v2/data/spaces/program-z80-K0.bin").read_bytes()
    assert space == b"\xff" * 0xC000 + image.tobytes()
    assert [one["lanes"] for one in suggestion["placements"]] == [["K0"], ["K1"], ["K2"], ["K3"]]

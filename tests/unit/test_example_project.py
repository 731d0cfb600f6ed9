"""The invented machine is what it says it is.

Made again byte for byte, faulty where its truth says, and well told.
"""

from __future__ import annotations

import ast
import json
import re
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest
import yaml

from example_project import make_dumps
from example_project.making import microcode, pictures, program, weaves
from example_project.making.wires import Chip, Wires, intel_hex, lose, s_record, serial_log
from schemas.finding import Code
from schemas.names import Organisation
from schemas.sheet import ReadingRow, Sheet
from schemas.vocabulary import Grade

PROJECT = Path(__file__).resolve().parents[2] / "example_project"
MADE = ("dumps", "photos")


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    chips: dict[str, Any] = json.loads((PROJECT / "truth.json").read_text("utf-8"))["chips"]
    return chips


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    text = (PROJECT / "sheet.yaml").read_text("utf-8")
    return Sheet.model_validate(yaml.load(text, Loader=yaml.BaseLoader))


def _words(chip: dict[str, Any]) -> list[int]:
    digits = (Organisation.parse(chip["organisation"]).bits + 3) // 4
    text = "".join(chip["words"])
    return [int(text[n : n + digits], 16) for n in range(0, len(text), digits)]


def _content(folder: Path) -> dict[str, bytes]:
    names = [folder / "truth.json", *(path for name in MADE for path in (folder / name).iterdir())]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in names}


def test_making_it_again_gives_what_is_committed_byte_for_byte(tmp_path: Path) -> None:
    make_dumps.make(tmp_path)
    made, kept = _content(tmp_path), _content(PROJECT)
    assert len(kept) > 30
    assert sorted(made) == sorted(kept)
    assert [name for name in kept if made[name] != kept[name]] == []


def test_making_it_again_removes_what_an_earlier_run_left(tmp_path: Path) -> None:
    (tmp_path / "dumps").mkdir()
    (tmp_path / "dumps" / "old.bin").write_bytes(b"old")
    make_dumps.make(tmp_path)
    assert not (tmp_path / "dumps" / "old.bin").exists()


def test_the_makers_import_nothing_of_the_program_that_they_test() -> None:
    scripts = [PROJECT / "make_dumps.py", *(PROJECT / "making").glob("*.py")]
    assert len(scripts) > 5
    allowed = sys.stdlib_module_names | {"example_project"}
    for script in scripts:
        for node in ast.walk(ast.parse(script.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert {name.split(".")[0] for name in names} <= allowed, script


def test_every_word_of_the_truth_fits_its_chip(truth: dict[str, Any]) -> None:
    assert len(truth) == 26
    for name, chip in truth.items():
        organisation = Organisation.parse(chip["organisation"])
        words = _words(chip)
        assert len(words) == organisation.words, name
        assert max(words) < 1 << organisation.bits, name


def test_every_fault_changed_something_and_nothing_else_did(truth: dict[str, Any]) -> None:
    readings = [reading for chip in truth.values() for reading in chip["readings"]]
    assert sum(bool(reading["fault"]) for reading in readings) == 9
    for reading in readings:
        assert bool(reading["fault"]) == any(reading["differing_words"]), reading["file"]
        assert bool(reading["fault"]) == bool(reading["wires"]), reading["file"]
        assert len(reading["differing_words"]) == reading["passes"]


def test_the_truth_names_only_grades_and_codes_that_exist_and_says_why(truth: dict[str, Any]) -> None:
    for chip in truth.values():
        Grade(chip["grade"])
        for code in (*chip["codes"]["must"], *chip["codes"]["may"]):
            Code(code)
        assert chip["why"].endswith(".")
    assert {chip["grade"] for chip in truth.values()} == set(Grade)


def test_the_sheet_validates_and_knows_exactly_the_chips_of_the_truth(
    sheet: Sheet, truth: dict[str, Any]
) -> None:
    assert [chip.chip for chip in sheet.chips] == list(truth)
    assert len(sheet.boards) == 5
    sockets = [(chip.board, chip.socket) for chip in sheet.chips]
    assert len(set(sockets)) == len(sockets)
    assert len({socket for _, socket in sockets}) < len(sockets)
    for chip in sheet.chips:
        assert chip.socket in sheet.boards[chip.board or ""].sockets


def test_the_sheet_starts_with_the_hint_that_editors_use() -> None:
    first = (PROJECT / "sheet.yaml").read_text("utf-8").splitlines()[0]
    assert first == "# yaml-language-server: $schema=../schemas/json/sheet.schema.json"


def _by_name(file: str, sheet: Sheet) -> tuple[str, str] | None:
    found = re.fullmatch(r"(.+)\.(\w+)\.(\d+)\.\w+", file)
    chips = {chip.chip for chip in sheet.chips}
    return (found[1], found[2]) if found and found[1] in chips and found[2] in sheet.readers else None


def test_every_dump_belongs_to_the_chip_and_reader_that_the_truth_says(
    sheet: Sheet, truth: dict[str, Any]
) -> None:
    told = {(file, row.chip, row.reader) for row in sheet.readings for file in (row.file, *row.files) if file}
    for name, chip in truth.items():
        for reading in chip["readings"]:
            file, reader = reading["file"], reading["reader"]
            assert _by_name(file, sheet) == (name, reader) or (file, name, reader) in told, file
    files = {path.name for path in (PROJECT / "dumps").iterdir()}
    assert files == {reading["file"] for chip in truth.values() for reading in chip["readings"]}
    assert {file for file, _, _ in told} <= files


def test_the_rows_show_what_a_sheet_can_say(sheet: Sheet) -> None:
    for name in "take packed read_as set_aside sitting date supply_v selects device_setting".split():  # noqa: SIM905 - words of a sentence
        assert any(getattr(row, name) for row in sheet.readings), name
    assert any(row.public for row in sheet.readings)
    assert any(row.private for row in sheet.readings)
    assert any(chip.private for chip in sheet.chips)
    assert any(chip.state and chip.attempts for chip in sheet.chips)
    assert sheet.parts
    assert sheet.rights
    assert sheet.release


def test_no_reading_is_said_to_be_public_that_carries_a_persons_name(sheet: Sheet) -> None:
    public = [row for row in sheet.readings if row.public]
    assert public
    for row in public:
        assert make_dumps.OPERATOR.encode() not in (PROJECT / "dumps" / str(row.file)).read_bytes()


def test_private_facts_are_there_to_be_withheld(sheet: Sheet) -> None:
    assert sheet.custodian
    assert all((sheet.custodian.contact, sheet.custodian.place, sheet.machine.serial))
    assert any(reader.serial for reader in sheet.readers.values())
    assert any(reader.operator for reader in sheet.readers.values())
    assert any(chip.notes for chip in sheet.chips)
    assert ReadingRow.model_fields["operator"].json_schema_extra == {"private": True}


def test_the_photographs_say_where_and_by_whom_they_were_taken() -> None:
    photos = list((PROJECT / "photos").iterdir())
    assert {path.suffix for path in photos} == {".jpg", ".png"}
    north = b"".join(part.to_bytes(4, "big") for pair in pictures.GPS_NORTH for part in pair)
    for path in photos:
        content = path.read_bytes()
        assert north in content
        assert make_dumps.OPERATOR.encode() in content


def test_the_sums_of_the_monitor_hold() -> None:
    pair = program.pair_a()
    assert sum(word >> 8 for word in pair) % 256 == 0
    assert sum(word & 0xFF for word in pair) % 256 == 0
    assert sum(pair[:-1]) % 65536 == pair[-1]


def test_the_crc_of_either_eprom_of_the_weaving_program_holds() -> None:
    # Catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC: check CBF43926, residue DEBB20E3.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    pair = program.pair_b()
    for chip in (bytes(word >> 8 for word in pair), bytes(word & 0xFF for word in pair)):
        assert zlib.crc32(chip[:-4] + chip[:-5:-1]) ^ 0xFFFFFFFF == 0xDEBB20E3


def test_the_vectors_of_the_program_point_into_it() -> None:
    words = program.pair_a()
    assert all(0x10 <= vector < 0x1000 and vector % 2 == 0 for vector in words[1:8])
    text = b"".join(word.to_bytes(2, "big") for word in words)
    assert b"CORVENDAHL" in text
    assert b"WEFT BREAK" in text


def test_every_next_address_of_the_microcode_leads_to_a_word_that_is_there() -> None:
    words, table = microcode.build()
    used = {address for address, word in enumerate(words) if word != 0xFFFFFFFFFFFF}
    assert len(used) > 350
    assert {words[address] >> 39 for address in used} <= used
    assert {entry << 1 for entry in table} <= used


def test_no_line_of_any_healthy_chip_is_idle(truth: dict[str, Any]) -> None:
    for name, chip in truth.items():
        words, bits = _words(chip), Organisation.parse(chip["organisation"]).bits
        for bit in range(bits):
            assert len({word >> bit & 1 for word in words}) == 2, (name, bit)
        for line in range((len(words) - 1).bit_length()):
            assert any(word != words[address ^ 1 << line] for address, word in enumerate(words)), (name, line)


def test_the_decoder_selects_exactly_one_output_at_a_time() -> None:
    assert all((~word & 0xFF).bit_count() == 1 for word in microcode.decoder())


def test_all_weaves_differ() -> None:
    rom = weaves.standard_weaves()
    tiles = {tuple(rom[n : n + 8]) for n in range(0, 1024, 8)}
    assert len(tiles) == 128
    assert (0xAA, 0x55) * 4 in tiles or (0x55, 0xAA) * 4 in tiles  # plain weave


def test_a_stuck_address_pin_reads_every_cell_with_that_level() -> None:
    chip = Chip(range(16), 4)
    assert Wires(address_stuck={1: 1}).read(chip) == [address | 2 for address in range(16)]


def test_a_counter_line_without_a_pin_reads_the_chip_again() -> None:
    chip = Chip([3, 1, 4, 1], 4)
    assert Wires(counter_bits=3).read(chip) == [3, 1, 4, 1, 3, 1, 4, 1]


def test_crossed_wires_move_cells_and_bits() -> None:
    chip = Chip([1, 2, 4, 8], 4)
    assert Wires(address_from=(1, 0)).read(chip) == [1, 4, 2, 8]
    assert Wires(data_to=(1, 0, 2, 3)).read(chip) == [2, 1, 4, 8]


def test_a_weak_cell_reads_as_its_pass_says() -> None:
    wires = Wires(weak_cells={(1, 0): (0, 1)})
    assert [wires.read(Chip([0, 0], 1), number) for number in (0, 1)] == [[0, 0], [0, 1]]


def test_a_lost_value_shortens_the_pass() -> None:
    assert lose([1, 2, 3], 1) == [1, 3]


def test_the_log_has_a_banner_unpadded_digits_and_crlf() -> None:
    text = serial_log([[0, 10, 255]], "A Person")
    assert text.count(b"\n") == text.count(b"\r\n")
    assert b"PASS 1 OF 1\r\n0\r\nA\r\nFF\r\n" in text


def test_the_intel_hex_adds_up_record_by_record() -> None:
    # Intel, Hexadecimal Object File Format Specification, rev. A, 1988: the sum of all bytes of a record is
    # 0.
    lines = intel_hex(bytes(range(40))).split()
    assert len(lines) == 4
    assert {sum(bytes.fromhex(line[1:].decode())) % 256 for line in lines} == {0}
    assert lines[-1] == b":00000001FF"


def test_the_s_records_are_the_published_ones() -> None:
    # Motorola, M68000 Family Programmer's Reference Manual, appendix C: the sum of all bytes of a record is
    # FF.
    lines = s_record(bytes(range(40)), "U12").split()
    assert lines[0] == b"S006000055313241"
    assert {sum(bytes.fromhex(line[2:].decode())) % 256 for line in lines} == {255}

"""The kit itself: wires that cross and uncross, faults that change things, an oracle true to the text."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import numpy as np
import pytest

from tests.kit.faults import FAULTS
from tests.kit.files import binary, intel_hex, listing
from tests.kit.frames import FRAMES
from tests.kit.images import code, crc_ibm_3740, put_sum, silent_code, widened
from tests.kit.oracle import Voice, verdict
from tests.kit.project import Chip as KitChip
from tests.kit.project import Kind, Reader, plain, project
from tests.kit.wires import Crossing, UnchangedError

SEEDS = range(6)
APART = ("wires", "images", "firmware", "faults", "frames", "files", "project", "oracle")
"""What knows nothing of the program: an injector and a diagnosis that share code share its mistakes."""


@pytest.mark.parametrize("module", APART)
def test_what_makes_faults_images_and_truths_imports_nothing_of_the_program(module: str) -> None:
    text = (Path(__file__).parents[1] / "kit" / f"{module}.py").read_text(encoding="utf-8")
    nodes = list(ast.walk(ast.parse(text)))
    named = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    named |= {node.module or "" for node in nodes if isinstance(node, ast.ImportFrom)}
    assert named
    own = {name for name in named if name.partition(".")[0] in {"pipeline", "schemas", "tests"}}
    assert own <= {f"tests.kit.{name}" for name in APART}


def _voice(
    kind: Kind, *stands: str, own_part: bool = False, printed: bool = False, short: bool = False
) -> Voice:
    return Voice(kind, stands, tuple(not short for _ in stands), own_part, printed)


def test_a_crossing_shows_each_word_where_the_design_says() -> None:
    crossing = Crossing((1, 0, 2), (0, 2, 1), invert_address=(2,), invert_data=(0,))
    truth = np.array([0, 1, 2, 3, 4, 5, 6, 7], dtype=np.uint8)
    # Chip address 1 (A0 high) stands on the reading's A1, whose A2 is inverted: place 2 ^ 4 = 6; D1 and D2
    # change places, D0 is inverted.
    assert crossing.read(truth)[6] == truth[1] ^ 1
    assert crossing.read(truth)[4] == truth[0] ^ 1
    assert crossing.lines == {
        "address": [1, 0, 2],
        "data": [0, 2, 1],
        "invert_address": [2],
        "invert_data": [0],
    }


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", sorted(FRAMES))
def test_every_frame_changes_words_and_a_crossing_is_undone(name: str, seed: int) -> None:
    random = np.random.default_rng(seed)
    truth, bits = silent_code(random, 1024)[0], 8
    if name == "byte order":
        truth, bits = widened(truth, silent_code(random, 1024)[0]), 16
    moved = FRAMES[name](random, truth, bits)
    assert not np.array_equal(moved.stream, truth)
    assert (moved.crossing is not None) == bool(moved.lines)
    if moved.crossing is not None:
        assert np.array_equal(moved.crossing.undo(moved.stream), truth)


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_every_fault_changes_a_stream_or_says_that_it_does_not_show(name: str) -> None:
    made = 0
    for seed in range(12):
        random = np.random.default_rng(seed)
        truth = code(random, 2048)[0]
        try:
            injected = FAULTS[name](random, truth, 8)
        except UnchangedError:
            continue
        made += 1
        assert any(not np.array_equal(one, truth) for one in injected.streams)
        assert injected.sound is None or np.array_equal(injected.streams[injected.sound], truth)
    assert made


def test_a_frame_that_changes_no_word_is_refused() -> None:
    same = np.full(64, 0xFF, dtype=np.uint8)
    for name in ("two address lines crossed", "counts down", "rotated", "clock missed", "words lost, short"):
        with pytest.raises(UnchangedError):
            FRAMES[name](np.random.default_rng(1), same, 8)


def test_a_sum_over_all_words_is_blind_to_crossed_address_lines() -> None:
    random = np.random.default_rng(4)
    truth = put_sum(silent_code(random, 256)[0])
    moved = FRAMES["two address lines crossed"](random, truth, 8)
    assert int(truth.sum()) & 0xFF == int(moved.stream.sum()) & 0xFF == 0


def test_the_kits_own_crc_has_the_check_value_of_the_catalogue() -> None:
    # Source: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740, check 29B1.
    assert crc_ibm_3740(b"123456789") == 0x29B1


def test_words_are_written_in_the_byte_order_asked_for() -> None:
    words = np.array([0x1234, 0xABCD], dtype=np.uint16)
    assert binary(words, 16) == bytes.fromhex("1234ABCD")
    assert binary(words, 16, "little") == bytes.fromhex("3412CDAB")
    assert listing(bytes(range(17))).splitlines()[1] == b"0010: 10"
    # Source: Intel Hexadecimal Object File Format Specification, 1988: all bytes of a record sum to 0.
    assert all(sum(bytes.fromhex(line[1:])) & 0xFF == 0 for line in intel_hex(bytes(40)).decode().split())


# -- the oracle, sentence by sentence of the text ------------------------------------------------------------


def test_the_number_of_passes_is_no_ground() -> None:
    found = verdict([_voice("home-built", "right"), _voice("home-built", "moved", "moved", "moved")], "lines")
    assert found.kind == "contested"


def test_a_device_programmer_decides_against_one_home_built_reader_whatever_its_passes() -> None:
    voices = [_voice("home-built", "moved", "moved"), _voice("device-programmer", "right", own_part=True)]
    assert (verdict(voices, "lines").kind, verdict(voices, "lines").frame) == ("settled", "right")


def test_a_programmer_under_another_part_or_of_an_unknown_part_decides_nothing() -> None:
    voices = [_voice("home-built", "moved"), _voice("device-programmer", "right", own_part=False)]
    assert verdict(voices, "lines").kind == "contested"


def test_against_two_home_built_readers_that_agree_a_lone_programmer_decides_nothing() -> None:
    programmer = _voice("device-programmer", "right", own_part=True)
    voices = [_voice("home-built", "moved"), programmer, _voice("home-built", "moved")]
    assert verdict(voices, "lines").kind == "contested"


def test_two_readers_decide_only_while_none_speaks_for_another_frame() -> None:
    pair = [_voice("home-built", "right"), _voice("home-built", "right")]
    assert verdict([*pair, _voice("home-built", "moved")], "lines").kind == "contested"
    assert verdict([*pair, _voice("home-built", "moved", "right")], "lines").frame == "right"


def test_a_complete_pass_decides_against_a_short_one_and_only_for_start_and_step() -> None:
    voices = [_voice("home-built", "right"), _voice("home-built", "moved", short=True)]
    assert verdict(voices, "step").frame == "right"
    assert verdict([_voice("home-built", "right"), _voice("home-built", "moved")], "step").kind == "contested"


def test_grounds_for_different_frames_leave_it_contested() -> None:
    voices = [
        _voice("home-built", "moved", printed=True),
        _voice("device-programmer", "right", own_part=True),
    ]
    assert verdict(voices, "start").kind == "contested"
    assert verdict(voices, "lines").frame == "right"


def test_a_check_in_the_content_decides_and_one_that_may_speak_leaves_it_open() -> None:
    voices = [_voice("home-built", "right"), _voice("home-built", "moved")]
    assert verdict(voices, "lines", content="right").frame == "right"
    assert verdict(voices, "lines", content_may_speak=True).kind == "open"


def test_a_project_names_each_reader_and_board_once(tmp_path: Path) -> None:
    words, home = np.arange(16, dtype=np.uint8), Reader("hb")
    chips = [KitChip(f"U{n}", words, 8, (plain(words, 8, home, 2),), says={"board": "b"}) for n in (1, 2)]
    sheet = json.loads((project(tmp_path / "p", chips) / "sheet.yaml").read_text(encoding="utf-8"))
    assert (list(sheet["readers"]), list(sheet["boards"]), len(sheet["readings"])) == (["hb"], ["b"], 2)
    assert len(list((tmp_path / "p/dumps").iterdir())) == 4

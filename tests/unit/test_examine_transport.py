from __future__ import annotations

from typing import Literal

import numpy as np
import pytest

from pipeline.formats import says_addresses
from pipeline.stages.examine import examine
from schemas.finding import Code, Severity
from tests.kit.firmware import installed
from tests.kit.images import microcode, text
from tests.kit.subjects import faults, findings_in, only, passes_of, program, subject_of
from tests.kit.wires import Bench, Image, add_carriage_returns, eat_bytes, save_as_utf8, strip_to_seven_bits

DAMAGE = (Code.SEVEN_BIT, Code.NEWLINE_DAMAGE, Code.TEXT_DAMAGE)


def _words(stream: bytes, words: int) -> Image:
    return np.frombuffer(stream[:words].ljust(words, b"\x00"), dtype=np.uint8)


def _rich(words: int, seed: int = 5) -> Image:
    """Program and packed data mixed, so that every byte value comes often."""
    packed = np.random.default_rng(seed).integers(0, 256, words // 2).astype(np.uint8)
    return np.concatenate([program(words // 2, seed), packed])


@pytest.mark.parametrize("parity", ["even", "odd"])
def test_parity_in_bit_7_of_a_program_is_a_fault_that_names_the_parity(
    parity: Literal["even", "odd"],
) -> None:
    stream = strip_to_seven_bits(program(4096).tobytes(), parity)
    found = only(findings_in(_words(stream, 4096)), Code.SEVEN_BIT)
    assert [(one.severity, one.evidence["parity"]) for one in found] == [(Severity.FAULT, parity)]
    assert found[0].evidence["p_value"] < 1e-6


def test_a_program_without_bit_7_says_link_or_line() -> None:
    stream = strip_to_seven_bits(program(4096).tobytes())
    found = findings_in(_words(stream, 4096))
    assert [(one.severity, one.evidence["parity"]) for one in only(found, Code.SEVEN_BIT)] == [
        (Severity.CAUTION, "none")
    ]
    assert "stuck D7" in only(found, Code.SEVEN_BIT)[0].also
    assert "seven bits" in only(found, Code.DATA_LINE_STUCK)[0].also


def test_ascii_without_bit_7_is_no_seven_bit_damage() -> None:
    image, _ = text(np.random.default_rng(2), 2048)
    assert not only(findings_in(image), Code.SEVEN_BIT)


def test_text_with_parity_is_a_caution_since_a_chip_may_store_parity() -> None:
    image, _ = text(np.random.default_rng(2), 2048)
    found = only(findings_in(_words(strip_to_seven_bits(image.tobytes(), "even"), 2048)), Code.SEVEN_BIT)
    assert [one.severity for one in found] == [Severity.CAUTION]


def test_a_carriage_return_before_every_line_feed_of_a_program_is_a_fault() -> None:
    stream = add_carriage_returns(_rich(8192).tobytes())
    found = only(findings_in(_words(stream, 8192)), Code.NEWLINE_DAMAGE)
    assert [one.severity for one in found] == [Severity.FAULT]
    assert found[0].evidence["line_feeds"] >= 8


def test_text_with_carriage_returns_is_no_newline_damage() -> None:
    image, _ = text(np.random.default_rng(4), 4096)
    assert not only(findings_in(image), Code.NEWLINE_DAMAGE)


def test_messages_inside_a_program_are_no_newline_fault() -> None:
    image = program(4096)
    image = image[image != 0x0A]
    message = np.frombuffer(b"READY\r\n", dtype=np.uint8)
    mixed = np.concatenate([image[:1000], *([message] * 12), image[1000:]])[:2048]
    assert not [one for one in faults(findings_in(mixed)) if one.code is Code.NEWLINE_DAMAGE]


def test_a_program_saved_as_utf8_is_a_fault_that_can_be_recovered() -> None:
    stream = save_as_utf8(program(4096).tobytes())
    found = only(findings_in(_words(stream, 4096)), Code.TEXT_DAMAGE)
    assert [(one.severity, one.where["kind"], one.evidence["recoverable"]) for one in found] == [
        (Severity.FAULT, "utf-8", True)
    ]


def test_bytes_replaced_by_the_replacement_character_are_said_to_be_lost() -> None:
    stream = program(4096).tobytes().decode("ascii", "replace").encode("utf-8")
    found = only(findings_in(_words(stream, 4096)), Code.TEXT_DAMAGE)
    assert [(one.severity, one.where["kind"]) for one in found] == [(Severity.FAULT, "utf-8")]
    assert "lost" in found[0].means


def test_flow_control_that_ate_its_characters_is_a_caution_naming_them() -> None:
    packed = np.random.default_rng(5).integers(0, 256, 9000).astype(np.uint8)
    stream = eat_bytes(packed.tobytes(), bytes([0x11, 0x13]))
    found = only(findings_in(_words(stream, 8192)), Code.TEXT_DAMAGE)
    assert [(one.severity, one.evidence["absent"]) for one in found] == [(Severity.CAUTION, [0x11, 0x13])]


def test_doubled_ff_is_told() -> None:
    random = np.random.default_rng(8)
    image = program(4096).copy()
    image[random.choice(3000, 120, replace=False)] = 0xFF
    stream = image.tobytes().replace(b"\xff", b"\xff\xff")
    found = only(findings_in(_words(stream, 4096)), Code.TEXT_DAMAGE)
    assert [one.where["kind"] for one in found] == ["doubled-ff"]


def _calling_backwards(random: np.random.Generator) -> Image:
    """Code of 32 bits in which every fifth instruction calls or jumps backwards, by less than 64 K."""
    image = program(8192).copy()
    image[image == 0xFF] = 0x90
    for at in range(40, 8000, 37):
        image[at] = random.choice([0xE8, 0xE9])
        image[at + 1 : at + 5] = [*random.integers(0, 255, 2), 0xFF, 0xFF]
    return image


@pytest.mark.parametrize("seed", range(10))
def test_calls_backwards_end_in_two_ff_and_are_no_doubled_ff(seed: int) -> None:
    image = _calling_backwards(np.random.default_rng(seed))
    assert not [one for one in findings_in(image) if one.code in DAMAGE]


def test_the_same_image_is_told_where_the_pairs_stand_behind_no_call() -> None:
    image = _calling_backwards(np.random.default_rng(3))
    image[(image == 0xE8) | (image == 0xE9)] = 0x3E
    assert [one.code for one in findings_in(image) if one.code in DAMAGE] == [Code.TEXT_DAMAGE]


def test_a_listing_that_carries_addresses_has_no_stream_to_be_damaged() -> None:
    random = np.random.default_rng(8)
    image = program(4096).copy()
    image[random.choice(3000, 120, replace=False)] = 0xFF
    damaged = _words(image.tobytes().replace(b"\xff", b"\xff\xff"), 4096)
    kinds = {"listing": [], "intel-hex": [], "binary": ["doubled-ff"], "hex-text": ["doubled-ff"]}
    for form, expected in kinds.items():
        (one,) = passes_of([damaged])
        decoded = one._replace(addressed=says_addresses(form))
        found = examine(subject_of((decoded,)))
        assert [has.where["kind"] for has in found if has.code is Code.TEXT_DAMAGE] == expected


@pytest.mark.parametrize("seed", range(20))
def test_healthy_programs_and_microcode_show_no_damage(seed: int) -> None:
    images = [program(4096, seed), microcode(np.random.default_rng(seed), 1024)[0], _rich(8192, seed)]
    assert not [one for image in images for one in findings_in(image) if one.code in DAMAGE]


def test_real_firmware_shows_no_damage() -> None:
    images, missing = installed("open")
    if missing:
        pytest.skip("; ".join(missing))
    assert images
    for image in images:
        size = 1 << min(16, image.words.size.bit_length() - 1)
        found = findings_in(image.words[:size])
        assert not [one for one in found if one.code in DAMAGE], image.name


def test_joined_address_lines_are_not_taken_for_doubled_bytes() -> None:
    reading = Bench(program()).join_address_lines(2, 10, "low").read()
    assert not [one for one in findings_in(reading) if one.code in DAMAGE]

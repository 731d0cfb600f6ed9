"""Halves that the chip did not drive, and data lines that carry an address line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.finding import Code, Severity
from tests.kit import images
from tests.kit.subjects import faults, findings_in, only, program
from tests.kit.wires import Image

AT = np.arange(2048)


def switched_off(image: Image, line: int, level: int, word: int) -> Image:
    """What is read where a wire stands on an enable."""
    return np.where((AT >> line & 1) == level, image.dtype.type(word), image)


@pytest.mark.parametrize(("line", "level", "word"), [(4, 1, 0xFF), (6, 0, 0x00), (8, 1, 0xFF)])
def test_a_program_that_is_one_word_wherever_a_middle_line_has_one_level_is_faulty(
    line: int, level: int, word: int
) -> None:
    (found,) = only(findings_in(switched_off(program(), line, level, word)), Code.CONSTANT)
    assert found.severity is Severity.FAULT
    assert (found.where["line"], found.where["level"], found.where["word"]) == (f"A{line}", level, word)


def test_two_readers_do_not_release_a_half_that_no_design_explains() -> None:
    image = switched_off(program(), 5, 1, 0xFF)
    (found,) = only(findings_in(image, image, readers=("hb", "prog")), Code.CONSTANT)
    assert found.severity is Severity.CAUTION
    assert found.evidence["holds_back"]
    assert found.evidence["whoever_reads"]


@pytest.mark.parametrize("line", [9, 10])
def test_a_program_that_leaves_its_upper_part_blank_is_no_fault(line: int) -> None:
    assert not only(findings_in(switched_off(program(), line, 1, 0xFF)), Code.CONSTANT)


def test_numbers_of_which_every_upper_half_is_nought_are_no_fault() -> None:
    """Tables of 32-bit numbers below 65,536, as relocations of real programs are."""
    assert not only(findings_in(switched_off(program(), 1, 1, 0)), Code.CONSTANT)


def test_half_a_chip_that_reads_its_own_address_is_held_back_and_named() -> None:
    image = program()
    image[1024:] = AT[1024:] & 0xFF
    (found,) = only(findings_in(image), Code.FOLLOWS_ADDRESS)
    assert (found.where["line"], found.where["level"]) == ("A10", 1)
    assert found.evidence["holds_back"]


def test_a_data_line_that_is_an_address_line_is_told_with_both() -> None:
    image = program() & np.uint8(0xF7) | ((AT >> 3 & 1) << 3).astype(np.uint8)
    (found,) = only(findings_in(image), Code.FOLLOWS_ADDRESS)
    assert (found.where["lines"], found.where["address_bits"]) == (["D3"], ["A3"])
    assert found in faults(findings_in(image))


def test_text_below_a_blank_half_does_not_follow_its_top_line() -> None:
    image = images.ascii_text(np.random.default_rng(3), 2048)[0].copy()
    image[1024:] = 0xFF
    assert not only(findings_in(image), Code.FOLLOWS_ADDRESS)


@given(st.binary(min_size=64, max_size=512))
def test_any_bytes_are_looked_at_without_a_complaint(content: bytes) -> None:
    findings_in(np.frombuffer(content, np.uint8))

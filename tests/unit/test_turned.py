"""Text that can be read only with the data lines inverted, or in the opposite order, holds the image back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import turned_findings
from pipeline.words import Words
from schemas.finding import Code
from tests.kit import images
from tests.kit.subjects import program
from tests.kit.wires import moved_bits

SENTENCES = (
    "THREAD BROKEN ON THE LEFT SIDE. MOUNT A FRESH SPOOL AND PRESS START. "
    "The pattern on this card is longer than the memory of the machine. "
)
TEXT: Words = np.frombuffer((SENTENCES * 8)[:1024].encode("ascii"), np.uint8)
REVERSED = tuple(range(8))[::-1]


def codes(words: Words) -> list[Code]:
    return [one.code for one in turned_findings("U1", words, 8, None)]


def test_text_with_every_data_line_inverted_is_told_and_held_back() -> None:
    (finding,) = turned_findings("U1", TEXT ^ np.uint8(0xFF), 8, None)
    assert finding.code is Code.LINES_CROSSED
    assert finding.evidence["holds_back"]
    assert finding.where["invert_data"] == [f"D{line}" for line in range(8)]
    assert "polarity: inverted" in finding.next


def test_text_with_the_data_lines_in_the_opposite_order_is_told() -> None:
    (finding,) = turned_findings("U1", np.asarray(moved_bits(TEXT, REVERSED), np.uint8), 8, None)
    assert finding.where["data"] == [["D0", "D7"], ["D1", "D6"], ["D2", "D5"], ["D3", "D4"]]


@pytest.mark.parametrize(
    ("seen", "said", "data"),
    [
        ((TEXT << 4) | (TEXT >> 4), "hexadecimal digits", [[f"D{n}", f"D{n + 4}"] for n in range(4)]),
        ((TEXT << 1) | (np.roll(TEXT, -1) >> 7), "a clock late", []),
        ((TEXT >> 1) | (np.roll(TEXT, 1) << 7), "a clock early", []),
    ],
)
def test_text_whose_digits_are_exchanged_or_whose_words_are_shifted_is_told(
    seen: Words, said: str, data: list[list[str]]
) -> None:
    (finding,) = turned_findings("U1", seen, 8, None)
    assert said in finding.means
    assert finding.where["data"] == data
    assert finding.evidence["holds_back"]


def test_control_words_that_spell_letters_by_chance_are_not_taken_for_turned_text() -> None:
    random = np.random.default_rng(8)
    for size in (512, 1024, 2048) * 4:
        for make in (images.microcode, images.twin_columns):
            words, bits = make(random, size)[:2]
            assert turned_findings("U1", words.astype(np.uint8), bits, None) == ()


@pytest.mark.parametrize("words", [TEXT, TEXT & 0x5F, program(1024), np.zeros(1024, np.uint8)])
def test_text_that_can_be_read_and_what_is_no_text_are_silent(words: Words) -> None:
    assert codes(words.astype(np.uint8)) == []


def test_a_program_that_is_read_inverted_and_holds_no_text_is_silent() -> None:
    assert codes(program(1024) ^ np.uint8(0xFF)) == []


def test_words_of_other_widths_are_not_asked() -> None:
    assert turned_findings("U1", TEXT.astype(np.uint16), 16, None) == ()


@given(st.binary(min_size=1, max_size=256))
def test_of_an_image_and_its_inverse_at_most_one_is_told_as_inverted(content: bytes) -> None:
    words: Words = np.frombuffer(content, np.uint8)
    told = [
        bool(one.where["invert_data"])
        for each in (words, words ^ np.uint8(0xFF))
        for one in turned_findings("U1", each, 8, None)
    ]
    assert told.count(True) <= 1

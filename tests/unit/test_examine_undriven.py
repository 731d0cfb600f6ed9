from __future__ import annotations

import numpy as np
import pytest

from pipeline.stages.examine import examine
from schemas.finding import Code, Severity
from tests.kit.subjects import findings_in, only, passes_of, program, subject_of


def _blank(level: int, words: int = 2048) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    return np.full(words, 0xFF if level else 0x00, dtype=np.uint8)


@pytest.mark.parametrize("level", [0, 1])
def test_an_image_of_one_level_is_blank_and_nothing_else(level: int) -> None:
    found = findings_in(_blank(level))
    assert [(one.code, one.severity, one.where["level"]) for one in found] == [
        (Code.BLANK, Severity.CAUTION, level)
    ]
    assert "pull-ups" in found[0].next


def test_blank_at_the_unprogrammed_level_is_a_note_and_at_the_other_a_fault() -> None:
    # The catalogue's 2716: an unprogrammed cell reads 1.
    as_sold = findings_in(_blank(1), part="2716")
    contrary = findings_in(_blank(0), part="2716")
    assert as_sold[0].severity is Severity.NOTE
    assert contrary[0].severity is Severity.FAULT
    assert "nothing drove" in contrary[0].means


def test_what_the_sheet_knows_of_this_marking_goes_before_the_catalogue() -> None:
    subject = subject_of(passes_of([_blank(0)]), erased_state=0)
    assert examine(subject)[0].severity is Severity.NOTE


def test_one_word_all_through_is_constant() -> None:
    found = findings_in(np.full(512, 0xE5, dtype=np.uint8))
    assert [(one.code, one.severity, one.where["word"]) for one in found] == [
        (Code.CONSTANT, Severity.FAULT, 0xE5)
    ]


def test_one_level_all_through_is_held_back_where_the_unprogrammed_level_is_not_known() -> None:
    (found,) = findings_in(_blank(0))
    assert (found.severity, found.evidence["holds_back"]) == (Severity.CAUTION, True)


def test_a_bus_that_keeps_the_high_address_byte_is_a_fault() -> None:
    # Reading memory that is not there on a 6502 system gives the high address byte: second-hand, from memory.
    stairs = (0xE0 | np.arange(2048) >> 8).astype(np.uint8)
    found = findings_in(stairs)
    assert [(one.code, one.severity) for one in found] == [(Code.FOLLOWS_ADDRESS, Severity.FAULT)]
    assert found[0].where["address_bits"] == ["A8", "A9", "A10"]


@pytest.mark.parametrize("words", [256, 512, 2048])
def test_an_ascending_image_is_a_caution_since_a_table_may_ascend(words: int) -> None:
    found = findings_in((np.arange(words) & 0xFF).astype(np.uint8))
    assert [(one.code, one.severity) for one in found] == [(Code.FOLLOWS_ADDRESS, Severity.CAUTION)]
    assert "table" in found[0].also
    assert found[0].where["address_bits"] == [f"A{line}" for line in range(8)]


def test_a_table_that_nearly_ascends_does_not_follow_the_address() -> None:
    table = np.arange(256).astype(np.uint8)
    table[17] ^= 1
    assert not only(findings_in(table), Code.FOLLOWS_ADDRESS)


def test_a_program_follows_no_address() -> None:
    assert not only(findings_in(program()), Code.FOLLOWS_ADDRESS)


def test_a_chip_of_one_word_is_examined_without_complaint() -> None:
    assert [one.code for one in findings_in(np.array([0x5A], dtype=np.uint8))] == [Code.CONSTANT]

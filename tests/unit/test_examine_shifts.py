from __future__ import annotations

import numpy as np
import pytest

from pipeline.flow import Pass
from pipeline.stages.examine import examine, pass_findings
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation
from tests.kit.wires import Bench, Image, double_bytes, drop_bytes
from tests.subjects import findings_in, only, passes_of, program, subject_of

MOVES = (Code.ROTATED, Code.LATE_BY_ONE, Code.SKIPS_WORDS, Code.REPEATS_WORDS, Code.SLIPPED)


def _moves(*images: Image) -> list[Finding]:
    return [one for one in findings_in(*images) if one.code in MOVES]


def _told(*images: Image) -> list[tuple[Code, object, object]]:
    return [(one.code, one.where.get("at"), one.where["by"]) for one in _moves(*images)]


@pytest.mark.parametrize("by", [1, 2, 37, 512, 1000])
def test_a_rotated_pass_is_a_fault_with_the_words_missing_at_its_front(by: int) -> None:
    image = program()
    assert _told(image, Bench(image).rotate(by).read()) == [(Code.ROTATED, None, by)]


def test_a_pass_that_starts_early_is_rotated_by_a_negative_number() -> None:
    image = program()
    assert _told(image, Bench(image).rotate(-300).read()) == [(Code.ROTATED, None, -300)]


def test_a_pass_late_by_one_is_told_as_such_whatever_its_first_word_is() -> None:
    image = program()
    late = Bench(image).rotate(-1).read()
    stray = late.copy()
    stray[0] = 0xA5
    assert _told(image, late) == [(Code.LATE_BY_ONE, None, -1)]
    assert _told(image, stray) == [(Code.LATE_BY_ONE, None, -1)]


@pytest.mark.parametrize("at", [5, 100, 1024, 1500])
def test_a_bouncing_counter_skips_a_word_and_a_missed_clock_repeats_one(at: int) -> None:
    image = program()
    assert _told(image, Bench(image).skip_word(at).read()) == [(Code.SKIPS_WORDS, at, 1)]
    assert _told(image, Bench(image).repeat_word(at).read()) == [(Code.REPEATS_WORDS, at, -1)]


def test_lost_and_doubled_bytes_are_slips_with_their_place_and_count() -> None:
    image = program()
    short = np.frombuffer(drop_bytes(image.tobytes(), 400, 3) + bytes(3), dtype=np.uint8)
    long = np.frombuffer(double_bytes(image.tobytes(), 700, 5)[:2048], dtype=np.uint8)
    assert _told(image, short) == [(Code.SLIPPED, 400, 3)]
    [told] = _told(image, long)
    assert (told[0], told[2]) == (Code.SLIPPED, -5)


def test_two_slips_in_one_pass_are_both_in_the_evidence() -> None:
    image = program()
    stream = drop_bytes(drop_bytes(image.tobytes(), 1200, 2), 300, 4) + bytes(6)
    [found] = _moves(image, np.frombuffer(stream, dtype=np.uint8))
    assert [slip["by"] for slip in found.evidence["slips"]] == [4, 2]
    assert found.evidence["slips"][0]["at"] == 300


def test_one_word_lost_from_a_reading_that_is_short_is_the_streams_not_the_counters() -> None:
    image = program()
    stream = np.frombuffer(drop_bytes(image.tobytes(), 900) + bytes(1), dtype=np.uint8)
    present = np.ones(2048, dtype=np.bool_)
    present[-1] = False
    sound, short = passes_of([image, stream])
    cut = Pass(short.reading, short.reader, short.sitting, short.number, short.words, present)
    found = pass_findings("U7", Organisation(2048, 8), None, (sound, cut))
    assert [(one.code, one.where["at"], one.where["by"]) for one in found] == [(Code.SLIPPED, 900, 1)]


def test_with_three_passes_the_one_that_differs_is_the_moved_one() -> None:
    image = program()
    moved = Bench(image).rotate(9).read()
    [found] = _moves(moved, image, image)
    assert (found.where["readings"], found.where["by"]) == (["R1"], 9)


def test_a_moved_pass_is_a_fault_and_not_taken_for_unstable_bits() -> None:
    image = program()
    found = findings_in(image, Bench(image).skip_word(1000).read())
    assert [one.severity for one in found] == [Severity.FAULT]
    assert not only(found, Code.UNSTABLE_BITS)


def test_flickering_cells_are_no_move() -> None:
    image = program()
    other = image.copy()
    other[[5, 6, 9, 300, 301, 800]] ^= np.uint8(0x10)
    assert not _moves(image, other)


def test_two_unrelated_images_are_no_move() -> None:
    assert not _moves(program(seed=1), program(seed=2))


def test_a_pass_of_fill_against_itself_is_no_move() -> None:
    fill = np.full(2048, 0xFF, dtype=np.uint8)
    other = fill.copy()
    other[100:140] = 0
    assert not _moves(fill, other)


def test_a_counter_that_counts_twice_a_clock_skips_every_second_word() -> None:
    image = program()
    double = image[(2 * np.arange(2048)) % 2048]
    assert _told(image, double) == [(Code.SKIPS_WORDS, 0, 1)]


def test_a_counter_that_counts_every_second_clock_repeats_every_word() -> None:
    image = program()
    half = image[np.arange(2048) >> 1]
    assert _told(image, half) == [(Code.REPEATS_WORDS, 0, -1)]


def test_a_word_lost_from_a_reading_found_short_is_the_streams() -> None:
    image = program()
    stream = np.frombuffer(drop_bytes(image.tobytes(), 900) + bytes(1), dtype=np.uint8)
    short = Finding(
        code=Code.SHORT_READ,
        severity=Severity.FAULT,
        chip="U7",
        where={"readings": ["R2"], "missing": 1},
        means="m",
        also="a",
        next="n",
    )
    found = examine(subject_of(passes_of([image, stream]), length_findings=(short,)))
    assert [one.code for one in found] == [Code.SHORT_READ, Code.SLIPPED]

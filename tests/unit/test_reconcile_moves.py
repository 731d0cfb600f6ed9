"""How one pass is moved against another is named where it is proved, with the words it is moved by."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.flow import Pass, Said
from pipeline.stages.reconcile import reconcile
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation
from tests.kit.subjects import program
from tests.kit.wires import Bench, Image, double_bytes, drop_bytes

MOVES = (Code.ROTATED, Code.LATE_BY_ONE, Code.SKIPS_WORDS, Code.REPEATS_WORDS, Code.SLIPPED)


SAID = {"prog": Said(kind="device-programmer", own_part=True), "hb": Said(kind="home-built")}


def _moves(
    sound: Image, other: Image, *, length_off: int = 0, present: NDArray[np.bool_] | None = None
) -> list[Finding]:
    """What reconciling tells of a home-built reader's pass beside a programmer's."""
    passes = [
        Pass("hb", "hb", "hb/", 1, other, present, length_off=length_off),
        Pass("prog", "prog", "prog/", 1, sound),
    ]
    done = reconcile(passes, chip="U7", organisation=Organisation(sound.size, 8), said=SAID)
    assert done is not None
    assert {one.code for one in done.findings} <= set(MOVES)
    return list(done.findings)


def _told(sound: Image, other: Image, **more: int) -> list[tuple[Code, object, object]]:
    return [
        (one.code, one.where.get("at"), one.where["by"])
        for one in _moves(sound, other, **more)  # type: ignore[arg-type]
    ]


@pytest.mark.parametrize("by", [1, 2, 37, 512, 1000])
def test_a_rotated_pass_is_told_with_the_words_missing_at_its_front(by: int) -> None:
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
    assert [(one.code, one.where["by"]) for one in _moves(image, stray)] == [(Code.LATE_BY_ONE, -1)]


@pytest.mark.parametrize("at", [5, 100, 1024, 1500])
def test_a_bouncing_counter_skips_a_word_and_a_missed_clock_repeats_one(at: int) -> None:
    image = program()
    assert _told(image, Bench(image).skip_word(at).read()) == [(Code.SKIPS_WORDS, at, 1)]
    [repeated] = _moves(image, Bench(image).repeat_word(at).read())
    assert (repeated.code, repeated.where["by"]) == (Code.REPEATS_WORDS, -1)
    [slip] = repeated.evidence["slips"]
    assert slip["at"] <= at <= slip["latest"] + 1


def test_lost_and_doubled_bytes_are_slips_with_their_place_and_count() -> None:
    image = program()
    short = np.frombuffer(drop_bytes(image.tobytes(), 400, 3) + bytes(3), dtype=np.uint8)
    long = np.frombuffer(double_bytes(image.tobytes(), 700, 5)[:2048], dtype=np.uint8)
    assert _told(image, short, length_off=-3) == [(Code.SLIPPED, 400, 3)]
    [told] = _told(image, long, length_off=5)
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
    found = _moves(image, stream, length_off=-1, present=present)
    assert [(one.code, one.where["at"], one.where["by"]) for one in found] == [(Code.SLIPPED, 900, 1)]


def test_passes_of_one_reading_that_moved_alike_are_told_once() -> None:
    image = program()
    late = Pass("hb", "hb", "hb/", 1, Bench(image).rotate(9).read())
    passes = [late, late._replace(number=2), late._replace(number=3), Pass("prog", "prog", "prog/", 1, image)]
    done = reconcile(passes, chip="U7", organisation=Organisation(2048, 8), said=SAID)
    assert done is not None
    assert [(one.code, one.where["by"], one.severity) for one in done.findings] == [
        (Code.ROTATED, 9, Severity.CAUTION)
    ]


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

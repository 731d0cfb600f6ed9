"""What reconciling tells in words and in votes is said of the wires and passes that it was found on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.flow import Pass, Settled
from pipeline.lines import LineMap, Slip
from pipeline.stages.reconcile.frames import Way
from pipeline.stages.reconcile.voices import contested_bits, settle
from pipeline.stages.reconcile.wording import lines_in_words, sheet_lines, start_in_words, way_in_words
from schemas.names import Organisation

STRAIGHT = tuple(range(8))
SWAPPED_BYTES = (8, 9, 10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5, 6, 7)


@pytest.mark.parametrize(
    ("mapping", "words"),
    [
        (LineMap.simple(8, 8), ""),
        (LineMap.simple(8, 8, address=(0, 1, 2, 4, 3, 5, 6, 7)), "A3 and A4 exchanged"),
        (LineMap.simple(8, 8, data=(1, 0, 2, 3, 4, 5, 7, 6)), "D0 and D1 exchanged, D6 and D7 exchanged"),
        (LineMap.simple(8, 8, address=(1, 2, 0, 3, 4, 5, 6, 7)), "A0 on A1, A1 on A2, A2 on A0"),
        (LineMap.simple(8, 8, data=STRAIGHT[::-1]), "D0 to D7 in reverse"),
        (LineMap.simple(8, 2, data=(1, 0)), "D0 and D1 exchanged"),
        (LineMap.simple(8, 3, data=(2, 1, 0)), "D0 to D2 in reverse"),
        (LineMap.simple(8, 16, data=(1, 0, *range(2, 16))), "D0 and D1 exchanged"),
        (LineMap.simple(8, 8, invert_data=(0, 3)), "D0 and D3 inverted"),
        (LineMap.simple(8, 8, invert_data=STRAIGHT), "every data line inverted"),
        (LineMap.simple(8, 8, invert_address=STRAIGHT), "addresses run backwards"),
        (LineMap.simple(8, 8, rotate=17), "rotated by 17 words"),
        (
            LineMap.simple(8, 16, data=SWAPPED_BYTES),
            "the bytes of each word in the opposite order (byte_order)",
        ),
        (
            LineMap.simple(8, 16, address=(1, 0, 2, 3, 4, 5, 6, 7), data=SWAPPED_BYTES, invert_data=(2,)),
            "the bytes of each word in the opposite order (byte_order), A0 and A1 exchanged, D2 inverted",
        ),
    ],
)
def test_a_mapping_is_told_as_the_wires_a_person_looks_at(mapping: LineMap, words: str) -> None:
    assert lines_in_words(mapping.to_json()) == words


def test_two_passes_of_one_reading_are_told_apart_by_their_numbers() -> None:
    """ "Against U3.hb.1, U3.hb.1 shows every second word" says nothing."""
    first, second, other = (
        Pass(reading, "hb", "s", number, np.zeros(4, np.uint8))
        for reading, number in (("U3.hb.1", 1), ("U3.hb.1", 2), ("U3.prog.1", 1))
    )
    assert (first.beside(second), second.beside(first)) == ("U3.hb.1/1", "U3.hb.1/2")
    assert (first.beside(other), other.beside(first)) == ("U3.hb.1", "U3.prog.1")


def test_a_crossing_is_written_as_the_sheet_takes_it_and_only_what_is_not_straight() -> None:
    crossed = LineMap.simple(4, 4, address=(0, 2, 1, 3), invert_data=(1, 3))
    assert sheet_lines(crossed) == "lines: {address: [A0, A2, A1, A3], invert_data: [D1, D3]}"
    assert sheet_lines(LineMap.simple(4, 4, data=(1, 0, 2, 3))) == "lines: {data: [D1, D0, D2, D3]}"


@pytest.mark.parametrize(
    ("rotate", "words"),
    [
        (4059, "began at word 37 (0x25)"),
        (1, "is late by one word"),
        (2, "began at word 4094 (0xFFE)"),
        (4095, "began at word 1 (0x1)"),
    ],
)
def test_a_start_is_told_by_the_word_at_which_the_pass_began(rotate: int, words: str) -> None:
    assert start_in_words(rotate, 4096) == words


@pytest.mark.parametrize(
    ("way", "words"),
    [
        (Way("paced", pace=1), "every second word is missing"),
        (Way("paced", pace=-1), "each word comes twice"),
        (Way("paced", pace=0), "the first has every second word, or each twice"),
        (Way("rotated", LineMap.simple(8, 8, rotate=200)), "began at word 56 (0x38)"),
        (
            Way("rotated", LineMap.simple(8, 8, rotate=56)),
            "began at word 200 (0xC8), or the other at word 56 (0x38)",
        ),
        (Way("rotated", LineMap.simple(8, 8, rotate=128)), "began at word 128 (0x80)"),
        (
            Way("rotated", LineMap.simple(8, 8, rotate=127)),
            "began at word 129 (0x81), or the other at word 127 (0x7F)",
        ),
        (
            Way("rotated", LineMap.simple(8, 8, rotate=2)),
            "began at word 254 (0xFE), or the other at word 2 (0x2)",
        ),
        (Way("rotated", LineMap.simple(8, 8, rotate=1)), "is late by one word"),
        (Way("lines", LineMap.simple(8, 8, invert_data=(1,))), "D1 inverted"),
        (
            Way("slipped", LineMap.simple(8, 8, invert_data=(1,)), (Slip(9, 1, 9), Slip(20, -2, 20))),
            "D1 inverted; 1 word lost after address 0x8; 2 words too many after address 0x13",
        ),
        (Way("same"), ""),
    ],
)
def test_how_a_frame_differs_is_told_by_its_kind(way: Way, words: str) -> None:
    assert way_in_words(way, Organisation(256, 8)) == words


def test_of_many_slips_the_first_five_are_told() -> None:
    way = Way("slipped", slips=tuple(Slip(at, 1, at) for at in range(10, 70, 10)))
    assert way_in_words(way, Organisation(256, 8)).count("lost") == 5


# --- votes ------------------------------------------------------------------------------------------------

CHIP = Organisation(4, 4)


def passes(*rows: tuple[str, list[int], list[bool] | None]) -> tuple[Pass, ...]:
    return tuple(
        Pass(
            f"U1.{reader}",
            reader,
            f"{reader}/",
            number,
            np.array(words, np.uint8),
            None if there is None else np.array(there),
        )
        for number, (reader, words, there) in enumerate(rows, 1)
    )


def told(voices: tuple[Pass, ...], fades_to: int | None) -> dict[str, Any]:
    words, contested = settle(voices, CHIP, fades_to)
    found = contested_bits(Settled(CHIP, words, contested, voices), fades_to=fades_to, first_listed="U1.a")
    assert found is not None
    return dict(found)


def test_votes_are_counted_pass_by_pass_and_said_reader_by_reader() -> None:
    voices = passes(
        ("a", [0, 8, 0, 0], None),
        ("a", [0, 8, 0, 0], None),
        ("b", [0, 0, 0, 0], None),
        ("c", [0, 8, 0, 0], None),
        ("c", [0, 0, 0, 0], None),
    )
    found = told(voices, None)
    assert (found["bits"], found["words"]) == (1, 1)
    assert found["listed"] == [
        {
            "address": 1,
            "line": "D3",
            "votes": {"a": 1, "b": 0, "c": None},
            "ones": 3,
            "zeros": 2,
            "image": 1,
            "why": "the value of U1.a; which way such cells fade is not known",
        }
    ]


def test_where_cells_fade_to_1_a_reading_of_0_is_carried_and_said_to_be_the_more_believable() -> None:
    voices = passes(("a", [0, 8, 0, 0], None), ("b", [0, 0, 0, 0], None))
    (bit,) = told(voices, 1)["listed"]
    assert bit["image"] == 0
    assert bit["why"] == "cells of this kind fade to 1, so a reading of 0 is the more believable"
    (bit,) = told(voices, 0)["listed"]
    assert bit["image"] == 1
    assert bit["why"] == "cells of this kind fade to 0, so a reading of 1 is the more believable"


def test_a_word_that_nobody_has_is_no_disagreement_but_stays_in_the_mask() -> None:
    lacking = passes(("a", [0, 5, 0, 0], [True, False, True, True]))
    words, contested = settle(lacking, CHIP, None)
    assert contested.tolist() == [0, 15, 0, 0]
    found = Settled(CHIP, words, contested, lacking)
    assert found.known is not None
    assert found.known.tolist() == [True, False, True, True]
    assert contested_bits(found, fades_to=None, first_listed="U1.a") is None


@pytest.mark.parametrize(("fades_to", "carried"), [(None, 0), (0, 0), (1, 15)])
def test_a_word_that_nobody_has_is_carried_as_the_state_that_cells_fade_to(
    fades_to: int | None, carried: int
) -> None:
    words, contested = settle(passes(("a", [1, 5, 0, 0], [True, False, True, True])), CHIP, fades_to)
    assert (words.tolist(), contested.tolist()) == ([1, carried, 0, 0], [0, 15, 0, 0])


@pytest.mark.parametrize(("fades_to", "carried"), [(None, 5), (0, 7), (1, 0)])
def test_bits_read_both_ways_are_carried_as_programmed_where_it_is_known_how_cells_fade(
    fades_to: int | None, carried: int
) -> None:
    words, contested = settle(passes(("a", [5, 0, 0, 0], None), ("b", [2, 0, 0, 0], None)), CHIP, fades_to)
    assert (words.tolist(), contested.tolist()) == ([carried, 0, 0, 0], [7, 0, 0, 0])


def test_the_image_carries_the_first_listed_value_that_is_there_where_nothing_is_settled() -> None:
    """Word 0: the first pass lacks it; word 1: the first has it and a second, later one says otherwise."""
    voices = passes(
        ("a", [0, 1, 0, 0], [False, True, True, True]), ("b", [2, 2, 0, 0], None), ("c", [4, 4, 0, 0], None)
    )
    words, contested = settle(voices, CHIP, None)
    assert contested.tolist() == [6, 7, 0, 0]
    assert words.tolist() == [2, 1, 0, 0]


def test_one_image_without_a_contested_bit_has_no_votes_to_tell() -> None:
    voices = passes(("a", [1, 2, 3, 4], None))
    words, contested = settle(voices, CHIP, None)
    assert contested_bits(Settled(CHIP, words, contested, voices), fades_to=None, first_listed="U1.a") is None


def test_a_contested_word_is_listed_with_all_that_was_read_there_the_commonest_value_first() -> None:
    """Nobody has word 3; `c` lacks word 1; in word 2 `a` and `c` speak against `b`."""
    chip, there = Organisation(4, 16), np.array([True, True, True, False])
    rows = (
        ("c", [5, 0, 0x10, 0], there & [True, False, True, True]),
        ("a", [5, 0x0A0B, 0x10, 0], there),
        ("a", [5, 0x0A0B, 0x10, 0], there),
        ("b", [5, 0x0A0A, 0x11, 0], there),
    )
    voices = tuple(
        Pass(f"U1.{reader}", reader, f"{reader}/", number, np.array(words, np.uint16), known)
        for number, (reader, words, known) in enumerate(rows, 1)
    )
    words, contested = settle(voices, chip, None)
    found = contested_bits(Settled(chip, words, contested, voices), fades_to=None, first_listed="U1.c")
    assert found is not None
    assert (found["bits"], found["words"], found["between"], found["within"]) == (2, 2, [0, 1, 1, 0], [0] * 4)
    assert [one["votes"] for one in found["listed"]] == [{"a": 1, "b": 0}, {"c": 0, "a": 0, "b": 1}]
    assert [(one["ones"], one["zeros"]) for one in found["listed"]] == [(2, 1), (1, 3)]
    assert found["listed_words"][0] == {
        "address": 1,
        "said": [{"value": "0A0B", "passes": {"a": 2}}, {"value": "0A0A", "passes": {"b": 1}}],
        "lines": ["D0"],
        "image": "0A0B",
    }
    assert found["listed_words"][1]["said"][0] == {"value": "0010", "passes": {"c": 1, "a": 2}}

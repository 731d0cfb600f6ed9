"""The verdict on two readings, its suggestions, and its picture on a terminal."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.lines import LineMap
from pipeline.lines.verdict import compare
from pipeline.views.compare import picture, verdict
from schemas.names import Organisation
from tests.kit.images import firmware_like
from tests.kit.wires import Bench, flip_bits, lose_words
from tests.lines_accuracy import random_mapping

ORGANISATION = Organisation(2048, 8)
IMAGE = firmware_like(7, 2048)


def test_identical_readings_need_no_more_than_one_line() -> None:
    compared = compare(IMAGE, IMAGE.copy(), ORGANISATION)

    assert compared.relation.relation == "identical"
    assert compared.suggests == ()
    assert verdict(compared, "one.bin", "two.bin") == ["one.bin against two.bin (2048x8): identical"]


def test_a_mapped_reading_is_brought_into_the_firsts_order() -> None:
    mapping = random_mapping(np.random.default_rng(1), 11, 8)

    compared = compare(IMAGE, mapping.apply(IMAGE), ORGANISATION)

    assert compared.relation.relation != "identical"
    assert np.array_equal(compared.brought, IMAGE)
    assert "wired in another order" in compared.suggests[0]


@pytest.mark.parametrize("second", [lose_words(IMAGE, 0x123), Bench(IMAGE).repeat_word(0x124).read()])
def test_a_slipped_reading_is_brought_into_step(second: np.ndarray[tuple[int], np.dtype[np.uint8]]) -> None:
    compared = compare(IMAGE, second, ORGANISATION)

    assert compared.relation.relation == "slipped"
    assert np.array_equal(compared.brought[compared.present], IMAGE[compared.present])
    assert np.count_nonzero(~compared.present) == 1
    assert "1 word missing" in "\n".join(verdict(compared, "a", "b"))


def test_differences_on_one_line_point_at_its_contact() -> None:
    second = IMAGE & np.uint8(0xF7)

    compared = compare(IMAGE, second, ORGANISATION)

    assert compared.relation.relation == "differs"
    assert compared.lowered[3] == compared.relation.differing_bits > 0
    assert any("all differences lie in D3, always low" in said for said in compared.suggests)
    assert len(compared.suggests) == 1
    lines = verdict(compared, "a", "b")
    assert any(line.startswith("  D3 ") for line in lines)
    assert "  no other data line differs" in lines


def test_differences_in_one_direction_on_many_lines_point_at_fading_or_the_supply() -> None:
    second = IMAGE.copy()
    second[np.random.default_rng(5).choice(2048, 60, replace=False)] |= np.uint8(0x2C)

    compared = compare(IMAGE, second, ORGANISATION)

    assert any(
        "every differing bit is 1 in the second and 0 in the first" in said for said in compared.suggests
    )


def test_differences_at_one_level_of_an_address_line_point_at_that_line() -> None:
    second = IMAGE.copy()
    places = np.random.default_rng(3).choice(np.arange(1024, 2048), 40, replace=False)
    second[places] ^= (1 << np.random.default_rng(4).integers(0, 8, 40)).astype(np.uint8)

    compared = compare(IMAGE, second, ORGANISATION)

    assert any("A10 is high" in said for said in compared.suggests)


def test_differences_in_one_short_stretch_are_told_as_a_place() -> None:
    second = IMAGE.copy()
    second[0x300:0x310] ^= np.uint8(0x5A)

    compared = compare(IMAGE, second, ORGANISATION)

    assert any("all differences lie in 0x300–0x310" in said for said in compared.suggests)


def test_differences_without_a_pattern_are_told_as_noise_not_as_a_line() -> None:
    compared = compare(IMAGE, flip_bits(IMAGE, 8, 40, seed=9), ORGANISATION)

    assert len(compared.suggests) == 1
    assert "no line, direction or place" in compared.suggests[0]


def test_two_differing_bits_are_too_few_for_any_suggestion_of_a_line() -> None:
    second = IMAGE.copy()
    second[[5, 900]] ^= np.uint8(8)

    compared = compare(IMAGE, second, ORGANISATION)

    assert not any("D3" in said for said in compared.suggests)


def test_unrelated_readings_get_no_picture_and_no_suggestion() -> None:
    compared = compare(IMAGE, firmware_like(99, 2048) ^ np.uint8(0x69), ORGANISATION)

    assert compared.relation.relation == "unrelated"
    assert compared.suggests == ()
    lines = verdict(compared, "a", "b")
    assert "unrelated" in lines[0]
    assert not any("a sign is" in line for line in lines)


def test_constant_readings_are_told_as_undecidable() -> None:
    compared = compare(np.full(2048, 0xFF, np.uint8), np.zeros(2048, np.uint8), ORGANISATION)

    assert "undecidable" in verdict(compared, "a", "b")[0]


def test_a_shorter_reading_leaves_its_missing_words_blank_in_the_picture() -> None:
    short = IMAGE[:1024].copy()
    short[10] ^= np.uint8(1)

    compared = compare(IMAGE, short, ORGANISATION)

    rows = picture(compared)[:-1]
    assert [row[9:].strip() == "" for row in rows] == [number >= 8 for number in range(16)]


@pytest.mark.parametrize("words", [1, 7, 64, 1000, 1 << 16])
def test_the_picture_has_a_cell_for_every_address_and_fits_a_terminal(words: int) -> None:
    first = np.zeros(words, np.uint8)
    second = first.copy()
    second[-1] = 1
    compared = compare(first, second, Organisation(words, 8))

    rows = picture(compared)[:-1]

    assert len(rows) <= 16
    assert max(map(len, rows)) <= 80
    assert rows[-1].rstrip()[-1] != "·"
    cells = sum(len(row.split()[1]) for row in rows)
    assert cells == -(-words // max(1, -(-words // 1024)))


def test_plain_text_is_ascii() -> None:
    compared = compare(IMAGE, flip_bits(np.roll(IMAGE, 3), 8, 5), ORGANISATION)

    assert "\n".join(verdict(compared, "a", "b", plain=True)).isascii()


def test_a_first_reading_of_another_length_than_the_organisation_is_refused() -> None:
    with pytest.raises(ValueError, match="100 words, the organisation says 2048"):
        compare(IMAGE[:100], IMAGE, ORGANISATION)


def test_the_json_form_has_the_keys_of_the_contract() -> None:
    document = compare(IMAGE, LineMap.simple(11, 8, rotate=5).apply(IMAGE), ORGANISATION).to_json()

    assert document["relation"] == "mapped"
    assert document["mapping"] is not None
    assert document["mapping"]["rotate"] == 5
    assert (document["differing_words"], document["differing_bits"]) == (0, 0)
    assert document["organisation"] == "2048x8"

"""Relating two images: every relation has its case, its look-alike, and a content too poor to tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.lines import LineMap, relate
from pipeline.lines.rotated import likely_rotations
from pipeline.lines.symmetry import Symmetries
from pipeline.lines.walsh import products, signs
from pipeline.words import Words
from tests.kit.images import firmware_like
from tests.kit.wires import Bench, flip_bits, lose_words
from tests.lines_accuracy import random_mapping

WORDS, BITS, LINES = 2048, 8, 11
EVERY_BIT = tuple(range(BITS))
NEXT_BEST = "the next best mapping leaves only {} unexplained"
NOT_APART = ["nothing tells A1, A2 apart", "nothing tells D0, D7 apart"]
IMAGE = firmware_like(7, WORDS)


def test_an_image_is_identical_to_itself() -> None:
    relation = relate(IMAGE, IMAGE.copy(), BITS)

    assert relation.relation == "identical"
    assert relation.mapping is not None
    assert relation.mapping.is_identity
    assert (relation.differing_words, relation.differing_bits) == (0, 0)


@pytest.mark.parametrize(
    ("mapping", "said"),
    [
        (LineMap.simple(LINES, BITS, invert_data=EVERY_BIT), "every bit inverted"),
        (LineMap.simple(LINES, BITS, data=tuple(reversed(EVERY_BIT))), "data bus reversed"),
        (LineMap.simple(LINES, BITS, invert_address=tuple(range(LINES))), "addresses run backwards"),
        (LineMap.simple(LINES, BITS, address=tuple(reversed(range(LINES)))), "address bus reversed"),
        (LineMap.simple(LINES, BITS, data=(1, 0, *range(2, 8))), "D0 and D1 swapped"),
        (LineMap.simple(LINES, BITS, rotate=17), "rotated by 17 words"),
        (LineMap.simple(LINES, BITS, invert_data=(3,)), "D3 inverted"),
        (
            LineMap.simple(LINES, BITS, invert_data=EVERY_BIT, rotate=1),
            "every bit inverted; rotated by 1 word",
        ),
        (
            LineMap.simple(LINES, BITS, invert_address=tuple(range(LINES)), rotate=5),
            "addresses run backwards; rotated by 5 words",
        ),
    ],
)
@pytest.mark.parametrize("flips", [0, 10])
def test_a_known_order_is_found_and_named_even_with_wrong_bits(
    mapping: LineMap, said: str, flips: int
) -> None:
    second = mapping.apply(IMAGE)
    second = flip_bits(second, BITS, flips) if flips else second

    relation = relate(IMAGE, second, BITS)

    assert relation.relation == "mapped"
    assert relation.mapping == mapping
    assert relation.mapping.in_words() == said
    assert relation.differing_words == flips
    assert sum(relation.by_data_line) == relation.differing_bits == flips


@pytest.mark.parametrize("rotate", [1, 2, 255, 1024, 1025, WORDS - 1])
def test_any_rotation_is_found_or_told_as_the_inverted_line_that_it_is(rotate: int) -> None:
    relation = relate(IMAGE, np.roll(IMAGE, rotate), BITS)

    expected = LineMap.simple(LINES, BITS, rotate=rotate)
    if rotate == WORDS // 2:  # half-way round is the highest line inverted, and lines go before rotation
        expected = LineMap.simple(LINES, BITS, invert_address=(LINES - 1,))
    assert relation.mapping == expected
    assert relation.differing_words == 0


def test_bytes_swapped_in_16_bit_words_are_named() -> None:
    image = firmware_like(3, 1024, 16)

    relation = relate(image, image.byteswap(), 16)

    assert relation.mapping is not None
    assert relation.mapping.in_words() == "bytes swapped"


@pytest.mark.parametrize(
    ("words", "bits"), [(32, 8), (256, 4), (256, 8), (1024, 8), (4096, 16), (512, 32), (256, 64)]
)
def test_all_lines_crossed_and_inverted_are_recovered_at_every_width(words: int, bits: int) -> None:
    generator = np.random.default_rng(words + bits)
    image = generator.integers(0, 1 << bits, words, dtype=np.uint64, endpoint=False) if bits < 64 else None
    content = (
        firmware_like(5, words, bits) if image is None else image.astype(firmware_like(5, 256, bits).dtype)
    )
    lines = words.bit_length() - 1
    mapping = (
        random_mapping(generator, lines, min(bits, 62))
        if bits < 63
        else LineMap.simple(lines, bits, data=tuple(reversed(range(bits))), invert_address=(1,))
    )

    relation = relate(content, mapping.apply(content), bits)

    assert relation.relation == "mapped"
    assert relation.mapping is not None
    assert np.array_equal(relation.mapping.apply(content), mapping.apply(content))


@pytest.mark.parametrize("rotate", [1, 100, 777, 1500])
def test_crossed_lines_with_rotation_are_recovered(rotate: int) -> None:
    mapping = random_mapping(np.random.default_rng(rotate), LINES, BITS, rotate=rotate)

    relation = relate(IMAGE, flip_bits(mapping.apply(IMAGE), BITS, 5), BITS)

    assert relation.relation == "mapped"
    assert relation.differing_words == 5


def test_the_true_rotation_is_among_the_likely_ones() -> None:
    mapping = random_mapping(np.random.default_rng(4), LINES, BITS, rotate=321)

    likely = likely_rotations(signs(IMAGE, BITS), signs(mapping.apply(IMAGE), BITS))

    assert 321 in likely


def test_few_wrong_bits_in_place_differ_and_are_counted_by_line() -> None:
    second = IMAGE.copy()
    places = np.array([0x401, 0x403, 0x480, 0x7FF])
    second[places] ^= np.uint8(0x08)

    relation = relate(IMAGE, second, BITS)

    assert relation.relation == "differs"
    assert (relation.differing_words, relation.differing_bits) == (4, 4)
    assert relation.by_data_line == (0, 0, 0, 4, 0, 0, 0, 0)
    assert relation.by_address_line[10] == 4


def test_another_firmware_is_unrelated_and_the_statistic_is_told() -> None:
    relation = relate(IMAGE, firmware_like(8, WORDS) ^ np.uint8(0x5A), BITS)

    assert relation.relation == "unrelated"
    assert relation.mapping is None
    assert not relation.undecidable
    assert "of informative words match in place; at 48 other offsets" in relation.notes[0]


def test_another_revision_of_the_same_firmware_differs_rather_than_being_unrelated() -> None:
    second = IMAGE.copy()
    second[700:1500] = firmware_like(9, 800)

    relation = relate(IMAGE, second, BITS)

    assert relation.relation == "differs"


@pytest.mark.parametrize("level", [0x00, 0xFF, 0x5A])
@pytest.mark.parametrize("other", [0x00, 0xFF, 0x5A])
def test_constant_images_never_prove_a_mapping(level: int, other: int) -> None:
    relation = relate(np.full(WORDS, level, np.uint8), np.full(WORDS, other, np.uint8), BITS)

    if level == other:
        assert relation.relation == "identical"
    else:
        assert (relation.relation, relation.mapping, relation.undecidable) == ("unrelated", None, True)


def test_a_constant_image_against_a_real_one_is_unrelated() -> None:
    relation = relate(IMAGE, np.full(WORDS, 0xFF, np.uint8), BITS)

    assert relation.relation == "unrelated"
    assert relation.mapping is None


@pytest.mark.parametrize("line", [0, 5, 10])
def test_an_image_that_says_one_bit_only_does_not_prove_crossed_lines(line: int) -> None:
    """Half 00 and half FF: whichever line divides it, naming the lines says more than the image does."""
    places = np.arange(WORDS)
    first = np.where(places >> 10 & 1, 0xFF, 0).astype(np.uint8)
    second = np.where(places >> line & 1, 0, 0xFF).astype(np.uint8)

    relation = relate(first, second, BITS)

    assert relation.mapping is None or line == 10
    assert relation.undecidable or line == 10


def test_one_odd_word_in_a_blank_chip_does_not_prove_crossed_lines() -> None:
    first, second = np.full(WORDS, 0xFF, np.uint8), np.full(WORDS, 0xFF, np.uint8)
    first[5], second[1200] = 0x12, 0x48

    relation = relate(first, second, BITS)

    assert relation.relation == "differs"
    assert relation.mapping is not None
    assert relation.mapping.is_identity


def test_two_half_blank_chips_of_other_content_are_unrelated() -> None:
    first = firmware_like(11, WORDS, blank_from=WORDS // 2)
    second = firmware_like(12, WORDS, blank_from=WORDS // 2) ^ np.where(
        np.arange(WORDS) < WORDS // 2, 0x33, 0
    ).astype(np.uint8)

    relation = relate(first, second, BITS)

    assert relation.relation == "unrelated"


def test_a_half_blank_chip_with_crossed_lines_is_recovered() -> None:
    first = firmware_like(11, WORDS, blank_from=WORDS // 2)
    mapping = random_mapping(np.random.default_rng(2), LINES, BITS)

    relation = relate(first, mapping.apply(first), BITS)

    assert relation.mapping == mapping


def test_an_unused_address_line_leaves_one_alternative_and_the_simplest_is_given() -> None:
    half = firmware_like(13, WORDS // 2)
    first = np.concatenate([half, half])
    crossed = LineMap.simple(LINES, BITS, address=(3, 1, 2, 0, *range(4, LINES)), invert_address=(LINES - 1,))

    relation = relate(first, crossed.apply(first), BITS)

    assert relation.mapping == LineMap.simple(LINES, BITS, address=crossed.address)
    assert relation.alternatives == 1
    assert any("nothing depends on A10" in note for note in relation.notes)


def test_equal_data_columns_leave_one_alternative_and_the_straight_order_is_given() -> None:
    first = IMAGE & np.uint8(0xFC) | (IMAGE & np.uint8(1)) * np.uint8(3)
    crossed = LineMap.simple(LINES, BITS, address=(3, 1, 2, 0, *range(4, LINES)), data=(1, 0, *range(2, 8)))

    relation = relate(first, crossed.apply(first), BITS)

    assert relation.mapping == LineMap.simple(LINES, BITS, address=crossed.address)
    assert relation.alternatives == 1
    assert any("nothing tells D0, D1 apart" in note for note in relation.notes)


@pytest.mark.parametrize("flips", [0, 10])
@pytest.mark.parametrize("at", [1, 0x3A3, 2000])
def test_one_lost_word_is_a_slip_and_the_rest_is_compared(at: int, flips: int) -> None:
    image = IMAGE.copy()
    image[at] = image[at - 1] ^ 0x55  # so that the lost word is no twin of its neighbours
    image[at + 1] = image[at] ^ 0x0F
    second = lose_words(flip_bits(image, BITS, flips), at) if flips else lose_words(image, at)

    relation = relate(image, second, BITS)

    assert relation.relation == "slipped"
    assert [(slip.at, slip.by) for slip in relation.slips] == [(at, 1)]
    assert relation.differing_words <= flips


@pytest.mark.parametrize("flips", [0, 10])
def test_one_doubled_word_is_a_slip_the_other_way(flips: int) -> None:
    second = Bench(flip_bits(IMAGE, BITS, flips) if flips else IMAGE).repeat_word(0x201).read()

    relation = relate(IMAGE, second, BITS)

    assert relation.relation == "slipped"
    (slip,) = relation.slips
    assert slip.by == -1
    assert slip.at <= 0x201 <= slip.latest + 1
    assert relation.differing_words <= flips


@pytest.mark.parametrize("count", [1, 7, 100])
def test_an_image_short_by_words_in_its_middle_is_slipped(count: int) -> None:
    relation = relate(IMAGE, np.delete(IMAGE, slice(500, 500 + count)), BITS)

    assert relation.relation == "slipped"
    assert relation.slips[0].by == count
    assert any("against" in note for note in relation.notes)


def test_the_beginning_of_an_image_differs_in_its_missing_end_only() -> None:
    relation = relate(IMAGE, IMAGE[:1500], BITS)

    assert relation.relation == "differs"
    assert relation.slips == ()
    assert "the smaller is the beginning of the larger" in relation.notes
    assert "the second ends 548 words early" in relation.notes


def test_images_of_other_sizes_and_content_are_unrelated() -> None:
    relation = relate(IMAGE, firmware_like(21, 1000) ^ np.uint8(0x77), BITS)

    assert relation.relation == "unrelated"
    assert relation.mapping is None


def test_words_that_fill_no_address_lines_are_still_compared() -> None:
    image = firmware_like(31, 1500)

    assert relate(image, ~image, BITS).mapping == LineMap.simple(11, BITS, invert_data=EVERY_BIT)
    assert relate(image, np.roll(image, 9), BITS).mapping == LineMap.simple(11, BITS, rotate=9)


@pytest.mark.parametrize("image", [np.array([], np.uint8), np.array([0x10], np.uint8)])
def test_an_empty_image_or_a_word_too_wide_is_refused(image: Words) -> None:
    with pytest.raises(ValueError, match=r"without words|more than 4 bits"):
        relate(image, image, 4)


@pytest.mark.parametrize("bits", [1, 8, 64])
def test_a_single_word_is_compared(bits: int) -> None:
    one = firmware_like(1, 1, bits) & np.array(0, dtype=firmware_like(1, 1, bits).dtype)

    relation = relate(one, one ^ one.dtype.type(1), bits)

    assert relation.relation in {"unrelated", "differs"}
    assert relation.differing_bits == 1


def test_the_json_form_has_the_keys_of_the_contract() -> None:
    document = relate(IMAGE, ~IMAGE, BITS).to_json()

    assert document["relation"] == "mapped"
    assert document["mapping"] == {
        "address": list(range(LINES)),
        "data": list(range(BITS)),
        "invert_address": [],
        "invert_data": list(range(BITS)),
        "rotate": 0,
    }
    assert {"differing_words", "differing_bits"} <= set(document)


@pytest.mark.parametrize(
    "mapping",
    [
        LineMap.simple(LINES, BITS, invert_data=EVERY_BIT),
        LineMap.simple(LINES, BITS, data=tuple(reversed(EVERY_BIT))),
    ],
)
@pytest.mark.parametrize("flips", [0, 10])
def test_a_slip_behind_moved_or_inverted_data_lines_is_found_with_both_told(
    mapping: LineMap, flips: int
) -> None:
    second = lose_words(mapping.apply(IMAGE), 1200)
    second = flip_bits(second, BITS, flips) if flips else second

    relation = relate(IMAGE, second, BITS)

    assert relation.relation == "slipped"
    assert relation.mapping == mapping
    assert [slip.by for slip in relation.slips] == [1]
    assert relation.aligned is not None
    right = relation.aligned.words == IMAGE
    assert np.count_nonzero(relation.aligned.present & ~right) == relation.differing_words <= flips


def test_a_ramp_leaves_every_order_of_its_lines_open() -> None:
    """Word a is a: any order and inversion of address lines is also one of data lines, 8! x 2^8 in all."""
    ramp = np.arange(256, dtype=np.uint8)

    relation = relate(ramp, ~ramp, BITS)

    assert relation.mapping == LineMap.simple(8, BITS, invert_data=EVERY_BIT)
    assert relation.alternatives == 40320 * 256 - 1


def test_the_parity_of_the_address_leaves_every_order_of_address_lines_open() -> None:
    """11! orders, and each address line inverted or else the data line, 2^11."""
    parity = (np.bitwise_count(np.arange(2048, dtype=np.uint64)) & 1).astype(np.uint8)

    relation = relate(parity, 1 - parity, 1)

    assert relation.mapping == LineMap.simple(LINES, 1, invert_data=(0,))
    assert relation.alternatives == 39916800 * 2048 - 1


def test_an_image_that_repeats_itself_is_told_with_its_smallest_rotation() -> None:
    repeating = np.tile(firmware_like(4, 256), 8)

    relation = relate(repeating, np.roll(repeating, 3), BITS)

    assert relation.mapping == LineMap.simple(LINES, BITS, rotate=3)
    assert "nothing depends on A8, A9, A10" in relation.notes


def test_a_handful_of_words_drowned_in_wrong_ones_is_told_as_undecidable() -> None:
    first = np.full(1024, 0xFF, np.uint8)
    first[[3, 90, 400, 401, 700, 801, 1000]] = [1, 2, 3, 4, 5, 6, 7]
    mapping = random_mapping(np.random.default_rng(6), 10, BITS)

    relation = relate(first, flip_bits(mapping.apply(first), BITS, 5), BITS)

    assert relation.mapping is None
    assert relation.undecidable


def test_a_mapping_that_moves_nothing_says_so() -> None:
    assert LineMap.simple(LINES, BITS).in_words() == "nothing changed"


@pytest.mark.parametrize(
    ("open_", "said"),
    [
        ((0, (), (), None), []),
        ((1, (), (), None), ["another mapping fits equally well; the simplest is given"]),
        ((2, (), (), 9), ["2 other mappings fit equally well; the simplest is given"]),
        ((0, (3, 4), (), 8), ["nothing depends on A3, A4", NEXT_BEST.format("8 more words")]),
        ((0, (), (("A1", "A2"), ("D0", "D7")), 1), [*NOT_APART, NEXT_BEST.format("1 more word")]),
        ((0, (), (), 0), [NEXT_BEST.format("0 more words")]),
    ],
)
def test_what_the_images_leave_open_is_told_a_sentence_each(open_: Any, said: list[str]) -> None:
    assert Symmetries(LineMap.simple(LINES, BITS), *open_).notes() == said


@pytest.mark.parametrize("size", [1, 63, 64, 65, 1000, 1 << 17])
def test_sums_of_products_are_the_same_in_blocks_as_at_once(size: int) -> None:
    one, other = (np.random.default_rng(seed).choice([-1.0, 1.0], (2, size)) for seed in (1, 2))
    whole = one @ other.T
    assert np.array_equal(products(one.astype(np.float32), other.astype(np.float32)), whole)

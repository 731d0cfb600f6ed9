"""How much trust a reader has earned, and for which lines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import betaincinv

from pipeline.stages.qualify import (
    Coverage,
    Qualification,
    ReadChip,
    chip_evidence,
    coverage,
    fitness,
    pair_bit,
    qualified,
    upper_bound,
)
from pipeline.words import Words
from schemas.names import Organisation
from tests.kit.images import firmware_like
from tests.kit.wires import flip_bits

SMALL, LARGE = Organisation(2048, 8), Organisation(8192, 8)
IMAGE = firmware_like(5, SMALL.words)


def chip(name: str, organisation: Organisation = SMALL, **readings: Words) -> ReadChip:
    return ReadChip(name, organisation, {reader: (words, None) for reader, words in readings.items()})


def qualify(chips: list[ReadChip]) -> Qualification:
    return qualified(map(chip_evidence, chips))


def all_shared(words: Words) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.ones(words.size, dtype=np.bool_)


def test_a_reader_that_agrees_on_a_full_chip_is_qualified_for_all_its_lines() -> None:
    found = fitness(qualify([chip("U1", bench=IMAGE, trusted=IMAGE)]), "bench", SMALL)

    assert found.qualified
    assert found.reasons[0].startswith("reader bench is qualified for every line of this chip by U1")
    assert "16384 bits compared, 0 differ" in found.reasons[0]


def test_a_larger_chip_names_the_lines_that_the_comparison_never_reached() -> None:
    found = fitness(qualify([chip("U1", bench=IMAGE, trusted=IMAGE)]), "bench", LARGE)

    assert not found.qualified
    assert found.address_lines == (11, 12)
    assert found.data_lines == ()
    assert any("not qualified: A11, A12" in reason for reason in found.reasons)


def test_a_wider_chip_names_the_data_lines_never_reached() -> None:
    found = fitness(qualify([chip("U1", bench=IMAGE, trusted=IMAGE)]), "bench", Organisation(1024, 16))

    assert found.data_lines == tuple(range(8, 16))


def test_a_chip_whose_halves_are_equal_proves_nothing_about_its_top_line() -> None:
    doubled = np.concatenate([IMAGE[:1024], IMAGE[:1024]])

    found = fitness(qualify([chip("U1", bench=doubled, trusted=doubled)]), "bench", SMALL)

    assert found.address_lines == (10,)


def test_a_chip_blank_in_its_upper_half_shows_its_top_line_stuck_but_only_by_its_lower_half() -> None:
    """Stuck low, the upper half would repeat the lower; a wholly blank chip would show nothing."""
    half = IMAGE.copy()
    half[1024:] = 0xFF
    blank = np.full(SMALL.words, 0xFF, np.uint8)

    assert coverage(half, all_shared(half), SMALL).address[10] == np.count_nonzero(half[:1024] != 0xFF)
    assert coverage(blank, all_shared(blank), SMALL) == Coverage({}, {}, 0, 0)


def test_words_beyond_the_range_that_both_readers_read_prove_nothing() -> None:
    present = np.arange(SMALL.words) < 1024
    read = ReadChip("U1", SMALL, {"bench": (IMAGE, present), "trusted": (IMAGE, None)})

    found = fitness(qualify([read]), "bench", SMALL)

    assert found.address_lines == (10,)
    assert qualify([read]).of("bench").bits_compared == 1024 * 8  # type: ignore[union-attr]


def test_equal_data_columns_are_not_told_apart() -> None:
    image = IMAGE & np.uint8(0xFC) | (IMAGE & np.uint8(1)) * np.uint8(3)

    found = fitness(qualify([chip("U1", bench=image, trusted=image)]), "bench", SMALL)

    assert not found.qualified
    assert found.not_told_apart == ("D0 D1",)
    assert any("not told apart: D0 D1" in reason for reason in found.reasons)


@pytest.mark.parametrize("line", range(11))
def test_every_covered_address_line_would_have_shown_a_stuck_level(line: int) -> None:
    """The claim of coverage, proved by doing the fault: the reader would have read other words."""
    covered = coverage(IMAGE, all_shared(IMAGE), SMALL)
    places = np.arange(SMALL.words)

    for level in (0, 1):
        stuck = IMAGE[places & ~(1 << line) | (level << line)]
        assert np.count_nonzero(stuck != IMAGE) == covered.address[line]


@pytest.mark.parametrize("seed", range(6))
def test_a_pair_of_address_lines_counts_only_where_swapping_and_both_ways_of_joining_show(seed: int) -> None:
    generator = np.random.default_rng(seed)
    organisation = Organisation(64, 4)
    image = generator.integers(0, 16, 64).astype(np.uint8)
    image[generator.integers(0, 48) :] = 15
    covered = coverage(image, all_shared(image), organisation)
    places = np.arange(64)
    for one in range(6):
        for other in range(one + 1, 6):
            a, b = places >> one & 1, places >> other & 1
            rest = places & ~(1 << one | 1 << other)
            swapped = rest | b << one | a << other
            low = rest | (a & b) << one | (a & b) << other
            high = rest | (a | b) << one | (a | b) << other
            shown = bool(np.any(image[swapped] != image))
            assert bool(covered.address_pairs & pair_bit(one, other)) == shown
            if shown:
                assert np.any(image[low] != image)
                assert np.any(image[high] != image)


def test_disagreements_are_charged_to_both_readers_and_bound_their_error_rates() -> None:
    qualification = qualify([chip("U1", bench=flip_bits(IMAGE, 8, 3), trusted=IMAGE)])

    for reader in ("bench", "trusted"):
        standing = qualification.of(reader)
        assert standing is not None
        assert (standing.bits_compared, standing.disagreements) == (16384, 3)
        assert standing.upper_bound == upper_bound(3, 16384)
        assert standing.agreed_chips == ()
    assert not fitness(qualification, "bench", SMALL).qualified


def test_one_agreed_chip_qualifies_the_lines_while_another_keeps_the_error_rate_honest() -> None:
    qualification = qualify(
        [chip("U1", bench=IMAGE, trusted=IMAGE), chip("U2", bench=flip_bits(IMAGE, 8, 2), trusted=IMAGE)]
    )

    found = fitness(qualification, "bench", SMALL)

    assert found.qualified
    assert "2 chips, 32768 bits compared, 2 differ" in found.reasons[0]
    assert found.expected_wrong_bits == pytest.approx(upper_bound(2, 32768) * 16384)


def test_three_readers_make_three_pairs_and_a_bit_is_counted_once_per_reader() -> None:
    qualification = qualify([chip("U1", a=IMAGE, b=IMAGE, c=flip_bits(IMAGE, 8, 1))])

    assert [pair.readers for pair in qualification.pairs] == [("a", "b"), ("a", "c"), ("b", "c")]
    assert [pair.disagreements for pair in qualification.pairs] == [0, 1, 1]
    assert all(standing.bits_compared == 16384 for standing in qualification.readers)


def test_a_reader_alone_earns_nothing() -> None:
    qualification = qualify([chip("U1", bench=IMAGE)])
    found = fitness(qualification, "bench", SMALL)

    assert qualification.readers == ()
    assert not found.qualified
    assert found.address_lines == tuple(range(11))
    assert found.reasons == ("reader bench never shared a chip with another reader: nothing qualifies it",)


def test_readers_that_share_no_word_compare_nothing_and_are_bounded_by_nothing() -> None:
    even = np.arange(SMALL.words) % 2 == 0
    read = ReadChip("U1", SMALL, {"a": (IMAGE, even), "b": (IMAGE, ~even)})

    standing = qualify([read]).of("a")

    assert standing is not None
    assert (standing.bits_compared, standing.upper_bound, standing.agreed_chips) == (0, 1.0, ())


def test_a_reading_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="chip U1: 5 words, its organisation says 2048x8"):
        qualify([chip("U1", a=IMAGE, b=IMAGE[:5])])


def test_more_errors_than_trials_are_refused() -> None:
    with pytest.raises(ValueError, match="3 errors in 2 trials"):
        upper_bound(3, 2)


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_the_bound_of_no_errors_is_scipys_to_the_last_bit(confidence: float) -> None:
    """Source: scipy.special.betaincinv."""
    trials = [*range(1, 200), 16384, 58624, 327680, 10_000_019, 335_544_320]

    assert [upper_bound(0, one, confidence=confidence) for one in trials] == [
        float(betaincinv(1, one, confidence)) for one in trials
    ]


def test_the_json_form_names_lines_and_witnesses() -> None:
    document = qualify([chip("U1", bench=IMAGE, trusted=IMAGE)]).to_json()

    (pair,) = document["pairs"]
    assert pair["readers"] == ["bench", "trusted"]
    assert [line["line"] for line in pair["coverage"]["address"]] == [f"A{k}" for k in range(11)]
    assert all(line["witnesses"] > 0 for line in pair["coverage"]["data"])


def test_a_chip_that_does_not_fill_its_address_lines_is_covered_by_the_words_it_has() -> None:
    organisation = Organisation(1500, 8)
    image = firmware_like(1, organisation.words)
    covered = coverage(image, all_shared(image), organisation)

    assert covered.address[10] == np.count_nonzero(image[1024:] != image[: 1500 - 1024])
    assert fitness(qualify([chip("U1", organisation, a=image, b=image)]), "a", organisation).qualified

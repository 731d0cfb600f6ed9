"""Streams that lost or doubled words, set against edit distance by an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from rapidfuzz.distance import Levenshtein

from pipeline.lines import Slip, align, relate
from tests.kit.faults import dead_in_one_reading
from tests.kit.images import code, firmware_like

IMAGE = firmware_like(3, 3000)


def test_a_stream_without_slips_keeps_its_order() -> None:
    aligned = align(IMAGE, IMAGE.copy())

    assert aligned.slips == ()
    assert aligned.present.all()
    assert np.array_equal(aligned.words, IMAGE)
    assert aligned.distance == 0


@pytest.mark.parametrize("seed", range(12))
def test_scattered_losses_and_doublings_are_aligned_at_the_edit_distance(seed: int) -> None:
    generator = np.random.default_rng(seed)
    second = IMAGE.copy()
    changes = int(generator.integers(1, 7))
    for at in sorted(generator.choice(np.arange(60, 2900, 120), changes, replace=False), reverse=True):
        if generator.integers(2):
            second = np.delete(second, slice(at, at + int(generator.integers(1, 6))))
        else:
            second = np.insert(second, at, second[at : at + int(generator.integers(1, 4))])

    aligned = align(IMAGE, second)

    assert len(aligned.slips) == changes
    assert aligned.distance == Levenshtein.distance(IMAGE.tolist(), second.tolist())
    assert np.array_equal(aligned.words[aligned.present], IMAGE[aligned.present])


def test_a_loss_and_a_doubling_close_together_are_told_from_changed_words() -> None:
    second = np.delete(IMAGE, 1000)
    second = np.insert(second, 1012, second[1012])

    aligned = align(IMAGE, second)

    assert [slip.by for slip in aligned.slips] == [1, -1]
    assert aligned.differing_words == 0


def test_changed_words_in_a_row_are_no_slip() -> None:
    second = IMAGE.copy()
    second[1000:1200] ^= np.uint8(0x5A)

    aligned = align(IMAGE, second)

    assert aligned.slips == ()
    assert aligned.differing_words == 200


def test_a_large_loss_is_found() -> None:
    aligned = align(IMAGE, np.delete(IMAGE, slice(700, 1700)))

    assert [(slip.at, slip.by) for slip in aligned.slips] == [(700, 1000)]


def test_a_loss_within_equal_words_says_how_far_it_may_lie() -> None:
    image = IMAGE.copy()
    image[100:140] = 0xFF

    (slip,) = align(image, np.delete(image, 120)).slips

    assert slip == Slip(100, 1, 139)
    assert slip.in_words() == "1 word lost after address 0x63 (or as late as 0x8B)"


def test_a_stream_that_begins_late_has_lost_its_first_words() -> None:
    (slip,) = align(IMAGE, IMAGE[5:]).slips

    assert (slip.at, slip.by) == (0, 5)
    assert slip.in_words() == "5 words lost before address 0x0"


def test_a_stream_that_ends_early_has_no_slip_but_a_missing_end() -> None:
    aligned = align(IMAGE, IMAGE[:-7])

    assert aligned.slips == ()
    assert aligned.missing_at_end == 7
    assert not aligned.present[-7:].any()


@pytest.mark.parametrize("size", [0, 1, 5])
def test_a_stream_of_hardly_any_words_is_aligned_without_complaint(size: int) -> None:
    aligned = align(IMAGE[:40], IMAGE[:size])

    assert aligned.words.size == 40
    assert int(np.count_nonzero(aligned.present)) <= size


def test_a_loss_of_more_words_than_are_left_is_no_slip() -> None:
    """A8 dead: near the end, what follows seems to have stood 256 words before."""
    random = np.random.default_rng([5, 3114527852, 0])
    seen, program = dead_in_one_reading(random, code(random, 2048)[0], 8).streams

    assert relate(program, seen, 8).relation == "differs"
    assert relate(seen, program, 8).relation == "differs"

"""What two specimens say of each other: a fault, a healthy pair, the look-alike, and any images."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.twins.compare import SpecimenDifference, SpecimenImage, compare
from pipeline.twins.signature import differing_places, image_signature, most_differing, sample_places
from pipeline.twins.texts import texts
from pipeline.words import Words
from tests.kit.images import code
from tests.kit.wires import Bench

TRUTH: Words = code(np.random.default_rng(3), 2048)[0].astype(np.uint8)


def told(
    this: Words, other: Words, fades_to: int | None = 1, doubt: Words | None = None
) -> SpecimenDifference:
    nothing = np.zeros_like(this)
    return compare(
        SpecimenImage(this, nothing if doubt is None else doubt), SpecimenImage(other, nothing), 8, fades_to
    )


def faded(image: Words, cells: int) -> Words:
    """So many programmed cells, each in a word of its own, have gone to 1."""
    out = image.copy()
    at = [word for word in range(5, 2048, 17) if not out[word] & 4][:cells]
    assert len(at) == cells
    out[at] |= 4
    return out


def test_equal_images_are_the_same() -> None:
    assert told(TRUTH, TRUTH).kind == "same"


@pytest.mark.parametrize(("cells", "kind"), [(3, "perhaps-fading"), (8, "fading"), (40, "fading")])
def test_cells_that_all_went_one_way_have_faded_in_that_specimen(cells: int, kind: str) -> None:
    assert (told(faded(TRUTH, cells), TRUTH).kind, told(faded(TRUTH, cells), TRUTH).side) == (kind, "this")
    assert told(TRUTH, faded(TRUTH, cells)).side == "other"


def test_a_part_that_fades_the_other_way_has_the_other_specimen_faded() -> None:
    assert told(faded(TRUTH, 12), TRUTH, fades_to=0).side == "other"
    assert told(faded(TRUTH, 12), TRUTH, fades_to=None).kind == "one-way"


def test_a_stretch_changed_both_ways_is_a_revision_and_no_fading() -> None:
    other = TRUTH.copy()
    other[700:760] = np.random.default_rng(1).integers(0, 256, 60)
    found = told(TRUTH, other)
    assert found.kind == "revision"
    assert all(700 <= start < end <= 760 for start, end in found.ranges)


def test_a_program_moved_by_inserted_words_is_a_revision_and_not_another_program() -> None:
    pieces = [
        TRUTH[:100],
        TRUTH[:9] ^ 0x55,
        TRUTH[100:600],
        TRUTH[:5] ^ 0xAA,
        TRUTH[600:900],
        TRUTH[:7] ^ 0x33,
    ]
    moved = np.concatenate([*pieces, TRUTH[900:1300], TRUTH[3:20], TRUTH[1300:]])[:2048]
    assert told(TRUTH, moved).kind in ("revision", "slipped")
    assert told(TRUTH, code(np.random.default_rng(44), 2048)[0].astype(np.uint8)).kind == "unrelated"


def test_a_line_at_fault_is_named_on_its_side_and_what_it_leaves_is_judged_by_itself() -> None:
    seen = Bench(TRUTH, 8).stick_data_line(6, 1).read().astype(np.uint8)
    found = told(seen, faded(TRUTH, 9))
    assert (found.kind, found.side, found.lines, found.what) == ("line", "this", ("D6",), "stuck")
    assert found.beside is not None
    assert (found.beside.kind, found.beside.side) == ("fading", "other")


def test_two_lines_joined_are_named_both() -> None:
    seen = Bench(TRUTH, 8).join_data_lines(1, 5, "low").read().astype(np.uint8)
    assert told(TRUTH, seen).lines == ("D1", "D5")


def test_contested_bits_say_nothing_and_most_of_them_leave_nothing_to_say() -> None:
    other = TRUTH.copy()
    other[9] ^= 3
    assert told(TRUTH, other, doubt=TRUTH ^ other).kind == "same"
    assert told(TRUTH, other, doubt=np.full_like(TRUTH, 0xFF)).kind == "unsettled"


def test_a_stretch_unprogrammed_in_one_is_told_as_emptied() -> None:
    other = TRUTH.copy()
    other[64:128] = 0xFF
    assert (told(TRUTH, other).kind, told(TRUTH, other).side) == ("emptied", "other")


def test_a_version_text_is_told_where_it_differs() -> None:
    this, other = TRUTH.copy(), TRUTH.copy()
    this[64:76] = np.frombuffer(b"VERSION 1.31", np.uint8)
    other[64:76] = np.frombuffer(b"VERSION 2.07", np.uint8)
    (first, *_) = texts(this, other, 8, [(64, 76)])
    assert first["version"]
    assert "1.31" in first["this"]
    assert texts(this, other, 7, [(64, 76)]) == []


IMAGES = st.integers(0, 6).flatmap(
    lambda lines: st.tuples(
        *(st.lists(st.integers(0, 255), min_size=1 << lines, max_size=1 << lines) for _ in range(3))
    )
)


@given(IMAGES, st.sampled_from([0, 1, None]))
def test_any_two_images_give_one_verdict_seen_from_either_side(
    drawn: tuple[list[int], list[int], list[int]], fades_to: int | None
) -> None:
    this, other, doubt = (np.array(one, np.uint8) for one in drawn)
    found, back = told(this, other, fades_to, doubt), told(other, this, fades_to, doubt)
    assert (found.words, found.up, found.down) == (back.words, back.down, back.up)
    assert all(0 <= start < end <= len(this) for start, end in found.ranges)
    if found.kind == "same":
        assert not ((this ^ other) & ~doubt).any()


@given(IMAGES)
def test_a_signature_of_any_image_finds_the_image_itself(drawn: tuple[list[int], ...]) -> None:
    image = np.array(drawn[0], np.uint8)
    signed = image_signature(image, 8)
    assert signed.bare == (len(set(drawn[0])) == 1)
    if signed.sample:
        many = np.frombuffer(signed.sample, np.uint8)[None]
        assert differing_places(signed.sample, many).tolist() == [0]


def test_the_shape_stays_whatever_the_order_of_lines_and_changes_with_a_word() -> None:
    crossed = (TRUTH[np.arange(2048) ^ 0x155] ^ 0x5A)[::-1]
    assert image_signature(crossed, 8).shape == image_signature(TRUTH, 8).shape
    changed = TRUTH.copy()
    changed[0] ^= 1
    assert image_signature(changed, 8).shape != image_signature(TRUTH, 8).shape


def test_places_are_fixed_and_as_many_as_a_sample_has() -> None:
    assert sample_places(100).tolist() == list(range(100))
    places = sample_places(1 << 16)
    assert (len(set(places.tolist())), int(places[0]), int(places[-1]) < 1 << 16) == (
        512,
        int(places.min()),
        True,
    )
    assert most_differing(256) == 5

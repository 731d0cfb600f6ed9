"""Laws of mappings, transforms, slips and bounds, for any images and any lines."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein

from pipeline.lines import LineMap, align, apply_wiring, relate, undo_wiring
from pipeline.lines.mapping import lines_of, mask_of
from pipeline.lines.measure import own_bits
from pipeline.lines.walsh import walsh
from pipeline.stages.qualify import upper_bound
from pipeline.words import Words, words_dtype
from tests.kit.examples import examples
from tests.kit.images import firmware_like


@st.composite
def mapped_images(draw: st.DrawFn) -> tuple[Words, int, LineMap]:
    """Any image of 1 to 256 words of 1 to 64 bits, and any mapping of its lines."""
    lines, bits = draw(st.integers(0, 8)), draw(st.integers(1, 64))
    seed = draw(st.integers(0, 2**32 - 1))
    generator = np.random.default_rng(seed)
    words = (
        generator.integers(0, 1 << bits, 1 << lines, dtype=np.uint64, endpoint=False)
        if bits < 64
        else (generator.integers(0, (1 << 64) - 1, 1 << lines, dtype=np.uint64, endpoint=True))
    )
    mapping = LineMap(
        tuple(draw(st.permutations(range(lines)))),
        tuple(draw(st.permutations(range(bits)))),
        lines_of(draw(st.integers(0, (1 << lines) - 1))),
        lines_of(draw(st.integers(0, (1 << bits) - 1))),
        draw(st.integers(0, (1 << lines) - 1)),
    )
    return words.astype(words_dtype(bits)), bits, mapping


@given(mapped_images())
def test_undoing_a_mapping_gives_the_image_back(case: tuple[Words, int, LineMap]) -> None:
    first, _, mapping = case

    assert np.array_equal(mapping.undo(mapping.apply(first)), first)
    assert np.array_equal(mapping.apply(mapping.undo(first)), first)


@given(mapped_images())
def test_a_mapping_does_to_every_word_what_its_formula_says(case: tuple[Words, int, LineMap]) -> None:
    first, bits, mapping = case
    second = mapping.apply(first)

    for a in range(first.size):
        place = sum((a >> k & 1) << t for k, t in enumerate(mapping.address)) ^ mask_of(
            mapping.invert_address
        )
        word = sum((int(first[a]) >> k & 1) << mapping.data[k] for k in range(bits)) ^ mask_of(
            mapping.invert_data
        )
        assert int(second[(place + mapping.rotate) % first.size]) == word


@given(mapped_images())
def test_wiring_is_the_mapping_without_rotation(case: tuple[Words, int, LineMap]) -> None:
    first, bits, mapping = case
    wiring: dict[str, Any] = {
        "address": mapping.address,
        "data": mapping.data,
        "invert_address": mapping.invert_address,
        "invert_data": mapping.invert_data,
    }

    assert np.array_equal(undo_wiring(apply_wiring(first, bits, **wiring), bits, **wiring), first)


@given(mapped_images())
@settings(max_examples=examples(0.15))
def test_whatever_relation_is_told_its_counts_are_those_of_the_mapping(
    case: tuple[Words, int, LineMap],
) -> None:
    first, bits, mapping = case
    second = mapping.apply(first)

    relation = relate(first, second, bits)

    if relation.mapping is not None and not relation.slips:
        wrong = relation.mapping.undo(second) ^ first
        assert relation.differing_words == np.count_nonzero(wrong)
        assert relation.differing_bits == sum(relation.by_data_line)
    if relation.relation == "identical":
        assert np.array_equal(first, second)


@given(st.integers(0, 2**32 - 1), st.integers(6, 11), st.sampled_from([0, 200]))
@settings(max_examples=examples(0.2))
def test_the_mapping_of_a_telling_image_is_recovered(seed: int, lines: int, spoilt_words: int) -> None:
    generator = np.random.default_rng(seed)
    first = firmware_like(seed, 1 << lines)
    mapping = LineMap(
        tuple(int(k) for k in generator.permutation(lines)),
        tuple(int(k) for k in generator.permutation(8)),
        lines_of(int(generator.integers(1 << lines))),
        lines_of(int(generator.integers(256))),
    )
    second = mapping.apply(first)
    injected = max(1, first.size // spoilt_words) if spoilt_words else 0
    second[generator.choice(first.size, injected, replace=False)] ^= np.uint8(1 << int(generator.integers(8)))

    relation = relate(first, second, 8)

    assert relation.relation in {"mapped", "identical", "differs"}
    assert relation.differing_words <= injected


@given(
    st.lists(st.integers(0, 255), min_size=1, max_size=64),
    st.lists(st.integers(0, 255), min_size=1, max_size=64),
)
def test_any_two_images_are_related_without_complaint_and_alike_both_ways_when_identical(
    one: list[int], other: list[int]
) -> None:
    first, second = np.array(one, np.uint8), np.array(other, np.uint8)

    relation = relate(first, second, 8)

    assert (relation.relation == "identical") == (one == other)
    assert relation.to_json()["relation"] == relation.relation


@given(st.binary(max_size=120), st.binary(max_size=120))
def test_an_alignment_never_beats_the_edit_distance_and_shows_only_words_that_are_there(
    one: bytes, other: bytes
) -> None:
    first, second = np.frombuffer(one, np.uint8), np.frombuffer(other, np.uint8)

    aligned = align(first, second)

    assert aligned.distance >= Levenshtein.distance(one, other)
    assert aligned.words.size == first.size
    assert np.count_nonzero(aligned.present) <= second.size
    assert aligned.differing_words == np.count_nonzero(
        aligned.words[aligned.present] != first[aligned.present]
    )


@given(
    st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(100, 1900), st.sampled_from(["lost", "doubled"])
)
@settings(max_examples=examples(0.25))
def test_one_slip_is_aligned_at_the_edit_distance(seed: int, count: int, at: int, fate: str) -> None:
    first = firmware_like(seed, 2048)
    cut = slice(at, at + count)
    second = np.delete(first, cut) if fate == "lost" else np.insert(first, at, first[cut])

    assert align(first, second).distance == Levenshtein.distance(first.tolist(), second.tolist())


@given(st.integers(0, 7), st.integers(0, 2**32 - 1))
def test_the_transform_twice_is_the_image_times_its_length(lines: int, seed: int) -> None:
    columns = np.random.default_rng(seed).integers(-8, 9, (3, 1 << lines)).astype(np.float32)

    assert np.array_equal(walsh(walsh(columns)), columns * np.float32(1 << lines))


@given(st.integers(0, 50), st.integers(1, 5000))
def test_the_upper_bound_lies_above_the_rate_and_falls_with_more_trials(errors: int, more: int) -> None:
    trials = errors + more

    bound = upper_bound(errors, trials)

    assert errors / trials < bound <= 1
    assert upper_bound(errors, trials + 100) < bound


@given(mapped_images())
def test_no_image_needs_more_than_its_plain_bits(case: tuple[Words, int, LineMap]) -> None:
    first, bits, _ = case

    assert 0 < own_bits(first, bits) <= first.size * bits

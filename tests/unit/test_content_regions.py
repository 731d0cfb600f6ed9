"""Regions: what a stretch of words is, and what a fill speaks for."""

from __future__ import annotations

import json
import zlib
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import Region, regions, self_checks, with_sisters
from pipeline.stages.content.fills import CANNOT_TELL, ON_PURPOSE, UNUSED, Fill, find_fills, least_fill
from pipeline.stages.content.regions import _may_point, _pointer_tables  # what stands before the other
from pipeline.stages.content.runs import runs
from pipeline.words import Words, true_ranges, words_dtype
from schemas.part import Part
from tests.kit.images import code_image, put, random_image

SOURCE = {"type": "from memory", "citation": "invented for the tests"}


def part(
    kind: str, *, erased: int | None = None, fades: int | None = None, output: str | None = None
) -> Part:
    return Part.model_validate(
        {
            "part": "T1",
            "kind": kind,
            "words": 2048,
            "bits": 8,
            "pins": 24,
            "erased_state": erased,
            "fades_to": fades,
            "output": output,
            "source": SOURCE,
            "confidence": "low",
        }
    )


def cut(
    words: np.ndarray, bits: int = 8, erased: int | None = None, kind: Part | None = None
) -> tuple[Region, ...]:
    return regions(words, bits, erased_state=erased, part=kind)


def of_kind(found: tuple[Region, ...], kind: str) -> list[tuple[int, int]]:
    return [(one.start, one.end) for one in found if one.kind == kind]


@given(
    st.integers(1, 64),
    st.lists(st.integers(0, 2**64 - 1), min_size=1, max_size=200),
    st.integers(1, 40),
)
def test_any_words_are_covered_exactly_by_regions_that_turn_into_json(
    bits: int, seeds: list[int], times: int
) -> None:
    words = np.array([seed % (1 << bits) for seed in seeds] * times, dtype=words_dtype(bits))
    found = cut(words, bits)
    assert found[0].start == 0
    assert found[-1].end == len(words)
    assert all(one.end == following.start for one, following in pairwise(found))
    assert all(one.start < one.end for one in found)
    again = json.loads(json.dumps([one.to_json() for one in found]))
    assert all(str(one["preview"]).isprintable() for one in again)


def test_no_words_have_no_regions() -> None:
    assert cut(np.zeros(0, dtype=np.uint8)) == ()


def test_random_words_are_one_dense_region() -> None:
    odd = [seed for seed in range(200) if [one.kind for one in cut(random_image(seed))] != ["dense"]]
    assert len(odd) <= 2, odd


@pytest.mark.parametrize("period", range(1, 17))
def test_a_fill_of_any_period_up_to_sixteen_is_found_with_its_bounds(period: int) -> None:
    rng = np.random.default_rng(period)
    pattern = np.unique(rng.permutation(256)[:period]).astype(np.uint8)
    image = random_image(period)
    image[512:1024] = np.resize(pattern, 512)
    image[511], image[1024] = ~image[511 + period], ~image[1024 - period]
    found = [one for one in cut(image) if one.kind == "fill"]
    assert [(one.start, one.end, one.detail["period"]) for one in found] == [(512, 1024, period)]


def test_a_pattern_of_seventeen_words_is_no_fill() -> None:
    image = random_image(1)
    image[:1020] = np.resize(np.arange(17, dtype=np.uint8) * 7, 1020)
    assert of_kind(cut(image), "fill") == []


def _fills_period_by_period(words: Words) -> list[Fill]:
    """Every period tried on every place: what the search must find, however it goes about it."""
    total = len(words)
    covered = np.zeros(total, dtype=bool)
    found = []
    for period in range(1, min(16, total // 4) + 1):
        need = max(least_fill(total), 4 * period, period + 15 if total >= 128 else 0)
        for start, last in true_ranges(words[period:] == words[:-period], need - period):
            if int((~covered[start : last + period]).sum()) >= need:
                found.append(Fill(start, last + period, period))
                covered[start : last + period] = True
    return found


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.uint32, np.uint64])
def test_the_same_fills_are_found_as_by_trying_every_period_everywhere(kind: type) -> None:
    rng = np.random.default_rng(7)
    seen = 0
    for _ in range(60):
        total = int(rng.choice([40, 127, 128, 130, 500]))
        words: Words = rng.integers(0, int(rng.choice([2, 4, 256])), total).astype(kind)
        for _ in range(int(rng.integers(0, 8))):
            start, length = int(rng.integers(0, total)), int(rng.integers(4, 150))
            pattern = rng.integers(0, 3, int(rng.integers(1, 20)))
            words[start : start + length] = np.resize(pattern, len(words[start : start + length]))
        expected = _fills_period_by_period(words)
        assert find_fills(words) == expected
        seen += len(expected)
    assert seen > 20


def test_one_word_that_breaks_a_fill_stays_visible() -> None:
    image = code_image(3)
    image[1024:] = 0xFF
    image[1500] = 0xFE
    found = cut(image)
    assert (1500, 1501) in of_kind(found, "dense")
    assert sum(end - start for start, end in of_kind(found, "fill")) in range(1023, 1030)


def test_unprogrammed_words_at_a_clean_edge_speak_for_unused_space() -> None:
    image = code_image(5)
    image[1536:] = 0xFF
    image[1535] = 0x60
    fill = cut(image, erased=1, kind=part("UV EPROM", erased=1, fades=1))[-1]
    assert (fill.kind, fill.start, fill.end) == ("fill", 1536, 2048)
    assert fill.detail["equals_unprogrammed"] is True
    assert fill.detail["edges_aligned"] is True
    assert fill.detail["means"] == UNUSED
    assert "fade towards this level" in fill.detail["why"]


def test_a_whole_block_of_the_other_level_was_programmed_or_not_driven() -> None:
    image = np.concatenate([np.arange(128, dtype=np.uint8) * 37, np.full(128, 0xFF, dtype=np.uint8)])
    kind = part("fuse PROM", erased=0, output="open-collector")
    fill = cut(image, erased=0, kind=kind)[-1]
    assert fill.detail["equals_unprogrammed"] is False
    assert fill.detail["differs_in"] == [f"D{line}" for line in range(8)]
    assert fill.detail["means"] == CANNOT_TELL
    assert "pull-ups" in fill.detail["why"]
    assert "other pulls" in fill.detail["why"]
    assert "pull-ups of 1 kilohm and once with 10 kilohms" in fill.detail["decides"]


def test_a_fill_of_the_other_level_that_is_no_block_was_programmed_on_purpose() -> None:
    image = code_image(6)
    image[1000:1100] = 0x00
    image[999] = image[1100] = 0x60
    fill = next(
        one for one in cut(image, erased=1, kind=part("UV EPROM", erased=1, fades=1)) if one.kind == "fill"
    )
    assert fill.detail["means"] == ON_PURPOSE
    assert "decay cannot have made this" in fill.detail["why"]


def test_a_look_alikes_level_is_not_used_where_the_markings_is_unknown() -> None:
    image = code_image(7)
    image[1024:] = 0xFF
    fill = cut(image, erased=None, kind=part("UV EPROM", erased=1, fades=1))[-1]
    assert fill.detail["equals_unprogrammed"] is None
    assert fill.detail["means"] == CANNOT_TELL


def test_a_mask_roms_whole_block_may_be_a_select_at_the_wrong_polarity() -> None:
    image = code_image(8)
    image[1024:] = 0xFF
    image[1023] = 0x60
    fill = cut(image, kind=part("mask ROM"))[-1]
    assert fill.detail["means"] == CANNOT_TELL
    assert "select" in fill.detail["why"]


def test_an_alternating_fill_is_neither_blank_nor_a_pull() -> None:
    image = code_image(9)
    image[1024:] = np.resize(np.array([0x55, 0xAA], dtype=np.uint8), 1024)
    fill = cut(image, erased=1)[-1]
    assert fill.detail["pattern"] == ["55", "AA"]
    assert fill.detail["means"] == ON_PURPOSE


def test_sister_chips_that_share_a_fill_are_named_in_it() -> None:
    image = code_image(10)
    image[1024:] = 0xFF
    told = with_sisters(cut(image, erased=1), ("U2", "U3"))
    assert told[-1].detail["shared_with"] == ["U2", "U3"]
    assert "U2 and U3" in told[-1].detail["why"]
    assert with_sisters(cut(image, erased=1), ())[-1].detail["shared_with"] == []


def test_a_check_that_holds_over_a_fill_speaks_against_its_decay() -> None:
    image = code_image(10)
    image[1024:2000] = 0xFF
    image = put(image, 2044, zlib.crc32(image[:2044].tobytes()).to_bytes(4, "big"))
    cut_up = cut(image, erased=1)
    told = with_sisters(cut_up, (), self_checks({"U1": image}, 8))
    fill = next(one for one in told if one.kind == "fill")
    assert fill.detail["checked_by"] == ["CRC-32/ISO-HDLC, high byte first"]
    assert "reads as it did" in fill.detail["why"]
    assert next(one for one in with_sisters(cut_up, ()) if one.kind == "fill").detail["checked_by"] == []


def test_a_select_proms_one_low_words_are_a_decode_pattern_though_some_repeat() -> None:
    image = np.repeat(np.array([0xFE, 0xFD, 0xFB, 0xF7, 0xEF, 0xDF, 0xBF, 0x7F], dtype=np.uint8), 4)
    found = cut(image)
    assert [(one.kind, one.start, one.end) for one in found] == [("decode", 0, 32)]
    assert found[0].detail["pattern"] == "one low"
    assert found[0].detail["lines"] == [f"D{line}" for line in range(8)]


def test_a_sine_is_a_smooth_table() -> None:
    image = random_image(11, 512)
    image[128:384] = (127.5 + 127.5 * np.sin(np.arange(256) * np.pi / 256)).astype(np.uint8)
    found = [one for one in cut(image) if one.kind == "table"]
    assert sum(one.end - one.start for one in found) >= 250


def test_a_symmetric_curve_says_so() -> None:
    image = random_image(12, 256)
    half = np.arange(3, 67, dtype=np.uint8) * 2
    image[64:192] = np.concatenate([half, half[::-1]])
    image[63], image[192] = 200, 100
    table = next(one for one in cut(image) if one.kind == "table")
    assert table.detail["shape"] == "smooth, symmetric"


@pytest.mark.parametrize(("order", "dtype"), [("high byte first", ">u2"), ("low byte first", "<u2")])
@pytest.mark.parametrize("at", [512, 513])
def test_ascending_pointers_are_a_table_in_either_order_and_at_any_address(
    order: str, dtype: str, at: int
) -> None:
    pointers = (0xE000 + np.cumsum(np.random.default_rng(3).integers(20, 200, 24))).astype(dtype)
    found = [one for one in cut(put(random_image(13), at, pointers.tobytes())) if one.kind == "table"]
    assert [(one.start, one.end, one.detail["byte_order"]) for one in found] == [(at, at + 48, order)]


def test_a_block_that_stands_twice_is_a_repeat_of_the_first() -> None:
    image = code_image(14)
    image[1024:1536] = image[0:512]
    repeat = next(one for one in cut(image) if one.kind == "repeat")
    assert (repeat.start, repeat.end, repeat.detail["of"]) == (1024, 1536, 0)


def test_a_constant_image_is_one_fill() -> None:
    for word in (0x00, 0xFF, 0x5A):
        found = cut(np.full(2048, word, dtype=np.uint8), erased=1)
        assert [(one.kind, one.start, one.end) for one in found] == [("fill", 0, 2048)]


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 30)), max_size=20), st.integers(1, 20))
def test_runs_searched_for_as_bytes_are_the_ranges_of_that_length(
    pieces: list[tuple[bool, int]], least: int
) -> None:
    mask = np.array([true for true, times in pieces for _ in range(times)], dtype=bool)
    assert runs(mask, least) == true_ranges(mask, least)


@given(
    st.lists(st.integers(0, 600), min_size=7, max_size=20),
    st.integers(0, 60_000),
    st.sampled_from(["<u2", ">u2"]),
    st.binary(min_size=8, max_size=40),
)
def test_a_table_of_pointers_is_never_denied_before_it_is_searched(
    steps: list[int], first: int, order: str, before: bytes
) -> None:
    values = np.cumsum([first, *steps]).astype(order)
    words: Words = np.frombuffer(before + values.tobytes() + before, np.uint8)
    assert _may_point(words) or not _pointer_tables(words)


def test_random_words_are_seldom_searched_for_pointers() -> None:
    assert sum(_may_point(random_image(seed)) for seed in range(200)) <= 2

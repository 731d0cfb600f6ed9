"""The strip: an image as one line of a terminal."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import regions
from pipeline.views.strip import BLOCKS, PLAIN, contested_spans, legend, strip
from pipeline.words import counted_by_block
from tests.kit.images import code_image


def halves(total: int) -> list[tuple[str, int, int]]:
    return [("dense", 0, total // 2), ("fill", total // 2, total)]


def test_a_strip_shows_where_an_image_ends() -> None:
    assert strip(2048, halves(2048), cells=8) == "000 ████░░░░ 7FF"
    assert strip(2048, halves(2048), cells=8, blocks=False) == "000 ####.... 7FF"


def test_doubt_lies_on_top_of_everything() -> None:
    line = strip(
        2048, halves(2048), cells=8, contested=[(2047, 2048)], differs=[(0, 1), (1900, 2048)], blocks=False
    )
    assert line == "000 x###...! 7FF"


def test_a_small_image_has_one_cell_a_word() -> None:
    assert strip(4, halves(4), blocks=False) == "0 ##.. 3"


def test_an_empty_image_has_no_strip() -> None:
    assert strip(0, []) == ""


def test_the_plain_characters_fit_any_terminal_and_stand_for_the_blocks() -> None:
    assert "".join(PLAIN.values()).isascii()
    assert set(PLAIN) == set(BLOCKS)


def test_regions_as_they_come_make_a_strip_with_a_legend() -> None:
    image = code_image(1)
    image[1024:] = 0xFF
    found = [(one.kind, one.start, one.end) for one in regions(image, 8, erased_state=1, part=None)]
    assert "." in strip(2048, found, blocks=False)
    assert legend(found, contested=True, blocks=False).endswith(". fill  ! contested")


@given(
    st.integers(1, 5000),
    st.integers(1, 80),
    st.lists(
        st.tuples(
            st.sampled_from(["dense", "fill", "text", "odd"]), st.integers(-9, 5009), st.integers(-9, 5009)
        )
    ),
)
def test_a_strip_is_always_one_line_of_the_width_asked_for(
    total: int, cells: int, found: list[tuple[str, int, int]]
) -> None:
    line = strip(total, found, contested=[(start, end) for _, start, end in found], cells=cells)
    digits = len(f"{total - 1:X}")
    assert len(line) == min(cells, total) + 2 * digits + 2


@given(
    st.integers(1, 5000),
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.001, 0.05, 0.9]),
    st.sampled_from([32, 64]),
)
def test_every_word_in_doubt_marks_its_cell_and_no_other_does(
    words: int, seed: int, share: float, cells: int
) -> None:
    mask = np.random.default_rng(seed).random(words) < share
    contested: Any = {
        "bits": int(mask.sum()),
        "words": int(mask.sum()),
        "between": counted_by_block(mask),
        "within": counted_by_block(np.zeros(words, np.bool_)),
    }
    line = strip(words, [("dense", 0, words)], contested=contested_spans(contested, words), cells=cells)
    shown = line.split(" ")[1]
    count = min(cells, words)
    assert [one == "!" for one in shown] == [
        bool(mask[-(-cell * words // count) : -(-(cell + 1) * words // count)].any()) for cell in range(count)
    ]


def test_thousands_of_bits_in_doubt_do_not_look_like_one() -> None:
    mask = np.zeros(2048, np.bool_)
    mask[100:1910] = True
    nothing = counted_by_block(np.zeros(2048, np.bool_))
    contested: Any = {"bits": 6616, "words": 1810, "between": counted_by_block(mask), "within": nothing}
    line = strip(2048, [("dense", 0, 2048)], contested=contested_spans(contested, 2048), cells=32)
    assert line.count("!") == 29


def test_a_record_without_counts_still_marks_the_bits_that_it_lists() -> None:
    listed: Any = {"bits": 1, "words": 1, "listed": [{"address": 7, "line": "D0"}]}
    assert contested_spans(listed, 2048) == [(7, 8)]
    assert contested_spans(None, 2048) == []

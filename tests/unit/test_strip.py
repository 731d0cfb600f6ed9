"""The strip: an image as one line of a terminal."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import regions
from pipeline.views.strip import BLOCKS, PLAIN, legend, strip
from tests.unit.content_images import code_image


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

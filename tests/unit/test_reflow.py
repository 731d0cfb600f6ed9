"""Text laid into the terminal's width: nothing lost, nothing too long, nothing broken that is one."""

from __future__ import annotations

import io
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edges import console
from pipeline.reflow import reflow

LINES = st.lists(
    st.one_of(
        st.from_regex(
            r"( {0,4})([-!•] |[0-9]+\. |[a-z]+: )?([a-zA-Z0-9,.]{1,12} {1,3}){0,30}", fullmatch=True
        ),
        st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Zl", "Zp"]), max_size=200),
    ),
    max_size=5,
).map("\n".join)


@given(LINES, st.integers(1, 120))
def test_no_word_is_lost_moved_or_broken(text: str, width: int) -> None:
    assert [word for word in reflow(text, width).replace("\n", " ").split(" ") if word] == [
        word for word in text.replace("\n", " ").split(" ") if word
    ]


@given(LINES, st.integers(10, 120))
def test_a_line_is_longer_than_the_width_only_where_it_ends_in_a_word_that_cannot_stand_elsewhere(
    text: str, width: int
) -> None:
    for line in reflow(text, width).split("\n"):
        words = line.split()
        assert len(line) <= width or len(words) == 1 or len(line) - len(words[-1]) <= width * 0.62 + 12, line


@given(LINES)
def test_lines_that_fit_and_widths_of_nothing_change_nothing(text: str) -> None:
    assert reflow(text, 0) == text
    assert reflow(text, 10_000) == text


def test_a_row_goes_on_under_its_last_column_and_a_mark_hangs() -> None:
    row = "  U5  faulty  fault address-line-dead, caution slipped"
    assert reflow(row, 40).splitlines() == [
        "  U5  faulty  fault address-line-dead,",
        "              caution slipped",
    ]
    assert reflow("12. one two three", 12).splitlines() == ["12. one two", "    three"]
    assert reflow("caution: one two", 13).splitlines() == ["caution: one", "  two"]


def test_a_column_far_to_the_right_is_set_below() -> None:
    row = f"  U5  faulty  {'#' * 30}  caution slipped"
    assert reflow(row, 48).splitlines() == [f"  U5  faulty  {'#' * 30}", f"{'':14}caution slipped"]


def test_a_digest_stays_one_word() -> None:
    digest = "ab" * 64
    assert digest in reflow(f"  receipt {digest}", 80).split()


@pytest.mark.parametrize(
    ("said", "expected"), [("40", 40), ("0", 0), ("", 80), ("wide", 80), ("-3", 80), ("٣", 80)]
)
def test_columns_are_what_the_environment_says_and_80_in_a_pipe(
    said: str, expected: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", said)
    assert console.columns(io.StringIO()) == expected


def test_our_own_signs_have_plainer_ones_where_an_encoding_lacks_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii", newline="\n"))
    console.say("  … and 3 more: A0→A1, 2×, 字")
    sys.stdout.flush()
    assert raw.getvalue() == b"  ... and 3 more: A0->A1, 2x, \\u5b57\n"

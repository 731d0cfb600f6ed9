"""Names inside a bag are fit for every system, and no two of them are one anywhere."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.bags.portable_names import (
    LONGEST_BYTES,
    RESERVED,
    is_portable,
    name_key,
    portable_name,
    unique_names,
)
from schemas.names import RESERVED_ON_WINDOWS

ANY_NAME = st.text(st.characters(codec=None), min_size=1, max_size=80)


@pytest.mark.parametrize(
    "name", ["U12 (2).bin", "read 1.log", ".keep", "Ünïcode.bin", "チップ.bin", "a.b.c.hex", "-v"]
)
def test_a_fit_name_is_kept(name: str) -> None:
    assert portable_name(name) == name


@pytest.mark.parametrize(
    ("name", "fit"),
    [
        ("100%.bin", "100_.bin"),
        ("a:b.bin", "a_b.bin"),
        ("two\nlines", "two_lines"),
        ("bell\a\x1b[31m", "bell__[31m"),
        ("CON", "_CON"),
        ("aux.txt", "_aux.txt"),
        ("com1 .log", "_com1 .log"),
        ("COM².bin", "_COM².bin"),
        ("trailing. .", "trailing"),
        (" leading", "leading"),
        ("~user", "_user"),
        ("..", "_"),
        (".", "_"),
        ("", "_"),
        ("wide\u3000", "wide"),
        ("line\u2028end\u0085", "line_end_"),
        ("bidi\u202egnp.exe", "bidi_gnp.exe"),
        ("lone\udcff", "lone_"),
        ("e\u0301.bin", "é.bin"),
    ],
)
def test_an_unfit_name_becomes_a_known_one(name: str, fit: str) -> None:
    assert portable_name(name) == fit


def test_a_long_name_is_cut_between_letters_and_keeps_its_ending_apart_from_its_neighbour() -> None:
    one, other = "ü" * 125 + "1.bin", "ü" * 125 + "2.bin"
    assert portable_name(one) != portable_name(other)
    for cut in (portable_name(one), portable_name(other)):
        assert cut.endswith(".bin")
        assert len(cut.encode()) <= LONGEST_BYTES


def test_the_sheet_and_the_bag_reserve_the_same_devices() -> None:
    assert RESERVED_ON_WINDOWS <= RESERVED


@given(ANY_NAME)
def test_any_name_becomes_portable_in_one_step(name: str) -> None:
    fit = portable_name(name)
    assert portable_name(fit) == fit
    assert is_portable(fit)
    assert 1 <= len(fit.encode("utf-8")) <= LONGEST_BYTES
    assert unicodedata.is_normalized("NFC", fit)
    assert not set('<>:"/\\|?*%\r\n') & set(fit)
    assert fit == fit.rstrip(". ")
    assert fit.split(".")[0].upper() not in RESERVED


@given(st.lists(ANY_NAME, max_size=8, unique=True), st.randoms(use_true_random=False))
def test_the_names_of_a_folder_never_meet_in_whatever_order_they_come(
    names: list[str], order: object
) -> None:
    result = unique_names(names)
    assert set(result) == set(names)
    assert len({name_key(fit) for fit in result.values()}) == len(names)
    assert all(is_portable(fit) for fit in result.values())
    shuffled = list(names)
    order.shuffle(shuffled)  # type: ignore[attr-defined]
    assert unique_names(shuffled) == result


def test_twins_in_case_and_in_accents_are_told_apart() -> None:
    names = ["READ.bin", "read.bin", "\u00e9.bin", "e\u0301.bin", "a?.bin", "a_.bin"]
    assert unique_names(names) == {
        "READ.bin": "READ.bin",
        "read.bin": "read-2.bin",
        "a_.bin": "a_.bin",
        "a?.bin": "a_-2.bin",
        "\u00e9.bin": "\u00e9.bin",
        "e\u0301.bin": "\u00e9-2.bin",
    }


PIECES = st.sampled_from(
    ["aux", "COM1", "con", "lpt9", "a", "Z9", "_", "-", ".", " ", "~", "\n", "é", "x" * 60]
)


@given(st.lists(PIECES, min_size=1, max_size=4).map("".join))
@example("x" * 120)
@example("x" * 121)
@example("CONIN$")
def test_a_name_is_portable_exactly_where_nothing_in_it_would_be_changed(name: str) -> None:
    assert is_portable(name) == (portable_name(name) == name)

"""Text: told from bytes that only happen to be printable, in all the ways old machines packed it."""

from __future__ import annotations

import argparse
import doctest
import textwrap

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content.text import HALF_FIT, WHOLE_FIT, TextRun, pair_fit, safe, texts
from tests.kit.images import code_image, put, random_image

PHRASES = (
    b"PATTERN CONTROL MONITOR 3.1\rTHREAD BROKEN AT THE LEFT SHUTTLE\rLOAD THE NEXT CARD AND PRESS START\r"
    b"THE LAST PICK WAS NOT FOUND IN THIS PATTERN; RETURN TO THE BEGINNING AND CHECK THE TENSION OF THE "
    b"WARP\r"
)
WORDS = [b"GOTO", b"RETURN", b"PRINT", b"INPUT", b"LOAD", b"SAVE", b"NEXT", b"STEP", b"THEN", b"REMARK"]


def only(found: tuple[TextRun, ...]) -> TextRun:
    assert len(found) == 1, found
    return found[0]


def test_seven_bit_text_is_found_with_its_bounds() -> None:
    text = only(texts(put(random_image(1), 700, b"\x00\x00" + PHRASES[:60] + b"\x00"), 8))
    assert text.kind == "7-bit"
    assert abs(text.start - 702) <= 1
    assert abs(text.end - 762) <= 1
    assert text.chance < 1e-9


def test_text_with_bit_7_set_is_found() -> None:
    marked = bytes(byte | 0x80 for byte in PHRASES[:60])
    assert only(texts(put(random_image(2), 700, marked), 8)).kind == "bit 7 set"


def test_keywords_whose_last_letter_is_marked_are_found() -> None:
    table = b"".join(word[:-1] + bytes([word[-1] | 0x80]) for word in WORDS)
    text = only(texts(put(random_image(3), 512, table), 8))
    assert text.kind == "last letter marked"
    assert "PRINT" in text.shown


def test_strings_behind_their_own_length_are_found() -> None:
    table = b"".join(bytes([len(word)]) + word for word in WORDS)
    text = only(texts(put(random_image(4), 512, table), 8))
    assert (text.kind, text.start, text.end) == ("length-prefixed", 512, 512 + len(table))


@pytest.mark.parametrize(("dtype", "packing"), [(">u2", "high byte first"), ("<u2", "low byte first")])
def test_text_in_wide_words_says_which_byte_comes_first(dtype: str, packing: str) -> None:
    raw = put(random_image(5), 512, PHRASES[:180]).tobytes()
    text = max(texts(np.frombuffer(raw, dtype=dtype).astype(np.uint16), 16), key=lambda one: one.score)
    assert text.packing == packing
    assert abs(text.start - 256) <= 1


@pytest.mark.parametrize("packing", ["high nibble first", "low nibble first"])
def test_text_in_pairs_of_nibbles_says_which_half_comes_first(packing: str) -> None:
    raw = put(random_image(6, 512), 62, b"\x00\x00" + PHRASES[:180] + b"\x00")
    high, low = raw >> 4, raw & 15
    halves = (high, low) if packing == "high nibble first" else (low, high)
    words = np.stack(halves, axis=1).reshape(-1).astype(np.uint8)
    text = max(texts(words, 4), key=lambda one: one.score)
    assert text.packing == packing
    assert abs(text.start - 128) <= 2


def test_every_second_letter_does_not_fit_its_neighbours_as_whole_text_does() -> None:
    prose = f"{argparse.__doc__}{doctest.__doc__}{textwrap.TextWrapper.__doc__}"
    whole = np.frombuffer(prose.encode("ascii", "ignore"), dtype=np.uint8)
    fit, half = pair_fit(whole), pair_fit(whole[::2].copy())
    assert fit is not None
    assert half is not None
    assert half < fit - 0.12
    assert HALF_FIT < WHOLE_FIT - 0.1 < fit


def test_chance_text_in_random_images_is_no_more_frequent_than_claimed() -> None:
    """The claim: at most one image in a thousand (`MOST_CHANCE`).

    2,000 images with more than 6 would refute it.

    Source: Poisson tail, P(X > 6 | mean 2) = 0.0045 (definition).
    """
    found = sum(bool(texts(random_image(seed), 8)) for seed in range(2000))
    assert found <= 6


def test_code_without_strings_rarely_shows_text() -> None:
    found = sum(bool(texts(code_image(seed), 8)) for seed in range(300))
    assert found <= 3


def test_a_pattern_that_repeats_itself_is_no_text_whatever_its_letters() -> None:
    assert texts(np.resize(np.frombuffer(b"WEFT ", dtype=np.uint8), 2048).copy(), 8) == ()


@given(st.binary(max_size=200))
def test_a_preview_never_holds_a_control_character(data: bytes) -> None:
    shown = safe(data)
    assert all(" " <= character <= "~" or character in "·…" for character in shown)


@given(st.binary(max_size=600), st.sampled_from([1, 4, 5, 7, 8, 12, 16, 24, 32, 64]))
def test_texts_of_any_bytes_lie_inside_the_image(data: bytes, bits: int) -> None:
    from pipeline.words import words_dtype

    words = np.array([byte * 0x0101010101010101 % (1 << bits) for byte in data], dtype=words_dtype(bits))
    found = texts(words, bits)
    assert all(0 <= one.start < one.end <= len(words) for one in found)

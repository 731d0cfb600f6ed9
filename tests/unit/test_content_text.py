"""Text: told from bytes that only happen to be printable, in all the ways old machines packed it."""

from __future__ import annotations

import argparse
import doctest
import textwrap
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

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


MNEMONICS = (
    b"LDALDBSTASTBADDSUBANDORAXORCMPINCDECJMPJSRRTSBEQBNEBCCBCSBMIBPLNOPCLCSECPSHPULROLRORASLLSRTSTSWI"
)
"""Three letters each."""


def records(before: int, after: int, *, width: int = 3, mark: str = "") -> bytes:
    """Words of one width, arbitrary bytes around each; bit 7 set in none, the `last` letter or `all`."""
    rng = np.random.default_rng(before * 8 + after)
    out = b""
    for start in range(0, len(MNEMONICS), 3):
        letters = bytearray(MNEMONICS[start : start + 3].ljust(width))
        for place in range(width):
            if mark == "all" or (mark == "last" and place == width - 1):
                letters[place] |= 0x80
        around = rng.integers(0, 256, before + after).astype(np.uint8).tobytes()
        out += around[:before] + bytes(letters) + around[before:]
    return out


@pytest.mark.parametrize(
    "table",
    [
        records(0, 0),
        records(0, 0, width=4),
        records(0, 0, width=4, mark="all"),
        records(0, 1),
        records(0, 2),
        records(2, 0),
        records(1, 2),
        records(0, 1, mark="last"),
        records(0, 2, mark="all"),
    ],
)
@pytest.mark.parametrize("around", [random_image, code_image])
def test_a_table_of_fixed_width_mnemonics_is_text_nearly_whole(
    table: bytes, around: Callable[[int], NDArray[np.uint8]]
) -> None:
    found = texts(put(around(6), 700, table), 8)
    inside = sum(min(one.end, 700 + len(table)) - max(one.start, 700) for one in found)
    assert inside > 0.8 * len(table)
    assert sum(one.end - one.start for one in found) - inside <= 4


@pytest.mark.parametrize("record", [b"ABC\x01", b"FGHI", b"@ABC"])
def test_one_word_over_and_over_is_no_table(record: bytes) -> None:
    assert not texts(put(random_image(7), 700, record * 40), 8)


def test_ebcdic_text_is_named_and_shown_in_plain_letters() -> None:
    """Source: code page 037 of Python's standard library."""
    text = only(texts(put(random_image(8), 700, PHRASES[:180].decode().encode("cp037")), 8))
    assert text.kind == "EBCDIC"
    assert "THREAD BROKEN AT" in text.shown


@pytest.mark.parametrize(("kind", "shift"), [("six-bit, blank 00", 0x20), ("six-bit, blank 20", 0)])
def test_upper_case_text_of_six_bits_is_named(kind: str, shift: int) -> None:
    plain = PHRASES[:180].replace(b"\r", b" ")
    text = only(texts(put(random_image(9), 700, bytes(byte - shift & 0x3F for byte in plain)), 8))
    assert text.kind == kind
    assert "THREAD BROKEN AT" in text.shown


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


def test_the_strokes_of_a_glyph_are_no_text_though_their_bytes_are_letters() -> None:
    glyph = b" AA C\x04D H H H H H DAC"
    assert texts(np.frombuffer(glyph.center(2048, b"\x81"), dtype=np.uint8), 8) == ()


def test_a_line_of_a_menu_is_text_whole_with_the_dots_that_lead_to_its_number() -> None:
    line = b"\x01REPEAT OF THE PATTERN ........ 14\x00"
    found = only(texts(np.frombuffer(line.center(256, b"\x81"), dtype=np.uint8), 8))
    assert found.end - found.start >= len(line) - 2


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

"""What is asked of bytes before text is searched for: no kind is denied that is there, few are granted."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from operator import and_, or_

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.stages.content.fixed_width import fixed_width, may_be_words
from pipeline.stages.content.order_evidence import text_evidence, text_may_speak
from pipeline.stages.content.runs import all_of_eight, looked_up, runs
from pipeline.stages.content.text import _prefixed, _segments  # what is screened for
from pipeline.stages.content.text_codes import DECODED, PLAIN, SCORED, SIX_BIT, least_nats
from pipeline.stages.content.text_screen import _IN_PARTS, _PARTS, _by_place, _reach, possible_kinds
from tests.kit.images import code_image, put, random_image

WORDS = (b"GOTO", b"RETURN", b"PRINT", b"INPUT", b"LOAD", b"SAVE", b"NEXT", b"STEP", b"THEN", b"REMARK")
PROSE = b"THE THREAD IS BROKEN ON THE LEFT SIDE; MOUNT A FRESH SPOOL. Then press start. "
SAYS = SCORED | {kind: PLAIN[table] for kind, table in DECODED.items()}


def in_code(text: bytes, kind: str) -> bytes:
    """Words as a kind of text has them."""
    if kind == "EBCDIC":
        return text.decode().encode("cp037")
    if kind in SIX_BIT:
        return bytes(byte - (0x20 if kind.endswith("00") else 0) & 0x3F for byte in text.upper())
    if kind == "length-prefixed":
        return b"".join(bytes([len(word)]) + word for word in text.split())
    if kind == "last letter marked":
        return b"".join(word[:-1] + bytes([word[-1] | 0x80]) for word in text.split())
    return bytes(byte | 0x80 for byte in text) if kind == "bit 7 set" else text


def words_of(kind: str) -> st.SearchStrategy[bytes]:
    some = st.lists(st.sampled_from(WORDS), min_size=1, max_size=12).map(b" ".join)
    return st.one_of(some, some.map(lambda text: in_code(text, kind)))


LETTERS = st.binary(max_size=40).map(lambda raw: bytes(0x41 + byte % 26 for byte in raw))
BYTES: st.SearchStrategy[NDArray[np.uint8]] = (
    st.lists(
        st.one_of(
            st.binary(max_size=40),
            LETTERS,
            LETTERS.map(lambda raw: b"\x05".join(raw[at : at + 3] for at in range(0, len(raw), 3))),
            st.sampled_from([in_code(PROSE, kind) for kind in SAYS]),
            *(words_of(kind) for kind in (*SAYS, "length-prefixed")),
        ),
        min_size=1,
        max_size=8,
    )
    .map(b"".join)
    .filter(lambda raw: len(raw) >= 8)
    .map(lambda raw: np.frombuffer(raw, np.uint8))
)


def most(scores: NDArray[np.float64]) -> float:
    """What the best stretch adds up to, one score after the other (Kadane)."""
    best = here = -np.inf
    for score in scores.tolist():
        here = max(here, 0.0) + score
        best = max(best, here)
    return best


@given(BYTES)
def test_what_a_stretch_may_reach_is_never_too_little_and_little_too_much(data: NDArray[np.uint8]) -> None:
    places = _by_place(data.tobytes())
    said = [places.translate(_IN_PARTS[kind]) for kind in SAYS]
    reach = dict(zip(SAYS, _reach(said), strict=True))
    for kind, says in SAYS.items():
        real = most(says[data].astype(np.float64))
        assert reach[kind] >= real
        # each byte rounded up, three bytes of padding, and what lies within one group of four
        assert reach[kind] <= max(real, 0.0) + len(data) / _PARTS + 3 * float(PLAIN.max()) + 6.0


@given(BYTES)
def test_no_kind_is_denied_whose_search_finds_a_stretch(data: NDArray[np.uint8]) -> None:
    least, (kinds,) = least_nats(len(data)), possible_kinds(data)
    for kind, says in SCORED.items():
        assert kind in kinds or not _segments(data, says, least=least)
    assert "length-prefixed" in kinds or not _prefixed(data, least=-np.inf)
    assert "fixed-width words" in kinds or not list(fixed_width(data, PLAIN, -np.inf, ()))
    for kind, table in DECODED.items():
        text = table[data]
        spelt = runs((text == 0x20) | ((text & 0xDF) - np.uint8(0x41) < 26), 15)
        assert kind in kinds or not spelt or not _segments(data, PLAIN[table], least=least)


@given(BYTES)
def test_text_that_speaks_for_an_order_is_never_denied(data: NDArray[np.uint8]) -> None:
    images = [data, ~data, data[::-1]]
    for image, may in zip(images, text_may_speak(*images), strict=True):
        assert may or text_evidence(image, 8).nats == 0


def test_kinds_in_rows_too_long_for_one_array_are_those_of_each_row_alone() -> None:
    rows = [put(random_image(seed, 1 << 17), 700, in_code(PROSE, kind)) for seed, kind in enumerate(SAYS)]
    assert possible_kinds(*rows) == [kinds for row in rows for kinds in possible_kinds(row)]
    assert all(kind in kinds for kind, kinds in zip(SAYS, possible_kinds(*rows), strict=True))


def test_prose_and_prose_in_words_of_its_own_are_asked_for_and_six_bits_alone_are_not() -> None:
    image = random_image(1, 2048)
    assert text_may_speak(put(image, 700, PROSE), image) == [True, False]
    rows = [put(image, 700, in_code(PROSE, kind)) for kind in SAYS]
    assert all(kind in kinds for kind, kinds in zip(SAYS, possible_kinds(*rows), strict=True))
    for kind in SIX_BIT:
        alone = np.frombuffer(in_code(b"PRINT NOT INPUT RUN TO STOP ON LIST OR INSIST", kind), np.uint8)
        assert possible_kinds(alone) == [{kind}]
        assert text_may_speak(alone) == [False]


@pytest.mark.parametrize("make", [random_image, code_image])
def test_bytes_without_text_are_seldom_searched(make: Callable[[int], NDArray[np.uint8]]) -> None:
    searched = [bool(kinds) for kinds in possible_kinds(*(make(seed) for seed in range(300)))]
    assert sum(searched) <= 60


@given(st.binary(max_size=100), st.integers(1, 255))
def test_bits_of_aligned_groups_are_those_that_all_bytes_of_one_have(raw: bytes, low: int) -> None:
    table = bytes((byte * low) & 0xFF | low for byte in range(256))
    marks = looked_up(raw * 2, table)
    assert marks.tolist() == [table[byte] for byte in raw * 2]
    groups = marks[: len(marks) // 8 * 8].reshape(-1, 8).tolist()
    assert all_of_eight(marks) == reduce(or_, (reduce(and_, group) for group in groups), 0)


@given(BYTES, st.integers(0, 60), st.integers(0, 60))
def test_a_table_of_words_is_never_denied_where_part_is_told_already(
    data: NDArray[np.uint8], start: int, length: int
) -> None:
    found = list(fixed_width(data, PLAIN, -np.inf, [(start, start + length)]))
    assert may_be_words(data) or not found

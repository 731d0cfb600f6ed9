"""A stream followed while it comes.

How far it is, what is damaged, what to ask for, whether it is text at all.
"""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bench.stream import ASK_AGAIN_SECONDS, DONE, MOST_TRIES, Watch
from tests.kit.reader_simulated import plainly, printed

IMAGE = random.Random(2).randbytes(256)
ONE = b"".join(printed(IMAGE))


def watching(passes: int = 1) -> Watch:
    return Watch(expected=256, bits=8, passes=passes)


@given(cuts=st.lists(st.integers(0, len(ONE)), max_size=20))
def test_how_a_stream_is_cut_into_blocks_does_not_matter(cuts: list[int]) -> None:
    watch = watching()
    places = [0, *sorted(cuts), len(ONE)]
    for first, end in pairwise(places):
        watch.feed(ONE[first:end])
    assert watch.complete
    assert (watch.words, watch.damaged) == (256, 0)


def test_a_stream_is_complete_only_with_as_many_whole_passes_as_wanted() -> None:
    watch = watching(2)
    watch.feed(ONE)
    assert not watch.complete
    damaged = printed(IMAGE, 2)
    del damaged[3]
    watch.feed(b"".join(damaged))
    assert not watch.complete
    assert watch.troubles == ("pass 2: 1 of its lines is missing or damaged, the first at address 0x0020",)
    watch.feed(b"".join(printed(IMAGE, 3)))
    assert watch.complete


@pytest.mark.parametrize(
    ("bits", "line", "words"),
    [
        (8, b"3E 00 D3 10", 4),
        (8, b"3E00D310", 4),
        (8, b"0x3E, 0x00, 0xD3", 3),
        (8, b"0010: 3E 00 D3 10", 4),
        (8, b"$3E $00", 2),
        (4, b"A 3 F 0", 4),
        (4, b"0A 03 0F 00", 4),
        (4, b"A3F0", 4),
        (4, b"0000: A 3 F 0", 4),
        (12, b"3E0 0D3", 2),
        (16, b"3E00 D310", 2),
        (16, b"3E 00 D3 10", 2),
        (8, b"ROM reader ready", 0),
        (8, b"", 0),
    ],
)
def test_words_of_plain_lines_are_counted_for_the_progress(bits: int, line: bytes, words: int) -> None:
    watch = Watch(expected=256, bits=bits, passes=1)
    watch.feed(line + b"\r\n")
    assert watch.words == words
    assert not watch.complete


def test_a_plain_reader_prints_on_once_it_has_printed_a_pass_more_than_wanted() -> None:
    watch = watching(2)
    watch.feed(b"".join(plainly(IMAGE)) * 2)
    assert not watch.prints_on
    watch.feed(b"".join(plainly(IMAGE)))
    assert watch.prints_on


def asked(watch: Watch, now: float) -> bytes:
    return watch.requests(now)


def test_a_damaged_line_is_asked_for_after_the_trailer_and_the_next_as_soon_as_it_has_come() -> None:
    lines = printed(IMAGE)
    watch = watching()
    watch.feed(b"".join(lines[:3] + lines[5:-1]))
    assert asked(watch, 0.0) == b""
    watch.feed(lines[-1])
    assert asked(watch, 10.0) == b"?1 0020\n"
    assert asked(watch, 10.0 + ASK_AGAIN_SECONDS / 2) == b""
    watch.feed(lines[3][:20])
    assert asked(watch, 10.0 + ASK_AGAIN_SECONDS / 2) == b""
    watch.feed(lines[3][20:])
    assert asked(watch, 10.0 + ASK_AGAIN_SECONDS / 2) == b"?1 0030\n"
    watch.feed(lines[4])
    assert watch.complete
    assert asked(watch, 20.0) == DONE
    assert asked(watch, 30.0) == b""


def test_a_line_that_stays_damaged_is_asked_for_only_so_often() -> None:
    lines = printed(IMAGE)
    watch = watching()
    watch.feed(b"".join(lines[:3] + lines[4:]))
    requests = [asked(watch, 10.0 * turn) for turn in range(1, 10)]
    assert requests == [b"?1 0020\n"] * MOST_TRIES + [b""] * (9 - MOST_TRIES)


def test_a_lost_header_and_a_lost_trailer_are_asked_for() -> None:
    lines = printed(IMAGE)
    watch = watching()
    watch.feed(b"".join(lines[1:]))
    assert asked(watch, 10.0) == b"?1 H\n"
    watch.feed(lines[0])
    assert watch.complete
    watch = watching()
    watch.feed(b"".join(lines[:-1]))
    assert asked(watch, 10.0) == b""
    watch.quiet(is_quiet=True)
    assert asked(watch, 10.0) == b"?1 T\n"


def test_a_reader_that_resets_in_mid_pass_is_whole_once_its_pass_has_come_again() -> None:
    lines = printed(IMAGE)
    watch = watching()
    watch.feed(b"".join(lines[:7]) + lines[7][:20])
    watch.feed(b"\nROM reader ready\r\n" + ONE)
    assert watch.complete
    assert watch.damaged == 2


def test_a_plain_reader_is_never_asked_anything() -> None:
    watch = watching()
    watch.feed(b"".join(plainly(IMAGE)))
    watch.quiet(is_quiet=True)
    assert asked(watch, 10.0) == b""


def test_bytes_of_a_wrong_speed_are_garbage_and_a_few_bad_ones_are_not() -> None:
    watch = watching()
    watch.feed(random.Random(1).randbytes(300))
    assert watch.garbage
    watch = watching()
    watch.feed(b"".join(plainly(IMAGE))[:600] + b"\xff\x00\xfe" * 10)
    assert not watch.garbage
    assert not watch.garbled
    assert watch.no_text == 30 / 630


def test_a_short_stream_is_judged_only_once_it_has_ended() -> None:
    watch = watching()
    watch.feed(random.Random(1).randbytes(100))
    assert not watch.garbage
    assert watch.garbled
    watch = watching()
    watch.feed(b"\xf8\x00\xe0")
    assert not watch.garbled


@pytest.mark.parametrize("kind", ["even", "odd", "mark"])
def test_text_of_seven_bits_with_a_parity_bit_is_no_garbage(kind: str) -> None:
    def dressed(byte: int) -> int:
        odd = byte.bit_count() % 2
        return byte | {"even": odd, "odd": 1 - odd, "mark": 1}[kind] << 7

    watch = watching()
    watch.feed(bytes(dressed(byte) for byte in b"".join(plainly(IMAGE))))
    assert watch.parity
    assert not watch.garbage
    assert watch.words == 256


def test_text_of_eight_bits_has_no_parity() -> None:
    watch = watching()
    watch.feed(b"".join(plainly(IMAGE)))
    assert not watch.parity
    assert watch.flow_control == 0


def test_xon_and_xoff_are_counted_and_are_no_garbage() -> None:
    watch = watching()
    watch.feed(b"\x11" + ONE[:400] + b"\x13\x11" + ONE[400:])
    assert watch.flow_control == 3
    assert watch.complete


@given(st.binary(max_size=600))
def test_any_bytes_can_be_followed(block: bytes) -> None:
    watch = watching()
    watch.feed(block)
    watch.requests(1.0)
    assert 0 <= watch.no_text <= 1


def test_a_line_without_end_is_not_kept_for_ever() -> None:
    watch = watching()
    for _ in range(20):
        watch.feed(b"A" * 100_000)
    assert len(watch._rest) <= 1 << 20

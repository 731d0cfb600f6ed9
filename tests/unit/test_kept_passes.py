"""What was read differently is told by blocks in the record, and kept once for the pictures."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.flow import Pass
from pipeline.run.package.kept_passes import add_departures, packed_passes, unpacked_passes
from schemas.names import Organisation

CODE = np.random.default_rng(4).integers(0, 256, 2048, np.uint8)
SHAPE = Organisation(2048, 8)


def read(number: int, words: Any, present: Any = None) -> Pass:
    return Pass("U1.hb.1", "hb", "hb/", number, words, present)


def other(address: int) -> Any:
    words = CODE.copy()
    words[address] ^= 0x10
    return words


def test_a_pass_that_reads_as_the_image_has_no_departures_and_another_has_them_by_block() -> None:
    readings: Any = [{"reading": "U1.hb.1", "passes": [{"number": 1}, {"number": 2}, {"number": 3}]}]
    add_departures(readings, [read(1, CODE), read(2, other(70))], CODE)
    first, second, third = readings[0]["passes"]
    assert "departs" not in first
    assert "departs" not in third
    assert second["departs"] == [1 if block == 2 else 0 for block in range(64)]


def test_words_that_a_pass_lacks_are_no_departure() -> None:
    present = np.ones(2048, np.bool_)
    present[:64] = False
    readings: Any = [{"reading": "U1.hb.1", "passes": [{"number": 1}]}]
    add_departures(readings, [read(1, np.where(present, CODE, 0).astype(np.uint8), present)], CODE)
    assert "departs" not in readings[0]["passes"][0]


def test_passes_that_all_read_the_same_are_not_kept() -> None:
    assert packed_passes([read(1, CODE), read(2, CODE.copy())], 8) is None


def test_each_content_is_kept_once_with_the_passes_that_read_it() -> None:
    present = np.ones(2048, np.bool_)
    present[2040:] = False
    short = np.where(present, CODE, 0).astype(np.uint8)
    packed = packed_passes([read(1, CODE), read(2, other(5)), read(3, CODE), read(4, short, present)], 8)
    assert packed is not None
    kept = unpacked_passes(packed, SHAPE)
    assert [one.passes for one in kept] == [("U1.hb.1/1", "U1.hb.1/3"), ("U1.hb.1/2",), ("U1.hb.1/4",)]
    assert np.array_equal(kept[1].content.octets[:, 0], other(5))
    known = kept[2].content.known
    assert known is not None
    assert np.array_equal(known, present)
    assert kept[0].content.known is None

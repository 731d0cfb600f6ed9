"""Normalising: exactly the chip's words, every step written down, and replaying gives the same."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats import Declared, decode
from pipeline.stages.normalise import Manner, Normalised, normalise
from pipeline.steps import image_bytes, image_words, replay
from pipeline.words import Words
from schemas.names import Organisation
from schemas.record import StepRecord
from schemas.sheet import Packed, Take

CODE = np.random.default_rng(3).integers(0, 256, 2048).astype(np.uint8)


def normalised(content: bytes, organisation: str = "2048x8", **manner: Any) -> Normalised:
    """A raw binary dump of one chip, normalised."""
    organised = Organisation.parse(organisation)
    decoded = decode(content, Declared(format="binary"))
    return normalise(
        decoded,
        chip="U1",
        organisation=organised,
        manner=Manner(
            reading="U1.prog.1", reader="prog", sitting="prog/", declared=(("format", "binary"),), **manner
        ),
    )


def codes(done: Normalised) -> list[str]:
    """The codes of the findings."""
    return [finding.code.value for finding in done.findings]


def test_an_exact_dump_is_one_pass_without_a_finding() -> None:
    done = normalised(CODE.tobytes())
    assert len(done.passes) == 1
    assert codes(done) == []
    assert np.array_equal(done.passes[0].words, CODE)


def test_whole_copies_that_agree_are_passes_of_one_sitting() -> None:
    third = CODE.copy()
    third[5] ^= 1
    done = normalised(CODE.tobytes() * 2 + third.tobytes() + CODE.tobytes())
    assert len(done.passes) == 4
    assert {one.sitting for one in done.passes} == {"prog/"}
    assert codes(done) == ["over-read"]
    assert done.findings[0].evidence["words_that_differ"] == 1
    assert np.array_equal(done.passes[2].words, third)


def test_copies_that_differ_are_a_long_read_not_passes() -> None:
    other = np.random.default_rng(4).integers(0, 256, 2048).astype(np.uint8)
    done = normalised(CODE.tobytes() + other.tobytes())
    assert len(done.passes) == 1
    assert codes(done) == ["long-read"]
    assert "merged" in done.findings[0].also


def test_a_half_undriven_long_read_says_so() -> None:
    done = normalised(CODE.tobytes() + b"\xff" * 2048)
    assert codes(done) == ["long-read"]
    assert "not driven" in done.findings[0].also


def test_a_short_dump_is_padded_in_the_derived_words_only() -> None:
    done = normalised(CODE[:2000].tobytes())
    assert codes(done) == ["short-read"]
    assert done.findings[0].where["missing"] == 48
    one = done.passes[0]
    assert one.present is not None
    assert int(one.present.sum()) == 2000
    assert np.array_equal(one.words[:2000], CODE[:2000])


def test_a_nibble_chip_takes_the_low_four_bits_whatever_the_constant_upper_ones() -> None:
    nibbles = CODE[:256] & 0xF
    for upper in (0x00, 0xF0):
        done = normalised((nibbles | upper).tobytes(), "256x4")
        assert codes(done) == []
        assert np.array_equal(done.passes[0].words, nibbles)


def test_a_varying_upper_nibble_is_a_caution() -> None:
    done = normalised(CODE[:256].tobytes(), "256x4")
    assert [(one.code.value, one.severity.value) for one in done.findings] == [("long-read", "caution")]
    assert done.findings[0].where["extra_bits"] == 4
    assert done.findings[0].evidence["holds_back"], "the chip may stand on the upper lines"


def test_an_upper_nibble_that_repeats_the_lower_one_holds_nothing_back() -> None:
    nibbles = CODE[:256] & 0xF
    (told,) = normalised((nibbles | nibbles << 4).tobytes(), "256x4").findings
    assert not told.evidence["holds_back"]


@pytest.mark.parametrize("first", ["high", "low"])
def test_packed_nibbles_are_unpacked_only_as_declared(first: str) -> None:
    nibbles = CODE[:256] & 0xF
    pairs = nibbles.reshape(-1, 2)
    high, low = (pairs[:, 0], pairs[:, 1]) if first == "high" else (pairs[:, 1], pairs[:, 0])
    packed = (high << 4 | low).astype(np.uint8).tobytes()
    done = normalised(packed, "256x4", packed=Packed.model_validate({"first": first}))
    assert np.array_equal(done.passes[0].words, nibbles)
    assert codes(normalised(packed, "256x4"))[-1] == "short-read"


def test_a_wide_word_without_a_byte_order_is_refused() -> None:
    with pytest.raises(AmbiguousError, match="Write `byte_order: big`"):
        normalised(CODE.tobytes(), "1024x16")


@pytest.mark.parametrize("order", ["big", "little"])
def test_wide_words_are_joined_in_the_declared_order(order: str) -> None:
    done = normalised(CODE.tobytes(), "1024x16", byte_order=order)
    assert np.array_equal(
        done.passes[0].words, CODE.view(">u2" if order == "big" else "<u2").astype(np.uint16)
    )


def test_declared_polarity_and_bit_order_are_undone() -> None:
    mirrored = np.array([int(f"{byte:08b}"[::-1], 2) for byte in CODE], np.uint8) ^ 0xFF
    done = normalised(mirrored.tobytes(), inverted=True, reversed_bits=True)
    assert np.array_equal(done.passes[0].words, CODE)


def test_a_take_beyond_the_dump_is_refused_with_the_range() -> None:
    with pytest.raises(FormatError, match="take range 0x0-0x1000"):
        normalised(CODE.tobytes(), take=Take.model_validate({"range": "0-0x1000"}))


def test_take_cuts_ranges_strides_and_bit_fields() -> None:
    even = normalised(CODE.tobytes(), "1024x8", take=Take.model_validate({"every": "2", "first": "0"}))
    assert np.array_equal(even.passes[0].words, CODE[::2])
    high = normalised(CODE.tobytes(), "2048x4", take=Take.model_validate({"bits": "7:4"}))
    assert np.array_equal(high.passes[0].words, CODE >> 4)
    tail = normalised(CODE.tobytes(), "1024x8", take=Take.model_validate({"range": "0x400-0x800"}))
    assert np.array_equal(tail.passes[0].words, CODE[1024:])


@given(
    content=st.binary(min_size=1, max_size=300),
    words=st.sampled_from([8, 16, 32, 64]),
    bits=st.sampled_from([1, 4, 5, 8, 12, 16]),
    inverted=st.booleans(),
    mirrored=st.booleans(),
)
def test_replaying_the_steps_on_the_file_gives_the_pass(
    content: bytes, words: int, bits: int, *, inverted: bool, mirrored: bool
) -> None:
    organised = Organisation(words, bits)
    done = normalised(content, str(organised), inverted=inverted, reversed_bits=mirrored, byte_order="little")
    assert done.passes
    for one in done.passes:
        assert one.words.shape == (words,)
        steps: list[StepRecord] = [
            {"action": step.action, "settings": dict(step.settings)} for step in one.steps
        ]
        again = replay(content, steps)
        assert np.array_equal(again.values, one.words)
        assert (again.present is None) == (one.present is None)


@given(bits=st.integers(1, 64), data=st.data())
def test_image_bytes_and_image_words_are_inverse(bits: int, data: st.DataObject) -> None:
    values = data.draw(st.lists(st.integers(0, (1 << bits) - 1), min_size=1, max_size=40))
    from pipeline.words import words_dtype

    words: Words = np.array(values, dtype=words_dtype(bits))
    content = image_bytes(words, bits)
    assert len(content) == len(values) * ((bits + 7) // 8)
    assert np.array_equal(image_words(content, bits), words)
    assert int.from_bytes(content[: (bits + 7) // 8], "big") == values[0]

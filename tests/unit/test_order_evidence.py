"""What in an image speaks for the order of its words, and what must not."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.flow import Witness
from pipeline.stages.content import order_evidence
from pipeline.words import Words
from tests.kit.images import put_crc_32, random_image, with_text


def image(seed: int = 1, words: int = 2048) -> Words:
    return with_text(np.random.default_rng(seed), words)[0]


def test_what_is_just_too_little_to_speak_still_stands_against_another_order() -> None:
    strong, weak = Witness(41.0, 41.0, "text"), Witness(0.0, 39.0, "text")
    assert not strong.outweighs(weak)
    assert not weak.outweighs(strong)
    assert strong.outweighs(None)


@pytest.mark.parametrize(("own", "other"), [(13.0, 0.0), (300.0, 16.0), (41.0, 39.0)])
def test_evidence_is_silent_where_chance_or_the_other_order_explains_it(own: float, other: float) -> None:
    assert not Witness(own, own, "").outweighs(Witness(other, other, ""))


def test_evidence_speaks_a_million_to_one_where_nearly_nothing_is_left() -> None:
    assert Witness(14.0, 14.0, "").outweighs(Witness(0.0, 0.0, ""))
    assert Witness(300.0, 300.0, "").outweighs(Witness(0.0, 14.0, ""))


def test_running_text_speaks_for_its_order_against_data_lines_reversed() -> None:
    words = image()
    turned = np.packbits(np.unpackbits(words[:, None], axis=1)[:, ::-1], axis=1).reshape(-1)
    assert order_evidence(words, 8)["text"].outweighs(order_evidence(turned, 8).get("text"))


def test_text_in_the_other_case_does_not_speak_against_the_text_it_was() -> None:
    """D5 inverted: small letters for capitals, zeros for blanks; either may be what was programmed."""
    words = image()
    other = words ^ np.uint8(0x20)
    one, two = order_evidence(words, 8)["text"], order_evidence(other, 8).get("text")
    assert two is None or not two.outweighs(one)
    assert not one.outweighs(two)


def test_names_of_a_table_are_not_text_enough_to_speak() -> None:
    words = random_image(4).copy()
    words[64:104] = np.frombuffer(b"STOP LOAD ADD SUB JUMP CALL RETURN HALT ", dtype=np.uint8)
    witness = order_evidence(words, 8).get("text")
    assert witness is None or witness.nats == 0


def test_a_stored_crc_speaks_and_one_that_chance_explains_does_not() -> None:
    words = put_crc_32(image())
    assert order_evidence(words, 8)["check"].outweighs(order_evidence(words[::-1].copy(), 8).get("check"))
    assert all(one.nats <= one.left for one in order_evidence(words, 8).values())


def test_every_second_letter_of_a_long_text_speaks_as_the_chips_of_a_wide_program_have_it() -> None:
    words = random_image(6).copy()
    words[100:700] = image(2, 8192)[_text_at(image(2, 8192)) :][:1200:2]
    turned = np.packbits(np.unpackbits(words[:, None], axis=1)[:, ::-1], axis=1).reshape(-1)
    assert order_evidence(words, 8)["text"].outweighs(order_evidence(turned, 8).get("text"))


def _text_at(words: Words) -> int:
    """Where the longest stretch of printable characters begins."""
    plain = (words >= 0x20) & (words < 0x7F)
    return int(np.convolve(plain, np.ones(1200), "valid").argmax())

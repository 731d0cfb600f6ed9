"""Settling by voices of readers, never by majority; passes in another order brought into line first."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.flow import Pass, Said
from pipeline.stages.reconcile import contested_bits, reconcile, settle
from pipeline.words import Words
from schemas.names import Organisation

CODE = (
    np.random.default_rng(5)
    .choice(256, 2048, p=np.arange(1, 257)[::-1] / np.arange(1, 257).sum())
    .astype(np.uint8)
)
CHIP = Organisation(2048, 8)
SAID = {
    "U1.prog.1": Said(kind="device-programmer", own_part=True),
    "U1.hb.1": Said(kind="home-built"),
}
"""What the sheet says of the two readers."""


def one_pass(words: Words, reader: str = "prog", number: int = 1, sitting: str = "") -> Pass:
    """A pass with every word."""
    return Pass(f"U1.{reader}.1", reader, f"{reader}/{sitting}", number, words)


def flipped(words: Words, address: int, bit: int) -> Words:
    """A copy with one bit changed."""
    out = words.copy()
    out[address] ^= 1 << bit
    return out


def test_equal_passes_settle_every_bit() -> None:
    done = reconcile([one_pass(CODE), one_pass(CODE.copy(), "hb")], chip="U1", organisation=CHIP)
    assert done is not None
    assert not done.settled.contested.any()
    assert done.findings == ()


def test_two_passes_against_one_of_the_same_reader_settle_nothing() -> None:
    passes = [one_pass(CODE, number=1), one_pass(CODE, number=2), one_pass(flipped(CODE, 7, 3), number=3)]
    done = reconcile(passes, chip="U1", organisation=CHIP)
    assert done is not None
    assert done.settled.contested[7] == 8
    assert int(np.count_nonzero(done.settled.contested)) == 1


def test_a_wavering_reader_has_no_voice_so_another_settles_the_bit() -> None:
    passes = [one_pass(CODE, "hb", 1), one_pass(flipped(CODE, 7, 3), "hb", 2), one_pass(CODE, "prog")]
    done = reconcile(passes, chip="U1", organisation=CHIP)
    assert done is not None
    assert not done.settled.contested.any()
    assert np.array_equal(done.settled.words, CODE)


def test_two_readers_against_each_other_contest_the_bit_whatever_the_number_of_passes() -> None:
    passes = [one_pass(CODE, "prog", n) for n in (1, 2, 3)] + [one_pass(flipped(CODE, 7, 3), "hb")]
    done = reconcile(passes, chip="U1", organisation=CHIP)
    assert done is not None
    assert done.settled.contested[7] == 8


@pytest.mark.parametrize("fades_to", [0, 1, None])
def test_a_contested_bit_carries_the_programmed_state_where_the_direction_is_known(
    fades_to: int | None,
) -> None:
    first, second = one_pass(flipped(CODE, 7, 3), "prog"), one_pass(CODE, "hb")
    done = reconcile([first, second], chip="U1", organisation=CHIP, fades_to=fades_to)
    assert done is not None
    carried = int(done.settled.words[7]) >> 3 & 1
    expected = 1 - fades_to if fades_to is not None else int(first.words[7]) >> 3 & 1
    assert carried == expected
    told = contested_bits(done.settled, fades_to=fades_to, first_listed="U1.prog.1")
    assert told is not None
    assert told["bits"] == 1
    assert told["listed"][0]["votes"].keys() == {"prog", "hb"}
    assert told["listed"][0]["image"] == carried


def test_words_in_which_readers_differ_are_told_apart_from_those_in_which_one_reader_s_passes_do() -> None:
    passes = [
        one_pass(flipped(flipped(CODE, 7, 3), 900, 1), "prog", 1),
        one_pass(flipped(CODE, 7, 3), "prog", 2),
        one_pass(flipped(CODE, 900, 1), "hb", 1),
        one_pass(CODE, "hb", 2),
    ]
    done = reconcile(passes, chip="U1", organisation=CHIP)
    assert done is not None
    told = contested_bits(done.settled, fades_to=None, first_listed="U1.prog.1")
    assert told is not None
    assert np.flatnonzero(told["between"]).tolist() == [0]
    assert np.flatnonzero(told["within"]).tolist() == [900 * 64 // 2048]
    first, second = told["listed_words"]
    seven, other = f"{int(CODE[7]):02X}", f"{int(CODE[7]) ^ 8:02X}"
    assert (first["address"], first["lines"]) == (7, ["D3"])
    assert {one["value"]: one["passes"] for one in first["said"]} == {seven: {"hb": 2}, other: {"prog": 2}}
    assert (second["address"], second["lines"]) == (900, ["D1"])
    assert all(one["passes"] == {"prog": 1, "hb": 1} for one in second["said"])
    assert second["image"] in {one["value"] for one in second["said"]}


def test_a_word_that_no_pass_has_is_contested() -> None:
    present = np.ones(2048, np.bool_)
    present[100:103] = False
    short = Pass("U1.hb.1", "hb", "hb/", 1, np.where(present, CODE, 0).astype(np.uint8), present)
    done = reconcile([short], chip="U1", organisation=CHIP)
    assert done is not None
    assert np.flatnonzero(done.settled.contested).tolist() == [100, 101, 102]


def test_an_absent_word_is_settled_by_the_pass_that_has_it() -> None:
    present = np.ones(2048, np.bool_)
    present[100:103] = False
    short = Pass("U1.hb.1", "hb", "hb/", 1, np.where(present, CODE, 0).astype(np.uint8), present)
    done = reconcile([short, one_pass(CODE, "hb", 2)], chip="U1", organisation=CHIP)
    assert done is not None
    assert not done.settled.contested.any()
    assert np.array_equal(done.settled.words, CODE)


def test_a_rotated_pass_is_brought_into_line_and_told() -> None:
    turned = np.roll(CODE, -17)
    done = reconcile(
        [one_pass(CODE, "prog", 1), one_pass(CODE, "prog", 2), one_pass(turned, "hb")],
        chip="U1",
        organisation=CHIP,
        said=SAID,
    )
    assert done is not None
    assert np.array_equal(done.settled.words, CODE)
    assert not done.settled.contested.any()
    assert [finding.code.value for finding in done.findings] == ["rotated"]
    assert done.findings[0].where["by"] == 17
    assert done.settled.passes[2].steps[-1].action == "rotate"


def test_swapped_lines_are_brought_into_the_order_of_the_device_programmer() -> None:
    addresses = np.arange(2048)
    swapped = CODE[(addresses & ~0b11000) | (addresses & 0b01000) << 1 | (addresses & 0b10000) >> 1]
    done = reconcile(
        [one_pass(swapped, "hb"), one_pass(CODE, "prog")],
        chip="U1",
        organisation=CHIP,
        said=SAID,
    )
    assert done is not None
    assert np.array_equal(done.settled.words, CODE)
    assert done.findings[0].code.value == "lines-reordered"
    assert "A3 and A4 exchanged" in done.findings[0].means
    assert done.findings[0].where["readings"] == ["U1.hb.1"]


def test_a_slipped_pass_is_brought_into_step_and_its_lost_word_marked_absent() -> None:
    lost = np.delete(CODE, 0x3A3)
    present = np.ones(2048, np.bool_)
    present[-1] = False
    words = np.append(lost, 0).astype(np.uint8)
    short = Pass("U1.hb.1", "hb", "hb/", 1, words, present, length_off=-1)
    done = reconcile([one_pass(CODE), short], chip="U1", organisation=CHIP)
    assert done is not None
    assert np.array_equal(done.settled.words, CODE)
    assert [finding.code.value for finding in done.findings] == ["slipped"]
    moved = done.settled.passes[1]
    assert moved.present is not None
    assert int((~moved.present).sum()) == 1


@given(
    votes=st.lists(
        st.tuples(st.sampled_from(["a", "b", "c"]), st.sampled_from([0, 1, None])), min_size=1, max_size=7
    )
)
def test_settling_one_bit_follows_the_rule_of_voices(votes: list[tuple[str, int | None]]) -> None:
    passes = []
    for number, (reader, value) in enumerate(votes):
        present = None if value is not None else np.zeros(1, np.bool_)
        passes.append(
            Pass(f"U.{reader}.{number}", reader, reader, number, np.array([value or 0], np.uint8), present)
        )
    _, contested = settle(passes, Organisation(1, 1), None)
    by_reader = {
        r: {v for reader, v in votes if reader == r and v is not None}
        for r in {reader for reader, _ in votes}
    }
    spoken = {next(iter(values)) for values in by_reader.values() if len(values) == 1}
    assert bool(contested[0]) == (len(spoken) != 1)


def test_every_combination_of_two_readers_with_two_passes_is_settled_as_the_rule_says() -> None:
    for a1, a2, b1, b2 in product((0, 1), repeat=4):
        passes = [
            Pass(f"U.{reader}.{n}", reader, reader, n, np.array([value], np.uint8))
            for n, (reader, value) in enumerate([("a", a1), ("a", a2), ("b", b1), ("b", b2)])
        ]
        words, contested = settle(passes, Organisation(1, 1), None)
        voices = {v for v, w in ((a1, a2), (b1, b2)) if v == w}
        assert bool(contested[0]) == (len(voices) != 1)
        if len(voices) == 1:
            assert int(words[0]) == voices.pop()

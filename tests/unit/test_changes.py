"""What a difference most likely means: fading, a revision, or bits that nobody has settled."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.publish.changes import ImagePair, brief, compare_chips, matched, one_machine
from pipeline.words import Words, words_dtype
from schemas.answers import ChangedChip

WORDS = np.random.default_rng(4).integers(0, 256, 2048).astype(np.uint8)


def record(chip: str, **more: Any) -> Any:
    image = {"path": f"{chip}.bin", "mask_path": None, "sha256": more.pop("digest", "0")}
    return {
        "chip": chip,
        "organisation": "2048x8",
        "part": "2716",
        "grade": "single",
        "image": image,
        "readings": [],
        **more,
    }


def compared(
    old: Words,
    new: Words,
    *,
    fades_to: int | None = 1,
    doubt: Words | None = None,
    same_machine: bool = True,
    bits: int = 8,
) -> ChangedChip:
    nothing = np.zeros_like(old)
    content = ImagePair(old, new, nothing if doubt is None else doubt, bits, fades_to, "2716")
    first, second = brief(record("U1", digest="1")), brief(record("U1", digest="2"))
    return compare_chips(first, second, content, same_machine=same_machine)


def leak(words: Words, count: int, *, to: int) -> Words:
    """So many cells lose their content, each in a word of its own."""
    out = words.copy()
    left = count
    for at in range(3, len(words), 11):
        line = np.uint8(1 << at % 8)
        if left and bool(words[at] & line) != bool(to):
            out[at] ^= line
            left -= 1
    assert left == 0
    return out


def test_bits_that_all_went_toward_the_faded_state_are_fading() -> None:
    told = compared(WORDS, leak(WORDS, 12, to=1))
    assert (told["kind"], told["judged"], told["up"], told["down"], told["differing_words"]) == (
        "content",
        "fading",
        12,
        0,
        12,
    )
    assert "fading" in told["means"]


def test_the_same_bits_seen_from_the_other_side_make_the_older_one_the_faded_one() -> None:
    told = compared(leak(WORDS, 12, to=1), WORDS)
    assert (told["judged"], told["up"], told["down"]) == ("older-faded", 0, 12)
    assert "the old reading looks faded" in told["means"]
    told = compared(leak(WORDS, 12, to=1), WORDS, same_machine=False)
    assert "the first machine's chip has faded" in told["means"]


def test_few_bits_one_way_may_be_chance_and_are_called_so() -> None:
    assert compared(WORDS, leak(WORDS, 4, to=1))["judged"] == "perhaps-fading"


def test_one_bit_against_the_direction_makes_it_no_fading() -> None:
    new = leak(WORDS, 12, to=1)
    at = int(np.flatnonzero((new == WORDS) & (new > 0))[0])
    new[at] &= new[at] - np.uint8(1)
    told = compared(WORDS, new)
    assert (told["judged"], told["up"], told["down"]) == ("revision", 12, 1)


def test_without_a_known_direction_nothing_is_claimed() -> None:
    told = compared(WORDS, leak(WORDS, 12, to=1), fades_to=None)
    assert told["judged"] == "one-way"
    assert "not known" in told["means"]


def test_a_stretch_that_reads_as_unprogrammed_is_no_fading() -> None:
    new = WORDS.copy()
    new[64:128] = 0xFF
    told = compared(WORDS, new)
    assert told["judged"] == "emptied"
    assert told["ranges"][0][0] == 64


def test_contested_bits_are_counted_apart_and_settle_nothing() -> None:
    new = leak(WORDS, 12, to=1)
    told = compared(WORDS, new, doubt=WORDS ^ new)
    assert (told["judged"], told["contested_bits"], told["up"], told["differing_words"]) == (
        "unsettled",
        12,
        0,
        0,
    )
    assert "wherever both are settled they agree" in told["means"]


def test_equal_images_are_the_same() -> None:
    told = compared(WORDS, WORDS.copy())
    assert (told["kind"], told["judged"], told["means"]) == ("same", "", "")


@given(st.integers(1, 64), st.data())
def test_every_differing_bit_is_counted_once(bits: int, data: st.DataObject) -> None:
    high = (1 << bits) - 1
    values = st.lists(st.integers(0, high), min_size=16, max_size=16)
    old, new, doubt = (np.array(data.draw(values), words_dtype(bits)) for _ in range(3))
    told = compared(old, new, doubt=doubt, fades_to=data.draw(st.sampled_from([0, 1, None])), bits=bits)
    differing = sum((int(a) ^ int(b)).bit_count() for a, b in zip(old, new, strict=True))
    assert told["up"] + told["down"] + told["contested_bits"] == differing
    assert (told["kind"] == "same") == (differing == 0)
    assert all(0 <= start < end <= 16 for start, end in told["ranges"])


def test_chips_of_one_machine_keep_their_id_when_they_move() -> None:
    old = [brief(record("A", board="b", socket="U1")), brief(record("B", board="b", socket="U2"))]
    new = [brief(record("B", board="b", socket="U1")), brief(record("A", board="b", socket="U2"))]
    pairs = list(matched(old, new, ({}, {}), same_machine=True))
    assert [(a.chip, b.chip) for a, b in pairs if a and b] == [("A", "A"), ("B", "B")]


def test_chips_of_two_machines_are_matched_by_place_though_boards_and_chips_have_other_ids() -> None:
    boards: Any = {"cpu": {"number": "310-0052"}}, {"processor": {"number": "310-0052"}}
    old = [brief(record("A1", board="cpu", socket="u1")), brief(record("A2", board="cpu", socket="U2"))]
    new = [
        brief(record("A1", board="processor", socket="U2")),
        brief(record("X", board="processor", socket="U1")),
    ]
    pairs = list(matched(old, new, boards, same_machine=False))
    assert [(a.chip, b.chip) for a, b in pairs if a and b] == [("A1", "X"), ("A2", "A1")]


def test_chips_without_a_counterpart_are_told_on_either_side() -> None:
    old, new = [brief(record("A", board="b", socket="U1"))], [brief(record("Z", board="b", socket="U9"))]
    pairs = list(matched(old, new, ({}, {}), same_machine=True))
    kinds = [compare_chips(a, b, None, same_machine=True)["kind"] for a, b in pairs]
    assert kinds == ["only-old", "only-new"]


@given(
    st.lists(st.tuples(st.sampled_from("ABCDE"), st.sampled_from(["", "U1", "U2"])), max_size=6),
    st.lists(st.tuples(st.sampled_from("ABCDE"), st.sampled_from(["", "U1", "U2"])), max_size=6),
    st.booleans(),
)
def test_every_chip_appears_exactly_once(
    old: list[tuple[str, str]],
    new: list[tuple[str, str]],
    same: bool,  # noqa: FBT001 - drawn
) -> None:
    first, second = (
        [brief(record(chip, board="b", socket=socket)) for chip, socket in one] for one in (old, new)
    )
    pairs = list(matched(first, second, ({}, {}), same_machine=same))
    assert [id(a) for a, _ in pairs if a] == [id(a) for a in first]
    assert sorted(id(b) for _, b in pairs if b) == sorted(id(b) for b in second)


@pytest.mark.parametrize(
    ("first", "second", "same"),
    [
        ({"id": "m"}, {"id": "m"}, True),
        ({"id": "m", "serial": "1"}, {"id": "m", "serial": "2"}, False),
        ({"id": "m", "serial": "1"}, {"id": "m"}, True),
        ({"id": "m"}, {"id": "n"}, False),
    ],
)
def test_one_machine_has_one_id_and_no_two_serial_numbers(
    first: Any,
    second: Any,
    same: bool,  # noqa: FBT001 - drawn
) -> None:
    heads: list[Any] = [{"machine": first}, {"machine": second}]
    assert one_machine(*heads) == same


def test_images_of_other_sizes_and_missing_images_are_not_laid_side_by_side() -> None:
    old = brief(record("U1", digest="1"))
    other = brief(record("U1", digest="2", organisation="4096x8"))
    assert "Another size" in compare_chips(old, other, None, same_machine=True)["means"]
    gone = brief(record("U1") | {"image": None, "grade": "missing"})
    assert compare_chips(old, gone, None, same_machine=True)["kind"] == "not-compared"
    assert compare_chips(gone, gone, None, same_machine=True)["means"] == "No image in either."


def test_two_machines_are_judged_in_the_words_of_twins() -> None:
    dead = WORDS[np.arange(2048) & ~16]
    for new, judged, words in (
        (dead, "line", "A4 dead in the second machine's chip"),
        (WORDS[::-1].copy(), "crossed", "another order of lines"),
        (np.random.default_rng(5).integers(0, 256, 2048).astype(np.uint8), "unrelated", "another program"),
    ):
        told = compared(WORDS, new, same_machine=False)
        assert (told["judged"], words in told["means"]) == (judged, True), told["means"]
    assert compared(WORDS, dead)["judged"] == "revision"

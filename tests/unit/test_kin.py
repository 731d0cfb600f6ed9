"""Kin: chips that hold the same, the opposite, a part, or a damaged copy of one another."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import regions, signature
from pipeline.stages.content.among_chips import ChipImage, kin, shared_fills
from pipeline.stages.content.kin import MOST_KIN
from pipeline.words import Words, words_dtype
from schemas.finding import Code, Finding, Severity
from tests.kit.images import Octets as Image
from tests.kit.images import code_image, random_image


def shelf(
    images: Mapping[str, Words], bits: int = 8, board: str | None = "main", fades: int | None = None
) -> list[ChipImage]:
    return [
        ChipImage(
            name, signature(words, bits, regions(words, bits, erased_state=None, part=None)), board, fades
        )
        for name, words in images.items()
    ]


def related(images: Mapping[str, Words], bits: int = 8, **about: int | None) -> dict[str, list[Finding]]:
    out: dict[str, list[Finding]] = {name: [] for name in images}
    for finding in kin(shelf(images, bits, fades=about.get("fades")), images.__getitem__):
        out[finding.chip].append(finding)
    return out


def only(found: list[Finding]) -> Finding:
    assert len(found) == 1, found
    return found[0]


def faded(image: Image, tries: int, seed: int, to: int) -> Image:
    """Some programmed bits turned into the level `to`."""
    rng = np.random.default_rng(seed)
    out = image.copy()
    for _ in range(tries):
        at, line = int(rng.integers(len(out))), int(rng.integers(8))
        out[at] = out[at] | (1 << line) if to else out[at] & (0xFF ^ (1 << line))
    assert (out != image).any()
    return out


def test_unrelated_chips_have_no_kin() -> None:
    images = {f"U{n}": (code_image if n % 2 else random_image)(n) for n in range(40)}
    assert all(found == [] for found in related(images).values())


def test_the_same_content_in_two_sockets_of_a_board_is_a_caution() -> None:
    images = {"U1": code_image(1), "U2": code_image(2), "U3": code_image(1)}
    found = related(images)
    finding = only(found["U1"])
    assert (finding.code, finding.severity, finding.evidence["with"]) == (
        Code.SAME_CONTENT,
        Severity.CAUTION,
        ["U3"],
    )
    assert "read twice" in finding.also
    assert only(found["U3"]).evidence["with"] == ["U1"]
    assert found["U2"] == []


@pytest.mark.parametrize("word", [0x00, 0xFF])
def test_blank_chips_are_not_kin(word: int) -> None:
    images = {f"U{n}": np.full(2048, word, dtype=np.uint8) for n in range(3)}
    assert all(found == [] for found in related(images).values())


def test_blank_and_opposite_blank_are_no_complement() -> None:
    images = {"U1": np.zeros(2048, dtype=np.uint8), "U2": np.full(2048, 0xFF, dtype=np.uint8)}
    assert all(found == [] for found in related(images).values())


def test_blank_upper_halves_do_not_make_chips_kin() -> None:
    images = {
        f"U{n}": np.where(np.arange(2048) < 900, code_image(n), 0xFF).astype(np.uint8) for n in range(6)
    }
    assert all(found == [] for found in related(images).values())


@pytest.mark.parametrize("bits", [4, 8])
def test_a_complement_is_found(bits: int) -> None:
    top = (1 << bits) - 1
    image = np.bitwise_and(code_image(4), top, dtype=np.uint8)
    found = related({"U1": image, "U2": np.bitwise_xor(image, top, dtype=np.uint8)}, bits)
    assert [only(found[name]).code for name in ("U1", "U2")] == [Code.INVERSE_CONTENT] * 2
    assert only(found["U1"]).evidence["with"] == ["U2"]


@pytest.mark.parametrize("size", [128, 512, 1024])
def test_a_small_chip_that_stands_in_a_larger_one_is_a_part_of_it(size: int) -> None:
    large = code_image(5, 4096)
    found = related({"BIG": large, "SMALL": large[1000 : 1000 + size].copy()})
    small, big = only(found["SMALL"]), only(found["BIG"])
    assert (small.code, small.evidence["exact"], small.evidence["shift"]) == (Code.PART_OF, True, -1000)
    assert (big.code, big.evidence["shift"], big.evidence["ranges"]) == (
        Code.PART_OF,
        1000,
        [[1000, 1000 + size]],
    )
    assert "from 0x3E8 on" in small.means
    assert "from 0x3E8 on" in big.means


def test_shifted_content_says_by_how_many_words() -> None:
    image = code_image(6)
    other = np.concatenate([random_image(7, 100), image[:-100]])
    found = related({"U1": image, "U2": other})
    assert only(found["U1"]).evidence["shift"] == -100
    assert only(found["U2"]).evidence["shift"] == 100
    assert only(found["U2"]).evidence["ranges"] == [[100, 2048]]


@pytest.mark.parametrize("to", [0, 1])
def test_a_copy_whose_bits_differ_one_way_reads_as_decay_where_cells_fade_that_way(to: int) -> None:
    image = code_image(8)
    found = related({"GOOD": image, "OLD": faded(image, 120, 1, to)}, fades=to)
    finding = only(found["GOOD"])
    assert finding.code == Code.SAME_CONTENT
    assert finding.evidence["direction"] == "one way"
    assert finding.evidence["chance"] < 1e-6
    assert "every differing bit of OLD stands at the level its cells fade to" in finding.means
    assert finding.evidence["exact"] is False


def test_a_copy_that_differs_one_way_says_so_where_the_fading_is_unknown() -> None:
    image = code_image(8)
    finding = only(related({"GOOD": image, "OLD": faded(image, 120, 1, 1)})["GOOD"])
    assert "not known" in finding.means


def test_copies_that_differ_both_ways_are_revisions() -> None:
    image = code_image(9)
    other = image.copy()
    other[300:340] = random_image(1, 40)
    finding = only(related({"A": image, "B": other}, fades=1)["A"])
    assert finding.evidence["direction"] == "both ways"
    assert "versions" in finding.means
    assert finding.evidence["differing_words"] == int((image != other).sum())


def test_few_changed_bits_are_too_few_to_tell_decay_from_a_revision() -> None:
    image = code_image(10)
    other = image.copy()
    other[77] |= 0x80 if image[77] < 0x80 else 0x40
    other[78] = image[78] | 0x01
    finding = only(related({"A": image, "B": other}, fades=1)["A"])
    assert "too few bits" in finding.means


def test_a_large_family_of_versions_is_compared_with_its_nearest_only() -> None:
    image = code_image(11)
    images = {}
    for number in range(60):
        other = image.copy()
        other[number * 30 : number * 30 + 8] = random_image(number, 8)
        images[f"V{number:02}"] = other
    loads = []

    def load(chip: str) -> Words:
        loads.append(chip)
        return images[chip]

    found = kin(shelf(images), load)
    assert {finding.chip for finding in found} == set(images)
    assert len(loads) <= 2 * 60 * MOST_KIN


def test_sister_chips_that_are_empty_in_the_same_place_are_told_to_each_other() -> None:
    images = {f"U{n}": code_image(n) for n in range(4)}
    for name in ("U0", "U1", "U2"):
        images[name][1500:] = 0xFF
        images[name][1499] = 0x60
    assert shared_fills(shelf(images)) == {"U0": ("U1", "U2"), "U1": ("U0", "U2"), "U2": ("U0", "U1")}
    other_board = [ChipImage(one.chip, one.signature, board=one.chip) for one in shelf(images)]
    assert shared_fills(other_board) == {}


def test_kinship_with_a_faulty_image_names_the_fault_as_a_possible_cause() -> None:
    image = code_image(12)
    chips = [ChipImage(name, signature(image, 8), "main", faulty=name == "U2") for name in ("U1", "U2", "U3")]
    found = kin(chips, lambda _: image)
    assert all(one.evidence["faulty"] == ["U2"] and "fault of U2" in one.also for one in found)
    assert len(found) == 3


def test_a_signature_is_small() -> None:
    mark = signature(code_image(1), 8)
    assert len(mark.hashes) + len(mark.places) + len(mark.digest) + len(mark.inverse) <= 1024


@given(
    st.lists(st.binary(min_size=1, max_size=80), min_size=1, max_size=5),
    st.sampled_from([1, 4, 8, 16, 32, 64]),
)
def test_any_chips_can_be_compared_and_ranges_lie_inside(contents: list[bytes], bits: int) -> None:
    images = {
        f"U{n}": np.array(
            [byte * 0x9E3779B97F4A7C15 % (1 << bits) for byte in data * 3], dtype=words_dtype(bits)
        )
        for n, data in enumerate(contents)
    }
    for finding in kin(shelf(images, bits), images.__getitem__):
        size = len(images[finding.chip])
        assert all(0 <= start < end <= size for start, end in finding.evidence.get("ranges", []))
        assert finding.chip not in finding.evidence["with"]

"""Chips that read better together, and the spaces that are suggested for them."""

from __future__ import annotations

import argparse
import doctest
import json
import textwrap
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import content_findings, regions, signature
from pipeline.stages.content.among_chips import ChipImage, Join, interleave_findings, joins, suggest_spaces
from pipeline.words import Words, words_dtype
from schemas.finding import Code
from schemas.sheet import Space
from tests.kit.firmware import firmware
from tests.kit.images import Octets as Image
from tests.kit.images import code_image, put, random_image

PROSE = f"{argparse.__doc__}{doctest.__doc__}{textwrap.TextWrapper.__doc__}".encode("ascii", "ignore").upper()
EXAMPLE = Path(__file__).parents[2] / "example_project" / "truth.json"


def found_in(
    images: Mapping[str, Words], bits: int = 8, placed: frozenset[str] = frozenset()
) -> tuple[Join, ...]:
    chips = [
        ChipImage(name, signature(words, bits), "main", placed=name in placed)
        for name, words in images.items()
    ]
    return joins(chips, images.__getitem__)


def with_text(image: Image, own: int = 0) -> Image:
    """A program with texts in several places, its own ones."""
    for at in range(100, len(image) - 400, 900):
        image = put(image, at, PROSE[at + 1234 * own : at + 1234 * own + 300])
    return image


def test_odd_and_even_halves_of_a_program_with_text_are_joined_in_the_right_order() -> None:
    whole = {n: with_text(code_image(n, 4096), n) for n in range(3)}
    images: dict[str, Words] = {}
    for n, image in whole.items():
        images |= {f"ODD{n}": image[1::2].copy(), f"EVEN{n}": image[0::2].copy()}
    found = found_in(dict(sorted(images.items())))
    assert sorted(join.chips for join in found) == [(f"EVEN{n}", f"ODD{n}") for n in range(3)]
    assert all(join.order_known and join.kind == "odd/even" and join.width == 16 for join in found)
    assert all(join.evidence["text"] for join in found)
    assert all(0 <= start < end <= 2048 for join in found for start, end in join.evidence["ranges"])


def test_nibble_halves_of_text_are_joined_with_the_upper_half_first() -> None:
    whole = with_text(code_image(4, 2048))
    images: dict[str, Words] = {
        "LOW": np.bitwise_and(whole, 15, dtype=np.uint8),
        "HIGH": np.right_shift(whole, 4, dtype=np.uint8),
        "OTHER": np.bitwise_and(random_image(1), 15, dtype=np.uint8),
    }
    found = found_in(images, bits=4)
    assert [join.chips for join in found] == [("HIGH", "LOW")]
    assert found[0].order_known
    assert found[0].width == 8


def test_four_nibble_chips_of_one_program_are_joined_into_words_of_sixteen_bits() -> None:
    whole = with_text(code_image(14, 4096))
    even, odd = whole[0::2], whole[1::2]
    images: dict[str, Words] = {
        "EL": np.bitwise_and(even, 15, dtype=np.uint8),
        "OH": np.right_shift(odd, 4, dtype=np.uint8),
        "EH": np.right_shift(even, 4, dtype=np.uint8),
        "OL": np.bitwise_and(odd, 15, dtype=np.uint8),
    }
    found = found_in(images, bits=4)
    assert [(join.chips, join.width) for join in found] == [(("EH", "EL", "OH", "OL"), 16)]


def microcode(seed: int, words: int, bits: int) -> np.ndarray:
    """Bits of a microcode: words drawn from a few kinds, each with some freedom."""
    rng = np.random.default_rng(seed)
    kinds = rng.integers(0, 2, (24, bits))
    return np.asarray(kinds[rng.integers(0, 24, words)] ^ (rng.random((words, bits)) < 0.1))


def test_chips_of_a_wide_microcode_are_suggested_as_one_word_of_unknown_order() -> None:
    table = microcode(1, 256, 32)
    weights = np.array([8, 4, 2, 1])
    images: dict[str, Words] = {
        f"M{n}": (table[:, 4 * n : 4 * n + 4] @ weights).astype(np.uint8) for n in range(8)
    }
    images["X"] = np.bitwise_and(random_image(3, 256), 15, dtype=np.uint8)
    found = found_in(images, bits=4)
    assert [join.chips for join in found] == [tuple(f"M{n}" for n in range(8))]
    assert (found[0].kind, found[0].width, found[0].order_known) == ("wide", 32, False)


def test_unrelated_chips_are_not_joined() -> None:
    for bits, size in ((8, 2048), (4, 256)):
        top = (1 << bits) - 1
        for make in (random_image, code_image):
            images: dict[str, Words] = {
                f"U{n}": np.bitwise_and(make(n, size), top, dtype=np.uint8) for n in range(20)
            }
            assert found_in(images, bits) == ()


def test_texts_at_the_same_addresses_do_not_join_chips() -> None:
    images: dict[str, Words] = {
        f"U{n}": put(code_image(n), 512, PROSE[600 * n : 600 * n + 600]) for n in range(4)
    }
    assert found_in(images) == ()


def test_blank_halves_at_the_same_addresses_do_not_join_chips() -> None:
    images: dict[str, Words] = {
        f"U{n}": np.where(np.arange(2048) < 1300, code_image(n), 0xFF).astype(np.uint8) for n in range(6)
    }
    assert found_in(images) == ()


def test_copies_of_one_chip_are_not_joined_with_one_another() -> None:
    image = with_text(code_image(5))
    assert found_in({"U1": image, "U2": image.copy()}) == ()


@pytest.mark.parametrize("kind", ["decayed", "revised", "complement of a decayed"])
def test_versions_of_one_content_are_not_joined_with_one_another(kind: str) -> None:
    image = with_text(code_image(16))
    other = image.copy()
    if kind == "revised":
        other[1000:] = with_text(code_image(17))[1000:]
    else:
        other[np.random.default_rng(1).integers(0, 2048, 40)] |= np.uint8(0x10)
    if kind.startswith("complement"):
        other = np.bitwise_xor(other, 0xFF, dtype=np.uint8)
    assert (other != image).any()
    assert found_in({"U1": image, "U2": other}) == ()


def test_chips_that_the_sheet_places_already_are_left_alone() -> None:
    image = with_text(code_image(6, 4096))
    images: dict[str, Words] = {"E": image[0::2].copy(), "O": image[1::2].copy()}
    assert found_in(images)
    assert found_in(images, placed=frozenset(["E"])) == ()


def test_suggestions_can_be_pasted_into_the_sheet_and_findings_name_the_order() -> None:
    image = with_text(code_image(7, 4096))
    found = found_in({"U2": image[1::2].copy(), "U1": image[0::2].copy()})
    space = Space.model_validate(suggest_spaces(found)[0])
    assert [placement.lanes for placement in space.placements] == [("U1", "U2")]
    assert (space.width, space.byte_order) == (16, "big")
    findings = interleave_findings(found)
    assert [(one.chip, one.code, one.evidence["with"]) for one in findings] == [
        ("U1", Code.INTERLEAVES_WITH, ["U2"]),
        ("U2", Code.INTERLEAVES_WITH, ["U1"]),
    ]
    assert findings[0].evidence["order"] == ["U1", "U2"]


def test_two_suggestions_never_have_the_same_name() -> None:
    long = "X" * 60
    joined = [
        Join(
            (f"{long}{n}", "Y"),
            "nibble",
            8,
            "big",
            order_known=False,
            score=1.0,
            evidence={"stands_out": 9.0},
        )
        for n in range(3)
    ]
    names = [space["name"] for space in suggest_spaces(joined)]
    assert len(set(names)) == 3
    assert all(len(name) <= 63 for name in names)


def test_a_real_firmwares_odd_and_even_bytes_find_each_other() -> None:
    """Source: firmware of Debian's package seabios, 8086 code, as published."""
    whole = firmware("bios.bin")[0x10000:]
    images: dict[str, Words] = {}
    for n in range(4):
        piece = whole[n * 8192 : (n + 1) * 8192]
        images |= {f"E{n}": piece[0::2].copy(), f"O{n}": piece[1::2].copy()}
    found = found_in(dict(sorted(images.items())))
    assert sorted(tuple(sorted(join.chips)) for join in found) == [(f"E{n}", f"O{n}") for n in range(4)]
    assert all(join.chips[0].startswith("E") for join in found if join.order_known)
    assert sum(join.order_known for join in found) >= 3


def example() -> dict[str, tuple[Words, int]]:
    """The true words of the example project's chips."""
    out = {}
    for name, chip in json.loads(EXAMPLE.read_text())["chips"].items():
        words, bits = (int(part) for part in chip["organisation"].split("x"))
        digits, text = (bits + 3) // 4, "".join(chip["words"])
        values = [int(text[n : n + digits], 16) for n in range(0, words * digits, digits)]
        out[name] = np.array(values, dtype=words_dtype(bits)), bits
    return out


def test_the_examples_pairs_and_microcode_are_suggested_when_the_sheet_has_no_spaces() -> None:
    chips = example()
    shelf = [
        ChipImage(name, signature(words, bits), name.split("-")[0])
        for name, (words, bits) in chips.items()
        if name != "PAT-U4"  # on loan: there is no reading of it
    ]
    found = joins(shelf, lambda name: chips[name][0])
    assert {join.chips for join in found} == {
        ("MEM-U1", "MEM-U2"),
        ("MEM-U3", "MEM-U4"),
        ("SEQ-U1", "SEQ-U2", "SEQ-U3", "SEQ-U4", "SEQ-U5", "SEQ-U6"),
        ("SEQ-U8", "SEQ-U9"),
        ("BOX-U3", "BOX-U4"),
    }
    assert all(join.order_known for join in found if join.chips[0].startswith(("MEM", "BOX")))


@pytest.mark.parametrize("erased", [0, 1, None])
def test_the_examples_256x8_chip_has_its_empty_stretch_judged_with_the_reason(erased: int | None) -> None:
    words, bits = example()["MEM-U5"]
    cut = regions(words, bits, erased_state=erased, part=None)
    fill = cut[-1]
    assert (fill.kind, fill.start, fill.end, fill.detail["word"]) == ("fill", 96, 256, "00")
    finding = content_findings("MEM-U5", cut)[0]
    expected = {0: "consistent with unused space", 1: "programmed on purpose", None: "cannot tell"}[erased]
    assert fill.detail["means"] == expected
    assert fill.detail["why"] in finding.means
    assert finding.evidence["equals_unprogrammed"] is {0: True, 1: False, None: None}[erased]


@given(
    st.lists(st.binary(min_size=4, max_size=64), min_size=2, max_size=5),
    st.sampled_from([1, 4, 8, 12, 16, 32]),
)
def test_any_chips_can_be_weighed_for_joins(contents: list[bytes], bits: int) -> None:
    images: dict[str, Words] = {
        f"U{n}": np.array(
            [byte * 0x9E3779B97F4A7C15 % (1 << bits) for byte in data.ljust(64, b"\0")],
            dtype=words_dtype(bits),
        )
        for n, data in enumerate(contents)
    }
    found = found_in(images, bits)
    assert all(set(join.chips) <= set(images) and join.width == bits * len(join.chips) for join in found)
    widths = [Space.model_validate(space).width for space in suggest_spaces(found)]
    assert sum(widths) == sum(join.width for join in found)

"""Spaces: splitting an assembled space gives every wholly placed chip back bit for bit."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.assemble import assemble, space_bytes, split
from pipeline.words import Words, words_dtype
from schemas.names import Organisation
from schemas.sheet import Chip, Space

WORDS = 16


def chips_of(bits: list[int], seed: int) -> tuple[dict[str, Words], dict[str, Organisation], dict[str, Chip]]:
    """Chips U0, U1 … of 16 words of these widths, with random words."""
    rng = np.random.default_rng(seed)
    images: dict[str, Words] = {}
    organisations, chips = {}, {}
    for index, width in enumerate(bits):
        name = f"U{index}"
        raw = rng.integers(0, 1 << min(width, 62), WORDS, dtype=np.uint64)
        images[name] = raw.astype(words_dtype(width))
        organisations[name] = Organisation(WORDS, width)
        chips[name] = Chip.model_validate({"chip": name})
    return images, organisations, chips


@st.composite
def layouts(draw: st.DrawFn) -> tuple[list[int], dict[str, Any]]:
    """Rows of chips side by side, all rows of one width, at addresses with gaps between."""
    row = draw(st.lists(st.integers(1, 16), min_size=1, max_size=4))
    rows = draw(st.integers(1, 3))
    gaps = [draw(st.integers(0, 5)) for _ in range(rows)]
    bits, placements, at, index = [], [], 0, 0
    for gap in gaps:
        at += gap
        placements.append({"at": str(at), "lanes": [f"U{index + n}" for n in range(len(row))]})
        bits += row
        index += len(row)
        at += WORDS
    space = {"name": "s", "width": str(sum(row)), "fill": "0", "placements": placements}
    return bits, space


@given(layout=layouts(), seed=st.integers(0, 2**32 - 1))
def test_splitting_an_assembled_space_gives_the_chips_back(
    layout: tuple[list[int], dict[str, Any]], seed: int
) -> None:
    bits, raw = layout
    images, organisations, chips = chips_of(bits, seed)
    space = Space.model_validate(raw)
    (bank,) = assemble(space, images=images, organisations=organisations, chips=chips)
    assert bank.words is not None
    back = split(space, "", bank.words, organisations=organisations, chips=chips)
    assert set(back) == set(images)
    for name, words in images.items():
        assert np.array_equal(back[name], words)


@given(seed=st.integers(0, 2**32 - 1), high=st.integers(1, 7))
def test_a_chip_placed_by_bit_fields_comes_back_whole(seed: int, high: int) -> None:
    images, organisations, chips = chips_of([8], seed)
    lanes = [f"U0[7:{high}]", f"U0[{high - 1}:0]"]
    space = Space.model_validate(
        {"name": "s", "width": "8", "placements": [{"at": "0", "lanes": list(reversed(lanes))}]}
    )
    (bank,) = assemble(space, images=images, organisations=organisations, chips=chips)
    assert bank.words is not None
    assert np.array_equal(
        split(space, "", bank.words, organisations=organisations, chips=chips)["U0"], images["U0"]
    )


def test_board_wiring_is_applied_in_the_space_and_undone_in_splitting() -> None:
    images, organisations, chips = chips_of([8], 1)
    wiring = {"address": ["1", "0", "2", "3"], "data": list("76543210"), "invert_data": ["0"]}
    chips["U0"] = Chip.model_validate({"chip": "U0", "board_wiring": wiring})
    space = Space.model_validate({"name": "s", "width": "8", "placements": [{"at": "0", "lanes": ["U0"]}]})
    (bank,) = assemble(space, images=images, organisations=organisations, chips=chips)
    assert bank.words is not None
    # Chip address 1 (A0 high) appears at machine address 2; its bits are mirrored and machine D0 is inverted.
    assert int(bank.words[2]) == int(f"{int(images['U0'][1]):08b}"[::-1], 2) ^ 1
    assert np.array_equal(
        split(space, "", bank.words, organisations=organisations, chips=chips)["U0"], images["U0"]
    )


def test_lanes_stand_most_significant_first() -> None:
    images, organisations, chips = chips_of([8, 4], 2)
    space = Space.model_validate(
        {"name": "s", "width": "12", "placements": [{"at": "0", "lanes": ["U0", "U1"]}]}
    )
    (bank,) = assemble(space, images=images, organisations=organisations, chips=chips)
    assert bank.words is not None
    assert [int(w) for w in bank.words] == [
        int(a) << 4 | int(b) for a, b in zip(images["U0"], images["U1"], strict=True)
    ]
    assert space_bytes(bank.words, 12, "big")[:2] == int(bank.words[0]).to_bytes(2, "big")
    assert space_bytes(bank.words, 12, "little")[:2] == int(bank.words[0]).to_bytes(2, "little")


def test_an_absent_chip_leaves_a_hole_that_only_a_declared_fill_closes() -> None:
    images, organisations, chips = chips_of([8, 8], 3)
    del images["U1"]
    raw: dict[str, Any] = {
        "name": "s",
        "width": "8",
        "placements": [{"at": "0", "lanes": ["U0"]}, {"at": "16", "lanes": ["U1"]}],
    }
    (bank,) = assemble(Space.model_validate(raw), images=images, organisations=organisations, chips=chips)
    assert bank.words is None
    assert bank.holes == ((16, 32),)
    (bank,) = assemble(
        Space.model_validate({**raw, "fill": "0xFF"}), images=images, organisations=organisations, chips=chips
    )
    assert bank.words is not None
    assert bank.absent == ("U1",)
    assert bank.words[16:].tolist() == [0xFF] * 16


def test_banks_are_separate_images_at_the_same_addresses() -> None:
    images, organisations, chips = chips_of([8, 8], 4)
    placements = [{"at": "0", "bank": "a", "lanes": ["U0"]}, {"at": "0", "bank": "b", "lanes": ["U1"]}]
    space = Space.model_validate({"name": "s", "width": "8", "placements": placements})
    banks = assemble(space, images=images, organisations=organisations, chips=chips)
    assert [bank.bank for bank in banks] == ["a", "b"]
    for bank, name in zip(banks, images, strict=True):
        assert bank.words is not None
        assert np.array_equal(bank.words, images[name])

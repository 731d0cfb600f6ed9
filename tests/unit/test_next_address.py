"""Columns of a microword that follow the address: which they are, how the lines count, where nothing is."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control import LineChange
from pipeline.stages.content.microcode import Microword, next_address_findings
from pipeline.stages.content.next_address import NextAddress, next_address
from pipeline.words import Words
from tests.journey.cli import wellread
from tests.kit.project import Chip, Reader, plain, project

Bits = NDArray[np.int64]
WORDS = 512
TEXT = np.frombuffer(b"THE SHUTTLE IS LATE AND THE WEFT HAS TO WAIT FOR IT. " * 40, np.uint8)[:1024]


def microprogram(
    seed: int, *, field: int = 9, width: int = 48, away: float = 0.3, words: int = WORDS
) -> tuple[Bits, list[int]]:
    """Shape (words, width): words that name the next one in `field` strewn columns, and these, bit 0 first.

    Three words in ten lead elsewhere, the last fifth is unprogrammed.
    """
    rng = np.random.default_rng(seed)
    used = words * 4 // 5
    following = np.where(rng.random(words) < away, rng.integers(0, used, words), np.arange(words) + 1) % used
    kinds = rng.integers(0, 2, (24, width))
    table = kinds[rng.integers(0, 24, words)] ^ (rng.random((words, width)) < 0.1)
    columns = rng.permutation(width)[:field].tolist()
    for place, column in enumerate(columns):
        table[:, column] = following >> place & 1
    table[used:] = 1
    return table, columns


def chips(table: Bits, bits: int) -> list[Words]:
    """The columns dealt out over chips of so many bits, D0 first."""
    weights = 1 << np.arange(bits)
    return [(part @ weights).astype(np.uint8) for part in np.split(table, table.shape[1] // bits, axis=1)]


def said(images: Sequence[Words], bits: int) -> NextAddress | None:
    return next_address(images, [bits] * len(images))


@pytest.mark.parametrize("bits", [4, 8])
def test_the_columns_of_the_next_address_are_told_each_with_its_line(bits: int) -> None:
    table, columns = microprogram(1)
    found = said(chips(table, bits), bits)
    assert found is not None
    assert found.counts
    assert [one.column for one in found.columns] == columns
    assert [one.line for one in found.columns] == list(range(9))
    assert not any(one.inverted for one in found.columns)
    assert found.ordered >= 6
    assert not found.turned
    assert found.chance < 1e-9


def test_a_field_narrower_than_the_address_is_told_too() -> None:
    table, columns = microprogram(2, field=8, width=24, words=2048)
    found = said(chips(table, 8), 8)
    assert found is not None
    assert [one.column for one in found.columns] == columns


def test_columns_that_are_stored_inverted_are_told_as_such() -> None:
    table, columns = microprogram(3)
    table[:, columns[2]] ^= 1
    found = said(chips(table, 8), 8)
    assert found is not None
    assert [one.column for one in found.columns if one.inverted] == [columns[2]]


@pytest.mark.parametrize("lines", [(0, 3), (1, 2), (2,)])
def test_lines_that_are_crossed_or_inverted_count_in_another_order(lines: tuple[int, ...]) -> None:
    table, _ = microprogram(4)
    found = said([LineChange("address", lines).undo(chip) for chip in chips(table, 8)], 8)
    assert found is not None
    expected = list(range(found.ordered))
    if len(lines) == 2:
        one, other = lines
        expected[one], expected[other] = other, one
    assert [one.line for one in found.columns[: found.ordered]] == expected
    assert found.turned == (lines if len(lines) == 1 else ())


def test_in_ten_microprograms_no_line_is_told_wrongly() -> None:
    """Of 1,000 such all were told, none wrongly."""
    told = 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        table, columns = microprogram(seed, away=rng.uniform(0.1, 0.5))
        low, high = sorted(rng.permutation(9)[:2].tolist())
        found = said([LineChange("address", (low, high)).undo(chip) for chip in chips(table, 8)], 8)
        if found is None:
            continue
        told += 1
        expected = list(range(9))
        expected[low], expected[high] = high, low
        assert [one.line for one in found.columns[: found.ordered]] == expected[: found.ordered]
        assert [one.column for one in found.columns[: found.ordered]] == columns[: found.ordered]
    assert told > 8


def test_routines_that_only_lie_close_together_tell_columns_but_no_order() -> None:
    rng = np.random.default_rng(5)
    table, columns = microprogram(5)
    near = np.clip(np.arange(WORDS) + rng.integers(-6, 7, WORDS), 0, WORDS - 1)
    near = np.where(rng.random(WORDS) < 0.15, rng.integers(0, WORDS, WORDS), near)
    for place, column in enumerate(columns):
        table[:, column] = near >> place & 1
    found = said(chips(table, 8), 8)
    assert found is not None
    assert not found.counts
    assert found.ordered == 0
    assert {(columns[one.line], one.column) for one in found.columns} == {
        (one.column, one.column) for one in found.columns
    }


def noise(seed: int, count: int) -> list[Words]:
    rng = np.random.default_rng(seed)
    return [rng.integers(0, 256, WORDS).astype(np.uint8) for _ in range(count)]


def counter(step: int, *, wrong: float = 0.0) -> list[Words]:
    """A table that counts: the address and `step`, with some words that do not."""
    rng = np.random.default_rng(8)
    value = np.arange(WORDS) + step
    value = np.where(rng.random(WORDS) < wrong, rng.integers(0, WORDS, WORDS), value)
    return [(value & 255).astype(np.uint8), (value >> 8 & 1).astype(np.uint8)]


SILENT: dict[str, list[Words]] = {
    "random words": noise(1, 6),
    "microcode whose next word is implied": chips(microprogram(6, field=0)[0], 8),
    "a counter": counter(0),
    "a counter that is one ahead": counter(1),
    "a counter with some words that are none": counter(0, wrong=0.2),
    "a counter that is two ahead": counter(2),
    "a Gray code": [(np.arange(WORDS) ^ np.arange(WORDS) >> 1 & 255).astype(np.uint8)],
    "a rising table": [(np.sqrt(np.arange(WORDS)) * 11).astype(np.uint8)],
    "records that begin with their number": [
        np.where(np.arange(WORDS) % 4 == 0, np.arange(WORDS) >> 2, noise(2, 1)[0]).astype(np.uint8)
    ],
    "addresses of which every second byte rises": [
        np.where(np.arange(WORDS) % 2, np.arange(WORDS) >> 1, noise(3, 1)[0]).astype(np.uint8)
    ],
    "one level": [np.full(WORDS, 255, np.uint8)],
    "fills of two levels": [np.repeat(np.array([0, 255, 0, 255], np.uint8), WORDS // 4)],
    "text": [np.ascontiguousarray(TEXT[::2]), np.ascontiguousarray(TEXT[1::2])],
}


@pytest.mark.parametrize("what", SILENT)
def test_nothing_is_said_of(what: str) -> None:
    assert said(SILENT[what], 8) is None


@settings(max_examples=30, deadline=None)
@given(st.lists(st.binary(min_size=64, max_size=64), min_size=1, max_size=3))
def test_any_bytes_are_taken(raw: list[bytes]) -> None:
    found = said([np.frombuffer(one, np.uint8) for one in raw], 8)
    assert found is None or found.chance < 1e-9


@pytest.mark.parametrize("words", [1, 8, 100, 1 << 15])
def test_chips_too_small_odd_or_too_large_are_left_alone(words: int) -> None:
    assert said([np.zeros(words, np.uint8)], 8) is None


def test_each_chip_that_carries_the_address_bears_a_note_with_its_own_columns() -> None:
    table, columns = microprogram(7)
    names = tuple(f"U{n}" for n in range(6))
    found = list(next_address_findings(Microword(names, (8,) * 6), chips(table, 8)))
    assert {one.chip for one in found} == {f"U{column // 8}" for column in columns}
    told = {
        (one.chip, line, follows)
        for one in found
        for line, follows in zip(one.where["columns"], one.where["follows"], strict=True)
    }
    assert told == {(f"U{column // 8}", f"D{column % 8}", f"A{n}") for n, column in enumerate(columns)}
    assert all(one.evidence["order"][:6] == ["A0", "A1", "A2", "A3", "A4", "A5"] for one in found)
    assert all("count in the order as read" in one.means for one in found)


def test_a_packaged_set_says_which_outputs_lead_to_the_sequencer(tmp_path: Path) -> None:
    table, _ = microprogram(8, width=24)  # of 120 such sets all but three are found whole
    home = Reader("hb")
    three = [
        Chip(f"U{n}", words, 8, (plain(words, 8, home),), says={"board": "seq"})
        for n, words in enumerate(chips(table, 8))
    ]
    ran = wellread("package", project(tmp_path / "loom", three), "--into", tmp_path, "--json")
    assert ran.code == 0, ran.err
    record = json.loads((Path(ran.document["bag"]) / "metadata" / "record.json").read_text(encoding="utf-8"))
    notes = [one for chip in record["chips"] for one in chip["findings"] if one["code"] == "next-address"]
    assert {one["severity"] for one in notes} == {"note"}
    assert sorted({line for one in notes for line in one["where"]["follows"]}) == [f"A{n}" for n in range(9)]

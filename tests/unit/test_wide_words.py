"""Wide words found whole, and a chip whose lines are crossed shown by its sisters."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.content import signature
from pipeline.stages.content.among_chips import (
    ChipImage,
    Join,
    interleave_findings,
    joins,
    sisters_findings,
    suggest_spaces,
)
from pipeline.stages.content.flow_of_control import LineChange
from pipeline.stages.content.linked import Together
from pipeline.stages.content.recurring import foretold
from pipeline.stages.content.sisters import shown_by_sisters
from pipeline.words import Words
from schemas.finding import Code, Severity
from schemas.sheet import Space
from tests.journey.cli import wellread
from tests.kit.examples import examples
from tests.kit.project import Chip, Reader, plain, project


def microword(seed: int, words: int, bits: int, width: int) -> dict[str, Words]:
    """Chips of one microcode: words of a few kinds, each with some freedom, the upper bits first."""
    rng = np.random.default_rng(seed)
    kinds = rng.integers(0, 2, (24, width))
    table = kinds[rng.integers(0, 24, words)] ^ (rng.random((words, width)) < 0.1)
    weights = 1 << np.arange(bits - 1, -1, -1)
    return {
        f"M{n}": (table[:, bits * n : bits * (n + 1)] @ weights).astype(np.uint8)
        for n in range(width // bits)
    }


def stranger(seed: int, words: int, bits: int) -> Words:
    return np.random.default_rng(seed).integers(0, 1 << bits, words).astype(np.uint8)


def found_in(
    images: Mapping[str, Words], bits: int, placed: frozenset[str] = frozenset()
) -> tuple[Join, ...]:
    chips = [
        ChipImage(name, signature(words, bits), "main", placed=name in placed)
        for name, words in images.items()
    ]
    return joins(chips, images.__getitem__)


@pytest.mark.parametrize(("bits", "width"), [(8, 80), (8, 48), (4, 28), (4, 80)])
def test_a_microword_of_any_width_is_found_whole_and_without_strangers(bits: int, width: int) -> None:
    images = {"X0": stranger(1, 512, bits)} | microword(1, 512, bits, width) | {"X1": stranger(2, 512, bits)}
    (join,) = found_in(images, bits)
    assert set(join.chips) == set(images) - {"X0", "X1"}
    assert (join.kind, join.width, join.order_known, join.crossed) == ("wide", width, False, ())


def test_a_word_wider_than_a_space_is_suggested_as_several_spaces_that_a_sheet_takes() -> None:
    found = found_in(microword(2, 512, 8, 80), 8)
    spaces = [Space.model_validate(space) for space in suggest_spaces(found)]
    assert [space.name.rpartition(".")[2] for space in spaces] == ["0", "1"]
    assert [space.width for space in spaces] == [64, 16]
    lanes = [lane for space in spaces for placement in space.placements for lane in placement.lanes]
    assert lanes == [f"M{n}" for n in range(10)]


def test_two_chips_of_microcode_are_not_called_odd_and_even_bytes() -> None:
    (join,) = found_in(microword(3, 1024, 8, 16), 8)
    assert (join.kind, join.order_known) == ("wide", False)
    assert "odd" not in interleave_findings([join])[0].means


@pytest.mark.parametrize("lines", [(3, 7), (8,), (0, 1)])
def test_a_chip_whose_address_lines_are_crossed_is_shown_by_its_sisters(lines: tuple[int, ...]) -> None:
    images = microword(4, 512, 8, 32)
    crossing = LineChange("address", lines)
    images["M2"] = crossing.undo(images["M2"])
    (join,) = found_in(images | {"X": stranger(5, 512, 8)}, 8)
    assert [(chip, shown.crossing) for chip, shown in join.crossed] == [("M2", crossing)]
    (finding,) = sisters_findings(join, {})
    assert (finding.code, finding.severity, finding.chip) == (Code.LINES_CROSSED, Severity.CAUTION, "M2")
    assert finding.where["lines"] == [f"A{line}" for line in lines]
    assert finding.evidence["holds_back"] is True


def test_a_table_whose_records_hold_one_field_in_another_s_place_is_no_crossed_chip() -> None:
    """An exchange of A0 and A1 leads more of such words together, but far fewer than a crossed chip's."""
    rng = np.random.default_rng(11)
    record = rng.integers(0, 256, (32, 16)).astype(np.uint8)
    record[:, [5, 6, 9, 10, 13, 14]] = 0
    other = record.copy()
    other[:, [1, 2]] = record[:, [2, 1]]
    lanes = [(one << n | one >> 8 - n).reshape(-1) for n, one in enumerate((record, record, record, other))]
    images: dict[str, Words] = {f"M{n}": lane.astype(np.uint8) for n, lane in enumerate(lanes)}
    (join,) = found_in(images, 8)
    assert (set(join.chips), join.crossed) == ({"M0", "M1", "M2", "M3"}, ())


@given(seed=st.integers(0, 1 << 16), bits=st.sampled_from([4, 8, 16]), line=st.integers(0, 7))
@settings(max_examples=8, deadline=None)
def test_a_sister_foretells_a_chip_best_in_its_true_order_whatever_its_width(
    seed: int, bits: int, line: int
) -> None:
    rng = np.random.default_rng(seed)
    both = rng.integers(0, 1 << bits, (2, 12)).astype(np.uint16)
    chip, sister = both[:, rng.integers(0, 12, 256)]
    addresses = np.arange(256)
    places = np.stack([addresses, addresses ^ 1 << line, rng.permutation(256)])
    true, *wrong = foretold(chip, bits, [sister], places, addresses)[0]
    assert true > 100
    assert max(wrong) < true / 2


def test_a_fill_foretells_nothing() -> None:
    blank, addresses = np.full(64, 255, dtype=np.uint8), np.arange(64)
    other = stranger(3, 64, 8)
    for pair in ((blank, other), (other, blank), (blank, blank)):
        assert foretold(pair[0], 8, [pair[1]], addresses[None], addresses).tolist() == [[0.0]]


def test_what_one_sister_alone_shows_is_not_told() -> None:
    """Of two chips either may be the one that is crossed, whatever others stand beside them."""
    crossing = LineChange("address", (2, 6))
    one, *sisters = microword(8, 512, 8, 32).values()
    strangers = list(microword(9, 512, 8, 16).values())
    for others, told in ((sisters, crossing), ([sisters[0], *strangers], None)):
        images = [crossing.undo(one), *others]
        shown = shown_by_sisters(Together(images, 8), images[0], 8, [1, 2, 3])
        assert (shown.crossing if shown else None) == told


def test_two_chips_alone_do_not_say_which_of_them_is_crossed() -> None:
    images = microword(6, 512, 8, 16)
    images["M1"] = LineChange("address", (2, 6)).undo(images["M1"])
    assert not any(join.crossed for join in found_in(images, 8))


def test_where_as_many_chips_stand_in_one_order_as_in_the_other_neither_is_called_crossed() -> None:
    images = microword(7, 512, 8, 32)
    for chip in ("M1", "M3"):
        images[chip] = LineChange("address", (2, 6)).undo(images[chip])
    assert not any(join.crossed for join in found_in(images, 8))


def test_a_set_of_too_many_chips_for_a_name_is_named_by_its_first_and_last() -> None:
    chips = tuple(f"BOARD-{number}" for number in range(1, 13))
    join = Join(chips, "wide", 48, "big", order_known=False, score=20.0, evidence={"stands_out": 20.0})
    (space,) = suggest_spaces([join])
    assert space["name"] == "BOARD-1-to-BOARD-12"


def test_chips_that_the_sheet_places_are_suggested_nothing_but_still_show_a_crossed_sister() -> None:
    images = microword(8, 512, 8, 32)
    images["M0"] = LineChange("address", (1, 4)).undo(images["M0"])
    found = found_in(images, 8, placed=frozenset(images))
    assert [chip for join in found for chip, _ in join.crossed] == ["M0"]
    assert suggest_spaces(found) == []
    assert interleave_findings(found) == ()


@settings(max_examples=examples(0.06), deadline=None)
@given(
    seed=st.integers(0, 1 << 20),
    bits=st.sampled_from([4, 8]),
    chips=st.integers(3, 8),
    order=st.randoms(use_true_random=False),
)
def test_sound_chips_in_any_order_are_never_called_crossed(
    seed: int, bits: int, chips: int, order: object
) -> None:
    images = microword(seed, 256, bits, bits * chips) | {"X": stranger(seed + 1, 256, bits)}
    names = list(images)
    order.shuffle(names)  # type: ignore[attr-defined]
    found = found_in({name: images[name] for name in names}, bits)
    assert not any(join.crossed for join in found)
    assert not any("X" in join.chips for join in found)


def test_a_packaged_chip_that_its_sisters_show_crossed_is_held_back_until_the_sheet_answers(
    tmp_path: Path,
) -> None:
    images = microword(9, 512, 8, 32)
    images["M2"] = LineChange("address", (4, 8)).undo(images["M2"])

    def packaged(name: str, says: Mapping[str, object]) -> tuple[dict[str, Any], str]:
        home = Reader("hb")
        chips = [
            Chip(
                chip,
                words,
                8,
                (plain(words, 8, home, 2),),
                says={"board": "seq", **(says if chip == "M2" else {})},
            )
            for chip, words in images.items()
        ]
        ran = wellread("package", project(tmp_path / name, chips), "--into", tmp_path, "--json")
        assert ran.code == 0, ran.err
        record = json.loads(
            (Path(ran.document["bag"]) / "metadata" / "record.json").read_text(encoding="utf-8")
        )
        told = {chip["chip"]: chip for chip in record["chips"]}
        assert [chip for chip in told if told[chip].get("held_back")] in ([], ["M2"])
        return told["M2"], told["M2"]["image"]["path"]

    held, path = packaged("as-read", {})
    assert held["held_back"] == ["lines-crossed"]
    assert path.startswith("data/images-unsettled/")
    answered, path = packaged("answered", {"answers": {"lines-crossed": "A4, A8: the board crosses them"}})
    assert "held_back" not in answered
    assert path.startswith("data/images/")

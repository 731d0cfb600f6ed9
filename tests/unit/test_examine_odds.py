"""Severity and holding back follow from one reckoning: fault against design for this kind of content."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.random import Generator

from pipeline.stages.examine.census import take
from pipeline.stages.examine.content import Content, is_text, judge
from pipeline.stages.examine.odds import (
    BEYOND_DOUBT,
    LIKELIER,
    SERIOUSLY_POSSIBLE,
    Place,
    fault_odds,
    severity_of,
    weighed,
)
from pipeline.words import Words
from schemas.finding import Code, Severity
from tests.kit.images import characters, decode, microcode, packed_noise, text
from tests.kit.subjects import faults, findings_in, line_of, program
from tests.kit.wires import Bench

PLACES: tuple[Place, ...] = ("middle", "top", "stuck", "two-stuck", "unused", "joined")
KINDS = {
    "program-like": Content(
        program=True, diverse=True, ordered=True, text=False, few_words=False, measures={}
    ),
    "text-like": Content(
        program=False, diverse=False, ordered=False, text=True, few_words=False, measures={}
    ),
    "diverse": Content(program=False, diverse=True, ordered=False, text=False, few_words=False, measures={}),
    "ordered": Content(program=False, diverse=False, ordered=True, text=False, few_words=False, measures={}),
    "other": Content(program=False, diverse=False, ordered=False, text=False, few_words=False, measures={}),
    "few-words": Content(
        program=False, diverse=False, ordered=False, text=False, few_words=True, measures={}
    ),
}


@pytest.mark.parametrize(("name", "place"), list(itertools.product(KINDS, PLACES)))
def test_what_is_likelier_a_fault_is_one_and_what_is_seriously_possible_is_held_back(
    name: str, place: Place
) -> None:
    content = KINDS[name]
    assert content.name == name
    odds = fault_odds(content, place, 1e-12)
    assert (severity_of(content, place, 1e-12) is Severity.FAULT) == (odds > LIKELIER)
    assert weighed(content, place, 1e-12)["holds_back"] == (odds >= SERIOUSLY_POSSIBLE)


@given(st.sampled_from(sorted(KINDS)), st.sampled_from(PLACES), st.floats(0, 1), st.floats(0, 1))
def test_the_likelier_chance_makes_a_relation_the_less_likely_is_a_fault(
    name: str, place: Place, one: float, other: float
) -> None:
    low, high = sorted((one, other))
    assert fault_odds(KINDS[name], place, high) <= fault_odds(KINDS[name], place, low)
    assert severity_of(KINDS[name], place, max(high, 2 * BEYOND_DOUBT)) is not Severity.FAULT


def test_a_program_makes_every_line_fault_at_least_as_likely_as_any_other_content() -> None:
    for place, content in itertools.product(PLACES, KINDS.values()):
        assert fault_odds(KINDS["program-like"], place, 0) >= fault_odds(content, place, 0)


@pytest.mark.parametrize("seed", range(12))
def test_microcode_with_a_column_that_is_nearly_always_1_is_no_text(seed: int) -> None:
    """With D5 at 1 nearly all bytes are printable; there is no alphabet all the same."""
    random = np.random.default_rng(seed)
    image = (microcode(random, 2048)[0] | 0x20).astype(np.uint8)
    judged = judge(take(image, 8), (5,))
    assert judged.name != "text-like"
    found = [one for one in findings_in(image) if one.code is Code.DATA_LINE_STUCK]
    assert "D5" in {line_of(one) for one in found}
    assert not [one for one in found if one.severity is Severity.FAULT or one.evidence.get("holds_back")]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("line", [None, 0, 2, 4])
def test_text_is_text_with_a_stuck_line_too(seed: int, line: int | None) -> None:
    image = text(np.random.default_rng(seed), 2048)[0]
    if line is None:
        assert is_text(take(image, 8))
    else:
        assert is_text(take(Bench(image).stick_data_line(line, seed % 2).read(), 8), (line,))


def test_a_stuck_line_in_packed_content_is_held_back_and_no_fault() -> None:
    image = Bench(packed_noise(np.random.default_rng(3), 4096)[0]).stick_data_line(4, 1).read()
    (found,) = (one for one in findings_in(image) if one.code is Code.DATA_LINE_STUCK)
    assert (found.severity, found.evidence["content"]) == (Severity.CAUTION, "diverse")
    assert found.evidence["holds_back"] is True


def test_two_stuck_lines_apart_in_a_program_are_two_faults() -> None:
    image = Bench(program()).stick_data_line(2, 0).stick_data_line(5, 1).read()
    assert [(one.code, line_of(one)) for one in faults(findings_in(image))] == [
        (Code.DATA_LINE_STUCK, "D2"),
        (Code.DATA_LINE_STUCK, "D5"),
    ]


@pytest.mark.parametrize("maker", [decode, characters])
@pytest.mark.parametrize("seed", range(10))
def test_a_column_or_a_top_line_without_use_in_decoders_and_characters_holds_nothing_back(
    maker: Callable[[Generator, int], tuple[Words, int]], seed: int
) -> None:
    image, bits = maker(np.random.default_rng(seed), 1024)
    assert not [one for one in findings_in(image, bits=bits) if one.evidence.get("holds_back")]

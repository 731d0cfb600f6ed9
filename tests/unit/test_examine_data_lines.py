from __future__ import annotations

import numpy as np
import pytest

from pipeline.stages.examine.census import take
from schemas.finding import Code, Severity
from tests.kit.images import (
    characters,
    constant_column,
    microcode,
    skewed_constant,
    text,
    twin_columns,
)
from tests.kit.subjects import faults, findings_in, line_of, only, program
from tests.kit.wires import Bench


@pytest.mark.parametrize("line", range(8))
@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_line_in_a_program_is_a_fault_with_its_level_and_pin(line: int, level: int) -> None:
    found = faults(findings_in(Bench(program()).stick_data_line(line, level).read(), part="2716"))
    assert [(one.code, line_of(one), one.where["level"]) for one in found] == [
        (Code.DATA_LINE_STUCK, f"D{line}", level)
    ]
    # The catalogue's 2716: D0 to D7 on pins 9, 10, 11, 13 to 17.
    assert found[0].where["pins"][0]["pin"] == [9, 10, 11, 13, 14, 15, 16, 17][line]


def test_the_advice_for_a_stuck_line_is_to_read_with_pull_ups_and_with_pull_downs() -> None:
    found = faults(findings_in(Bench(program()).stick_data_line(3, 1).read()))[0]
    assert "pull-ups" in found.next
    assert "pull-downs" in found.next
    assert "two pull-up values" in found.next
    assert "D3 follows the pull" in found.next


@pytest.mark.parametrize("wins", ["low", "high"])
@pytest.mark.parametrize("pair", [(0, 1), (2, 6), (3, 4), (0, 7)])
def test_joined_lines_in_a_program_are_one_fault_that_names_both(pair: tuple[int, int], wins: str) -> None:
    bench = Bench(program()).join_data_lines(*pair, "low" if wins == "low" else "high")
    found = faults(findings_in(bench.read()))
    assert [(one.code, one.where["lines"]) for one in found] == [
        (Code.DATA_LINES_JOINED, [f"D{line}" for line in pair])
    ]
    assert found[0].where["wins"] == wins


@pytest.mark.parametrize("seed", range(20))
def test_a_healthy_program_has_no_data_finding(seed: int) -> None:
    assert not findings_in(program(seed=seed))


@pytest.mark.parametrize("seed", range(20))
def test_plain_text_is_at_most_noted_for_its_bit_7(seed: int) -> None:
    image, _ = text(np.random.default_rng(seed), 2048)
    found = only(findings_in(image), Code.DATA_LINE_STUCK)
    assert [(line_of(one), one.severity) for one in found] == [("D7", Severity.NOTE)]


@pytest.mark.parametrize("make", [constant_column, skewed_constant, twin_columns, microcode, characters])
@pytest.mark.parametrize("seed", range(20))
def test_constant_and_equal_columns_by_design_are_never_a_fault(make: object, seed: int) -> None:
    assert callable(make)
    image, bits = make(np.random.default_rng(seed), 2048)
    assert not faults(findings_in(image, bits=bits))


def test_unused_bits_at_the_top_are_said_to_be_perhaps_unused() -> None:
    narrow = program() & np.uint8(0x1F)
    found = only(findings_in(narrow), Code.DATA_LINE_STUCK)
    assert [line_of(one) for one in found] == ["D5", "D6", "D7"]
    assert not faults(found)
    assert all("Unused bits" in one.also for one in found)


def test_two_stuck_lines_are_both_named() -> None:
    bench = Bench(program()).stick_data_line(2, 0).stick_data_line(5, 1)
    assert [line_of(one) for one in faults(findings_in(bench.read()))] == ["D2", "D5"]


def test_a_stuck_line_beside_a_dead_address_line_is_told_with_it() -> None:
    bench = Bench(program(4096)).stick_data_line(2, 0).kill_address_line(4, 1)
    found = faults(findings_in(bench.read()))
    assert [line_of(one) for one in found] == ["A4", "D2"]


def test_a_stuck_line_that_worked_for_a_moment_is_still_named_with_its_exceptions() -> None:
    image = program()
    reading = Bench(image).stick_data_line(4, 1).read()
    low = np.flatnonzero((image & 0x10) == 0)[:2]
    reading[low] = image[low]
    found = faults(findings_in(reading))
    assert [(line_of(one), one.evidence["exceptions"]) for one in found] == [("D4", 2)]


def test_for_open_collector_outputs_the_advice_is_two_pull_up_values() -> None:
    # 82S126: 256 x 4, open-collector (the catalogue's entry).
    image = program(256) & np.uint8(0x0F) | np.uint8(1)
    found = only(findings_in(image, bits=4, part="82S126"), Code.DATA_LINE_STUCK)
    assert line_of(found[0]) == "D0"
    assert "1 kilohm" in found[0].next
    assert "pull-downs" not in found[0].next


@pytest.mark.parametrize("words", [1, 1000, 1 << 16, (1 << 16) + 1, 3 << 16])
def test_an_image_of_any_size_is_counted_word_by_word(words: int) -> None:
    image = np.random.default_rng(words).integers(0, 256, words, dtype=np.uint8)
    histogram = take(image, 8).histogram
    assert histogram.dtype == np.int64
    assert histogram.tolist() == np.bincount(image, minlength=256).tolist()

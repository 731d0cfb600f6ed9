from __future__ import annotations

import numpy as np
import pytest

from schemas.finding import Code, Severity
from tests.kit.images import ascii_text, decode, doubled, patterned
from tests.kit.subjects import faults, findings_in, line_of, only, program
from tests.kit.wires import Bench, over_read


def test_the_worked_case_names_a5_and_a6_of_a_2716_with_one_byte_differing() -> None:
    # Seen in practice; common practice, no source. Pins: the catalogue's 2716, A5 = 3 and A6 = 2.
    reading = Bench(program()).kill_address_line(5, 0).kill_address_line(6, 1).read()
    reading[0x123] ^= 0x04
    dead = only(findings_in(reading, part="2716"), Code.ADDRESS_LINE_DEAD)
    assert [line_of(one) for one in dead] == ["A5", "A6"]
    assert [one.where["pins"][0]["pin"] for one in dead] == [3, 2]
    assert [one.evidence["exceptions"] for one in dead] == [1, 0] or all(
        one.evidence["exceptions"] <= 1 for one in dead
    )
    assert {one.severity for one in dead} == {Severity.FAULT}
    assert all(one.where["pins"][0]["source"] and one.where["pins"][0]["confidence"] for one in dead)
    assert "pin 3" in dead[0].means


@pytest.mark.parametrize("line", range(10))
@pytest.mark.parametrize("level", [0, 1])
def test_a_dead_line_below_the_top_is_one_fault_that_names_it(line: int, level: int) -> None:
    reading = Bench(program()).kill_address_line(line, level).read()
    assert [line_of(one) for one in faults(findings_in(reading))] == [f"A{line}"]


def test_a_dead_top_line_is_a_caution_that_says_both() -> None:
    found = findings_in(Bench(program()).kill_address_line(10, 0).read())
    dead = only(found, Code.ADDRESS_LINE_DEAD)
    assert [line_of(one) for one in dead] == ["A10"]
    assert dead[0].severity is Severity.CAUTION
    assert "dead" in dead[0].means
    assert "small image is stored twice" in dead[0].means
    assert not faults(found)


def test_a_small_chip_read_as_a_larger_one_is_told_with_its_copies() -> None:
    found = only(findings_in(over_read(program(512), 4)), Code.OVER_READ)
    assert found[0].where["copies"] == 4
    assert found[0].evidence["words_a_copy"] == 512
    assert found[0].severity is Severity.CAUTION


def test_the_evidence_states_p_the_informative_words_and_the_hypotheses() -> None:
    found = faults(findings_in(Bench(program()).kill_address_line(4, 0).read()))[0]
    assert 0 < found.evidence["p_value"] <= 1e-6
    assert found.evidence["informative_words"] > 100
    assert found.evidence["hypotheses"] == 11


@pytest.mark.parametrize("wins", ["low", "high"])
@pytest.mark.parametrize("pair", [(0, 1), (0, 9), (3, 4), (2, 10), (8, 9)])
def test_joined_lines_are_one_fault_that_names_both_and_the_level_that_wins(
    pair: tuple[int, int], wins: str
) -> None:
    bench = Bench(program()).join_address_lines(*pair, "low" if wins == "low" else "high")
    found = faults(findings_in(bench.read(), part="2716"))
    assert [(one.code, one.where["lines"], one.where["wins"]) for one in found] == [
        (Code.ADDRESS_LINES_JOINED, [f"A{line}" for line in pair], wins)
    ]
    assert len(found[0].where["pins"]) == 2


def test_the_two_top_lines_joined_are_a_caution_since_three_stored_quarters_look_the_same() -> None:
    found = findings_in(Bench(program()).join_address_lines(9, 10, "low").read())
    joined = only(found, Code.ADDRESS_LINES_JOINED)
    assert [(one.where["lines"], one.severity) for one in joined] == [(["A9", "A10"], Severity.CAUTION)]


def test_dead_and_joined_lines_together_are_told_apart() -> None:
    bench = Bench(program(8192)).kill_address_line(5, 0).join_address_lines(2, 8, "low")
    found = findings_in(bench.read())
    assert [line_of(one) for one in only(found, Code.ADDRESS_LINE_DEAD)] == ["A5"]
    assert [one.where["lines"] for one in only(found, Code.ADDRESS_LINES_JOINED)] == [["A2", "A8"]]


@pytest.mark.parametrize("seed", range(20))
def test_a_healthy_program_has_no_address_finding(seed: int) -> None:
    assert not findings_in(program(seed=seed))


@pytest.mark.parametrize("seed", range(20))
def test_a_program_stored_twice_is_never_a_fault(seed: int) -> None:
    image, _ = doubled(np.random.default_rng(seed), 2048)
    found = findings_in(image)
    assert only(found, Code.OVER_READ)
    assert not faults(found)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("words", [32, 256, 512])
def test_a_decode_prom_with_inputs_without_meaning_is_never_a_fault(seed: int, words: int) -> None:
    image, bits = decode(np.random.default_rng(seed), words)
    assert not faults(findings_in(image, bits=bits))


def test_a_caution_on_a_decode_prom_says_that_the_input_may_have_no_meaning() -> None:
    a = np.arange(512)
    selects = np.array([0xE, 0xD, 0xB, 0x7, 0xF, 0xE, 0xD, 0xF], dtype=np.uint8)
    image = selects[(a & 1) | (a >> 3 & 1) << 1 | (a >> 8 & 1) << 2]
    dead = only(findings_in(image, bits=4), Code.ADDRESS_LINE_DEAD)
    assert [line_of(one) for one in dead] == ["A1", "A2", "A4", "A5", "A6", "A7"]
    assert all("decode PROM may not care" in one.also for one in dead)
    assert not faults(dead)


@pytest.mark.parametrize("seed", range(10))
def test_a_test_pattern_is_never_a_fault(seed: int) -> None:
    image, _ = patterned(np.random.default_rng(seed), 2048)
    assert not faults(findings_in(image))


def test_a_nearly_empty_chip_says_nothing_about_its_lines() -> None:
    image = np.full(2048, 0xFF, dtype=np.uint8)
    image[:3] = [0x3E, 0x01, 0xC9]
    assert not findings_in(image)


def test_a_chip_whose_size_is_no_power_of_two_is_judged_on_the_words_it_has() -> None:
    whole = program(4096)
    dead = Bench(whole).kill_address_line(3, 0).read()[:3584]
    assert [line_of(one) for one in faults(findings_in(dead))] == ["A3"]
    assert not findings_in(whole[:3584])


def test_wide_words_are_judged_too() -> None:
    low, high = program(2048, 1), program(2048, 2)
    wide = low.astype(np.uint16) | (high.astype(np.uint16) << np.uint16(8))
    assert not findings_in(wide, bits=16)
    dead = Bench(wide, 16).kill_address_line(6, 0).read()
    assert [line_of(one) for one in faults(findings_in(dead, bits=16))] == ["A6"]


def test_a_dead_line_in_a_large_text_is_not_excused_as_a_decode_prom() -> None:
    text = ascii_text(np.random.default_rng(8), 8192)[0]
    dead = Bench(text).kill_address_line(6, 0).read()
    found = [one for one in findings_in(dead) if one.code is Code.ADDRESS_LINE_DEAD]
    assert [one.where["line"] for one in found] == ["A6"]
    assert found[0].evidence["content"] == "text-like"
    assert "decode PROM" not in found[0].also

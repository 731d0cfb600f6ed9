"""Control flow as evidence: the family, the code, the order of lines.

And what must not be taken for a program.
"""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.flow import ReadsFor
from pipeline.stages.content.flow_of_control import (
    READ_AS,
    LineChange,
    code_stretches,
    family_readings,
    keeps_flow,
    named,
)
from pipeline.stages.content.flow_of_control.begins import starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.habits import HABITS
from pipeline.stages.content.flow_of_control.likely_orders import likely_orders
from pipeline.stages.content.flow_of_control.line_changes import crossings
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES
from pipeline.stages.content.flow_of_control.orders import (
    SUREST,
    Crossed,
    Stored,
    crossed_in,
    orders_of,
    worth,
)
from pipeline.stages.content.flow_of_control.stretches import best_stretches, best_total
from pipeline.stages.content.flow_of_control.votes import fewer, speaking
from pipeline.stages.content.order_evidence import order_evidence
from pipeline.stages.content.program import (
    crossing_findings,
    family_of,
    order_search,
    program_findings,
    program_of,
    read_for,
    with_code,
)
from pipeline.stages.content.regions import regions
from pipeline.views.suggestions import programs
from pipeline.words import Words
from schemas.finding import Code, Severity
from tests.kit.images import random_image
from tests.kit.invented_programs import program


def searched(words: Words, processor: str | None, bits: int = 8) -> Crossed | None:
    """What is said of an image's lines; the sheet may name the board's processor."""
    found = order_search(words, bits, program_of(words, bits), processor)
    return None if found is None else crossed_in(found)


KNOWN = {"z80": "z80", "8080": "z80", "6502": "65c02", "6800": "6800", "8051": "8051"}


@pytest.mark.parametrize("family", KNOWN)
@pytest.mark.parametrize("seed", range(3))
def test_a_program_is_named_for_its_family(family: str, seed: int) -> None:
    found = named(program(family, 2048, seed=seed, base=0x4000))
    assert found.best is not None
    assert found.best.name == KNOWN[family]
    assert found.odds >= 0.99
    assert family in found.families


def test_a_program_without_the_larger_sets_own_instructions_may_be_for_either() -> None:
    assert named(program("8080", 4096)).families == ("8080", "z80")
    assert named(program("6502", 4096)).families == ("6502",)
    assert named(program("65c02", 4096)).families == ("65c02",)


@pytest.mark.parametrize("seed", range(40))
def test_bytes_without_meaning_are_of_an_unknown_family(seed: int) -> None:
    assert named(random_image(seed)).families == ("unknown",)


def test_text_a_font_and_tables_of_addresses_are_no_programs() -> None:
    text = np.frombuffer((b"THE QUICK BROWN FOX JUMPS OVER THE LAZY DOG. " * 60)[:2048], dtype=np.uint8)
    rows = np.array([0, 24, 60, 102, 102, 126, 102, 0], dtype=np.uint8)
    font = np.concatenate([np.roll(rows, shift) ^ np.uint8(shift) for shift in range(256)])
    table = np.arange(0x8000, 0x8000 + 512 * 4, 4, dtype=">u4").view(np.uint8)
    for content in (text, font, table, np.zeros(2048, np.uint8), np.arange(2048).astype(np.uint8)):
        assert named(np.ascontiguousarray(content)).families == ("unknown",)


def test_code_for_a_processor_of_32_bits_is_not_taken_for_an_8086() -> None:
    """Near branches of both are the same; calls of 32 bits give it away."""
    rng = np.random.default_rng(3)
    code = bytearray()
    while len(code) < 4000:
        code += bytes([0xE8, int(rng.integers(256)), int(rng.integers(4)), 0, 0, 0x85, 0xC0, 0x74, 0x05])
        code += bytes([0xB8, int(rng.integers(256)), 0, 0, 0, 0xC3])
    found = {one.name: one for one in family_readings(np.frombuffer(bytes(code[:4000]), dtype=np.uint8))}
    assert found["8086"].nats == 0


@given(st.binary(min_size=0, max_size=700))
def test_any_bytes_are_read_without_an_error(content: bytes) -> None:
    data = np.frombuffer(content, dtype=np.uint8)
    found = named(data)
    assert 0 <= found.odds <= 1
    for family in (
        *["8080", "z80", "6502", "65c02", "6800", "6809", "8051", "8048", "1802", "8086"],
        *WORD_FAMILIES,
    ):
        one = decode(family, data)
        assert len(one.length) == len(data) // one.units
        assert int(one.length.max(initial=0)) <= 15
    for family in READ_AS:
        for start, end in code_stretches(data, family):
            assert 0 <= start < end <= len(data)


@pytest.mark.parametrize("family", ["z80", "6502", "8051"])
def test_starts_are_found_where_the_program_was_laid(family: str) -> None:
    data = program(family, 2048)
    one = decode(KNOWN[family] if family != "6502" else "6502", data)
    at, laid = 0, np.zeros(2048, dtype=bool)
    while at < 2040 and one.length[at]:
        laid[at] = True
        at += int(one.length[at])
    found = starts(one.length[None], one.flow[None]).begins[0]
    assert at > 2000
    assert np.count_nonzero(found[40:2000] == laid[40:2000]) > 0.97 * 1960


@pytest.mark.parametrize("seed", range(12))
def test_a_crossed_pair_or_an_inverted_line_is_found_without_a_reference(seed: int) -> None:
    words = program("z80", 2048, seed=seed, base=0x8000)
    every = list(crossings(2048, 8))
    crossing = every[seed * 7 % len(every)]
    found = searched(crossing.undo(words), "z80")
    assert found is not None
    assert found.crossing == crossing
    assert (crossing.undo(crossing.undo(words)) == words).all()


@pytest.mark.parametrize("family", ["z80", "6502", "8051"])
def test_what_is_told_of_lines_has_been_held_against_every_order(family: str) -> None:
    crossing = LineChange("address", (8, 9))
    words = crossing.undo(program(family, 2048, seed=4, base=0x4000))
    told, every = searched(words, family), orders_of(words, 8, KNOWN[family])
    assert every is not None
    assert len(every.candidates) == 66 + 36
    assert told is not None
    assert told.crossing == crossing
    assert told == crossed_in(every)


def test_a_sound_program_is_read_in_no_order_but_its_own() -> None:
    words = program("z80", 2048, seed=1, base=0x8000)
    assert likely_orders(words, 8, "z80") == []
    assert order_search(words, 8, program_of(words, 8), "z80") is None


@settings(max_examples=20)
@given(
    st.sampled_from([8, 16]),
    st.sampled_from(READ_AS),
    st.integers(0, 2**32 - 1),
    st.sampled_from([256, 512, 4096]),
)
def test_a_rough_look_at_any_image_gives_orders_of_its_own_lines(
    bits: int, family: str, seed: int, total: int
) -> None:
    words = np.random.default_rng(seed).integers(0, 1 << bits, total).astype(f"u{bits // 8}")
    found = likely_orders(words, bits, family)
    assert set(found) <= set(crossings(total, bits))
    assert len(found) == len(set(found))


def test_images_of_other_sizes_and_widths_are_not_looked_at() -> None:
    words = program("z80", 2048, seed=1, base=0x8000)
    assert likely_orders(words[:1500], 8, "z80") == likely_orders(words.astype(np.uint8), 4, "z80") == []


@pytest.mark.parametrize("seed", range(12))
def test_a_program_in_its_right_order_is_not_called_crossed(seed: int) -> None:
    family = list(KNOWN)[seed % 5]
    assert searched(program(family, 2048, seed=seed, base=0x2000), KNOWN[family]) is None


@pytest.mark.parametrize("seed", range(6))
def test_noise_is_not_called_crossed(seed: int) -> None:
    assert searched(random_image(seed)[:512], "z80") is None


def test_of_two_readings_the_one_that_keeps_the_flow_is_chosen() -> None:
    right = program("8051", 2048, seed=5)
    wrong = LineChange("address", (3, 7)).undo(right)
    found = keeps_flow([wrong, right], 8)
    assert found is not None
    assert (found.chosen, found.family) == (1, "8051")
    assert found.odds == SUREST


def test_nothing_is_chosen_between_readings_that_are_no_programs_or_the_same() -> None:
    right = program("8051", 2048, seed=5)
    assert keeps_flow([random_image(1), random_image(2)], 8) is None
    assert keeps_flow([right, right.copy()], 8) is None
    assert keeps_flow([right], 8) is None


def test_equal_instructions_say_less_each_time() -> None:
    assert fewer(np.array([7, 3, 7, 7, 3])).tolist() == [1, 1, 1 / 2, 1 / 3, 1 / 2]


def test_fills_text_and_tables_have_no_vote() -> None:
    data = program("z80", 1024)
    data[100:130] = 0xFF
    data[300:340] = np.frombuffer(b"PRESS ANY KEY TO CONTINUE THE LOADING...", dtype=np.uint8)
    speaks = speaking(data)
    assert not speaks[100:130].any()
    assert not speaks[305:335].any()
    assert speaks[500:900].mean() > 0.9


def speaks_by_definition(data: bytes, at: int) -> bool:
    """The rules byte by byte: no run of six, no text, and no table around it."""
    low, high = max(at - 32, 0), min(at + 32, len(data))
    for width in (2, 3, 4, 6, 8, 16):
        same = sum(data[near] == data[near + width] for near in range(low, min(high, len(data) - width)))
        if width < len(data) and 100 * same > 45 * (high - low):
            return False
    alike = [found.span() for found in re.finditer(rb"(?s)(.)\1{5,}", data)]
    written = [found.span() for found in re.finditer(rb"[ -~]{10,}", data) if mostly_letters(found[0])]
    return not any(start <= at < end for start, end in alike + written)


def mostly_letters(stretch: bytes) -> bool:
    return 4 * sum(chr(byte).isalpha() or byte == 0x20 for byte in stretch) > 3 * len(stretch)


@given(st.lists(st.tuples(st.binary(min_size=1, max_size=20), st.integers(1, 12)), max_size=6))
def test_what_speaks_is_told_byte_by_byte_by_its_rules(pieces: list[tuple[bytes, int]]) -> None:
    raw = b"".join(piece * times for piece, times in pieces)
    said = [speaks_by_definition(raw, at) for at in range(len(raw))]
    assert speaking(np.frombuffer(raw, np.uint8)).tolist() == said


@given(st.lists(st.floats(-3, 3, width=32), max_size=40))
def test_the_best_stretches_are_worth_what_the_total_says(votes: list[float]) -> None:
    found = best_stretches(list(range(len(votes))), votes)
    assert best_total(votes) == pytest.approx(sum(one[2] for one in found) - 6.0 * len(found), abs=1e-6)
    assert all(first <= last for first, last, _ in found)


def test_code_lies_where_the_program_is_and_not_in_what_is_around_it() -> None:
    data = np.concatenate([random_image(9)[:2048], program("z80", 4096, base=0x800), random_image(10)[:2048]])
    inside = np.zeros(len(data), dtype=bool)
    for start, end in code_stretches(data, "z80"):
        inside[start:end] = True
    assert inside[2048:6144].mean() > 0.9
    assert inside[:1984].mean() + inside[6208:].mean() < 0.1


def test_regions_tell_code_and_cover_the_image_exactly() -> None:
    data = np.concatenate([program("z80", 2048), np.full(1024, 0xFF, np.uint8), random_image(4)[:1024]])
    cut = regions(data, 8, erased_state=None, part=None)
    told = with_code(cut, program_of(data, 8), data, 8)
    assert [told[0].start, told[-1].end] == [0, 4096]
    assert all(one.end == two.start for one, two in pairwise(told))
    assert sum(one.end - one.start for one in told if one.kind == "code") > 1700
    assert any(one.kind == "fill" for one in told)


def test_runs_on_tells_the_family_its_odds_and_the_count() -> None:
    (found,) = program_findings("K1", program_of(program("8051", 2048), 8))
    assert (found.code, found.severity) == (Code.RUNS_ON, Severity.NOTE)
    assert found.evidence["families"] == ["8051"]
    assert found.evidence["landing"] <= found.evidence["branches"]
    assert f"{found.evidence['landing']} of {found.evidence['branches']}" in found.means
    assert program_findings("K1", program_of(random_image(1), 8)) == ()
    assert program_findings("K1", program_of(np.zeros(64, np.uint8), 4)) == ()


def test_unknown_is_a_family_of_its_own_with_odds_and_never_certain() -> None:
    known, unknown = (read_for(program_of(one, 8)) for one in (program("8051", 2048), random_image(1)))
    assert known is not None
    assert unknown is not None
    assert (known["families"], unknown["families"]) == (["8051"], ["unknown"])
    assert 0.9 < known["odds"] < 1
    assert 0.5 < unknown["odds"] < 1
    assert read_for(program_of(np.zeros(64, np.uint8), 4)) is None


@pytest.mark.parametrize(
    ("processor", "means", "what_next"),
    [
        ("Z80A", ", as the sheet says (Z80A)", "`listing`"),
        ("6502", "; the sheet says 6502, which is another", "marking"),
        ("Zylog-8O", "; the sheet says Zylog-8O, whose instructions are not known here", "spells"),
        (None, "begin", "Name the board's `processor`"),
    ],
)
def test_the_sheets_processor_changes_no_odds_but_what_is_said(
    processor: str | None, means: str, what_next: str
) -> None:
    told = program_of(program("z80", 2048), 8)
    (found,) = program_findings("K1", told, processor)
    (alone,) = program_findings("K1", told)
    assert {key: found.evidence[key] for key in alone.evidence} == alone.evidence
    assert found.means.endswith(means)
    assert what_next in found.next
    assert found.evidence["odds"] < 1


def test_lines_crossed_is_a_caution_that_names_the_lines() -> None:
    words = LineChange("address", (2, 6)).undo(program("z80", 2048, base=0x8000))
    (found,) = crossing_findings("K1", order_search(words, 8, program_of(words, 8), "Z80A"))
    assert (found.code, found.severity) == (Code.LINES_CROSSED, Severity.CAUTION)
    assert found.where["address"] == [["A2", "A6"]]
    assert "A2 and A6" in found.next


@pytest.mark.parametrize("lines", [(0, 4), (3, 10), (9, 10), (2,)])
def test_the_flow_of_a_program_speaks_for_the_order_of_its_words_against_another(
    lines: tuple[int, ...],
) -> None:
    words = program("z80", 2048, seed=4, base=0x8000)
    right = order_evidence(words, 8)["flow"]
    wrong = order_evidence(LineChange("address", lines).undo(words), 8).get("flow")
    assert right.outweighs(wrong)
    assert wrong is None or not wrong.outweighs(right)


def test_content_that_is_no_program_says_nothing_by_its_flow() -> None:
    said = order_evidence(random_image(3), 8).get("flow")
    assert said is None or said.nats == 0
    assert "flow" not in order_evidence(np.zeros(64, np.uint8), 4)


def test_a_program_in_words_of_16_bits_is_read_in_its_own_byte_order() -> None:
    low_first = program("8051", 2048)
    assert program_of(low_first.view(">u2").astype(np.uint16), 16) is not None


def test_a_processor_is_known_by_its_marking() -> None:
    assert [
        family_of(one) for one in ("Z80A", "MC68000P8", "8085A", "i8088", "R65C02", "", None, "am2901")
    ] == [
        "z80",
        "68000",
        "z80",
        "8086",
        "65c02",
        None,
        None,
        None,
    ]


def test_the_terminal_says_which_chips_are_programs_and_for_what() -> None:
    chips = [
        ReadsFor("K1", ("8080", "z80"), no_known=False, odds=0.9999),
        ReadsFor("K2", (), no_known=False),
        ReadsFor("K4", (), no_known=True),
        ReadsFor("K3", ("8080", "z80"), no_known=False, odds=0.9857, beside_sheet="another"),
    ]
    assert programs(chips) == [
        "program for 8080 or Z80 (odds at least 98 in 100): K1, K3",
        "no program found for a processor that Wellread knows: K4",
        "the sheet names another processor than the program: K3",
    ]


@pytest.mark.parametrize("size", [257, 1080, 2049, 3000, 5001, 10000, 12345, 70001])
def test_an_image_of_any_size_is_read_wherever_its_addresses_lead(size: int) -> None:
    data = np.resize(program("z80", 4096, base=0xE000), size)
    assert program_of(data, 8) is not None
    order_evidence(data, 8)
    keeps_flow([data, data[::-1].copy()], 8)
    high = np.full(size, 0xFF, dtype=np.uint8)
    high[::3] = 0xCD
    assert program_of(high, 8) is not None


def program_of_habit(family: str, size: int, seed: int) -> Words:
    """Instructions drawn as programs of a family use them, without a branch that leads anywhere in it."""
    rng = np.random.default_rng(seed)
    # One program keeps to fewer instructions than all programs together.
    odds = np.exp((48 - np.frombuffer(HABITS[family].encode(), dtype=np.uint8).astype(float)) / 2.5)
    odds[decode(family, np.repeat(np.arange(256, dtype=np.uint8), 4))[3][::4] != 0] = 0
    first = rng.choice(256, size, p=odds / odds.sum()).astype(np.uint8)
    out = rng.choice(rng.integers(0, 256, 6, dtype=np.uint8), size + 4)
    at = 0
    for opcode in first:
        out[at] = opcode
        at += max(1, int(decode(family, out[at : at + 4]).length[0]))
        if at >= size:
            break
    return out[:size]


@pytest.mark.parametrize("crossing", [LineChange("data", (1, 6)), LineChange("data", (3,))])
def test_a_crossed_data_line_is_found_by_the_mix_of_instructions_alone(crossing: LineChange) -> None:
    words = program_of_habit("8051", 2048, seed=4)
    assert float(worth(Stored([words], 8), "8051")[0]) < 12
    found = searched(crossing.undo(words), "8051")
    assert found is not None
    assert found.crossing == crossing
    assert searched(words, "8051") is None


@pytest.mark.parametrize("family", HABITS)
def test_noise_and_text_have_no_mix_of_instructions(family: str) -> None:
    noise = random_image(3)[:2048].astype(np.uint8)
    text = np.frombuffer((b"The loom stops when a thread breaks; mend it. " * 50)[:2048], dtype=np.uint8)
    for data in (noise, text):
        assert searched(data, family) is None


@pytest.mark.parametrize("family", HABITS)
def test_the_habits_of_a_family_are_a_share_for_every_first_byte(family: str) -> None:
    nats = (np.frombuffer(HABITS[family].encode(), dtype=np.uint8) - 48) / 4
    assert len(nats) == (1024 if family == "68000" else 256)
    assert 0.8 < float(np.exp(-nats).sum()) < 1.2

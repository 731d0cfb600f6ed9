from __future__ import annotations

import numpy as np
import pytest

from pipeline.flow import Settled, Subject
from pipeline.stages.examine import examine, image_findings
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation
from tests.kit.subjects import faults, findings_in, line_of, only, passes_of, program, subject_of
from tests.kit.wires import Bench


def test_the_same_fault_seen_by_two_readers_is_a_caution_of_leg_chip_or_design() -> None:
    reading = Bench(program()).kill_address_line(5, 0).read()
    found = only(findings_in(reading, reading.copy(), readers=("bench", "club")), Code.ADDRESS_LINE_DEAD)
    assert [(line_of(one), one.severity) for one in found] == [("A5", Severity.CAUTION)]
    assert found[0].where["readers"] == ["bench", "club"]
    assert "leg" in found[0].means


def test_the_same_fault_is_seen_alike_although_the_readers_differ_in_a_bit() -> None:
    reading = Bench(program()).kill_address_line(5, 0).read()
    other = reading.copy()
    other[77] ^= np.uint8(1)
    found = only(findings_in(reading, other, readers=("bench", "club")), Code.ADDRESS_LINE_DEAD)
    assert [(line_of(one), one.severity) for one in found] == [("A5", Severity.CAUTION)]


def test_a_fault_that_one_of_two_readers_shows_is_that_readers() -> None:
    image = program()
    found = faults(findings_in(image, Bench(image).stick_data_line(3, 1).read(), readers=("bench", "club")))
    stuck = only(found, Code.DATA_LINE_STUCK)
    assert [(line_of(one), one.where["readers"]) for one in stuck] == [("D3", ["club"])]
    assert "Only reader club" in stuck[0].means


def test_a_dead_line_of_one_reader_alone_names_its_reading_to_set_aside_and_is_told_once() -> None:
    image = program()
    dead = Bench(image).kill_address_line(9, 0).read()
    found = findings_in(dead, image, readers=("bench", "club"))
    (told,) = only(found, Code.ADDRESS_LINE_DEAD)
    assert told.evidence["readings"] == ["R1"]
    assert 'write `set_aside: "address-line-dead A9"` at R1' in told.next
    assert only(found, Code.INTERMITTENT_LINE) == []
    assert only(found, Code.UNSTABLE_BITS) == []


def test_a_reading_that_a_later_one_of_the_same_reader_contradicts_is_told_once_and_is_not_the_image() -> (
    None
):
    image = program()
    dead = Bench(image).kill_address_line(9, 0).read()
    found = findings_in(dead, image)
    (told,) = only(found, Code.ADDRESS_LINE_DEAD)
    assert told.where["readings"] == ["R1"]
    assert "R2 of the same reader does not show it" in told.means
    assert only(found, Code.UNSTABLE_BITS) == []


def test_two_passes_of_one_reader_leave_a_fault_a_fault() -> None:
    reading = Bench(program()).kill_address_line(5, 0).read()
    assert [line_of(one) for one in faults(findings_in(reading, reading.copy()))] == ["A5"]


def test_length_findings_are_passed_on_in_order() -> None:
    short = Finding(
        code=Code.SHORT_READ,
        severity=Severity.FAULT,
        chip="U7",
        means="m",
        also="a",
        next="n",
        where={"readings": ["R1"]},
    )
    image = Bench(program()).kill_address_line(10, 0).read()
    found = examine(subject_of(passes_of([image]), length_findings=(short,)))
    assert found[0] == short
    assert len(found) > 1
    assert examine(subject_of(passes_of([program()]), length_findings=(short,))) == (short,)


def test_findings_come_faults_first_and_lines_in_numerical_order() -> None:
    bench = Bench(program(8192)).kill_address_line(2, 0).kill_address_line(11, 0).kill_address_line(12, 1)
    found = findings_in(bench.read())
    ranks = [["fault", "caution", "note"].index(str(one.severity)) for one in found]
    assert ranks == sorted(ranks)
    assert [line_of(one) for one in only(found, Code.ADDRESS_LINE_DEAD)] == ["A2", "A11", "A12"]


def test_a_part_without_known_pins_still_gets_its_lines() -> None:
    reading = Bench(program()).kill_address_line(5, 0).read()
    found = findings_in(reading)
    assert line_of(found[0]) == "A5"
    assert "pins" not in found[0].where


def test_the_findings_of_an_image_are_a_part_of_examine() -> None:
    image = program()
    dead = Bench(image).kill_address_line(5, 0).read()
    organisation = Organisation(2048, 8)
    assert [line_of(one) for one in image_findings("U7", organisation, None, dead)] == ["A5"]


def test_every_sentence_of_a_finding_is_there_and_ends() -> None:
    image = program()
    shown = [
        *findings_in(Bench(image).kill_address_line(5, 0).read(), part="2716"),
        *findings_in(Bench(image).join_data_lines(1, 2, "low").read(), part="2716"),
        *findings_in(image ^ np.uint8(image[7] == image), image),
        *findings_in(np.full(2048, 0xFF, dtype=np.uint8)),
    ]
    assert len(shown) >= 4
    for one in shown:
        for sentence in (one.means, one.also, one.next):
            assert sentence.endswith("."), sentence
            assert len(sentence) < 600


@pytest.mark.parametrize(("line", "whoever"), [(5, True), (10, False)])
def test_a_dead_line_in_the_middle_of_a_program_is_doubted_whoever_reads_it(
    line: int, *, whoever: bool
) -> None:
    """Two readers see the chip's own leg alike; a small program stored twice is design."""
    image = Bench(program()).kill_address_line(line, 0).read()
    found = only(findings_in(image, image, readers=("hb", "prog")), Code.ADDRESS_LINE_DEAD)
    assert [bool(one.evidence.get("whoever_reads")) for one in found] == [whoever]
    assert [one.severity for one in found] == [Severity.CAUTION]


def test_halves_that_were_read_one_by_one_are_examined_as_one_image() -> None:
    """The lower half read twice, its second time for the upper: the line that was not moved is told."""
    half, lower = program(1024), np.arange(2048) < 1024
    blank = np.zeros(1024, np.uint8)
    low, high = passes_of([np.concatenate([half, blank]), np.concatenate([blank, half])])
    pieces = (low._replace(present=lower), high._replace(present=~lower))
    settled = Settled(Organisation(2048, 8), np.concatenate([half, half]), np.zeros(2048, np.uint8), pieces)
    found = examine(Subject("U7", Organisation(2048, 8), settled, None))
    assert [one.where["line"] for one in only(found, Code.ADDRESS_LINE_DEAD)] == ["A10"]

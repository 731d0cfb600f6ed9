"""What the stages make of the invented machine's chips.

Kin, checks, crossed lines, and the dead line by its pin.
"""

from __future__ import annotations

import functools

import numpy as np

from example_project import make_dumps
from example_project.making.wires import Chip
from pipeline.catalogue import load
from pipeline.flow import Pass, Subject
from pipeline.stages.content import order_evidence, self_checks
from pipeline.stages.content.kin import ChipImage, kin
from pipeline.stages.content.signature import signature
from pipeline.stages.content.spaces import joins
from pipeline.stages.examine import examine
from pipeline.stages.reconcile import reconcile
from pipeline.words import Words, words_dtype
from schemas.finding import Code, Severity
from schemas.names import Organisation


@functools.cache
def _cases() -> dict[str, make_dumps.Case]:
    cases = [*make_dumps.sequencer(), *make_dumps.memory(), *make_dumps.pattern()]
    return {case.chip: case for case in cases}


def _image(chip: str) -> Words:
    case = _cases()[chip]
    return np.array(case.words, words_dtype(case.bits))


def _organisation(chip: str) -> Organisation:
    case = _cases()[chip]
    return Organisation(len(case.words), case.bits)


def _images() -> list[ChipImage]:
    return [
        ChipImage(name, signature(_image(name), case.bits), name.split("-")[0].lower())
        for name, case in _cases().items()
        if case.readings
    ]


def _passes(chip: str) -> list[Pass]:
    """Every pass whose length is the chip's, as the wires gave it."""
    case = _cases()[chip]
    return [
        Pass(reading.file, reading.reader, reading.file, number, np.array(words, words_dtype(case.bits)))
        for reading in case.readings
        for number, words in enumerate(reading.take(Chip(case.words, case.bits)), 1)
        if len(words) == len(case.words)
    ]


def test_pairs_and_microcode_are_suggested_from_content_alone() -> None:
    found = {frozenset(join.chips): join for join in joins(_images(), _image)}
    assert {tuple(sorted(chips)) for chips in found} == {
        ("MEM-U1", "MEM-U2"),
        ("MEM-U3", "MEM-U4"),
        ("SEQ-U8", "SEQ-U9"),
        tuple(f"SEQ-U{number}" for number in range(1, 7)),
    }
    pair = found[frozenset({"MEM-U1", "MEM-U2"})]
    assert (pair.chips, pair.byte_order, pair.width) == (("MEM-U1", "MEM-U2"), "big", 16)


def test_no_chip_is_called_a_copy_or_a_part_of_another() -> None:
    assert kin(_images(), _image) == ()


def test_only_the_crc_lifts_a_grade_and_the_sums_say_what_they_do_not_see() -> None:
    board = {name: _image(name) for name in _cases() if name.startswith("MEM")}
    checks = self_checks(board, 8)
    assert {name for check in checks if check.lifts for name in check.images} == {"MEM-U3", "MEM-U4"}
    sums = [check for check in checks if check.images == ("MEM-U1", "MEM-U2") and "sum16" in check.method]
    assert sums
    assert all(any("exchanged" in blind for blind in check.blind_to) for check in sums)


def test_the_crossed_adapter_is_brought_into_the_programmers_order() -> None:
    chip = "MEM-U3"
    reconciled = reconcile(
        _passes(chip),
        chip=chip,
        organisation=_organisation(chip),
        checks=lambda words: order_evidence(words, 8),
    )
    assert reconciled
    assert np.array_equal(reconciled.settled.words, _image(chip))
    assert not reconciled.settled.contested.any()
    (finding,) = reconciled.findings
    assert finding.code is Code.LINES_REORDERED
    assert finding.where["address"] == [0, 1, 2, 4, 3, 5, 6, 7, 8, 9, 10]
    assert finding.where["data"] == [0, 2, 1, 3, 4, 5, 6, 7]


def test_the_dead_line_is_named_with_the_pin_of_the_package() -> None:
    chip = "PAT-U5"
    reconciled = reconcile(_passes(chip), chip=chip, organisation=_organisation(chip))
    assert reconciled
    found = examine(Subject(chip, _organisation(chip), reconciled.settled, part=load().find("2716")))
    (fault,) = [finding for finding in found if finding.severity is Severity.FAULT]
    assert (fault.code, fault.where["line"]) == (Code.ADDRESS_LINE_DEAD, "A6")
    assert [pin["pin"] for pin in fault.where["pins"]] == [2]


def test_the_flickering_cells_stay_contested_and_carry_the_programmed_level() -> None:
    chip = "PAT-U3"
    reconciled = reconcile(_passes(chip), chip=chip, organisation=_organisation(chip), fades_to=1)
    assert reconciled
    assert int(np.bitwise_count(reconciled.settled.contested).sum()) == 6
    assert np.array_equal(reconciled.settled.words, _image(chip))


def test_no_other_chip_of_the_machine_has_a_fault() -> None:
    for chip in _cases():
        passes = _passes(chip) if chip not in {"PAT-U4", "PAT-U5", "SEQ-U4"} else []
        if not passes:
            continue
        reconciled = reconcile(passes, chip=chip, organisation=_organisation(chip))
        assert reconciled
        found = examine(Subject(chip, _organisation(chip), reconciled.settled))
        assert [finding.code for finding in found if finding.severity is Severity.FAULT] == [], chip

"""A small sample of the measurement on every run; `python -m tests.accuracy` is the whole of it."""

from __future__ import annotations

import pytest

from tests.accuracy.case import Task
from tests.accuracy.judge import Outcome, run
from tests.kit.examples import drilled_but, examples
from tests.kit.faults import CONSTANTS, FAULTS, LINE_FAULTS, LOOK_ALIKE_FAULTS, STREAM_FAULTS
from tests.kit.images import FAMILIES, LOOKALIKES

CASES = examples(0.075)
SEED = 5
pytestmark = pytest.mark.sampled
READ_AGAIN = sorted(frozenset(FAULTS) - {*LINE_FAULTS, *CONSTANTS, *LOOK_ALIKE_FAULTS, *STREAM_FAULTS})
BROUGHT_INTO_LINE = {"late by one", "rotated pass", "skipped word", "repeated word"}
"""Faults of start and step between two passes: reconciling names them, in its own words."""
EXAMINED = [one for one in READ_AGAIN if one not in BROUGHT_INTO_LINE]


def _cases(fault: str, source: str, words: int) -> list[Outcome]:
    tasks = [
        Task("faults", fault, (source, str(words)), number, SEED, half="open") for number in range(CASES)
    ]
    return [one for one in run(tasks) if one.state != "unchanged"]


def _healthy(table: str, family: str, words: int) -> list[Outcome]:
    how = (str(words), "1 pass")
    return run([Task(table, family, how, number, SEED) for number in range(CASES)])  # type: ignore[arg-type]


@pytest.mark.parametrize("fault", sorted(LINE_FAULTS))
def test_each_line_fault_in_code_is_named_with_the_right_line_and_no_other(fault: str) -> None:
    outcomes = _cases(fault, "code", 2048)
    assert len(outcomes) > CASES // 2
    assert not [one for one in outcomes if not one.named or one.wrong_line]


@pytest.mark.parametrize("fault", drilled_but(EXAMINED, *EXAMINED[::2]))
def test_each_fault_of_one_of_two_readings_is_named_with_the_right_line_and_no_other(fault: str) -> None:
    outcomes = _cases(fault, "code", 2048)
    assert len(outcomes) > CASES // 2
    assert not [one for one in outcomes if not one.named or one.wrong_line]
    assert not [one for one in outcomes if one.state == "wrong"]


@pytest.mark.parametrize("family", [family.name for family in LOOKALIKES])
def test_no_look_alike_is_a_fault_nor_another_image(family: str) -> None:
    outcomes = _healthy("look-alikes", family, 2048)
    assert len(outcomes) == CASES
    assert not [one for one in outcomes if one.fault or one.state == "wrong"]


@pytest.mark.parametrize("family", [family.name for family in FAMILIES])
def test_no_healthy_image_is_a_fault_nor_another_image(family: str) -> None:
    outcomes = _healthy("healthy", family, 1024)
    assert len(outcomes) == CASES
    assert not [one for one in outcomes if one.fault or one.state == "wrong"]

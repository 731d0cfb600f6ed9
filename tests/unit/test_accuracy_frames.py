"""A small sample of the measurement of frames on every run; `python -m tests.accuracy` is the whole."""

from __future__ import annotations

import pytest

from tests.accuracy.case import Task
from tests.accuracy.frame_cases import PARTIES
from tests.accuracy.judge import Outcome, run
from tests.accuracy.tables import unsettled
from tests.kit.examples import drilled_but
from tests.kit.frames import FRAMES

SEED = 6


def _framed(parties: str, content: str) -> list[Outcome]:
    tasks = [
        Task("frames", parties, (frame, content, "nothing said"), 0, SEED, half="open")
        for frame in FRAMES
        if content == "silent" or frame != "byte order"
    ]
    return [one for one in run(tasks) if one.state != "unchanged"]


@pytest.mark.parametrize("parties", drilled_but(PARTIES, "programmer 1 : home 3"))
def test_no_frame_is_settled_but_on_the_grounds_of_the_text(parties: str) -> None:
    outcomes = _framed(parties, "silent")
    assert len(outcomes) > len(FRAMES) // 2
    assert not [one for one in outcomes if one.state == "wrong"]
    assert not [one for one in outcomes if one.expect == "contested" and not unsettled(one)]
    assert not [one for one in outcomes if one.expect == "right" and one.state != "right"]


@pytest.mark.parametrize(
    "parties",
    drilled_but(["home 1 : home 3", "1 home : 2 homes moved", "1 home torn 3 : 1"], "1 home torn 3 : 1"),
)
def test_a_check_in_the_content_settles_the_frame_against_any_number_of_passes(parties: str) -> None:
    outcomes = [one for one in _framed(parties, "crc-32") if one.expect == "right"]
    assert len(outcomes) > len(FRAMES) // 2
    assert not [one for one in outcomes if one.state != "right"]


@pytest.mark.drill
@pytest.mark.parametrize("parties", ["home 1 : home 3", "1 home : 2 homes moved"])
def test_a_table_of_equal_targets_settles_no_frame(parties: str) -> None:
    outcomes = [one for one in _framed(parties, "equal vectors") if one.expect == "contested"]
    assert len(outcomes) > len(FRAMES) // 2
    assert not [one for one in outcomes if not unsettled(one)]

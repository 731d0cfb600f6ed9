"""A small sample of the measurement of wirings on every run; `python -m tests.accuracy` is the whole."""

from __future__ import annotations

import pytest

from tests.accuracy.case import Task
from tests.accuracy.judge import run
from tests.accuracy.tables import wiring_kept
from tests.kit.examples import drilled_but
from tests.kit.frames import CROSSINGS

SEED = 6
MIRRORED = "data lines reversed"


@pytest.mark.parametrize(
    "crossing",
    drilled_but([one for one in CROSSINGS if one != MIRRORED], "two address lines crossed"),
)
@pytest.mark.parametrize(
    "known",
    [
        "named, two chips prove it",
        "named, a check proves it",
        "named, the sheet says it",
        "named, one chip contradicts it",
        "not named, two chips prove it",
    ],
)
def test_a_crossing_reaches_the_chips_of_its_wiring_and_no_others(known: str, crossing: str) -> None:
    outcomes = run([Task("wirings", known, (crossing,), number, SEED, half="open") for number in range(2)])
    told = [one for one in outcomes if one.state != "unchanged"]
    assert told
    assert not [one for one in told if one.state == "wrong" or one.changed]
    assert not [one for one in told if not wiring_kept(one)]

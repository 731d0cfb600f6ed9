"""Whole commands on altered inputs: no traceback, no hang, no heap of memory, nothing wrongly accepted.

`python -m tests.reliability.fuzzing` is the same hunt outside pytest; an input is had again by its number.
"""

from __future__ import annotations

import os
import random

import pytest

from tests.reliability import altering
from tests.reliability.fuzzed import KINDS
from tests.reliability.fuzzed_shop import HIDDEN
from tests.reliability.fuzzing import hunt

NIGHTLY = int(os.environ.get("WELLREAD_FUZZ", "100000"))


@pytest.mark.parametrize(
    ("first", "count", "seconds"),
    [
        pytest.param(0, 120, 20.0, id="120"),
        pytest.param(0, 500, 60.0, id="500", marks=pytest.mark.drill),
        pytest.param(10_000, 4_000, 90.0, id="4000", marks=pytest.mark.drill),
        pytest.param(1_000_000, NIGHTLY, 1e9, id="night", marks=[pytest.mark.drill, pytest.mark.slow]),
    ],
)
def test_every_command_ends_in_words_and_believes_nothing_wrong(
    monkeypatch: pytest.MonkeyPatch, first: int, count: int, seconds: float
) -> None:
    """The seconds bound it on a busy machine; what is then left out is at its end."""
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    done, found, shop = hunt(first, count, seconds=seconds)
    assert found == []
    assert done >= 3 * len(KINDS)
    # Inputs reach the code: commands that need a sound input found one now and then, and refused others.
    assert {0, 14} <= shop.codes["release"].keys() | shop.codes["mend"].keys()
    assert {0, 1} <= shop.codes["check"].keys() | shop.codes["recheck"].keys()


@pytest.mark.parametrize("seed", range(20))
def test_an_input_is_the_same_each_time_and_another_for_another_number(seed: int) -> None:
    tree = {"a": ["x", {"b": "y"}], "c": "z"}
    text = b"one\ntwo\nthree\n"

    def made(number: int) -> tuple[object, bytes, bytes]:
        dice = random.Random(number)
        return repr(altering.tree(dice, tree)), altering.lines(dice, text), altering.raw(dice, HIDDEN)

    assert made(seed) == made(seed)
    assert made(seed) != made(seed + 1)
    assert tree == {"a": ["x", {"b": "y"}], "c": "z"}

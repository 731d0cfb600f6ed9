"""The law of repeated passes, through `wellread package`: saying the same again proves nothing new."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.journey.cli import wellread
from tests.kit.examples import examples
from tests.kit.faults import FAULTS
from tests.kit.files import binary
from tests.kit.frames import FRAMES
from tests.kit.images import put_crc_32, silent_code, with_text
from tests.kit.project import Chip, Kind, Reader, Reading, project
from tests.kit.wires import Image, UnchangedError

WORDS = 512
KINDS: tuple[Kind, ...] = ("home-built", "device-programmer", "other", "")
COUNTS = frozenset({"pass", "passes", "number", "count"})
"""What a place says of how often, or the how manieth time, something was read."""
Streams = tuple[tuple[Image, ...], ...]
MADE = sorted([*FRAMES, *FAULTS])


@dataclass(frozen=True)
class Drawn:
    """A chip as drawn: what it holds, which of its showings each reader saw, how often it is repeated."""

    seed: int
    content: str
    made: tuple[str, ...]
    saw: tuple[tuple[int, ...], ...]
    kinds: tuple[Kind, ...]
    times: tuple[int, ...]


MOST_PASSES = 3
DRAWN = st.builds(
    Drawn,
    seed=st.integers(0, 2**32 - 1),
    content=st.sampled_from(["silent", "text", "check"]),
    made=st.lists(st.sampled_from(MADE), min_size=1, max_size=2).map(tuple),
    saw=st.lists(
        st.lists(st.integers(0, 4), min_size=1, max_size=MOST_PASSES).map(tuple), min_size=1, max_size=3
    ).map(tuple),
    kinds=st.tuples(*[st.sampled_from(KINDS)] * 3),
    times=st.tuples(*[st.integers(1, 4)] * (3 * MOST_PASSES)),
)


def _streams(drawn: Drawn) -> tuple[Image, Streams]:
    """The chip, and the passes of its readers: sound ones, some in another frame, some with a fault."""
    random = np.random.default_rng(drawn.seed)
    truth = with_text(random, WORDS)[0] if drawn.content == "text" else silent_code(random, WORDS)[0]
    truth = put_crc_32(truth) if drawn.content == "check" else truth
    shows = [truth]
    for name in drawn.made:
        with contextlib.suppress(UnchangedError):
            if name in FRAMES:
                shows.append(FRAMES[name](random, truth, 8).stream)
            else:
                shows += FAULTS[name](random, truth, 8).streams
    return truth, tuple(tuple(shows[one % len(shows)] for one in own) for own in drawn.saw)


def _chip(name: str, truth: Image, streams: Streams, kinds: Sequence[Kind]) -> Chip:
    readings = tuple(
        Reading(Reader(f"{name}-{index}", kind), tuple(map(binary, own)), {"format": "binary"})
        for index, (own, kind) in enumerate(zip(streams, kinds, strict=False))
    )
    return Chip(name, truth, 8, readings)


def _repeated(chip: Chip, times: Sequence[int]) -> Chip:
    """The same chip, its passes given so many times each."""
    left = list(times)
    return replace(
        chip,
        readings=tuple(
            replace(one, passes=tuple(file for file in one.passes for _ in range(left.pop(0))))
            for one in chip.readings
        ),
    )


def _packaged(chips: Sequence[Chip]) -> list[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as place:
        folder = project(Path(place) / "project", chips)
        ran = wellread("package", folder, "--into", Path(place) / "bags", "--json", "--quiet")
        assert ran.code == 0, ran.err
        bag = Path(ran.document["bag"])
        record = json.loads((bag / "metadata/record.json").read_bytes())
        return [_said(chip, bag) for chip in record["chips"]]


def _said(record: Mapping[str, Any], bag: Path) -> dict[str, Any]:
    """All that may be compared: no counts, and `single` for `repeatable`."""
    image = record["image"]
    findings = {
        json.dumps([one["code"], one["severity"], _placed(one["where"])], sort_keys=True)
        for one in record["findings"]
    }
    return {
        "grade": "repeatable" if record["grade"] == "single" else record["grade"],
        "held_back": record.get("held_back", []),
        "settled": image["settled"],
        "image": image["sha256"],
        "mask": (bag / image["mask_path"]).read_bytes() if image["mask_path"] else b"",
        "findings": findings,
    }


def _placed(where: object) -> object:
    if isinstance(where, dict):
        return {key: _placed(value) for key, value in where.items() if key not in COUNTS}
    return [_placed(one) for one in where] if isinstance(where, list) else where


@settings(max_examples=examples(0.05, least=3))
@given(chips=st.lists(DRAWN, min_size=5, max_size=5))
def test_repeating_any_pass_of_any_reader_changes_nothing_but_the_counts(chips: list[Drawn]) -> None:
    once = [_chip(f"U{index}", *_streams(one), one.kinds) for index, one in enumerate(chips)]
    again = [_repeated(chip, drawn.times) for chip, drawn in zip(once, chips, strict=True)]
    for drawn, first, second in zip(chips, _packaged(once), _packaged(again), strict=True):
        assert first == second, drawn


@pytest.mark.parametrize("times", [2, 5])
def test_three_passes_in_a_wrong_order_weigh_no_more_than_one(times: int) -> None:
    random = np.random.default_rng(3)
    truth = silent_code(random, WORDS)[0]
    moved = FRAMES["two address lines crossed"](random, truth, 8).stream
    chip = _chip("U1", truth, ((truth,), (moved,)), ("home-built", "home-built"))
    assert _packaged([chip]) == _packaged([_repeated(chip, [1, times])])

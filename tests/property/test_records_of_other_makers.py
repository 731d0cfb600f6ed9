"""A valid bag may hold any record: what a command makes of it is a result or a refusal in words, never a bug.

Anybody can make a bag whose manifests hold and whose record says anything. One or two places of the example's
record become something else; every command that reads a record is given the bag.
"""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.journey.cli import wellread
from tests.kit.example_bags import example_bag, record_of
from tests.kit.examples import examples
from tests.outside.bag_cases import seal

RECORD = "metadata/record.json"
BUG = 70
EXAMPLES = examples(0.06, least=3, most=1_000)
"""Each is a whole command over a whole bag."""

STRANGE = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(1 << 70), 1 << 70),
    st.floats(allow_nan=False),
    st.text(max_size=12),
    st.sampled_from(
        [
            "",
            "0x0",
            "9" * 400,
            "../x",
            "/",
            "CON",
            "\x1b[31m",
            "NaN",
            "2048x8",
            "18446744073709551616x8",
            "1x65",
        ]
    ),
    st.just([]),
    st.just({}),
    st.just([{}]),
    st.lists(st.integers(), max_size=3),
    st.just([[[[]]]]),
)


def places(value: Any, at: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every place in a JSON value, the outermost left out."""
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in inside:
        yield (*at, key)
        yield from places(each, (*at, key))


def put(value: Any, at: tuple[str | int, ...], new: Any) -> None:
    try:
        for key in at[:-1]:
            value = value[key]
        value[at[-1]]
    except (KeyError, IndexError, TypeError):
        return  # an earlier change took it away
    if not isinstance(value, str):
        value[at[-1]] = new


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Any], Path]:
    """Makes the example's bag hold another record, its tag manifests agreeing."""
    place = tmp_path_factory.mktemp("records") / "loom-78-v1"
    shutil.copytree(example_bag(), place)

    def with_record(record: Any) -> Path:
        (place / RECORD).write_text(json.dumps(record), encoding="utf-8")
        seal(place)
        return place

    return with_record


COMMANDS: dict[str, Callable[[Path, Path], list[str | Path]]] = {
    "replay": lambda bag, place: ["recheck", "--replay", bag],
    "release": lambda bag, place: ["release", bag, "--into", place / "out"],
    "reopen": lambda bag, place: ["reopen", bag, "--into", place / "again"],
    "changes": lambda bag, place: ["changes", bag, example_bag()],
    "burn": lambda bag, place: ["burn", bag, "--chip", "MEM-U1", "--into", "2716", "-o", place / "x.bin"],
    "burn a space": lambda bag, place: [
        "burn",
        bag,
        "--space",
        "program",
        "--into",
        "2716",
        "-o",
        place / "set",
    ],
}


@pytest.mark.parametrize("command", COMMANDS)
@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    deadline=None,
    max_examples=EXAMPLES,
)
@given(data=st.data())
def test_any_record_ends_in_a_result_or_in_words(
    command: str, spoilt: Callable[[Any], Path], data: st.DataObject, tmp_path: Path
) -> None:
    record = copy.deepcopy(record_of(example_bag()))
    everywhere = list(places(record))
    for _ in range(data.draw(st.integers(1, 2))):
        put(record, data.draw(st.sampled_from(everywhere)), data.draw(STRANGE))
    place = tmp_path / "place"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    done = wellread(*COMMANDS[command](spoilt(record), place), "--quiet")
    assert done.code != BUG, done.err
    assert "Traceback" not in done.err
    if done.code and command != "replay":  # which tells differences on standard output
        assert done.err.strip()

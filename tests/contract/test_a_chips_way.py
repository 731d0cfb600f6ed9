"""A chip's way through the house is short: few rooms from `package` to its grade, and hardly a climb back up.

How it is counted: one chip with one dump is packaged, and every call is noted that is handed something in
which the chip stands (its plan, a pass, its image). A room is a module; a stage's package is one room. Values
in flight (`flow`, `voices`, `words`, `schemas`) are what is carried and no room. A climb is a step to a room
that knows the one being left; back to the street is none, since the street is the screen on which the way is
read.
"""

from __future__ import annotations

import dataclasses
import inspect
import sys
from itertools import pairwise
from pathlib import Path
from types import FrameType
from typing import Any

from pipeline.__main__ import run
from tests.contract.test_house import MODULES, imported

CHIP = "QX7"
CARRIED = ("pipeline.flow", "pipeline.voices", "pipeline.words", "schemas")
MOST_ROOMS, MOST_CLIMBS = 12, 3
NAMES = {str(path): name for name, path in MODULES.items()}


def holds_the_chip(value: Any, depth: int = 3) -> bool:
    """Whether the chip's id stands somewhere in a value, as a whole or before a reading's name."""
    if isinstance(value, str):
        return value == CHIP or value.startswith(f"{CHIP}.")
    inside: list[Any] = []
    if isinstance(value, dict):
        inside = [*value, *value.values()]
    elif isinstance(value, tuple | list):
        inside = list(value)
    elif dataclasses.is_dataclass(value):
        inside = [getattr(value, field.name, None) for field in dataclasses.fields(value)]
    elif type(value).__module__.startswith(("pipeline", "schemas")):
        inside = list(getattr(value, "__dict__", {}).values())
    return depth > 0 and any(holds_the_chip(one, depth - 1) for one in inside[:50])


def room(module: str) -> str:
    """A module, or the stage that it belongs to."""
    parts = module.split(".")
    return ".".join(parts[:3]) if parts[1:2] == ["stages"] else module


def knows(above: str, below: str) -> bool:
    """Whether a room imports another, by way of others too."""
    ahead = {name for name in MODULES if room(name) == above}
    seen = set(ahead)
    while ahead:
        ahead = {each for name in ahead for each in (imported(name) if name in MODULES else ())} - seen
        seen |= ahead
    return below in {room(name) for name in seen}


def way(folder: Path) -> list[str]:
    """The rooms in the order in which the chip is handed on, up to its grade."""
    (folder / "p/dumps").mkdir(parents=True)
    (folder / f"p/dumps/{CHIP}.prog.1.bin").write_bytes(bytes(at * at * 7 >> 5 & 0xFF for at in range(2048)))
    (folder / "p/sheet.yaml").write_text(
        "machine: {id: m, name: M}\nreaders: {prog: {kind: device-programmer}}\nboards: {b: {}}\n"
        f"chips: [{{chip: {CHIP}, part: '2716', board: b, socket: S}}]\n"
    )
    rooms: list[str] = []
    graded: list[int] = []
    in_steps: set[FrameType] = set()

    def watch(frame: FrameType, event: str, _argument: object) -> None:
        name = NAMES.get(frame.f_code.co_filename, "schemas")
        code = frame.f_code
        if name.startswith(CARRIED) or code.co_name.startswith("<"):
            return
        if event == "return" and (name, code.co_name) == ("pipeline.stages.grade", "grade"):
            graded.append(len(rooms))
        if event == "call" and frame not in in_steps:
            if code.co_flags & inspect.CO_GENERATOR:
                in_steps.add(frame)  # a work that takes its next step is handed nothing anew
            sys.setprofile(None)
            given = code.co_varnames[: code.co_argcount + code.co_kwonlyargcount]
            values = [frame.f_locals.get(one) for one in given]
            if any(not isinstance(one, str) and holds_the_chip(one) for one in values):
                rooms.append(room(name))
            sys.setprofile(watch)

    sys.setprofile(watch)
    try:
        code = run(["package", str(folder / "p"), "--into", str(folder), "--quiet"])
    finally:
        sys.setprofile(None)
    assert code == 0
    assert graded
    taken = rooms[: graded[0]]
    return [one for at, one in enumerate(taken) if not at or one != taken[at - 1]]


def test_from_package_to_a_grade_a_chip_enters_few_rooms_and_hardly_climbs_back(tmp_path: Path) -> None:
    stays = way(tmp_path)
    assert {"pipeline.street", "pipeline.stages.reconcile", "pipeline.stages.grade"} <= set(stays)
    climbs = [step for step in pairwise(stays) if step[1] != "pipeline.street" and knows(step[1], step[0])]
    assert len(set(stays)) <= MOST_ROOMS, sorted(set(stays))
    assert len(climbs) <= MOST_CLIMBS, climbs

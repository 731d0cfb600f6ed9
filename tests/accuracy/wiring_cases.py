"""Chips read with the same wires.

A crossing proved on some of them, what follows for the others, and what does not.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.random import Generator

from tests.accuracy.case import Case, Expect, Task, Wanted, firmware_window, series
from tests.kit.files import binary
from tests.kit.frames import CROSSINGS, FRAMES
from tests.kit.images import code, put_crc_32, silent_code
from tests.kit.project import Chip, Reader, Reading, plain
from tests.kit.wires import Crossing, Image, UnchangedError

WORDS, BITS = 2048, 8
CARRIED = frozenset({"wiring-carried"})
KINDS = (
    "named, two chips prove it",
    "named, one chip proves it",
    "named, a check proves it",
    "named, the sheet says it",
    "named, one chip contradicts it",
    "not named, two chips prove it",
)
"""How a wiring is known, and what proves that it is crossed."""


def tasks(seed: int, share: float) -> Iterator[Task]:
    """A few chips a case, about three thousand in all for a share of 1."""
    for row in KINDS:
        for crossing in CROSSINGS:
            if row == "named, a check proves it" and crossing == "data lines reversed":
                continue  # the mirrored polynomial holds over mirrored bytes
            yield from series("wirings", row, (crossing,), 14, seed, share)


class _Group:
    """The chips of one case while they are made."""

    def __init__(self, task: Task, mark: str) -> None:
        self.task, self.mark = task, mark
        self.random: Generator = task.random()
        first = code(self.random, WORDS)[0]
        crossing = FRAMES[task.how[0]](self.random, first, BITS).crossing
        assert crossing is not None
        self.crossing: Crossing = crossing
        self.wanted: list[Wanted] = []
        named = task.row.startswith("named")
        self.says: dict[str, Any] = {"wiring": f"{mark}-w"} if named else {"date": "2024-05-03"}
        self.home = Reader(f"{mark}-home")
        self.programmer = Reader(f"{mark}-prog", "device-programmer")

    def image(self) -> tuple[Image, str]:
        if self.random.random() < 0.5:
            return firmware_window(self.random, self.task.half, WORDS)
        return silent_code(self.random, WORDS)[0], "invented"

    def crossed(self, truth: Image) -> Image:
        seen = self.crossing.read(truth)
        if np.count_nonzero(seen != truth) < 64:
            raise UnchangedError("this crossing hardly shows in this image")
        return seen

    def add(
        self,
        truth: Image,
        readings: tuple[Reading, ...],
        expect: Expect,
        source: str,
        *,
        part: str = "2716",
        codes: frozenset[str] = frozenset(),
        as_read: bytes | None = None,
    ) -> None:
        name = f"{self.mark}-{len(self.wanted)}"
        chip = Chip(name, truth, BITS, readings, part, {"board": self.mark})
        self.wanted.append(Wanted(chip, expect, codes, source=source, as_read=as_read))

    def own(self, seen: Image, count: int | None = None, **says: Any) -> Reading:
        passes = count or int(self.random.integers(1, 4))
        return plain(seen, BITS, self.home, passes, **{**self.says, **says})

    def proving(self, expect: Expect = "right", *, straight: bool = False) -> None:
        """A chip that a device programmer has read as well."""
        truth, source = self.image()
        seen = truth if straight else self.crossed(truth)
        readings = (self.own(seen), plain(truth, BITS, self.programmer))
        self.add(truth, readings, expect, source)

    def alone(self, expect: Expect, *, part: str = "2716") -> None:
        """A chip that only the home-built reader could read, with the same wires."""
        truth, source = self.image()
        self.add(truth, (self.own(self.crossed(truth)),), expect, source, part=part, codes=CARRIED)

    def bystanders(self) -> None:
        """Chips that the crossing does not concern: their wires are straight, and stay so."""
        other: dict[str, str] = (
            {"wiring": f"{self.mark}-straight"} if "wiring" in self.says else {"date": "2024-06-11"}
        )
        truth, source = self.image()
        self.add(truth, (self.own(truth, 1, **other),), "right", source, as_read=binary(truth, BITS))
        truth, source = self.image()
        self.add(truth, (self.own(truth, 1),), "as read", source, part="TMS2716", as_read=binary(truth, BITS))
        truth, source = firmware_window(self.random, self.task.half, 4096)
        self.add(truth, (self.own(truth, 1),), "as read", source, part="2732", as_read=binary(truth, BITS))


def case(task: Task, mark: str) -> Case:
    """The chips of one wiring, with bystanders.

    Raises:
        UnchangedError: The crossing does not show in one of the images.
    """
    group = _Group(task, mark)
    wirings: dict[str, Any] = {}
    if task.row == "named, two chips prove it":
        group.proving()
        group.alone("undone")
        group.proving()
        group.alone("undone")
        group.alone("undone", part="2516")
        group.bystanders()
    elif task.row == "named, one chip proves it":
        group.proving()
        group.alone("open")
        group.alone("open")
    elif task.row == "named, a check proves it":
        truth = put_crc_32(code(group.random, WORDS)[0])
        readings = (group.own(group.crossed(truth)), plain(truth, BITS, Reader(f"{mark}-second")))
        group.add(truth, readings, "right", "invented, with a check")
        group.alone("undone")
        group.alone("undone", part="27C16")
        group.bystanders()
    elif task.row == "named, the sheet says it":
        wirings[f"{mark}-w"] = {"lines": group.crossing.lines}
        group.alone("right")
        group.alone("right")
    elif task.row == "named, one chip contradicts it":
        group.proving()
        group.proving()
        group.proving(straight=True)
        group.alone("in doubt")
        group.alone("in doubt")
    else:
        group.proving()
        group.alone("in doubt")
        group.proving()
        group.alone("in doubt")
        group.bystanders()
    return Case(tuple(group.wanted), wirings)

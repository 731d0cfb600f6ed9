"""What a case is: chips of one small project, what each truly holds, and what has to be said of it."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.random import Generator

from tests.kit.firmware import Half, installed
from tests.kit.project import Chip
from tests.kit.wires import Image, UnchangedError

Table = Literal["frames", "wirings", "faults", "healthy", "look-alikes"]
Expect = Literal["right", "contested", "open", "not settled", "told", "undone", "in doubt", "as read"]
"""What has to come out.

right        settled, and the truth
contested    not settled: no ground decides
open         either; never settled and wrong
not settled  a fault, or held back
told         a fault that needs only be named; never settled and wrong is counted, not promised
undone       settled, and the truth, though no reading of the chip shows it
in doubt     not settled, since its wiring is proved to be crossed
as read      the image is what the reading gave
"""
CODE_PARTS = {
    1024: "2708",
    2048: "2716",
    4096: "2732",
    8192: "2764",
    16384: "27128",
    32768: "27256",
    65536: "27512",
}
"""EPROMs of so many words of 8 bits."""


@dataclass(frozen=True)
class Wanted:
    """One chip of a case and what has to come out for it.

    Attributes:
        chip: With its truth.
        expect: See `Expect`.
        codes: Findings that name what was done, and, for `lines` and `values`, what they have to say.
        source: What its content is.
        grounds: Of the oracle, for the table of reasons.
        as_read: The words of its one reading, where it must stay so.
    """

    chip: Chip
    expect: Expect
    codes: frozenset[str] = frozenset()
    lines: frozenset[str] = frozenset()
    values: tuple[tuple[str, object], ...] = ()
    source: str = ""
    grounds: tuple[str, ...] = ()
    as_read: bytes | None = None


@dataclass(frozen=True)
class Case:
    """Chips that belong together, and the wirings that the sheet names."""

    wanted: tuple[Wanted, ...]
    wirings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Task:
    """Which case: the same task always makes the same case.

    Attributes:
        table: Which table it is for.
        row: Its row there.
        how: Further names that its maker understands.
        number: Of the case in its row.
        seed: Of the series.
        half: Which half of the real firmware.
    """

    table: Table
    row: str
    how: tuple[str, ...]
    number: int
    seed: int
    half: Half = "kept"

    @property
    def key(self) -> str:
        """How it is asked for again."""
        return "/".join((self.table, self.row, *self.how, str(self.number)))

    def random(self) -> Generator:
        mark = zlib.crc32(repr((self.table, self.row, self.how)).encode())
        return np.random.default_rng([self.seed, mark, self.number])


def series(
    table: Table, row: str, how: tuple[str, ...], full: int, seed: int, share: float
) -> Iterator[Task]:
    """The cases of one cell; a smaller share is a part of the larger ones."""
    for number in range(full):
        task = Task(table, row, how, number, seed)
        if zlib.crc32(task.key.encode()) < share * 2**32:
            yield task


Holds = Literal["a program", "glyphs", "anything"]


def firmware_window(
    random: Generator, half: Half, words: int, *, holds: Holds = "a program"
) -> tuple[Image, str]:
    """A stretch of real firmware, of one package after the other so that none outweighs the rest.

    Args:
        random: Draws.
        half: Of every image.
        words: How many.
        holds: What the stretch holds. A mostly blank one is a look-alike, whatever surrounds it, and one that
            is more than a quarter glyphs is a character generator.

    Raises:
        UnchangedError: No firmware here holds glyphs.
    """
    images = [one for one in installed(half)[0] if one.words.size >= words]
    if holds == "glyphs":
        images = [one for one in images if one.glyphs(0, one.words.size)]
        if not images:
            raise UnchangedError("no firmware here holds glyphs")
    packages = sorted({one.name.split()[0] for one in images})
    for _ in range(200):
        package = packages[int(random.integers(len(packages)))]
        own = [one for one in images if one.name.split()[0] == package]
        chosen = own[int(random.integers(len(own)))]
        start = int(random.integers(0, (chosen.words.size - words) // 16 + 1)) * 16
        window = chosen.words[start : start + words]
        # A stretch of one word is no chip that anybody programmed: it is in the tables as a fault, not as
        # healthy.
        glyphs = chosen.glyphs(start, start + words)
        fits = {
            "a program": _holds_program(window) and glyphs <= 0.25,
            "glyphs": glyphs > 0.5,
            "anything": True,
        }[holds]
        if window.min() != window.max() and fits:
            return window.copy(), f"{chosen.name} {start:#x}"
    raise AssertionError("no firmware of this size holds a program")


def _holds_program(window: Image) -> bool:
    """No value fills half of it, and as many as 48 occur; measured on no limit of the program's."""
    counts = np.bincount(window, minlength=256)
    return int(counts.max()) * 2 < window.size and int(np.count_nonzero(counts)) >= 48

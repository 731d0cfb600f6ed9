"""Chips read with one fault, and chips read with none.

What is named, what is held back, what is accused in vain.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from numpy.random import Generator

from tests.accuracy.case import CODE_PARTS, Case, Expect, Holds, Task, Wanted, firmware_window, series
from tests.kit.faults import CONSTANTS, EPROM, FAULTS, LINE_FAULTS, Injected, Taken
from tests.kit.files import binary
from tests.kit.images import FAMILIES, LOOKALIKES, code
from tests.kit.project import Chip, Reader, Reading, plain
from tests.kit.wires import Image

SIZES = (1024, 2048, 4096, 8192)
LARGE = (16384, 32768, 65536)
READ = ("1 pass", "2 passes", "2 readers")


def fault_tasks(seed: int, share: float) -> Iterator[Task]:
    """Every fault in invented code and in real firmware of 1 K words and more."""
    for row in FAULTS:
        for source in ("code", "firmware", *(("glyphs",) if row in LINE_FAULTS else ())):
            for words in (*SIZES, *(LARGE if row in LINE_FAULTS else ())):
                full = (40 if words < 16384 else 6) if row in LINE_FAULTS else 14
                if source == "glyphs":
                    full = 4 if words in (1024, 2048) else 0
                how = (source, str(2048 if row == "fading" else words))
                yield from series("faults", row, how, full, seed, share)


def healthy_tasks(seed: int, share: float) -> Iterator[Task]:
    """Every family and size, and real firmware, read once, twice, and by two readers."""
    for read in READ:
        for family in FAMILIES:
            for words in family.sizes:
                full = 24 if words <= 8192 else 4
                yield from series("healthy", family.name, (str(words), read), full, seed, share)
        for words in (*SIZES, *LARGE[:1]):
            yield from series("healthy", "firmware", (str(words), read), 130, seed, share)
        for family in LOOKALIKES:
            for words in family.sizes:
                yield from series("look-alikes", family.name, (str(words), read), 8, seed, share)


def case(task: Task, mark: str) -> Case:
    """One chip.

    Raises:
        UnchangedError: The fault does not show in this image, or too little to be told.
    """
    return _faulty(task, mark) if task.table == "faults" else _healthy(task, mark)


def _faulty(task: Task, mark: str) -> Case:
    random = task.random()
    words = int(task.how[1])
    if task.how[0] == "code":
        truth, source = code(random, words)[0], "invented code"
    else:
        holds: Holds = "glyphs" if task.how[0] == "glyphs" else "a program"
        truth, source = firmware_window(random, task.half, words, holds=holds)
    injected = FAULTS[task.row](random, truth, 8)
    expect: Expect = "not settled" if task.row in LINE_FAULTS or task.row in CONSTANTS else "told"
    known = injected.part == EPROM or (task.number % 2 == 1 and task.row not in CONSTANTS)
    part = CODE_PARTS[words] if known else injected.part
    readings = _readings(task, injected, mark)
    chip = Chip(mark, truth, 8, readings, part, {"board": mark})
    return Case((Wanted(chip, expect, injected.codes, injected.lines, injected.values, source),))


def _readings(task: Task, injected: Injected, mark: str) -> tuple[Reading, ...]:
    """A pass a file; those that were taken otherwise are readings of their own."""
    if not injected.taken:
        files = tuple(binary(stream) for stream in injected.streams)
        if len(files) == 1 and task.number % 3 == 2:
            files *= 2
        return (Reading(Reader(f"{mark}-bench"), files, {"format": "binary"}),)
    return tuple(
        Reading(Reader(f"{mark}-{way.reader}"), (binary(stream),), {"format": "binary", **_said(way)})
        for stream, way in zip(injected.streams, injected.taken, strict=True)
    )


def _said(way: Taken) -> dict[str, Any]:
    said = {"sitting": way.sitting, "date": way.date, "supply_v": way.supply_v}
    return {key: value for key, value in said.items() if value}


def _healthy_image(task: Task, random: Generator) -> tuple[Image, int, str]:
    words = int(task.how[0])
    if task.row == "firmware":
        window, name = firmware_window(random, task.half, words, holds="anything")
        return window, 8, name
    families = FAMILIES if task.table == "healthy" else LOOKALIKES
    image, bits = next(one for one in families if one.name == task.row).make(random, words)
    return image, bits, "invented"


def _healthy(task: Task, mark: str) -> Case:
    random = task.random()
    truth, bits, source = _healthy_image(task, random)
    words = int(task.how[0])
    first, second = Reader(f"{mark}-bench"), Reader(f"{mark}-club")
    readings = {
        "1 pass": (plain(truth, bits, first),),
        "2 passes": (plain(truth, bits, first, 2),),
        "2 readers": (plain(truth, bits, first), plain(truth, bits, second)),
    }[task.how[1]]
    eprom = bits == 8 and task.row in ("8-bit code", "firmware") and task.number % 2
    part = CODE_PARTS.get(words, "") if eprom else ""
    chip = Chip(mark, truth, bits, readings, part, {"board": mark})
    return Case((Wanted(chip, "right", source=source),))

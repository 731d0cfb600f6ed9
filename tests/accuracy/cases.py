"""One case: an image, a fault put in at the wires, what the program then says, and whether it named the right line."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.random import Generator

from pipeline.catalogue import load
from pipeline.flow import Pass, Settled, Subject
from pipeline.stages.examine import examine
from schemas.finding import Finding, Severity
from schemas.names import Organisation
from tests.accuracy.faults import WIRE_FAULTS, Injected, Injector, Taken
from tests.accuracy.firmware import Firmware, installed
from tests.accuracy.images import FAMILIES, LOOKALIKES, Image
from tests.accuracy.sittings import SITTING_FAULTS
from tests.accuracy.streams import STREAM_FAULTS
from tests.wires import UnchangedError

LINE_CODES = {
    "address-line-dead",
    "address-lines-joined",
    "data-line-stuck",
    "data-lines-joined",
    "intermittent-line",
}
"""A finding of one of these codes, as a fault or caution, names lines; any line too many is a wrong line."""


@dataclass(frozen=True)
class Task:
    """`count` cases of one kind, in one process."""

    kind: str
    fault: str
    family: str
    size: int
    count: int
    seed: int


@dataclass(frozen=True)
class Outcome:
    kind: str
    fault: str
    family: str
    words: int
    unchanged: bool = False
    named: bool = False
    as_fault: bool = False
    wrong: bool = False
    caution: bool = False
    only_note: bool = False
    note: str = ""


PROMISED = frozenset(WIRE_FAULTS)
"""The faults for which a share found is promised; the others are measured and printed."""
FAULTS: dict[str, Injector] = {**WIRE_FAULTS, **SITTING_FAULTS, **STREAM_FAULTS}


@cache
def _firmware() -> dict[str, Firmware]:
    return {image.name: image for image in installed()[0]}


DIFFERENT_IMAGES = 40
"""Images of a family and size that faults are put into; lines, levels and places are drawn anew for each case."""


@lru_cache(maxsize=512)
def _image_for_faults(family: str, size: int, seed: int, number: int) -> tuple[Image, int]:
    random = np.random.default_rng([seed, zlib.crc32(family.encode()), size, number])
    image, bits = next(one.make for one in FAMILIES if one.name == family)(random, size)
    image.setflags(write=False)
    return image, bits


def healthy_image(task: Task, random: Generator) -> tuple[Image, int]:
    """An image of the task's family, or a window of its firmware."""
    for family in (*LOOKALIKES, *FAMILIES) if task.kind == "look-alike" else FAMILIES:
        if family.name == task.family:
            return family.make(random, task.size)
    words = _firmware()[task.family].words
    largest = min(16, words.size.bit_length() - 1)
    size = 1 << int(random.integers(min(10, largest), largest + 1))
    start = int(random.integers(0, (words.size - size) // 16 + 1)) * 16
    return words[start : start + size].copy(), 8


def examined(
    passes: tuple[Image, ...], bits: int, *, missing: int = 0, taken: tuple[Taken, ...] = (), part: str = ""
) -> tuple[Finding, ...]:
    """What the program says of these passes; the last lacks its last `missing` words."""
    organisation = Organisation(int(passes[0].size), bits)
    ways = taken or (Taken(),) * len(passes)
    present = np.arange(organisation.words) < organisation.words - missing
    given = tuple(
        Pass(
            reading=f"r{number}",
            reader=way.reader,
            sitting=way.sitting,
            number=number,
            words=words,
            present=present if missing and number == len(passes) else None,
            when=way.when,
            supply_v=way.supply_v,
        )
        for number, (words, way) in enumerate(zip(passes, ways, strict=True), start=1)
    )
    contested = np.bitwise_or.reduce([passes[0] ^ words for words in passes])
    settled = Settled(organisation, passes[0], contested, given)
    return examine(Subject("U1", organisation, settled, load().find(part) if part else None))


def run(task: Task) -> list[Outcome]:
    """All cases of a task; case k of a task always has the same seed."""
    mark = zlib.crc32(repr((task.kind, task.fault, task.family, task.size)).encode())
    outcomes = []
    for number in range(task.count):
        random = np.random.default_rng([task.seed, mark, number])
        if task.kind == "fault" and task.size:
            image, bits = _image_for_faults(task.family, task.size, task.seed, number % DIFFERENT_IMAGES)
        else:
            image, bits = healthy_image(task, random)
        if task.kind == "fault":
            outcomes.append(_faulty(task, random, image, bits, number))
        else:
            outcomes.append(_healthy(task, image, bits, number))
    return outcomes


def _faulty(task: Task, random: Generator, image: Image, bits: int, number: int) -> Outcome:
    try:
        injected = FAULTS[task.fault](random, image, bits)
    except UnchangedError:
        return Outcome(task.kind, task.fault, task.family, int(image.size), unchanged=True)
    everything = examined(
        injected.passes, bits, missing=injected.missing, taken=injected.taken, part=injected.part
    )
    findings = [one for one in everything if one.severity is not Severity.NOTE]
    said = [one for one in findings if one.code in injected.codes and _fits(one, injected)]
    named = {line for one in said for line in _named(one)}
    extra = _lines_named(findings) - injected.lines
    if extra:
        # What the sound image resembles by itself is told in the table of healthy images.
        extra -= _lines_named([one for one in examined((image,), bits) if one.severity is not Severity.NOTE])
    ok = bool(said) and (injected.lines <= named)
    return Outcome(
        task.kind,
        task.fault,
        task.family,
        int(image.size),
        named=ok,
        as_fault=any(one.severity is Severity.FAULT for one in said),
        wrong=bool(extra),
        only_note=not ok and any(one.code in injected.codes and _fits(one, injected) for one in everything),
        note=f"{task.family} {image.size} #{number} {sorted(injected.lines)} {injected.values}",
    )


def _lines_named(findings: list[Finding]) -> set[str]:
    return {line for one in findings if one.code in LINE_CODES for line in _named(one)}


def _fits(finding: Finding, injected: Injected) -> bool:
    """The line is one of those injected, and level, winner, copies and shift are the right ones."""
    lines = _named(finding)
    if finding.code in LINE_CODES and not lines <= injected.lines:
        return False
    seen = {**finding.evidence, **finding.where}
    return all(
        _same_place(int(seen["at"]), injected) if name == "at" else seen[name] == value
        for name, value in injected.values
        if name in seen
    )


def _same_place(at: int, injected: Injected) -> bool:
    """The place is right if nothing tells it from the place injected: the passes agree in between."""
    first, second = sorted((at, int(str(dict(injected.values)["at"]))))
    sound, moved = injected.passes
    return first == second or bool(np.array_equal(sound[first : second - 1], moved[first : second - 1]))


def _named(finding: Finding) -> set[str]:
    if "line" in finding.where:
        return {str(finding.where["line"])}
    return {str(line) for line in finding.where.get("lines", ())}


def _healthy(task: Task, image: Image, bits: int, number: int) -> Outcome:
    findings = examined((image, image.copy()), bits)
    worst = {one.severity for one in findings}
    return Outcome(
        task.kind,
        "",
        task.family,
        int(image.size),
        as_fault=Severity.FAULT in worst,
        caution=Severity.FAULT not in worst and Severity.CAUTION in worst,
        only_note=worst == {Severity.NOTE},
        note=(
            f"{image.size} #{number} "
            f"{[(str(one.code), one.where) for one in findings if one.severity is Severity.FAULT]}"
        ),
    )

"""One case: an image, a fault put in at the wires, what the program then says, and whether it named the right line."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

import numpy as np
from numpy.random import Generator

from pipeline.flow import Pass, Settled, Subject
from pipeline.stages.examine import examine
from schemas.finding import Finding, Severity
from schemas.names import Organisation
from tests.accuracy.firmware import Firmware, installed
from tests.accuracy.images import FAMILIES, LOOKALIKES, Image
from tests.wires import Bench, UnchangedError, drop_bytes, over_read

Kind = Literal["fault", "healthy", "look-alike"]
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


@dataclass(frozen=True)
class Injected:
    """What was done: the passes as read, and what has to be named."""

    passes: tuple[Image, ...]
    codes: frozenset[str]
    lines: frozenset[str]
    values: tuple[tuple[str, object], ...] = ()


Injector = Callable[[Generator, Image, int], Injected]


def _lines_of(image: Image) -> int:
    return image.size.bit_length() - 1


def _level(random: Generator) -> int:
    return int(random.integers(2))


def _wins(random: Generator) -> Literal["low", "high"]:
    return "low" if random.random() < 0.5 else "high"


def dead_address_line(random: Generator, image: Image, bits: int) -> Injected:
    line = int(random.integers(_lines_of(image)))
    bench = Bench(image, bits).kill_address_line(line, _level(random))
    return Injected((bench.read(),), frozenset({"address-line-dead"}), frozenset({f"A{line}"}))


def two_dead_address_lines(random: Generator, image: Image, bits: int) -> Injected:
    first, second = (int(line) for line in random.choice(_lines_of(image), 2, replace=False))
    bench = (
        Bench(image, bits).kill_address_line(first, _level(random)).kill_address_line(second, _level(random))
    )
    return Injected((bench.read(),), frozenset({"address-line-dead"}), frozenset({f"A{first}", f"A{second}"}))


def joined_address_lines(random: Generator, image: Image, bits: int) -> Injected:
    first, second = sorted(int(line) for line in random.choice(_lines_of(image), 2, replace=False))
    wins = _wins(random)
    bench = Bench(image, bits).join_address_lines(first, second, wins)
    return Injected(
        (bench.read(),),
        frozenset({"address-lines-joined"}),
        frozenset({f"A{first}", f"A{second}"}),
        (("wins", wins),),
    )


def stuck_data_line(random: Generator, image: Image, bits: int) -> Injected:
    line, level = int(random.integers(bits)), _level(random)
    bench = Bench(image, bits).stick_data_line(line, level)
    return Injected(
        (bench.read(),), frozenset({"data-line-stuck"}), frozenset({f"D{line}"}), (("level", level),)
    )


def joined_data_lines(random: Generator, image: Image, bits: int) -> Injected:
    first, second = sorted(int(line) for line in random.choice(bits, 2, replace=False))
    bench = Bench(image, bits).join_data_lines(first, second, _wins(random))
    return Injected((bench.read(),), frozenset({"data-lines-joined"}), frozenset({f"D{first}", f"D{second}"}))


def over_reading(random: Generator, image: Image, bits: int) -> Injected:
    """A chip of a half, quarter or eighth of the words read as this size."""
    copies = int(random.choice([2, 4, 8]))
    seen = over_read(image[: image.size // copies], copies, bits)
    if np.unique(seen).size == 1:
        raise UnchangedError("one word all through")
    top = _lines_of(image)
    lines = frozenset(f"A{top - 1 - step}" for step in range(copies.bit_length() - 1))
    return Injected((seen,), frozenset({"over-read", "address-line-dead"}), lines, (("copies", copies),))


def rotated_pass(random: Generator, image: Image, bits: int) -> Injected:
    by = int(random.integers(1, image.size))
    bench = Bench(image, bits).rotate(by)
    signed = by if by <= image.size // 2 else by - image.size
    code = "late-by-one" if signed == -1 else "rotated"
    return Injected((image, bench.read()), frozenset({code}), frozenset(), (("by", signed),))


def _told(image: Image, moved: Image, padding: int) -> Image:
    """A slip inside fill moves nothing but what comes in at the end: it cannot be told."""
    if np.array_equal(image[:-padding], moved[:-padding]):
        raise UnchangedError("only fill was moved")
    return moved


def skipped_word(random: Generator, image: Image, bits: int) -> Injected:
    at = int(random.integers(1, max(2, image.size - 32)))
    bench = Bench(image, bits).skip_word(at)
    return Injected(
        (image, _told(image, bench.read(), 1)),
        frozenset({"skips-words"}),
        frozenset(),
        (("by", 1), ("at", at)),
    )


def repeated_word(random: Generator, image: Image, bits: int) -> Injected:
    at = int(random.integers(1, max(2, image.size - 32)))
    bench = Bench(image, bits).repeat_word(at)
    return Injected(
        (image, _told(image, bench.read(), 1)),
        frozenset({"repeats-words"}),
        frozenset(),
        (("by", -1), ("at", at)),
    )


def lost_bytes(random: Generator, image: Image, bits: int) -> Injected:
    """A serial stream loses a few bytes in one place; the tail is padded."""
    count = int(random.integers(2, 9))
    at = int(random.integers(1, max(2, image.size - 40)))
    short = drop_bytes(image.astype(np.uint8).tobytes(), at, count)
    padded = np.frombuffer(short + bytes(count), dtype=np.uint8)
    return Injected(
        (image, _told(image, padded, count)), frozenset({"slipped"}), frozenset(), (("by", count), ("at", at))
    )


def _enough(image: Image, seen: Image) -> Image:
    """Two words apart belong to one contact by chance all too often: they are counted as uninformative."""
    if np.count_nonzero(image != seen) < 3:
        raise UnchangedError("fewer than three words apart")
    return seen


def loose_address_line(random: Generator, image: Image, bits: int) -> Injected:
    line = int(random.integers(_lines_of(image)))
    share = float(random.choice([0.02, 0.1, 0.3]))
    bench = Bench(image, bits, seed=int(random.integers(1 << 30)))
    bench.loosen_address_line(line, _level(random), share)
    return Injected(
        (image, _enough(image, bench.read())), frozenset({"intermittent-line"}), frozenset({f"A{line}"})
    )


def loose_data_line(random: Generator, image: Image, bits: int) -> Injected:
    line = int(random.integers(bits))
    share = float(random.choice([0.02, 0.1, 0.3]))
    bench = Bench(image, bits, seed=int(random.integers(1 << 30)))
    bench.loosen_data_line(line, _level(random), share)
    return Injected(
        (image, _enough(image, bench.read())), frozenset({"intermittent-line"}), frozenset({f"D{line}"})
    )


FAULTS: dict[str, Injector] = {
    "dead address line": dead_address_line,
    "two dead address lines": two_dead_address_lines,
    "joined address lines": joined_address_lines,
    "stuck data line": stuck_data_line,
    "joined data lines": joined_data_lines,
    "over-read": over_reading,
    "rotated pass": rotated_pass,
    "skipped word": skipped_word,
    "repeated word": repeated_word,
    "lost bytes": lost_bytes,
    "loose address line": loose_address_line,
    "loose data line": loose_data_line,
}


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


def examined(passes: tuple[Image, ...], bits: int) -> tuple[Finding, ...]:
    organisation = Organisation(int(passes[0].size), bits)
    taken = tuple(
        Pass(reading=f"r{number}", reader="bench", sitting="s", number=number, words=words)
        for number, words in enumerate(passes, start=1)
    )
    contested = np.bitwise_or.reduce([passes[0] ^ words for words in passes])
    return examine(Subject("U1", organisation, Settled(organisation, passes[0], contested, taken)))


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
    everything = examined(injected.passes, bits)
    findings = [one for one in everything if one.severity is not Severity.NOTE]
    said = [one for one in findings if one.code in injected.codes and _fits(one, injected)]
    named = {line for one in said for line in _named(one)}
    extra = _lines_named(findings) - injected.lines
    if extra:
        # What the sound image resembles by itself is told in the table of healthy images.
        extra -= _lines_named([one for one in examined((image,), bits) if one.severity is not Severity.NOTE])
    ok = bool(said) and injected.lines <= named | (named if not injected.lines else set())
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
    if lines and not lines <= injected.lines:
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
        note=f"{image.size} #{number} {[(str(one.code), one.where) for one in findings if one.severity is Severity.FAULT]}",
    )

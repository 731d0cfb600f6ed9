"""Faults at the wires, each injected by name into an image: the passes that are then read, and what has to be named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.random import Generator

from tests.accuracy.images import Image
from tests.wires import Bench, UnchangedError, drop_bytes, over_read


@dataclass(frozen=True)
class Taken:
    """By whom, when and at which supply a pass was read."""

    reader: str = "bench"
    sitting: str = "s"
    when: str = ""
    supply_v: float | None = None


@dataclass(frozen=True)
class Injected:
    """What was done: the passes as read, and what has to be named."""

    passes: tuple[Image, ...]
    codes: frozenset[str]
    lines: frozenset[str]
    values: tuple[tuple[str, object], ...] = ()
    missing: int = 0
    """Words at the end of the last pass for which the file had nothing."""
    taken: tuple[Taken, ...] = ()
    """How each pass was taken; one reader in one sitting if not said."""
    part: str = ""
    """A catalogue part whose cells and outputs the chip has."""


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


WIRE_FAULTS: dict[str, Injector] = {
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

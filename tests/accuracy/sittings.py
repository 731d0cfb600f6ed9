"""Faults that show between passes, or in the bus: slow outputs, weak and fading cells, counters of another pace."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.random import Generator

from tests.accuracy.faults import Injected, Injector, Taken
from tests.accuracy.images import Image
from tests.wires import (
    Bench,
    Pace,
    UnchangedError,
    bus_keeps_the_address,
    fade,
    read_late_by_one,
    read_too_fast,
    read_without_pull_ups,
)


def _seed(random: Generator) -> int:
    return int(random.integers(1 << 30))


def _apart(first: Image, second: Image, least_bits: int) -> tuple[Image, Image]:
    if int(np.bitwise_count(first ^ second).sum()) < least_bits:
        raise UnchangedError(f"fewer than {least_bits} bits apart")
    return first, second


def open_data_line(random: Generator, image: Image, bits: int) -> Injected:
    """Nothing drives or pulls the line: noise, another one in each pass."""
    line = int(random.integers(bits))
    passes = [Bench(image, bits, seed=_seed(random)).open_data_line(line).read() for _ in range(2)]
    return Injected(
        _apart(passes[0], passes[1], 3), frozenset({"intermittent-line"}), frozenset({f"D{line}"})
    )


def unstable_bits(random: Generator, image: Image, bits: int) -> Injected:
    """Two to twenty weak cells somewhere in the chip, in more than one column."""
    count = int(random.integers(4, 40))
    cells = [(int(random.integers(image.size)), int(random.integers(bits))) for _ in range(count)]
    bench = Bench(image, bits, seed=_seed(random)).weaken_cells(cells)
    seen = bench.read()
    if np.bitwise_count(np.bitwise_or.reduce(image ^ seen)) < 2:
        raise UnchangedError("all in one column: a contact looks the same")
    return Injected((image, seen), frozenset({"unstable-bits"}), frozenset())


def without_pull_ups(random: Generator, image: Image, bits: int) -> Injected:
    """Two passes over open-collector outputs; a tenth to a half of the rising bits come too late."""
    share = float(random.choice([0.1, 0.3, 0.5]))
    passes = [read_without_pull_ups(image, bits, share, _seed(random)) for _ in range(2)]
    return Injected(
        _apart(passes[0], passes[1], 10),
        frozenset({"unstable-bits"}),
        frozenset(),
        (("pattern", "late-ones"),),
    )


def reading_too_fast(random: Generator, image: Image, bits: int) -> Injected:
    share = float(random.choice([0.02, 0.05, 0.1]))
    passes = [read_too_fast(image, bits, share, _seed(random)) for _ in range(2)]
    return Injected(
        _apart(passes[0], passes[1], 10),
        frozenset({"unstable-bits"}),
        frozenset(),
        (("pattern", "reading-too-fast"),),
    )


def fading(random: Generator, image: Image, bits: int) -> Injected:
    """Cells of an EPROM lose charge between two readings: of two dates, two supplies, or two readers."""
    toward = int(random.integers(2))
    faded = fade(image, bits, toward, float(random.choice([0.0005, 0.002, 0.01])), _seed(random))
    # Six bits in two columns: 2^-5 is the first below 1 in 20, and one column is a contact.
    _apart(image, faded, 6)
    if np.bitwise_count(np.bitwise_or.reduce(image ^ faded)) < 2:
        raise UnchangedError("all in one column: a contact looks the same")
    ways = (
        (Taken(sitting="s", when="2019-05-01"), Taken(sitting="t", when="2024-08-11")),
        (Taken(sitting="s", supply_v=4.5), Taken(sitting="t", supply_v=5.5)),
        (Taken("bench", "s"), Taken("club", "t")),
    )
    return Injected(
        (image, faded),
        frozenset({"fading"}),
        frozenset(),
        (("toward", toward),),
        taken=ways[int(random.integers(len(ways)))],
        part="2716" if toward else "1702A",
    )


def late_by_one(random: Generator, image: Image, bits: int) -> Injected:
    late = read_late_by_one(image, int(random.integers(1 << bits)))
    _apart(image, late, 3)
    return Injected((image, late), frozenset({"late-by-one"}), frozenset(), (("by", -1),))


def _paced(image: Image, bits: int, pace: Pace, code: str, by: int) -> Injected:
    paced = Bench(image, bits).count_at(pace).read()
    if np.count_nonzero(image != paced) < 3:
        raise UnchangedError("fewer than three words apart")
    return Injected((image, paced), frozenset({code}), frozenset(), (("by", by), ("every", True)))


def counts_twice(_random: Generator, image: Image, bits: int) -> Injected:
    """Two passes: the counter of the second counts twice a clock."""
    return _paced(image, bits, "twice", "skips-words", 1)


def counts_every_second_clock(_random: Generator, image: Image, bits: int) -> Injected:
    return _paced(image, bits, "every second", "repeats-words", -1)


def follows_address(random: Generator, image: Image, bits: int) -> Injected:
    """The chip is not there: the bus keeps a byte of the address, wherever the machine has the chip."""
    if bits != 8:
        raise UnchangedError("a byte of the address does not fit")
    byte: Literal["low", "high"] = "low" if random.random() < 0.5 else "high"
    origin = image.size * int(random.integers(max(1, 65536 // image.size)))
    seen = bus_keeps_the_address(int(image.size), byte, origin)
    if np.unique(seen).size < 8:
        raise UnchangedError("fewer than three address bits show")
    return Injected((seen,), frozenset({"follows-address"}), frozenset())


SITTING_FAULTS: dict[str, Injector] = {
    "open data line": open_data_line,
    "unstable bits": unstable_bits,
    "no pull-ups": without_pull_ups,
    "reading too fast": reading_too_fast,
    "fading": fading,
    "late by one": late_by_one,
    "counts twice": counts_twice,
    "counts every second": counts_every_second_clock,
    "follows address": follows_address,
}

"""The ways in which a reading may stand in another frame than the chip: order, start, step, byte order.

By name.

Each maker asserts that it changed something (`UnchangedError` otherwise): a mapping that changes no word is
no frame.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.random import Generator

from tests.kit.wires import Bench, Crossing, Image, UnchangedError, lose_words, read_late_by_one

Group = Literal["lines", "bytes", "start", "step"]


@dataclass(frozen=True)
class Moved:
    """A reading in another frame.

    Attributes:
        stream: The words as they came; as many as the chip has, unless some were lost or doubled on the way.
        group: What of the frame is not the chip's.
        lines: As a sheet may declare it, where it can.
        codes: What a finding about it may be called.
        by: Words, where a start or step moved.
        crossing: The wires, where it is they.
    """

    stream: Image
    group: Group
    codes: frozenset[str]
    lines: Mapping[str, list[int]] = field(default_factory=dict)
    by: int = 0
    crossing: Crossing | None = None


Maker = Callable[[Generator, Image, int], Moved]


def address_lines(image: Image) -> int:
    """How many address lines a chip of so many words has."""
    return int(image.size).bit_length() - 1


def _pair(random: Generator, lines: int) -> tuple[int, ...]:
    order = list(range(lines))
    first, second = (int(line) for line in random.choice(lines, 2, replace=False))
    order[first], order[second] = order[second], order[first]
    return tuple(order)


def _straight(lines: int) -> tuple[int, ...]:
    return tuple(range(lines))


def _crossed(image: Image, crossing: Crossing) -> Moved:
    seen = crossing.read(image)
    if np.array_equal(seen, image):
        raise UnchangedError("this crossing changes no word")
    return Moved(seen, "lines", frozenset({"lines-reordered"}), crossing.lines, crossing=crossing)


def address_pair(random: Generator, image: Image, bits: int) -> Moved:
    """Two address wires exchanged."""
    return _crossed(image, Crossing(_pair(random, address_lines(image)), _straight(bits)))


def data_pair(random: Generator, image: Image, bits: int) -> Moved:
    """Two data wires exchanged."""
    return _crossed(image, Crossing(_straight(address_lines(image)), _pair(random, bits)))


def several_lines(random: Generator, image: Image, bits: int) -> Moved:
    """Three to all address wires and some data wires in another order."""
    address, data = list(range(address_lines(image))), list(range(bits))
    for order, least in ((address, 3), (data, 2)):
        chosen = random.choice(len(order), int(random.integers(least, len(order) + 1)), replace=False)
        for place, line in zip(sorted(chosen), random.permutation(chosen), strict=True):
            order[place] = int(line)
    return _crossed(image, Crossing(tuple(address), tuple(data)))


def data_reversed(_random: Generator, image: Image, bits: int) -> Moved:
    """D0 to the last one wired the other way round."""
    return _crossed(image, Crossing(_straight(address_lines(image)), _straight(bits)[::-1]))


def data_inverted(_random: Generator, image: Image, bits: int) -> Moved:
    """Inverting buffers on all data lines."""
    straight = _straight(address_lines(image))
    return _crossed(image, Crossing(straight, _straight(bits), invert_data=_straight(bits)))


def some_inverted(random: Generator, image: Image, bits: int) -> Moved:
    """An inverter in one address line, or in one data line."""
    lines = address_lines(image)
    line = int(random.integers(lines + bits))
    inverted = {"invert_address": (line,)} if line < lines else {"invert_data": (line - lines,)}
    return _crossed(image, Crossing(_straight(lines), _straight(bits), **inverted))


def backwards(_random: Generator, image: Image, bits: int) -> Moved:
    """A counter that counts down."""
    lines = _straight(address_lines(image))
    return _crossed(image, Crossing(lines, _straight(bits), invert_address=lines))


def bytes_swapped(_random: Generator, image: Image, bits: int) -> Moved:
    """The bytes of each word the other way round."""
    if bits != 16:
        raise UnchangedError("no words of two bytes")
    swapped = image.byteswap()
    if np.array_equal(swapped, image):
        raise UnchangedError("both bytes alike in every word")
    return Moved(swapped, "bytes", frozenset({"lines-reordered"}))


def rotated(random: Generator, image: Image, bits: int) -> Moved:
    """The counter was not at 0 when the pass began."""
    by = int(random.integers(1, image.size))
    return Moved(Bench(image, bits).rotate(by).read(), "start", frozenset({"rotated", "late-by-one"}), by=by)


def late(random: Generator, image: Image, bits: int) -> Moved:
    """Each word comes one clock late."""
    seen = read_late_by_one(image, int(random.integers(1 << bits)))
    return Moved(seen, "start", frozenset({"late-by-one", "rotated", "slipped"}), by=-1)


def _place(random: Generator, image: Image) -> int:
    return int(random.integers(1, max(2, image.size - 64)))


def clock_missed(random: Generator, image: Image, bits: int) -> Moved:
    """The counter moved twice once: as many words as the chip has, one of them lost."""
    seen = Bench(image, bits).skip_word(_place(random, image)).read()
    return Moved(seen, "step", frozenset({"skips-words", "slipped"}), by=1)


def clock_doubled(random: Generator, image: Image, bits: int) -> Moved:
    """The counter stood still once: as many words as the chip has, one of them twice."""
    seen = Bench(image, bits).repeat_word(_place(random, image)).read()
    return Moved(seen, "step", frozenset({"repeats-words", "slipped"}), by=-1)


def words_lost(random: Generator, image: Image, bits: int) -> Moved:
    """The stream lost words: the file is short by them."""
    at, count = _place(random, image), int(random.integers(1, 9))
    seen = np.delete(image, slice(at, at + count))
    return Moved(_told(image, seen), "step", frozenset({"slipped"}), by=count)


def words_doubled(random: Generator, image: Image, bits: int) -> Moved:
    """The stream doubled words: the file is long by them."""
    at, count = _place(random, image), int(random.integers(1, 9))
    seen = np.insert(image, at + count, image[at : at + count])
    return Moved(_told(image, seen), "step", frozenset({"slipped"}), by=-count)


def words_lost_and_padded(random: Generator, image: Image, bits: int) -> Moved:
    """The stream lost words, and its end was filled up."""
    at, count = _place(random, image), int(random.integers(2, 9))
    seen = lose_words(image, at, count, end=int(image[-1]))
    return Moved(_told(image, seen), "step", frozenset({"slipped", "skips-words"}), by=count)


def _told(image: Image, seen: Image) -> Image:
    size = min(seen.size, image.size) - 8
    if np.array_equal(seen[:size], image[:size]):
        raise UnchangedError("only fill was moved")
    return seen


FRAMES: dict[str, Maker] = {
    "two address lines crossed": address_pair,
    "two data lines crossed": data_pair,
    "several lines crossed": several_lines,
    "data lines reversed": data_reversed,
    "data inverted": data_inverted,
    "one line inverted": some_inverted,
    "counts down": backwards,
    "byte order": bytes_swapped,
    "rotated": rotated,
    "late by one": late,
    "clock missed": clock_missed,
    "clock doubled": clock_doubled,
    "words lost, short": words_lost,
    "words doubled, long": words_doubled,
    "words lost, padded": words_lost_and_padded,
}
CROSSINGS = (
    "two address lines crossed",
    "two data lines crossed",
    "several lines crossed",
    "data lines reversed",
    "data inverted",
    "one line inverted",
)
"""Those that stay with a reader's wires."""

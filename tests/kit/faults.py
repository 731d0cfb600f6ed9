"""Every reading fault by name: the streams as the reader gave them, and what has to be named.

A fault is put in at the wires, into the stream or between passes. A fault that shows too little to be told in
an image raises `UnchangedError`; such cases are counted, never filtered out in silence.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.random import Generator

from tests.kit.frames import address_lines
from tests.kit.images import silent_code
from tests.kit.wires import (
    Bench,
    Image,
    Pace,
    UnchangedError,
    Wins,
    add_carriage_returns,
    bus_keeps_the_address,
    double_value,
    eat_bytes,
    fade,
    over_read,
    read_late_by_one,
    read_too_fast,
    read_without_pull_ups,
    save_as_utf8,
    save_with_replacements,
    strip_to_seven_bits,
)

EPROM = "EPROM"
"""Any EPROM of the image's size: its unprogrammed cells read 1."""


@dataclass(frozen=True)
class Taken:
    """By whom, when and at which supply a pass was read."""

    reader: str = "bench"
    sitting: str = ""
    date: str = ""
    supply_v: float | None = None


@dataclass(frozen=True)
class Injected:
    """What was done.

    Attributes:
        streams: The words of each pass as they came; any number of them.
        codes: Findings that name the fault.
        lines: Lines that have to be named, and no others.
        values: What the finding has to say beside, where it says it at all.
        taken: How each pass was taken; one reader in one sitting if not said.
        part: A catalogue part whose cells and outputs the chip has, or `EPROM`.
        sound: Index of a pass without the fault, or None.
    """

    streams: tuple[Image, ...]
    codes: frozenset[str]
    lines: frozenset[str] = frozenset()
    values: tuple[tuple[str, object], ...] = ()
    taken: tuple[Taken, ...] = ()
    part: str = ""
    sound: int | None = None


Injector = Callable[[Generator, Image, int], Injected]


def _one(code: str, seen: Image, *lines: str, **values: object) -> Injected:
    return Injected((seen,), frozenset({code}), frozenset(lines), tuple(values.items()))


def _level(random: Generator) -> int:
    return int(random.integers(2))


def _wins(random: Generator) -> Wins:
    return "low" if random.random() < 0.5 else "high"


def _seed(random: Generator) -> int:
    return int(random.integers(1 << 30))


# -- wires, one pass -----------------------------------------------------------------------------------------


def dead_address_line(random: Generator, image: Image, bits: int) -> Injected:
    line = int(random.integers(address_lines(image)))
    seen = Bench(image, bits).kill_address_line(line, _level(random)).read()
    return _one("address-line-dead", seen, f"A{line}")


def two_dead_address_lines(random: Generator, image: Image, bits: int) -> Injected:
    first, second = (int(line) for line in random.choice(address_lines(image), 2, replace=False))
    bench = Bench(image, bits).kill_address_line(first, _level(random))
    seen = bench.kill_address_line(second, _level(random)).read()
    return _one("address-line-dead", seen, f"A{first}", f"A{second}")


def joined_address_lines(random: Generator, image: Image, bits: int) -> Injected:
    first, second = sorted(int(line) for line in random.choice(address_lines(image), 2, replace=False))
    wins = _wins(random)
    seen = Bench(image, bits).join_address_lines(first, second, wins).read()
    return _one("address-lines-joined", seen, f"A{first}", f"A{second}", wins=wins)


def stuck_data_line(random: Generator, image: Image, bits: int) -> Injected:
    line, level = int(random.integers(bits)), _level(random)
    seen = Bench(image, bits).stick_data_line(line, level).read()
    return _one("data-line-stuck", seen, f"D{line}", level=level)


def joined_data_lines(random: Generator, image: Image, bits: int) -> Injected:
    first, second = sorted(int(line) for line in random.choice(bits, 2, replace=False))
    seen = Bench(image, bits).join_data_lines(first, second, _wins(random)).read()
    return _one("data-lines-joined", seen, f"D{first}", f"D{second}")


LINE_FAULTS: dict[str, Injector] = {
    "dead address line": dead_address_line,
    "two dead address lines": two_dead_address_lines,
    "joined address lines": joined_address_lines,
    "stuck data line": stuck_data_line,
    "joined data lines": joined_data_lines,
}
"""One reading with one such fault, in 1 K words and more of a program: told, or held back."""


# -- not the chip, or nothing of it --------------------------------------------------------------------------


def over_reading(random: Generator, image: Image, bits: int) -> Injected:
    """A chip of a half, quarter or eighth of the words stands in the socket."""
    copies = int(random.choice([2, 4, 8]))
    seen = over_read(image[: image.size // copies], copies, bits)
    if np.unique(seen).size == 1:
        raise UnchangedError("one word all through")
    top = address_lines(image)
    lines = frozenset(f"A{top - 1 - step}" for step in range(copies.bit_length() - 1))
    return Injected((seen,), frozenset({"over-read", "address-line-dead"}), lines, (("copies", copies),))


def follows_address(random: Generator, image: Image, bits: int) -> Injected:
    """The chip is not there: the bus keeps a byte of the address, wherever the machine has the chip."""
    if bits != 8:
        raise UnchangedError("a byte of the address does not fit")
    byte: Literal["low", "high"] = "low" if random.random() < 0.5 else "high"
    origin = image.size * int(random.integers(max(1, 65536 // image.size)))
    seen = bus_keeps_the_address(int(image.size), byte, origin)
    if np.unique(seen).size < 8:
        raise UnchangedError("fewer than three address bits show")
    return _one("follows-address", seen)


def _constant(image: Image, level: int, part: str) -> Injected:
    seen = np.full_like(image, 0xFF if level else 0)
    if np.array_equal(seen, image):
        raise UnchangedError("the chip is blank")
    return Injected((seen,), frozenset({"constant", "blank"}), part=part)


def constant_programmed(_random: Generator, image: Image, _bits: int) -> Injected:
    """All words at the level that an unprogrammed cell of this part does not have."""
    return _constant(image, 0, EPROM)


def constant_unknown(random: Generator, image: Image, _bits: int) -> Injected:
    """All words at one level, of a chip whose unprogrammed level is not known."""
    return _constant(image, _level(random), "")


CONSTANTS: dict[str, Injector] = {
    "constant, programmed level": constant_programmed,
    "constant, level not known": constant_unknown,
}
"""A failed reading is no image."""
LOOK_ALIKE_FAULTS: dict[str, Injector] = {"over-read": over_reading, "follows address": follows_address}
"""One reading cannot tell them from a doubled program and from a table that counts."""


# -- one of two readings is bad ------------------------------------------------------------------------------


def _enough(image: Image, seen: Image) -> Image:
    """Two words apart belong to one contact by chance all too often: they are counted as uninformative."""
    if np.count_nonzero(image != seen) < 3:
        raise UnchangedError("fewer than three words apart")
    return seen


def dead_in_one_reading(random: Generator, image: Image, bits: int) -> Injected:
    """An address line is dead in the first reading; re-seated, the second has it."""
    line = int(random.integers(address_lines(image)))
    seen = Bench(image, bits).kill_address_line(line, _level(random)).read()
    days = (Taken(sitting="first", date="2024-05-01"), Taken(sitting="second", date="2024-05-02"))
    return Injected(
        (_enough(image, seen), image),
        frozenset({"address-line-dead"}),
        frozenset({f"A{line}"}),
        taken=days,
        sound=1,
    )


def stuck_in_one_reading(random: Generator, image: Image, bits: int) -> Injected:
    """A data line is stuck in the first reading; re-seated, the second has it."""
    line = int(random.integers(bits))
    seen = Bench(image, bits).stick_data_line(line, _level(random)).read()
    days = (Taken(sitting="first", date="2024-05-01"), Taken(sitting="second", date="2024-05-02"))
    return Injected(
        (_enough(image, seen), image),
        frozenset({"data-line-stuck", "intermittent-line"}),
        frozenset({f"D{line}"}),
        taken=days,
        sound=1,
    )


def another_chip(random: Generator, image: Image, bits: int) -> Injected:
    """Another chip or another file: two readers, two programs."""
    other = silent_code(random, image.size)[0].astype(image.dtype)
    return Injected(
        (image, other), frozenset({"unstable-bits", "frames-differ"}), taken=(Taken("bench"), Taken("club"))
    )


def loose_address_line(random: Generator, image: Image, bits: int) -> Injected:
    line = int(random.integers(address_lines(image)))
    bench = Bench(image, bits, seed=_seed(random))
    seen = bench.loosen_address_line(line, _level(random), float(random.choice([0.02, 0.1, 0.3]))).read()
    return Injected(
        (image, _enough(image, seen)), frozenset({"intermittent-line"}), frozenset({f"A{line}"}), sound=0
    )


def loose_data_line(random: Generator, image: Image, bits: int) -> Injected:
    line = int(random.integers(bits))
    bench = Bench(image, bits, seed=_seed(random))
    seen = bench.loosen_data_line(line, _level(random), float(random.choice([0.02, 0.1, 0.3]))).read()
    return Injected(
        (image, _enough(image, seen)), frozenset({"intermittent-line"}), frozenset({f"D{line}"}), sound=0
    )


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
    """Weak cells somewhere in the chip, in more than one column."""
    count = int(random.integers(4, 40))
    cells = [(int(random.integers(image.size)), int(random.integers(bits))) for _ in range(count)]
    seen = Bench(image, bits, seed=_seed(random)).weaken_cells(cells).read()
    if np.bitwise_count(np.bitwise_or.reduce(image ^ seen)) < 2:
        raise UnchangedError("all in one column: a contact looks the same")
    return Injected((image, seen), frozenset({"unstable-bits"}), sound=0)


def without_pull_ups(random: Generator, image: Image, bits: int) -> Injected:
    """Two passes over open-collector outputs; a tenth to a half of the rising bits come too late."""
    share = float(random.choice([0.1, 0.3, 0.5]))
    passes = [read_without_pull_ups(image, bits, share, _seed(random)) for _ in range(2)]
    return Injected(
        _apart(passes[0], passes[1], 10), frozenset({"unstable-bits"}), values=(("pattern", "late-ones"),)
    )


def reading_too_fast(random: Generator, image: Image, bits: int) -> Injected:
    share = float(random.choice([0.02, 0.05, 0.1]))
    passes = [read_too_fast(image, bits, share, _seed(random)) for _ in range(2)]
    return Injected(
        _apart(passes[0], passes[1], 10),
        frozenset({"unstable-bits"}),
        values=(("pattern", "reading-too-fast"),),
    )


def fading(random: Generator, image: Image, bits: int) -> Injected:
    """Cells of an EPROM lose charge between two readings: of two dates, two supplies, or two readers."""
    if bits != 8 or image.size != 2048:
        raise UnchangedError("the part has 2048 words of 8 bits")
    faded = fade(image, bits, 1, float(random.choice([0.0005, 0.002, 0.01])), _seed(random))
    # Six bits in two columns: 2^-5 is the first below 1 in 20, and one column is a contact.
    _apart(image, faded, 6)
    if np.bitwise_count(np.bitwise_or.reduce(image ^ faded)) < 2:
        raise UnchangedError("all in one column: a contact looks the same")
    ways = (
        (Taken(sitting="s", date="2019-05-01"), Taken(sitting="t", date="2024-08-11")),
        (Taken(sitting="s", supply_v=4.5), Taken(sitting="t", supply_v=5.5)),
        (Taken("bench", "s"), Taken("club", "t")),
    )
    return Injected(
        (image, faded),
        frozenset({"fading"}),
        values=(("toward", 1),),
        taken=ways[int(random.integers(3))],
        part="2716",
        sound=0,
    )


def _paced(image: Image, bits: int, pace: Pace, code: str, by: int) -> Injected:
    seen = Bench(image, bits).count_at(pace).read()
    return Injected((image, _enough(image, seen)), frozenset({code}), values=(("by", by),), sound=0)


def counts_twice(_random: Generator, image: Image, bits: int) -> Injected:
    """Two passes: the counter of the second counts twice a clock."""
    return _paced(image, bits, "twice", "skips-words", 1)


def counts_every_second_clock(_random: Generator, image: Image, bits: int) -> Injected:
    return _paced(image, bits, "every second", "repeats-words", -1)


def late_by_one(random: Generator, image: Image, bits: int) -> Injected:
    seen = read_late_by_one(image, int(random.integers(1 << bits)))
    return Injected((image, _enough(image, seen)), frozenset({"late-by-one"}), values=(("by", -1),), sound=0)


def rotated_pass(random: Generator, image: Image, bits: int) -> Injected:
    """A pass that began at another word."""
    by = int(random.integers(2, image.size - 1))
    seen = Bench(image, bits).rotate(by).read()
    return Injected((image, _enough(image, seen)), frozenset({"rotated"}), values=(("by", by),), sound=0)


def skipped_word(random: Generator, image: Image, bits: int) -> Injected:
    seen = Bench(image, bits).skip_word(int(random.integers(1, max(2, image.size - 64)))).read()
    return Injected((image, _enough(image, seen)), frozenset({"skips-words"}), values=(("by", 1),), sound=0)


def repeated_word(random: Generator, image: Image, bits: int) -> Injected:
    seen = Bench(image, bits).repeat_word(int(random.integers(1, max(2, image.size - 64)))).read()
    return Injected(
        (image, _enough(image, seen)), frozenset({"repeats-words"}), values=(("by", -1),), sound=0
    )


SITTING_FAULTS: dict[str, Injector] = {
    "address line dead in one reading": dead_in_one_reading,
    "data line stuck in one reading": stuck_in_one_reading,
    "another chip": another_chip,
    "loose address line": loose_address_line,
    "loose data line": loose_data_line,
    "open data line": open_data_line,
    "unstable bits": unstable_bits,
    "no pull-ups": without_pull_ups,
    "reading too fast": reading_too_fast,
    "fading": fading,
    "late by one": late_by_one,
    "rotated pass": rotated_pass,
    "skipped word": skipped_word,
    "repeated word": repeated_word,
    "counts twice": counts_twice,
    "counts every second": counts_every_second_clock,
}


# -- the stream of bytes between reader and file, one pass ---------------------------------------------------

EATEN = (b"\x11\x13", b"\x0d", b"\x0a", b"\x00", b"\x1a", b"\x08\x7f")
"""What links and terminals are known to take; common practice, no source."""


def _stream(image: Image, bits: int) -> bytes:
    if bits != 8:
        raise UnchangedError("not a stream of whole bytes")
    return image.astype(np.uint8).tobytes()


def _came(image: Image, stream: bytes) -> Image:
    """The file as it came, longer or shorter than the chip."""
    seen = np.frombuffer(stream, dtype=np.uint8)
    if np.array_equal(seen[: image.size], image[: seen.size]):
        raise UnchangedError("only what lies behind the chip was moved")
    return seen


def seven_bits(_random: Generator, image: Image, bits: int) -> Injected:
    return _one("seven-bit", _came(image, strip_to_seven_bits(_stream(image, bits))), "D7", parity="none")


def seven_bits_with_parity(random: Generator, image: Image, bits: int) -> Injected:
    parity: Literal["even", "odd"] = "even" if random.random() < 0.5 else "odd"
    return _one(
        "seven-bit", _came(image, strip_to_seven_bits(_stream(image, bits), parity)), "D7", parity=parity
    )


def newline_damage(_random: Generator, image: Image, bits: int) -> Injected:
    seen = _came(image, add_carriage_returns(_stream(image, bits)))
    if np.count_nonzero(seen == 0x0A) < 8:
        raise UnchangedError("fewer than eight line feeds")
    return _one("newline-damage", seen)


def _text(damage: Callable[[bytes], bytes]) -> Injector:
    def inject(_random: Generator, image: Image, bits: int) -> Injected:
        if np.count_nonzero(image[: image.size // 2] >= 0x80) < 8:
            raise UnchangedError("fewer than eight bytes from 80 up")
        return _one("text-damage", _came(image, damage(_stream(image, bits))), kind="utf-8")

    return inject


def doubled_ff(_random: Generator, image: Image, bits: int) -> Injected:
    return _one("text-damage", _came(image, double_value(_stream(image, bits), 0xFF)), kind="doubled-ff")


def eaten(random: Generator, image: Image, bits: int) -> Injected:
    """All that can be told in one pass is that a value which should occur never does."""
    seen = _came(image, eat_bytes(_stream(image, bits), EATEN[int(random.integers(len(EATEN)))]))
    if seen.size < image.size // 2:
        raise UnchangedError("next to nothing is left")
    return _one("text-damage", seen, kind="eaten")


STREAM_FAULTS: dict[str, Injector] = {
    "seven bits": seven_bits,
    "seven bits and parity": seven_bits_with_parity,
    "newline damage": newline_damage,
    "saved as UTF-8": _text(save_as_utf8),
    "bytes replaced as text": _text(save_with_replacements),
    "doubled FF": doubled_ff,
    "eaten characters": eaten,
}
FAULTS: dict[str, Injector] = {
    **LINE_FAULTS,
    **CONSTANTS,
    **LOOK_ALIKE_FAULTS,
    **SITTING_FAULTS,
    **STREAM_FAULTS,
}

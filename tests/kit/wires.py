"""A chip on a bench, modelled at the wires: an address goes in, a word comes out.

Nothing of the program is imported here, so that a fault injected by this model and a diagnosis made by the
program cannot share a mistake. Faults are injected by name, and every reading taken with a fault is compared
with a reading taken without it: a fault that changes nothing raises `UnchangedError`, because a test that
injects nothing proves nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.unsignedinteger[Any]]
Addresses = NDArray[np.int64]
Wins = Literal["low", "high"]
Pace = Literal["each", "twice", "every second"]
"""How often the counter moves in two clocks: two, four or one times."""


class UnchangedError(AssertionError):
    """The injected fault does not show in this image.

    A slice of data that carries no information about it.
    """


def smallest_dtype(bits: int) -> np.dtype[np.unsignedinteger[Any]]:
    return np.dtype(
        np.uint8 if bits <= 8 else np.uint16 if bits <= 16 else np.uint32 if bits <= 32 else np.uint64
    )


@dataclass(frozen=True)
class Crossing:
    """Lines of a reader that are not those of the chip.

    For each line k of the chip, `address[k]` and `data[k]` say which line of the reading carries it; the
    inverted lines are the reading's. So `reading[P(a) ^ ia] = Q(chip[a]) ^ id`.

    Source: section 5 of the design, the mapping between two images.
    """

    address: tuple[int, ...]
    data: tuple[int, ...]
    invert_address: tuple[int, ...] = ()
    invert_data: tuple[int, ...] = ()

    def read(self, truth: Image) -> Image:
        """What a reader so wired shows of a chip, address 0 first."""
        assert truth.size == 1 << len(self.address)
        seen = moved_bits(truth, self.data) ^ truth.dtype.type(_mask(self.invert_data))
        places = moved_bits(np.arange(truth.size, dtype=np.uint64), self.address)
        out = np.empty_like(truth)
        out[(places ^ np.uint64(_mask(self.invert_address))).astype(np.int64)] = seen
        return out

    def undo(self, reading: Image) -> Image:
        """The chip that shows so."""
        addresses = moved_bits(np.arange(reading.size, dtype=np.uint64), self.address)
        seen = reading[(addresses ^ np.uint64(_mask(self.invert_address))).astype(np.int64)]
        back = [self.data.index(line) for line in range(len(self.data))]
        return moved_bits(seen ^ reading.dtype.type(_mask(self.invert_data)), tuple(back))

    @property
    def lines(self) -> dict[str, list[int]]:
        """As a sheet declares it: only what is not as it should be."""
        said = {
            "address": list(self.address) if self.address != tuple(range(len(self.address))) else [],
            "data": list(self.data) if self.data != tuple(range(len(self.data))) else [],
            "invert_address": sorted(self.invert_address),
            "invert_data": sorted(self.invert_data),
        }
        return {key: value for key, value in said.items() if value}


def _mask(lines: tuple[int, ...]) -> int:
    return sum(1 << line for line in lines)


def moved_bits(words: Image, where: tuple[int, ...]) -> Image:
    """Bit k of each word comes to stand at `where[k]`."""
    out = np.zeros_like(words)
    for line, target in enumerate(where):
        out |= (words >> words.dtype.type(line) & words.dtype.type(1)) << words.dtype.type(target)
    return out


@dataclass
class Bench:
    """One chip, its wires, and the counter that walks the addresses.

    `truth` is what the chip holds. The counter's words pass, in this order: counter faults, address wires,
    the chip, data wires, and (for the stream) transport.
    """

    truth: Image
    bits: int = 8
    dead_address: dict[int, int] = field(default_factory=dict)
    joined_address: list[tuple[int, int, Wins]] = field(default_factory=list)
    stuck_data: dict[int, int] = field(default_factory=dict)
    joined_data: list[tuple[int, int, Wins]] = field(default_factory=list)
    rotation: int = 0
    skipped_at: list[int] = field(default_factory=list)
    repeated_at: list[int] = field(default_factory=list)
    seed: int = 0
    loose_address: dict[int, tuple[int, float]] = field(default_factory=dict)
    loose_data: dict[int, tuple[int, float]] = field(default_factory=dict)
    open_data: list[int] = field(default_factory=list)
    weak_cells: list[tuple[int, int]] = field(default_factory=list)
    pace: Pace = "each"

    # -- injectors -------------------------------------------------------------------------------------

    def kill_address_line(self, line: int, level: int) -> Self:
        self.dead_address[line] = level
        return self._changed()

    def join_address_lines(self, first: int, second: int, wins: Wins) -> Self:
        self.joined_address.append((first, second, wins))
        return self._changed()

    def stick_data_line(self, line: int, level: int) -> Self:
        self.stuck_data[line] = level
        return self._changed()

    def join_data_lines(self, first: int, second: int, wins: Wins) -> Self:
        self.joined_data.append((first, second, wins))
        return self._changed()

    def rotate(self, by: int) -> Self:
        self.rotation += by
        return self._changed()

    def skip_word(self, at: int) -> Self:
        self.skipped_at.append(at)
        return self._changed()

    def repeat_word(self, at: int) -> Self:
        self.repeated_at.append(at)
        return self._changed()

    def loosen_address_line(self, line: int, level: int, share: float) -> Self:
        """A contact that is open for `share` of the words; the input then reads `level`."""
        self.loose_address[line] = (level, share)
        return self._changed()

    def loosen_data_line(self, line: int, level: int, share: float) -> Self:
        self.loose_data[line] = (level, share)
        return self._changed()

    def open_data_line(self, line: int) -> Self:
        """Nothing drives or pulls this line: the reader sees noise."""
        self.open_data.append(line)
        return self._changed()

    def weaken_cells(self, cells: list[tuple[int, int]]) -> Self:
        """Cells (address, line) near their threshold: each reads as either level."""
        self.weak_cells += cells
        return self._changed()

    def count_at(self, pace: Pace) -> Self:
        self.pace = pace
        return self._changed()

    # -- reading ---------------------------------------------------------------------------------------

    def read(self) -> Image:
        """Walk the counter once over all words."""
        random = np.random.default_rng(self.seed)
        addresses = self.address_wires(self.counter(), random)
        words = self.cells(addresses, self.chip(addresses), random)
        return self.data_wires(words, random)

    def counter(self) -> Addresses:
        size = self.truth.size
        steps = np.full(size, 2 if self.pace == "twice" else 1, dtype=np.int64)
        if self.pace == "every second":
            steps[1::2] = 0
        steps[0] = self.rotation
        for at in self.skipped_at:
            steps[at] += 1
        for at in self.repeated_at:
            steps[at] -= 1
        return np.cumsum(steps) % size

    def address_wires(self, addresses: Addresses, random: np.random.Generator) -> Addresses:
        out = addresses.copy()
        for line, level in self.dead_address.items():
            out = _force(out, line, level, np.ones(out.size, dtype=bool))
        for first, second, wins in self.joined_address:
            a, b = (out >> first) & 1, (out >> second) & 1
            both = a & b if wins == "low" else a | b
            out = (out & ~((1 << first) | (1 << second))) | (both << first) | (both << second)
        for line, (level, share) in self.loose_address.items():
            out = _force(out, line, level, random.random(out.size) < share)
        return out

    def chip(self, addresses: Addresses) -> Image:
        return self.truth[addresses % self.truth.size]

    def cells(self, addresses: Addresses, words: Image, random: np.random.Generator) -> Image:
        """What the cells give this time: a weak one tosses a coin each time it is read."""
        out = words.copy()
        for at, line in self.weak_cells:
            bit = out.dtype.type(1 << line)
            here = addresses % self.truth.size == at
            tossed = here & (random.random(out.size) < 0.5)
            out = np.where(tossed, out ^ bit, out)
        return out

    def data_wires(self, words: Image, random: np.random.Generator) -> Image:
        out = words.astype(np.uint64)
        one = np.uint64(1)
        for line, level in self.stuck_data.items():
            mask = np.uint64(1 << line)
            out = out | mask if level else out & ~mask
        for first, second, wins in self.joined_data:
            i, j = np.uint64(first), np.uint64(second)
            a, b = (out >> i) & one, (out >> j) & one
            both = a & b if wins == "low" else a | b
            out = (out & ~np.uint64((1 << first) | (1 << second))) | (both << i) | (both << j)
        for line, (level, share) in self.loose_data.items():
            mask = np.uint64(1 << line)
            loose = random.random(out.size) < share
            out = np.where(loose, out | mask if level else out & ~mask, out)
        for line in self.open_data:
            mask = np.uint64(1 << line)
            out = np.where(random.random(out.size) < 0.5, out | mask, out & ~mask)
        return out.astype(smallest_dtype(self.bits))

    def _changed(self) -> Self:
        if np.array_equal(self.read(), self.truth):
            raise UnchangedError("this fault does not show in this image")
        return self


def _force(addresses: Addresses, line: int, level: int, where: NDArray[np.bool_]) -> Addresses:
    bit = np.int64(1 << line)
    return np.where(where, addresses | bit if level else addresses & ~bit, addresses)


def over_read(truth: Image, copies: int, bits: int = 8) -> Image:
    """A counter `copies` times wider than the chip shows the chip that often."""
    bench = Bench(truth, bits)
    seen = bench.chip(np.arange(truth.size * copies, dtype=np.int64))
    assert seen.size > truth.size
    return seen


def bus_keeps_the_address(words: int, byte: Literal["low", "high"], origin: int) -> Image:
    """No chip drives the bus of a machine: it keeps a byte of the last address, which starts at `origin`."""
    addresses = np.arange(words, dtype=np.int64) + origin
    seen = addresses & 0xFF if byte == "low" else addresses >> 8 & 0xFF
    if np.unique(seen).size == 1:
        raise UnchangedError("this byte of the address does not move over so few words")
    return seen.astype(np.uint8)


def read_late_by_one(truth: Image, stray: int) -> Image:
    """A register gives each word one clock late; the first word is what it held before."""
    out = truth.copy()
    out[1:] = truth[:-1]
    out[0] = stray
    if np.array_equal(out, truth):
        raise UnchangedError("one word all through")
    return out


def _moved(before: bytes, after: bytes) -> bytes:
    if before == after:
        raise UnchangedError("nothing was lost in transport")
    return after


def drop_bytes(stream: bytes, at: int, count: int = 1) -> bytes:
    """A serial line loses `count` bytes; what follows moves up."""
    return _moved(stream, stream[:at] + stream[at + count :])


def double_bytes(stream: bytes, at: int, count: int = 1) -> bytes:
    return _moved(stream, stream[: at + count] + stream[at : at + count] + stream[at + count :])


def strip_to_seven_bits(stream: bytes, parity: Literal["none", "even", "odd"] = "none") -> bytes:
    """A seven-bit link: bit 7 is lost, or carries the parity of the other seven."""

    def sent(byte: int) -> int:
        low = byte & 0x7F
        odd = low.bit_count() & 1
        top = {"none": 0, "even": odd, "odd": 1 - odd}[parity]
        return low | top << 7

    return _moved(stream, bytes(sent(byte) for byte in stream))


def add_carriage_returns(stream: bytes) -> bytes:
    """A text-mode transfer puts 0D before every 0A."""
    return _moved(stream, stream.replace(b"\n", b"\r\n"))


def save_as_utf8(stream: bytes) -> bytes:
    return _moved(stream, stream.decode("latin-1").encode("utf-8"))


def save_with_replacements(stream: bytes) -> bytes:
    """An editor takes the stream for UTF-8 and puts EF BF BD where it is none: the bytes are lost."""
    return _moved(stream, stream.decode("utf-8", errors="replace").encode("utf-8"))


def double_value(stream: bytes, value: int) -> bytes:
    """A terminal link that escapes one value by sending it twice, and nobody takes the second away."""
    one = bytes([value])
    return _moved(stream, stream.replace(one, one + one))


def eat_bytes(stream: bytes, values: bytes) -> bytes:
    """A link that takes flow-control or control characters for itself."""
    return _moved(stream, bytes(byte for byte in stream if byte not in values))


def read_without_pull_ups(truth: Image, bits: int, share: float, seed: int) -> Image:
    """A 1 after a 0 in the same column arrives late: read as 0, in `share` of the cases."""
    random = np.random.default_rng(seed)
    out = truth.copy()
    for line in range(bits):
        column = (truth >> truth.dtype.type(line)) & truth.dtype.type(1)
        late = np.zeros(truth.size, dtype=bool)
        late[1:] = (column[1:] == 1) & (column[:-1] == 0)
        late &= random.random(truth.size) < share
        out[late] &= truth.dtype.type(~(1 << line) & (1 << bits) - 1)
    if np.array_equal(out, truth):
        raise UnchangedError("no 1 follows a 0 here")
    return out


def read_too_fast(truth: Image, bits: int, share: float, seed: int) -> Image:
    """The word is sampled while it still changes: more address bits changed, more old bits kept."""
    random = np.random.default_rng(seed)
    counted = np.arange(truth.size, dtype=np.int64)
    changed = np.bitwise_count((counted ^ np.maximum(counted - 1, 0)).astype(np.uint64))
    chance = share * np.maximum(changed.astype(np.int64) - 2, 0)
    out = truth.copy()
    for line in range(bits):
        bit = truth.dtype.type(1 << line)
        old = random.random(truth.size) < chance
        old[0] = False
        index = np.flatnonzero(old)
        out[index] = (truth[index] & ~bit) | (truth[index - 1] & bit)
    if np.array_equal(out, truth):
        raise UnchangedError("nothing was caught while changing")
    return out


def fade(truth: Image, bits: int, toward: int, share: float, seed: int) -> Image:
    """Cells lose their charge: a share of the programmed bits reads as the unprogrammed state."""
    random = np.random.default_rng(seed)
    out = truth.copy()
    for line in range(bits):
        bit = truth.dtype.type(1 << line)
        lost = random.random(truth.size) < share
        out[lost] = out[lost] | bit if toward else out[lost] & ~bit
    if np.array_equal(out, truth):
        raise UnchangedError("no cell faded")
    return out


def flip_bits(words: Image, bits: int, count: int, seed: int = 1) -> Image:
    """One bit flipped in each of `count` words."""
    generator = np.random.default_rng(seed)
    spoilt = words.copy()
    places = generator.choice(words.size, count, replace=False)
    spoilt[places] ^= np.left_shift(1, generator.integers(0, bits, count).astype(np.uint64)).astype(
        words.dtype
    )
    assert np.count_nonzero(spoilt != words) == count
    return spoilt


def lose_words(words: Image, at: int, count: int = 1, *, end: int = 0) -> Image:
    """A stream of as many words with `count` lost, and the end filled up with `end`."""
    stream = np.append(np.delete(words, slice(at, at + count)), np.full(count, end, words.dtype))
    assert stream.size == words.size
    if np.array_equal(stream, words):
        raise UnchangedError("only fill was lost")
    return stream

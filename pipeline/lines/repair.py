"""A nearly right mapping made right: single swaps and inversions of lines, judged on some of the words.

The assignment problems are solved on averages, and two lines that behave almost alike come out exchanged now
and then. On the words themselves the exchange shows at once.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.lines.mapping import LineMap, mask_of, route_bits
from pipeline.lines.measure import commonest
from pipeline.words import Words

SAMPLE_WORDS = 4096
SCREEN_WORDS = 768
ROUNDS = 12


class Sample(NamedTuple):
    """Some addresses of the first with their words, to judge a mapping quickly, against the whole second.

    Attributes:
        addresses: Word addresses of the first.
        words: The first's words there.
        second: All words of the second.
        bits: Bits a word.
    """

    addresses: NDArray[np.int64]
    words: Words
    second: Words
    bits: int

    @classmethod
    def take(cls, first: Words, second: Words, bits: int, limit: int = SAMPLE_WORDS) -> Sample:
        """At most `limit` addresses, half of them where the first does not hold its commonest word."""
        every = np.arange(first.size, dtype=np.int64)
        if first.size > limit:
            generator = np.random.default_rng(0xA11CE)
            telling = np.flatnonzero(first != commonest(first))
            some = generator.choice(telling, min(limit // 2, telling.size), replace=False)
            rest = generator.choice(first.size, limit - some.size, replace=False)
            every = generator.permutation(np.unique(np.concatenate([some, rest])).astype(np.int64))
        return cls(every, first[every], second, bits)

    def screen(self) -> Sample:
        """Fewer of the addresses, for a first look at many mappings."""
        return Sample(self.addresses[:SCREEN_WORDS], self.words[:SCREEN_WORDS], self.second, self.bits)

    def places(self, mapping: LineMap) -> NDArray[np.int64]:
        """Where the mapping finds each address in the second."""
        places = np.full_like(self.addresses, mask_of(mapping.invert_address))
        for line, target in enumerate(mapping.address):
            places ^= ((self.addresses >> line) & 1) << target
        return (places + mapping.rotate) % self.second.size if mapping.rotate else places

    def carried(self, mapping: LineMap) -> Words:
        """What the mapping makes of each word."""
        carried = route_bits(self.words, self.bits, mapping.data)
        carried ^= self.words.dtype.type(mask_of(mapping.invert_data))
        return carried

    def misses(self, mapping: LineMap) -> int:
        """How many of the sample's words the mapping does not reproduce."""
        return int(np.count_nonzero(self.second[self.places(mapping)] != self.carried(mapping)))


def repair(mapping: LineMap, sample: Sample) -> tuple[LineMap, int]:
    """Single swaps and inversions that make more bits agree, the best of each round, until none helps.

    Args:
        mapping: A first guess, without rotation.
        sample: Words to judge it on.

    Returns:
        The repaired mapping and how many of the sample's words it leaves unexplained.
    """
    screen = sample.screen()
    wrong = _wrong_bits(screen.second[screen.places(mapping)], screen.carried(mapping))
    for _ in range(ROUNDS):
        if not wrong:
            break
        better, fewer = _best_neighbour(mapping, screen)
        if fewer >= wrong:
            break
        mapping, wrong = better, fewer
    return mapping, sample.misses(mapping)


def _wrong_bits(found: Words, wanted: Words) -> int:
    return int(np.bitwise_count(found ^ wanted).sum(dtype=np.int64))


def _best_neighbour(mapping: LineMap, sample: Sample) -> tuple[LineMap, int]:
    """Of all mappings one step away the one with fewest wrong bits, and how many."""
    places, carried = sample.places(mapping), sample.carried(mapping)
    return min(
        _best_address_step(mapping, sample.second, places, carried),
        _best_data_step(mapping, sample.second[places], carried),
        key=lambda found: found[1],
    )


def _best_address_step(
    mapping: LineMap, second: Words, places: NDArray[np.int64], carried: Words
) -> tuple[LineMap, int]:
    """The steps are tried on the places alone; only the best becomes a mapping."""
    address, inverted = mapping.address, mask_of(mapping.invert_address)
    steps: list[tuple[int, int, tuple[int, ...]]] = []
    tried: list[NDArray[np.int64]] = []
    for line, target in enumerate(address):
        steps.append((line, line, (target,)))
        tried.append(places ^ (1 << target))
    levels = places ^ inverted
    for one, other in combinations(range(len(address)), 2):
        high, low = address[one], address[other]
        uneven = ((levels >> high) ^ (levels >> low)) & 1
        exchanged = places ^ ((uneven << high) | (uneven << low))
        choices: tuple[tuple[int, ...], ...] = ((), (high,), (low,), (high, low))
        for flips in choices:
            steps.append((one, other, flips))
            tried.append(exchanged ^ mask_of(flips))
    counts = np.bitwise_count(second[np.stack(tried)] ^ carried).sum(axis=1, dtype=np.int64)
    best = int(counts.argmin())
    first, second_line, toggled = steps[best]
    stepped = replace(
        mapping,
        address=_exchanged(address, first, second_line),
        invert_address=_toggled(mapping.invert_address, *toggled),
    )
    return stepped, int(counts[best])


def _best_data_step(mapping: LineMap, found: Words, carried: Words) -> tuple[LineMap, int]:
    """Data lines are judged from one table: how often line a of the second disagrees with carried line b."""
    bits = len(mapping.data)
    kind = carried.dtype.type
    one = np.stack([(found >> kind(line)) & kind(1) for line in range(bits)]).astype(np.float32)
    other = np.stack([(carried >> kind(line)) & kind(1) for line in range(bits)]).astype(np.float32)
    both = one @ other.T
    table = (one.sum(axis=1)[:, None] + other.sum(axis=1)[None, :] - 2 * both).astype(np.int64)
    least = np.minimum(table, found.size - table)
    now = int(table.trace())
    best = mapping, now
    for line in range(bits):
        count = now - int(table[line, line]) + int(least[line, line])
        if count < best[1]:
            best = replace(mapping, invert_data=_toggled(mapping.invert_data, line)), count
    for a, b in combinations(range(bits), 2):
        count = now - int(table[a, a] + table[b, b]) + int(least[a, b] + least[b, a])
        if count < best[1]:
            best = _with_data_swapped(mapping, a, b, table, found.size), count
    return best


def _with_data_swapped(mapping: LineMap, a: int, b: int, table: NDArray[np.int64], size: int) -> LineMap:
    """The lines that went to a and b of the second exchanged, each inverted where that fits better."""
    data = list(mapping.data)
    to_a, to_b = data.index(a), data.index(b)
    data[to_a], data[to_b] = b, a
    inverted = set(mapping.invert_data)
    odd = {line for line, old in ((a, b), (b, a)) if (2 * table[line, old] > size) != (old in inverted)}
    return replace(mapping, data=tuple(data), invert_data=tuple(sorted((inverted - {a, b}) | odd)))


def _exchanged(lines: tuple[int, ...], one: int, other: int) -> tuple[int, ...]:
    new = list(lines)
    new[one], new[other] = new[other], new[one]
    return tuple(new)


def _toggled(lines: tuple[int, ...], *flips: int) -> tuple[int, ...]:
    return tuple(sorted(set(lines).symmetric_difference(flips)))

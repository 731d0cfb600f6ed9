"""Which other mappings fit as well: lines that nothing in the image tells apart.

An unused address line may be inverted at will, two equal data columns may be swapped, and where inverting an
address line does the same as inverting data lines either may be named: the images cannot say. The simplest of
the mappings is given, and how many others there are.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from typing import NamedTuple

import numpy as np

from pipeline.lines.mapping import LineMap
from pipeline.lines.walsh import Floats, Marks

Misses = Callable[[LineMap], int]
ROUNDS = 200
SLACK = 0.02
"""Marks nearer than this are looked at on the words; wrong words shift them by up to twice their share."""
MOST_PAIRS = 64
"""Pairs of address lines tried together with pairs of data lines."""


@dataclass(frozen=True, order=True, slots=True)
class Move:
    """Lines of the first exchanged or inverted before the mapping is applied.

    Attributes:
        swap_address: Two address lines to exchange, or none.
        swap_data: Two data lines to exchange, or none.
        invert_address: Address lines to invert.
        invert_data: Data lines to invert.
    """

    swap_address: tuple[int, ...] = ()
    swap_data: tuple[int, ...] = ()
    invert_address: tuple[int, ...] = ()
    invert_data: tuple[int, ...] = ()

    def on(self, mapping: LineMap) -> LineMap:
        """The mapping after this move."""
        return LineMap(
            _exchanged(mapping.address, self.swap_address),
            _exchanged(mapping.data, self.swap_data),
            _toggled(mapping.invert_address, mapping.address, self.invert_address),
            _toggled(mapping.invert_data, mapping.data, self.invert_data),
            mapping.rotate,
        )

    def variants(self) -> Iterator[Move]:
        """The move itself; for a swap also with either or both of its lines inverted."""
        yield self
        if bool(self.swap_address) == bool(self.swap_data):
            return
        lines = self.swap_address or self.swap_data
        for flips in (lines[:1], lines[1:], lines):
            if self.swap_address:
                yield replace(self, invert_address=flips)
            else:
                yield replace(self, invert_data=flips)

    def lines(self) -> frozenset[str]:
        """The lines that it exchanges, as `A0`, `D3`."""
        return frozenset([*(f"A{k}" for k in self.swap_address), *(f"D{k}" for k in self.swap_data)])


class Symmetries(NamedTuple):
    """What the images leave open.

    Attributes:
        mapping: The simplest of the mappings that fit best, as far as single moves lead.
        alternatives: How many others fit equally well, as far as single moves lead.
        free_lines: Address lines of the first on which nothing depends.
        alike: Groups of lines of the first that nothing tells apart, as `D0`, `A3`.
        nearest_words: By how many words the nearest mapping that fits less well is worse; None: not known.
    """

    mapping: LineMap
    alternatives: int
    free_lines: tuple[int, ...]
    alike: tuple[tuple[str, ...], ...]
    nearest_words: int | None = None

    def notes(self) -> list[str]:
        """A sentence for each thing left open."""
        said = []
        if self.alternatives:
            count = (
                f"{self.alternatives} other mappings fit" if self.alternatives > 1 else "another mapping fits"
            )
            said.append(f"{count} equally well; the simplest is given")
        if self.free_lines:
            said.append("nothing depends on " + ", ".join(f"A{k}" for k in self.free_lines))
        said += [f"nothing tells {', '.join(group)} apart" for group in self.alike]
        if self.nearest_words is not None and self.nearest_words <= 8:
            more = self.nearest_words
            said.append(f"the next best mapping leaves only {more} more word{'s' * (more != 1)} unexplained")
        return said


def simplest(mapping: LineMap, misses: Misses, marks: Marks | None) -> Symmetries:
    """The simplest mapping that fits as well as this one, and how many such there are.

    Args:
        mapping: One that fits.
        misses: How many words a mapping leaves unexplained.
        marks: Marks of the first image; None where address lines cannot be permuted.

    Returns:
        The symmetries found by single moves of lines whose marks are equal.
    """
    moves = list(_moves(marks)) if marks is not None else []
    mapping, least = _improve(mapping, misses, moves)
    nearest: int | None = None
    equal: dict[Move, Move] = {}
    for move in moves:
        for variant in move.variants():
            more = misses(variant.on(mapping)) - least
            if more <= 0:
                equal.setdefault(move, variant)
            elif nearest is None or more < nearest:
                nearest = more
    mapping = _descend(mapping, misses, least, sorted(equal))
    inverting = [move for move in equal if not move.lines()]
    groups = _groups([move.lines() for move in equal if move.lines()])
    count = 2 ** len(inverting) * math.prod(_orders(group) for group in groups)
    free = tuple(sorted(move.invert_address[0] for move in inverting if not move.invert_data))
    alike = tuple(sorted(tuple(sorted(group, key=_by_number)) for group in groups))
    return Symmetries(mapping, count - 1, free, alike, nearest)


def _improve(mapping: LineMap, misses: Misses, moves: list[Move]) -> tuple[LineMap, int]:
    """Near-ties that a few words tell apart: take whichever leaves fewer words unexplained."""
    least = misses(mapping)
    for _ in range(ROUNDS):
        if not least:
            break
        stepped = [variant.on(mapping) for move in moves for variant in move.variants()]
        counted = min(((misses(step), number) for number, step in enumerate(stepped)), default=(least, 0))
        if counted[0] >= least:
            break
        mapping, least = stepped[counted[1]], counted[0]
    return mapping, least


def _moves(marks: Marks) -> Iterator[Move]:
    """Moves of lines whose marks are (nearly) equal: only these can leave an image as it is."""
    bits, lines = marks.of_pair.shape[1:]
    for k in range(lines):
        likeness = marks.of_pair[1, :, k]
        if (np.abs(likeness) > 1 - SLACK).all():
            opposed = tuple(int(line) for line in np.flatnonzero(likeness < 0))
            yield Move(invert_address=(k,), invert_data=opposed)
    for pair in combinations(range(lines), 2):
        if _unmoved(marks, pair, ()):
            yield Move(swap_address=pair)
    for pair in combinations(range(bits), 2):
        if marks.of_two_data[pair] > 1 - SLACK:
            yield Move(swap_data=pair)
    yield from _joint_moves(marks)


def _joint_moves(marks: Marks) -> Iterator[Move]:
    """Two address lines and two data lines exchanged together, as where words count up with the address."""
    bits, lines = marks.of_pair.shape[1:]
    by_address = np.sort(marks.of_pair, axis=1)
    by_data = np.sort(marks.of_pair, axis=2)
    addresses = [
        (a, b) for a, b in combinations(range(lines), 2) if _near(by_address[..., a], by_address[..., b])
    ]
    data = [(a, b) for a, b in combinations(range(bits), 2) if _near(by_data[:, a], by_data[:, b])]
    for pair in addresses[:MOST_PAIRS]:
        for other in data[:MOST_PAIRS]:
            if not _unmoved(marks, pair, ()) and _unmoved(marks, pair, other):
                yield Move(swap_address=pair, swap_data=other)


def _near(one: Floats, other: Floats) -> bool:
    return bool(np.abs(one - other).max() < SLACK)


def _unmoved(marks: Marks, address: tuple[int, ...], data: tuple[int, ...]) -> bool:
    """Whether the marks stay as they are when these lines are exchanged."""
    rows = list(_exchanged(tuple(range(marks.of_pair.shape[1])), data))
    columns = list(_exchanged(tuple(range(marks.of_pair.shape[2])), address))
    if not data:
        changed = list(address)
        exchanged = changed[::-1]
        return _near(marks.of_pair[..., changed], marks.of_pair[..., exchanged]) and _near(
            marks.of_triple[..., changed], marks.of_triple[..., exchanged]
        )
    return _near(marks.of_pair[:, rows][:, :, columns], marks.of_pair) and _near(
        marks.of_triple[rows][:, rows][:, :, columns], marks.of_triple
    )


def _exchanged(lines: tuple[int, ...], pair: tuple[int, ...]) -> tuple[int, ...]:
    if not pair:
        return lines
    new = list(lines)
    one, other = pair
    new[one], new[other] = new[other], new[one]
    return tuple(new)


def _toggled(inverted: tuple[int, ...], lines: tuple[int, ...], flips: tuple[int, ...]) -> tuple[int, ...]:
    """Lines of the second that are inverted, once these lines of the first are inverted before it."""
    return tuple(sorted(set(inverted).symmetric_difference(lines[k] for k in flips)))


def _descend(mapping: LineMap, misses: Misses, least: int, moves: list[Move]) -> LineMap:
    """Take every move that fits as well and is simpler, until there is none."""
    for _ in range(ROUNDS):
        stepped = [variant.on(mapping) for move in moves for variant in move.variants()]
        simpler = sorted(
            (step for step in stepped if step.simplicity() < mapping.simplicity()), key=LineMap.simplicity
        )
        found = next((step for step in simpler if misses(step) <= least), None)
        if found is None:
            break
        mapping = found
    return mapping


def _groups(pairs: list[frozenset[str]]) -> list[frozenset[str]]:
    """Lines joined by swaps that change nothing."""
    groups: list[frozenset[str]] = []
    for pair in pairs:
        joined, apart = pair, []
        for group in groups:
            if group & joined:
                joined |= group
            else:
                apart.append(group)
        groups = [*apart, joined]
    return groups


def _orders(group: frozenset[str]) -> int:
    """In how many orders a group's lines can stand: data lines that follow address lines have no say."""
    addresses = sum(name.startswith("A") for name in group)
    return math.factorial(addresses or len(group))


def _by_number(name: str) -> tuple[str, int]:
    return name[0], int(name[1:])

"""Which other mappings fit as well: lines that nothing in the image tells apart.

An unused address line may be inverted at will, two equal data columns may be swapped: the images cannot say.
The simplest of the mappings is given, and how many others there are.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from pipeline.lines.mapping import Mapping
from pipeline.lines.walsh import Marks

Misses = Callable[[Mapping], int]
ROUNDS = 200


@dataclass(frozen=True, slots=True)
class Symmetries:
    """What the images leave open.

    Attributes:
        mapping: The simplest of the mappings that fit best.
        alternatives: How many others fit equally well, as far as single swaps and inversions lead.
        free_lines: Address lines of the first on which nothing depends.
        alike: Groups of lines of the first that nothing tells apart, as `D0`, `A3`.
        nearest_words: By how many words the nearest mapping that fits less well is worse; None: not known.
    """

    mapping: Mapping
    alternatives: int
    free_lines: tuple[int, ...]
    alike: tuple[tuple[str, ...], ...]
    nearest_words: int | None = None

    def notes(self) -> list[str]:
        """A sentence for each thing left open."""
        said = []
        if self.alternatives:
            said.append(f"{self.alternatives} other mappings fit equally well; the simplest is given")
        if self.free_lines:
            said.append("nothing depends on " + ", ".join(f"A{k}" for k in self.free_lines))
        said += [f"nothing tells {', '.join(group)} apart" for group in self.alike]
        if self.nearest_words is not None and self.nearest_words <= 8:
            said.append(f"the next best mapping differs in only {self.nearest_words} words more")
        return said


def simplest(mapping: Mapping, misses: Misses, marks: Marks | None) -> Symmetries:
    """The simplest mapping that fits as well as this one, and how many such there are.

    Args:
        mapping: One that fits.
        misses: How many words a mapping leaves unexplained.
        marks: Marks of the first image; None where address lines cannot be permuted.

    Returns:
        The symmetries found by single swaps and inversions of lines whose marks are equal.
    """
    pairs = list(_candidates(marks)) if marks is not None else []
    mapping, least = _improve(mapping, misses, pairs)
    nearest: int | None = None
    equal: set[tuple[str, int, int]] = set()
    free: set[int] = set()
    for kind, one, other in pairs:
        for candidate in _variants(mapping, kind, one, other):
            more = misses(candidate) - least
            if more <= 0:
                equal.add((kind, one, other))
                if one == other:
                    free.add(one)
            elif nearest is None or more < nearest:
                nearest = more
    mapping = _descend(mapping, misses, least, sorted(equal))
    groups = _groups(equal)
    count = 2 ** len(free) * math.prod(math.factorial(len(group)) for group in groups)
    alike = tuple(tuple(f"{kind}{line}" for line in sorted(lines)) for kind, lines in _named(groups))
    return Symmetries(mapping, count - 1, tuple(sorted(free)), alike, nearest)


def _improve(mapping: Mapping, misses: Misses, pairs: list[tuple[str, int, int]]) -> tuple[Mapping, int]:
    """Near-ties that a few words tell apart: take whichever leaves fewer words unexplained."""
    least = misses(mapping)
    for _ in range(ROUNDS):
        if not least:
            break
        variants = [v for pair in pairs for v in _variants(mapping, *pair)]
        counted = min(((misses(v), number) for number, v in enumerate(variants)), default=(least, 0))
        if counted[0] >= least:
            break
        mapping, least = variants[counted[1]], counted[0]
    return mapping, least


def _candidates(marks: Marks) -> Iterator[tuple[str, int, int]]:
    """Lines whose marks are (nearly) equal: ("A", k, k) may be free, others may be swapped."""
    pair, triple = marks.of_pair, marks.of_triple
    n = pair.shape[-1]
    slack = 0.02
    for k in range(n):
        if (pair[1, :, k] > 1 - slack).all():
            yield "A", k, k
        for other in range(k + 1, n):
            close = np.abs(pair[..., k] - pair[..., other]).max() < slack
            if close and np.abs(triple[..., k] - triple[..., other]).max() < slack:
                yield "A", k, other
    alike = marks.of_two_data
    for k in range(alike.shape[0]):
        for other in range(k + 1, alike.shape[0]):
            if alike[k, other] > 1 - slack:
                yield "D", k, other


def _variants(mapping: Mapping, kind: str, one: int, other: int) -> Iterator[Mapping]:
    """The mapping with line `one` of the first inverted, or `one` and `other` swapped, inverted alike or not."""
    address = kind == "A"
    lines = list(mapping.address if address else mapping.data)
    inverted = mapping.invert_address if address else mapping.invert_data
    if one == other:
        yield replace(mapping, invert_address=_toggled(inverted, lines[one]))
        return
    lines[one], lines[other] = lines[other], lines[one]
    pair = (lines[one], lines[other])
    for flips in ((), pair[:1], pair[1:], pair):
        flipped = _toggled(inverted, *flips)
        if address:
            yield replace(mapping, address=tuple(lines), invert_address=flipped)
        else:
            yield replace(mapping, data=tuple(lines), invert_data=flipped)


def _toggled(lines: tuple[int, ...], *flips: int) -> tuple[int, ...]:
    return tuple(sorted(set(lines).symmetric_difference(flips)))


def _descend(mapping: Mapping, misses: Misses, least: int, equal: list[tuple[str, int, int]]) -> Mapping:
    """Take every swap or inversion that fits as well and is simpler, until there is none."""
    for _ in range(ROUNDS):
        for kind, one, other in equal:
            simpler = [
                candidate
                for candidate in _variants(mapping, kind, one, other)
                if candidate.simplicity() < mapping.simplicity() and misses(candidate) <= least
            ]
            if simpler:
                mapping = min(simpler, key=Mapping.simplicity)
                break
        else:
            break
    return mapping


def _groups(equal: set[tuple[str, int, int]]) -> list[set[tuple[str, int]]]:
    """Lines joined by swaps that change nothing."""
    groups: list[set[tuple[str, int]]] = []
    for kind, one, other in sorted(equal):
        if one == other:
            continue
        joined = {(kind, one), (kind, other)}
        apart = []
        for group in groups:
            if group & joined:
                joined |= group
            else:
                apart.append(group)
        groups = [*apart, joined]
    return groups


def _named(groups: list[set[tuple[str, int]]]) -> list[tuple[str, list[int]]]:
    return sorted((next(iter(group))[0], sorted(line for _, line in group)) for group in groups)

"""Where the passes of one chip differ, word for word, from the pass that most of them repeat."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.flow import Pass
from pipeline.words import Words


@dataclass(frozen=True)
class Disagreements:
    """Every word in which a pass differs from the reference, over all passes.

    Attributes:
        at: Addresses, shape (k,).
        reference: The word of the reference there.
        other: The word of the pass there.
        passes: Index of the pass, into `images`.
        base: The reference image.
        images: The other images.
        bits: Bits a word.
    """

    at: NDArray[np.int64]
    reference: Words
    other: Words
    passes: NDArray[np.int64]
    base: Words
    images: tuple[Words, ...]
    bits: int

    @cached_property
    def changed(self) -> Words:
        """The bits that differ."""
        return self.reference ^ self.other

    @cached_property
    def addresses(self) -> NDArray[np.int64]:
        """The distinct addresses."""
        return np.unique(self.at)

    @cached_property
    def stacked(self) -> Words:
        """The other images, shape (images, words)."""
        return np.stack(self.images)

    @property
    def count(self) -> int:
        """How many disagreeing words."""
        return int(self.at.size)

    def part(self, keep: NDArray[np.bool_]) -> Disagreements:
        """Some of the disagreements, against the same passes."""
        return Disagreements(
            self.at[keep],
            self.reference[keep],
            self.other[keep],
            self.passes[keep],
            self.base,
            self.images,
            self.bits,
        )


def gather(base: Pass, others: list[Pass], bits: int) -> Disagreements:
    """Compare each of the others with the base; words that a dump has not are left out."""
    at: list[NDArray[np.int64]] = []
    reference: list[Words] = []
    other: list[Words] = []
    number: list[NDArray[np.int64]] = []
    images: list[Words] = []
    for one in others:
        apart = base.words != one.words
        for present in (base.present, one.present):
            if present is not None:
                apart &= present
        where = np.flatnonzero(apart)
        if where.size:
            at.append(where)
            reference.append(base.words[where])
            other.append(one.words[where])
            number.append(np.full(where.size, len(images), dtype=np.int64))
            images.append(one.words)
    if not images:
        empty = np.zeros(0, dtype=np.int64)
        return Disagreements(empty, base.words[:0], base.words[:0], empty, base.words, (), bits)
    return Disagreements(
        np.concatenate(at),
        np.concatenate(reference),
        np.concatenate(other),
        np.concatenate(number),
        base.words,
        tuple(images),
        bits,
    )

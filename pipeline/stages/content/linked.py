"""Which chips change together at equal addresses and at no others: the statistic that finds wide words.

Chips that sit side by side hold parts of one word, so that their data columns go together. The columns of a
chip are made independent of one another first; what is left of two chips' correlations at equal addresses is
then held against the same sum at every cyclic shift, of which none may reach it.

Source: canonical correlations (Hotelling, Relations Between Two Sets of Variates, 1936): the sum of their
squares is the sum of squared correlations of two sets of columns of which each was made orthonormal. All
shifts at once by the correlation theorem. The limits were set on the lanes of 32-bit programs of one half of
the packages of `tests/content_accuracy`; the other half is the table's.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.runs import runs
from pipeline.words import Words

MOST_SAMPLED = 1024
"""Words looked at of each chip where there are more than eight; four times as many where there are fewer."""
CLEAR = 8.0
"""Spreads by which equal addresses must stand above the middle of all shifts."""
LEAD = 3.0
"""Spreads by which they must stand above every other shift."""
_WORTH_A_LOOK = 2.5
"""Spreads above a few wrong shifts from which all shifts are looked at."""
_LEAST_APART = 0.04
"""A column of which so little of its length is its own says nothing that the columns before it do not."""
_FEW_SHIFTS = 4
_WIDE, _SMALL, _COMMONEST = 8, 1024, 4
"""Chips of so many bits and more, and so many words at most, whose so many commonest words count as columns.

Of 4, 8 and 16 of them, of all products of two lines and of none, 4 found most on the setting half; nibbles,
of which each word is common, lost by it.
"""

Columns = NDArray[np.float32]
"""Shape (chips, columns, sampled words)."""


class Weighed(NamedTuple):
    """A pair of chips of a group: indices and how far it stands out from the level of wrong addresses."""

    first: int
    second: int
    score: float


def busy(words: Words) -> NDArray[np.bool_]:
    """False where a word lies in a run of four or more equal words: fills join everything with everything."""
    out = np.ones(len(words), dtype=bool)
    for start, last in runs(words[1:] == words[:-1], 3):
        out[start : last + 1] = False
    return out


def sampled(total: int, chips: int) -> NDArray[np.intp]:
    """The words that are looked at: all of a small chip, else blocks of 64 spread over it."""
    most = MOST_SAMPLED if chips > 8 else 4 * MOST_SAMPLED
    if total <= most:
        return np.arange(total)
    return (np.arange(most) % 64) + (np.arange(most) // 64) * (total // (most // 64))


def data_columns(words: Words, bits: int, at: NDArray[np.intp]) -> NDArray[np.float32]:
    """Shape (columns, sampled words): what one chip holds, centred, of length one, 0 in fills.

    Each data line; of small chips also where each of the commonest words stands. Few words tell little, and
    an instruction that recurs recurs in all lanes at once, which no single line shows so clearly.

    Args:
        words: Shape (n,), the image.
        bits: Bits a word.
        at: Which words, as `sampled` gives them.
    """
    live = busy(words)[at].astype(np.float32)
    lines = np.arange(bits, dtype=words.dtype)[:, None]
    out = (words[at][None, :] >> lines & words.dtype.type(1)).astype(np.float32)
    if bits >= _WIDE and len(words) <= _SMALL:
        found, often = np.unique(words[at][live > 0], return_counts=True)
        common = np.zeros(_COMMONEST, dtype=words.dtype)
        best = found[np.argsort(-often, kind="stable")[:_COMMONEST]]
        common[: len(best)] = best
        out = np.concatenate([out, (words[at][None, :] == common[:, None]).astype(np.float32)])
    # Sums of zeros and ones are exact in whatever order they are taken.
    out -= (out @ live / max(float(live.sum()), 1.0))[:, None]
    out *= live
    size = np.sqrt((out * out).sum(axis=1))
    out /= np.where(size > 0, size, np.float32(1))[:, None]
    return out


def independent(columns: Columns) -> Columns:
    """The same span of each chip as orthonormal columns; those that add nothing of their own are 0.

    Args:
        columns: Each of length one.
    """
    sizes, turns = np.linalg.eigh(columns @ columns.transpose(0, 2, 1))
    keep = sizes > _LEAST_APART
    scale = np.where(keep, 1 / np.sqrt(np.where(keep, sizes, 1)), 0)
    return np.asarray((turns * scale[:, None]).transpose(0, 2, 1) @ columns, dtype=np.float32)


class Together:
    """How far each two chips of a group go together, at equal addresses and at all others.

    Args:
        images: Of one organisation.
        bits: Bits a word.
    """

    def __init__(self, images: Sequence[Words], bits: int) -> None:
        self.at = sampled(len(images[0]), len(images))
        each = [data_columns(words, bits, self.at) for words in images]
        self.columns: Columns = independent(np.stack(each))
        self.chips, self.total = len(images), len(self.at)
        self.images = images
        self._spectra: dict[int, NDArray[np.complexfloating]] = {}
        self._lives: dict[int, NDArray[np.complexfloating]] = {}
        self._found: dict[tuple[int, int], NDArray[np.float64]] = {}
        self._rough, self._alike = self._above()

    def _above(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Shape (chips, chips), cheap and rough: how far equal addresses stand above a few wrong shifts.

        Once by the spreads of each pair about its own level, once by those of all pairs about that of the
        group.
        """
        flat = self.columns.reshape(-1, self.total)

        def level(shift: int) -> NDArray[np.float64]:
            # Of a product of an array with itself numpy works out one half.
            squared = flat @ (np.roll(flat, shift, axis=1) if shift else flat).T
            squared *= squared
            shape = self.chips, flat.shape[0] // self.chips
            return np.asarray(squared.reshape(*shape, *shape).sum(axis=(1, 3)), dtype=np.float64)

        # Many chips make many pairs, each with a level of its own: fewer shifts then do.
        few = max(_FEW_SHIFTS * 8 // self.chips, 1)
        shifts = [self.total * (n + 2) // (few + 4) | 1 for n in range(min(few, _FEW_SHIFTS))]
        wrong = np.stack([level(shift) for shift in shifts])
        wrong = np.concatenate([wrong, wrong.transpose(0, 2, 1)])
        middle = wrong.mean(axis=0)
        # The middle of n levels lies nearer to each of them than the true one, and farther from all others.
        n = len(wrong)
        spread = 1.4826 * float(np.median(np.abs(wrong - middle))) * ((n + 1) / (n - 1)) ** 0.5
        here, others = level(0), wrong[:, ~np.eye(self.chips, dtype=bool)]
        alike = (here - float(np.median(others))) / (float(others.std()) + 1e-9)
        return np.asarray((here - middle) / (spread + 1e-9)), np.asarray(alike)

    def _spectrum(self, chip: int) -> NDArray[np.complexfloating]:
        """Shape (bits, frequencies); of most chips of a board no pair is worth a look."""
        if chip not in self._spectra:
            self._spectra[chip] = np.fft.rfft(self.columns[chip], axis=1)
        return self._spectra[chip]

    def _live(self, chip: int) -> NDArray[np.complexfloating]:
        """Shape (frequencies,), of where the chip holds anything."""
        if chip not in self._lives:
            self._lives[chip] = np.fft.rfft(busy(self.images[chip])[self.at].astype(np.float32))
        return self._lives[chip]

    def profile(self, first: int, second: int) -> NDArray[np.float64]:
        """Shape (sampled words,): the sum of squared correlations with the second chip read so many words on.

        Where less of their contents lies over each other than at equal addresses the sum is raised by that
        share, at most twofold: chips that are empty from the same address on would else stand out at equal
        addresses.
        """
        if (first, second) not in self._found:
            crossed = np.conj(self._spectrum(first))[:, None, :] * self._spectrum(second)[None, :, :]
            each = np.fft.irfft(crossed.reshape(-1, crossed.shape[2]), n=self.total, axis=1)
            over = np.fft.irfft(np.conj(self._live(first)) * self._live(second), n=self.total)
            scale = float(over[0]) / np.maximum(over, max(float(over[0]) / 2, 1.0))
            each *= each
            self._found[first, second] = each.sum(axis=0) * scale
        return self._found[first, second]

    def profile_of(self, columns: NDArray[np.float32], others: Sequence[int]) -> NDArray[np.float64]:
        """Shape (sampled words,): the same for columns of no chip as read, with several chips at once.

        Args:
            columns: Shape (bits, sampled words), made independent.
            others: Chips of the group.
        """
        spectrum = np.conj(np.fft.rfft(columns, axis=1))[:, None, :]
        total = np.zeros(self.total)
        for other in others:
            crossed = spectrum * self._spectrum(other)[None, :, :]
            each = np.fft.irfft(crossed.reshape(-1, crossed.shape[2]), n=self.total, axis=1)
            total += (each * each).sum(axis=0)
        return total

    def score(self, some: Sequence[int], others: Sequence[int], lead: float = LEAD) -> float:
        """Spreads by which two sets of chips go together at equal addresses; 0 where they do not.

        The spread is that of the middle: 1.4826 times the median distance (Rousseeuw and Croux 1993).
        """
        pairs = [(one, other) for one in some for other in others]
        if sum(float(self._rough[pair]) for pair in pairs) < _WORTH_A_LOOK * len(pairs) ** 0.5:
            return 0.0
        return standing_out(np.sum([self.profile(*pair) for pair in pairs], axis=0), lead)

    def links(self, least: float = CLEAR, lead: float = LEAD) -> list[Weighed]:
        """All pairs that go together by so many spreads, the clearest first."""
        looked_at = np.argwhere(np.triu(self._rough >= _WORTH_A_LOOK, 1)).tolist()
        found = [Weighed(one, other, self.score([one], [other], lead)) for one, other in looked_at]
        return sorted((pair for pair in found if pair.score >= least), key=lambda pair: -pair.score)

    def alike(self) -> list[Weighed]:
        """Pairs that go together far above the level of the group, at whatever addresses, the clearest first.

        Two texts do, partners or not: only what they read like together can tell.
        """
        found = np.argwhere(np.triu(self._alike, 1) > CLEAR).tolist()
        pairs = [Weighed(one, other, float(self._alike[one, other])) for one, other in found]
        return sorted(pairs, key=lambda pair: -pair.score)


def standing_out(profile: NDArray[np.float64], lead: float | None = LEAD) -> float:
    """Spreads by which the first place of a profile stands above the rest; 0 where another comes near.

    How near the others may come is not asked with a lead of None.

    Two texts, or two tables, at the same addresses go together at equal addresses and at all near by. Odd and
    even bytes go together at the next address too, in one direction, so that of those two places the lower
    counts.
    """
    rest = profile[1:]
    if len(rest) < 2 * _FEW_SHIFTS:
        return 0.0
    middle = _median(rest)
    spread = max(1.4826 * _median(np.abs(rest - middle)), 1e-12)
    above = float((profile[0] - middle) / spread)
    if lead is None:
        return above
    highest = max(float(rest[1:-1].max()), min(float(rest[0]), float(rest[-1])))
    return above if profile[0] > highest + lead * spread else 0.0


def _median(values: NDArray[np.floating]) -> float:
    """The median of two values or more, none of them NaN; `np.median` takes five times as long on so few."""
    half = len(values) // 2
    ranked = np.partition(values, (half - 1, half))
    return float(ranked[half] if len(values) % 2 else ranked[half - 1 : half + 1].mean())


def sets_of(together: Together, links: Sequence[Weighed]) -> list[list[int]]:
    """Chips that go together, each in one set at most: those linked, and those that go with a set as a whole.

    A member whose columns follow those of no single other one far enough may still go with all of them
    together.

    Args:
        together: Of the group.
        links: Pairs that count as linked.

    Returns:
        Sets of two and more, members in the group's order.
    """
    groups = _components(together.chips, links)
    while any(len(group) > 1 for group in groups):
        score, first, second = max(
            (
                (together.score(one, other), number, later)
                for (number, one), (later, other) in combinations(enumerate(groups), 2)
                if len(one) > 1 or len(other) > 1
            ),
            default=(0.0, 0, 0),
        )
        if score < CLEAR:
            break
        groups[first] = sorted(groups[first] + groups.pop(second))
    return [group for group in groups if len(group) > 1]


def _components(count: int, links: Sequence[Weighed]) -> list[list[int]]:
    root = list(range(count))

    def top(index: int) -> int:
        while root[index] != index:
            index = root[index]
        return index

    for pair in links:
        root[max(top(pair.first), top(pair.second))] = min(top(pair.first), top(pair.second))
    sets: dict[int, list[int]] = {}
    for index in range(count):
        sets.setdefault(top(index), []).append(index)
    return list(sets.values())

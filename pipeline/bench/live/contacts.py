"""Which contacts come and go: what whole passes, and lines read once more, say against each other.

The reference is the latest pass. Columns of noise are left out first, since noise is in everything; what
disagrees in the others is given to lines (`attribution`). An earlier pass is compared as it would have been
with the lines dead that are dead now.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.live.attribution import Contacts, Held, attribute, made_by
from pipeline.flow import Pass
from pipeline.stages.examine.disagreements import gather
from pipeline.words import Words

LEAST_COMPARED = 48
"""Words read twice from which a column counts as looked at: noise is alike in so many once in 2^48."""
MANY = 3.0
"""What is read again lies in a few stretches: how many times more may differ over the whole pass."""
MOST_DEAD = 4
"""With more dead lines an earlier pass is compared as it is."""
SURELY = 7.0
"""Where none of n words differs, fewer than 7/n of all do, but for one case in a thousand (Poisson)."""
SIGMAS = 4.5
"""Noise against anything differs in half of the words, give or take so many standard deviations."""


class PassRead(NamedTuple):
    """A whole pass as it came.

    Attributes:
        number: As the reader counts.
        words: Every word, address 0 first.
        again: Address and words of stretches that were read once more in the same pass.
    """

    number: int
    words: Words
    again: tuple[tuple[int, Words], ...] = ()

    @property
    def read_again(self) -> int:
        """Words that were read twice."""
        return sum(int(words.size) for _, words in self.again)


Still = Callable[[Words], tuple[frozenset[int], frozenset[int]]]
"""The dead address lines of an image, and the joined ones."""


def compare(passes: Sequence[PassRead], bits: int, floating: frozenset[int], still: Still) -> Contacts:
    """What the latest of some passes of one sitting shows against itself and against those before.

    Args:
        passes: Oldest first, all taken since the power came on; at least one.
        bits: Bits a word.
        floating: Data lines that are noise.
        still: Tells address lines that are dead or joined.
    """
    data: dict[str, int] = {}
    within: set[str] = set()
    left_out = set(floating)
    # first what the latest pass says against itself: earlier ones may be of other wires
    for earlier in (False, True):
        while True:
            found = _in_columns(passes if earlier else passes[-1:], bits, frozenset(left_out), still)
            columns = {line: level for line, level in found.loose.items() if line.startswith("D")}
            data |= columns
            within |= found.within
            left_out |= {int(line[1:]) for line in columns}
            # with the column of a loose data line left out, what else came and went in the same words shows
            if not columns or len(left_out) == bits:
                break
    found.loose |= data
    found.within |= within
    return found


def _in_columns(passes: Sequence[PassRead], bits: int, left_out: frozenset[int], still: Still) -> Contacts:
    """The same in all columns but some."""
    latest, before = passes[-1], passes[:-1]
    keep = ~sum(1 << line for line in left_out) & ((1 << bits) - 1)
    # a column of one level has opened for good, if it ever was another
    keep &= int(np.bitwise_or.reduce(latest.words)) & ~int(np.bitwise_and.reduce(latest.words))
    base = _as_pass(latest.words & latest.words.dtype.type(keep), None)
    dead, joined = still(base.words)
    most, held = 1.0, []
    if latest.again:
        now = gather(base, [_masked(one, keep) for one in _stretches(latest)], bits)
        most = at_most(now.count, latest.read_again)
        held.append(Held(now, latest.read_again, made_by(now, bits, dead | joined), own=True))
    for one in before:
        earlier = _as_wired_now(_masked(_as_pass(one.words, None), keep), base, dead)
        then = gather(base, [earlier], bits)
        # what differs more than the latest pass from itself is of other wires
        if then.count <= MANY * most * base.words.size:
            held.append(Held(then, int(base.words.size), made_by(then, bits, dead | joined)))
    return attribute(held)


def _as_wired_now(earlier: Pass, latest: Pass, dead: frozenset[int]) -> Pass:
    """An earlier pass as it would have been with the lines dead that are dead now.

    A contact may have opened between the two. Of all levels those count that bring the passes closest.
    """
    at = np.arange(earlier.words.size)
    rest = at & ~sum(1 << line for line in dead)
    forced = (
        earlier.words[rest | sum(level << line for level, line in zip(levels, sorted(dead), strict=True))]
        for levels in product((0, 1), repeat=min(len(dead), MOST_DEAD))
        if len(dead) <= MOST_DEAD
    )
    closest = min(
        forced, key=lambda words: int(np.count_nonzero(words != latest.words)), default=earlier.words
    )
    return _as_pass(closest, None)


def at_most(differing: int, compared: int) -> float:
    """The largest share of words that may differ from themselves, where so many did of those looked at.

    Source: Poisson; `SURELY` and three standard deviations.
    """
    return min(1.0, float(differing + 3.0 * math.sqrt(differing) + SURELY) / max(1, compared))


def _as_pass(words: Words, present: NDArray[np.bool_] | None) -> Pass:
    return Pass("watched", "watched", "watched", 1, words, present)


def _masked(one: Pass, keep: int) -> Pass:
    return _as_pass(one.words & one.words.dtype.type(keep), one.present)


def _stretches(one: PassRead) -> list[Pass]:
    """Each time that a stretch was read again, as a pass: what was not read again stands in it as it was."""
    turns: list[tuple[Words, NDArray[np.bool_]]] = []
    for address, words in one.again:
        there = slice(address, address + int(words.size))
        turn = next((each for each in turns if not each[1][there].any()), None)
        if turn is None:
            turn = (one.words.copy(), np.zeros(one.words.size, dtype=np.bool_))
            turns.append(turn)
        turn[0][there], turn[1][there] = words, True
    return [_as_pass(words, present) for words, present in turns]


def floating_lines(passes: Sequence[PassRead], bits: int) -> frozenset[int]:
    """Data lines that differ in half of the words, whatever they are held against: all zeros, too.

    A loose contact differs in nearly half of them where its column has one level nearly throughout.
    """
    latest, again, before = passes[-1].words, _stretches(passes[-1]), passes[:-1]
    now = [(latest[one.present] ^ one.words[one.present]) for one in again if one.present is not None]
    then = [latest ^ before[-1].words] if before else []
    found = set(range(bits))
    looked = False
    for group in (now, then, [latest]):
        size = sum(int(one.size) for one in group)
        if size < LEAST_COMPARED:
            continue
        looked = looked or group[0] is not latest
        wide = SIGMAS * (0.25 / size) ** 0.5 + 0.01
        found &= {
            line
            for line in range(bits)
            if abs(sum(_ones(one, line) for one in group) / size - 0.5) <= min(wide, 0.3)
        }
    return frozenset(found) if looked else frozenset()


def _ones(words: Words, line: int) -> int:
    return int(np.count_nonzero(words & words.dtype.type(1 << line)))

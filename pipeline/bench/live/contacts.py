"""Which contacts come and go: what whole passes, and lines read once more, say against each other.

The reference is the latest pass. Columns of noise are told first, since noise is in everything; what is left
is given to single lines, the one that explains most first. What no line explains by itself leaves every line
that might have made it in doubt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.flow import Pass
from pipeline.stages.examine.contacts import across, of_neighbour, only_in_column
from pipeline.stages.examine.disagreements import Disagreements, gather
from pipeline.words import Words

LEAST_COMPARED = 48
"""Words read twice from which a column counts as looked at: noise is alike in so many once in 2^48."""
BEYOND = 0.25
"""Share of a line's hits that must go beyond what content alike across it would explain by itself."""
MANY = 3.0
"""What is read again lies in a few stretches: how many times more may differ over the whole pass."""
FEW = 0.02
"""Share of words that a pass may differ in, beyond what lines explain, and still be of the same wires."""
SURELY = 7.0
"""Where none of n words differs, fewer than 7/n of all do, but for one case in a thousand (Poisson)."""
SIGMAS = 4.5
"""Noise against anything differs in half of the words, give or take so many standard deviations."""
LEAST_HITS = 3
"""Fewer disagreements than this name a line only where no other line could have made them."""
ADDRESS_SHARE, DATA_SHARE = 0.4, 0.25
"""Share of what is left that a line must explain: a neighbour's word is often like a stranger's, a single
wrong bit is seldom anything but its column's. Chosen by us, held by the random histories of the tests.
"""


@dataclass(frozen=True, slots=True)
class PassRead:
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


@dataclass(slots=True)
class Contacts:
    """What comparing shows.

    Attributes:
        floating: Data lines that are noise.
        loose: Lines that came and went, with the level that an address line falls to.
        doubtful: Lines that may have made a disagreement that nobody else explains alone.
        compared: Words looked at twice since the wires are as they are.
        differing: Of these, words that differed.
        unexplained: Of these, words that no line explains.
        same_as_before: Whether the latest pass is the pass before, word for word.
    """

    floating: set[int] = field(default_factory=set)
    loose: dict[str, int] = field(default_factory=dict)
    doubtful: set[str] = field(default_factory=set)
    compared: int = 0
    differing: int = 0
    unexplained: int = 0
    same_as_before: bool = False


def compare(
    passes: Sequence[PassRead], bits: int, floating: frozenset[int], still: frozenset[str]
) -> Contacts:
    """What the latest of some passes of one sitting shows against itself and against those before.

    Args:
        passes: Oldest first, all taken since the power came on; at least one.
        bits: Bits a word.
        floating: Data lines that are noise.
        still: Address lines that are dead or joined in the latest pass: across them a word is its neighbour's
            anyway, so that only an earlier pass tells what came and went.
    """
    latest, before = passes[-1], passes[:-1]
    found = Contacts(floating=set(floating))
    again = _stretches(latest)
    earlier = [_as_pass(one.words, None) for one in before]
    found.same_as_before = bool(before) and bool(np.array_equal(before[-1].words, latest.words))
    keep = ~sum(1 << line for line in floating) & ((1 << bits) - 1)
    base = _as_pass(latest.words & latest.words.dtype.type(keep), None)
    most, held = 1.0, []
    if again:
        now = gather(base, [_masked(one, keep) for one in again], bits)
        most = at_most(now.count, latest.read_again)
        held.append(_Held(now, latest.read_again, _made_by(now, bits, still), own=True))
    for one in earlier:
        then = gather(base, [_masked(one, keep)], bits)
        # what differs more than the latest pass from itself is of other wires
        if then.count <= MANY * most * base.words.size:
            held.append(_Held(then, int(base.words.size), _made_by(then, bits, still)))
    _attribute(held, found, still)
    return found


@dataclass(frozen=True, slots=True)
class _Held:
    """One comparison: what disagrees, of how many words, and which lines could have made each of it.

    `own` where the latest pass is held against what was read again in it: that is of the same wires always.
    """

    seen: Disagreements
    compared: int
    made: dict[str, NDArray[np.bool_]]
    own: bool = False


def _attribute(held: list[_Held], found: Contacts, still: frozenset[str]) -> None:
    """Lines first, from every comparison; then what none of these explains."""
    for one in held:
        _greedy(one, found)
    for one in held:
        left = np.ones(one.seen.count, dtype=np.bool_)
        for line in {*found.loose, *still}:
            left &= ~one.made.get(line, np.zeros_like(left))
        if left.any():
            _doubt(found, one, left)
        # beyond a few words it is of other wires, whatever the lines explain
        if one.own or int(left.sum()) <= FEW * one.compared:
            found.compared += one.compared
            found.differing += one.seen.count
            found.unexplained += int(left.sum())


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
    """Each time that a stretch was read again, as a pass that has no other words."""
    turns: list[tuple[Words, NDArray[np.bool_]]] = []
    for address, words in one.again:
        there = slice(address, address + int(words.size))
        turn = next((each for each in turns if not each[1][there].any()), None)
        if turn is None:
            turn = (np.zeros_like(one.words), np.zeros(one.words.size, dtype=np.bool_))
            turns.append(turn)
        turn[0][there], turn[1][there] = words, True
    return [_as_pass(words, present) for words, present in turns]


def floating_lines(passes: Sequence[PassRead], bits: int) -> frozenset[int]:
    """Data lines that differ in half of the words, whatever they are held against."""
    latest, again, before = passes[-1].words, _stretches(passes[-1]), passes[:-1]
    now = [(latest[one.present] ^ one.words[one.present]) for one in again if one.present is not None]
    then = [latest ^ before[-1].words] if before else []
    found = set(range(bits))
    looked = False
    for group in (now, then):
        size = sum(int(one.size) for one in group)
        if size < LEAST_COMPARED:
            continue
        looked = True
        wide = SIGMAS * (0.25 / size) ** 0.5 + 0.01
        found &= {
            line
            for line in range(bits)
            if abs(sum(_ones(one, line) for one in group) / size - 0.5) <= min(wide, 0.3)
        }
    return frozenset(found) if looked else frozenset()


def _ones(words: Words, line: int) -> int:
    return int(np.count_nonzero(words & words.dtype.type(1 << line)))


def _greedy(one: _Held, found: Contacts) -> None:
    """Give disagreements to lines, the one that explains most first."""
    seen, made = one.seen, one.made
    left, anyway = np.ones(seen.count, dtype=np.bool_), _alike_anyway(seen)
    while left.any():
        open_ = int(left.sum())
        hits = {line: int((left & by).sum()) for line, by in made.items()}
        # beyond what content that is alike across a line would explain by itself
        beyond = {line: count - anyway.get(line, 0.0) * open_ for line, count in hits.items()}
        line = max(beyond, key=lambda each: beyond[each])
        share = ADDRESS_SHARE if line.startswith("A") else DATA_SHARE
        if hits[line] < LEAST_HITS or hits[line] < share * open_ or beyond[line] < BEYOND * hits[line]:
            return
        _loose(found, seen, line, left & made[line])
        left &= ~made[line]


def _made_by(seen: Disagreements, bits: int, still: frozenset[str]) -> dict[str, NDArray[np.bool_]]:
    """Which disagreements each line could have made by itself, data lines first."""
    if not seen.count:
        return {}
    made = {f"D{line}": only_in_column(seen, line) for line in range(bits)}
    for line in range((int(seen.base.size) - 1).bit_length()):
        made[f"A{line}"] = _by_address(seen, line, still=f"A{line}" in still)
    return made


def _by_address(seen: Disagreements, line: int, *, still: bool) -> NDArray[np.bool_]:
    """Either word is the neighbour's, as either pass has it; the latest may be the one that went wrong."""
    beside, inside = across(seen, line)
    if still:
        return np.asarray(inside & (seen.reference == seen.stacked[seen.passes, beside]))
    return np.asarray(of_neighbour(seen, line)[1] | (inside & (seen.reference == seen.base[beside])))


def _alike_anyway(seen: Disagreements) -> dict[str, float]:
    """How often the latest pass has the same word on both sides of each address line."""
    shares = {}
    for line in range((int(seen.base.size) - 1).bit_length()):
        if seen.base.size % (2 << line) == 0:
            pairs = seen.base.reshape(-1, 2, 1 << line)
            shares[f"A{line}"] = float((pairs[:, 0] == pairs[:, 1]).mean())
    return shares


def _loose(found: Contacts, seen: Disagreements, line: str, by: NDArray[np.bool_]) -> None:
    level = 0
    if line.startswith("A"):
        # where the line is asked for the level that it falls to, every word is right
        asked = seen.at[by] >> int(line[1:]) & 1
        level = int(2 * int(asked.sum()) < asked.size)
    found.loose[line] = level


def _doubt(found: Contacts, one: _Held, left: NDArray[np.bool_]) -> None:
    """A few words apart: the one line that explains them all, else every line that explains one of them."""
    alone = [line for line, by in one.made.items() if by[left].all()]
    if len(alone) == 1:
        _loose(found, one.seen, alone[0], left & one.made[alone[0]])
        left[:] = False
    elif one.own or int(left.sum()) <= FEW * one.compared:
        for each in np.flatnonzero(left):
            could = [line for line, by in one.made.items() if by[each]]
            found.doubtful.update(could or one.made)

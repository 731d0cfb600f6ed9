"""Which lines made what disagrees: the one that explains all of it, else the one that explains most first.

A loose data line spoils one column. A loose address line gives the word of the address across it, and it
falls to one level: the words that it spoils lie where it is asked for the other. What more than one line
explains as well leaves those in doubt, and no other.

Source: these follow from the definitions; the limits are chosen by us, held by the random histories of the
tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.examine.contacts import across, of_neighbour, only_in_column
from pipeline.stages.examine.disagreements import Disagreements

BEYOND = 0.25
"""Share of a line's hits that must go beyond what content alike across it would explain by itself."""
FEW = 0.02
"""Share of words that a pass may differ in, beyond what lines explain, and still be of the same wires."""
LEAST_HITS = 3
"""Fewer disagreements than this name a line only where no other line could have made them."""
ADDRESS_SHARE, DATA_SHARE = 0.4, 0.25
"""Share of what is left that a line must explain: a neighbour's word is often like a stranger's, a single
wrong bit is seldom anything but its column's.
"""
STILL = 0.9
"""Share of words alike across a line from which it may be one that does nothing."""
LEAST_SPOILED = 7
"""Disagreements of which the latest pass made all with probability 1/2^7 or less."""
SURER = math.log(1000)
"""Of two lines that explain everything, one is named where it is a thousand times likelier."""


@dataclass(slots=True)
class Contacts:
    """What comparing shows.

    Attributes:
        loose: Lines that came and went, with the level that an address line falls to.
        within: Of these, those that made a word of the latest pass differ from itself.
        doubtful: Lines that may have made a disagreement that nobody else explains alone.
        compared: Words looked at twice since the wires are as they are.
        differing: Of these, words that differed.
        unexplained: Of these, words that no line explains for certain.
    """

    loose: dict[str, int] = field(default_factory=dict)
    within: set[str] = field(default_factory=set)
    doubtful: set[str] = field(default_factory=set)
    compared: int = 0
    differing: int = 0
    unexplained: int = 0


class Held(NamedTuple):
    """One comparison: what disagrees, of how many words, and which lines could have made each of it.

    `own` where the latest pass is held against what was read again in it: that is of the same wires always.
    """

    seen: Disagreements
    compared: int
    made: dict[str, NDArray[np.bool_]]
    own: bool = False


def made_by(seen: Disagreements, bits: int, still: frozenset[int]) -> dict[str, NDArray[np.bool_]]:
    """Which disagreements each line could have made by itself, data lines first.

    Args:
        seen: Words that disagree.
        bits: Bits a word.
        still: Address lines that are dead or joined: across them a word is its neighbour's anyway.
    """
    if not seen.count:
        return {}
    made = {f"D{line}": only_in_column(seen, line) for line in range(bits)}
    for line in range((int(seen.base.size) - 1).bit_length()):
        if line not in still:
            beside, inside = across(seen, line)
            # either word is the neighbour's, as either pass has it: the latest may be the one that went wrong
            wrong = inside & (seen.reference == seen.base[beside])
            made[f"A{line}"] = np.asarray(of_neighbour(seen, line)[1] | wrong)
    return made


def attribute(held: Sequence[Held]) -> Contacts:
    """Lines to which the disagreements of some comparisons belong.

    One line that explains everything comes first: two contacts are seldom loose at once. Earlier passes may
    be of other wires, so that the latest one by itself is asked next.
    """
    found = Contacts()
    apart = [one for one in held if one.seen.count]
    if not _one_line(apart, found) and not _one_line([one for one in apart if one.own], found):
        for one in apart:
            _greedy(one, found)
    for one in held:
        left = _left(one, found.loose)
        unexplained = int(left.sum())
        left &= _left(one, found.doubtful)
        if left.any():
            _doubt(found, one, left)
        # beyond a few words it is of other wires, whatever the lines explain
        if one.own or int(left.sum()) <= FEW * one.compared:
            found.compared += one.compared
            found.differing += one.seen.count
            found.unexplained += unexplained
    return found


def _left(one: Held, lines: Sequence[str] | set[str] | dict[str, int]) -> NDArray[np.bool_]:
    left = np.ones(one.seen.count, dtype=np.bool_)
    for line in lines:
        left &= ~one.made.get(line, np.zeros_like(left))
    return left


# -- one line that explains everything -----------------------------------------------------------------------


def _one_line(apart: Sequence[Held], found: Contacts) -> bool:
    """Name it, or those of which it is one; False where no line explains everything."""
    if not apart:
        return False
    could = [
        line for line in apart[0].made if all(line in one.made and one.made[line].all() for one in apart)
    ]
    for likelier in (_at_one_level, _spoils_itself):
        could = [line for line in could if likelier(apart, line)] or could
    gains = {line: sum(_gain(one, line) for one in apart) for line in could}
    best = max(gains, key=lambda line: gains[line], default="")
    near = [line for line in gains if gains[line] > gains[best] - SURER]
    if len(near) == 1:
        _loose(found, apart, best)
    found.doubtful |= set(near if len(near) > 1 else ())
    return bool(could)


def _at_one_level(apart: Sequence[Held], line: str) -> bool:
    return (
        line.startswith("D")
        or len({int(at) for one in apart for at in one.seen.at >> int(line[1:]) & 1}) == 1
    )


def _spoils_itself(apart: Sequence[Held], line: str) -> bool:
    """Whether a word read otherwise is ever the neighbour's: across a line that does nothing it never is."""
    if line.startswith("D") or sum(one.seen.count for one in apart) < LEAST_SPOILED:
        return True
    return any(
        bool((one.seen.other == one.seen.base[across(one.seen, int(line[1:]))[0]]).any()) for one in apart
    )


def _gain(one: Held, line: str) -> float:
    """How much likelier the disagreements are by this line than by any other, as a logarithm."""
    if line.startswith("D"):
        return one.seen.count * math.log(one.seen.bits)
    return float(-np.log(np.maximum(1e-3, _by_chance(one.seen, int(line[1:])))).sum())


def _by_chance(seen: Disagreements, line: int) -> NDArray[np.float64]:
    """How likely each disagreement looks like this address line's though another made it. Shape (k,).

    Either the word that it would have spoiled is just what stands across the line, or the passes have the
    same word on both sides; fill lies beside fill, so that it is counted by itself.
    """
    values, counts = np.unique(seen.base, return_counts=True)
    fill = values[int(counts.argmax())]
    beside = seen.base[across(seen, line)[0]]
    came = seen.other == beside
    spoiled = np.where(came, seen.other, seen.reference)
    place = np.minimum(np.searchsorted(values, spoiled), values.size - 1)
    common = np.where(values[place] == spoiled, counts[place], 0) / seen.base.size
    told, blank = _alike(seen, line, int(fill))
    # A word that is just what stands across the line is not one that is the same on both sides. Across a line
    # that does nothing stands the word itself, whoever spoiled it here.
    same = np.where(came, told if told > STILL else 0.0, np.where(seen.reference == fill, blank, told))
    return np.asarray(1.0 - (1.0 - common) * (1.0 - same))


def _alike(seen: Disagreements, line: int, fill: int) -> tuple[float, float]:
    """Which share of words is the same across a line: of words that tell, and of fill.

    A line that opens or comes and goes makes words alike; those that differ in any pass are not.
    """
    at = np.arange(seen.base.size)
    at = at[(at ^ 1 << line) < seen.base.size]
    alike = blank = np.ones(at.size, dtype=np.bool_)
    for words in (seen.base, *seen.images):
        alike = alike & (words[at] == words[at ^ 1 << line])
        blank = blank & (words[at] == fill)
    told, still = (float(alike[which].mean()) if which.any() else 0.0 for which in (~blank, blank))
    return told, still


# -- more than one -------------------------------------------------------------------------------------------


def _greedy(one: Held, found: Contacts) -> None:
    """Give disagreements to lines, the one that explains most first."""
    made, left = one.made, np.ones(one.seen.count, dtype=np.bool_)
    anyway = {line: _by_chance(one.seen, int(line[1:])) for line in made if line.startswith("A")}
    while left.any():
        open_ = int(left.sum())
        hits = {line: int((left & by).sum()) for line, by in made.items()}
        # beyond what content that is alike across a line would explain by itself
        by_chance = {line: float(chances[left].sum()) for line, chances in anyway.items()}
        beyond = {line: count - by_chance.get(line, 0.0) for line, count in hits.items()}
        line = max(beyond, key=lambda each: beyond[each])
        share = ADDRESS_SHARE if line.startswith("A") else DATA_SHARE
        if hits[line] < LEAST_HITS or hits[line] < share * open_ or beyond[line] < BEYOND * hits[line]:
            return
        _loose(found, [one], line)
        left &= ~made[line]


def _loose(found: Contacts, apart: Sequence[Held], line: str) -> None:
    level = 0
    if any(one.own and one.made[line].any() for one in apart):
        found.within.add(line)
    if line.startswith("A"):
        # where the line is asked for the level that it falls to, every word is right
        asked = np.concatenate([one.seen.at[one.made[line]] for one in apart]) >> int(line[1:]) & 1
        level = int(2 * int(asked.sum()) < asked.size)
    found.loose[line] = level


def _doubt(found: Contacts, one: Held, left: NDArray[np.bool_]) -> None:
    """A few words apart: every line that explains one of them; all lines where none does."""
    if one.own or int(left.sum()) <= FEW * one.compared:
        for each in np.flatnonzero(left):
            could = [line for line, by in one.made.items() if by[each]]
            found.doubtful.update(could or one.made)

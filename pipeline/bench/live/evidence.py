"""From passes to states of lines, by the detectors that examining has, held to a stricter rule.

1. What passes and lines read again say against each other comes first: noise, loose contacts (`contacts`).
2. A data line is alive where both levels were seen, the line was read twice alike, and no other column equals
   it; stuck where it has one level; joined where another column is the same.
3. Address lines are looked at in those data lines alone that are sound, and where a loose address line is at
   the level it falls to. A line is alive where words that are no fill differ across it far more often than
   words differ from themselves when they are read twice, and where three words tell it from each other line.
4. It is dead, or joined, where the detectors of `stages/examine` say so beyond doubt and nothing speaks
   against it. Whatever is left is not yet shown.

Source: 2 and 3 follow from the definitions; the limits are chosen by us, held by the random histories of the
tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from pipeline.bench.live.attribution import Contacts
from pipeline.bench.live.contacts import LEAST_COMPARED, PassRead, at_most, compare, floating_lines
from pipeline.bench.live.lines import ALIVE, NOT_YET, LineState, Shown, names
from pipeline.stages.examine.address_lines import address_line_findings
from pipeline.stages.examine.census import Census, take
from pipeline.stages.examine.data_lines import data_line_findings, stuck_columns
from pipeline.stages.examine.odds import BEYOND_DOUBT
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code

LEAST_PAIRS = 8
"""Pairs of words, no fill among them, that show an address line; fewer are chance."""
LEAST_SHARE = 0.1
"""Share of such pairs that must differ, where hardly a word differs from itself."""
MOST_BASES = 1024
"""Addresses at which two lines are told from each other, spread evenly over the words that are no fill."""


def judge_lines(
    passes: Sequence[PassRead], bits: int, trusted: Words | None = None
) -> tuple[dict[str, LineState], Contacts]:
    """The state of every line after the latest pass.

    Args:
        passes: Whole passes since the power came on, oldest first, three at most; at least one.
        bits: Bits a word.
        trusted: A reading of this very chip that is known to be right, where there is one.

    Returns:
        States by line, and what the passes show of contacts.
    """
    words = passes[-1].words
    floating = floating_lines(passes, bits)
    found = compare(passes, bits, floating, lambda image: _still(image, bits))
    states: dict[str, LineState] = dict.fromkeys(names((words.size - 1).bit_length(), bits), NOT_YET)
    if trusted is not None and np.array_equal(words, trusted):
        found.compared += int(words.size)
    data = _data_states(words, bits, floating, found)
    states.update(data)
    steady = [line for line in data if line not in found.loose]
    usable = sum(1 << int(line[1:]) for line in steady if data[line].state in (Shown.ALIVE, Shown.JOINED))
    if usable:
        states.update(_address_states(words, usable, bits, found))
    for line in found.loose:
        if states[line].state in (Shown.ALIVE, Shown.NOT_SHOWN):
            states[line] = LineState(Shown.INTERMITTENT)
    for line in found.doubtful:
        if states[line] is ALIVE:
            states[line] = NOT_YET
    if trusted is not None:
        states.update(dict.fromkeys(_not_exercised(trusted, words, bits, states), NOT_YET))
    return states, found


def _still(image: Words, bits: int) -> tuple[frozenset[int], frozenset[int]]:
    """Dead address lines of an image, and joined ones."""
    states = _dead_or_joined(take(image, bits), spoiled=True)
    dead, joined = (
        frozenset(int(line[1:]) for line, one in states.items() if one.state is wanted)
        for wanted in (Shown.DEAD, Shown.JOINED)
    )
    return dead, joined


def _data_states(words: Words, bits: int, floating: frozenset[int], found: Contacts) -> dict[str, LineState]:
    columns = take(words, bits).columns
    stuck = stuck_columns(columns)
    # noise makes words differ that are one, so that chance would count for less than it does
    noise = sum(1 << line for line in floating)
    joined = _joined_columns(take(words & words.dtype.type(~noise & ((1 << bits) - 1)), bits))
    states: dict[str, LineState] = {}
    for line in range(bits):
        name = f"D{line}"
        alike = [k for k in range(bits) if k != line and k not in stuck and not columns.apart[line, k]]
        if line in stuck:
            states[name] = LineState(Shown.STUCK, level=int(columns.ones[line] > 0))
        elif alike:
            others = tuple(f"D{k}" for k in alike if f"D{k}" in joined.get(name, ()))
            states[name] = LineState(Shown.JOINED, others=others) if others else NOT_YET
        elif line in floating:
            states[name] = LineState(Shown.FLOATING)
        else:
            states[name] = ALIVE if found.compared >= LEAST_COMPARED else NOT_YET
    return states


def _joined_columns(census: Census) -> dict[str, set[str]]:
    """For each data line those that are one with it beyond doubt: few words are alike by chance."""
    joined: dict[str, set[str]] = {}
    for one in data_line_findings(census):
        if one.code is Code.DATA_LINES_JOINED and float(one.evidence["p_value"]) <= BEYOND_DOUBT:
            for line in one.lines:
                joined.setdefault(line, set()).update(each for each in one.lines if each != line)
    return joined


def _address_states(words: Words, usable: int, bits: int, found: Contacts) -> dict[str, LineState]:
    whole = take(words & words.dtype.type(usable), bits)
    spoiled = found.unexplained > 0 or bool(found.doubtful)
    states = _dead_or_joined(whole, spoiled=spoiled)
    loose = {int(line[1:]): level for line, level in found.loose.items() if line[0] == "A"}
    loose = {line: level for line, level in loose.items() if f"A{line}" not in states}
    census = _steady(whole, loose) if loose else whole
    if len(census.names) < 2 or census.columns.distinct < 2:
        return states
    if loose:
        states |= _dead_or_joined(census, spoiled=spoiled)
    if found.compared >= LEAST_COMPARED:
        quiet = frozenset(int(line[1:]) for line, one in states.items() if one.state is Shown.DEAD)
        worst = at_most(found.unexplained, found.compared)
        proved = _alive(census, quiet, worst)
        if loose:
            proved = _told_from_loose(whole, loose, proved, at_most(found.differing, found.compared))
            # where the level that a loose line falls to leaves blank words only, others have to do
            proved += _alive(_right(whole, loose), quiet, worst)
        states |= {line: ALIVE for line in proved if line not in states}
    return states


def _dead_or_joined(census: Census, *, spoiled: bool) -> dict[str, LineState]:
    """What the detectors name beyond doubt."""
    if len(census.names) < 2 or census.columns.distinct < 2:
        return {}
    states = {}
    for one in address_line_findings(census):
        if one.code is Code.OVER_READ or not _sure(one, spoiled=spoiled):
            continue
        for line in one.lines:
            others = tuple(other for other in one.lines if other != line)
            states[line] = LineState(Shown.JOINED, others=others) if others else LineState(Shown.DEAD)
    return states


def _sure(one: Suspicion, *, spoiled: bool) -> bool:
    """Whether a detector's finding is beyond doubt, and no word that was seen steady speaks against it."""
    exceptions = int(one.evidence["exceptions"])
    return float(one.evidence["p_value"]) <= BEYOND_DOUBT and (exceptions == 0 or spoiled)


def _steady(census: Census, loose: dict[int, int]) -> Census:
    """The part of the image in which every loose address line is at the level it falls to."""
    words, kept = census.words, list(census.names)
    known = census.known
    for line, level in sorted(loose.items(), reverse=True):
        words = words.reshape(-1, 2, 1 << line)[:, level].reshape(-1)
        if known is not None:
            known = known.reshape(-1, 2, 1 << line)[:, level].reshape(-1)
        kept.remove(line)
    return Census(words, census.bits, known, tuple(kept))


def _right(census: Census, loose: dict[int, int]) -> Census:
    """The same image, of which only those words count that no loose address line can have spoiled.

    Where one loose line is asked for the level that it does not fall to, a word is the chip's own or the one
    across the line; where it is another than that one, it is the chip's own.
    """
    at = np.arange(census.words.size)
    asked_away = sum((at >> line & 1) ^ level for line, level in loose.items())
    home = at & ~sum(1 << line for line in loose) | sum(level << line for line, level in loose.items())
    right = (asked_away == 0) | ((asked_away == 1) & (census.words != census.words[home]))
    known = right if census.known is None else right & census.known
    return Census(census.words, census.bits, known, census.names)


def _alive(census: Census, dead: frozenset[int], worst: float) -> list[str]:
    """Address lines that words prove, each told from every other that is not dead."""
    driven = _driven(census)
    moving = [
        place
        for place in range(len(census.names))
        if census.names[place] not in dead and _makes_a_difference(census, driven, place, worst)
    ]
    others = [place for place in range(len(census.names)) if census.names[place] not in dead]
    bases = _bases(census)
    as_one = {
        place
        for pair in combinations(others, 2)
        if not _told_apart(census, bases, pair, 3 * worst)
        for place in pair
    }
    return [f"A{census.names[place]}" for place in moving if place not in as_one]


def _told_from_loose(whole: Census, loose: dict[int, int], proved: list[str], worst: float) -> list[str]:
    """Of the lines proved while loose ones stand still, those that are not joined with one of these."""
    bases = _bases(whole)
    return [
        line
        for line in proved
        if all(_told_apart(whole, bases, (int(line[1:]), other), 2 * worst) for other in loose)
    ]


def _driven(census: Census) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Words that something drove for certain: neither fill, nor all ones, nor all zeros."""
    ones = int(np.bitwise_or.reduce(census.words))
    driven = census.told & (census.words != ones) & (census.words != 0)
    return np.asarray(driven)


def _makes_a_difference(
    census: Census, driven: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], place: int, worst: float
) -> bool:
    """A blank half shows nothing: both words of a pair must be the chip's own."""
    words, both = census.words.reshape(-1, 2, 1 << place), driven.reshape(-1, 2, 1 << place)
    told = both[:, 0] & both[:, 1]
    count = int(np.count_nonzero(told))
    apart = int(np.count_nonzero(told & (words[:, 0] != words[:, 1])))
    return count >= LEAST_PAIRS and apart > max(LEAST_SHARE, 2 * worst) * count


def _bases(census: Census) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    at = np.flatnonzero(census.told)
    return np.asarray(at[:: max(1, at.size // MOST_BASES)])


def _told_apart(
    census: Census,
    bases: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    pair: tuple[int, int],
    share: float,
) -> bool:
    """Whether more than a share of words speaks against two lines being one, whichever level were to win."""
    if not bases.size:
        return False
    low, high = (1 << place for place in pair)
    none = bases & ~(low | high)
    places = (none, none | high, none | low, none | low | high)
    neither, second, first, both = (census.words[at] for at in places)
    speaks = first != second
    enough = max(2.0, max(LEAST_SHARE, share) * bases.size)
    if census.known is None:
        return all(int(np.count_nonzero(speaks | (first != other))) > enough for other in (neither, both))
    seen = [census.known[at] for at in places]
    return all(
        int(np.count_nonzero((speaks | (first != other)) & seen[1] & seen[2] & there)) > enough
        for other, there in ((neither, seen[0]), (both, seen[3]))
    )


def _not_exercised(trusted: Words, words: Words, bits: int, states: dict[str, LineState]) -> list[str]:
    """Lines that the chip's own content, as a trusted reading has it, does not move."""
    census = take(trusted, bits)
    moved = int(np.bitwise_or.reduce(trusted ^ words))
    still = [f"D{line}" for line in stuck_columns(census.columns) if not moved >> line & 1]
    still += [f"A{line}" for line, (apart, _) in enumerate(census.line_counts) if not apart]
    quiet = (Shown.STUCK, Shown.DEAD, Shown.NOT_SHOWN, Shown.ALIVE)
    return [line for line in still if line in states and states[line].state in quiet]

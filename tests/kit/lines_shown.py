"""What passes over a board must show of each line: worked out from the image and the wires alone.

Nothing of the program is imported here. The rules are those that `watch` promises, written down a second time
over the reading as it would be with every loose contact firm:

- A data line is stuck where its column has one level; joined where another column is the same and that is
  beyond chance; alive otherwise.
- Address lines show in the columns that are driven and firm. A line is dead where no word differs across it,
  two are joined where three of the four words across both are the same; either only where that is beyond
  chance. It is alive where more than a tenth of the pairs of words that are no fill differ across it, eight
  pairs or more, and a tenth of all words speak against its being one with each other line.
- Whatever is left is not yet shown: the content does not exercise the line.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import combinations
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from tests.kit.board_simulated import Board
from tests.kit.wires import Image

CHANCE = 1e-6
SHARE, PAIRS = 0.1, 8
MOST_BASES = 1024
CERTAIN = 1 / 1000
"""A loose line has a name where no other one explains the same words but by a chance smaller than this."""


def may_show(board: Board, faults: Mapping[str, str], share: float = SHARE) -> list[dict[str, str]]:
    """Line → state, one dictionary; several where a loose contact may or may not have been noticed.

    Args:
        board: With its wires.
        faults: Line → `dead`, `stuck`, `joined`, `floating` or `loose`.
        share: Of all words that must speak against two lines being one.
    """
    reading = firm_reading(board)
    data = _data_lines(reading, {int(line[1:]) for line, what in faults.items() if what == "floating"})
    loose = [line for line, what in faults.items() if what == "loose"]
    names = [f"A{k}" for k in range(board.lines)]
    found: list[dict[str, str]] = []
    for unused in {"", *(line for line in loose if line.startswith("D"))}:
        driven = [k for k, state in data.items() if state in ("alive", "joined") and k != unused]
        words = reading & reading.dtype.type(sum(1 << int(k[1:]) for k in driven))
        found.append(
            dict(_shown(words.tobytes(), tuple(names), share))
            if driven
            else dict.fromkeys(names, "not-shown")
        )
        for line in loose if driven else ():
            if line.startswith("A"):
                # the words that are right: the line is asked for the level that it falls to
                level = board.wires.loose_address[int(line[1:])][0]
                firm = _sides(words, int(line[1:]))[level].reshape(-1)
                others = tuple(k for k in names if k != line)
                found.append({line: "not-shown", **_shown(firm.tobytes(), others, share)})
    return [one | data for one in found]


@lru_cache(maxsize=64)
def _shown(octets: bytes, names: tuple[str, ...], share: float) -> Mapping[str, str]:
    """The same for the same words, pass after pass."""
    return MappingProxyType(_address_lines(np.frombuffer(octets, np.uint8), names, share))


Others = Sequence[tuple[NDArray[np.int64], Image]]
"""Addresses, and the words as they were read there another time."""


def share_against(latest: Image, others: Others) -> float:
    """Share of words that must speak against two lines being one, by how steady words have been seen to be.

    Three times what may at most differ from itself (Poisson, one case in a thousand) where so many did.
    """
    compared = sum(at.size for at, _ in others)
    apart = sum(int((latest[at] != words).sum()) for at, words in others)
    return max(SHARE, 3 * (apart + 3 * math.sqrt(apart) + 7) / max(1, compared))


def could_have_made(line: str, latest: Image, others: Others) -> bool:
    """Whether this line alone could have made one of the words that disagree with the latest pass."""
    number = int(line[1:])
    for at, words in others:
        here = latest[at]
        apart = here != words
        if line.startswith("D"):
            made = (here ^ words) == 1 << number
        else:
            across = latest[at ^ 1 << number]
            made = (words == across) | (here == across)
            if at.size == latest.size:
                made |= here == words[at ^ 1 << number]
        if (apart & made).any():
            return True
    return False


def could_have_made_all(firm: Image, seen: Others, bits: int) -> set[str]:
    """Lines of which each alone, coming and going, could have made every word that is not the firm one.

    An address line gives the word of the address across it, where it is asked for one level only; a data line
    makes its own column one level. Where more than one line could have, the same words would have been read
    with either of them loose: nothing that was read tells which, and a name would be a guess.

    What is usually read may as well be the spoiled word, and the odd one the chip's own, where that stands
    across the line. That the odd one is then just what stands across the loose line would be chance, which
    counts for nothing down to `CERTAIN`.
    """
    apart = [(at[words != firm[at]], words[words != firm[at]]) for at, words in seen]
    at, words = (np.concatenate(list(each)) for each in zip(*apart, strict=True))
    if not at.size:
        return set()
    shares = np.bincount(firm, minlength=256) / firm.size
    found = set()
    for k in range(int(firm.size).bit_length() - 1):
        made, turned = words == firm[at ^ 1 << k], firm[at] == firm[at ^ 1 << k]
        chance = float(np.prod(shares[np.unique(words[~made])]))
        if np.unique(at >> k & 1).size == 1 and (made | turned).all() and chance > CERTAIN:
            found.add(f"A{k}")
    for k in range(bits):
        if (words ^ firm[at] == 1 << k).all() and np.unique(words >> k & 1).size == 1:
            found.add(f"D{k}")
    return found


def firm_reading(board: Board) -> Image:
    """What is read while no contact is loose, floating columns low."""
    wires = replace(board.wires, loose_address={}, loose_data={}, open_data=[])
    firm = replace(board, on=[*board.supplies])
    firm.wires = wires
    return firm.read_all()


def _data_lines(reading: Image, floating: set[int]) -> dict[str, str]:
    columns = [reading >> reading.dtype.type(k) & 1 for k in range(8)]
    working = [k for k in range(8) if k not in floating and columns[k].min() != columns[k].max()]
    words = np.unique(reading & reading.dtype.type(sum(1 << k for k in range(8) if k not in floating)))
    apart = {
        pair: int(((words >> pair[0] ^ words >> pair[1]) & 1).sum()) for pair in combinations(working, 2)
    }
    rate = min((count / words.size for count in apart.values() if count), default=0.02)
    by_chance = (1 - min(0.5, max(0.02, rate))) ** words.size * 28
    states = {f"D{k}": "floating" if k in floating else "stuck" for k in range(8)}
    for k in working:
        alike = any(not count for pair, count in apart.items() if k in pair)
        states[f"D{k}"] = "alive" if not alike else "joined" if by_chance <= CHANCE else "not-shown"
    return states


def _address_lines(words: Image, names: Sequence[str], share: float) -> dict[str, str]:
    states = dict.fromkeys(names, "not-shown")
    if np.unique(words).size < 2:
        return states
    dead = [k for k in range(len(names)) if _told(words, k) >= 4 and not _apart(words, k)]
    core, left = words, [k for k in range(len(names)) if k not in dead]
    for k in reversed(dead):
        core = _sides(core, k)[0].reshape(-1)
    distinct = np.unique(core[core != _fill(core)]).size
    if (1 - _usual(core, ())) ** distinct * len(names) <= CHANCE and core.size > 1:
        states |= dict.fromkeys((names[k] for k in dead), "dead")
    as_one, joined = _as_one(core, len(names))
    states |= dict.fromkeys((names[left[k]] for k in joined), "joined")
    open_ = [
        k
        for k, name in enumerate(names)
        if states[name] == "not-shown" and not (k in left and left.index(k) in as_one)
    ]
    live = [k for k, name in enumerate(names) if states[name] != "dead"]
    for k in open_:
        if _moves(words, k) and all(_two(words, k, other, share) for other in live if other != k):
            states[names[k]] = "alive"
    return states


def _sides(words: Image, line: int) -> tuple[Image, Image]:
    pairs = words.reshape(-1, 2, 1 << line)
    return pairs[:, 0], pairs[:, 1]


def _fill(words: Image) -> int:
    return int(np.bincount(words).argmax())


def _told(words: Image, line: int) -> int:
    low, high = _sides(words, line)
    return int(((low != _fill(words)) | (high != _fill(words))).sum())


def _apart(words: Image, line: int) -> int:
    low, high = _sides(words, line)
    return int((low != high).sum())


def _rates(words: Image) -> dict[int, float]:
    lines = range(int(words.size).bit_length() - 1)
    return {k: _apart(words, k) / _told(words, k) for k in lines if _told(words, k)}


def _usual(words: Image, but: Iterable[int]) -> float:
    """How often words differ across a line that works: the median of the lines."""
    rates = sorted(rate for k, rate in _rates(words).items() if k not in set(but))
    return min(0.9, max(0.05, rates[len(rates) // 2])) if rates else 0.5


def _as_one(core: Image, lines: int) -> tuple[set[int], set[int]]:
    """Lines of which three of four words are the same, and those of them where that is beyond chance."""
    rates = _rates(core)
    weak = [
        k
        for k, rate in rates.items()
        if _told(core, k) >= 4 and 0.02 < rate <= max(0.92 * max(rates.values()), 0.62)
    ]
    alike = {
        pair
        for pair in combinations(weak, 2)
        if abs(_apart(core, pair[0]) - _apart(core, pair[1])) <= 0.04 * max(_told(core, k) for k in pair)
    }
    usual = _usual(core, {k for pair in alike for k in pair})
    as_one, joined = set(), set()
    for low, high in combinations(range(int(core.size).bit_length() - 1), 2):
        parts = core.reshape(-1, 2, 1 << (high - low - 1), 2, 1 << low)
        for same, other in ((parts[:, 0, :, 0], parts[:, 1, :, 1]), (parts[:, 1, :, 1], parts[:, 0, :, 0])):
            if (parts[:, 0, :, 1] != same).any() or (parts[:, 1, :, 0] != same).any():
                continue
            as_one |= {low, high}
            told = same != _fill(core)
            moved = (other != same) & (told | (other != _fill(core)))
            chance = (1 - usual) ** np.unique(same[told]).size * lines * (lines - 1)
            if (
                (low, high) in alike
                and told.sum() >= 4
                and moved.sum() >= 0.3 * told.sum()
                and chance <= CHANCE
            ):
                joined |= {low, high}
    return as_one, joined


def _moves(words: Image, line: int) -> bool:
    """Whether words that something drove for certain differ across a line."""
    driven = (words != _fill(words)) & (words != np.bitwise_or.reduce(words)) & (words != 0)
    low, high = _sides(words, line)
    told = np.logical_and(*_sides(driven, line))
    return bool(told.sum() >= PAIRS and (told & (low != high)).sum() > SHARE * told.sum())


def _two(words: Image, first: int, second: int, share: float) -> bool:
    """Whether words speak against two lines being one, whichever level were to win."""
    at = np.flatnonzero(words != _fill(words))
    at = at[:: max(1, at.size // MOST_BASES)]
    none = at & ~(1 << first | 1 << second)
    one, two = words[none | 1 << first], words[none | 1 << second]
    against = [
        int(((one != two) | (one != words[both])).sum()) for both in (none, none | 1 << first | 1 << second)
    ]
    return min(against) > max(2.0, share * at.size)

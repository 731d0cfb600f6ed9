"""Kin: chips of a project that hold the same, the opposite, a part of another, or a damaged copy.

The wrong chip read twice, a pair of spare boards, a small ROM repeated in a larger one, a copy that has lost
bits: all of these show only when chips are held against each other. Signatures are joined by hash, so that
ten thousand chips take seconds; only candidates are read again and compared word by word.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import advise
from pipeline.stages.content.signature import HASH, InMemory, Signature, Windows
from pipeline.summed_up import counted
from pipeline.words import Words
from schemas.finding import Code, Details, Finding, Severity
from schemas.names import Organisation

MOST_LISTED = 16
"""A finding names so many relatives at most, and says how many there are."""
MOST_KIN = 8
"""Of a chip with many relatives the nearest are compared, so that a family of versions costs no square of its
size.
"""
_MOST_SHARING = 16
"""A window that more chips than this share is common code; its chips are chained, not paired."""
_MOST_DIFFERENT = 0.25
"""Two images count as versions of one another where at most this share of the words differs."""
_PARTS = 8
"""Parts in which windows are sorted, a power of two: one takes 0.2 KB a chip, its order included."""
_LEAST_ONE_WAY = 7
"""So many changed bits, all in one direction, are a coincidence in 2^-6 of cases."""


class ChipImage(NamedTuple):
    """One chip as its kin see it.

    Attributes:
        chip: Its id.
        signature: Of its settled image.
        board: Its board, or None.
        fades_to: Level its cells fade to, where known.
        faulty: Its image carries a reading fault, so that kinship may be the fault's.
        placed: A space of the sheet places it already.
    """

    chip: str
    signature: Signature
    board: str | None = None
    fades_to: int | None = None
    faulty: bool = False
    placed: bool = False


class Related(NamedTuple):
    """How the second image relates to the first: `shift` is where its address 0 lies in the first.

    Attributes:
        first, second: Indices into the chips.
        shift: Word address in the first that corresponds to address 0 of the second.
        shared: How many chosen windows agree at that shift.
    """

    first: int
    second: int
    shift: int
    shared: int


class _Contents(NamedTuple):
    """Chips by their content, word for word; ten thousand lists of one chip each would be megabytes.

    Attributes:
        first: Words and bits → digest → the first chip that holds it.
        copies: That chip → all that hold the same, of contents that several hold.
    """

    first: dict[Organisation, dict[bytes, int]]
    copies: dict[int, list[int]]

    def holding(self, first: int) -> list[int]:
        """All chips that hold what the first one holds."""
        return self.copies.get(first, [first])


def _contents(chips: Sequence[ChipImage]) -> _Contents:
    found = _Contents(defaultdict(dict), {})
    for index, chip in enumerate(chips):
        first = found.first[chip.signature.organisation].setdefault(chip.signature.digest, index)
        if first != index:
            found.copies.setdefault(first, [first]).append(index)
    return found


def _pairs(chips: Sequence[ChipImage], chosen: Sequence[int], windows: Windows) -> Iterator[Related]:
    """Pairs of different images that share windows at one shift, each pair at its best shift."""
    asked = np.zeros(len(chips), np.bool_)
    asked[[*chosen]] = True
    met, hashes = _met_again(windows, np.repeat(asked, windows.counts))
    owner = np.searchsorted(np.cumsum(windows.counts), met, side="right")
    order = np.argsort(hashes, kind="stable")
    hashes, owner, places = hashes[order], owner[order], windows.places(met)[order]
    edges = np.flatnonzero(hashes[1:] != hashes[:-1]) + 1
    starts, ends = np.concatenate(([0], edges)), np.concatenate((edges, [len(hashes)]))
    votes: dict[tuple[int, int, int], int] = defaultdict(int)
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        where = list(zip(owner[start:end].tolist(), places[start:end].tolist(), strict=True))
        for (one, at), (other, there) in _met(where):
            if one != other:
                votes[one, other, at - there] += 1
    best: dict[tuple[int, int], tuple[int, int]] = {}
    for (one, other, shift), count in votes.items():
        if count > best.get((one, other), (0, 0))[0]:
            best[one, other] = (count, shift)
    related = [Related(one, other, shift, count) for (one, other), (count, shift) in best.items()]
    related.sort(key=lambda pair: (-pair.shared, pair))
    taken: dict[int, int] = defaultdict(int)
    for pair in related:
        if min(taken[pair.first], taken[pair.second]) < MOST_KIN:
            taken[pair.first] += 1
            taken[pair.second] += 1
            yield pair


def _met_again(windows: Windows, asked: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
    """Which windows have a hash that another has, too, ascending, and these hashes.

    Most windows are in one image only. All of them sorted together would be a large part of what is held of
    the chips: they are sorted in parts, each of the hashes that end alike.

    Args:
        windows: Of all images.
        asked: Shape (windows,), False for those that are left out.
    """
    met, hashes = [], []
    for part in range(_PARTS):
        places, found, first = [np.zeros(0, np.int64)], [np.zeros(0, HASH)], 0
        for some in windows.hashes():
            own = asked[first : first + len(some)]
            here = np.flatnonzero((some & HASH.type(_PARTS - 1) == part) & own)
            places.append(here + first)
            found.append(some[here])
            first += len(some)
        every = np.concatenate(found)
        order = np.argsort(every, kind="stable")
        every = every[order]
        same = every[1:] == every[:-1]
        shared = np.append(same, False) | np.append(False, same)  # of none, one that is not
        met.append(np.concatenate(places)[order[shared[: len(order)]]])
        hashes.append(every[shared[: len(order)]])
    which = np.concatenate(met)
    order = np.argsort(which)
    return which[order], np.concatenate(hashes)[order]


def _met(where: list[tuple[int, int]]) -> Iterable[tuple[tuple[int, int], tuple[int, int]]]:
    """Pairs of places that share a window: all of them, or a chain where the window is common."""
    if len(where) > _MOST_SHARING:
        return pairwise(where)
    return ((where[i], where[j]) for i in range(len(where)) for j in range(i + 1, len(where)))


def _overlap(first: Words, second: Words, shift: int) -> tuple[Words, Words, int, int]:
    """Both images where they lie over each other, and where the overlap starts in each."""
    start = max(0, shift)
    end = min(len(first), shift + len(second))
    return first[start:end], second[start - shift : end - shift], start, start - shift


def _finding(
    chip: str, code: Code, evidence: Details, words: tuple[str, str, str], severity: Severity
) -> Finding:
    means, also, step = words
    return Finding(
        code=code,
        severity=severity,
        chip=chip,
        where={"with": evidence["with"]},
        evidence=evidence,
        means=means,
        also=also,
        next=step,
    )


def _same(chips: Sequence[ChipImage], members: Sequence[int]) -> Iterator[Finding]:
    names = [chips[index].chip for index in members]
    for index in members:
        others = [name for name in names if name != chips[index].chip]
        evidence = {"with": others[:MOST_LISTED], "chips": len(names), "exact": True}
        more = f" and {len(others) - MOST_LISTED} more" if len(others) > MOST_LISTED else ""
        yield _finding(
            chips[index].chip,
            Code.SAME_CONTENT,
            evidence,
            (
                (
                    f"holds word for word what {', '.join(others[:4])}{' …' if len(others) > 4 else ''} "
                    f"holds{more}"
                ),
                "two copies by design, or one chip that was read twice and saved under two names",
                advise("copies-or-one"),
            ),
            Severity.CAUTION if len(names) == 2 and _one_board(chips, members) else Severity.NOTE,
        )


def _one_board(chips: Sequence[ChipImage], members: Sequence[int]) -> bool:
    return len({chips[index].board for index in members}) == 1


def _inverse(chips: Sequence[ChipImage], chosen: Sequence[int], held: _Contents) -> Iterator[Finding]:
    for first in chosen:
        mine = chips[first].signature
        other = held.first[mine.organisation].get(mine.inverse)
        if other is None or chips[other].signature.blank or other == first:
            continue
        names = [chips[index].chip for index in held.holding(other)]
        for index in held.holding(first):
            yield _finding(
                chips[index].chip,
                Code.INVERSE_CONTENT,
                {"with": names[:MOST_LISTED], "chips": len(names)},
                (
                    f"is the exact complement of {', '.join(names[:4])}",
                    "a pair that is complementary by design, or a reader with an inverting buffer",
                    advise("inverting-reader"),
                ),
                Severity.NOTE,
            )


class _Comparison(NamedTuple):
    """What a word-by-word comparison of two images gave."""

    words: int
    differing_words: int
    rises: int
    falls: int
    start: int
    other_start: int


def _compare(first: Words, second: Words, shift: int) -> _Comparison:
    """Count what differs, and in which direction from the first to the second."""
    one, other, start, other_start = _overlap(first, second, shift)
    changed = one ^ other
    rises, falls = _ones(changed & other), _ones(changed & one)
    return _Comparison(len(one), int(np.count_nonzero(changed)), rises, falls, start, other_start)


def _ones(words: Words) -> int:
    return int(np.unpackbits(np.ascontiguousarray(words).view(np.uint8)).sum())


def _told(chips: Sequence[ChipImage], pair: Related, found: _Comparison) -> Iterator[Finding]:
    """The findings of one compared pair, one for each chip."""
    one, other = chips[pair.first], chips[pair.second]
    sizes = one.signature.organisation.words, other.signature.organisation.words
    whole = found.words == min(sizes)
    if found.words < 32 or found.differing_words > _MOST_DIFFERENT * found.words:
        return
    evidence: Details = {
        "exact": found.differing_words == 0,
        "shift": pair.shift,
        "words": found.words,
        "differing_words": found.differing_words,
        "differing_bits": found.rises + found.falls,
    }
    for chip, mate, sign in ((one, other, 1), (other, one, -1)):
        mine = dict(evidence) | {"with": [mate.chip], "shift": sign * pair.shift}
        start = found.start if chip is one else found.other_start
        mine["ranges"] = [[start, start + found.words]]
        if found.differing_words:
            gained, lost = (found.rises, found.falls) if chip is one else (found.falls, found.rises)
            mine |= {
                "bits_0_here_1_there": gained,
                "bits_1_here_0_there": lost,
                **_direction(gained, lost, chip, mate),
            }
        if whole and pair.shift == 0 and sizes[0] == sizes[1]:
            code, means = (
                Code.SAME_CONTENT,
                f"holds what {mate.chip} holds but for {counted(found.differing_words, 'word')}",
            )
        elif whole and chip.signature.organisation.words == found.words:
            code, means = Code.PART_OF, f"all of it stands in {mate.chip} from 0x{mine['shift'] * -1:X} on"
        elif whole:
            code, means = Code.PART_OF, f"holds all of {mate.chip} from 0x{mine['shift']:X} on"
        else:
            code, means = (
                Code.PART_OF,
                f"shares {counted(found.words, 'word')} with {mate.chip}, shifted by {mine['shift']}",
            )
        if found.differing_words and code != Code.SAME_CONTENT:
            means += f", but for {counted(found.differing_words, 'word')}"
        yield _finding(
            chip.chip, code, mine, (means + mine.get("reads", ""), *_also(code, mine)), Severity.NOTE
        )


def _direction(gained: int, lost: int, chip: ChipImage, mate: ChipImage) -> Details:
    """Whether the differences all run one way, and what that can mean for cells that fade."""
    total = gained + lost
    if gained and lost:
        return {"direction": "both ways", "reads": "; bits differ both ways, as versions do"}
    level = 1 if gained else 0
    if total < _LEAST_ONE_WAY:
        return {"direction": "one way", "reads": "; too few bits to tell decay from a revision"}
    chance = 2.0 ** (1 - total)
    out: Details = {"direction": "one way", "chance": chance}
    if chip.fades_to is not None and chip.fades_to == mate.fades_to:
        worse = mate if level == chip.fades_to else chip
        out["reads"] = (
            f"; every differing bit of {worse.chip} stands at the level its cells fade to, as decay does"
        )
    else:
        out["reads"] = (
            "; all bits differ one way, as decay does, but the level these cells fade to is not known"
        )
    return out


def _also(code: Code, evidence: Details) -> tuple[str, str]:
    if evidence.get("direction") == "one way":
        return (
            "a revision that only cleared or only set bits",
            advise("read-weaker"),
        )
    if code == Code.PART_OF:
        return (
            "common code or tables in both, a smaller chip read as a larger one",
            advise("compare-sizes"),
        )
    return "two revisions of one program", advise("compare-dates")


def shared_fills(chips: Sequence[ChipImage]) -> dict[str, tuple[str, ...]]:
    """For each chip, the sister chips of its board and organisation whose longest fill is the same stretch.

    A fill that ends at the same address in every chip of a set was left empty by design.

    Args:
        chips: With signatures made from their regions.

    Returns:
        Only chips that share; at most 16 names each. Nothing is raised.
    """
    groups: dict[tuple[Any, ...], list[str]] = defaultdict(list)
    for chip in chips:
        fill = chip.signature.fill
        if fill is not None and not chip.signature.blank:
            groups[chip.board, chip.signature.organisation, fill].append(chip.chip)
    return {
        name: tuple(other for other in names if other != name)[:MOST_LISTED]
        for names in groups.values()
        if len(names) > 1
        for name in names
    }


def _doubted(found: Finding, faulty: set[str]) -> Finding:
    """The finding, with a word of doubt where an image in it carries a reading fault."""
    doubtful = sorted(faulty & {found.chip, *found.evidence["with"]})
    if not doubtful:
        return found
    also = f"{found.also}; or the reading fault of {', '.join(doubtful[:3])}"
    return replace(found, also=also, evidence=found.evidence | {"faulty": doubtful})


def windows_of(chips: Iterable[ChipImage]) -> Windows:
    """The windows of a few chips, whose signatures hold them."""
    windows = Windows(InMemory(), InMemory())
    for chip in chips:
        windows.add(chip.signature)
    return windows


def kin(
    chips: Sequence[ChipImage], load: Callable[[str], Words], windows: Windows | None = None
) -> tuple[Finding, ...]:
    """The codes `same-content`, `inverse-content` and `part-of` over all chips of a project.

    Blank chips have no kin. Equal chips count once, so that a shelf of copies costs no more than one.

    Args:
        chips: All chips, with their signatures.
        load: Gives the settled image of a chip; called twice for each candidate pair.
        windows: Of the same chips, where they are kept by themselves; those of the signatures where None.

    Returns:
        In the order of the chips. Raises only what `load` raises.
    """
    held = _contents(chips)
    firsts = sorted(first for of_size in held.first.values() for first in of_size.values())
    chosen = [first for first in firsts if not chips[first].signature.blank]
    found: list[Finding] = []
    for first in chosen:
        if first in held.copies:
            found += _same(chips, held.copies[first])
    found += _inverse(chips, chosen, held)
    for pair in _pairs(chips, chosen, windows or windows_of(chips)):
        compared = _compare(load(chips[pair.first].chip), load(chips[pair.second].chip), pair.shift)
        found += _told(chips, pair, compared)
    named = {one.chip for one in found}
    order = {chip.chip: index for index, chip in enumerate(chips) if chip.chip in named}
    faulty = {chip.chip for chip in chips if chip.faulty}
    found = [_doubted(one, faulty) for one in found]
    return tuple(sorted(found, key=lambda one: (order[one.chip], one.code, one.evidence["with"])))

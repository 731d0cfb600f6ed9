"""What two images of the same program in two specimens say of each other.

1. Bits that either has not settled say nothing.
2. A line at fault in one of them, lines crossed, words lost: whatever explains most of what differs is told
   by that name, and what is left is judged by itself.
3. Cells fade one way, people change programs both ways and in stretches. Direction is weighed as odds of
   fading against a change, and stretches against changes strewn over the whole image.

Nothing here settles a bit: both images stay what they are.

Source: that cells fade towards one state is the catalogue's, part by part; the odds are likelihood ratios of
two named models, the theory from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.lines import relate
from pipeline.twins.line_faults import line_fault
from pipeline.twins.stretches import shared_windows, stretches, strewn_chance
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.record import Compared, TwinSide

STRAY = 0.02
"""Chance that a bit of a specimen that fades went the other way: it flickered. Chosen by us, no source."""
LEAST_ODDS = 16.0
"""Odds of fading against a change from which fading is said: five bits all one way give 29. No source."""
FEWEST_BITS = 5
"""As in `changes`: so many bits one way are a coincidence less than once in ten."""
STREWN = 1e-3
"""Changes so close together less often than this by chance lie in stretches. Chosen by us, no source."""
MOST_PENALTY = 10.0
"""What closeness can weigh against fading at most, in nats: cells of one row may fade together. No source."""
MOST_STREWN = 0.2
"""With more of the words differing, places that lie apart by chance tell nothing. Chosen by us, no source."""
MANY = 0.05
"""With more of the words differing, crossed lines and lost words are looked for. Chosen by us, no source."""
MOST = 0.5
"""With more of the words differing and nothing that explains it, these are two programs. No source."""
LEAST_COMPARED = 0.5
"""Share of the bits that both must have settled; less says nothing. Chosen by us, no source."""
LEAST_SHARED = 0.05
"""Share of an image's windows that the other has somewhere, from which both are one program.

Windows of unlike firmware shared 0.3 % at most, two releases of one 12 % at least; measured on esptool 4.8.1
and 5.0.0 and on pairs of unlike images of the open half.
"""
MOST_SLIPS = 3
"""More places at which words were lost make it a revision that inserts words. Chosen by us, no source."""
MOST_RELATED = 1 << 18
"""Words up to which crossed lines are looked for: the search holds every column several times."""


class SpecimenImage(NamedTuple):
    """One specimen's image as it is compared.

    Attributes:
        words: Shape (words,).
        doubt: Same shape; a 1 bit is contested, or of a word that nobody read.
    """

    words: Words
    doubt: Words


@dataclass(frozen=True, slots=True)
class SpecimenDifference:
    """What two images say of each other.

    Attributes:
        kind: The verdict.
        side: Which specimen it speaks of: `this`, `other` or `both`; "" for neither.
        words: Words that differ where both are settled.
        up: Bits that are 1 in the other alone.
        down: Bits that are 1 in this one alone.
        unsettled: Bits that differ where either has no settlement.
        ranges: Stretches of words that differ, half-open.
        lines: Lines at fault.
        what: What is wrong with them: `stuck`, `dead`, `joined`, or the mapping in words.
        odds: Of fading against a change; 0 where the direction of fading is not known.
        chance: That places so close together come by chance; 1 where that was not asked.
        beside: What is left once a line is taken into account.
        lines_map: For `crossed`: the mapping as the project's documents have it.
    """

    kind: Compared
    side: TwinSide = ""
    words: int = 0
    up: int = 0
    down: int = 0
    unsettled: int = 0
    ranges: tuple[tuple[int, int], ...] = ()
    lines: tuple[str, ...] = ()
    what: str = ""
    odds: float = 0.0
    chance: float = 1.0
    beside: SpecimenDifference | None = None
    lines_map: Mapping[str, object] = field(default_factory=dict)


def compare(this: SpecimenImage, other: SpecimenImage, bits: int, fades_to: int | None) -> SpecimenDifference:
    """What two images of one organisation say of each other.

    Args:
        this: The chip's own.
        other: The other specimen's.
        bits: Of a word.
        fades_to: The level that this kind of cell fades to, or None.

    Raises:
        ValueError: Their shapes differ.
    """
    if this.words.shape != other.words.shape:
        raise ValueError(f"{this.words.shape} words and {other.words.shape}")
    full = this.words.dtype.type((1 << bits) - 1)
    known = ~(this.doubt | other.doubt) & full
    unsettled = _count((this.words ^ other.words) & ~known & full)
    if _count(known) < LEAST_COMPARED * bits * known.size:
        return SpecimenDifference("unsettled", unsettled=unsettled)
    plain = _plain(this.words, other.words, bits, known, fades_to)
    told = plain
    if plain.words:
        told = _by_line(this.words, other.words, bits, known, fades_to) or plain
        if told is plain and plain.words > MANY * known.size:
            told = _by_order(this.words, other.words, bits) or plain
    counts = _counts(this.words, other.words, known)
    return SpecimenDifference(
        told.kind,
        told.side,
        *counts,
        unsettled,
        stretches((this.words ^ other.words) & known),
        told.lines,
        told.what,
        told.odds,
        told.chance,
        told.beside,
        told.lines_map,
    )


def _counts(this: Words, other: Words, known: Words) -> tuple[int, int, int]:
    differ = (this ^ other) & known
    return int(np.count_nonzero(differ)), _count(differ & other), _count(differ & this)


def _by_line(
    this: Words, other: Words, bits: int, known: Words, fades_to: int | None
) -> SpecimenDifference | None:
    """A line at fault in either, the one that leaves less over."""
    sides: tuple[tuple[TwinSide, Words, Words], ...] = (("this", this, other), ("other", other, this))
    found = [(side, faulty, line_fault(faulty, sound, bits, known)) for side, faulty, sound in sides]
    best = min(
        ((side, faulty, one) for side, faulty, one in found if one), key=lambda it: it[2].left, default=None
    )
    if best is None:
        return None
    side, faulty, one = best
    seen = (faulty, one.seen) if side == "this" else (one.seen, faulty)
    beside = _plain(*seen, bits, known, fades_to) if one.left else None
    return SpecimenDifference("line", side, lines=one.lines, what=one.what, beside=beside)


def _by_order(this: Words, other: Words, bits: int) -> SpecimenDifference | None:
    """Lines in another order or polarity, another start, or words lost on the way.

    Either may be the odd one.
    """
    if this.size > MOST_RELATED:
        return None
    found = relate(this, other, bits)
    if found.relation == "mapped" and found.mapping is not None:
        return SpecimenDifference(
            "crossed", "", what=found.mapping.in_words(), lines_map=dict(found.mapping.to_json())
        )
    few = len(found.slips) <= MOST_SLIPS and found.differing_words <= MANY * this.size
    if found.relation == "slipped" and few:
        many = len(found.slips)
        return SpecimenDifference("slipped", "", what=f"{many} place{'' if many == 1 else 's'}")
    return None


def _plain(this: Words, other: Words, bits: int, known: Words, fades_to: int | None) -> SpecimenDifference:
    """The verdict by direction and place alone."""
    words, up, down = _counts(this, other, known)
    if not words:
        return SpecimenDifference("same")
    differ = (this ^ other) & known
    chance = strewn_chance(differ, _could(this, other, bits, fades_to) & known)
    if fades_to is None:
        return _undirected(this, other, (words, up, down), chance)
    in_other, in_this = (up, down) if fades_to else (down, up)
    side: TwinSide = "this" if in_this > in_other else "other"
    most, least = max(in_this, in_other), min(in_this, in_other)
    if not least and _emptied(this if side == "this" else other, differ, bits, fades_to):
        return SpecimenDifference("emptied", side, words, up, down, chance=chance)
    odds = _odds(most, least, chance)
    if most + least < FEWEST_BITS:
        return SpecimenDifference(
            "perhaps-fading", side if not least else "both", words, up, down, odds=odds, chance=chance
        )
    if odds >= LEAST_ODDS:
        return SpecimenDifference("fading", side, words, up, down, odds=odds, chance=chance)
    if chance >= STREWN and words <= MOST_STREWN * known.size:
        kind: Compared = "perhaps-fading" if not least else "strewn"
        return SpecimenDifference(
            kind, side if not least else "both", words, up, down, odds=odds, chance=chance
        )
    kind = _changed(this, other, words)
    return SpecimenDifference(kind, "", words, up, down, odds=odds, chance=chance)


def _could(this: Words, other: Words, bits: int, fades_to: int | None) -> Words:
    """Cells that could have changed: programmed in either; without a direction, all but those of the fill.

    Args:
        this: Shape (words,).
        other: Same shape.
        bits: Of a word.
        fades_to: The level of the faded state, or None.
    """
    full = this.dtype.type((1 << bits) - 1)
    if fades_to is not None:
        return ~(this & other) & full if fades_to else (this | other) & full
    values, counts = np.unique(this, return_counts=True)
    fill = values[np.argmax(counts)]
    return np.where((this == fill) & (other == fill), 0, full).astype(this.dtype)


def _undirected(this: Words, other: Words, counts: tuple[int, int, int], chance: float) -> SpecimenDifference:
    """Where nobody knows which way this kind of cell fades."""
    words, up, down = counts
    if up + down < FEWEST_BITS or not (up and down):
        return SpecimenDifference(
            "one-way" if not (up and down) else "strewn", "", words, up, down, chance=chance
        )
    if chance >= STREWN and words <= MOST_STREWN * this.size:
        return SpecimenDifference("strewn", "both", words, up, down, chance=chance)
    return SpecimenDifference(_changed(this, other, words), "", words, up, down, chance=chance)


def _changed(this: Words, other: Words, words: int) -> Compared:
    """Another revision, or another program: a revision keeps most words, or most stretches somewhere else."""
    if words <= MOST * this.size or shared_windows(this, other) >= LEAST_SHARED:
        return "revision"
    return "unrelated"


def _odds(toward: int, against: int, chance: float) -> float:
    """Odds that a specimen faded rather than that somebody changed the program.

    A change takes either direction alike; fading takes one but for stray bits. Places close together speak
    for a change, and weigh at most `MOST_PENALTY`.
    """
    weight = toward * math.log((1 - STRAY) / 0.5) + against * math.log(STRAY / 0.5)
    weight -= min(MOST_PENALTY, max(0.0, -math.log(max(chance, 1e-300)) + math.log(STREWN)))
    return math.exp(min(weight, math.log(1e12))) if weight > -math.log(1e12) else 1e-12


def _emptied(faded: Words, differ: Words, bits: int, fades_to: int) -> bool:
    """Whether every word that differs is wholly unprogrammed in one specimen, and there are words' worth."""
    full = (1 << bits) - 1
    changed = faded[differ != 0]
    return bool((changed == (full if fades_to else 0)).all()) and _count(differ) >= bits


def _count(words: Words) -> int:
    return int(np.bitwise_count(words).sum())

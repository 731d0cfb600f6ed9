"""Loose contacts: every disagreement between passes belongs to one data line or to one address line.

Wrong bits all in one column are a data contact; wrong words that are each the word at the address with one
bit turned over are an address contact. Source: these follow from the definition.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.flow import Pass
from pipeline.stages.examine import chance
from pipeline.stages.examine.disagreements import Disagreements
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.stages.examine.unstable import LIKELY, unstable, who
from pipeline.words import Words
from schemas.finding import Code, Severity

BEYOND_DOUBT = 1e-6
LIKELY_COLUMN = 0.02
"""Three words apart in one and the same of eight columns: (1/8)^2 is the first below. A caution, no more."""
FEW_WORDS_P = 2e-6
"""Places alone make a caution at most: errors come in bursts, and places in a burst are not independent."""
EXPLAINED = 0.95
"""This share of the disagreements must belong to one contact."""
OPEN_SHARE = 0.2
"""Where so many words differ the contact is not loose but open: its level is noise."""
_PIECE = 1 << 16
"""Words looked at together where a large chip's would not fit beside it."""


def contact(seen: Disagreements, still: list[Pass]) -> list[Suspicion] | None:
    """One data line or one address line to which (nearly) all disagreements belong."""
    data = _data_contact(seen)
    address = _address_contact(seen)
    best = min((one for one in (data, address) if one is not None), key=lambda one: one[1], default=None)
    if best is None:
        return None
    line, p_value, explained, tried = best
    is_data = line.startswith("D")
    sure = p_value <= BEYOND_DOUBT
    found = [
        Suspicion(
            code=Code.INTERMITTENT_LINE,
            severity=Severity.FAULT if sure else Severity.CAUTION,
            where={"line": line},
            evidence={
                "disagreements": seen.count,
                "explained": int(np.count_nonzero(explained)),
                "p_value": p_value,
                "hypotheses": tried,
                **_direction(seen, line),
                **who(seen, still),
            },
            means=f"The passes differ only as if {line} came and went: its pin, socket contact or wire is "
            + (
                "open, and it reads noise." if seen.addresses.size > OPEN_SHARE * seen.base.size else "loose."
            ),
            also="A weak output of that one line inside the chip."
            if is_data
            else "A counter whose output for that line is weak.",
            next=step("loose-contact", line=line),
            lines=(line,),
        )
    ]
    rest = ~explained
    if np.count_nonzero(rest):
        found.append(unstable(seen.part(rest), still))
    return found


Contact = tuple[str, float, NDArray[np.bool_], int]


def _data_contact(seen: Disagreements) -> Contact | None:
    if seen.bits < 2 or seen.count < 3:
        return None
    best: Contact | None = None
    for line in range(seen.bits):
        only = only_in_column(seen, line)
        hits = int(np.count_nonzero(only))
        if hits < EXPLAINED * seen.count:
            continue
        # The first word may choose the line; each other one has to fall on the same by chance.
        p_value = chance.corrected(chance.at_least(hits - 1, seen.count - 1, 1.0 / seen.bits), 1)
        if p_value <= LIKELY_COLUMN:
            best = (f"D{line}", p_value, only, seen.bits)
    return best


def only_in_column(seen: Disagreements, line: int) -> NDArray[np.bool_]:
    """Which disagreements are one wrong bit, on this data line."""
    kind = seen.changed.dtype.type
    return np.asarray(seen.changed == (kind(1) << kind(line)))


def across(seen: Disagreements, line: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """The addresses across a line from the disagreements, and which of them the chip has."""
    beside = seen.at ^ (1 << line)
    inside = beside < seen.base.size
    return np.where(inside, beside, seen.at), inside


def of_neighbour(seen: Disagreements, line: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which disagreements are the word at the address with this bit turned over.

    Returns:
        Where the other pass's word is the reference's neighbour; where either word is the other's.
    """
    beside, inside = across(seen, line)
    wrong_is_other = seen.other == seen.base[beside]
    its_own = seen.stacked[seen.passes, beside]
    return wrong_is_other, inside & (wrong_is_other | (seen.reference == its_own))


def _address_contact(seen: Disagreements) -> Contact | None:
    """The address line whose flipping explains the wrong words: each is the neighbouring address's.

    Neighbours agree by chance, too, the more so in tables and fills, so a line's hits are weighed against the
    rate at which words at its distance agree anyway. All lines are tried, hence the correction (Bonferroni).
    """
    if seen.count < 3:
        return None
    lines = (int(seen.base.size) - 1).bit_length()
    best: Contact | None = None
    for line in range(lines):
        wrong_is_other, hit = of_neighbour(seen, line)
        hits = int(np.count_nonzero(hit))
        if hits < EXPLAINED * seen.count:
            continue
        by_other = np.unique(seen.other[hit & wrong_is_other])
        by_reference = np.setdiff1d(seen.reference[hit & ~wrong_is_other], by_other)
        rate = _chance_of_neighbour(seen, line)
        p_value = _by_chance(by_other, seen.base, rate) * _by_chance(
            by_reference, seen.base, max(rate, _alike_anyway(seen.base, line))
        )
        if p_value > FEW_WORDS_P:
            p_value = min(p_value, max(FEW_WORDS_P, _beside_anyway(seen, line, hit & wrong_is_other)))
        p_value = chance.corrected(max(p_value, chance.SMALLEST), lines)
        if p_value <= LIKELY and (best is None or p_value < best[1]):
            best = (f"A{line}", p_value, hit, lines)
    return best


def _by_chance(shown: Words, base: Words, rate: float) -> float:
    """The chance that strangers' words fit: each distinct word as often as it stands in the image.

    A word tells once however often it comes, and one that fills half of the image tells next to nothing.
    """
    values, counts = np.unique(base, return_counts=True)
    place = np.minimum(np.searchsorted(values, shown), values.size - 1)
    share = np.where(values[place] == shown, counts[place], 1) / base.size
    return chance.product([max(float(one), rate) for one in share])


def _beside_anyway(seen: Disagreements, line: int, hit: NDArray[np.bool_]) -> float:
    """The chance that words read wrong would fit beside them wherever else in the image they were read wrong.

    In sparse tables hardly more than one word is ever read wrong; the places then tell what the words do not.
    """
    if not hit.all():
        return 1.0
    words = seen.base
    there = np.arange(words.size)
    there = there[(there ^ (1 << line)) < words.size]
    rates = {}
    for word in np.unique(seen.other):
        others = there[words[there] != word]
        rates[int(word)] = float((words[others ^ (1 << line)] == word).mean()) if others.size else 1.0
    return chance.product(rates[int(word)] for word in seen.other)


def _alike_anyway(base: Words, line: int) -> float:
    """How often words are their neighbour's across this line by themselves: always so in doubled content.

    There the word of the reference is the neighbour's wherever a cell of the other pass flickers, and proves
    nothing.
    """
    values, counts = np.unique(base, return_counts=True)
    fill = values[int(counts.argmax())]
    told = alike = 0
    for first in range(0, base.size, _PIECE):  # addresses take eight times what their words take
        at = np.flatnonzero(base[first : first + _PIECE] != fill) + first
        at = at[(at ^ (1 << line)) < base.size]
        told += at.size
        alike += int(np.count_nonzero(base[at] == base[at ^ (1 << line)]))
    return alike / told if told else 1.0


def _chance_of_neighbour(seen: Disagreements, line: int) -> float:
    """How often a stranger's word would fit: the share of fits at neighbours across the other lines."""
    lines = (int(seen.base.size) - 1).bit_length()
    shares = []
    for other in range(lines):
        if other == line:
            continue
        beside = seen.at ^ (1 << other)
        beside = np.where(beside < seen.base.size, beside, seen.at)
        shares.append(float((seen.other == seen.base[beside]).mean()))
    shares.sort()
    return min(0.9, max(0.02, 2 * (shares[len(shares) // 2] if shares else 0.5)))


def _direction(seen: Disagreements, line: str) -> dict[str, object]:
    if not line.startswith("D"):
        return {}
    bit = seen.changed.dtype.type(1 << int(line[1:]))
    rises = int(np.count_nonzero(seen.other & bit & seen.changed))
    return {"to_one": rises, "to_zero": seen.count - rises}

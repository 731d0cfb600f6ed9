"""Cells that lose their charge: between two readings every changed bit leads to the state this kind fades to.

Never from one sitting alone, and never where it is not known which way the cell fades. An unprogrammed and a
faded cell read alike; decay and a revision of the content look alike too, so this is a caution however small
p is.

Source: p = 2^(1-k) is the two-sided sign test, NIST/SEMATECH e-Handbook section 1.3.5; that fading runs one
way is common practice, no source.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.flow import Pass
from pipeline.stages.examine import chance
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code, Severity

LARGEST_P = 0.05
"""Six bits at least: 2^-5 is the first below."""


def fading(passes: tuple[Pass, ...], bits: int, fades_to: int | None) -> list[Suspicion]:
    """The first two sittings, readers or supplies between which bits changed only towards `fades_to`.

    Args:
        passes: All of one size, none moved against another.
        bits: Bits a word.
        fades_to: 0 or 1; None where unknown, and then nothing is claimed.
    """
    if fades_to is None:
        return []
    groups = _groups(passes)
    for first, second in combinations(groups, 2):
        found = _between(first, second, bits, fades_to)
        if found is not None:
            return [found]
    return []


def _groups(passes: tuple[Pass, ...]) -> list[list[Pass]]:
    """Passes that were taken in the same way: one reader, one sitting, one supply, one date."""
    groups: dict[tuple[object, ...], list[Pass]] = {}
    for one in passes:
        groups.setdefault((one.reader, one.sitting, one.supply_v, one.when), []).append(one)
    return list(groups.values())


def _steady(group: list[Pass]) -> tuple[Words, Words]:
    """The words of a group, and a mask of the bits in which its passes agree."""
    words = group[0].words
    unsteady = np.zeros_like(words)
    for other in group[1:]:
        unsteady |= words ^ other.words
    known = np.ones(words.size, dtype=np.bool_)
    for one in group:
        if one.present is not None:
            known &= one.present
    steady = ~unsteady
    steady[~known] = 0
    return words, steady


def _between(first: list[Pass], second: list[Pass], bits: int, fades_to: int) -> Suspicion | None:
    """Bits that changed between two readings, all of them one way, of those that each reading shows steadily.

    Were the changes noise, each would go either way: k alike have the chance 2^(1-k) of a two-sided sign
    test. A change of a single line is a contact and no fading, and neither is one away from the state cells
    fade to where it is known which reading is the older.
    """
    older, newer, ordered = _in_order(first, second)
    old_words, old_steady = _steady(older)
    new_words, new_steady = _steady(newer)
    changed = (old_words ^ new_words) & old_steady & new_steady
    count = int(np.bitwise_count(changed).sum())
    p_value = chance.one_direction(count)
    if count == 0 or p_value > LARGEST_P:
        return None
    rises = int(np.bitwise_count(changed & new_words).sum())
    # Cells lose charge and gain none, so a single bit the other way makes it noise or another content.
    if rises not in {0, count}:
        return None
    if ordered is not None and (rises == count) != (fades_to == 1):
        return None
    lines = [
        line for line in range(bits) if (changed >> changed.dtype.type(line) & changed.dtype.type(1)).any()
    ]
    if len(lines) < 2:
        return None
    weaker = newer if (rises == count) == (fades_to == 1) else older
    return _suspicion(
        count=count,
        fades_to=fades_to,
        p_value=p_value,
        lines=lines,
        addresses=np.flatnonzero(changed),
        ordered=ordered,
        weaker=weaker[0],
    )


def _in_order(first: list[Pass], second: list[Pass]) -> tuple[list[Pass], list[Pass], str | None]:
    """The two groups with the one expected to be more faded last, and by what they are ordered."""
    a, b = first[0], second[0]
    if a.when and b.when and a.when != b.when:
        return (first, second, "date") if a.when < b.when else (second, first, "date")
    if a.supply_v is not None and b.supply_v is not None and a.supply_v != b.supply_v:
        # A programmed NMOS EPROM cell shows better at the lower supply (second-hand, from memory).
        return (first, second, "supply") if a.supply_v < b.supply_v else (second, first, "supply")
    return first, second, None


def _suspicion(
    *,
    count: int,
    fades_to: int,
    p_value: float,
    lines: list[int],
    addresses: NDArray[np.int64],
    ordered: str | None,
    weaker: Pass,
) -> Suspicion:
    """The caution, with its numbers; it says against which kind of reading the changes stand."""
    against = {
        "date": "an earlier reading",
        "supply": "a reading at a lower supply",
        None: "another reading",
    }[ordered]
    return Suspicion(
        code=Code.FADING,
        severity=Severity.CAUTION,
        where={"toward": fades_to, "lines": [f"D{line}" for line in lines], "readings": [weaker.reading]},
        evidence={
            "toward": fades_to,
            "changed_bits": count,
            "other_direction": 0,
            "p_value": p_value,
            "formula": "2^(1-k)",
            "hypotheses": 1,
            "ordered_by": ordered,
            "addresses": [int(at) for at in addresses[:16]],
        },
        means=f"Against {against}, {count} bits changed and every one leads to {fades_to}, the state that "
        f"this kind of cell fades to: cells are losing their charge. A read {1 - fades_to} is believable, a "
        f"read {fades_to} there may be a lost {1 - fades_to}.",
        also="A revision of the content, or a reader whose threshold or supply differs.",
        next=step("fading"),
    )

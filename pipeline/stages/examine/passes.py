"""What several passes of one chip tell.

Damage on the way, loose contacts, fading cells, outputs too slow, plain flicker.

The passes come in one frame; moves between them were found, told and undone before. The disagreements that
are left are attributed before anybody counts them: a pass damaged on the way to the file is set aside, and so
is a reading that alone shows a fault of its own; a loose contact explains what is left, or fading does; the
rest are unstable bits. Reading the same thing again says nothing new, so equal passes of a reading count
once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.flow import Pass
from pipeline.stages.examine.contacts import contact
from pipeline.stages.examine.disagreements import gather
from pipeline.stages.examine.fading import fading
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.stages.examine.transit import transit_damage
from pipeline.stages.examine.unstable import unstable
from pipeline.words import Words
from schemas.finding import Code, Severity

NEAR_SHARE = 0.02
"""Passes that differ in more of their words than this hold two things, not one that flickers. No source."""


def all_alike(passes: Sequence[Pass]) -> bool:
    """Whether all passes hold the same words."""
    return all(np.array_equal(passes[0].words, other.words) for other in passes[1:])


def distinct(passes: Sequence[Pass]) -> tuple[Pass, ...]:
    """Each thing that a reading holds once, in the order in which it came."""
    kept: list[Pass] = []
    for one in passes:
        if not any(_repeats(one, other) for other in kept):
            kept.append(one)
    return tuple(kept)


def _repeats(one: Pass, other: Pass) -> bool:
    same = (one.reading, one.sitting, one.when, one.supply_v) == (
        other.reading,
        other.sitting,
        other.when,
        other.supply_v,
    )
    return same and bool(np.array_equal(one.words, other.words)) and _same_presence(one, other)


def _same_presence(one: Pass, other: Pass) -> bool:
    if one.present is None or other.present is None:
        return one.present is other.present
    return bool(np.array_equal(one.present, other.present))


def reference_of(passes: Sequence[Pass], settled: Words) -> Pass:
    """The pass that differs least from the settled image: the first of them, never the commonest.

    A word that a pass does not have counts as different, whatever stands in its place.
    """
    nearest, least = passes[0], settled.size + 1
    for one in passes:
        differs = one.words != settled
        apart = int(np.count_nonzero(differs if one.present is None else differs | ~one.present))
        if apart < least:
            nearest, least = one, apart
        if not least:
            break
    return nearest


def far_apart(one: Pass, other: Pass) -> bool:
    """Whether two passes differ in more than single words."""
    apart = one.words != other.words
    for present in (one.present, other.present):
        if present is not None:
            apart &= present
    return bool(np.count_nonzero(apart) > max(2, NEAR_SHARE * apart.size))


def damaged_on_the_way(base: Pass, came: Sequence[Pass], bits: int) -> list[tuple[Pass, Suspicion]]:
    """Passes, as they came, that a known damage makes of the reference.

    Args:
        base: The reference.
        came: The others before they were brought into its frame.
        bits: Bits a word; only bytes go over links and through editors.
    """
    if bits != 8:
        return []
    out = []
    for other in came:
        if np.array_equal(other.words, base.words):
            continue
        found = transit_damage(base, other)
        if found is not None:
            out.append((other, found))
    return out


def pass_suspicions(passes: Sequence[Pass], base: Pass, bits: int, fades_to: int | None) -> list[Suspicion]:
    """Everything that passes of one frame show against each other.

    Args:
        passes: Distinct, all of one size, none damaged on the way nor faulty by itself.
        base: The one that the others are held against.
        bits: Bits a word.
        fades_to: The state that this kind of cell fades to, where known.
    """
    if len(passes) < 2 or all_alike(passes):
        return []
    still = [base, *(one for one in passes if one is not base)]
    seen = gather(base, still[1:], bits)
    if seen.count == 0:
        return []
    loose = contact(seen, still)
    if loose is not None:
        return loose
    return fading(tuple(still), bits, fades_to) or [unstable(seen, still)]


def noisy_lines(between: list[Suspicion]) -> tuple[int, ...]:
    """The data lines that read something else in each pass: what an image shows of them is not its content.

    Args:
        between: What the passes show against each other.
    """
    lines: set[str] = set()
    for one in between:
        if one.code is Code.INTERMITTENT_LINE:
            lines.add(str(one.where["line"]))
        elif one.code is Code.UNSTABLE_BITS and one.severity is Severity.FAULT:
            lines.update(one.where["lines"])
    return tuple(sorted(int(line[1:]) for line in lines if line.startswith("D")))

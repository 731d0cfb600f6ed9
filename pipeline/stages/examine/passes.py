"""What several passes of one chip tell: moved passes, loose contacts, fading cells, outputs too slow, plain flicker.

The disagreements are attributed before anybody averages them, in this order: passes that are moved against
each other are set aside; a loose contact explains what is left, or fading does; the rest are unstable bits.
"""

from __future__ import annotations

import numpy as np

from pipeline.flow import Pass
from pipeline.stages.examine.contacts import contact
from pipeline.stages.examine.disagreements import gather
from pipeline.stages.examine.fading import fading
from pipeline.stages.examine.shifts import moved
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.stages.examine.transit import transit_damage
from pipeline.stages.examine.unstable import unstable
from schemas.finding import Code, Finding, Severity


def all_alike(passes: tuple[Pass, ...]) -> bool:
    """Whether all passes hold the same words."""
    return all(np.array_equal(passes[0].words, other.words) for other in passes[1:])


def reference_of(passes: tuple[Pass, ...]) -> Pass:
    """The first of the passes that most passes repeat word for word."""
    best, most = passes[0], 0
    for one in passes:
        alike = sum(np.array_equal(one.words, other.words) for other in passes)
        if alike > most:
            best, most = one, alike
    return best


def pass_suspicions(
    passes: tuple[Pass, ...], bits: int, fades_to: int | None, length_findings: tuple[Finding, ...] = ()
) -> list[Suspicion]:
    """Everything that the passes show against each other.

    Args:
        passes: All of one size.
        bits: Bits a word.
        fades_to: The state that this kind of cell fades to, where known.
        length_findings: What normalising found about the lengths: a slip in a reading of the wrong length is
            the stream's, not the counter's.
    """
    if len(passes) < 2 or all_alike(passes):
        return []
    base = reference_of(passes)
    damaged = {
        reading
        for one in length_findings
        if one.code in {Code.SHORT_READ, Code.LONG_READ}
        for reading in one.where.get("readings", ())
    }
    found: list[Suspicion] = []
    still = [base]
    for other in passes:
        if other is base or np.array_equal(other.words, base.words):
            if other is not base:
                still.append(other)
            continue
        move = _on_the_way(base, other, bits) or moved(
            base, other, stream_damage=other.reading in damaged or _cut_short(other)
        )
        if move is None:
            still.append(other)
        else:
            found.append(move)
    return [*found, *_unmoved(base, still, bits, fades_to)]


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


def _on_the_way(base: Pass, other: Pass, bits: int) -> Suspicion | None:
    return transit_damage(base, other) if bits == 8 else None


def _cut_short(one: Pass) -> bool:
    return one.present is not None and not bool(one.present[-1])


def _unmoved(base: Pass, still: list[Pass], bits: int, fades_to: int | None) -> list[Suspicion]:
    seen = gather(base, [one for one in still if one is not base], bits)
    if seen.count == 0:
        return []
    loose = contact(seen, still)
    if loose is not None:
        return loose
    faded = fading(tuple(still), bits, fades_to)
    return faded or [unstable(seen, still)]

"""Bits that read differently from pass to pass and belong to no one contact.

What their errors have in common.

Source: that open-collector outputs without pull-ups read a 1 late after a 0, and that errors of a reader that
samples too early gather where many address bits change, is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import NextStep, step
from pipeline.flow import Pass
from pipeline.stages.examine import chance
from pipeline.stages.examine.disagreements import Disagreements
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code, Severity

LIKELY = 1e-3
EXPLAINED = 0.95
"""This share of the errors must have the habit."""
LISTED = 16
"""How many addresses are listed in the evidence."""


def unstable(seen: Disagreements, still: list[Pass]) -> Suspicion:
    """The finding for disagreements that no contact explains, with the habit that the errors have.

    Args:
        seen: The disagreements; at least one.
        still: The passes that are compared.
    """
    changed = np.bitwise_or.reduce(seen.changed)
    lines = [f"D{line}" for line in range(seen.bits) if int(changed) >> line & 1]
    words = int(seen.addresses.size)
    widespread = words > 0.05 * seen.base.size
    habit = _habit(seen, still)
    return Suspicion(
        code=Code.UNSTABLE_BITS,
        severity=Severity.FAULT
        if widespread and len({one.reader for one in still}) == 1
        else Severity.CAUTION,
        where={
            "lines": lines,
            "addresses": _ranges(seen.addresses)[:LISTED],
            **({"readings": [one.reading for one in still], "image": True} if habit.name == TWO else {}),
        },
        evidence={
            "count": int(np.bitwise_count(seen.changed).sum()),
            "words": words,
            "pattern": habit.name,
            **habit.evidence,
            **who(seen, still),
        },
        means=habit.means,
        also="Cells near threshold, a sagging supply, dirty contacts and noise look alike in two passes."
        if habit.name == "scattered"
        else "Weak cells that happen to lie that way.",
        next=habit.next,
        lines=tuple(lines) if len(lines) <= 2 else (),
    )


def _ranges(addresses: NDArray[np.int64]) -> list[list[int]]:
    """Half-open ranges of addresses, ascending."""
    if not addresses.size:
        return []
    cuts = np.flatnonzero(np.diff(addresses) > 1) + 1
    return [[int(run[0]), int(run[-1]) + 1] for run in np.split(addresses, cuts)]


@dataclass(frozen=True)
class Habit:
    """What the errors have in common, and what to do about it."""

    name: str
    evidence: dict[str, object]
    means: str
    next: NextStep


TWO = "two-contents"
STRANGERS = 0.3
"""Two readers that differ in more of their words hardly read one content; common practice, no source."""


def _between_readers(seen: Disagreements, still: list[Pass]) -> Habit | None:
    """Two readers, each in agreement with itself, that hold different words: no flicker of one reader."""
    by_reader: dict[str, list[Pass]] = {}
    for one in still:
        by_reader.setdefault(one.reader, []).append(one)
    steady = all(np.array_equal(own[0].words, other.words) for own in by_reader.values() for other in own[1:])
    if len(by_reader) < 2 or not steady:
        return None
    who_read = " and ".join(sorted(by_reader))
    words, share = int(seen.addresses.size), seen.addresses.size / seen.base.size
    if share > STRANGERS:
        means = (
            f"{who_read} read two different contents: {words} of {seen.base.size} words differ, not on one "
            f"line only. Another chip or another file is likelier than a fault of either reader."
        )
        return Habit(TWO, {"share": round(share, 4)}, means, step("two-contents"))
    means = (
        f"{who_read} differ in {words} word{'s' * (words != 1)}, not on one line only, and each reads the "
        "same every time."
    )
    return Habit("two-readers", {"share": round(share, 4)}, means, step("two-readers"))


def _habit(seen: Disagreements, still: list[Pass]) -> Habit:
    """The errors' habit: whole words dropped, a late 1 after a 0, errors where many address bits changed."""
    special = _dropouts(seen) or _late_ones(seen) or _too_fast(seen)
    return special or _between_readers(seen, still) or _scattered(seen)


def _scattered(seen: Disagreements) -> Habit:
    return Habit(
        "scattered",
        {},
        f"{seen.addresses.size} words read differently from pass to pass, and no single line explains it.",
        step("scattered-bits"),
    )


def _dropouts(seen: Disagreements) -> Habit | None:
    full = (1 << seen.bits) - 1
    if seen.count < 4 or float((np.bitwise_count(seen.changed) > 1).mean()) < 0.5:
        return None
    for word in (full, 0):
        share = float(((seen.reference == word) | (seen.other == word)).mean())
        usual = float((seen.base == word).mean())
        p_value = chance.corrected(
            chance.at_least(round(share * seen.count), seen.count, min(0.9, 2 * usual + 0.02)), 2
        )
        if share >= EXPLAINED and p_value <= LIKELY:
            return Habit(
                "whole-words-dropped",
                {"dropped_to": word, "p_value": p_value, "hypotheses": 2},
                (
                    f"Whole words drop to 0x{word:X} in bursts: the enable contact, or the supply, comes "
                    f"and goes."
                ),
                (step("dropped-words")),
            )
    return None


def _before(seen: Disagreements) -> tuple[Words, NDArray[np.bool_]]:
    """The word read just before each disagreement, and where there is one."""
    return seen.base[np.maximum(seen.at - 1, 0)], seen.at > 0


def _late_ones(seen: Disagreements) -> Habit | None:
    """Every bit in doubt was 0 in the word before: a 1 after a 0 that arrives late.

    Weak or absent pull-ups.
    """
    before, has = _before(seen)
    doubtful = np.bitwise_count(seen.changed[has])
    bits_in_doubt = int(doubtful.sum())
    wrong = int(np.bitwise_count(before[has] & seen.changed[has]).sum())
    if bits_in_doubt < 10 or wrong > 0.02 * bits_in_doubt:
        return None
    zeros = 1.0 - float(np.bitwise_count(seen.base).mean()) / seen.bits
    p_value = chance.corrected(chance.at_most(wrong, bits_in_doubt, 1.0 - min(0.95, zeros)), 2)
    if p_value > LIKELY:
        return None
    return Habit(
        "late-ones",
        {"bits": bits_in_doubt, "p_value": p_value, "hypotheses": 2},
        "Bits are in doubt only where a 1 should follow a 0 in the same column: the 1 rises too slowly, as "
        "open-collector outputs without strong pull-ups do.",
        (step("late-ones")),
    )


def _too_fast(seen: Disagreements) -> Habit | None:
    """Errors where more address bits changed than usual: sampled before the access time had passed."""
    at = seen.addresses[seen.addresses > 0]
    if at.size < 8:
        return None
    changed = np.bitwise_count((at ^ (at - 1)).astype(np.uint64)).astype(np.float64)
    # Counting up, the bits that change are geometric: mean 2, variance 2.
    deviation = (float(changed.mean()) - 2.0) / float(np.sqrt(2.0 / at.size))
    p_value = chance.corrected(chance.normal_above(deviation), 2)
    if p_value > LIKELY:
        return None
    return Habit(
        "reading-too-fast",
        {
            "address_bits_changed": round(float(changed.mean()), 3),
            "usual": 2.0,
            "p_value": p_value,
            "hypotheses": 2,
        },
        (
            "Errors gather where many address bits change at once: the words were taken before the chip "
            "had settled."
        ),
        (step("too-fast")),
    )


def who(seen: Disagreements, still: list[Pass]) -> dict[str, object]:
    """How many passes of which readers were compared, and the first addresses, for the evidence."""
    return {
        "passes": len(still),
        "readers": sorted({one.reader for one in still}),
        "addresses": [int(at) for at in seen.addresses[:LISTED]],
    }

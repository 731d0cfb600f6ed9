"""What several passes of one chip tell: moved passes, loose contacts, fading cells, outputs too slow, plain flicker.

The disagreements are attributed before anybody averages them: all in one column is a data contact; each wrong word
being the word at the address with one bit turned over is an address contact. Source: these follow from the
definition; that fading cells change one way only is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.flow import Pass, Words
from pipeline.stages.examine import chance
from pipeline.stages.examine.fading import fading
from pipeline.stages.examine.shifts import moved
from pipeline.stages.examine.suspicion import Suspicion
from schemas.finding import Code, Finding, Severity

LIKELY = 1e-3
BEYOND_DOUBT = 1e-6
LIKELY_COLUMN = 0.02
"""Three words apart in one and the same of eight columns: (1/8)^2 is the first below. A caution, no more."""
EXPLAINED = 0.95
"""This share of the disagreements must belong to one contact."""
OPEN_SHARE = 0.2
"""Where so many words differ the contact is not loose but open: its level is noise."""
LISTED = 16
"""How many addresses are listed in the evidence."""


@dataclass(frozen=True)
class Disagreements:
    """Every word in which a pass differs from the reference, over all passes.

    Attributes:
        at: Addresses, shape (k,).
        reference: The word of the reference there.
        other: The word of the pass there.
        passes: Index of the pass, into `images`.
        base: The reference image.
        images: The other images.
        bits: Bits a word.
    """

    at: NDArray[np.int64]
    reference: Words
    other: Words
    passes: NDArray[np.int64]
    base: Words
    images: tuple[Words, ...]
    bits: int

    @cached_property
    def changed(self) -> Words:
        """The bits that differ."""
        return self.reference ^ self.other

    @cached_property
    def addresses(self) -> NDArray[np.int64]:
        """The distinct addresses."""
        return np.unique(self.at)

    @property
    def count(self) -> int:
        """How many disagreeing words."""
        return int(self.at.size)


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
        length_findings: What normalising found about the lengths: a slip in a reading of the wrong length is the
            stream's, not the counter's.
    """
    if len(passes) < 2 or all_alike(passes):
        return []
    base = reference_of(passes)
    damaged = {str(one.where.get("reading")) for one in length_findings}
    found: list[Suspicion] = []
    still = [base]
    for other in passes:
        if other is base or np.array_equal(other.words, base.words):
            if other is not base:
                still.append(other)
            continue
        move = moved(base, other, stream_damage=other.reading in damaged or _cut_short(other))
        if move is None:
            still.append(other)
        else:
            found.append(move)
    return [*found, *_unmoved(base, still, bits, fades_to)]


def _cut_short(one: Pass) -> bool:
    return one.present is not None and not bool(one.present[-1])


def _unmoved(base: Pass, still: list[Pass], bits: int, fades_to: int | None) -> list[Suspicion]:
    seen = _gather(base, [one for one in still if one is not base], bits)
    if seen.count == 0:
        return []
    contact = _contact(seen, still)
    if contact is not None:
        return contact
    faded = fading(tuple(still), bits, fades_to)
    return faded or [_unstable(seen, still)]


def _gather(base: Pass, others: list[Pass], bits: int) -> Disagreements:
    at: list[NDArray[np.int64]] = []
    reference: list[Words] = []
    other: list[Words] = []
    number: list[NDArray[np.int64]] = []
    images: list[Words] = []
    for one in others:
        apart = base.words != one.words
        for present in (base.present, one.present):
            if present is not None:
                apart &= present
        where = np.flatnonzero(apart)
        if where.size:
            at.append(where)
            reference.append(base.words[where])
            other.append(one.words[where])
            number.append(np.full(where.size, len(images), dtype=np.int64))
            images.append(one.words)
    if not images:
        empty = np.zeros(0, dtype=np.int64)
        return Disagreements(empty, base.words[:0], base.words[:0], empty, base.words, (), bits)
    return Disagreements(
        np.concatenate(at), np.concatenate(reference), np.concatenate(other), np.concatenate(number),
        base.words, tuple(images), bits,
    )  # fmt: skip


# -- contacts --------------------------------------------------------------------------------------------------


def _contact(seen: Disagreements, still: list[Pass]) -> list[Suspicion] | None:
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
                **_who(seen, still),
            },
            means=f"The passes differ only as if {line} came and went: its pin, socket contact or wire is "
            + (
                "open, and it reads noise." if seen.addresses.size > OPEN_SHARE * seen.base.size else "loose."
            ),
            also="A weak output of that one line inside the chip."
            if is_data
            else "A counter whose output for that line is weak.",
            next=f"Clean the leg and the socket contact of {line}, press the chip home, wriggle it while reading: if the "
            "errors come and go, it is the contact.",
            lines=(line,),
        )
    ]
    rest = ~explained
    if np.count_nonzero(rest):
        found.append(_unstable(_part(seen, rest), still))
    return found


def _part(seen: Disagreements, keep: NDArray[np.bool_]) -> Disagreements:
    return Disagreements(
        seen.at[keep],
        seen.reference[keep],
        seen.other[keep],
        seen.passes[keep],
        seen.base,
        seen.images,
        seen.bits,
    )


Contact = tuple[str, float, NDArray[np.bool_], int]


def _data_contact(seen: Disagreements) -> Contact | None:
    if seen.bits < 2 or seen.count < 3:
        return None
    one = seen.changed.dtype.type(1)
    best: Contact | None = None
    for line in range(seen.bits):
        only = seen.changed == (one << seen.changed.dtype.type(line))
        hits = int(np.count_nonzero(only))
        if hits < EXPLAINED * seen.count:
            continue
        # The first word may choose the line; each other one has to fall on the same by chance.
        p_value = chance.corrected(chance.at_least(hits - 1, seen.count - 1, 1.0 / seen.bits), 1)
        if p_value <= LIKELY_COLUMN:
            best = (f"D{line}", p_value, only, seen.bits)
    return best


def _address_contact(seen: Disagreements) -> Contact | None:
    if seen.count < 3:
        return None
    lines = (int(seen.base.size) - 1).bit_length()
    best: Contact | None = None
    images = np.stack(seen.images)
    for line in range(lines):
        beside = seen.at ^ (1 << line)
        inside = beside < seen.base.size
        beside = np.where(inside, beside, seen.at)
        wrong_is_other = seen.other == seen.base[beside]
        hit = inside & (wrong_is_other | (seen.reference == images[seen.passes, beside]))
        hits = int(np.count_nonzero(hit))
        if hits < EXPLAINED * seen.count:
            continue
        shown = np.unique(np.where(wrong_is_other, seen.other, seen.reference)[hit])
        p_value = chance.corrected(_by_chance(shown, seen.base, _chance_of_neighbour(seen, line)), lines)
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


def _who(seen: Disagreements, still: list[Pass]) -> dict[str, object]:
    return {
        "passes": len(still),
        "readers": sorted({one.reader for one in still}),
        "addresses": [int(at) for at in seen.addresses[:LISTED]],
    }


# -- what is left ----------------------------------------------------------------------------------------------


def _unstable(seen: Disagreements, still: list[Pass]) -> Suspicion:
    changed = np.bitwise_or.reduce(seen.changed)
    lines = [f"D{line}" for line in range(seen.bits) if int(changed) >> line & 1]
    words = int(seen.addresses.size)
    widespread = words > 0.05 * seen.base.size
    habit = _habit(seen)
    return Suspicion(
        code=Code.UNSTABLE_BITS,
        severity=Severity.FAULT
        if widespread and len({one.reader for one in still}) == 1
        else Severity.CAUTION,
        where={"lines": lines, "addresses": _ranges(seen.addresses)[:LISTED]},
        evidence={
            "count": int(np.bitwise_count(seen.changed).sum()),
            "words": words,
            "pattern": habit.name,
            **habit.evidence,
            **_who(seen, still),
        },
        means=habit.means,
        also="Cells near their threshold, a tired supply, dirty contacts and noise look alike in two passes."
        if habit.name == "scattered"
        else "Weak cells that happen to lie so.",
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
    next: str


def _habit(seen: Disagreements) -> Habit:
    """Which habit the errors have: whole words dropped, a late 1 after a 0, errors where many address bits changed."""
    return _dropouts(seen) or _late_ones(seen) or _too_fast(seen) or _scattered(seen)


def _scattered(seen: Disagreements) -> Habit:
    return Habit(
        "scattered",
        {},
        f"{seen.addresses.size} words read differently from pass to pass, in no one line.",
        "Check the supply at the chip's leg while it is read, clean the legs, and take three more passes; bits that still "
        "flicker are weak cells: read at both ends of the data sheet's supply range.",
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
                f"Whole words drop to 0x{word:X} in bursts: the enable contact, or the supply, comes and goes.",
                "Clean the legs of enable and supply, re-seat, and watch the enable at the chip's own leg while reading.",
            )
    return None


def _before(seen: Disagreements) -> tuple[Words, NDArray[np.bool_]]:
    """The word read just before each disagreement, and where there is one."""
    return seen.base[np.maximum(seen.at - 1, 0)], seen.at > 0


def _late_ones(seen: Disagreements) -> Habit | None:
    """Every bit in doubt was 0 in the word before: a 1 after a 0 that arrives late. Weak or absent pull-ups."""
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
        "Bits are in doubt only where a 1 should follow a 0 in the same column: the 1 rises too slowly, as open-collector "
        "outputs without strong pull-ups do.",
        "Fit pull-ups of 1 to 4.7 kilohms on every data line, keep the wires short, slow the clock, and read again.",
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
        "Errors gather where many address bits change at once: the words were taken before the chip had settled.",
        "Slow the clock to a tenth and read again: errors that vanish were timing. Check the supply for sagging.",
    )

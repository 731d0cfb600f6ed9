"""Passes that are moved against each other: rotated, late, a word skipped or repeated, bytes lost or doubled.

`by` is in words: + missing from the reading, - extra. Which of two passes is the moved one cannot be seen from the
two alone; three tell. Source: the relations follow from the definition of a counter that starts late, bounces, or
misses a clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.flow import Pass, Words
from pipeline.stages.examine.suspicion import Suspicion
from schemas.finding import Code, Severity

MOVED_SHARE = 0.02
"""Fewer words than this share apart are single bits, not a move."""
MATCH = 0.9
WINDOW = 32
FARTHEST = 64
MOST_SLIPS = 8
LEAST_BEHIND = 8
"""Fewer words behind a break cannot tell how far the pass has moved: padding, or a last word read twice."""


@dataclass(frozen=True)
class Slip:
    """From word `at` on, the pass runs `by` words ahead (+, words missing) or behind (-, extra words)."""

    at: int
    by: int


def moved(reference: Pass, other: Pass, *, stream_damage: bool) -> Suspicion | None:
    """How `other` is moved against `reference`, or None where it is not.

    Args:
        reference: A pass over the chip.
        other: Another, of the same size.
        stream_damage: True where the file of `other` was too short or too long, so that a slip is the stream's.
    """
    apart = reference.words != other.words
    differing = int(np.count_nonzero(apart))
    if differing < 4 or (differing < MOVED_SHARE * apart.size and not _tail(apart, differing)):
        return None
    rotation = _rotation(reference.words, other.words)
    if rotation is not None:
        by, matches = rotation
        return _rotated(reference, other, by, matches)
    slips = _slips(reference.words, other.words)
    if slips:
        return _slipped(reference, other, slips, stream_damage=stream_damage)
    return None


def _tail(apart: NDArray[np.bool_], differing: int) -> bool:
    """Whether the words apart lie close together at the end, as after a late slip."""
    first = int(np.argmax(apart))
    return differing >= 4 and 2 * differing >= apart.size - first


def _coded(words: Words) -> NDArray[np.float64]:
    """Each word value as +1 or -1, so that matches add up and strangers cancel. Always the same coding."""
    mixed = words.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    top = (mixed ^ (mixed >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
    return ((top >> np.uint64(63)).astype(np.float64)) * 2.0 - 1.0


def _correlation(first: Words, second: Words) -> NDArray[np.float64]:
    """For each r how well second[a] fits first[(a + r) mod N]. Shape (N,)."""
    a, b = np.fft.rfft(_coded(first)), np.fft.rfft(_coded(second))
    return np.fft.irfft(a * np.conj(b), n=first.size)


def _rotation(first: Words, second: Words) -> tuple[int, int] | None:
    """The rotation under which all but a few words agree, if it is not 0 and the unrotated fit is worse."""
    size = int(first.size)
    fit = _correlation(first, second)
    best = np.argsort(fit)[-4:][::-1]
    for by in sorted((int(one) for one in best), key=lambda one: min(one, size - one)):
        matches = int(np.count_nonzero(np.roll(first, -by) == second))
        # The word that a counter fetches before its first clock may be anything: up to a few words may miss.
        if by and matches >= size - max(2, size // 100):
            return (by if by <= size // 2 else by - size), matches
    return None


def _rotated(reference: Pass, other: Pass, by: int, matches: int) -> Suspicion:
    late = by == -1
    size = int(reference.words.size)
    power = by != 0 and abs(by) & (abs(by) - 1) == 0 and not late
    return Suspicion(
        code=Code.LATE_BY_ONE if late else Code.ROTATED,
        severity=Severity.FAULT,
        where={"by": by, **_places(reference, other)},
        evidence={"by": by, "words_agreeing": matches, "words": size, "hypotheses": size},
        means=(
            "One pass is late by one word: the reader took each word before the chip showed it (a register, or sampled "
            "before the address moved)."
            if late
            else f"One pass starts {abs(by)} words {'later' if by > 0 else 'earlier'} in the chip than the other and runs "
            "round: the counter was not reset. Nothing is lost."
        ),
        also="A rotation by a power of two may also be an inverted top line." if power else
        "Which of the two is moved cannot be told from two passes.",
        next="Reset the counter, or drive its reset by hand, and read a third time: the two that agree start right.",
    )  # fmt: skip


def _places(reference: Pass, other: Pass) -> dict[str, object]:
    return {"reading": other.reading, "pass": other.number, "against": reference.reading}


def _slips(first: Words, second: Words) -> list[Slip]:
    """Walk both passes together; at each break look for the move after which they agree again.

    Nothing is claimed unless, moved so, nearly all words agree.
    """
    size = int(first.size)
    position, shift, agreeing = 0, 0, 0
    slips: list[Slip] = []
    while True:
        fits = _agreeing(first, second, shift)
        broken = _next_break(fits, position)
        until = size if broken is None else broken
        agreeing += int(np.count_nonzero(fits[position:until]))
        if broken is None or size - broken < LEAST_BEHIND:
            break
        move = _best_move(first, second, broken, shift)
        if move is None or len(slips) == MOST_SLIPS:
            break
        slips.append(Slip(broken, move))
        shift += move
        position = broken
    return slips if agreeing >= MATCH * size else []


def _agreeing(first: Words, second: Words, shift: int) -> NDArray[np.bool_]:
    """Where second[a] == first[a + shift], running round."""
    return np.asarray(np.roll(first, -shift) == second)


def _next_break(fits: NDArray[np.bool_], position: int) -> int | None:
    """The first word from `position` where the two part for good: most of the words behind differ."""
    for at in np.flatnonzero(~fits[position:])[:4096] + position:
        if 1 - float(fits[at : at + WINDOW].mean()) > 0.3:
            return int(at)
    return None


def _best_move(first: Words, second: Words, at: int, shift: int) -> int | None:
    size = int(first.size)
    window = np.arange(at, min(size, at + 4 * WINDOW))
    here = second[window]
    if window.size < 4:
        return None
    scores: list[tuple[float, int]] = []
    for move in range(1, FARTHEST + 1):
        for by in (move, -move):
            fit = float((first[(window + shift + by) % size] == here).mean())
            scores.append((fit, by))
    fit, by = max(scores, key=lambda one: (round(one[0], 3), -abs(one[1])))
    stays = float((first[(window + shift) % size] == here).mean())
    short = float((first[(window[:WINDOW] + shift + by) % size] == here[:WINDOW]).mean())
    return by if max(fit, short) >= MATCH and fit > stays + 0.2 else None


def _slipped(reference: Pass, other: Pass, slips: list[Slip], *, stream_damage: bool) -> Suspicion:
    total = sum(slip.by for slip in slips)
    first = slips[0]
    single = len(slips) == 1 and abs(first.by) == 1
    if single and not stream_damage:
        code = Code.SKIPS_WORDS if first.by > 0 else Code.REPEATS_WORDS
    else:
        code = Code.SLIPPED
    what = "missing" if total > 0 else "extra"
    times = f"in {len(slips)} places, first " if len(slips) > 1 else ""
    return Suspicion(
        code=code,
        severity=Severity.FAULT,
        where={"at": first.at, "by": first.by, **_places(reference, other)},
        evidence={
            "at": first.at,
            "by": first.by,
            "slips": [{"at": slip.at, "by": slip.by} for slip in slips],
            "words": int(reference.words.size),
            "hypotheses": 2 * FARTHEST,
        },
        means=f"One pass has {abs(total)} words {what} against the other, {times}at address {first.at}: "
        + ("bytes were lost or doubled on the way to the file." if code is Code.SLIPPED else
           "the counter bounced and skipped a word." if first.by > 0 else "the counter missed a clock."),
        also="The other pass may be the moved one: two passes cannot tell. A counter and a serial line can both do this."
        ,
        next="Read a third time, slower and with flow control; the passes that agree are right. Clean the clock edge of a "
        "counter that bounces.",
    )  # fmt: skip

"""Passes that are moved against each other: rotated, late, a word skipped or repeated, bytes lost or doubled.

`by` is in words: + missing from the reading, - extra. Which of two passes is the moved one cannot be seen
from the two alone; three tell. Source: the relations follow from the definition of a counter that starts
late, bounces, or misses a clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.flow import Pass
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code, Severity

MOVED_SHARE = 0.02
"""Fewer words than this share apart are single bits, not a move."""
LEAST_APART = 3
MATCH = 0.9
WINDOW = 32
SHORT = 8
MOST_TRIES = 64
FARTHEST = 64
_MOVES = np.array([by for move in range(1, FARTHEST + 1) for by in (move, -move)], dtype=np.int64)
"""Nearest first, so that of two moves that fit alike the smaller is taken."""
MOST_SLIPS = 8
LEAST_BEHIND = 8
"""So many words at the end of a pass that lost some may be padding."""


@dataclass(frozen=True)
class PassShift:
    """From word `at` on, the pass runs `by` words ahead (+, words missing) or behind (-, extra words)."""

    at: int
    by: int


def moved(reference: Pass, other: Pass, *, stream_damage: bool) -> Suspicion | None:
    """How `other` is moved against `reference`, or None where it is not.

    Args:
        reference: A pass over the chip.
        other: Another, of the same size.
        stream_damage: True where the file of `other` was too short or too long, so that a slip is the
            stream's.
    """
    apart = reference.words != other.words
    differing = int(np.count_nonzero(apart))
    if differing < LEAST_APART or not _dense(apart, differing):
        return None
    paced = _other_pace(reference, other)
    if paced is not None:
        return paced
    rotation = _rotation(reference.words, other.words)
    if rotation is not None and rotation[1] >= apart.size - 1:
        return _rotated(reference, other, *rotation)
    slips, agreeing = _slips(reference.words, other.words)
    # A slip near the front leaves a rotation with a few words that do not fit: take what explains more.
    if rotation is not None and (not slips or rotation[1] >= agreeing):
        return _rotated(reference, other, *rotation)
    if slips:
        return _slipped(reference, other, slips, stream_damage=stream_damage)
    return None


def _other_pace(reference: Pass, other: Pass) -> Suspicion | None:
    """A counter that counts twice a clock shows every second word; one that counts every second clock, each twice."""
    size = int(reference.words.size)
    counted = np.arange(size)
    for by, at in ((1, (2 * counted) % size), (-1, counted >> 1)):
        agreeing = int(np.count_nonzero(reference.words[at] == other.words))
        if agreeing >= size - max(2, size // 100):
            return _paced(reference, other, by, agreeing)
    return None


def _paced(reference: Pass, other: Pass, by: int, agreeing: int) -> Suspicion:
    return Suspicion(
        code=Code.SKIPS_WORDS if by > 0 else Code.REPEATS_WORDS,
        severity=Severity.FAULT,
        where={"at": 0, "by": by, **_places(reference, other)},
        evidence={
            "by": by,
            "every": True,
            "words_agreeing": agreeing,
            "words": int(reference.words.size),
            "hypotheses": 2,
        },
        means="One pass shows every second word, then the same again: its counter counts twice a clock."
        if by > 0
        else (
            "One pass shows each word twice and only half of the chip: its counter counts every second clock."
        ),
        also="A dead top address line shows the same content twice as well."
        if by > 0
        else "A dead A0 shows each word twice as well, but reaches the whole chip.",
        next=step("counter-clock"),
    )


def _dense(apart: NDArray[np.bool_], differing: int) -> bool:
    """Whether the words apart are many, or somewhere close together: single cells that flicker are neither."""
    if differing >= MOVED_SHARE * apart.size:
        return True
    total = np.cumsum(np.concatenate([[0], apart]))
    return bool((total[SHORT:] - total[:-SHORT] >= SHORT // 2 - 1).any()) if apart.size > SHORT else False


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
            "One pass is late by one word: the reader took each word before the chip showed it (a "
            "register, or sampled "
            "before the address moved)."
            if late
            else f"One pass starts {abs(by)} words {'later' if by > 0 else 'earlier'} in the chip than "
            f"the other and runs "
            "round: the counter was not reset. Nothing is lost."
        ),
        also="A rotation by a power of two may also be an inverted top line."
        if power
        else "Which of the two is moved cannot be told from two passes.",
        next=step("reset-counter"),
    )


def _places(reference: Pass, other: Pass) -> dict[str, object]:
    return {"readings": [other.reading], "pass": other.number, "against": reference.reading}


def _slips(first: Words, second: Words) -> tuple[list[PassShift], int]:
    """Walk both passes together; at each break look for the move after which they agree again.

    Nothing is claimed unless, moved so, nearly all words agree, and those that did not agree unmoved do now.
    """
    size = int(first.size)
    shift, position = 0, 0
    slips: list[PassShift] = []
    followed = np.zeros(size, dtype=np.bool_)
    while True:
        fits = _agreeing(first, second, shift)
        found = _next_slip(first, second, fits, position, shift)
        until = size if found is None else found.at
        followed[position:until] = fits[position:until]
        if found is None or len(slips) == MOST_SLIPS:
            break
        slips.append(found)
        shift += found.by
        position = found.at
    apart = first != second
    mended = float(followed[apart].mean())
    if float(followed.mean()) < MATCH or mended < MATCH - _padding(apart):
        return [], 0
    return slips, int(np.count_nonzero(followed))


def _padding(apart: NDArray[np.bool_]) -> float:
    """The share of the words apart that the padding at the end of a short pass may be."""
    return min(0.4, LEAST_BEHIND / max(1, int(np.count_nonzero(apart))))


def _agreeing(first: Words, second: Words, shift: int) -> NDArray[np.bool_]:
    """Where second[a] == first[a + shift], running round."""
    return np.asarray(np.roll(first, -shift) == second)


def _next_slip(
    first: Words, second: Words, fits: NDArray[np.bool_], position: int, shift: int
) -> PassShift | None:
    """The first word from `position` at which the two part for good, with the move that brings them together."""
    tries = 0
    for at in np.flatnonzero(~fits[position:])[:4096] + position:
        if int(np.count_nonzero(~fits[at : at + SHORT])) < 3:
            continue
        by = _best_move(first, second, fits, int(at), shift)
        if by is not None:
            return PassShift(_first_place(_agreeing(first, second, shift + by), fits, int(at), position), by)
        tries += 1
        if tries == MOST_TRIES:
            return None
    return None


def _first_place(moved: NDArray[np.bool_], fits: NDArray[np.bool_], at: int, position: int) -> int:
    """Back from `at` as far as the moved pass fits, then on to the first word that the unmoved one misses."""
    misses = np.flatnonzero(~moved[position:at])
    start = position + int(misses[-1]) + 1 if misses.size else position
    return start + int(np.argmin(fits[start : at + 1]))


def _best_move(first: Words, second: Words, fits: NDArray[np.bool_], at: int, shift: int) -> int | None:
    """The smallest move under which the words behind agree: all, and above all those that did not agree unmoved."""
    size = int(first.size)
    for length in (4 * WINDOW, SHORT + SHORT // 2):
        # The last words of a pass that lost some are padding, and fit nowhere.
        end = size - min(LEAST_BEHIND, (size - at) // 4)
        window = np.arange(at, min(end, at + length))
        apart = ~fits[window]
        if int(np.count_nonzero(apart)) < 3:
            return None
        sources = (window[None, :] + shift + _MOVES[:, None]) % size
        agree = first[sources] == second[window][None, :]
        score = agree[:, apart].mean(axis=1) + agree.mean(axis=1)
        best = int(score.argmax())
        if score[best] >= 2 * MATCH:
            return int(_MOVES[best])
    return None


def _slipped(reference: Pass, other: Pass, slips: list[PassShift], *, stream_damage: bool) -> Suspicion:
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
        + (
            "bytes were lost or doubled on the way to the file."
            if code is Code.SLIPPED
            else "the counter bounced and skipped a word."
            if first.by > 0
            else "the counter missed a clock."
        ),
        also=(
            "The other pass may be the moved one: two passes cannot tell. A counter and a serial line "
            "can both do this."
        ),
        next=step("third-pass"),
    )

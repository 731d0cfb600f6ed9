"""Stretches filled with one word or a short pattern, and what they speak for.

Design, decay or nothing driven.

Large parts of old chips are empty, and nobody but the content can say whether that is so by design. The rules
below each have a ground and a limit; where two causes look the same the answer is "cannot tell" and names the
reading that would decide.

Source: common practice, no source: floating-gate EPROM cells fade only
towards the erased level; an undriven bus fills a power-of-two block at the pull level; blank and undriven
look the same where both levels agree.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import advise
from pipeline.stages.content.runs import alignment, runs
from pipeline.words import Words
from schemas.vocabulary import Kind

if TYPE_CHECKING:
    from schemas.part import Part
    from schemas.record import RegionDetail

LONGEST_PERIOD = 16
_LARGE = 128
_GROUP = 8
UNUSED = "consistent with unused space"
ON_PURPOSE = "programmed on purpose"
CANNOT_TELL = "cannot tell"


class Fill(NamedTuple):
    """A stretch that repeats one pattern.

    Attributes:
        start: First word address.
        end: Address behind the last word.
        period: Words in the pattern; 1 is a constant.
    """

    start: int
    end: int
    period: int


def least_fill(total: int) -> int:
    """The shortest fill worth naming in an image of so many words.

    16, less in the smallest, more in the largest.
    """
    return max(4, total // 8) if total < 128 else max(16, total // 1024)


class _Periods:
    """Which periods can explain something yet, by groups of eight bytes that equal what stands so far on.

    A fill repeats at every longer distance, too. A new one has 15 words of its own before its last pattern,
    hence one aligned group that is not all explained.

    Args:
        words: Shape (n,); small images are not asked, and any period may explain them.
    """

    def __init__(self, words: Words) -> None:
        self._equal = _repeating(words) if len(words) >= _LARGE else None
        self._words_a_group = max(_GROUP // words.dtype.itemsize, 1)
        self.may: NDArray[np.bool_] = np.ones(LONGEST_PERIOD, np.bool_)
        if self._equal is not None:
            self.may = np.asarray(self._equal.any(axis=1))

    def leave_out(self, covered: NDArray[np.bool_]) -> None:
        """What is explained already asks for no longer period."""
        if self._equal is not None:
            count = self._equal.shape[1]
            whole = covered[: count * self._words_a_group].view(f"u{self._words_a_group}")
            explained = whole == int.from_bytes(b"\1" * self._words_a_group)
            self.may = np.asarray((self._equal & ~explained).any(axis=1))


def _repeating(words: Words) -> NDArray[np.bool_]:
    """Shape (periods, groups of eight bytes): which groups equal what stands some words on.

    Behind the last word stand zeros; what equals them is looked at in vain.
    """
    size = words.dtype.itemsize
    raw = words.tobytes() + bytes(LONGEST_PERIOD * size + _GROUP)
    count = words.nbytes // _GROUP
    first = np.ndarray((count,), dtype=np.uint64, buffer=raw)
    later = np.ndarray((LONGEST_PERIOD, count), np.uint64, raw, offset=size, strides=(size, _GROUP))
    # A period a row in memory, as each is looked through.
    return np.asarray(np.equal(first, later, order="C"))


def _least_of(period: int, total: int) -> int:
    """Words that a fill of some period must explain, in an image of so many."""
    need = max(least_fill(total), 4 * period)
    return max(need, period + 15) if total >= _LARGE else need


def find_fills(words: Words) -> list[Fill]:
    """Every fill with a period of 1 to 16 words, the shortest period that explains a place first.

    A pattern has to stand four times at least, so that a table is not called a fill.

    Args:
        words: Shape (n,).

    Returns:
        In order of period, then address; a longer period is given only where it explains new words.
    """
    total, periods = len(words), _Periods(words)
    covered = np.zeros(total, dtype=bool)
    found: list[Fill] = []
    for period in range(1, min(LONGEST_PERIOD, total // 4) + 1):
        if not periods.may[period - 1]:
            continue
        need, before = _least_of(period, total), len(found)
        for start, last in runs(words[period:] == words[:-period], need - period):
            end = last + period
            if np.count_nonzero(~covered[start:end]) >= need:
                found.append(Fill(start, end, period))
                covered[start:end] = True
        if len(found) > before:
            periods.leave_out(covered)
    return found


def _level(fill: Fill, words: Words, bits: int) -> int | None:
    """0 or 1 where every bit of the fill is at that level, else None."""
    if fill.period != 1:
        return None
    word = int(words[fill.start])
    return 0 if word == 0 else 1 if word == (1 << bits) - 1 else None


def _power_of_two_block(fill: Fill, total: int) -> bool:
    """Whether the fill is one aligned power-of-two block, as an undriven range of addresses would be."""
    size = fill.end - fill.start
    return size == total or (size & (size - 1) == 0 and fill.start % size == 0)


def judge(
    fill: Fill, words: Words, bits: int, *, erased_state: int | None, part: Part | None
) -> RegionDetail:
    """What a fill speaks for, with the ground: unused space, programmed on purpose, or cannot tell.

    Args:
        fill: The stretch.
        words: The image it lies in.
        bits: Bits a word.
        erased_state: Level of an unprogrammed cell of this very marking; None where not known. A look-alike's
            level does not count.
        part: Catalogue entry, for the kind of cell and the level it fades to.

    Returns:
        `word` or `pattern`, `period`, `equals_unprogrammed`, `differs_in` (lines by which it differs from the
        unprogrammed word), `start_alignment`, `end_alignment`, `edges_aligned`, `means`, `why`, `decides`
        (the reading that would).
    """
    total = len(words)
    digits = (bits + 3) // 4
    pattern = [int(word) for word in words[fill.start : fill.start + fill.period]]
    first, last = alignment(fill.start, total), alignment(fill.end, total)
    if fill.end == total:
        last = total
    out: RegionDetail = {"period": fill.period}
    if fill.period == 1:
        out["word"] = f"{pattern[0]:0{digits}X}"
    else:
        out["pattern"] = [f"{word:0{digits}X}" for word in pattern]
    means, why = _verdict(fill, words, bits, erased_state=erased_state, part=part)
    level = _level(fill, words, bits)
    out["equals_unprogrammed"] = None if erased_state is None else level == erased_state
    if erased_state is not None and level != erased_state:
        blank = (1 << bits) - 1 if erased_state else 0
        wrong = 0
        for word in pattern:
            wrong |= word ^ blank
        out["differs_in"] = [f"D{line}" for line in range(bits) if wrong >> line & 1]
    out |= {
        "start_alignment": first,
        "end_alignment": last,
        "edges_aligned": min(first, last) >= max(4, min(16, total // 8)),
        "means": means,
        "why": why,
        "decides": _what_decides(part) if means != ON_PURPOSE else advise("fill-on-purpose"),
    }
    return out


def _what_decides(part: Part | None) -> str:
    """The reading that tells an empty stretch from outputs that are not driven."""
    return advise("fill-open-collector" if part is not None and part.open_collector else "fill-pulls", part)


def _verdict(
    fill: Fill, words: Words, bits: int, *, erased_state: int | None, part: Part | None
) -> tuple[str, str]:
    """The rules, the first that applies."""
    level = _level(fill, words, bits)
    block = _power_of_two_block(fill, len(words))
    if level is None:
        return ON_PURPOSE, (
            "a pattern with both levels is neither an unprogrammed cell nor a pull; an undriven bus that "
            "keeps its last value could show one, and would change from pass to pass"
        )
    if part is not None and part.kind == Kind.MASK_ROM:
        if block:
            return CANNOT_TELL, (
                "every bit of a mask ROM was made on purpose, but a whole power-of-two block at one level is "
                "also what a select at the wrong level shows: a reading at each level of the selects, or "
                "with the other pulls, decides"
            )
        return (
            ON_PURPOSE,
            "every bit of a mask ROM was made on purpose; an undriven range would be a whole block",
        )
    if erased_state is None:
        return CANNOT_TELL, (
            "the unprogrammed level of this marking is not known; a look-alike's level proves nothing. A "
            "blank chip of the same marking, or the data sheet, decides"
        )
    if level == erased_state:
        return _unused_reason(level, part, block=block)
    return _other_level(level, part, block=block)


def _unused_reason(level: int, part: Part | None, *, block: bool) -> tuple[str, str]:
    """A fill at the unprogrammed level."""
    limit = (
        f"outputs that were not driven would read the same behind pulls to {level}"
        if block
        else ("undriven outputs would fill a whole power-of-two block, and this is not one")
    )
    fades = part.fades_to if part is not None else None
    decay = (
        ""
        if fades != level
        else (
            ". Cells of this kind fade towards this level, so the stretch alone cannot rule out that a few "
            "words lost their content; a whole stretch with a clean edge has not been seen to fade"
        )
    )
    return UNUSED, f"unprogrammed cells of this marking read {level}; {limit}{decay}"


def _other_level(level: int, part: Part | None, *, block: bool) -> tuple[str, str]:
    """A fill at the level that is not the unprogrammed one."""
    fades = part.fades_to if part is not None else None
    ground = f"unprogrammed cells of this marking read {1 - level}"
    if fades == 1 - level:
        ground += f", and its cells fade only to {fades}, so decay cannot have made this"
    pulls = (
        "open-collector outputs always have pull-ups"
        if level and part is not None and part.open_collector
        else (f"outputs that are not driven read {level} behind pulls to {level}")
    )
    if block:
        return CANNOT_TELL, (
            f"{ground}: it was programmed on purpose or not driven at all ({pulls}). A reading with the "
            "other pulls, or by a second reader, decides"
        )
    return ON_PURPOSE, f"{ground}; an undriven range would be a whole power-of-two block, and this is not one"

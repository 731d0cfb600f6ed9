"""Streams that lost or doubled words: where, how many, and the rest brought back into step.

A byte lost on a serial line shifts everything after it; compared word for word the rest looks wrong though it
was read well. The second stream is followed along a diagonal until it stops agreeing; the next diagonal that
agrees gives the slip, and the place is the one that leaves fewest differences. Short troubled stretches are
aligned by edit distance (rapidfuzz).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.lines.measure import ones
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.answers import SlipRecord

WINDOW = 24
"""Words looked at together; a diagonal is left where more than half of them disagree."""
PROBES = (32, 64, 128, 256)
"""Words looked for elsewhere; longer ones only where the shorter are found in several places."""
REACHES = (96, 4096)
"""The farthest slip looked for, in words; the nearer first."""
LOOK_BACK = 512
"""How far before the trouble a slip may lie, among equal words."""
MOST_SLIPS = 256
MOST_FAILURES = 24


class Slip(NamedTuple):
    """Words lost from, or doubled in, a stream.

    Attributes:
        at: Word address in the first: there the missing words stood, or before it the extra ones come.
        by: Words: + missing from the second, − extra in it.
        latest: The last address that explains as well; beyond `at` where the words around are alike.
    """

    at: int
    by: int
    latest: int

    def in_words(self) -> str:
        """The slip as a person says it.

        Example:
            >>> Slip(0x3A3, 1, 0x3A3).in_words()
            '1 word lost after address 0x3A2'
        """
        count = abs(self.by)
        what = f"{count} word{'s' if count != 1 else ''} {'lost' if self.by > 0 else 'too many'}"
        place = f"after address 0x{self.at - 1:X}" if self.at else "before address 0x0"
        return what + f" {place}" + (f" (or as late as 0x{self.latest:X})" if self.latest > self.at else "")

    def to_json(self) -> SlipRecord:
        """As the project's documents carry it."""
        return {"at": self.at, "by": self.by, "latest": self.latest}


class Aligned(NamedTuple):
    """The second stream in the first's order.

    Attributes:
        slips: Where words were lost or doubled, by rising address.
        words: As many words as the first has; 0 where the second has none.
        present: False where the second has no word.
        differing_words: How many present words differ.
        differing_bits: In how many bits.
        extra_at_end: Words of the second that come after the first's last word.
        missing_at_end: Words of the first after the second's last word.
    """

    slips: tuple[Slip, ...]
    words: Words
    present: NDArray[np.bool_]
    differing_words: int
    differing_bits: int
    extra_at_end: int
    missing_at_end: int

    @property
    def distance(self) -> int:
        """Words replaced, lost or inserted, the ends included: an upper bound of the edit distance."""
        moved = sum(abs(slip.by) for slip in self.slips)
        return self.differing_words + moved + self.extra_at_end + self.missing_at_end


class _Piece(NamedTuple):
    """From `start` of the first on, word i of the first is word i + shift of the second, until `stop`."""

    start: int
    stop: int
    shift: int


def align(first: Words, second: Words) -> Aligned:
    """The second stream brought into the first's order.

    Args:
        first: Words of the stream taken as right.
        second: Words of the other, of any number.

    Returns:
        The slips and the second in the first's order. Nothing is raised.
    """
    pieces, slips = _follow(first, second)
    pieces, slips = _refine(first, second, pieces, slips)
    words = np.zeros_like(first)
    present = np.zeros(first.size, dtype=np.bool_)
    for piece in pieces:
        start, stop = max(piece.start, -piece.shift), min(piece.stop, second.size - piece.shift)
        if start < stop:
            words[start:stop] = second[start + piece.shift : stop + piece.shift]
            present[start:stop] = True
    wrong = np.where(present, words ^ first, first.dtype.type(0))
    end = pieces[-1].shift + first.size
    return Aligned(
        slips=tuple(slips),
        words=words,
        present=present,
        differing_words=int(np.count_nonzero(wrong)),
        differing_bits=ones(wrong),
        extra_at_end=max(0, second.size - end),
        missing_at_end=max(0, end - second.size),
    )


def _disagreement(first: Words, second: Words, start: int, stop: int, shift: int) -> NDArray[np.bool_]:
    """Which words of first[start:stop] the second does not bear out at this shift; absent words count."""
    wrong = np.ones(max(0, stop - start), dtype=np.bool_)
    low, high = max(start, -shift), min(stop, second.size - shift)
    if low < high:
        np.not_equal(
            first[low:high], second[low + shift : high + shift], out=wrong[low - start : high - start]
        )
    return wrong


def _first_bad(wrong: NDArray[np.bool_]) -> int | None:
    """Where the first window begins of which more than half disagrees."""
    if wrong.size < WINDOW:
        return None
    total = np.concatenate([[0], np.cumsum(wrong, dtype=np.int64)])
    bad = np.flatnonzero(total[WINDOW:] - total[:-WINDOW] > WINDOW // 2)
    return int(bad[0]) if bad.size else None


def _follow(first: Words, second: Words) -> tuple[list[_Piece], list[Slip]]:
    """Follow the diagonals from the first word to the last."""
    pieces: list[_Piece] = []
    slips: list[Slip] = []
    start = looked = shift = failures = 0
    step = WINDOW
    while len(slips) < MOST_SLIPS and failures < MOST_FAILURES:
        stop = min(first.size, second.size - shift)
        bad = _first_bad(_disagreement(first, second, looked, stop, shift))
        if bad is None:
            break
        bad += looked
        found = _next_shift(first, second, bad, shift)
        # Where nothing is found the trouble may be one of bits alone: the next look is further on, and ever
        # further, so that a wholly different image costs a few looks and not one a word.
        # A loss of more words than are left has no place: what seems to go on so stood there before.
        if found is None or shift - found > first.size - max(start, bad - LOOK_BACK):
            failures += 1
            looked = bad + step
            step *= 2
            continue
        step = WINDOW
        slip = _place(first, second, max(start, bad - LOOK_BACK), bad, (shift, found))
        pieces.append(_Piece(start, slip.at, shift))
        slips.append(slip)
        start = slip.at + max(0, slip.by)
        shift = found
        looked = max(start, bad)
    pieces.append(_Piece(start, first.size, shift))
    return pieces, slips


def _next_shift(first: Words, second: Words, bad: int, shift: int) -> int | None:
    """The nearest shift that bears out the words after the trouble, where the old one does not.

    Words lost: what the second goes on with stands further on in the first. Words too many: what the first
    goes on with stands further on in the second. So each is looked for in the other.
    """
    # Near first: most slips are of a few words, and in a far stretch words that stand there by chance are
    # many.
    for reach in REACHES:
        for skip in (WINDOW, WINDOW + 16, WINDOW + 64):
            lost = _found_in(second, first, bad + shift + skip, -shift, reach)
            extra = _found_in(first, second, bad + skip, shift, reach)
            shifts = [found for found in (None if lost is None else -lost, extra) if found is not None]
            if shifts:
                return min(shifts, key=lambda found: abs(found - shift))
    return None


def _found_in(one: Words, other: Words, begin: int, shift: int, reach: int) -> int | None:
    """The shift at which words of one stream stand in the other, told apart by ever longer probes."""
    candidates: NDArray[np.int64] | None = None
    for probe in PROBES:
        words = one[begin : begin + probe]
        low = max(0, begin + shift - reach)
        stretch = other[low : begin + shift + reach + words.size]
        if begin < 0 or words.size < WINDOW // 2 or stretch.size < words.size:
            break
        views = np.lib.stride_tricks.sliding_window_view(stretch, words.size)
        hits = np.count_nonzero(views == words, axis=1)
        shifts = low + np.arange(hits.size) - begin
        old = int(np.count_nonzero(~_disagreement(one, other, begin, begin + words.size, shift)))
        good = shifts[(hits >= 0.75 * words.size) & (hits - old >= 0.4 * words.size)]
        narrowed = good if candidates is None else np.intersect1d(candidates, good)
        if not narrowed.size:
            break
        candidates = narrowed
        if candidates.size == 1:
            break
    if candidates is None:
        return None
    return int(candidates[np.abs(candidates - shift).argmin()])


def _place(first: Words, second: Words, low: int, bad: int, shifts: tuple[int, int]) -> Slip:
    """Where between the two diagonals the slip leaves fewest words unexplained."""
    shift, found = shifts
    by = shift - found
    gap = max(0, by)
    high = min(first.size, bad + 2 * WINDOW + gap)
    before = np.concatenate([[0], np.cumsum(_disagreement(first, second, low, high, shift), dtype=np.int64)])
    after = np.concatenate([[0], np.cumsum(_disagreement(first, second, low, high, found), dtype=np.int64)])
    cuts = np.arange(0, high - low - gap + 1)
    # For each cut, words wrong before it on the old diagonal and behind it on the new: two cumulative sums
    # give all of them at once.
    costs = before[cuts] + after[-1] - after[cuts + gap]
    best = np.flatnonzero(costs == costs.min())
    return Slip(low + int(best[0]), by, low + int(best[-1]))


def _refine(
    first: Words, second: Words, pieces: list[_Piece], slips: list[Slip]
) -> tuple[list[_Piece], list[Slip]]:
    """Align short troubled stretches inside a piece by edit distance, where that explains much more."""
    new_pieces: list[_Piece] = []
    new_slips: list[Slip] = []
    for number, piece in enumerate(pieces):
        last = number == len(pieces) - 1
        more_pieces, more_slips = _refine_piece(first, second, piece, last=last)
        new_pieces += more_pieces
        new_slips += more_slips
        if not last:
            old = slips[number]
            drift = more_pieces[-1].shift - piece.shift
            if drift:
                raise AssertionError("a refined piece ends on the diagonal it began on")
            new_slips.append(old)
    return new_pieces, new_slips


def _refine_piece(
    first: Words, second: Words, piece: _Piece, *, last: bool
) -> tuple[list[_Piece], list[Slip]]:
    """One piece, cut where edit distance finds words lost and doubled within a short stretch."""
    wrong = np.flatnonzero(
        _disagreement(first, second, piece.start, min(piece.stop, second.size - piece.shift), piece.shift)
    )
    pieces: list[_Piece] = []
    slips: list[Slip] = []
    start, shift = piece.start, piece.shift
    for low, high in _clusters(wrong + piece.start):
        end = last and high + WINDOW >= min(piece.stop, second.size - piece.shift)
        stretch = max(start, low - 4), min(piece.stop, high + 5)
        edits = _edits(first, second, stretch, shift, open_end=end)
        for at, by in edits:
            pieces.append(_Piece(start, at, shift))
            slips.append(Slip(at, by, at))
            start, shift = at + max(0, by), shift - by
    pieces.append(_Piece(start, piece.stop, shift))
    return pieces, slips


def _clusters(places: NDArray[np.intp]) -> list[tuple[int, int]]:
    """Runs of at least 3 differing words no farther than half a window apart, at most 512 long.

    (first, last).
    """
    if places.size < 3:
        return []
    cuts = np.flatnonzero(np.diff(places) > WINDOW // 2) + 1
    runs = [(int(run[0]), int(run[-1]), run.size) for run in np.split(places, cuts)]
    return [(low, high) for low, high, count in runs if count >= 3 and high - low < 512][:MOST_SLIPS]


def _edits(
    first: Words, second: Words, stretch: tuple[int, int], shift: int, *, open_end: bool
) -> list[tuple[int, int]]:
    """(address, by) of what edit distance finds in a stretch, where it halves the differences."""
    from rapidfuzz.distance import Levenshtein

    low, high = stretch
    one = first[low:high].tolist()
    other = second[max(0, low + shift) : high + shift].tolist()
    plain = sum(a != b for a, b in zip(one, other, strict=False))
    # Edit distance (Levenshtein 1966) takes time in proportion to the product of the lengths: on short
    # stretches only.
    operations = Levenshtein.editops(one, other)
    if open_end:
        inner = [op for op in operations if op.src_pos < len(one) - 1 or op.tag == "replace"]
    else:
        inner = list(operations)
    # Any two streams can be edited into each other; it explains something only where it halves what differs.
    if 2 * len(inner) > plain or plain - len(inner) < 3:
        return []
    moves: dict[int, int] = {}
    for op in inner:
        if op.tag != "replace":
            moves[low + op.src_pos] = moves.get(low + op.src_pos, 0) + (1 if op.tag == "delete" else -1)
    merged: list[tuple[int, int]] = []
    for at, by in sorted(moves.items()):
        if merged and by > 0 and merged[-1][1] > 0 and merged[-1][0] + merged[-1][1] == at:
            merged[-1] = (merged[-1][0], merged[-1][1] + by)
        elif by:
            merged.append((at, by))
    drift = sum(by for _, by in merged)
    return merged if open_end or drift == 0 else []

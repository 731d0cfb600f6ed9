"""Columns of a microword that carry the address of the next word, and what they tell of the address lines.

A microprogram without a counter names the next word in each word. Where most words name the one that stands
behind them, those columns are the word's address and one more: the lowest line turns over every time, each
line above it only where all below are 1. So the columns tell which line is which, and with what polarity.
Where the words of a routine only lie near each other the columns follow the upper lines, and neither order
nor polarity can be told.

Source: binary addition of one (definition). A table that counts by design does the same, so that words that
lead elsewhere have to stand in between. Does not work: microprograms whose next word is implied.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache, reduce
from math import exp, lgamma, log
from operator import itemgetter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.linked import busy
from pipeline.stages.content.runs import runs
from pipeline.words import Words

LEAST_LINES, _FEWEST_USED = 5, 24
"""Lines that must be followed, and used words that must be there, before anything is said."""
MOST_WORDS, _MOST_LOOKED_AT = 1 << 14, 1 << 12
"""Larger chips hold no microcode; of those that are searched so many used words are looked at."""
_AGREES, _NEAR_AGREES = (0.2, 0.3, 0.5, 0.6, 0.75), 0.4
"""Agreement beyond chance of the first columns and of those behind them, each among the words that fit so
far: with every column that is right fewer words are left that fit by chance. Then that of columns which only
follow upper lines. Source of the measure: Cohen's kappa (definition).
"""
_LEAST_SHARE, _LEAST_NEAR = 0.25, 0.4
"""Of the used words so many must go on behind themselves, or near themselves."""
_EVEN = 0.4
"""Where a line is 1 at least this share as often goes on as where it is 0: half a counter does not."""
_LEAST_AWAY, _LEAST_RUNS, _LONGEST_AWAY = 0.04, 8, 8.0
"""So many words lead elsewhere, in so many runs at least, of so many words on average at most."""
_DECIDED = 4
"""More words than this must go on in the order told than in another: some 3 nats each."""
_LEAST_ORDERED = 3
"""Lines of which counting shows the order: columns that only follow lines do not count."""
_LEAST_LOOSE = 2
"""Lines that are not followed where words only lie near: a counter's lowest ones are."""
_MOST_STRANGE = 1
"""Of a field narrower than the address the lines are the lowest ones, but for one exchange."""
_KEPT_BY_LINE = 2
_SURE = 1e-9
_ROUNDING = 1e-4
"""More than sums of single precision taken in another order differ by."""


class Follows(NamedTuple):
    """One column of the microword.

    Attributes:
        column: Data line of the whole word, those of the first chip first.
        line: The address line that it follows.
        inverted: It is the inverse of that line's next value, as far as the polarities are told.
    """

    column: int
    line: int
    inverted: bool


class NextAddress(NamedTuple):
    """Which columns follow the address, and what that tells.

    Attributes:
        columns: By the line's weight, the least first.
        ordered: So many of them, from the first, stand in an order that counting shows.
        turned: Lines that count inverted.
        used: Words that were looked at.
        going_on: How many of these name the word behind them, or one near.
        counts: They name the word behind; else one near.
        chance: How often columns that have nothing to do with the address would do so, all tried counted.
    """

    columns: tuple[Follows, ...]
    ordered: int
    turned: tuple[int, ...]
    used: int
    going_on: int
    counts: bool
    chance: float


Signs = NDArray[np.float32]
"""Shape (columns or lines, used words): 1 where the bit is 1, else -1."""
Mask = NDArray[np.bool_]


_Pick = tuple[int, int, int]
"""Column, line, and whether they are equal (1) or opposite (-1)."""


class _Field(NamedTuple):
    """Columns picked so far, lines that are taken inverted, the words that fit, those that carry on."""

    picks: tuple[_Pick, ...]
    turned: frozenset[int]
    fit: Mask
    carry: Mask
    score: float


def next_address(lanes: Sequence[Words], bits: Sequence[int]) -> NextAddress | None:
    """The columns of a microword that follow the address, if there are such.

    Args:
        lanes: Chips side by side, each of shape (n,), n a power of two.
        bits: Bits a word of each.

    Returns:
        None where none do, or where chance or a counter explains it. Nothing is raised.
    """
    total = len(lanes[0])
    if total & (total - 1) or not 1 << LEAST_LINES <= total <= MOST_WORDS:
        return None
    at = _used(lanes)
    if len(at) < _FEWEST_USED:
        return None
    # Of most chips no column goes with any line: neither search would take a first step.
    if _closest(lanes, bits, at) < min(_AGREES[0], _NEAR_AGREES) - _ROUNDING:
        return None
    one = np.concatenate([_signs(lane[at], width) for lane, width in zip(lanes, bits, strict=True)])
    lines = _signs(at.astype(np.uint16), total.bit_length() - 1)
    varying = np.abs(one.mean(axis=1)) < 1 - 2 * _LEAST_AWAY
    one[~varying] = 0
    return _counting(one, lines) or _near(one, lines)


def _used(lanes: Sequence[Words]) -> NDArray[np.intp]:
    """The addresses of words that are no fill, at most so many, in blocks of 64 where they are more."""
    at = np.flatnonzero(reduce(np.logical_or, map(busy, lanes)))
    if len(at) <= _MOST_LOOKED_AT:
        return at
    number = np.arange(_MOST_LOOKED_AT)
    return np.asarray(at[number % 64 + number // 64 * (len(at) // (_MOST_LOOKED_AT // 64))])


@lru_cache(maxsize=8)
def _line_bits(total: int) -> NDArray[np.float32]:
    """Shape (1 + lines, words): 1, and the bits of each address; at most 1 MB."""
    lines = np.arange(total) >> np.arange(total.bit_length() - 1)[:, None] & 1
    return np.concatenate([np.ones((1, total)), lines]).astype(np.float32)


def _closest(lanes: Sequence[Words], bits: Sequence[int], at: NDArray[np.intp]) -> float:
    """How well the column and the line agree that do so best, as `_agreement` says it but for rounding.

    Counted over bits in one product: sums of zeros and ones are exact in whatever order they are taken.
    """
    used = np.zeros(len(lanes[0]), dtype=bool)
    used[at] = True
    each = zip(lanes, bits, strict=True)
    columns = [used, *(lane >> line & used for lane, width in each for line in range(width))]
    both = np.array(columns, dtype=np.float32) @ _line_bits(len(used)).T
    both /= len(at)
    ones, level = both[1:, :1], both[:1, 1:]
    covariance = 4 * (both[1:, 1:] - ones * level)
    return float(np.abs(_beyond_chance(covariance, 2 * ones - 1, 2 * level - 1)).max())


def _signs(words: NDArray[np.unsignedinteger], bits: int) -> Signs:
    shift = np.arange(bits, dtype=words.dtype)[:, None]
    return np.asarray(2 * (words[None, :] >> shift & words.dtype.type(1)).astype(np.float32) - 1)


def _agreement(one: Signs, other: Signs) -> NDArray[np.float32]:
    """Shape (columns, lines), -1 to 1: how far each goes with each beyond what their frequencies give."""
    n = one.shape[1]
    mean, level = one.mean(axis=1)[:, None], other.mean(axis=1)[None, :]
    return _beyond_chance((one @ other.T) / n - mean * level, mean, level)


def _beyond_chance(
    covariance: NDArray[np.float32], mean: NDArray[np.float32], level: NDArray[np.float32]
) -> NDArray[np.float32]:
    """The covariance of signs as a share of what their means leave room for; 0 where either hardly varies."""
    varies = (np.abs(mean) < 1 - 2 * _LEAST_AWAY) & (np.abs(level) < 1 - 2 * _LEAST_AWAY)
    return np.where(varies, covariance / np.maximum(1 - np.abs(mean * level), 1e-6), 0)


def _counting(one: Signs, lines: Signs) -> NextAddress | None:
    """The columns that are the word's address and one more."""
    everywhere = np.ones(one.shape[1], dtype=bool)
    fields = list(_further(_Field((), frozenset(), everywhere, everywhere, 0.0), one, lines))
    best: _Field | None = None
    while fields:
        best = max([*fields, *([best] if best else [])], key=lambda field: field.score)
        fields = _likeliest(more for field in fields for more in _further(field, one, lines))
    return None if best is None or len(best.picks) < LEAST_LINES else _told(best, one, lines)


def _likeliest(fields: Iterator[_Field]) -> list[_Field]:
    """A few for each line that may be the lowest: an upper line agrees best at first, and leads nowhere."""
    by_line: dict[int, list[_Field]] = {}
    for field in sorted(fields, key=lambda one: -one.score):
        own = by_line.setdefault(field.picks[0][1], [])
        if len(own) < _KEPT_BY_LINE:
            own.append(field)
    return [field for own in by_line.values() for field in own]


def _further(field: _Field, one: Signs, lines: Signs) -> Iterator[_Field]:
    """The field with one column more, for each line the best, and both polarities of that line's carry."""
    fit = field.fit
    if np.count_nonzero(fit) < _FEWEST_USED // 2:
        return
    target = np.where(field.carry, -lines, lines)
    agreement = _agreement(one[:, fit], target[:, fit])
    for column, line, _ in field.picks:
        agreement[column], agreement[:, line] = 0, 0
    least = _AGREES[min(len(field.picks), len(_AGREES) - 1)]
    for line in np.flatnonzero(np.abs(agreement).max(axis=0) >= least).tolist():
        column = int(np.abs(agreement[:, line]).argmax())
        sign = 1 if agreement[column, line] > 0 else -1
        fits = fit & (one[column] * target[line] * sign > 0)
        score = field.score + float(np.count_nonzero(fits)) * abs(float(agreement[column, line]))
        picks = (*field.picks, (column, line, sign))
        yield _Field(picks, field.turned, fits, field.carry & (lines[line] > 0), score)
        yield _Field(picks, field.turned | {line}, fits, field.carry & (lines[line] < 0), score)


def _fitting(picks: Sequence[_Pick], turned: frozenset[int], one: Signs, lines: Signs) -> NDArray[np.bool_]:
    """The words whose columns name the word behind them, in one order and polarity."""
    fit = np.ones(one.shape[1], dtype=bool)
    carry = fit.copy()
    for column, line, sign in picks:
        fit &= one[column] * np.where(carry, -lines[line], lines[line]) * sign > 0
        carry &= (lines[line] < 0) == (line in turned)
    return fit


def _told(field: _Field, one: Signs, lines: Signs) -> NextAddress | None:
    """What a field tells, if neither chance nor a counter explains it."""
    picks, turned = _best_order(field, one, lines), field.turned
    fit = _fitting(picks, turned, one, lines)
    going, used = int(np.count_nonzero(fit)), len(fit)
    chance = _chance(going, used, len(picks), one, lines)
    strange = {line for _, line, _ in picks} - set(range(len(picks)))
    if len(strange) > _MOST_STRANGE or going < _LEAST_SHARE * used or chance > _SURE:
        return None
    even = _even(fit, lines[[line for _, line, _ in picks[:2]]])
    if not even or not _leads_away(fit[_in_order(picks, turned, lines)]):
        return None

    def worse(order: Sequence[_Pick], inverted: frozenset[int]) -> bool:
        return going - int(np.count_nonzero(_fitting(order, inverted, one, lines))) > _DECIDED

    ordered = 0
    while ordered < len(picks) and all(worse(order, turned) for order in _exchanged(picks, ordered)):
        ordered += 1
    if ordered < _LEAST_ORDERED:
        return None
    sure = {line for _, line, _ in picks[: ordered - 1] if worse(picks, turned ^ {line})}
    columns = tuple(
        Follows(column, line, (sign < 0) != (line in turned & sure)) for column, line, sign in picks
    )
    return NextAddress(
        columns, ordered, tuple(sorted(turned & sure)), used, going, counts=True, chance=chance
    )


def _best_order(field: _Field, one: Signs, lines: Signs) -> tuple[_Pick, ...]:
    """The order in which most words go on, by single exchanges from the one found."""
    picks, going = field.picks, np.count_nonzero(_fitting(field.picks, field.turned, one, lines))
    for at in range(len(picks) - 1):
        for order in _exchanged(picks, at):
            others = np.count_nonzero(_fitting(order, field.turned, one, lines))
            if others > going:
                picks, going = order, others
    return picks


def _exchanged(picks: tuple[_Pick, ...], at: int) -> Iterator[tuple[_Pick, ...]]:
    """The order with one pick exchanged for each one behind it."""
    for later in range(at + 1, len(picks)):
        order = list(picks)
        order[at], order[later] = order[later], order[at]
        yield tuple(order)


def _in_order(picks: Sequence[_Pick], turned: frozenset[int], lines: Signs) -> NDArray[np.intp]:
    """The words in the order in which they count."""
    counted = np.zeros(lines.shape[1], dtype=np.int64)
    for place, (_, line, _) in enumerate(picks):
        counted += ((lines[line] > 0) != (line in turned)).astype(np.int64) << place
    picked = {line for _, line, _ in picks}
    left = [lines[line] for line in range(len(lines)) if line not in picked]
    return np.lexsort((counted, *left))


def _even(fit: Mask, lines: Signs) -> bool:
    """Whether words go on as often where a line is 1 as where it is 0, for each of some lines."""
    for line in lines:
        shares = [float(fit[half].mean()) if half.any() else 1.0 for half in (line > 0, line < 0)]
        if min(shares) < _EVEN * max(shares):
            return False
    return True


def _leads_away(fit: Mask) -> bool:
    """Whether words that go on and words that lead elsewhere take turns: in a counter they do not."""
    away = runs(~fit)
    words = sum(end - start for start, end in away)
    if len(away) < _LEAST_RUNS or words < _LEAST_AWAY * len(fit):
        return False
    return words <= _LONGEST_AWAY * len(away) and len(runs(fit)) >= _LEAST_RUNS


def _chance(going: int, trials: int, followed: int, one: Signs, lines: Signs) -> float:
    """Chance that so many of some independent words fit, every column, order and polarity counted.

    Source: bound of the binomial tail by its first term and a geometric series (Feller 1968, VI.3).
    """
    tried = followed * (log(2 * len(one)) + log(2 * len(lines)))
    rate = 2.0**-followed
    if going <= trials * rate:
        return 1.0
    ways = lgamma(trials + 1) - lgamma(going + 1) - lgamma(trials - going + 1)
    first = ways + going * log(rate) + (trials - going) * log(1 - rate)
    series = log((going + 1) * (1 - rate) / (going + 1 - (trials + 1) * rate))
    return exp(max(min(first + series + tried, 0.0), -600.0))


def _near(one: Signs, lines: Signs) -> NextAddress | None:
    """Columns that follow upper lines, since the words of a routine lie near each other."""
    picks, fit = _upper(one, lines)
    if len(picks) < LEAST_LINES - 1:
        return None
    going = int(np.count_nonzero(fit))
    lower = [line for line in range(len(lines)) if line not in {picked for _, picked, _ in picks}]
    if (
        len(lower) < _LEAST_LOOSE
        or going < _LEAST_NEAR * len(fit)
        or not _leads_away(fit)
        or not _even(fit, lines[lower])
    ):
        return None
    # A block of words that only the lower lines tell apart is one trial: what is alike there is no news.
    block = np.zeros(len(fit), dtype=np.intp)
    for place, (_, line, _) in enumerate(picks):
        block |= (lines[line] > 0).astype(np.intp) << place
    every = np.bincount(block)
    share = np.bincount(block, weights=fit) / np.maximum(every, 1)
    blocks = int(np.count_nonzero(every))
    chance = _chance(int(np.count_nonzero(share >= _LEAST_NEAR)), blocks, len(picks), one, lines)
    if chance > _SURE:
        return None
    columns = tuple(
        Follows(column, line, sign < 0) for column, line, sign in sorted(picks, key=itemgetter(1))
    )
    return NextAddress(columns, 0, (), len(fit), going, counts=False, chance=chance)


def _upper(one: Signs, lines: Signs) -> tuple[list[_Pick], Mask]:
    """Columns and lines that go together best, each once, among the words that fit so far."""
    found: list[_Pick] = []
    fit = np.ones(one.shape[1], dtype=bool)
    while np.count_nonzero(fit) >= _FEWEST_USED:
        left = _agreement(one[:, fit], lines[:, fit])
        for column, line, _ in found:
            left[column], left[:, line] = 0, 0
        column, line = (int(part) for part in np.unravel_index(np.abs(left).argmax(), left.shape))
        if abs(left[column, line]) < _NEAR_AGREES:
            break
        sign = 1 if left[column, line] > 0 else -1
        found.append((column, line, sign))
        fit &= one[column] * lines[line] * sign > 0
    return found, fit

"""Chips that read better together: odd and even bytes, nibbles, and wide microcode, found by what joins.

Chips that sit side by side in a machine change together: where one holds a letter's upper bits the other
holds its lower ones. Their data columns are therefore correlated at equal addresses, and at no others. All
pairs of a board are weighed by one matrix product; only pairs that stand out are laid together and read.

Source: common practice, no source (even and odd pairs, nibble pairs, microcode); the statistic is the sum of
squared correlations of all pairs of columns, whose level is taken from the same images at addresses that do
not belong together.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.kin import ChipImage
from pipeline.stages.content.runs import runs
from pipeline.stages.content.signature import signature
from pipeline.stages.content.text import COMMON_PAIR, HALF_FIT, RARE_PAIR, WHOLE_FIT, texts
from pipeline.stages.content.vectors import vectors
from pipeline.words import Words
from schemas.finding import Details

if TYPE_CHECKING:
    from schemas.record import VectorRecord

MOST_TOGETHER = 32
"""So many chips of a board are weighed at a time; larger boards in overlapping stretches of the sheet's
order.
"""
MOST_SAMPLED = 1024
_STANDS_OUT = 8.0
_LEAST_EXCESS = 0.06
_CLEAR = 8.0
_NEAR = (-8, -5, -4, -3, -2, 2, 3, 4, 5, 8)
_PEAK, _HIGH_PEAK = 1.3, 1.6
_TEXT_TELLS = 12.0
_LEGIBLE_FIT = (HALF_FIT + WHOLE_FIT) / 2
_MANY_LETTERS = 12
_AGREE = 0.3
_LEAST_BUSY = 16
WIDEST = 64
Load = Callable[[str], Words]


@dataclass(frozen=True, slots=True)
class Join:
    """Chips that belong side by side.

    Attributes:
        chips: Ids, most significant first (odd and even bytes: the one with the first byte first).
        kind: `odd/even`, `nibble`, `four nibbles` or `wide`.
        width: Bits of the joined word.
        byte_order: `big` or `little`, of the joined words.
        order_known: Whether anything decides which comes first.
        score: How far the joint stands out.
        evidence: What joins, in numbers.
    """

    chips: tuple[str, ...]
    kind: str
    width: int
    byte_order: str
    order_known: bool
    score: float
    evidence: Details = field(default_factory=dict)


class _Weighed(NamedTuple):
    """A pair of chips of a group: indices and how far it stands out from the level of its group."""

    first: int
    second: int
    score: float


def _groups(chips: Sequence[ChipImage], placed: frozenset[str]) -> Iterator[list[ChipImage]]:
    """Chips of one board and organisation that hold something, each content once, in stretches."""
    by_place: dict[tuple[Any, ...], dict[bytes, ChipImage]] = defaultdict(dict)
    for chip in chips:
        mine = chip.signature
        if not mine.blank and chip.chip not in placed and mine.organisation.bits <= 16:
            by_place[chip.board, mine.organisation].setdefault(mine.digest, chip)
    for group in by_place.values():
        members = list(group.values())
        step = MOST_TOGETHER // 2
        for start in range(0, max(len(members) - step, 1), step):
            if len(members[start : start + MOST_TOGETHER]) > 1:
                yield members[start : start + MOST_TOGETHER]


def _busy(words: Words) -> NDArray[np.bool_]:
    """False where a word lies in a run of four or more equal words: fills join everything with everything."""
    out = np.ones(len(words), dtype=bool)
    for start, last in runs(words[1:] == words[:-1], 3):
        out[start : last + 1] = False
    return out


def _columns(images: Sequence[Words], bits: int) -> NDArray[np.float32]:
    """Shape (chips, bits, sampled words): each data column, centred and of length one, 0 in fills."""
    total = len(images[0])
    most = MOST_SAMPLED if len(images) > 8 else 4 * MOST_SAMPLED
    if total <= most:
        at = np.arange(total)
    else:
        at = (np.arange(most) % 64) + (np.arange(most) // 64) * (total // (most // 64))
    out = np.empty((len(images), bits, len(at)), dtype=np.float32)
    lines = np.arange(bits, dtype=np.uint64)[:, None]
    for index, words in enumerate(images):
        busy = _busy(words)[at]
        one = ((words[at].astype(np.uint64)[None, :] >> lines) & np.uint64(1)).astype(np.float32)
        live = max(int(busy.sum()), 1)
        one -= (one[:, busy].sum(axis=1) / live)[:, None]
        one[:, ~busy] = 0
        size = np.sqrt((one * one).sum(axis=1))
        out[index] = one / np.where(size > 0, size, 1)[:, None]
    return out


def _level(columns: NDArray[np.float32], shift: int) -> NDArray[np.float64]:
    """Shape (chips, chips): squared correlations of all columns summed, the second `shift` words on."""
    chips, bits, total = columns.shape
    flat = columns.reshape(chips * bits, total)
    other = np.roll(flat, -shift, axis=1) if shift else flat
    squared = (flat @ other.T) ** 2
    return np.asarray(squared.reshape(chips, bits, chips, bits).sum(axis=(1, 3)), dtype=np.float64)


def _own_level(columns: NDArray[np.float32], first: int, second: int) -> float:
    """How far two chips go together at addresses that do not belong together but lie near.

    Two tables, or two texts, at the same addresses go together here as well; partners do so at shift 0 only,
    and odd and even bytes at shift 1 in one direction, so that of those two the lower counts.
    """
    one, other = columns[first], columns[second]

    def level(shift: int) -> float:
        return float(((one @ np.roll(other, shift, axis=1).T) ** 2).sum())

    return max(*(level(shift) for shift in _NEAR), min(level(1), level(-1)))


def _wrong_shifts(chips: int, total: int) -> list[int]:
    """Shifts far from 0 that give the level of addresses that do not belong together.

    Each gives a level for every pair, so that many chips need one shift only.
    """
    many = max(1, 32 // chips)
    return [(total * (n + 2) // (many + 4)) | 1 for n in range(many)]


def _standing_out(columns: NDArray[np.float32]) -> tuple[list[_Weighed], list[_Weighed]]:
    """Pairs whose columns go together far above the level of wrong addresses.

    Those with a peak, and the rest.

    A peak is at equal addresses, and high above those near by. Without one only what the two read like
    together can tell partners from two texts that lie at the same addresses.
    """
    total = columns.shape[2]
    together = _level(columns, 0)
    apart = np.stack([_level(columns, shift) for shift in _wrong_shifts(len(together), total)])
    level = apart[:, ~np.eye(len(together), dtype=bool)]
    middle, spread = float(np.median(level)), float(level.std()) + 1e-9
    excess = np.triu(together - middle, 1)
    peaks, rest = [], []
    for first, second in np.argwhere(excess > max(_STANDS_OUT * spread, _LEAST_EXCESS)).tolist():
        near = _own_level(columns, first, second)
        ratio = float(together[first, second]) / near
        above = (float(together[first, second]) - near) / spread
        if (ratio > _PEAK and above > _STANDS_OUT) or (ratio > _HIGH_PEAK and above > _STANDS_OUT / 2):
            peaks.append(_Weighed(first, second, above))
        else:
            rest.append(_Weighed(first, second, float(excess[first, second]) / spread))
    return sorted(peaks, key=lambda one: -one.score), sorted(rest, key=lambda one: -one.score)


def laid(first: Words, second: Words, bits: int) -> tuple[Words, int]:
    """Two images as the machine would see them: bytes interleaved, narrower words side by side.

    Args:
        first: Shape (n,); its words come first, or are the upper half.
        second: Shape (n,).
        bits: Bits of each.

    Returns:
        Words and their bits: (2n,) bytes for 8-bit chips, else (n,) words of twice the width.
    """
    if bits == 8:
        return np.stack([first, second], axis=1).reshape(-1), 8
    wide = first.astype(np.uint32) << np.uint32(bits) | second.astype(np.uint32)
    return wide.astype(np.uint8 if 2 * bits <= 8 else np.uint16 if 2 * bits <= 16 else np.uint32), 2 * bits


def _versions(first: Words, second: Words, bits: int) -> bool:
    """Whether two images agree, or agree complemented, far more often than their words alone explain.

    Versions and damaged copies of one content go together at equal addresses as well, and are no lanes of one
    word. Source: Cohen's kappa, agreement beyond what the two distributions give by chance (definition).
    """
    top = first.dtype.type((1 << bits) - 1)
    busy = _busy(first) & _busy(second)
    first, second = first[busy], second[busy]
    if len(first) < _LEAST_BUSY:
        return False
    for other in (second, second ^ top):
        values, place = np.unique(np.concatenate([first, other]), return_inverse=True)
        one, two = (np.bincount(part, minlength=len(values)) / len(first) for part in np.split(place, 2))
        expected = float((one * two).sum())
        if float((first == other).mean()) - expected > _AGREE * (1 - expected):
            return True
    return False


class _Reads(NamedTuple):
    """How much sense chips laid together make.

    Attributes:
        score: What speaks for this order, in logarithms.
        text: The best texts, safe to print.
        ranges: Where all texts stand, in words of what was laid together.
        vectors: The best vectors, as plain values.
    """

    score: float
    text: list[str]
    ranges: list[tuple[int, int]]
    vectors: list[VectorRecord]


def _legible(words: Words, bits: int, *, letters_tell: bool) -> _Reads:
    """How much sense an image makes: text, and vectors.

    Bytes laid in the wrong order are still letters, and only their pairs tell; halves of a byte in the wrong
    order make no letters, and those alone tell, even where the text goes on in another chip.
    """
    found = texts(words, bits)
    if letters_tell:
        found = tuple(one for one in found if one.letters >= _MANY_LETTERS)
        score = sum(one.score for one in found)
    else:
        found = tuple(one for one in found if one.fit is not None and one.fit > _LEGIBLE_FIT)
        score = sum(
            one.letters * (one.fit * COMMON_PAIR - (1 - one.fit) * RARE_PAIR) for one in found if one.fit
        )
    starts = vectors(words, bits)
    if starts:
        score -= float(np.log(starts[0].chance))
    best = sorted(found, key=lambda one: -one.score)[:2]
    ranges = [(one.start, one.end) for one in found]
    return _Reads(score, [one.shown for one in best], ranges, [one.to_json() for one in starts[:1]])


class _Group(NamedTuple):
    """Chips of one board and organisation that are weighed together.

    Attributes:
        chips: At most `MOST_TOGETHER`.
        bits: Bits a word.
        columns: As `_columns` gives them.
        load: Gives the image of a chip.
    """

    chips: Sequence[ChipImage]
    bits: int
    columns: NDArray[np.float32]
    load: Load

    def followed(self, first: int, second: int) -> float:
        """How far the second chip's words go with the *next* words of the first, by their columns."""
        later = np.roll(self.columns[first], -1, axis=1)
        return float(((self.columns[second] @ later.T) ** 2).sum())


def _pair(group: _Group, pair: _Weighed) -> Join:
    """The pair laid together both ways; whichever reads better decides the order."""
    bits, one, other = group.bits, group.chips[pair.first].chip, group.chips[pair.second].chip
    images = group.load(one), group.load(other)
    ways = [_legible(*laid(*two, bits), letters_tell=bits < 8) for two in (images, images[::-1])]
    better = ways[0].score - ways[1].score
    evidence: Details = {"stands_out": round(pair.score, 1), "margin": round(abs(better), 1)}
    by = "text and vectors"
    if abs(better) < _CLEAR and bits == 8:
        first, second = group.followed(pair.first, pair.second), group.followed(pair.second, pair.first)
        better, by = 0.0, "neighbours"
        if max(first, second) > 2 * min(first, second) and max(first, second) > 0.1:
            better = _CLEAR if first > second else -_CLEAR
        evidence["neighbours"] = [round(first, 3), round(second, 3)]
    known = abs(better) >= _CLEAR
    names = (one, other) if better >= 0 or not known else (other, one)
    best = ways[0 if better >= 0 else 1]
    each = 2 if bits == 8 else 1
    evidence |= {
        "text": best.text,
        "ranges": [[start // each, -(-end // each)] for start, end in best.ranges],
        "vectors": best.vectors,
        "order_by": by if known else None,
    }
    little = bool(best.vectors) and best.vectors[0]["family"].startswith("80") and bits == 8
    return Join(
        chips=names,
        kind="odd/even" if bits == 8 else "nibble" if bits == 4 else "wide",
        width=2 * bits,
        byte_order="little" if little else "big",
        order_known=known,
        score=pair.score + max(best.score, 0.0),
        evidence=evidence,
    )


def _components(count: int, pairs: Sequence[_Weighed]) -> list[list[int]]:
    """Chips that are linked by standing out, each set once."""
    root = list(range(count))

    def top(index: int) -> int:
        while root[index] != index:
            index = root[index]
        return index

    for pair in pairs:
        root[top(pair.first)] = top(pair.second)
    sets: dict[int, list[int]] = defaultdict(list)
    for index in range(count):
        sets[top(index)].append(index)
    return [sorted(members) for members in sets.values() if len(members) > 1]


def _wide(group: _Group, members: Sequence[int], inside: Sequence[_Weighed]) -> Join:
    """Chips that all go with one another: the columns of a microcode word, in the sheet's order."""
    score = float(np.median([pair.score for pair in inside]))
    return Join(
        chips=tuple(group.chips[index].chip for index in members),
        kind="wide",
        width=group.bits * len(members),
        byte_order="big",
        order_known=False,
        score=score,
        evidence={"stands_out": round(score, 1), "linked_pairs": len(inside), "order_by": None},
    )


def _told_by_text(group: _Group, peaks: Sequence[_Weighed], rest: Sequence[_Weighed]) -> Iterator[Join]:
    """Pairs without a peak that one order turns into text, and the other does not."""
    if group.bits < 8:
        return  # any upper halves of letters make letters with any lower halves
    used = {index for pair in peaks for index in (pair.first, pair.second)}
    for pair in rest[: 2 * len(group.chips)]:
        if not used & {pair.first, pair.second}:
            join = _pair(group, pair)
            if join.evidence["margin"] > _TEXT_TELLS and join.evidence["text"]:
                used |= {pair.first, pair.second}
                yield join


def _of_group(chips: Sequence[ChipImage], load: Load) -> Iterator[Join]:
    """The joins of one group: wide sets where all members go together, else the best pairs."""
    bits = chips[0].signature.organisation.bits
    group = _Group(chips, bits, _columns([load(chip.chip) for chip in chips], bits), load)
    peaks, rest = (
        [
            pair
            for pair in pairs
            if not _versions(load(chips[pair.first].chip), load(chips[pair.second].chip), bits)
        ]
        for pairs in _standing_out(group.columns)
    )
    yield from _told_by_text(group, peaks, rest)
    for members in _components(len(chips), peaks):
        inside = [pair for pair in peaks if pair.first in members]
        if len(members) == 2:
            yield _pair(group, inside[0])
            continue
        pairs = [_pair(group, pair) for pair in inside[: 2 * len(members)]]
        telling = [join for join in pairs if join.evidence["text"] or join.evidence["vectors"]]
        possible = len(members) * (len(members) - 1) // 2
        if not telling and 2 * len(inside) >= possible and bits * len(members) <= WIDEST:
            yield _wide(group, members, inside)
            continue
        used: set[str] = set()
        for join in sorted(telling or pairs, key=lambda one: -one.score):
            if not used & set(join.chips):
                used |= set(join.chips)
                yield join


def _of_nibbles(found: Sequence[Join], chips: Mapping[str, ChipImage], load: Load) -> Iterator[Join]:
    """Bytes of two nibble chips each, joined once more into words of four chips."""
    halves = [join for join in found if join.kind == "nibble" and join.order_known]
    names = {"+".join(join.chips): join for join in halves}

    def byte(name: str) -> Words:
        join = names[name]
        return laid(load(join.chips[0]), load(join.chips[1]), 4)[0]

    made = [
        ChipImage(name, signature(byte(name), 8), chips[join.chips[0]].board) for name, join in names.items()
    ]
    for group in _groups(made, frozenset()):
        for join in _of_group(group, byte):
            lanes = [names[name] for name in join.chips]
            if len(lanes) == 2 and join.order_known:
                four = tuple(chip for lane in lanes for chip in lane.chips)
                yield replace(join, chips=four, kind="four nibbles")


def joins(
    chips: Sequence[ChipImage], load: Load, *, placed: frozenset[str] = frozenset()
) -> tuple[Join, ...]:
    """Chips of one board and organisation that belong side by side, the clearest first.

    Args:
        chips: All chips, in the sheet's order.
        load: Gives the settled image of a chip.
        placed: Chips that the sheet's spaces place already; they are left out.

    Returns:
        Each set of chips once. Raises only what `load` raises.
    """
    found: dict[frozenset[str], Join] = {}
    for group in _groups(chips, placed):
        cache = {chip.chip: load(chip.chip) for chip in group}
        for join in _of_group(group, cache.__getitem__):
            before = found.get(frozenset(join.chips))
            if before is None or before.score < join.score:
                found[frozenset(join.chips)] = join
    by_name = {chip.chip: chip for chip in chips}
    for four in list(_of_nibbles(list(found.values()), by_name, load)):
        for pair in (frozenset(four.chips[:2]), frozenset(four.chips[2:])):
            found.pop(pair, None)
        found[frozenset(four.chips)] = four
    return tuple(sorted(found.values(), key=lambda one: (-one.score, one.chips)))

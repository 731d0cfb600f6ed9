"""Chips that read better together: odd and even bytes, nibbles, and wide microcode, found by what joins.

Chips that sit side by side in a machine change together: where one holds a letter's upper bits the other
holds its lower ones. `linked` says which do; here they are laid together and read.

Source: common practice, no source (even and odd pairs, nibble pairs, microcode).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from pipeline.stages.content.flow_of_control import keeps_flow
from pipeline.stages.content.kin import ChipImage
from pipeline.stages.content.linked import CLEAR, Together, Weighed, busy, sets_of
from pipeline.stages.content.runs import runs
from pipeline.stages.content.signature import signature
from pipeline.stages.content.sisters import LEAST_SISTERS, SUREST, ShownBySisters, shown_by_sisters
from pipeline.stages.content.text import COMMON_PAIR, HALF_FIT, RARE_PAIR, WHOLE_FIT, texts
from pipeline.stages.content.vectors import vectors
from pipeline.words import Words
from schemas.finding import Details

if TYPE_CHECKING:
    from schemas.record import VectorRecord

MOST_TOGETHER = 32
"""So many chips of a board are weighed at a time; larger boards in overlapping stretches of the sheet's
order."""
_CLEAR = 8.0
_TEXT_TELLS = 12.0
LEGIBLE_FIT = (HALF_FIT + WHOLE_FIT) / 2
_MANY_LETTERS = 12
_AGREE = 0.6
_LEAST_BUSY = 16
_SHARED = 24
_AS_MUCH = 0.8
_FAINT = 4.0
_FOLLOWS, _FOLLOWS_AT_ALL = 2.0, 0.1
_NEIGHBOURS_TELL = 0.9
"""How often neighbours order two halves rightly: 196 of 214 pieces of the setting half that they order, all
of its programs among them, and two in three of its fonts and tables.
"""
_LOW_FIRST = frozenset(["8086", "8080", "z80", "6502", "65c02", "8051", "pdp11"])
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
        crossed: Members that go with the others only with address lines exchanged or inverted.
        placed: A space of the sheet places a member already, so that nothing is to be suggested.
    """

    chips: tuple[str, ...]
    kind: str
    width: int
    byte_order: str
    order_known: bool
    score: float
    evidence: Details = field(default_factory=dict)
    crossed: tuple[tuple[str, ShownBySisters], ...] = ()
    placed: bool = False


def _groups(chips: Sequence[ChipImage]) -> Iterator[list[ChipImage]]:
    """Chips of one board and organisation that hold something, each content once, in stretches."""
    by_place: dict[tuple[Any, ...], dict[bytes, ChipImage]] = defaultdict(dict)
    for chip in chips:
        mine = chip.signature
        if not mine.blank and mine.organisation.bits <= 16:
            by_place[chip.board, mine.organisation].setdefault(mine.digest, chip)
    for group in by_place.values():
        members = list(group.values())
        step = MOST_TOGETHER // 2
        for start in range(0, max(len(members) - step, 1), step):
            if len(members[start : start + MOST_TOGETHER]) > 1:
                yield members[start : start + MOST_TOGETHER]


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
    """Whether two images agree word for word, or word for complement, far beyond what the words explain.

    Or in one whole stretch, such as a text that two programs share: what goes together with one goes with the
    other. Versions and damaged copies of one content go together at equal addresses as well, and are no lanes
    of one word. Source: Cohen's kappa, agreement beyond what the two distributions give by chance
    (definition).
    """
    top = first.dtype.type((1 << bits) - 1)
    live = busy(first) & busy(second)
    first, second = first[live], second[live]
    if len(first) < _LEAST_BUSY:
        return False
    same = [first[start:end] for start, end in runs(first == second, _SHARED)]
    if any(len(np.unique(words)) >= _SHARED // 2 for words in same):
        return True
    for other in (second, second ^ top):
        one, two = (np.bincount(words, minlength=int(top) + 1) / len(first) for words in (first, other))
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
        found = tuple(one for one in found if one.fit is not None and one.fit > LEGIBLE_FIT)
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
        images: Of each chip.
        together: How far they go together.
        known: Pairs that were asked for being versions of one another.
    """

    chips: Sequence[ChipImage]
    bits: int
    images: Sequence[Words]
    together: Together
    known: dict[tuple[int, int], bool]

    def followed(self, first: int, second: int) -> float:
        """How far the second chip's words go with the *next* words of the first, by their columns."""
        columns = self.together.columns
        return float(((columns[second] @ np.roll(columns[first], -1, axis=1).T) ** 2).sum())

    def names(self, members: Sequence[int]) -> tuple[str, ...]:
        return tuple(self.chips[index].chip for index in members)

    def versions(self, first: int, second: int) -> bool:
        pair = min(first, second), max(first, second)
        if pair not in self.known:
            self.known[pair] = _versions(self.images[first], self.images[second], self.bits)
        return self.known[pair]


def _sure(nats: float) -> float:
    """Odds of a joint, or of an order, that stands so far above what else could be; never above `SUREST`."""
    return min(SUREST, round(1 / (1 + math.exp(-nats)), 4))


class _Order(NamedTuple):
    """Which of two chips comes first, where text is silent: above 0 as they are; what says so, how sure."""

    better: float
    by: str
    family: str | None
    odds: float


def _order(group: _Group, pair: Weighed) -> _Order:
    """By the flow of a program, else by which chip's words go with the next words of the other."""
    images = group.images[pair.first], group.images[pair.second]
    kept = keeps_flow([laid(*two, 8)[0] for two in (images, images[::-1])], 8)
    if kept is not None:
        return _Order(_CLEAR if kept.chosen == 0 else -_CLEAR, "flow of control", kept.family, kept.odds)
    first, second = group.followed(pair.first, pair.second), group.followed(pair.second, pair.first)
    if max(first, second) > _FOLLOWS * min(first, second) and max(first, second) > _FOLLOWS_AT_ALL:
        return _Order(_CLEAR if first > second else -_CLEAR, "neighbours", None, _NEIGHBOURS_TELL)
    return _Order(0.0, "nothing", None, 0.5)


def _pair(group: _Group, pair: Weighed, *, by_text: bool = False) -> Join:
    """The pair laid together both ways; whichever reads better decides the order."""
    bits, (one, other) = group.bits, group.names([pair.first, pair.second])
    images = group.images[pair.first], group.images[pair.second]
    ways = [_legible(*laid(*two, bits), letters_tell=bits < 8) for two in (images, images[::-1])]
    margin = ways[0].score - ways[1].score
    order = _Order(margin, "text and vectors", None, _sure(abs(margin)))
    if not by_text and abs(margin) < _CLEAR and bits == 8:
        order = _order(group, pair)
    better, by, family, odds = order
    known = abs(better) >= _CLEAR
    best = ways[0 if better >= 0 else 1]
    each = 2 if bits == 8 else 1
    evidence: Details = {
        "stands_out": round(pair.score, 1),
        "margin": round(abs(ways[0].score - ways[1].score), 1),
        "text": best.text,
        "ranges": [[start // each, -(-end // each)] for start, end in best.ranges],
        "vectors": best.vectors,
        "order_by": by if known else None,
        "odds": _sure(max(pair.score, abs(margin))),
        "order_odds": round(odds, 4) if known else None,
    }
    little = family in _LOW_FIRST or (bool(best.vectors) and best.vectors[0]["family"].startswith("80"))
    return Join(
        chips=(one, other) if better >= 0 or not known else (other, one),
        # Two bytes side by side are called odd and even only where something says that one follows the other.
        kind="nibble" if bits == 4 else "odd/even" if bits == 8 and known else "wide",
        width=2 * bits,
        byte_order="little" if little and bits == 8 else "big",
        order_known=known,
        score=pair.score + max(best.score, 0.0),
        evidence=evidence,
    )


def _wide(group: _Group, members: Sequence[int]) -> Join:
    """Chips that all go with one another: the columns of a microcode word, in the sheet's order."""
    pairs = [group.together.score([one], [other]) for one, other in combinations(members, 2)]
    linked = [score for score in pairs if score >= CLEAR]
    score = float(np.median(linked or [group.together.score(members[:1], members[1:])]))
    return Join(
        chips=group.names(members),
        kind="wide",
        width=group.bits * len(members),
        byte_order="big",
        order_known=False,
        score=score,
        evidence={
            "stands_out": round(score, 1),
            "linked_pairs": len(linked),
            "order_by": None,
            "odds": _sure(score),
        },
    )


def _told_by_text(group: _Group, linked: Collection[int]) -> Iterator[Join]:
    """Pairs of chips in no set that one order turns into text, and the other does not.

    Any upper halves of letters make letters with any lower halves, so that nibbles must stand out a little as
    well.
    """
    used = set(linked)
    pairs = group.together.alike() if group.bits >= 8 else group.together.links(_FAINT, lead=0.0)
    for pair in pairs[: 2 * len(group.chips)]:
        if not used & {pair.first, pair.second} and not group.versions(pair.first, pair.second):
            join = _pair(group, pair, by_text=True)
            if join.evidence["margin"] > _TEXT_TELLS and join.evidence["text"]:
                used |= {pair.first, pair.second}
                yield join


def _joined(group: _Group, members: Sequence[int], links: Sequence[Weighed]) -> Iterator[Join]:
    """One set of chips that go together: a pair, several pairs that each read as text, or one wide word."""
    inside = [pair for pair in links if pair.first in members and pair.second in members]
    if len(members) == 2:
        # A pair that a space places is told nowhere; halves of a byte still count towards four of them.
        if group.bits == 4 or not any(group.chips[member].placed for member in members):
            yield from (_pair(group, pair) for pair in inside)  # none where only a third chip linked the two
        return
    possible = len(members) * (len(members) - 1) // 2
    alone = _without_versions(group, members)
    if group.bits == 4 or len(alone) < len(members) or 2 * len(inside) < possible:
        used: set[str] = set()
        told = [_pair(group, pair, by_text=True) for pair in inside[: 2 * len(members)]]
        told = [
            join for join in told if join.order_known and (join.evidence["text"] or join.evidence["vectors"])
        ]
        pairs = []
        for join in sorted(told, key=lambda one: -one.score):
            if not used & set(join.chips):
                used |= set(join.chips)
                pairs.append(join)
        if used == set(group.names(members)):
            yield from pairs
            return
    if len(alone) > 1:
        yield _wide(group, alone)


def _without_versions(group: _Group, members: Sequence[int]) -> list[int]:
    """The members but for those that are versions of an earlier one: two of a word's lanes never are."""
    kept: list[int] = []
    for member in members:
        if not any(group.versions(other, member) for other in kept):
            kept.append(member)
    return kept


class _Odd(NamedTuple):
    """A chip that goes with a set only with its lines in another order: both by number, what is crossed."""

    chip: int
    place: int
    shown: ShownBySisters


def _odd_ones(group: _Group, sets: Sequence[Sequence[int]]) -> list[_Odd]:
    """Chips that go with a set only with two address lines exchanged, or one inverted, the clearest first.

    A chip that is crossed makes its sisters look crossed in turn: it is set right before they are looked at
    again.
    """
    out: list[_Odd] = []
    while sets and len(out) < len(group.chips):
        found = sorted(_crossed(group, sets), key=lambda one: -one.shown.gain)
        alike = [one for one in found[1:] if one.shown.gain > _AS_MUCH * found[0].shown.gain]
        if not found or any(one.place == found[0].place for one in alike):
            return out
        out.append(found[0])
        images = list(group.images)
        images[found[0].chip] = found[0].shown.crossing.undo(images[found[0].chip])
        group = group._replace(images=images, together=Together(images, group.bits))
        left = [[chip for chip in members if chip != found[0].chip] for members in sets]
        left[found[0].place].append(found[0].chip)
        sets = left
    return out


def _crossed(group: _Group, sets: Sequence[Sequence[int]]) -> Iterator[_Odd]:
    """Each chip held against the largest set of others.

    Where as many chips stand in one order as in the other, either may be the one that is crossed: nothing is
    said.
    """
    own = {chip: len(members) for members in sets for chip in members}
    for chip in range(len(group.chips)):
        place = max(range(len(sets)), key=lambda one: len(set(sets[one]) - {chip}))
        sisters = [one for one in sets[place] if one != chip]
        alike = own.get(chip, 1) if chip not in sets[place] else 1
        if group.chips[chip].faulty or len(sisters) < max(LEAST_SISTERS, alike + 1):
            continue
        shown = shown_by_sisters(group.together, group.images[chip], group.bits, sisters)
        if shown is not None and not any(group.versions(chip, sister) for sister in sisters):
            yield _Odd(chip, place, shown)


def _of_group(chips: Sequence[ChipImage], load: Load) -> Iterator[Join]:
    """The joins of one group: sets that go together, then pairs that only read as text together."""
    bits = chips[0].signature.organisation.bits
    images = [load(chip.chip) for chip in chips]
    group = _Group(chips, bits, images, Together(images, bits), {})
    links = [pair for pair in group.together.links() if not group.versions(pair.first, pair.second)]
    sets = sets_of(group.together, links)
    odd = _odd_ones(group, sets)
    yield from _told_by_text(group, {*(chip for one in sets for chip in one), *(one.chip for one in odd)})
    for place, members in enumerate(sets):
        own = [one for one in odd if one.place == place]
        left = set(members) - {one.chip for one in odd}
        if own:
            whole = sorted(left | {one.chip for one in own})
            shown = tuple((chips[one.chip].chip, one.shown) for one in own)
            yield replace(_wide(group, whole), crossed=shown)
        elif len(left) > 1:
            yield from _joined(group, sorted(left), links)


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
    for group in _groups(made):
        for join in _of_group(group, byte):
            lanes = [names[name] for name in join.chips]
            if len(lanes) == 2 and join.order_known:
                four = tuple(chip for lane in lanes for chip in lane.chips)
                yield replace(join, chips=four, kind="four nibbles")


def joins(chips: Sequence[ChipImage], load: Load) -> tuple[Join, ...]:
    """Chips of one board and organisation that belong side by side, the clearest first.

    Args:
        chips: All chips, in the sheet's order. Those that a space places already are joined with no other,
        but
            they show, and are shown by, a chip that is crossed.
        load: Gives the settled image of a chip.

    Returns:
        Each set of chips once. Raises only what `load` raises.
    """
    found: dict[frozenset[str], Join] = {}
    for group in _groups(chips):
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
    placed = {chip.chip for chip in chips if chip.placed}
    told = [replace(join, placed=bool(placed & set(join.chips))) for join in found.values()]
    kept = [join for join in told if join.crossed or not join.placed]
    return tuple(sorted(kept, key=lambda one: (-one.score, one.chips)))

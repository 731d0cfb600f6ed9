"""In which frames the passes of one chip stand: order and polarity of lines, start, step.

Two passes stand in one frame where the words they differ in say nothing of a move. A mapping that changes no
word is no frame: equal words are in one frame whatever else could be said of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np

from pipeline.flow import Pass
from pipeline.lines import LineMap, Relation, Slip, align, relate
from pipeline.words import Words
from schemas.names import Organisation

NEAR_SHARE = 1 / 50
"""Two passes that differ in at most this share of words are in the same order; common practice, no source."""
FEWEST_WORDS = 2
"""So few words apart are single bits; nothing is asked of them."""

WayName = Literal["same", "lines", "rotated", "slipped", "paced", "stranger"]


class Way(NamedTuple):
    """How one pass lies against another.

    Attributes:
        name: `same` frame; `lines` exchanged or inverted; `rotated`; `slipped`; `paced` (a counter that takes
            every second word, or each word twice); `stranger`: no order brings the two together.
        mapping: From the reference to the pass, for `lines` and `rotated`, and where lines moved as well as
            words slipped.
        slips: Words lost or doubled.
        stream: Words of the pass before the absent ones at its end.
        pace: +1 where every second word is missing, -1 where each comes twice; 0 where it is the reference
            that lacks words.
        relation: The counts, where the lines were related.
        left: Words that still differ once it is brought into the reference's frame.
    """

    name: WayName
    mapping: LineMap | None = None
    slips: tuple[Slip, ...] = ()
    stream: int = 0
    pace: int = 0
    relation: Relation | None = None
    left: int = 0

    @property
    def keeps_lines(self) -> bool:
        """Whether only start and step differ."""
        return self.name in ("same", "rotated", "slipped", "paced") and (
            self.mapping is None or self.name == "rotated"
        )


SAME, STRANGER = Way("same"), Way("stranger")


@dataclass(slots=True)
class FrameGroup:
    """Passes that stand in one frame.

    Attributes:
        way: From the base of all groups to this one.
        members: Indices of the passes, rising.
    """

    way: Way
    members: list[int] = field(default_factory=list)


def near_words(organisation: Organisation) -> int:
    """How many words two passes of one frame may differ in without anybody asking why."""
    return max(FEWEST_WORDS, int(organisation.words * NEAR_SHARE))


def differing(one: Pass, two: Pass) -> int:
    """Words that differ, counted where both have one."""
    unlike = one.words != two.words
    for mask in (one.present, two.present):
        if mask is not None:
            unlike &= mask
    return int(unlike.sum())


def base_of(passes: Sequence[Pass]) -> int:
    """Index of the pass that all others are held against: the first that has every word of the chip."""
    return next((index for index, one in enumerate(passes) if one.complete), 0)


def frames_of(passes: Sequence[Pass], organisation: Organisation) -> tuple[list[FrameGroup], list[int]]:
    """The frames in which passes stand, by the first of their passes; and passes that fit none of them.

    How many passes a frame has plays no part: a pass that is repeated joins the frame that it is in already.
    """
    base = passes[base_of(passes)]
    near = near_words(organisation)
    groups: list[FrameGroup] = []
    strangers: list[int] = []
    for index, one in enumerate(passes):
        way = way_between(base, one, organisation)
        if way.name == "stranger":
            strangers.append(index)
            continue
        group = next(
            (
                group
                for group in groups
                if (group.way.name == "same" if way.name == "same" else _alike(passes, group, one, near))
            ),
            None,
        )
        if group is None:
            group = FrameGroup(way)
            groups.append(group)
        group.members.append(index)
    return groups, strangers


def _alike(passes: Sequence[Pass], group: FrameGroup, one: Pass, near: int) -> bool:
    return group.way.name != "same" and differing(passes[group.members[0]], one) <= near


def way_between(reference: Pass, one: Pass, organisation: Organisation) -> Way:
    """How one pass lies against another that has every word.

    Args:
        reference: The other; where it lacks words, only passes that differ little stand in its frame.
        one: The pass.
        organisation: Words and bits.
    """
    apart = differing(reference, one)
    if apart <= FEWEST_WORDS:
        return SAME
    alike = SAME if apart <= near_words(organisation) else STRANGER
    if not reference.complete:
        return alike
    stream = stream_of(one)
    if len(stream) < organisation.words:
        return _short(reference, stream, organisation, apart) or alike
    if not one.complete:
        return alike
    return _of_two_whole(reference, one, organisation, apart) or alike


def stream_of(one: Pass) -> Words:
    """The words of a pass without the absent ones at its end."""
    if one.present is None:
        return one.words
    there = np.flatnonzero(one.present)
    return one.words[: int(there[-1]) + 1] if len(there) else one.words[:0]


def _short(reference: Pass, stream: Words, organisation: Organisation, apart: int) -> Way | None:
    """A stream that ended early because it lost words on the way."""
    aligned = align(reference.words, stream)
    if not aligned.slips or aligned.differing_words > min(near_words(organisation), apart - 1):
        return None
    return Way("slipped", slips=aligned.slips, stream=len(stream), left=aligned.differing_words)


def _of_two_whole(reference: Pass, one: Pass, organisation: Organisation, apart: int) -> Way | None:
    """How one whole pass relates to another: paced, slipped, mapped, or the same frame with other bits.

    Pace is asked first: a counter that steps by two has every second word, which a search over lines would
    take for a dead line. None where nothing is proved, or where a mapping explains no more than standing
    still.
    """
    pace = _pace(reference.words, one.words)
    if pace or _pace(one.words, reference.words):
        return Way("paced", pace=pace, stream=organisation.words)
    relation = relate(reference.words, one.words, organisation.bits)
    if relation.undecidable:
        return None
    mapping = relation.mapping
    if relation.relation == "slipped":
        moved = mapping if mapping is not None and not mapping.is_identity else None
        return Way(
            "slipped",
            mapping=moved,
            slips=relation.slips,
            stream=organisation.words,
            relation=relation,
            left=relation.differing_words,
        )
    if relation.relation == "differs":
        return SAME
    if relation.relation != "mapped" or mapping is None or relation.differing_words >= apart:
        return None
    return Way(
        "rotated" if only_rotates(mapping) else "lines",
        mapping=mapping,
        stream=organisation.words,
        relation=relation,
        left=relation.differing_words,
    )


def only_rotates(mapping: LineMap) -> bool:
    """Whether a mapping leaves every line where it is."""
    return (
        bool(mapping.rotate)
        and mapping.keeps_address_lines
        and not mapping.invert_data
        and mapping.data == tuple(range(len(mapping.data)))
    )


def _pace(reference: Words, one: Words) -> int:
    """+1 where a counter counted twice a clock and shows every second word, -1 where it shows each twice."""
    size = int(reference.size)
    allowed = max(FEWEST_WORDS, size // 100)
    counted = np.arange(size)
    for pace, at in ((1, (2 * counted) % size), (-1, counted >> 1)):
        if int(np.count_nonzero(reference[at] != one)) <= allowed:
            return pace
    return 0

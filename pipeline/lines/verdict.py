"""The verdict on two readings of one chip: how the second maps onto the first, and what the rest suggests.

A restorer reads a chip that a trusted reader has read before: if the two agree, or disagree in a way that has
a name (crossed wires, a slipped stream, one poor contact), the home-built reader can be trusted or mended.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.lines import Relation, relate
from pipeline.words import Words
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.answers import ComparedRecord

BEYOND_CHANCE = 1e-4
"""A pattern among the differences is told where chance gives it less often than this, all lines counted."""


@dataclass(frozen=True)
class Compared:
    """Two readings set against each other.

    Attributes:
        organisation: Words and bits of the first.
        relation: How the second is related to the first.
        brought: The second in the first's order; shape of the first.
        present: False where the second has no word for the first's.
        wrong: First xor `brought`, 0 where not present.
        raised: For each data line, words in which the first has 0 and the second 1.
        lowered: For each data line, words in which the first has 1 and the second 0.
        suggests: What the pattern of the differences suggests, a sentence each.
    """

    organisation: Organisation
    relation: Relation
    brought: Words
    present: NDArray[np.bool_]
    wrong: Words = field(repr=False)
    raised: tuple[int, ...] = ()
    lowered: tuple[int, ...] = ()
    suggests: tuple[str, ...] = ()

    def to_json(self) -> ComparedRecord:
        """As `wellread compare --json` gives it."""
        return {
            "organisation": str(self.organisation),
            **self.relation.to_json(),
            "raised": list(self.raised),
            "lowered": list(self.lowered),
            "suggests": list(self.suggests),
            "missing_words": int(np.count_nonzero(~self.present)),
        }


def compare(first: Words, second: Words, organisation: Organisation) -> Compared:
    """Set two readings against each other.

    Args:
        first: The reading taken as right: organisation.words words.
        second: The other, usually as many words.
        organisation: Words and bits of the first.

    Raises:
        ValueError: As `relate`, or the first has another number of words than the organisation.
    """
    if first.size != organisation.words:
        raise ValueError(f"{first.size} words, the organisation says {organisation.words}")
    relation = relate(first, second, organisation.bits)
    brought, present = _brought(first, second, relation)
    wrong = np.where(present, first ^ brought, first.dtype.type(0))
    raised = _by_line(wrong & ~first, organisation.bits)
    lowered = _by_line(wrong & first, organisation.bits)
    suggests = _suggestions(relation, wrong, raised, lowered)
    return Compared(organisation, relation, brought, present, wrong, raised, lowered, suggests)


def _brought(first: Words, second: Words, relation: Relation) -> tuple[Words, NDArray[np.bool_]]:
    if relation.aligned is not None:
        return relation.aligned.words, relation.aligned.present
    second = second.astype(first.dtype, copy=False)
    if relation.mapping is not None:
        second = relation.mapping.undo(second)
    return second, np.ones(first.size, dtype=np.bool_)


def _by_line(words: Words, bits: int) -> tuple[int, ...]:
    kind = words.dtype.type
    return tuple(int(np.count_nonzero(words & kind(1 << line))) for line in range(bits))


def _suggestions(
    relation: Relation, wrong: Words, raised: tuple[int, ...], lowered: tuple[int, ...]
) -> tuple[str, ...]:
    """What the pattern of the differences suggests.

    Nothing where there are none, or the images are unrelated.
    """
    said = [f"{slip.in_words()}: the stream between reader and file" for slip in relation.slips]
    if relation.mapping is not None and not relation.mapping.is_identity:
        said.append(_of_mapping(relation))
    if relation.relation == "unrelated" or not relation.differing_words:
        return tuple(said)
    told = tuple(said)
    said += _of_data_lines(relation, raised, lowered)
    said += _of_direction(sum(raised), sum(lowered)) if len(told) == len(said) else []
    said += _of_address_lines(relation)
    said += _of_place(wrong)
    if len(said) == len(told):
        said.append(
            "the differences favour no line, direction or place: noise, timing or supply, or different "
            "content"
        )
    return tuple(said)


def _of_mapping(relation: Relation) -> str:
    assert relation.mapping is not None
    mapping = relation.mapping
    causes = []
    if mapping.invert_data and len(mapping.invert_data) == len(mapping.data):
        causes.append("an inverting buffer, or the opposite convention of 0 and 1")
    if mapping.rotate:
        causes.append("an address counter that did not start at 0")
    if mapping.address != tuple(range(len(mapping.address))) or (
        mapping.invert_address and len(mapping.invert_address) < len(mapping.address)
    ):
        causes.append("address lines wired in another order in one of the readers")
    elif mapping.invert_address:
        causes.append("an address counter that runs down")
    if mapping.data != tuple(range(len(mapping.data))):
        causes.append("data lines wired in another order in one of the readers")
    return f"{mapping.in_words()}: " + ("; ".join(causes) or "single lines inverted in one of the readers")


def _of_data_lines(relation: Relation, raised: tuple[int, ...], lowered: tuple[int, ...]) -> list[str]:
    """One or few data lines that hold all differences, where more than one word differs."""
    hit = [line for line, count in enumerate(relation.by_data_line) if count]
    if relation.differing_bits < 4 or len(hit) != 1 or len(relation.by_data_line) < 2:
        return []
    line = hit[0]
    chance = len(relation.by_data_line) ** (1.0 - relation.differing_bits)
    if chance > BEYOND_CHANCE:
        return []
    way = "always low" if not raised[line] else "always high" if not lowered[line] else "both ways"
    return [f"all differences lie in D{line}, {way}: that contact, or that line's driver ({_odds(chance)})"]


def _odds(chance: float) -> str:
    """The chance that the pattern is none, as a clause."""
    return f"chance {chance:.1g}" if chance > 1e-12 else "chance below 1e-12"


def _of_direction(raised: int, lowered: int) -> list[str]:
    total = raised + lowered
    if total < 4 or (raised and lowered):
        return []
    chance = 2.0 ** (1 - total)
    if chance > BEYOND_CHANCE:
        return []
    level, other = (1, 0) if raised else (0, 1)
    return [
        (
            f"every differing bit is {level} in the second and {other} in the first: cells fading toward "
            f"{level}, a weak driver, or a supply at the margin ({_odds(chance)})"
        )
    ]


def _of_address_lines(relation: Relation) -> list[str]:
    """Address lines at one level of which all differences lie."""
    total, lines = relation.differing_words, len(relation.by_address_line)
    if not total or not lines:
        return []
    chance = min(1.0, 2 * lines * 2.0**-total) if total < 1000 else 0.0
    if chance > BEYOND_CHANCE:
        return []
    said = []
    for line, high in enumerate(relation.by_address_line):
        if high in {0, total}:
            said.append(f"A{line} is {'high' if high else 'low'}")
    if not said or len(said) > 4:
        return []
    return [
        f"all differences lie where {' and '.join(said)}: that line's contact, or a bank ({_odds(chance)})"
    ]


def _of_place(wrong: Words) -> list[str]:
    """A short stretch that holds all differences."""
    places = np.flatnonzero(wrong)
    if places.size < 4:
        return []
    low, high = int(places[0]), int(places[-1]) + 1
    share = (high - low) / wrong.size
    chance = math.exp(min(0.0, (places.size - 1) * math.log(max(share, 1e-12)) + math.log(places.size)))
    if share > 0.125 or chance > BEYOND_CHANCE:
        return []
    return [f"all differences lie in 0x{low:X}–0x{high:X}: an edited stretch, or a disturbance in time"]

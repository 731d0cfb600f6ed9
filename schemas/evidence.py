"""What bears out an entry of the catalogue, group of facts by group, and how far that carries.

One written rule.

A confidence is never typed in where sources are named: it follows from them. So a source added or struck out
moves the confidence by itself, and two people with the same sources come to the same word.

The rule, for each group of facts (pins, supplies, enables, erased state):

1. Count the hands that bear the group out, not the papers: sources that copy each other, or come from one
   maker or one author, are one hand. What rests on memory, or on a source that nobody can look up, counts as
   none.
2. Two hands or more: high. One: medium. None: low.
3. A source that shows the part under another number counts fully where a source says that the two numbers
   read alike; where nobody says so, whatever rests on it is one step lower.
4. Any contradiction: one step lower, and told. A hand that contradicts itself bears nothing out.

Source: this project's own rule; nothing published.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal

from pydantic import Field

from schemas.base import HumanInput
from schemas.vocabulary import Confidence

Group = Literal["pins", "supplies", "enables", "erased"]
GROUPS: tuple[Group, ...] = ("pins", "supplies", "enables", "erased")
WIRED: tuple[Group, ...] = ("pins", "supplies", "enables")
"""The groups that a wire rests on: an entry is believed no further than the weakest of them."""
SourceType = Literal["datasheet", "reference", "second-hand", "from memory", "own measurement"]
"""`datasheet` and `reference` were seen; `second-hand` is others' word; `from memory` is nobody's."""


LEVELS = (Confidence.LOW, Confidence.MEDIUM, Confidence.HIGH)


class Contradiction(HumanInput):
    """What a source says against the entry.

    Attributes:
        group: The group of facts.
        pins: Package pins that it is about; () where it is about none.
        says: What the source says instead, in words.
        slip: Whether the same hand says elsewhere what the entry says, and others do: a slip of a drawing.
            Only then is the pin still printed as a line to wire.
    """

    group: Group
    pins: tuple[Annotated[int, Field(ge=1, le=64)], ...] = ()
    says: str
    slip: bool = False


class Evidence(HumanInput):
    """One source's word on a part.

    Attributes:
        type: Kind of source.
        citation: The source, so that a person can find it.
        hand: Who drew or wrote it; sources of one hand count once. "" where the citation is its own hand.
        bears: The groups of facts that it shows whole and as the entry has them.
        number: Number under which it shows the part; "" for the part's own.
        alike: Source that says that this number reads as the part does; "" where nobody was found to say so.
        against: What it says against the entry.
    """

    type: SourceType
    citation: str = Field(min_length=1)
    hand: str = ""
    bears: tuple[Group, ...] = WIRED
    number: str = ""
    alike: str = ""
    against: tuple[Contradiction, ...] = ()

    @property
    def by(self) -> str:
        """The hand that counts."""
        return self.hand or self.citation

    def words(self) -> str:
        """The source in plain words, with the number it was seen under.

        Example:
            >>> Evidence(type="reference", citation="A library, symbol 5331", number="5331").words()
            'A library, symbol 5331 (shows a 5331; nobody was found to say that it reads alike)'
        """
        if not self.number:
            return self.citation
        ground = (
            f"which reads alike: {self.alike}"
            if self.alike
            else "nobody was found to say that it reads alike"
        )
        return f"{self.citation} (shows a {self.number}; {ground})"


def _hands(evidence: Iterable[Evidence]) -> set[str]:
    return {one.by for one in evidence}


def contradictions(evidence: Iterable[Evidence], group: Group) -> tuple[tuple[Evidence, Contradiction], ...]:
    """Everything that any source says against this group of facts, with the source."""
    return tuple((one, said) for one in evidence for said in one.against if said.group == group)


def independent(evidence: Iterable[Evidence], group: Group) -> tuple[set[str], set[str]]:
    """The hands that bear a group out: fully, and fully or through a number that nobody says reads alike."""
    evidence = tuple(evidence)
    void = _hands(one for one, _ in contradictions(evidence, group))
    named = [
        one for one in evidence if group in one.bears and one.type != "from memory" and one.by not in void
    ]
    return _hands(one for one in named if one.alike or not one.number), _hands(named)


def confidence(evidence: Iterable[Evidence], group: Group) -> Confidence:
    """How far a group of facts may be believed, by the rule at the head of this module.

    Example:
        >>> library = Evidence(type="reference", citation="a library")
        >>> sheet = Evidence(type="datasheet", citation="the maker's sheet")
        >>> [str(confidence(given, "pins")) for given in ([], [library], [library, sheet])]
        ['low', 'medium', 'high']
        >>> seen = library.model_copy(update={"number": "5331"})
        >>> [str(confidence(given, "pins")) for given in ([seen], [seen, sheet])]
        ['low', 'medium']
    """
    evidence = tuple(evidence)
    full, all_of_them = independent(evidence, group)
    level = max(min(2, len(full)), min(2, len(all_of_them)) - 1, 0)
    if contradictions(evidence, group):
        level = max(0, level - 1)
    return LEVELS[level]


def weakest(found: Iterable[Confidence]) -> Confidence:
    """The lowest of several confidences."""
    return min(found, key=LEVELS.index)

"""A reader whose every chip is crossed alike: said once of the reader, with the odds of all its chips.

Where the same two lines are exchanged on each chip that one reader alone has read, the fault is most likely
the reader's. Chips that by themselves say too little agree on it, and content that is no program was read by
the same wires. It is a caution like that of a single chip, never applied by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from pipeline.stages.content.crossed import crossed_finding, crossing_in_words
from pipeline.stages.content.flow_of_control import LineChange
from pipeline.stages.content.flow_of_control.orders import LEAST_MIXED, MARGIN, Orders, odds_of, orders_of
from pipeline.stages.content.odds import in_hundred
from pipeline.stages.content.program import Program
from pipeline.words import Words
from schemas.finding import Finding

if TYPE_CHECKING:
    from schemas.part import Part
    from schemas.record import CrossedReaderRecord

_FOR, _AGAINST = 3.0, -4.0
"""Nats by which a chip bears a crossing out, or speaks against it."""
_LEAST_CHIPS = 2
_SURE = 0.99
_MOST_CHIPS = 64
"""So many chips of a reader are asked."""


class Leaning(NamedTuple):
    """What a chip alone says of its processor and of the order of its lines.

    Attributes:
        family: That it is read as a program for; None: it is none.
        odds: That it is one; 0 where the family is the board's.
        orders: Orders in which it reads better than as read.
    """

    family: str | None = None
    odds: float = 0.0
    orders: frozenset[LineChange] = frozenset()


class ReadAlone(NamedTuple):
    """A chip that one reader alone has read, with one set of wires.

    Attributes:
        chip: Its id.
        bits: Bits a word.
        leaning: What it says alone.
        part: Its catalogue entry, for the pins.
    """

    chip: str
    bits: int
    leaning: Leaning
    part: Part | None = None


UNTOLD = Leaning()
"""Of a chip that was not asked."""


class CrossedReader(NamedTuple):
    """What all chips of a reader say of its lines.

    Attributes:
        reader: Its id.
        crossing: One exchange or inversion.
        chips: Those that read as programs only with it undone.
        silent: Those of the same wires that cannot show it.
        nats: By how much better they read then, all together.
        margin: By how much that is ahead of the next best order.
        odds: How sure, 0 to 1.
    """

    reader: str
    crossing: LineChange
    chips: tuple[str, ...]
    silent: tuple[str, ...]
    nats: float
    margin: float
    odds: float

    def to_json(self) -> CrossedReaderRecord:
        """As the project's documents carry it."""
        return {
            "reader": self.reader,
            "crossed": crossing_in_words(self.crossing),
            "chips": list(self.chips),
            "silent": list(self.silent),
            "odds": round(self.odds, 4),
            "says": self.in_words(),
        }

    def in_words(self) -> str:
        """One sentence for a person, about the reader."""
        return (
            f"reader {self.reader}: all {len(self.chips)} chips that show it read as programs only with "
            f"{crossing_in_words(self.crossing)}, {in_hundred(self.odds)}: check the reader, not the chips"
        )


def crossed_reader(
    reader: str, chips: Sequence[ReadAlone], load: Callable[[str], Words]
) -> CrossedReader | None:
    """The one exchange or inversion that all programs of a reader bear out; None: there is none.

    Args:
        reader: Its id.
        chips: That it alone has read, with the same wires.
        load: Gives a chip's image.
    """
    shared = {change for one in chips for change in one.leaning.orders}
    if not any(sum(change in one.leaning.orders for one in chips) >= _LEAST_CHIPS for change in shared):
        return None
    gains = {
        one.chip: found.gains()
        for one in [each for each in chips if each.leaning.family][:_MOST_CHIPS]
        if (found := orders_of(load(one.chip), one.bits, str(one.leaning.family))) is not None
    }
    total: dict[LineChange, float] = {}
    for own in gains.values():
        for change, nats in own.items():
            total[change] = total.get(change, 0.0) + nats
    return _decided(reader, chips, gains, total)


def _decided(
    reader: str,
    chips: Sequence[ReadAlone],
    gains: Mapping[str, Mapping[LineChange, float]],
    total: Mapping[LineChange, float],
) -> CrossedReader | None:
    """The best crossing, where two chips and more bear it out and none speaks against it."""
    best = max(total, key=lambda change: total[change])
    said = {chip: own.get(best, 0.0) for chip, own in gains.items()}
    bearing = tuple(chip for chip, nats in said.items() if nats >= _FOR)
    others = [
        nats
        for change, nats in total.items()
        # Another order that does the same to every chip is no other one.
        if any(own.get(change) != own.get(best) for own in gains.values())
    ]
    margin = total[best] - max([0.0, *others])
    if len(bearing) < _LEAST_CHIPS or min(said.values()) <= _AGAINST:
        return None
    if total[best] < LEAST_MIXED or margin < MARGIN:
        return None
    silent = tuple(one.chip for one in chips if one.chip not in bearing)
    odds = odds_of(total[best], [0.0, *others])
    return CrossedReader(reader, best, bearing, silent, total[best], margin, odds)


def leaning(program: Program | None, found: Orders | None) -> Leaning:
    """What a chip alone says, from its program and the orders that were tried."""
    named = None if program is None or program.named.families == ("unknown",) else program.named
    family = found.family if found else named.best.name if named and named.best else None
    gains = found.gains().items() if found else ()
    orders = frozenset(change for change, nats in gains if nats >= _FOR)
    return Leaning(family, named.odds if named else 0.0, orders)


def family_of_board(chips: Collection[Leaning]) -> str | None:
    """The one family that a board's programs are for; at least two of them at odds of 99 in 100."""
    named = [one.family for one in chips if one.odds > 0]
    sure = [one.family for one in chips if one.odds >= _SURE]
    return sure[0] if len(sure) >= _LEAST_CHIPS and len(set(named)) == 1 else None


def alike_findings(found: CrossedReader, chips: Sequence[ReadAlone]) -> Iterator[Finding]:
    """The caution `lines-crossed` on each chip of the reader; it points to the reader.

    Args:
        found: As `crossed_reader` gives it.
        chips: As it was given them.
    """
    number = len(found.chips)
    for one in chips:
        shows = one.chip in found.chips
        yield crossed_finding(
            one.chip,
            found.crossing,
            one.part,
            evidence={
                "reader": found.reader,
                "chips": list(found.chips),
                "odds": round(found.odds, 4),
                "nats": round(found.nats, 1),
                "next_best": round(found.margin, 1),
            },
            reads=f"like all {number} programs of reader {found.reader} it reads as one only"
            if shows
            else f"cannot show it, but all {number} programs of its reader {found.reader} read as such only",
            then=": check the reader, not the chip",
        )

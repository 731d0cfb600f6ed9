"""Where the chips of a board stand in their machine, as findings and as a space that can be pasted in."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from pipeline.catalogue.advice import advise
from pipeline.stages.content.flow_of_control.model import WORD_FAMILIES
from pipeline.stages.content.flow_of_control.orders import as_stored
from pipeline.stages.content.flow_of_control.standing import MOST_STANDING, Neighbour, Stood, standing
from pipeline.stages.content.program import READ_FOR, family_of
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import SuggestedSpace

_MOST_CHIPS = 4 * MOST_STANDING
"""A board of more chips is not searched."""
_MOST_TOLD = 1e6


class BoardChip(NamedTuple):
    """One chip of a board that may be placed.

    Attributes:
        chip: Its id.
        organisation: Words and bits.
        families: Processors that its content is a program for, as `runs-on` has them; empty: not known.
        placed: A space of the sheet places it.
        base: Where, in words, if at one place and whole; None: not known.
    """

    chip: str
    organisation: Organisation
    families: tuple[str, ...]
    placed: bool
    base: int | None = None


class Stands(NamedTuple):
    """As `Stood`, with chips by name.

    Attributes:
        base: Address of its first place, in places.
        nats: By how much every placing without it there is worse.
        calls: Far calls and jumps of all placed chips into it.
        landing: How many of these land where an instruction begins.
        callers: Other chips that call into it or name addresses in it.
        named: How many different addresses in it placed chips name without going there.
        leading: Different places that distances name between it and other placed chips, either way.
        landed: At how many of these an instruction begins.
        beside: These other chips.
        by_sheet: The chip of its row whose address the sheet has, where no call says one.
    """

    base: int
    nats: float
    calls: int
    landing: int
    callers: tuple[str, ...]
    named: int
    leading: int
    landed: int
    beside: tuple[str, ...]
    by_sheet: str = ""


class Beside(NamedTuple):
    """As `Neighbour`, with chips by name: a chip of a row of which no address is known."""

    row: tuple[str, ...]
    beside: str
    behind: int
    nats: float
    leading: int
    landed: int


def _by_name(one: Stood, names: Sequence[str]) -> Stands:
    callers, beside = (tuple(names[other] for other in some) for some in (one.callers, one.beside))
    return Stands(*one[1:5], callers, *one[6:9], beside)


def _beside(one: Neighbour, names: Sequence[str]) -> Beside:
    return Beside(tuple(names[other] for other in one.row), names[one.beside], *one[3:])


class Placing(NamedTuple):
    """Chips of one board that call into each other, each with its address, and rows without.

    Attributes:
        family: The processor that they were read for.
        bits: Of a word of theirs.
        chips: Chip → where it stands, by address.
        unplaced: Those that no space of the sheet has yet.
        in_rows: Chip → its neighbour, in rows of which no address is known and some chip is in no space.
    """

    family: str
    bits: int
    chips: Mapping[str, Stands]
    unplaced: frozenset[str]
    in_rows: Mapping[str, Beside]

    def address(self, chip: str) -> int:
        """The processor's address of a chip's first word."""
        return self.chips[chip].base * (2 if self.family in WORD_FAMILIES else 1)


def placings(
    chips: Sequence[BoardChip], load: Callable[[str], Words], processor: str | None
) -> tuple[Placing, ...]:
    """The chips of a board that tell each other's place, a processor and a width at a time.

    Args:
        chips: Of one board.
        load: Gives a chip's image.
        processor: Of the board, as the sheet has it.

    Returns:
        Those of which some chip is in no space of the sheet. Nothing is raised.
    """
    if len(chips) > _MOST_CHIPS:
        return ()
    out = []
    for family in _families(chips, processor):
        bits = 16 if family in WORD_FAMILIES else 8
        some = [one for one in chips if _may_be(one, family, bits)][:MOST_STANDING]
        if len(some) < 2 or all(one.placed for one in some):
            continue
        found = standing([as_stored(load(one.chip), bits, family) for one in some], family)
        names = [one.chip for one in some]
        stand = {names[one.image]: _by_name(one, names) for one in found.placed}
        in_rows = {names[one.image]: _beside(one, names) for one in found.in_rows}
        stand |= _by_sheet(in_rows, {one.chip: one.base for one in some if one.base is not None})
        in_rows = {chip: one for chip, one in in_rows.items() if chip not in stand}
        unplaced = frozenset(one.chip for one in some if not one.placed and one.chip in stand | in_rows)
        if unplaced:
            out.append(Placing(family, bits, stand, unplaced, in_rows))
    return tuple(out)


def _by_sheet(in_rows: Mapping[str, Beside], known: Mapping[str, int]) -> dict[str, Stands]:
    """The chips of rows of which the sheet places some, where these agree on the others' addresses."""
    out = {}
    for row in {one.row for one in in_rows.values()}:
        at = {row[0]: 0}
        for chip in row[1:]:
            at[chip] = at[in_rows[chip].beside] + in_rows[chip].behind
        placed = [chip for chip in row if chip in known]
        first = {known[chip] - at[chip] for chip in placed}
        if len(first) != 1 or min(first) < 0:
            continue
        for chip in row:
            _, _, _, nats, leading, landed = in_rows[chip]
            others = tuple(other for other in row if other != chip)
            base = min(first) + at[chip]
            out[chip] = Stands(base, nats, 0, 0, (), 0, leading, landed, others, placed[0])
    return out


def _families(chips: Sequence[BoardChip], processor: str | None) -> list[str]:
    """The board's own processor where it is known; else all that two chips or more are programs for."""
    known = family_of(processor)
    if known:
        return [known]
    named = [READ_FOR.get(one.families[0], one.families[0]) for one in chips if one.families]
    return sorted({family for family in named if named.count(family) > 1})


def _may_be(one: BoardChip, family: str, bits: int) -> bool:
    """Whether a chip may hold a part of a program for a family: it is read as one, or as none."""
    words = one.organisation.words
    whole = one.organisation.bits == bits and words >= 256 and words & (words - 1) == 0
    return whole and (not one.families or READ_FOR.get(one.families[0], one.families[0]) == family)


def standing_findings(placing: Placing) -> tuple[Finding, ...]:
    """The note `stands-at` for each chip that no space of the sheet places."""
    placed = (_finding(placing, chip) for chip in placing.chips if chip in placing.unplaced)
    in_rows = (_row_finding(placing, chip) for chip in placing.in_rows if chip in placing.unplaced)
    return (*placed, *in_rows)


def _finding(placing: Placing, chip: str) -> Finding:
    one, address = placing.chips[chip], placing.address(chip)
    callers = list(one.callers)
    space = space_name(placing)
    return Finding(
        code=Code.STANDS_AT,
        severity=Severity.NOTE,
        chip=chip,
        where={"address": address, "space": space},
        evidence={
            "calls": one.calls,
            "landing": one.landing,
            "named": one.named,
            "between": one.leading,
            "between_landing": one.landed,
            "from": callers,
            "next_best": round(one.nats, 1),
            "family": placing.family,
        },
        means=f"stands at 0x{address:04X}: {_what_speaks(placing, chip)}; every other place is "
        f"{_less_likely(one.nats)} times less likely",
        also="a program that is moved before it runs; a second bank that stands at the same address; code "
        "whose calls are all relative, or go through registers, says nothing of its place",
        next=advise("say-space"),
    )


def _row_finding(placing: Placing, chip: str) -> Finding:
    """The note of a chip whose neighbour is known, and no address."""
    one = placing.in_rows[chip]
    others = [other for other in one.row if other != chip]
    way = "behind" if one.behind > 0 else "before"
    return Finding(
        code=Code.STANDS_AT,
        severity=Severity.NOTE,
        chip=chip,
        where={"with": [one.beside], "by": one.behind},
        evidence={
            "between": one.leading,
            "between_landing": one.landed,
            "row": list(one.row),
            "next_best": round(one.nats, 1),
            "family": placing.family,
        },
        means=f"stands 0x{abs(one.behind):X} words {way} {one.beside}, at an address that is not known: "
        f"{_between(one.leading, one.landed, others)}; every other neighbour, and none, is "
        f"{_less_likely(one.nats)} times less likely",
        also="another version of the neighbour, whose code goes on in the same way; a program that is moved, "
        "in parts, before it runs",
        next=advise("say-space"),
    )


def _what_speaks(placing: Placing, chip: str) -> str:
    """What the place of a chip rests on, in words."""
    one = placing.chips[chip]
    gone = (
        f"{one.calls} calls and jumps of {_listed(placing, chip)} lead there, "
        f"{one.landing} to an instruction{_and_named(one.named)}"
    )
    between = _between(one.leading, one.landed, one.beside)
    if one.by_sheet:
        return f"the sheet places {one.by_sheet}, and {between}"
    if not one.leading:
        return gone
    return f"{gone}; {between}" if one.calls or one.named else between


def _between(leading: int, landed: int, others: Sequence[str]) -> str:
    """What the distances between a chip and others come to.

    Example:
        >>> _between(12, 11, ["U1", "U2"])
        '12 jumps and calls by distance run between it and U1, U2, 11 to an instruction'
        >>> _between(1, 1, ["U1"])
        '1 jump or call by distance runs between it and U1, 1 to an instruction'
    """
    more = f" and {len(others) - 4} more" if len(others) > 4 else ""
    said = "jump or call by distance runs" if leading == 1 else "jumps and calls by distance run"
    return f"{leading} {said} between it and {', '.join(others[:4])}{more}, {landed} to an instruction"


def _and_named(count: int) -> str:
    """What addresses that are named without going there add to the sentence."""
    return (
        f", and {count} address{'es' * (count != 1)} in it {'are' if count != 1 else 'is'} named"
        if count
        else ""
    )


def _listed(placing: Placing, chip: str) -> str:
    others = placing.chips[chip].callers
    more = f" and {len(others) - 4} more" if len(others) > 4 else ""
    return f"{', '.join(others[:4])}{more} and its own" if others else "its own"


def _less_likely(nats: float) -> str:
    """Odds as a person says them, with one digit that counts; never more than a million.

    Example:
        >>> _less_likely(9.1), _less_likely(40)
        ('8,000', 'more than 1,000,000')
    """
    times = math.exp(min(nats, 100))
    if times > _MOST_TOLD:
        return f"more than {_MOST_TOLD:,.0f}"
    digit = 10 ** int(math.log10(times))
    return f"{int(times // digit) * digit:,}"


def space_name(placing: Placing) -> str:
    """A name for the space that its chips make."""
    return f"program-{placing.family}-{min(placing.chips)}".replace(".", "-")[:50]


def placed_spaces(found: Sequence[Placing]) -> list[SuggestedSpace]:
    """Placings in the form of the sheet's `spaces`, lowest address first.

    Words wider than a byte are counted in words.
    """
    return [
        {
            "name": space_name(placing),
            "width": placing.bits,
            "byte_order": None if placing.bits == 8 else "big",
            "unit": "word",
            "placements": [
                {"at": placing.chips[chip].base, "lanes": [chip]}
                for chip in sorted(placing.chips, key=lambda one: placing.chips[one].base)
            ],
            "description": "suggested by content: their calls and jumps land in each other; the weakest "
            f"place is {_less_likely(min(one.nats for one in placing.chips.values()))} times likelier than "
            "any other",
        }
        for placing in found
        if placing.chips.keys() & placing.unplaced
    ]

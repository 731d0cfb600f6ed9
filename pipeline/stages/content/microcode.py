"""The note `next-address`: which columns of a microword lead on, and what that says of the address lines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from pipeline.catalogue.advice import advise
from pipeline.stages.content.next_address import MOST_WORDS, Follows, NextAddress, next_address
from pipeline.words import Words
from schemas.finding import Code, Details, Finding, Severity
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.sheet import Space

_WIDE_ENOUGH, _MOST_ALONE = 8, 2048
"""A chip in no set is asked where it has so many bits, and so many words at most."""


class Microword(NamedTuple):
    """Chips side by side that may hold one word's columns, and the bits of each."""

    chips: tuple[str, ...]
    bits: tuple[int, ...]


def microwords(
    spaces: Iterable[Space],
    joined: Iterable[Sequence[str]],
    organisations: Mapping[str, Organisation],
    alone: Iterable[str],
) -> Iterator[Microword]:
    """What may be microcode: chips side by side in a space, chips that go together, and chips by themselves.

    Args:
        spaces: Of the sheet.
        joined: Sets of chips that go together.
        organisations: Of the chips that may be asked.
        alone: Those of them that read as no program.
    """
    placed = [[chip for chip, _ in one.parsed_lanes] for space in spaces for one in space.placements]
    seen: set[str] = set()
    for chips in (*placed, *joined):
        own = [chip for chip in dict.fromkeys(chips) if chip in organisations]
        if (
            len(own) > 1
            and not seen.issuperset(own)
            and len({organisations[chip].words for chip in own}) == 1
        ):
            seen |= set(own)
            yield Microword(tuple(own), tuple(organisations[chip].bits for chip in own))
    for chip in alone:
        known = organisations.get(chip)
        if chip not in seen and known and known.bits >= _WIDE_ENOUGH and known.words <= _MOST_ALONE:
            yield Microword((chip,), (known.bits,))


def next_address_findings(word: Microword, images: Sequence[Words]) -> Iterator[Finding]:
    """One note for each chip that carries columns of the next word's address.

    Args:
        word: Its chips.
        images: Of each, shape (n,).
    """
    found = next_address(images, word.bits) if len(images[0]) <= MOST_WORDS else None
    if found is None:
        return
    every = [_placed(word, one.column) for one in found.columns]
    shown = _evidence(found, every)
    for chip in dict.fromkeys(chip for chip, _ in every):
        own = [n for n, (name, _) in enumerate(every) if name == chip]
        yield Finding(
            code=Code.NEXT_ADDRESS,
            severity=Severity.NOTE,
            chip=chip,
            where={
                "columns": [every[n][1] for n in own],
                "follows": [_line(found.columns[n]) for n in own],
                "with": [name for name in dict.fromkeys(name for name, _ in every) if name != chip],
            },
            evidence=shown,
            means=_means(found, [every[n][1] for n in own]),
            also="a counter or table that counts by design; lines that all count downwards are the same as "
            "lines that are all inverted",
            next=advise("to-the-sequencer"),
        )


def _placed(word: Microword, column: int) -> tuple[str, str]:
    """Chip and data line of a column."""
    for chip, bits in zip(word.chips, word.bits, strict=True):
        if column < bits:
            return chip, f"D{column}"
        column -= bits
    raise IndexError(column)


def _line(one: Follows) -> str:
    return f"A{one.line}"


def _evidence(found: NextAddress, every: Sequence[tuple[str, str]]) -> Details:
    return {
        "columns": [
            {"chip": chip, "line": line, "follows": _line(one), "inverted": one.inverted}
            for (chip, line), one in zip(every, found.columns, strict=True)
        ],
        "order": [_line(one) for one in found.columns[: found.ordered]],
        "invert_address": [f"A{line}" for line in found.turned],
        "words": found.used,
        "going_on": found.going_on,
        "chance": found.chance,
    }


def _means(found: NextAddress, own: Sequence[str]) -> str:
    """One sentence: which columns, how many words go on, and how the address lines count."""
    carry = "carries a bit" if len(own) == 1 else "carry bits"
    where = "the very next word" if found.counts else "a word near by"
    return (
        f"{_listed(own)} {carry} of the address of the next word, as microcode does: {found.going_on} of "
        f"{found.used} words name {where}; {_order(found)}"
    )


def _order(found: NextAddress) -> str:
    """What the counting shows of the address lines."""
    if not found.counts:
        return "that tells no order of the address lines"
    lines = [one.line for one in found.columns[: found.ordered]]
    turned = _listed([f"A{line}" for line in found.turned])
    counted = f"{_listed([f'A{line}' for line in sorted(lines)])} count"
    if lines != sorted(lines):
        counted += f" in the order {', '.join(f'A{line}' for line in lines)}, not as read"
    elif not found.turned:
        counted += " in the order as read"
    return f"{counted}{f', {turned} inverted' if turned else ''}"


def _listed(names: Sequence[str]) -> str:
    """Some lines; a run of them by its ends.

    Example:
        >>> _listed(["D0", "D1", "D2"]), _listed(["A4", "A7"])
        ('D0 to D2', 'A4 and A7')
    """
    if len(names) > 2 and [int(one[1:]) for one in names] == list(
        range(int(names[0][1:]), int(names[0][1:]) + len(names))
    ):
        return f"{names[0]} to {names[-1]}"
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)

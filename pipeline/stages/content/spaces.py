"""Joins as people read them: findings for each chip, and spaces that can be pasted into the sheet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.catalogue.advice import advise
from pipeline.stages.content.crossed import crossed_finding
from pipeline.stages.content.lanes import Join, joins
from pipeline.stages.content.odds import in_hundred
from schemas.finding import Code, Finding, Severity

if TYPE_CHECKING:
    from schemas.part import Part
    from schemas.record import SuggestedSpace

__all__ = ["interleave_findings", "joins", "sisters_findings", "suggest_spaces"]

WIDEST = 64
"""Bits of a space's word at most."""
_LONGEST = 50
"""Characters of a space's name at most, a number behind it left out."""


def interleave_findings(found: Sequence[Join]) -> tuple[Finding, ...]:
    """The code `interleaves-with`, one finding for each chip of a join that no space places yet."""
    out = []
    for join in found:
        if join.placed:
            continue
        order = list(join.chips) if join.order_known else None
        said = {
            "odd/even": "its bytes and theirs make one program, every other byte from each",
            "nibble": "its words and theirs are the halves of one word",
            "four nibbles": "four of them make one word of 16 bits",
        }.get(join.kind, "their words stand side by side and change together, as microcode does")
        sure = in_hundred(float(join.evidence["order_odds"])) if join.evidence.get("order_odds") else "likely"
        told = (
            f"; the first is {join.chips[0]}, {sure}" if order else "; nothing here decides which comes first"
        )
        shown = f", such as {join.evidence['text'][0]!r}" if join.evidence.get("text") else ""
        for chip in join.chips:
            others = _others(join, chip)
            out.append(
                Finding(
                    code=Code.INTERLEAVES_WITH,
                    severity=Severity.NOTE,
                    chip=chip,
                    where={"with": others, "ranges": join.evidence.get("ranges", [])},
                    evidence={"with": others, "order": order, "kind": join.kind, **join.evidence},
                    means=f"reads better together with {', '.join(others)}, "
                    f"{in_hundred(float(join.evidence['odds']))}: {said}{told}{shown}",
                    also="chips of like content whose tables happen to lie at the same addresses",
                    next=advise("side-by-side"),
                )
            )
    return tuple(out)


def sisters_findings(join: Join, parts: Mapping[str, Part | None]) -> tuple[Finding, ...]:
    """The caution `lines-crossed` for each member of a join whose sisters show it crossed.

    Args:
        join: A set of chips that go together.
        parts: Chip → its catalogue entry, for the pins.
    """
    return tuple(
        crossed_finding(
            chip,
            shown.crossing,
            parts.get(chip),
            evidence={
                "sisters": _others(join, chip),
                "odds": round(shown.odds, 4),
                "score": round(shown.score, 1),
                "next_best": round(shown.ahead, 1),
            },
            reads=f"goes with {_listed(_others(join, chip))}, as parts of one word do, only",
        )
        for chip, shown in join.crossed
    )


def _others(join: Join, chip: str) -> list[str]:
    return [one for one in join.chips if one != chip]


def _listed(chips: Sequence[str]) -> str:
    """Some names, at most four of them."""
    more = f" and {len(chips) - 4} more" if len(chips) > 4 else ""
    return ", ".join(chips[:4]) + more


def suggest_spaces(found: Sequence[Join]) -> list[SuggestedSpace]:
    """The joins in the form of the sheet's `spaces`, so that they can be pasted into it.

    Words wider than a space's 64 bits are suggested as several spaces, `NAME.0` with the first chips.

    Args:
        found: As `joins` gives them.

    Returns:
        Plain values: name, width, byte_order, unit, placements, description. Each name once.
    """
    out: list[SuggestedSpace] = []
    names: set[str] = set()
    for join in found:
        if join.placed:
            continue
        base = _named(join.chips)
        name, number = base, 2
        while name in names:
            name, number = f"{base}-{number}", number + 1
        names.add(name)
        out += _spaces(join, name)
    return out


def _named(chips: Sequence[str]) -> str:
    """All chips of a set, or the first and last where a name is too short for all."""
    every = "-".join(chips)
    short = every if len(every) <= _LONGEST else f"{chips[0]}-to-{chips[-1]}"
    return short.replace(".", "-")[:_LONGEST]


def _spaces(join: Join, name: str) -> Iterator[SuggestedSpace]:
    """One space, or several of at most 64 bits."""
    lanes = list(reversed(join.chips)) if join.byte_order == "little" else list(join.chips)
    bits = join.width // len(lanes)
    most = WIDEST // bits
    parts = [lanes[start : start + most] for start in range(0, len(lanes), most)]
    for number, part in enumerate(parts):
        yield {
            "name": name if len(parts) == 1 else f"{name}.{number}",
            "width": bits * len(part),
            "byte_order": join.byte_order,
            "unit": "word",
            "placements": [{"at": 0, "lanes": part}],
            "description": _why(join),
        }


def _why(join: Join) -> str:
    """What speaks for a join, and what is still to be settled about it."""
    why = f"suggested by content ({join.kind}, stands out {join.evidence['stands_out']:g} times)"
    if not join.order_known:
        why += "; the order of the lanes is not known: check it against the schematic"
    if join.crossed:
        why += f"; first settle the lines of {_listed([chip for chip, _ in join.crossed])}"
    return why

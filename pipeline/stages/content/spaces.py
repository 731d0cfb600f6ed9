"""Joins as people read them: findings for each chip, and spaces that can be pasted into the sheet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.catalogue.advice import advise
from pipeline.stages.content.lanes import Join, joins
from schemas.finding import Code, Finding, Severity

if TYPE_CHECKING:
    from schemas.record import SuggestedSpace

__all__ = ["interleave_findings", "joins", "suggest_spaces"]


def interleave_findings(found: Sequence[Join]) -> tuple[Finding, ...]:
    """The code `interleaves-with`, one finding for each chip of a join."""
    out = []
    for join in found:
        order = list(join.chips) if join.order_known else None
        said = {
            "odd/even": "its bytes and theirs make one program, every other byte from each",
            "nibble": "its words and theirs are the halves of one word",
            "four nibbles": "four of them make one word of 16 bits",
        }.get(join.kind, "their words stand side by side and change together, as microcode does")
        likely = "is" if join.evidence.get("order_by") != "neighbours" else "is likely"
        told = (
            f"; the first {likely} {join.chips[0]}" if order else "; nothing here decides which comes first"
        )
        shown = f", such as {join.evidence['text'][0]!r}" if join.evidence.get("text") else ""
        for chip in join.chips:
            others = [name for name in join.chips if name != chip]
            out.append(
                Finding(
                    code=Code.INTERLEAVES_WITH,
                    severity=Severity.NOTE,
                    chip=chip,
                    where={"with": others, "ranges": join.evidence.get("ranges", [])},
                    evidence={"with": others, "order": order, "kind": join.kind, **join.evidence},
                    means=f"reads better together with {', '.join(others)}: {said}{told}{shown}",
                    also="chips of like content whose tables happen to lie at the same addresses",
                    next=advise("side-by-side"),
                )
            )
    return tuple(out)


def suggest_spaces(found: Sequence[Join]) -> list[SuggestedSpace]:
    """The joins in the form of the sheet's `spaces`, so that they can be pasted into it.

    Args:
        found: As `joins` gives them.

    Returns:
        Plain values: name, width, byte_order, unit, placements, description. Each name once.
    """
    out: list[SuggestedSpace] = []
    names: set[str] = set()
    for join in found:
        base = "-".join(join.chips).replace(".", "-")[:50]
        name, number = base, 2
        while name in names:
            name, number = f"{base}-{number}", number + 1
        names.add(name)
        lanes = list(reversed(join.chips)) if join.byte_order == "little" else list(join.chips)
        why = f"suggested by content ({join.kind}, stands out {join.evidence['stands_out']:g} times)"
        why += (
            ""
            if join.order_known
            else "; the order of the lanes is not known: check it against the schematic"
        )
        out.append(
            {
                "name": name,
                "width": join.width,
                "byte_order": join.byte_order,
                "unit": "word",
                "placements": [{"at": 0, "lanes": lanes}],
                "description": why,
            }
        )
    return out

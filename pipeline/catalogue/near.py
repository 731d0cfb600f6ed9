"""Which numbers a misspelt marking may have meant.

The nearest spelling first, among those that the dump fits.

A dump's size rules more numbers out than any likeness of spelling, so where it is known it goes first; and of
two numbers that are equally near, the one that is commoner is the likelier.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.catalogue.marking import compact

if TYPE_CHECKING:
    from schemas.part import Part

MOST = 5
"""So many suggestions can be read at a glance."""


def nearest(
    marking: str, numbers: Mapping[str, Part], *, common: tuple[str, ...] = (), size_bytes: int | None = None
) -> tuple[str, ...]:
    """Up to five compact numbers that look like this marking, the likeliest first.

    A number inside the marking, or around it, comes first: of two that differ in a maker's letters, a person
    must see both. A slip of the hand is one letter wrong, missing, added, or two exchanged; longer numbers
    may have two.

    Args:
        marking: As written.
        numbers: Every number, compact, and its part.
        common: Parts to prefer among equals, the first choice first.
        size_bytes: What the dump holds; numbers of another size are left out where any fits.
    """
    from rapidfuzz.distance import OSA

    text = compact(marking)
    core = text.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    found = []
    for at, (number, part) in enumerate(numbers.items()):
        inside = len(number) > 3 and (number in text or (len(core) > 3 and core in number))
        away = min(OSA.distance(text, number), OSA.distance(core, number) if core else len(number))
        if not inside and away > max(1, min(len(text), len(number)) // 3):
            continue
        rank = common.index(part.part) if part.part in common else len(common)
        found.append(
            (not inside, -len(number) if inside else away, not number.startswith(text), rank, at, number)
        )
    fitting = [one for one in found if _holds(numbers[one[-1]], size_bytes)]
    return tuple(one[-1] for one in sorted(fitting or found))[:MOST]


def _holds(part: Part, size_bytes: int | None) -> bool:
    """Whether the part holds exactly so many bytes, 4-bit words counted a byte each or two to a byte."""
    organisation = part.organisation
    if size_bytes is None or organisation is None:
        return size_bytes is None
    return size_bytes in {organisation.size_bytes, organisation.words * organisation.bits // 8}

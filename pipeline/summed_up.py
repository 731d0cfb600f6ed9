"""Many problems of one kind in a few lines: the first of each kind whole, the others counted.

Ten thousand chips with one mistake each are one mistake of a person's, made ten thousand times.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

MOST_WHOLE = 20
"""So many problems are all told whole."""
FIRST_OF_A_KIND = 3
_INDEX = re.compile(r"\[\d+\]")
_QUOTED = re.compile(r"'[^']*'|\d+")


def kind_of(field: str, found: str, expected: str) -> str:
    """What problems of one kind share: the field but for its number, and the sentence but for its values.

    Example:
        >>> kind_of("chips[3].part", "'2716x'", "a part of the catalogue")
        'chips[…].part: expected a part of the catalogue'
    """
    place = _INDEX.sub("[…]", field)
    said = _QUOTED.sub("…", expected or found)
    return f"{place}: expected {said}" if place else f"expected {said}"


def summed_up(problems: Iterable[tuple[str, str]]) -> list[str]:
    """Lines for problems given as (kind, whole text), in their order.

    Args:
        problems: All of them.

    Returns:
        All texts where they are few; else up to three of each kind, the last followed by how many more there
        are.
    """
    every = list(problems)
    if len(every) <= MOST_WHOLE:
        return [text for _, text in every]
    counts: dict[str, int] = {}
    for kind, _ in every:
        counts[kind] = counts.get(kind, 0) + 1
    seen: dict[str, int] = {}
    lines = []
    for kind, text in every:
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] <= FIRST_OF_A_KIND:
            lines.append(text)
        if seen[kind] == FIRST_OF_A_KIND and counts[kind] > FIRST_OF_A_KIND:
            lines.append(f"… and {counts[kind] - FIRST_OF_A_KIND:,} more like these: {kind}")
    return lines

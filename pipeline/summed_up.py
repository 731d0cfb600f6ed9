"""Many problems of one kind in a few lines: the first of each kind whole, the others counted.

Ten thousand chips with one mistake each are one mistake of a person's, made ten thousand times.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from itertools import islice

MOST_WHOLE = 20
"""So many problems are all told whole."""
FIRST_OF_A_KIND = 3
MOST_LINES = 60
"""Of more kinds than these lines hold the rest is counted: a person who mends what is told runs it again."""
_INDEX = re.compile(r"\[\d+\]")
_QUOTED = re.compile(r"'[^']*'|\d+")


def counted(count: int, one: str, many: str = "") -> str:
    """`1 chip`, `3 chips`."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(names: Collection[str], most: int = 9) -> str:
    """Names as far as a message may list them.

    Example:
        >>> listed(["U1", "U2", "U3"], 2)
        'U1, U2 and 1 more'
    """
    more = f" and {len(names) - most:,} more" if len(names) > most else ""
    return ", ".join(islice(names, most)) + more


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
        are, and in the end how many of further kinds.
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
        if len(lines) >= MOST_LINES:
            break
    told = sum(counts[kind] if count >= FIRST_OF_A_KIND else count for kind, count in seen.items())
    rest = len(every) - told
    return [*lines, f"… and {rest:,} more of other kinds; mend these first"] if rest else lines

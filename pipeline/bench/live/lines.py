"""What is known of one line: its state, and how it is said.

Proved and not yet contradicted are two things: *alive* is said only where words prove it, and what the
content of the chip cannot show is *not yet shown*, never dead.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Shown(StrEnum):
    """What the passes show of a line."""

    ALIVE = "alive"
    DEAD = "dead"
    STUCK = "stuck"
    JOINED = "joined"
    FLOATING = "floating"
    INTERMITTENT = "intermittent"
    NOT_SHOWN = "not-shown"


TROUBLE = frozenset({Shown.DEAD, Shown.STUCK, Shown.JOINED, Shown.FLOATING, Shown.INTERMITTENT})
"""States in which a hand is needed, with the power off."""


class LineState(NamedTuple):
    """One line's state.

    Attributes:
        state: What is shown.
        others: Lines that it is joined with.
        level: At which it is stuck.
    """

    state: Shown
    others: tuple[str, ...] = ()
    level: int | None = None

    @property
    def words(self) -> str:
        """The state in words: `joined with A5`."""
        if self.state is Shown.JOINED:
            return f"joined with {', '.join(self.others)}"
        if self.state is Shown.STUCK:
            return f"stuck at {self.level}"
        return "not yet shown" if self.state is Shown.NOT_SHOWN else self.state.value

    @property
    def mark(self) -> str:
        """One character, the same on every terminal: `+` proved, `?` not yet shown, `!` a hand is needed."""
        return "!" if self.state in TROUBLE else "+" if self.state is Shown.ALIVE else "?"


NOT_YET = LineState(Shown.NOT_SHOWN)
ALIVE = LineState(Shown.ALIVE)


def names(address_lines: int, bits: int) -> tuple[str, ...]:
    """Every line of a chip, the address lines first.

    Example:
        >>> names(2, 1)
        ('A0', 'A1', 'D0')
    """
    return (*(f"A{line}" for line in range(address_lines)), *(f"D{line}" for line in range(bits)))

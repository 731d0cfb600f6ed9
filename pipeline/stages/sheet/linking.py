"""What joining one sheet needs to know, and the list into which everything that does not fit is told."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.catalogue import Catalogue
from pipeline.flow import FoundFile, Problem
from pipeline.held_once import HeldOnce
from pipeline.stages.sheet.typed import place, shown
from pipeline.summed_up import listed
from schemas.meant import one_meant
from schemas.sheet import Sheet

MOST_SUGGESTED = 30
"""Looking through ten thousand names takes milliseconds each time."""


@dataclass(slots=True)
class Linking:
    """Everything that linking one sheet needs, and the problems it finds."""

    sheet: Sheet
    tree: Any
    file: str
    files: Mapping[str, FoundFile]
    catalogue: Catalogue
    problems: list[Problem] = field(default_factory=list)
    rows: Mapping[str, Sequence[int]] = field(default_factory=dict)
    """For each list of the sheet, where each of its typed items stands in the text's list."""
    untyped: frozenset[str] = frozenset()
    """Ids of chips whose own fields could not be read; naming them is no second mistake."""
    unread_parts: frozenset[Any] = frozenset()
    """Names of the sheet's own parts whose fields could not be read; naming them is no second mistake."""

    without_chips: bool = False
    """The table of chips could not be read: that its files fit no chip is no second mistake."""
    told: set[str] = field(default_factory=set)
    """Fields about which something was told already: one cause, one message."""
    one: HeldOnce = field(default_factory=HeldOnce)
    """What many chips have alike."""
    suggested: int = 0
    """How often a name was looked for that may have been meant."""

    def may_suggest(self) -> bool:
        """Whether one is still looked for: of thousands of unknown names a person mends the first few."""
        self.suggested += 1
        return self.suggested <= MOST_SUGGESTED

    def meant(self, found: str, valid: Iterable[str]) -> str:
        """The names most like this one, or "" where there are none, or hundreds were looked for already."""
        return one_meant(found, valid) if self.may_suggest() else ""

    def at(self, loc: Sequence[Any]) -> tuple[Any, ...]:
        """The path in the text's tree: items that could not be typed are counted there."""
        if len(loc) > 1 and loc[0] in self.rows:
            return (loc[0], self.rows[loc[0]][loc[1]], *loc[2:])
        return tuple(loc)

    def place(self, loc: Sequence[Any]) -> str:
        """Where a path of the sheet stands."""
        return place(self.tree, self.at(loc), self.file)[0]

    def tell(
        self, loc: Sequence[Any], found: str, expected: str, close: str = "", *, caution: bool = False
    ) -> None:
        """Add a problem at a path of the sheet."""
        loc = self.at(loc)
        where, _ = place(self.tree, loc, self.file)
        text = ""
        for key in loc:
            text += f"[{key + 1}]" if isinstance(key, int) else f".{key}" if text else str(key)
        if text not in self.told:
            self.problems.append(Problem(where, text, found, expected, close, caution))

    def unknown(self, loc: Sequence[Any], kind: str, found: str | None, names: Collection[str]) -> None:
        """Tell of a board, chip or reader that the sheet has not: the nearest that it has, or all of them."""
        near = self.meant(found or "", names)
        listing = f" ({listed(names)})" if names else f" (none yet: `{kind}s: {{{found or 'NAME'}: {{}}}}`)"
        self.tell(loc, shown(found), f"a {kind} that `{kind}s` names{'' if near else listing}", near)

"""Digits of a value: with leading zeros all are alike, and one that is not has lost or gained one.

It is the only check that plain printed values carry, so it is held over the whole file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipeline.formats.neutral import refuse
from pipeline.formats.text.characters import Characters


@dataclass(slots=True)
class Widths:
    """How many digits the values of one dump have.

    Attributes:
        seen: Number of digits → [index of the first such value, how many].
        padded: Numbers of digits that were seen with a leading zero.
    """

    text: Characters
    seen: dict[int, list[int]] = field(default_factory=dict)
    padded: set[int] = field(default_factory=set)

    def note(self, start: int, line: bytes, words: list[bytes] | tuple[bytes, ...]) -> None:
        """Take in the values of one line.

        Raises:
            FormatError: Some values have leading zeros and not all are as wide.
        """
        for word in words:
            size = len(word)
            if size not in self.seen:
                found = re.search(rb"(?<![0-9A-Za-z_])(?:0[xX])?" + word, line)
                self.seen[size] = [start + (found.start() if found else 0), 0]
            self.seen[size][1] += 1
            if size > 1 and word.startswith(b"0"):
                self.padded.add(size)
        if self.padded and len(self.seen) > 1:
            self._refuse()

    def note_again(self, sizes: list[int]) -> None:
        """Take in the digits of the values of a line that was noted before, and says nothing new but that."""
        for size in sizes:
            self.seen[size][1] += 1

    def _refuse(self) -> None:
        """Name the first value of the rarer width."""
        odd = min(self.seen, key=lambda size: (self.seen[size][1], -self.seen[size][0]))
        usual = max(self.seen, key=lambda size: (self.seen[size][1], -self.seen[size][0]))
        refuse(
            self.text.place(self.seen[odd][0]),
            f"a {odd}-digit value among {usual}-digit ones that are printed with leading zeros: "
            "a character is lost or added",
            "compare the line with the source, or read the chip again",
        )

    def report(self) -> None:
        """Say that single digits were read as small values."""
        if 1 in self.seen and len(self.seen) > 1:
            at, count = self.seen[1]
            self.text.ledger.add("single digits read as values below 16", self.text.place(at), count)

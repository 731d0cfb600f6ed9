"""Data lines of one log sorted into passes, at the places where the reader started again.

A line of text between data lines is either the reader's marker, and then it comes again, or an interruption,
and then nobody can say what it swallowed. Only the first splits a log; the second is refused.
"""

from __future__ import annotations

from array import array
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.neutral import Declared, ambiguous
from pipeline.formats.text.characters import Characters
from pipeline.formats.text.prose import WORD, shown, signature


@dataclass(slots=True)
class Group:
    """Data lines with no text between them, kept flat since a log may have a million lines.

    Attributes:
        starts: Index in the text where each line starts.
        counts: Values of each line.
        values: All values.
    """

    starts: array[int] = field(default_factory=lambda: array("q"))
    counts: array[int] = field(default_factory=lambda: array("q"))
    values: array[int] = field(default_factory=lambda: array("Q"))


@dataclass(slots=True)
class Log:
    """Groups of data lines and the text lines around them: `gaps[k]` stands before `groups[k]`."""

    groups: list[Group] = field(default_factory=list)
    gaps: list[list[tuple[int, bytes]]] = field(default_factory=lambda: [[]])

    def data(self, start: int, values: list[int]) -> None:
        """Add a data line."""
        if len(self.gaps) > len(self.groups):
            self.groups.append(Group())
        group = self.groups[-1]
        group.starts.append(start)
        group.counts.append(len(values))
        group.values.extend(values)

    def text(self, start: int, line: bytes) -> None:
        """Add a line that is not data; decoration without a letter or digit parts nothing."""
        if not WORD.search(line):
            return
        if len(self.gaps) == len(self.groups):
            self.gaps.append([])
        self.gaps[-1].append((start, line))

    def skipped(self) -> list[tuple[int, bytes]]:
        """All text lines."""
        return [one for gap in self.gaps for one in gap]


def runs_of(log: Log, text: Characters, declared: Declared) -> list[Group]:
    """One group a pass.

    Raises:
        AmbiguousError: Text between data that is no marker; or parts that only together make the chip.
    """
    marks = Counter(mark for gap in log.gaps for mark in {signature(line) for _, line in gap})
    for gap in log.gaps[1 : len(log.groups)]:
        if not any(marks[signature(line)] > 1 for _, line in gap):
            start, line = gap[0]
            ambiguous(
                text.place(start),
                f"text between data lines ({shown(line)!r}): a new pass, or an interruption",
                "split the file at this line, or take the line out if nothing is missing there",
            )
    sizes = [len(group.values) for group in log.groups]
    if len(sizes) > 1 and declared.words is not None and sum(sizes) == declared.words:
        ambiguous(
            text.place(log.gaps[1][0][0]),
            (
                f"{len(sizes)} parts hold {', '.join(map(str, sizes))} values and only together make the "
                f"chip's {declared.words}"
            ),
            "take the lines of text between the parts out if they are one reading",
        )
    return log.groups


def joined(group: Group, dtype: type[np.unsignedinteger[Any]]) -> NDArray[np.unsignedinteger[Any]]:
    """All words of a group."""
    return np.frombuffer(group.values, dtype=np.uint64).astype(dtype)

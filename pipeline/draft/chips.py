"""Loose files put together as readings of chips: by names, by equal bytes, by nearly equal ones."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.draft.contents import FileContent
from pipeline.draft.file_names import NamedFile
from schemas.names import Organisation, by_numbers

MOST_DIFFERING = 16
"""Two passes of one chip differ in fewer than one value in so many; common practice, no source."""
FEWEST_KINDS = 16
"""Files of fewer different values look like each other whatever chips they are of."""
FEWEST_TOLD = 3
"""Equal files of one place are of one chip, unless they are as good as blank."""
UNKNOWN_READER = "unknown-reader"


@dataclass(slots=True)
class DraftedReading:
    """One file that is a reading of a chip.

    Attributes:
        path: In the project folder.
        named: What its name says.
        content: What it holds.
        set_aside: Why it has no voice; "" where it has one.
    """

    path: str
    named: NamedFile
    content: FileContent
    set_aside: str = ""

    @property
    def reader(self) -> str:
        """Its reader's id."""
        return self.named.reader or UNKNOWN_READER


@dataclass(slots=True)
class DraftedChip:
    """A chip with its readings.

    Attributes:
        chip: The id proposed.
        readings: At least one.
        joined: Paths of readings that belong here by their content only.
    """

    chip: str
    readings: list[DraftedReading]
    joined: list[str] = field(default_factory=list)

    @property
    def heard(self) -> list[DraftedReading]:
        """The readings that have a voice."""
        return [one for one in self.readings if not one.set_aside]

    @property
    def organisation(self) -> Organisation | None:
        """The organisation of most readings, the smaller of two that are as frequent: others read on."""
        found = Counter(one.content.organisation for one in self.heard if one.content.organisation)
        return min(found, key=lambda one: (-found[one], one.words)) if found else None


def chips_of(readings: Iterable[DraftedReading]) -> list[DraftedChip]:
    """The chips, in the order of their first files, no two ids alike."""
    groups: dict[str, DraftedChip] = {}
    for one in readings:
        chip = groups.setdefault(one.named.whole.casefold(), DraftedChip(one.named.whole, []))
        chip.readings.append(one)
    chips = _joined_by_content(list(groups.values()))
    for chip in chips:
        chip.readings.sort(key=_worth)
        _set_aside(chip)
    _named(chips)
    return sorted(chips, key=lambda one: by_numbers(one.chip))


def _worth(one: DraftedReading) -> tuple[bool, bool]:
    """Originals before copies, and files that say all before those of which something is guessed."""
    return one.named.copy, bool(one.content.says)


def _named(chips: Sequence[DraftedChip]) -> None:
    """Every chip by the shorter name, where no other chip has it; every id once in whatever letter case."""
    short = [min((one.named.chip for one in chip.readings), key=len) for chip in chips]
    taken = Counter(name.casefold() for name in short)
    seen: set[str] = set()
    for chip, name in zip(chips, short, strict=True):
        own = name if taken[name.casefold()] == 1 else chip.chip
        number = next(k for k in range(1, len(chips) + 2) if _nth(own, k).casefold() not in seen)
        chip.chip = _nth(own, number)
        seen.add(chip.chip.casefold())


def _nth(name: str, number: int) -> str:
    return name if number == 1 else f"{name}-{number}"


def _joined_by_content(chips: list[DraftedChip]) -> list[DraftedChip]:
    """Chips of one place whose files look alike are one; one without a place joins what looks alike."""
    kept: list[DraftedChip] = []
    # Only chips of the same place, or for one without a place those as long, can be alike: a folder of a
    # hundred thousand files is not held against itself.
    near: dict[str | int, list[DraftedChip]] = defaultdict(list)
    for chip in sorted(chips, key=lambda one: (not _place(one), len(one.chip))):
        length = len(chip.readings[0].content.words)
        key = _place(chip) or length
        alike = [one for one in near[key] if _one_chip(one, chip)] if key else []
        if len(alike) == 1:
            alike[0].readings += chip.readings
            alike[0].joined += [one.path for one in chip.readings]
        else:
            kept.append(chip)
            if _place(chip):
                near[_place(chip)].append(chip)
                near[length].append(chip)
    order = {id(chip): at for at, chip in enumerate(chips)}
    return sorted(kept, key=lambda one: order[id(one)])


def _place(chip: DraftedChip) -> str:
    return chip.readings[0].named.place.casefold()


def _one_chip(known: DraftedChip, other: DraftedChip) -> bool:
    """Whether the files of two names are of one chip: their places allow it, and their contents are alike."""
    if _place(other) and _place(other) != _place(known):
        return False
    one, two = known.readings[0].content, other.readings[0].content
    if _place(other) and one.words == two.words and len(set(one.words)) >= FEWEST_TOLD:
        return True
    return bool(_place(known)) and _alike(one, two)


def _alike(one: FileContent, other: FileContent) -> bool:
    """Whether two contents are the same, or nearly, and say enough to tell a chip by."""
    if len(one.words) != len(other.words) or not one.words:
        return False
    first, second = (np.frombuffer(each.words, dtype=np.uint8) for each in (one, other))
    if len(np.unique(first)) < FEWEST_KINDS:
        return False
    return int(np.count_nonzero(first != second)) * MOST_DIFFERING < len(first)


def _set_aside(chip: DraftedChip) -> None:
    """Give no voice to files that cannot be read, or that are another file once more and no pass."""
    for at, one in enumerate(chip.readings):
        if one.content.refused:
            one.set_aside = f"cannot be read: {one.content.refused}"[:200]
            continue
        same = next((other for other in _before(chip.readings, at) if _same(other, one)), None)
        if same is not None and not one.named.numbered and not _first_pass(chip, one):
            one.set_aside = f"the same bytes as {same.path}: a copy, as its name has no number of a pass"


def _first_pass(chip: DraftedChip, one: DraftedReading) -> bool:
    """Whether a file without a number is the first pass: beside `U7.bin` people write `U7_2.bin`."""
    name = one.named.whole.casefold()
    others = [other for other in chip.readings if other is not one and other.named.whole.casefold() == name]
    plain = not one.named.copy and one.path not in chip.joined
    alike = [other for other in others if _ending(other.path) == _ending(one.path) and not other.named.copy]
    return plain and bool(alike) and all(other.named.numbered for other in alike)


def _ending(path: str) -> str:
    return path.rsplit(".", 1)[-1].casefold()


def _before(readings: Sequence[DraftedReading], at: int) -> list[DraftedReading]:
    """Readings that count before this one: those before it, and every pass that is numbered."""
    return [
        one
        for number, one in enumerate(readings)
        if number != at and not one.content.refused and (number < at or one.named.numbered)
    ]


def _same(one: DraftedReading, other: DraftedReading) -> bool:
    return one.content.words == other.content.words

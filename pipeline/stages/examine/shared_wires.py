"""A line that is dead, stuck or joined on one chip is so on the next that the same wires read.

A table in which a line makes no difference is common, and by itself no ground for doubt. Read with wires on
which other chips prove that line dead it is worth nothing: its image is held back. Where any chip of the same
wires shows the line alive, the fault was that chip's own contact, and nobody else is accused.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import advise, step
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation
from schemas.part import Part

LINE_FAULTS = frozenset(
    [
        Code.ADDRESS_LINE_DEAD,
        Code.ADDRESS_LINES_JOINED,
        Code.DATA_LINE_STUCK,
        Code.DATA_LINES_JOINED,
    ]
)
"""Faults of wires, of which an image shows whether it could carry them."""


class WireFault(NamedTuple):
    """A fault of lines: its code, the lines, and the level of a stuck one or which of two joined wins."""

    code: Code
    lines: tuple[str, ...]
    level: str


class WiredChip(NamedTuple):
    """One chip as one reader read it, all with the same wires.

    Attributes:
        chip: Its id.
        organisation: Words and bits.
        wiring: Name of the wires.
        faults: Of this reader's lines, beyond doubt, or since another reader read them otherwise.
        alone: No other reader read it.
        told: Its image is that of this reader.
        part: Its catalogue entry, for the pins.
    """

    chip: str
    organisation: Organisation
    wiring: str
    faults: tuple[WireFault, ...]
    alone: bool
    told: bool
    part: Part | None = None


def wire_fault(finding: Finding) -> WireFault:
    """The fault that a finding of `LINE_FAULTS` names."""
    where = finding.where
    lines = (str(where["line"]),) if "line" in where else tuple(str(line) for line in where["lines"])
    return WireFault(finding.code, lines, str(where.get("level", where.get("wins", ""))))


def shared_wire_findings(chips: Sequence[WiredChip], load: Callable[[str], Words]) -> tuple[Finding, ...]:
    """Cautions that hold back images on which a proved fault of their wires could not be seen.

    Args:
        chips: All that were judged, by reader.
        load: Gives a chip's image.
    """
    wirings: dict[str, list[WiredChip]] = defaultdict(list)
    for one in chips:
        wirings[one.wiring].append(one)
    found: list[Finding] = []
    for own in wirings.values():
        for fault in sorted({fault for one in own for fault in one.faults}):
            by = [one for one in own if fault in one.faults]
            sizes = {one.organisation for one in by}
            # Shown on chips of two sizes it is the reader's own line, whatever socket it leads to.
            for size in {one.organisation for one in own} if len(sizes) > 1 else sizes:
                others = [one for one in own if one.organisation == size and one.told and one not in by]
                if _has(size, fault) and all(carries(load(one.chip), fault) for one in others):
                    found += [_finding(one, fault, by) for one in others if one.alone]
    return tuple(sorted(found, key=lambda one: (one.chip, one.code.value)))


def _has(size: Organisation, fault: WireFault) -> bool:
    """Whether a chip of this size has the lines."""
    counts = {"A": size.address_bits, "D": size.bits}
    return all(int(line[1:]) < counts[line[0]] for line in fault.lines)


def carries(words: Words, fault: WireFault) -> bool:
    """Whether an image is what wires with this fault could have shown, of whatever chip.

    Args:
        words: As many as a power of two.
        fault: Of its lines.
    """
    numbers = [int(line[1:]) for line in fault.lines]
    if fault.code in (Code.DATA_LINE_STUCK, Code.DATA_LINES_JOINED):
        columns = [words >> words.dtype.type(line) & words.dtype.type(1) for line in numbers]
        wanted = columns[-1] if len(columns) > 1 else words.dtype.type(fault.level == "1")
        return bool((columns[0] == wanted).all())
    at = np.arange(words.size)
    mask = sum(1 << line for line in numbers)
    if len(numbers) == 1:
        return bool((words == words[at ^ mask]).all())
    torn = (at & mask != 0) & (at & mask != mask)
    seen = at & ~mask if fault.level == "low" else at | mask
    return bool((words[torn] == words[seen[torn]]).all())


def _finding(one: WiredChip, fault: WireFault, by: Sequence[WiredChip]) -> Finding:
    both, shown = " and ".join(fault.lines), [each.chip for each in by]
    pins = pins_of(one.part, fault.lines)
    lines = {"line": fault.lines[0]} if len(fault.lines) == 1 else {"lines": list(fault.lines)}
    after = (
        step("joined-lines", both=both)
        if len(fault.lines) > 1
        else step(
            "dead-address-line" if fault.code is Code.ADDRESS_LINE_DEAD else "stuck-data-line", line=both
        )
    )
    return Finding(
        code=fault.code,
        severity=Severity.CAUTION,
        chip=one.chip,
        where={**lines, "wiring": one.wiring, "image": True, **({"pins": pins} if pins else {})},
        evidence={"shown_by": shown, "holds_back": True},
        means=(
            f"This was read with the wiring {one.wiring}, by which {', '.join(shown)} shows "
            f"{fault.code.value} {both}, and no chip of this size shows the opposite. With the same fault "
            "this image would look just as it does, so it is held back."
        ),
        also="Content that makes no use of the line; a fault of the other chip's own leg or contact.",
        next=advise(replace(after, lines=fault.lines), one.part),
    )

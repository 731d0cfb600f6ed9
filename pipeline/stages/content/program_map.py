"""The map of a program over its chips: entry points, routines, who calls whom, and what nothing leads to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

from pipeline.stages.content.flow_of_control.orders import as_stored
from pipeline.stages.content.flow_of_control.walk import Calling, Laid, Site, Walked, laid, walk
from pipeline.stages.content.program import READ_FOR
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.record import CallerRecord, CallRecord, ProgramRecord, RoutineRecord
    from schemas.sheet import Space

AddressBy = Literal["sheet", "calls", "own calls"]
MOST_LISTED = 1000
"""Routines, calls and ranges that the record lists a chip; all are counted."""
MOST_CALLERS = 50


class ProgramChip(NamedTuple):
    """One chip that reads as a program.

    Attributes:
        chip: Its id.
        words: Shape (n,), its image.
        bits: 8 or 16.
        families: As `runs-on` has them.
        base: Address of its first word, in words; None: not known.
        by: What says so.
    """

    chip: str
    words: Words
    bits: int
    families: tuple[str, ...]
    base: int | None = None
    by: AddressBy | None = None

    @property
    def family(self) -> str:
        """As instructions are read: the larger set of a pair for both."""
        return READ_FOR.get(self.families[0], self.families[0])


def sheet_bases(spaces: Iterable[Space]) -> dict[str, int]:
    """Chip → address of its first word, for chips that make up a space's whole word at one place only."""
    found: dict[str, set[int]] = defaultdict(set)
    for space in spaces:
        unit = max(1, space.width // 8) if space.unit == "byte" else 1
        for placement in space.placements:
            lanes = placement.parsed_lanes
            for chip, _ in lanes:
                whole = len(lanes) == 1 and lanes[0][1] is None and (placement.span or (0, 0))[0] == 0
                found[chip].add(int(placement.at) // unit if whole else -1)
    return {chip: at for chip, several in found.items() if len(several) == 1 for at in several if at >= 0}


def program_maps(chips: Sequence[ProgramChip]) -> dict[str, ProgramRecord]:
    """The map of each chip's program.

    Args:
        chips: Of one board; those of one family and width are walked together.

    Returns:
        Chip → its map. Nothing is raised.
    """
    groups: dict[tuple[str, int], list[ProgramChip]] = defaultdict(list)
    for one in chips:
        groups[one.family, one.bits].append(one)
    out: dict[str, ProgramRecord] = {}
    for (family, bits), own in groups.items():
        programs = [laid(as_stored(one.words, bits, family), family, one.base) for one in own]
        out |= _records(own, programs, walk(programs))
    return out


def _records(
    chips: Sequence[ProgramChip], programs: Sequence[Laid], walked: Walked
) -> dict[str, ProgramRecord]:
    """Chip → its map as the record has it; places turned into words of the chip."""
    callers: dict[Site, list[CallerRecord]] = defaultdict(list)
    outward: dict[int, list[CallRecord]] = defaultdict(list)
    factor = [8 * one.one.units // chip.bits for one, chip in zip(programs, chips, strict=True)]
    for call in walked.calls:
        number, place = call.source
        if call.call and call.target is not None:
            callers[call.target].append({"chip": chips[number].chip, "at": place * factor[number]})
        if call.target is None or call.target[0] != number:
            outward[number].append(_call(call, chips, factor))
    out: dict[str, ProgramRecord] = {}
    for number, (chip, one) in enumerate(zip(chips, programs, strict=True)):
        by = chip.by or ("own calls" if one.base is not None else None)
        routines = sorted(place for of, place in callers if of == number)
        out[chip.chip] = {
            "family": chip.family,
            "address": None if one.base is None else one.base * one.one.units,
            "address_by": by,
            "entries": [place * factor[number] for place in walked.entries[number]],
            "routines": [
                _routine(place * factor[number], callers[number, place]) for place in routines[:MOST_LISTED]
            ],
            "routines_found": len(routines),
            "calls_out": outward[number][:MOST_LISTED],
            "calls_out_found": len(outward[number]),
            "reached": int(walked.reached[number].sum()) * factor[number],
            "unreached": _ranges(walked.unreached[number], factor[number]),
        }
    return out


def _call(call: Calling, chips: Sequence[ProgramChip], factor: Sequence[int]) -> CallRecord:
    number, place = call.source
    out: CallRecord = {"at": place * factor[number], "kind": "call" if call.call else "jump"}
    if call.target is not None:
        out["chip"], out["to"] = chips[call.target[0]].chip, call.target[1] * factor[call.target[0]]
    elif call.address is not None and call.address >= 0:
        out["address"] = call.address * (chips[number].bits // 8)
    return out


def _routine(at: int, callers: Sequence[CallerRecord]) -> RoutineRecord:
    return {"at": at, "callers": list(callers[:MOST_CALLERS]), "called": len(callers)}


def _ranges(found: Sequence[tuple[int, int]], factor: int) -> list[list[int]]:
    return [[start * factor, end * factor] for start, end in found[:MOST_LISTED]]

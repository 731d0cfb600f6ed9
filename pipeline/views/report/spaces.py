"""The map of an address space: which chip holds what, and where nothing is."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.views.report import wording
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import SpaceRecord
    from schemas.recorded_sheet import PlacementRecord

_LANE = re.compile(r"^([^\[\]]+)(?:\[\s*(\d+)\s*:\s*(\d+)\s*\])?$")
MOST_DRAWN = 120


class Stretch(NamedTuple):
    """One stretch of a space: its first and end word, its bank, and the lanes that fill it (none: a gap)."""

    start: int
    end: int
    bank: str
    lanes: tuple[str, ...]


def lane_chip(lane: str) -> str:
    """The chip of a lane, `U5` of `U5[7:4]`."""
    found = _LANE.match(lane)
    return found[1] if found else lane


def stretches_of(space: SpaceRecord, organisations: Mapping[str, str]) -> list[Stretch]:
    """The placed stretches in address order, with the gaps between them.

    Args:
        space: A space's record.
        organisations: Chip id to `2048x8`.
    """
    placed = sorted(
        (_stretch(placement, space, organisations) for placement in space.get("placements") or ()),
        key=lambda stretch: (stretch.bank, stretch.start, stretch.end),
    )
    out: list[Stretch] = []
    reached: dict[str, int] = {}
    for stretch in placed:
        before = reached.get(stretch.bank, 0)
        if stretch.start > before:
            out.append(Stretch(before, stretch.start, stretch.bank, ()))
        out.append(stretch)
        reached[stretch.bank] = max(before, stretch.end)
    total = int(space.get("words") or 0)
    if len(reached) == 1 and total > max(reached.values()):
        out.append(Stretch(max(reached.values()), total, next(iter(reached)), ()))
    return out


def _stretch(placement: PlacementRecord, space: SpaceRecord, organisations: Mapping[str, str]) -> Stretch:
    lanes = tuple(_lane_text(lane) for lane in placement.get("lanes") or ())
    at = _number(placement.get("at", 0))
    if space.get("unit") == "byte":
        at //= max(1, int(space.get("width") or 8) // 8)
    return Stretch(at, at + _length(placement, lanes, organisations), str(placement.get("bank") or ""), lanes)


def _lane_text(lane: Any) -> str:
    return str(lane.get("lane", lane.get("chip", ""))) if isinstance(lane, Mapping) else str(lane)


def _length(placement: PlacementRecord, lanes: Sequence[str], organisations: Mapping[str, str]) -> int:
    span = placement.get("chip_range")
    if isinstance(span, str) and "-" in span:
        first, end = span.split("-", 1)
        return max(1, _number(end) - _number(first))
    if isinstance(span, Sequence) and len(span) == 2:
        return max(1, int(span[1]) - int(span[0]))
    for lane in lanes:
        said = organisations.get(lane_chip(lane))
        if said:
            return Organisation.parse(said).words
    return 1


def _number(text: Any) -> int:
    if isinstance(text, int):
        return text
    plain = str(text).strip()
    return int(plain, 16) if plain.lower().startswith("0x") else int(plain)


def stretch_words(stretch: Stretch) -> str:
    """Where a stretch lies, in words."""
    return wording.span_text(stretch.start, stretch.end, 4)

"""The map of an address space: which chip holds what, and where nothing is."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from pipeline.views.report import wording
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import SpaceRecord
    from schemas.recorded_sheet import PlacementRecord

_LANE = re.compile(r"^([^\[\]]+)(?:\[\s*(\d+)\s*:\s*(\d+)\s*\])?$")
WIDE = 320
RULER = 64
MOST_DRAWN = 120


@dataclass(frozen=True, slots=True)
class Stretch:
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


def space_svg(space: SpaceRecord, stretches: Sequence[Stretch], grades: Mapping[str, str]) -> Markup:
    """A column of stretches, the lowest address at the top; lanes side by side, the most significant left.

    Args:
        space: A space's record.
        stretches: What `stretches_of` gave.
        grades: Chip id to grade, for the colour of its lane.
    """
    drawn = stretches[:MOST_DRAWN]
    total = sum(stretch.end - stretch.start for stretch in drawn) or 1
    y, parts, bank = 4.0, [], ""
    for stretch in drawn:
        if stretch.bank != bank:
            bank = stretch.bank
            parts.append(
                f'<text class="bank" x="{RULER}" y="{y + 13:.5g}">bank '
                f"{escape(wording.short(bank, 24))}</text>"
            )
            y += 18
        tall = max(26.0, min(120.0, 300 * (stretch.end - stretch.start) / total))
        parts.append(f'<text class="at" x="{RULER - 6}" y="{y + 12:.5g}">{stretch.start:04X}</text>')
        parts.append(_drawn(stretch, y, tall, grades))
        y += tall + 2
    name = escape(wording.short(space.get("name", ""), 40))
    width, height = RULER + WIDE + 2, y + 4
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="space" role="img" aria-label="Map of {name}; the list beside it says the same" '
        f'width="{width}" height="{height:.0f}" viewBox="0 0 {width} {height:.5g}">{"".join(parts)}</svg>'
    )


def _drawn(stretch: Stretch, y: float, tall: float, grades: Mapping[str, str]) -> str:
    where = wording.span_text(stretch.start, stretch.end, 4)
    if not stretch.lanes:
        return (
            f'<g class="gap"><title>{where}: nothing placed</title><path d="M{RULER} '
            f'{y:.5g}h{WIDE}v{tall:.5g}h-{WIDE}z"/>'
            f'<text x="{RULER + WIDE / 2:g}" y="{y + tall / 2 + 4:.5g}">nothing placed</text></g>'
        )
    wide = WIDE / len(stretch.lanes)
    fits = int(wide // 7.2)
    out = []
    for place, lane in enumerate(stretch.lanes):
        grade = grades.get(lane_chip(lane), "missing")
        x = RULER + place * wide
        text = wording.short(lane, fits) if fits > 1 else ""
        out.append(
            f'<g class="g-{grade}"><title>{where}: {escape(wording.short(lane, 80))}, {grade}</title>'
            f'<path d="M{x:.5g} {y:.5g}h{wide - 2:.5g}v{tall:.5g}h-{wide - 2:.5g}z"/>'
            f'<text x="{x + wide / 2 - 1:.5g}" y="{y + tall / 2:.5g}">{escape(text)}</text>'
            f'<use class="m" href="#m-{grade}" x="{x + wide / 2 - 6:.5g}" y="{y + tall / 2 + 3:.5g}" '
            f'width="10" height="10"/></g>'
        )
    return "".join(out)


def stretch_words(stretch: Stretch) -> str:
    """Where a stretch lies, in words."""
    return wording.span_text(stretch.start, stretch.end, 4)

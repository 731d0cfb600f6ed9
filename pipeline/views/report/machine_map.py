"""All address spaces beside each other on one scale: which chip holds what, its picture inside its block.

Words of every space are equally tall, so that a small store beside a large one looks small. What no chip
fills is hatched where a chip should be and dashed where nothing is placed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from markupsafe import Markup, escape

from pipeline.views.report import wording
from pipeline.views.report.spaces import MOST_DRAWN, Stretch, lane_chip, stretches_of
from pipeline.views.report.thumbnails import single
from schemas.names import Organisation

if TYPE_CHECKING:
    from pipeline.views.report.summary import Summary
    from schemas.record import SpaceRecord

TALL = 520
"""Display units of the space with the most words."""
LEAST = 30.0
"""A block's least height: its name needs a line, its mark another."""
LANE, RULER, TOP = 56, 58, 40
MOST_SPACES = 24
MOST_TEXTS, LEAST_LETTERS = 24, 6
_TEXT = re.compile(rb"[\x20-\x7e]{6,}")


class MappedSpace(NamedTuple):
    """One space ready to be drawn: its name, its stretches in address order, and how many words it has."""

    name: str
    words: int
    stretches: tuple[Stretch, ...]


def mapped(spaces: Sequence[SpaceRecord], organisations: Mapping[str, str]) -> list[MappedSpace]:
    """The spaces as the map draws them, at most `MOST_SPACES`.

    Args:
        spaces: The record's.
        organisations: Chip to `2048x8`.
    """
    out = []
    for space in spaces[:MOST_SPACES]:
        stretches = tuple(stretches_of(space, organisations)[:MOST_DRAWN])
        words = max([int(space.get("words") or 0), *(one.end for one in stretches)], default=0)
        out.append(MappedSpace(str(space.get("name", "")), words, stretches))
    return out


class _Drawing:
    """What every block needs: the scale, the chips and where they lead."""

    def __init__(
        self, spaces: Sequence[MappedSpace], chips: Mapping[str, Summary], href: Callable[[Summary], str]
    ) -> None:
        self.scale = TALL / max([space.words for space in spaces], default=1)
        self.chips, self.href = chips, href
        self.stretched = False

    def height(self, stretch: Stretch) -> float:
        scaled = (stretch.end - stretch.start) * self.scale
        self.stretched |= scaled < LEAST
        return max(scaled, LEAST)


def machine_map(
    spaces: Sequence[MappedSpace], chips: Mapping[str, Summary], href: Callable[[Summary], str]
) -> tuple[Markup, str]:
    """The picture, and what is to be said beneath it.

    Args:
        spaces: What `mapped` gave, at least one.
        chips: Id to chip.
        href: Where a chip is told of.
    """
    drawing = _Drawing(spaces, chips, href)
    x, lowest, parts = 4.0, 0.0, []
    for space in spaces:
        lanes = max([len(stretch.lanes) for stretch in space.stretches], default=1)
        wide = LANE * max(2, lanes)
        told, y = _space(drawing, space, x + RULER, wide)
        parts.append(told)
        x, lowest = x + RULER + wide + 18, max(lowest, y)
    words = "All spaces on one scale, words downwards; a block leads to its chip. Hatched: a missing chip."
    if drawing.stretched:
        words += " Blocks with a broken edge are drawn taller than the scale, for their names."
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="space" role="group" aria-label="Map of the machine; the lists below say the same" '
        f'width="{x:.0f}" height="{lowest + 24:.0f}" viewBox="0 0 {x:.0f} {lowest + 24:.0f}">'
        '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><path class="hatch" d="M0 0v7"/></pattern></defs>'
        f"{''.join(parts)}</svg>"
    ), words


def _space(drawing: _Drawing, space: MappedSpace, x: float, wide: float) -> tuple[str, float]:
    """One column: the name, the blocks, the end address; and where it ends."""
    name = escape(wording.short(space.name, max(8, int(wide // 7))))
    parts = [f'<text class="bank" x="{x:g}" y="16">{name}</text>']
    y = float(TOP)
    for stretch in space.stretches:
        y = max(y, TOP + stretch.start * drawing.scale)
        tall = drawing.height(stretch)
        parts.append(
            f'<text class="at" x="{x - 5:g}" y="{y + 11:.5g}">{wording.hexa(stretch.start, 4)}</text>'
        )
        parts.append(_block(drawing, stretch, (x, y, wide, tall)))
        y += tall + 1
    end = wording.hexa(max(space.words - 1, 0), 4)
    parts.append(f'<text class="at" x="{x - 5:g}" y="{y + 11:.5g}">{end}</text>')
    parts.append(f'<text class="bank" x="{x:g}" y="{y + 11:.5g}">last word</text>')
    return "".join(parts), y + 16


def _block(drawing: _Drawing, stretch: Stretch, box: tuple[float, float, float, float]) -> str:
    x, y, wide, tall = box
    where = wording.span_text(stretch.start, stretch.end, 4)
    if not stretch.lanes:
        return (
            f'<g class="gap"><title>{where}: nothing placed</title>'
            f'<rect x="{x:.5g}" y="{y:.5g}" width="{wide:.5g}" height="{tall:.5g}"/>'
            f'<text x="{x + wide / 2:.5g}" y="{y + tall / 2 + 4:.5g}">nothing placed</text></g>'
        )
    each = wide / len(stretch.lanes)
    return "".join(
        _lane(drawing, stretch, lane, (x + place * each, y, each - 1, tall))
        for place, lane in enumerate(stretch.lanes)
    )


def _lane(drawing: _Drawing, stretch: Stretch, lane: str, box: tuple[float, float, float, float]) -> str:
    """One chip's share of a block: its picture, its name, its mark; hatched where there is no image."""
    x, y, wide, tall = box
    chip = drawing.chips.get(lane_chip(lane))
    grade = chip.grade if chip else "missing"
    where = wording.span_text(stretch.start, stretch.end, 4)
    size = f'x="{x:.5g}" y="{y:.5g}" width="{wide:.5g}" height="{tall:.5g}"'
    inside = f'<rect class="{"hatched" if grade == "missing" else "block"}" {size}/>'
    if chip and chip.thumbnail and _whole(chip, stretch, lane):
        picture = single(chip.thumbnail)
        inside += f'<image class="faint px" {size} preserveAspectRatio="none" href="{picture}"/>'
    name = escape(wording.short(lane, int(wide // 6.6)))
    broken = " broken" if (stretch.end - stretch.start) * drawing.scale < LEAST else ""
    drawn = (
        f'<g class="g-{escape(grade)}{broken}"><title>{where}: {escape(wording.short(lane, 80))}, '
        f"{escape(grade)}</title>{inside}"
        f'<rect class="edge" {size}/><rect class="label" x="{x + 2:.5g}" y="{y + 2:.5g}" '
        f'width="{wide - 4:.5g}" height="26"/>'
        f'<text x="{x + wide / 2:.5g}" y="{y + 12:.5g}">{name}</text>'
        f'<use class="m" href="#m-{escape(grade)}" x="{x + wide / 2 - 5:.5g}" y="{y + 15:.5g}" '
        'width="10" height="10"/></g>'
    )
    if chip is None:
        return drawn
    return f'<a href="{escape(drawing.href(chip))}" aria-label="{escape(lane)}, {where}">{drawn}</a>'


def _whole(chip: Summary, stretch: Stretch, lane: str) -> bool:
    """Whether the block is all of the chip: a picture of more than lies there would say what is not so."""
    said = chip.organisation
    return (
        lane == lane_chip(lane)
        and bool(said)
        and Organisation.parse(said).words == stretch.end - stretch.start
    )


def texts_of(space: SpaceRecord, content: bytes) -> tuple[list[tuple[str, str]], int]:
    """Text that stands in a space, read in the space's own order of bytes, and how many more there are.

    Args:
        space: Its record.
        content: Its file: the words one after the other, each in the space's order of bytes.

    Returns:
        (word address, text) of the longest, in address order, and the number of those left out.
    """
    wide = max(1, -(-int(space.get("width") or 8) // 8))
    found = [(one.start() // wide, one[0].decode("ascii")) for one in _TEXT.finditer(content)]
    found = [(at, text.strip()) for at, text in found if _reads(text)]
    kept = sorted(sorted(found, key=lambda one: -len(one[1]))[:MOST_TEXTS])
    return [(wording.hexa(at, 4), text) for at, text in kept], len(found) - len(kept)


def _reads(text: str) -> bool:
    """Letters and spaces for the most part, and more than one of them: what a person would call text."""
    letters = sum(letter.isalpha() or letter == " " for letter in text)
    return letters >= LEAST_LETTERS and letters * 10 >= len(text) * 7 and len(set(text)) > 2

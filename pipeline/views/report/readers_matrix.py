"""Who read what: readers against readers, lines that comparing has shown, chips against readers.

What was never compared and lines that no compared chip exercises are seen as holes, not left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from markupsafe import Markup, escape

from pipeline.views.report import wording
from schemas.names import by_numbers

if TYPE_CHECKING:
    from pipeline.views.report.summary import Summary
    from schemas.record import QualificationRecord, StandingRecord

CELL, NAME = 12, 120
MOST_CELLS = 6000
"""Chips times readers that are drawn; beyond that the list of chips says it."""
MOST_LINKED = 200
"""Chips whose squares are links; of more, the list of chips has them, and the first page stays small."""


class Comparisons(NamedTuple):
    """A table of readers against readers: its heads, and one row of cells a reader."""

    names: list[str]
    rows: list[tuple[str, list[str]]]


def compared(names: Sequence[str], chips: Sequence[Summary], found: QualificationRecord) -> Comparisons:
    """Readers against readers: what each two have read in common, and how many bits differ.

    Args:
        names: The readers.
        chips: All.
        found: What comparing has shown.
    """
    pairs = {frozenset(one["readers"]): one for one in found.get("pairs") or ()}
    read = {
        name: sum(any(t.reader == name and t.passes for t in chip.takings) for chip in chips)
        for name in names
    }
    rows = [(one, [_cell(one, other, read[one], pairs) for other in names]) for one in names]
    return Comparisons(list(names), rows)


def _cell(one: str, other: str, read: int, pairs: Mapping[frozenset[str], StandingRecord]) -> str:
    if one == other:
        return f"{wording.counted(read, 'chip')} read"
    pair = pairs.get(frozenset((one, other)))
    if pair is None:
        return "never compared"
    differing = int(pair["disagreements"])
    shared = wording.counted(len(pair["chips"]), "chip")
    return f"{shared}, {'no bit differs' if not differing else wording.counted(differing, 'bit') + ' differ'}"


def lines_svg(found: QualificationRecord) -> Markup:
    """Lines against readers: ink where compared chips would have shown a fault of the line, a ring where not.

    Args:
        found: What comparing has shown.
    """
    standings = list(found.get("readers") or ())
    names = sorted({line for one in standings for line in _witnesses(one)}, key=by_numbers)
    if not names:
        return Markup("")
    parts = [
        f'<text class="c" x="{NAME + k * 22 + 6}" y="12">{escape(wording.short(name, 4))}</text>'
        for k, name in enumerate(names)
    ]
    dark = 0
    for row, one in enumerate(standings):
        y, seen = 20 + row * 18, _witnesses(one)
        parts.append(f'<text class="n" x="{NAME - 8}" y="{y + 10}">{escape(_reader(one))}</text>')
        for k, name in enumerate(names):
            kind = "hole" if not seen.get(name) else "ink"
            dark += kind == "hole"
            parts.append(f'<circle class="{kind}" cx="{NAME + k * 22 + 6}" cy="{y + 6}" r="4.5"/>')
    said = f"{wording.counted(dark, 'line')} untested" if dark else "every line is tested"
    return _svg(
        "lines",
        f"Lines that comparing has shown, by reader: {said}",
        NAME + len(names) * 22,
        22 + 18 * len(standings),
        parts,
    )


def _reader(one: StandingRecord) -> str:
    return wording.short(", ".join(one["readers"]), 15)


def _witnesses(one: StandingRecord) -> dict[str, int]:
    coverage = one["coverage"]
    return {str(line["line"]): int(line["witnesses"]) for line in (*coverage["address"], *coverage["data"])}


def chips_svg(names: Sequence[str], chips: Sequence[Summary], href: Callable[[Summary], str]) -> Markup:
    """Chips against readers, board by board: full for two passes and more, half for one, a ring for none.

    Args:
        names: The readers.
        chips: All, in the sheet's order.
        href: Where a chip's squares lead.
    """
    linked = len(chips) <= MOST_LINKED
    if not names or len(names) * len(chips) > MOST_CELLS:
        return Markup("")
    parts, y, widest = [], 4, 0
    for board, group in groupby(chips, key=lambda one: one.board):
        there = list(group)
        widest = max(widest, len(there))
        parts.append(
            f'<text class="b" x="0" y="{y + 10}">{escape(wording.short(board or "no board", 24))}</text>'
        )
        y += 16
        if linked:
            parts += [_link(chip, href(chip), names, place, y) for place, chip in enumerate(there)]
        for name in names:
            parts.append(
                f'<text class="n" x="{NAME - 8}" y="{y + 10}">{escape(wording.short(name, 15))}</text>'
            )
            parts.append(_marks([_passes(chip, name) for chip in there], y))
            y += CELL + 2
        y += 6
    return _svg(
        "reads",
        "Chips against readers, board by board; the list of chips says the same",
        NAME + widest * CELL,
        y,
        parts,
        role="group" if linked else "img",
    )


def _link(chip: Summary, way: str, names: Sequence[str], place: int, y: int) -> str:
    """A clear stripe behind a chip's squares that leads to the chip and tells its passes."""
    told = ", ".join(f"{name} {wording.counted(_passes(chip, name), 'pass', 'passes')}" for name in names)
    said = escape(wording.short(f"{chip.chip}: {told}", 200))
    left, tall = NAME + place * CELL - 1.5, len(names) * (CELL + 2)
    return (
        f'<a href="{escape(way)}" aria-label="{said}"><title>{said}</title>'
        f'<path class="way" d="M{left:g} {y - 2}h{CELL}v{tall}h-{CELL}z"/></a>'
    )


def _passes(chip: Summary, reader: str) -> int:
    return sum(taking.passes for taking in chip.takings if taking.reader == reader)


def _marks(passes: Sequence[int], y: int) -> str:
    """One row of squares as three paths: full, half, ring.

    Each square is placed from the one before it: a page of 400 chips holds as many for every reader.
    """
    side = CELL - 3
    shapes = {"ink": f"h{side}v{side}h-{side}z", "half": f"h{side}l-{side} {side}z"}
    shapes["hole"] = shapes["ink"]
    paths, last = dict.fromkeys(shapes, ""), dict.fromkeys(shapes, 0)
    for place, count in enumerate(passes):
        kind = "hole" if count == 0 else "half" if count == 1 else "ink"
        step = (place - last[kind]) * CELL
        # `z` goes back to where the square began. Source: SVG 2, section 9.3.4, closepath.
        paths[kind] += (f"m{step} 0" if paths[kind] else f"M{NAME + place * CELL} {y}") + shapes[kind]
        last[kind] = place
    return "".join(f'<path class="{kind}" d="{drawn}"/>' for kind, drawn in paths.items() if drawn)


def _svg(
    name: str, label: str, width: float, height: float, parts: Sequence[str], *, role: str = "img"
) -> Markup:
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="matrix {name}" role="{role}" aria-label="{escape(label)}" width="{width:g}" '
        f'height="{height:g}" viewBox="0 0 {width:g} {height:g}">{"".join(parts)}</svg>'
    )

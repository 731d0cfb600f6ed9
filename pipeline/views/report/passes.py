"""Passes by blocks of addresses, and the difference of any two of them.

A row a pass, grouped by reader, sitting and wiring; a cell has ink where the pass departs from the image. A
reading that slipped is ink from one address on, a loose contact ink here and there, a crossed wire all over.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, groupby
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from markupsafe import Markup, escape

from pipeline.views.report import wording
from pipeline.views.report.activity import Line
from pipeline.views.report.frame import ALARM
from pipeline.views.report.image import Bits, ChipWords, PictureLayout
from pipeline.views.report.lanes import difference_svg
from pipeline.views.report.png import data_uri, levels_png
from pipeline.words import block_starts

if TYPE_CHECKING:
    from schemas.record import ChipRecord, PassRecord, ReadingRecord

LEFT = 150
CELL = 4.5
ROW = 14
HEAD = 16
MOST_ROWS = 40
MOST_DRAWN = 6
"""Pictures of two readings; the further pairs stand in the table with their numbers."""
FAINTEST = 8


class ReadWords(NamedTuple):
    """One content that was read, and by which passes.

    Attributes:
        passes: `U3.hb.1/2` is the second pass of a reading.
        content: Its words, as they came from the file.
    """

    passes: tuple[str, ...]
    content: ChipWords


def any_departs(chip: ChipRecord) -> bool:
    """Whether any pass of a chip departs from its image: where none does, nothing is drawn of them."""
    return any(
        "departs" in one for reading in chip.get("readings") or () for one in reading.get("passes") or ()
    )


class PassRow(NamedTuple):
    """One pass in the picture.

    Attributes:
        group: Reader, sitting and wiring.
        name: `U3.hb.1/2`.
        departs: Words by block of addresses; empty where it reads as the image does.
        moved: By which steps it was brought into order, where it was.
    """

    group: str
    name: str
    departs: tuple[int, ...]
    moved: str


_MOVES = ("reorder-lines", "rotate", "realign", "repace")
"""Steps by which a pass is brought into the order of another."""


def rows_of(readings: Sequence[ReadingRecord]) -> list[PassRow]:
    """The passes of a chip, those of one reader, sitting and wiring together."""
    rows = [_row(reading, one) for reading in readings for one in reading.get("passes") or ()]
    order = {group: place for place, group in reversed(list(enumerate(row.group for row in rows)))}
    return sorted(rows, key=lambda row: order[row.group])


def _row(reading: ReadingRecord, one: PassRecord) -> PassRow:
    reader = str(reading.get("reader", ""))
    how = reading.get("how") or {}
    sitting = str(one.get("sitting", "")).removeprefix(f"{reader}/") or str(how.get("date") or "")
    parts = [reader, sitting, f"wiring {how['wiring']}" if how.get("wiring") else ""]
    moved = [step["action"] for step in one.get("steps") or () if step.get("action") in _MOVES]
    return PassRow(
        group=", ".join(part for part in parts if part),
        name=f"{reading.get('reading', '')}/{one.get('number', '')}",
        departs=tuple(one.get("departs") or ()),
        moved=", ".join(moved),
    )


def passes_svg(rows: Sequence[PassRow], words: int, *, label: str) -> Markup:
    """A row a pass, a cell an address block, the lowest address left.

    Args:
        rows: What `rows_of` gave.
        words: Of the chip.
        label: What the picture shows.
    """
    starts = block_starts(words)
    blocks = len(starts) - 1
    wide = blocks * CELL
    y, parts = HEAD, [_block_ruler(words, wide)]
    for group, members in groupby(rows[:MOST_ROWS], key=lambda row: row.group):
        there = list(members)
        tall = ROW * len(there)
        told = f'<text class="t" x="0" y="{y + 11}">{escape(wording.short(group, 18))}</text>'
        dots = _cells(there, starts)
        hover = "".join(_hover(row, y + ROW * k, wide, words) for k, row in enumerate(there))
        parts.append(
            f'{told}<rect class="ground" x="{LEFT}" y="{y + 1}" width="{wide}" height="{tall - 2}"/>'
            f'<image class="mask px" x="{LEFT}" y="{y + 1}" width="{wide}" height="{tall - 2}" '
            f'preserveAspectRatio="none" href="{data_uri(levels_png(dots, ALARM))}"/>'
            f'<g class="ruler">{_rules(there, y, wide)}</g>'
            f'<g class="bands">{hover}</g>'
        )
        y += tall + 6
    width = LEFT + wide + 6
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="passes" role="img" aria-label="{escape(label)}" width="{width:g}" height="{y}" '
        f'viewBox="0 0 {width:g} {y}">{"".join(parts)}</svg>'
    )


def _cells(rows: Sequence[PassRow], starts: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Bits:
    """Shape (rows, blocks), 0 to 15: how much of each block departs; a single word is seen."""
    counts = np.array([row.departs or (0,) * (len(starts) - 1) for row in rows])
    share = counts * (15 - FAINTEST) // np.maximum(np.diff(starts), 1)
    levels: Bits = np.where(counts, FAINTEST + share, 0).astype(np.uint8)
    return levels


def _rules(rows: Sequence[PassRow], y: int, wide: float) -> str:
    """The passes' names before their rows, and a rule between two."""
    names = (
        f'<text x="{LEFT - 5}" y="{y + ROW * k + 11}">{escape(row.name.rsplit(".", 1)[-1][:12])}</text>'
        for k, row in enumerate(rows)
    )
    rules = (f'<path d="M{LEFT} {y + ROW * k}h{wide:g}"/>' for k in range(1, len(rows)))
    return "".join((*names, *rules))


def _block_ruler(words: int, wide: float) -> str:
    digits = max(3, (max(words - 1, 1).bit_length() + 3) // 4)
    marks = [
        f'<path d="M{LEFT + wide * k / 4:g} {HEAD - 4}v4"/><text class="t" x="{LEFT + wide * k / 4 + 2:g}" '
        f'y="{HEAD - 4}">{words * k // 4:0{digits}X}</text>'
        for k in range(4 if words > 3 else 1)
    ]
    return f'<g class="ruler">{"".join(marks)}</g>'


def _hover(row: PassRow, y: int, wide: float, words: int) -> str:
    said = (
        f"departs from the image in {sum(row.departs):,} of {wording.counted(words, 'word')}"
        if row.departs
        else "as the image"
    )
    moved = f"; brought into order since: {row.moved}" if row.moved else ""
    return (
        f'<path d="M0 {y}h{LEFT + wide:g}v{ROW}h-{LEFT + wide:g}z"><title>{escape(row.name)}: {said}{moved}'
        "</title></path>"
    )


def passes_words(rows: Sequence[PassRow]) -> str:
    """The picture as a sentence."""
    departing = [row for row in rows if row.departs]
    moved = [row.name for row in departing if row.moved]
    said = f"{wording.counted(len(departing), 'pass departs', 'passes depart')} from the image somewhere"
    said += (
        f"; {wording.listed(moved)} {'was' if len(moved) == 1 else 'were'} brought into order since"
        * bool(moved)
    )
    return f"A row a pass, a cell a stretch of addresses, ink where it departs from the image: {said}."


class ReadDifference(NamedTuple):
    """Two contents that were read and where they differ.

    Attributes:
        first, second: Which passes read them.
        words, bits: How many of both differ.
        picture: Where, by data lines; None for a pair that is only counted.
    """

    first: str
    second: str
    words: int
    bits: int
    picture: Markup | None


def differences_of(
    read: Sequence[ReadWords], layout: PictureLayout, lines: Sequence[Line], name: str
) -> list[ReadDifference]:
    """Every two contents against each other, where both were read.

    Args:
        read: The differing contents of a chip.
        layout: How words lie in a picture.
        lines: The data lines with their pins, D0 first.
        name: The only one of this name on the page.
    """
    out: list[ReadDifference] = []
    for first, second in combinations(read, 2):
        unlike = first.content.bits ^ second.content.bits
        there = _both(first.content, second.content)
        if there is not None:
            unlike = unlike * there[:, None].astype(np.uint8)
        names = _names(first.passes), _names(second.passes)
        label = f"Where {names[0]} and {names[1]} differ, by data line"
        place = f"{name}-{len(out)}"
        shown = ChipWords(first.content.organisation, first.content.octets, unlike, there)
        drawn = (
            difference_svg(shown, layout, lines, label=label, name=place) if len(out) < MOST_DRAWN else None
        )
        out.append(ReadDifference(*names, int(unlike.any(axis=1).sum()), int(unlike.sum()), drawn))
    return out


def _both(first: ChipWords, second: ChipWords) -> np.ndarray[tuple[int], np.dtype[np.bool_]] | None:
    if first.known is None or second.known is None:
        return first.known if second.known is None else second.known
    return first.known & second.known


def _names(passes: Sequence[str]) -> str:
    """The passes of one content: `U3.hb.1/1 and 2 more`."""
    return passes[0] if len(passes) == 1 else f"{passes[0]} and {len(passes) - 1} more"

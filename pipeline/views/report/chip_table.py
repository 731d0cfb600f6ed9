"""Every chip in one table, worst first: it stands whole without a script, and sorts and filters with one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from pipeline.views.report.marks import pictured
from pipeline.views.report.summary import Summary
from pipeline.views.report.thumbnails import ACROSS, MOST_THUMBNAILS, sprite, sprite_rules
from pipeline.views.report.trips import mark_words

if TYPE_CHECKING:
    from schemas.recorded_sheet import PartRecord

LEAST_FILTERED = 8
"""Below so many rows there is nothing to look for."""


class TableRow(NamedTuple):
    """One chip's row.

    Attributes:
        chip: What it is about.
        picture: Classes that place its thumbnail, `x3 y0`; empty where it has none.
        readers: Their names.
        passes: That count.
        worst: Its first task: `■ A6, pin 2`; empty where there is none.
    """

    chip: Summary
    picture: str
    readers: str
    passes: int
    worst: str


class ChipTable(NamedTuple):
    """The rows, worst first, and the style that shows their thumbnails."""

    rows: tuple[TableRow, ...]
    style: str
    filtered: bool


def chip_table(chips: Sequence[Summary], parts: Mapping[str, PartRecord]) -> ChipTable:
    """The list of chips, worst first, with pictures where there are few enough.

    Args:
        chips: All, in the sheet's order.
        parts: Catalogue name to entry.
    """
    order = sorted(chips, key=lambda one: one.to_do.rank)
    drawn = [one.thumbnail for one in order] if len(order) <= MOST_THUMBNAILS else []
    picture = sprite(drawn)
    rows = tuple(_row(place, one, parts, drawn=bool(picture)) for place, one in enumerate(order))
    style = pictured(".list td%", ".sockets a% span") + sprite_rules(picture, len(drawn))
    return ChipTable(rows, style, len(rows) >= LEAST_FILTERED)


def _row(place: int, one: Summary, parts: Mapping[str, PartRecord], *, drawn: bool) -> TableRow:
    y, x = divmod(place, ACROSS)
    readers = dict.fromkeys(taking.reader for taking in one.takings if taking.passes)
    return TableRow(
        chip=one,
        picture=f"x{x} y{y}" if drawn and one.thumbnail else "",
        readers=", ".join(readers),
        passes=sum(taking.passes for taking in one.takings),
        worst=mark_words(one, parts),
    )

"""When each reader was at work, wiring by wiring: a line of time, those without a date apart.

A date as exact as the sheet says it: a month is a bar as long as the month, a year as long as the year.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from markupsafe import Markup, escape

from pipeline.views.report import wording

if TYPE_CHECKING:
    from pipeline.views.report.summary import Summary

_DATE = re.compile(r"^(\d{4})(?:-(\d\d))?(?:-(\d\d))?")
"""Year, month, day as far as they are said. Source: ISO 8601; EDTF (ISO 8601-2:2019) begins a date alike."""
NAME, LINE, UNDATED, ROW = 170, 560, 70, 26
MOST_ROWS = 60


class Sitting(NamedTuple):
    """Readings of one reader, one wiring and one date.

    Attributes:
        reader: Its id.
        wiring: The name of its wires, or "".
        date: As the sheet says, or "".
        readings: How many.
        passes: Those that count.
    """

    reader: str
    wiring: str
    date: str
    readings: int
    passes: int


def sittings(chips: Sequence[Summary]) -> list[Sitting]:
    """All sittings, by reader, wiring and date; those without a date first of their row.

    Args:
        chips: All.
    """
    readings: Counter[tuple[str, str, str]] = Counter()
    passes: Counter[tuple[str, str, str]] = Counter()
    for chip in chips:
        for taking in chip.takings:
            key = (taking.reader, taking.wiring, taking.date)
            readings[key] += 1
            passes[key] += taking.passes
    keys = sorted(readings, key=lambda key: (key[0], key[1], span_of_date(key[2]) or (-1.0, 0.0), key[2]))
    return [Sitting(*key, readings[key], passes[key]) for key in keys]


def span_of_date(date: str) -> tuple[float, float] | None:
    """First and last moment of a date in years; None where it says none.

    Example:
        >>> span_of_date("2024"), span_of_date("about then")
        ((2024.0, 2025.0), None)
    """
    found = _DATE.match(date)
    if not found:
        return None
    year, month, day = int(found[1]), int(found[2] or 0), int(found[3] or 0)
    if not 1 <= month <= 12:
        return float(year), year + 1.0
    start = year + (month - 1) / 12
    return (start + (day - 1) / 372, start + day / 372) if 0 < day <= 31 else (start, start + 1 / 12)


def time_line(found: Sequence[Sitting]) -> Markup:
    """The picture: a row a reader and wiring, a mark a date with the number of its readings.

    Args:
        found: What `sittings` gave.
    """
    rows = list(dict.fromkeys((one.reader, one.wiring) for one in found))[:MOST_ROWS]
    spans = {one.date: span for one in found if (span := span_of_date(one.date))}
    if not rows or not spans:
        return Markup("")
    first, last = min(start for start, _ in spans.values()), max(end for _, end in spans.values())
    scale = LINE / max(last - first, 1 / 372)
    parts = [_ruler(first, last, scale, len(rows))]
    free = dict.fromkeys(rows, 0.0)
    for one in (each for each in found if (each.reader, each.wiring) in free):
        row = (one.reader, one.wiring)
        x, wide = _place(spans.get(one.date), first, scale)
        # Marks that would cover each other stand side by side, the earlier first.
        x = max(x, free[row])
        free[row] = x + wide + 24
        parts.append(_mark(one, x, wide, 24 + rows.index(row) * ROW, dated=one.date in spans))
    parts += [_row(reader, wiring, 24 + k * ROW) for k, (reader, wiring) in enumerate(rows)]
    width, height = NAME + UNDATED + LINE + 40, 30 + ROW * len(rows)
    return Markup(  # noqa: S704 - numbers and escaped text only
        '<svg class="matrix sittings" role="img" aria-label="Sittings in time, by reader and wiring; the '
        f'table says the same" width="{width}" height="{height}" viewBox="0 0 {width} {height}">'
        f"{''.join(parts)}</svg>"
    )


def _row(reader: str, wiring: str, y: int) -> str:
    said = wording.short(f"{reader}, {wiring}" if wiring else reader, 24)
    return f'<text class="n" x="{NAME - 10}" y="{y + 5}">{escape(said)}</text>'


def _ruler(first: float, last: float, scale: float, rows: int) -> str:
    """The edges of the years or, within two years, of the months; and the column of what has no date."""
    left, tall = NAME + UNDATED, 10 + rows * ROW
    steps = 1 if last - first > 2 else 12
    edges = [k / steps for k in range(int(first * steps), int(last * steps) + 2)]
    inside = [edge for edge in edges if first - 1e-9 <= edge <= last + 1e-9]
    shown = inside[:: max(1, len(inside) // 8)]
    said = [_edge(edge, steps) for edge in shown]
    marks = "".join(
        f'<path class="tick" d="M{left + (edge - first) * scale:.5g} 14v{tall}"/>'
        f'<text class="c" x="{left + (edge - first) * scale:.5g}" y="10">{text}</text>'
        for edge, text in zip(shown, said, strict=True)
    )
    return f'<text class="c" x="{NAME + 26}" y="10">no date</text>{marks}'


def _edge(edge: float, steps: int) -> str:
    year = int(edge + 1e-9)
    return f"{year}" if steps == 1 else f"{year}-{round((edge - year) * 12) + 1:02d}"


def _place(span: tuple[float, float] | None, first: float, scale: float) -> tuple[float, float]:
    """Where a mark begins and how wide it is; what has no date stands in a column of its own."""
    if span is None:
        return NAME + 14, 10.0
    return NAME + UNDATED + (span[0] - first) * scale, max(10.0, (span[1] - span[0]) * scale)


def _mark(one: Sitting, x: float, wide: float, y: int, *, dated: bool) -> str:
    title = f"{one.reader}, {one.date or 'no date'}: {wording.counted(one.readings, 'reading')}"
    kind = "ink" if dated else "hole"
    return (
        f'<g><title>{escape(title)}</title><rect class="{kind}" x="{x:.5g}" y="{y - 5}" width="{wide:.5g}" '
        f'height="12" rx="5"/><text x="{x + wide + 4:.5g}" y="{y + 5}">{one.readings}</text></g>'
    )


def rows_of(found: Sequence[Sitting]) -> Sequence[Mapping[str, str]]:
    """The same as a table's rows."""
    return [
        {
            "reader": one.reader,
            "wiring": one.wiring,
            "date": one.date or "no date",
            "readings": f"{one.readings:,}",
            "passes": f"{one.passes:,}",
        }
        for one in found[:200]
    ]

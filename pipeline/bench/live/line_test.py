"""What a line test without a chip shows: joined lines, held lines, data lines that miss their pull.

One line at a time is driven through a resistor, all others are inputs with pull-ups; nothing fights. A line
of the test that is sound is still *not yet shown*: only a chip's own words prove it. Source: follows from the
definition; the pulls of the data lines sit at the socket's holes, so that a broken wire shows.
"""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.bench.live.lines import NOT_YET, LineState, Shown, names
from pipeline.formats.records.reader_log import LineTested


def tested_states(records: Iterable[LineTested], address_lines: int, bits: int) -> dict[str, LineState]:
    """States of the lines that were driven.

    Args:
        records: One for each line that was driven.
        address_lines: Lines of the address.
        bits: Lines of the data.
    """
    every = names(address_lines, bits)
    low, high, free = ({} for _ in range(3))
    for one in records:
        if one.line in every:
            low[one.line] = _levels(one.low, every)
            high[one.line] = _levels(one.high, every)
            free[one.line] = _levels(one.free, every)
    return {line: _state(line, low, high, free) for line in every if line in low}


def _levels(taken: tuple[int, int], every: tuple[str, ...]) -> dict[str, int]:
    return {line: taken[line[0] == "D"] >> int(line[1:]) & 1 for line in every}


def _state(
    line: str,
    low: dict[str, dict[str, int]],
    high: dict[str, dict[str, int]],
    free: dict[str, dict[str, int]],
) -> LineState:
    # joined where the other follows: down with it, and up again with it
    pulled = [one for one, level in low[line].items() if one != line and not level and high[line][one]]
    if pulled:
        return LineState(Shown.JOINED, others=tuple(pulled))
    if low[line][line]:
        return LineState(Shown.STUCK, level=1)
    if not high[line][line]:
        return LineState(Shown.STUCK, level=0)
    if not free[line][line]:
        return LineState(Shown.FLOATING)
    return NOT_YET

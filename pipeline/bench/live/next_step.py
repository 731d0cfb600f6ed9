"""The one sentence that says what to do next, and which line comes first.

Data lines come before address lines, since they carry what shows the others; noise before a constant level,
since it spoils most; lower lines before higher ones.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.bench.live.lines import LineState, Shown
from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import NextStep, step
from pipeline.lines import LineMap
from schemas.part import Part

_FIRST = (Shown.FLOATING, Shown.STUCK, Shown.JOINED, Shown.INTERMITTENT, Shown.DEAD)
_STEPS = {
    Shown.FLOATING: ("watch-floating", "watch-test-open"),
    Shown.STUCK: ("watch-stuck", "watch-test-held"),
    Shown.JOINED: ("watch-joined", "watch-test-joined"),
    Shown.INTERMITTENT: ("watch-loose", ""),
    Shown.DEAD: ("watch-dead", ""),
}


def with_pin(line: str, part: Part | None) -> str:
    """A line with its package pin: `A6 (pin 2)`."""
    pins = pins_of(part, (line,))
    return f"{line} (pin {pins[0]['pin']})" if pins else line


def for_trouble(states: Mapping[str, LineState], part: Part | None, *, tested: bool) -> NextStep | None:
    """The step for the line that comes first; None where no line is in trouble."""
    for kind in ("D", "A"):
        for wanted in _FIRST:
            for line, one in states.items():
                if line[0] == kind and one.state is wanted:
                    return _for_line(line, one, part, tested=tested)
    return None


def _for_line(line: str, one: LineState, part: Part | None, *, tested: bool) -> NextStep:
    facts: dict[str, object] = {"line": with_pin(line, part)}
    if one.state is Shown.STUCK:
        facts["level"] = one.level
    if one.state is Shown.JOINED:
        facts["others"] = " and ".join(with_pin(each, part) for each in one.others)
    return step(_STEPS[one.state][tested], **facts)


def for_crossing(mapping: LineMap, part: Part | None) -> NextStep:
    """How wires that lead to the wrong pins are put right, at the reader's end."""
    for letter, lines in (("A", mapping.address), ("D", mapping.data)):
        moved = [line for line, at in enumerate(lines) if line != at]
        if len(moved) == 2:
            first, second = (f"{letter}{line}" for line in moved)
            return step("watch-exchange", first=first, second=second, pins=_both_pins(first, second, part))
        if moved:
            moves = ", ".join(f"the wire of {with_pin(f'{letter}{k}', part)} to {letter}{k}" for k in moved)
            return step("watch-lead", moves=moves)
    turned = [f"A{line}" for line in mapping.invert_address] + [f"D{line}" for line in mapping.invert_data]
    return step("watch-inverted", lines=" and ".join(turned) + (" come" if len(turned) > 1 else " comes"))


def _both_pins(first: str, second: str, part: Part | None) -> str:
    pins = [one["pin"] for one in pins_of(part, (first, second))]
    return f"pins {pins[0]} and {pins[1]}" if len(pins) == 2 else f"the pins of {first} and {second}"

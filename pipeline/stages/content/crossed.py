"""The caution that lines are crossed, told by the content alone: a program's flow, or the chips beside it."""

from __future__ import annotations

from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import advise, step
from pipeline.stages.content.flow_of_control import LineChange
from schemas.finding import Code, Details, Finding, Severity
from schemas.part import Part


def crossed_finding(
    chip: str, crossing: LineChange, part: Part | None, *, evidence: Details, reads: str
) -> Finding:
    """The caution `lines-crossed`; it holds the image back and is never applied by itself.

    Args:
        chip: Its id.
        crossing: One exchange or inversion of lines.
        part: The chip's catalogue entry, for its pins.
        evidence: What tells it, in numbers.
        reads: What the content does only in the other order, to be followed by "with A9 and A10 exchanged".
    """
    letter = "A" if crossing.bus == "address" else "D"
    lines = [f"{letter}{line}" for line in crossing.lines]
    exchanged = len(lines) == 2
    where: Details = {"address": [], "data": [], "invert_address": [], "invert_data": []}
    where[crossing.bus if exchanged else f"invert_{crossing.bus}"] = [lines] if exchanged else lines
    pins = pins_of(part, lines)
    named = [f"{pin['line']} (pin {pin['pin']})" for pin in pins] or lines
    said = f"{lines[0]} and {lines[1]} exchanged" if exchanged else f"{lines[0]} inverted"
    return Finding(
        code=Code.LINES_CROSSED,
        severity=Severity.CAUTION,
        chip=chip,
        where=where | {"lines": lines} | ({"pins": pins} if pins else {}),
        evidence=evidence | {"holds_back": True},
        means=f"{reads} with {said}",
        also=(
            "a board that scrambles the chip's lines on purpose (`board_wiring`); "
            "the image stays as it was read. More than one exchange or inversion at once is not looked for"
        ),
        next=advise(step("lines-crossed", named=" and ".join(named)), part),
    )

"""The caution that lines are crossed, told by the content alone: a program's flow, or the chips beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import advise, step
from pipeline.stages.content.flow_of_control import LineChange
from pipeline.stages.content.odds import in_hundred
from schemas.finding import Code, Details, Finding, Severity

if TYPE_CHECKING:
    from schemas.part import Part


def crossing_in_words(crossing: LineChange) -> str:
    """What is crossed.

    Example:
        >>> crossing_in_words(LineChange("address", (9, 10))), crossing_in_words(LineChange("data", (3,)))
        ('A9 and A10 exchanged', 'D3 inverted')
    """
    lines = _lines(crossing)
    return f"{lines[0]} and {lines[1]} exchanged" if len(lines) == 2 else f"{lines[0]} inverted"


def _lines(crossing: LineChange) -> list[str]:
    return [f"{'A' if crossing.bus == 'address' else 'D'}{line}" for line in crossing.lines]


def crossed_finding(
    chip: str, crossing: LineChange, part: Part | None, *, evidence: Details, reads: str, then: str = ""
) -> Finding:
    """The caution `lines-crossed`; it holds the image back and is never applied by itself.

    Args:
        chip: Its id.
        crossing: One exchange or inversion of lines.
        part: The chip's catalogue entry, for its pins.
        evidence: What tells it, in numbers; `odds` among them.
        reads: What the content does only in the other order, to be followed by "with A9 and A10 exchanged".
        then: How the sentence ends, behind the odds.
    """
    lines = _lines(crossing)
    exchanged = len(lines) == 2
    where: Details = {"address": [], "data": [], "invert_address": [], "invert_data": []}
    where[crossing.bus if exchanged else f"invert_{crossing.bus}"] = [lines] if exchanged else lines
    pins = pins_of(part, lines)
    named = [f"{pin['line']} (pin {pin['pin']})" for pin in pins] or lines
    return Finding(
        code=Code.LINES_CROSSED,
        severity=Severity.CAUTION,
        chip=chip,
        where=where | {"lines": lines} | ({"pins": pins} if pins else {}),
        evidence=evidence | {"holds_back": True},
        means=f"{reads} with {crossing_in_words(crossing)}, {in_hundred(float(evidence['odds']))}{then}",
        also=(
            "a board that scrambles the chip's lines on purpose (`board_wiring`); "
            "the image stays as it was read. More than one exchange or inversion at once is not looked for"
        ),
        next=advise(step("lines-crossed", named=" and ".join(named)), part),
    )

"""Everything that Wellread tells a hand to do at the bench, as data: each text with an id and its ground.

A wrong word here costs a chip that exists once, so nobody who detects a fault writes advice: a detector
names a step and its facts, and the text is filled in here, for the kind of part that it is about. `cautions`
beside this package holds what is to be heeded; tests walk both and refuse advice that powers, forces or
shorts.

What every text keeps to: power off and chip out before hands or meters touch; no reading beyond the data
sheet's supply range; a line is held by the reader's program where it can be; a sole copy is not cleaned; no
flow control.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from string import Formatter
from typing import TYPE_CHECKING, NamedTuple

from pipeline.catalogue.advice.burning import BURNING
from pipeline.catalogue.advice.findings import FINDINGS
from pipeline.catalogue.advice.pieces import PIECES
from pipeline.catalogue.advice.reading import READING
from pipeline.catalogue.advice.watching import WATCHING

if TYPE_CHECKING:
    from schemas.part import Part

STAMP = "LOW CONFIDENCE"
"""On every line that tells a pin number from memory."""
PMOS_BELOW_V = -8.0
"""A part with a supply below this is p-channel: its outputs pull towards that supply."""


class Advice(NamedTuple):
    """One text with its ground.

    Attributes:
        text: With `{places}` for facts and `{pieces}`.
        ground: A published source by name, `common practice, no source`, `from memory` or `follows from the
            definition`.
    """

    text: str
    ground: str


STEPS: Mapping[str, Advice] = {
    name: Advice(*entry)
    for entries in (FINDINGS, READING, BURNING, WATCHING)
    for name, entry in entries.items()
}
"""Every step, by id: of findings, plans of the bench sheet, warnings of `burn`, sentences of `watch`."""


@dataclass(frozen=True, slots=True)
class NextStep:
    """A step that a detector asks for.

    Attributes:
        name: Its id in `STEPS`.
        facts: What fills its places.
        lines: Lines that it touches, so that the supplies beside their legs can be named.
    """

    name: str
    facts: Mapping[str, object] = field(default_factory=dict)
    lines: tuple[str, ...] = ()


def step(name: str, /, **facts: object) -> NextStep:
    """A step by its id, with what fills its places: all of them, and nothing else.

    Raises:
        KeyError: There is no such step, a fact is missing, or it has no place for one.

    Example:
        >>> step("compare-marking", line="A5")
        Traceback (most recent call last):
        KeyError: 'compare-marking has no place for: line'
    """
    wanted = _places(name)
    if missing := wanted - facts.keys():
        raise KeyError(f"{name} lacks: {', '.join(sorted(missing))}")
    if unknown := facts.keys() - wanted:
        raise KeyError(f"{name} has no place for: {', '.join(sorted(unknown))}")
    return NextStep(name, facts)


@cache
def _places(name: str) -> frozenset[str]:
    """The facts that a step needs, in its own text or in the pieces that it is made of."""
    texts, found = [STEPS[name].text], set[str]()
    while texts:
        for _, place, _, _ in Formatter().parse(texts.pop()):
            if place is None or place == "beside":
                continue
            if place in PIECES:
                texts += PIECES[place].values()
            else:
                found.add(place)
    return frozenset(found)


def advise(asked: NextStep | str, part: Part | None = None) -> str:
    """The text of a step, for this part.

    Args:
        asked: The step, or the id of one that has no facts.
        part: What it is about; None where nobody said, and then the text covers every kind.

    Raises:
        KeyError: There is no such step, or a fact is missing.

    Example:
        >>> advise(step("compare-marking"))
        'Compare the marking on the chip with the part that was named; if it is right, nothing is left to do.'
    """
    wanted = NextStep(asked) if isinstance(asked, str) else asked
    facts = {"beside": _beside(part, wanted.lines), **wanted.facts}
    return STEPS[wanted.name].text.format_map(_Places(facts, _output(part)))


class _Places(dict[str, object]):
    """Facts by name, and pieces for whatever is no fact."""

    def __init__(self, facts: Mapping[str, object], output: str) -> None:
        super().__init__(facts)
        self._output = output

    def __missing__(self, name: str) -> str:
        return PIECES[name][self._output].format_map(self)


def p_channel(part: Part) -> bool:
    """Whether the outputs pull towards a supply of -9 or -12 V."""
    return min(part.supplies_v, default=0.0) < PMOS_BELOW_V


def _output(part: Part | None) -> str:
    """Which of a piece's forms fits: by the kind of output, which decides what may be joined to it."""
    if part is None:
        return "any"
    if p_channel(part):
        return "pmos"
    if part.output == "open-collector":
        return "bipolar" if part.kind in {"fuse PROM", "logic array (not a ROM)"} else "open-drain"
    return "tri-state" if part.output == "tri-state" else "any"


def _beside(part: Part | None, lines: tuple[str, ...]) -> str:
    """The legs beside those of some lines that carry another voltage than 0 or +5 V, in a sentence."""
    if part is None:
        return " A leg beside it may carry -5 V or +12 V."
    volts = {supply.pin: supply.volts for supply in part.other_supply}
    if not volts:
        return ""
    if not part.address_pins:
        return " A leg beside it may carry another voltage than 0 or +5 V."
    legs = [use.pin for use in part.pin_table if use.name in lines]
    near = sorted({leg + by for leg in legs for by in (-1, 1)} & set(volts))
    named = ", ".join(f"{pin} ({volts[pin]:+g} V)" for pin in near or sorted(volts))
    return f" Legs {'beside it' if near else 'of this chip'} with another voltage: {named}."


__all__ = ["STAMP", "STEPS", "Advice", "NextStep", "advise", "p_channel", "step"]

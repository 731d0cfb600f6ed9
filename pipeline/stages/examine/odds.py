"""Fault or design: how likely it is that a relation of lines comes from the reading and not from the content.

A dead line and a design that does not use the line look the same. What decides is how often content of this
kind carries the relation by design, against how often a reading has such a fault. Bayes' rule with two
hypotheses; where chance alone makes the relation, that counts as design.
"""

from __future__ import annotations

from pipeline.stages.examine.content import Content
from schemas.finding import Details

FAULT_PRIOR = 0.01
"""One reading in a hundred has one line dead, joined or stuck: the one constant of this judgement. Common
practice.
"""
SERIOUSLY_POSSIBLE = 0.05
"""From one in twenty on the image is held back until something else bears it out."""

_PROGRAM = {"middle": 1e-5, "top": 0.05, "stuck": 1e-4, "unused": 0.3, "joined": 1e-4}
_DIVERSE = {"middle": 1e-4, "top": 0.05, "stuck": 0.3, "unused": 0.4, "joined": 0.02}
_OTHER = {"middle": 0.4, "top": 0.4, "stuck": 0.4, "unused": 0.4, "joined": 0.4}
"""Share of healthy images of a kind that carry the relation by design: a small program is often stored twice,
a table or a character generator hardly ever uses all lines. Rough shares, from memory; their order is what
counts.
"""


def fault_odds(content: Content, place: str, p_value: float) -> float:
    """The chance that a relation is a fault of the reading.

    Args:
        content: What kind of content the image looks like.
        place: `top` for an address line from the top down, `middle` for any other; for data lines `joined`,
            `stuck`, or `unused` where several are constant or the image is small.
        p_value: How likely chance makes the relation.

    Example:
        >>> from pipeline.stages.examine.content import Content
        >>> code = Content(program=True, diverse=True, text=False, few_words=False, measures={})
        >>> fault_odds(code, "middle", 1e-9) > 0.99
        True
        >>> 0.1 < fault_odds(code, "top", 1e-9) < 0.3
        True
    """
    if content.program or content.text:
        design = _PROGRAM[place]
    else:
        design = (_DIVERSE if content.diverse else _OTHER)[place]
    return FAULT_PRIOR / (FAULT_PRIOR + design + min(1.0, p_value))


def weighed(content: Content, place: str, p_value: float) -> Details:
    """The same for a finding's evidence: the odds, and whether they hold the image back."""
    odds = fault_odds(content, place, p_value)
    return {"odds_of_fault": float(f"{odds:.2g}"), "holds_back": odds >= SERIOUSLY_POSSIBLE}

"""Fault or design: how likely it is that a relation of lines comes from the reading and not from the content.

A dead line and a design that does not use the line look the same. What decides is how often content of this
kind carries the relation by design, against how often a reading has such a fault. Bayes' rule with two
hypotheses; where chance alone makes the relation, that counts as design.
"""

from __future__ import annotations

from typing import Literal

from pipeline.stages.examine.content import Content
from schemas.finding import Details, Severity

FAULT_PRIOR = 0.01
"""One reading in a hundred has one line dead, joined or stuck: the one constant of this judgement. Common
practice.
"""
SHARED_PRIOR = 0.001
"""One chip in a thousand has a leg or a decoder that fails alike in every reader, or was read by all of them
through one adapter. Common practice, no source.
"""
SERIOUSLY_POSSIBLE = 0.05
"""From one in twenty on the image is held back until something else bears it out."""
LIKELIER = 0.5
"""Above, the fault is the likelier of the two."""
BEYOND_DOUBT = 1e-6
"""Chance at most for a fault: the words of an image are less independent than the reckoning has them."""
LIKELY = 0.01

Place = Literal["middle", "top", "stuck", "two-stuck", "unused", "joined", "idle"]
"""Top: an address line from the top down; middle: any other, or two joined. Of data lines: joined, one stuck,
two stuck, or unused, where several are constant, two stand together at an end, or the image is small. Idle:
one word throughout at one level of an address line below the top.
"""
_DESIGN: dict[str, dict[Place, float]] = {
    "program-like": {
        "middle": 1e-5,
        "top": 0.05,
        "stuck": 1e-4,
        "two-stuck": 1e-3,
        "unused": 0.3,
        "joined": 1e-4,
        "idle": 1e-4,
    },
    "text-like": {
        "middle": 1e-5,
        "top": 0.05,
        "stuck": 0.02,
        "two-stuck": 0.1,
        "unused": 0.4,
        "joined": 0.02,
        "idle": 0.02,
    },
    "diverse": {
        "middle": 1e-4,
        "top": 0.05,
        "stuck": 0.05,
        "two-stuck": 0.3,
        "unused": 0.4,
        "joined": 0.02,
        "idle": 0.02,
    },
    "ordered": {
        "middle": 0.02,
        "top": 0.05,
        "stuck": 0.05,
        "two-stuck": 0.3,
        "unused": 0.4,
        "joined": 0.02,
        "idle": 0.1,
    },
    "other": {
        "middle": 0.1,
        "top": 0.4,
        "stuck": 0.4,
        "two-stuck": 0.4,
        "unused": 0.4,
        "joined": 0.4,
        "idle": 0.5,
    },
    "few-words": {
        "middle": 0.4,
        "top": 0.4,
        "stuck": 0.4,
        "two-stuck": 0.4,
        "unused": 0.4,
        "joined": 0.4,
        "idle": 0.5,
    },
}
"""Share of healthy images of a kind that carry the relation by design: a small program is often stored twice,
a table or a character generator hardly ever uses all lines, but seldom leaves out one in the middle. Rough
shares, from memory; their order is what counts.
"""


def fault_odds(content: Content, place: Place, p_value: float) -> float:
    """The chance that a relation is a fault of the reading.

    Args:
        content: What kind of content the image looks like.
        place: Which relation, and where.
        p_value: How likely chance makes the relation.

    Example:
        >>> from pipeline.stages.examine.content import Content
        >>> code = Content(program=True, diverse=True, ordered=True, text=False, few_words=False, measures={})
        >>> fault_odds(code, "middle", 1e-9) > 0.99
        True
        >>> 0.1 < fault_odds(code, "top", 1e-9) < 0.3
        True
    """
    return FAULT_PRIOR / (FAULT_PRIOR + _DESIGN[content.name][place] + min(1.0, p_value))


def severity_of(content: Content, place: Place, p_value: float, *, likely: float = LIKELY) -> Severity:
    """A fault where that is likelier, a caution where chance alone hardly makes the relation, else a note.

    Args:
        content: What kind of content the image looks like.
        place: Which relation, and where.
        p_value: How likely chance makes the relation.
        likely: Chance up to which it is worth a caution.
    """
    if fault_odds(content, place, p_value) > LIKELIER and p_value <= BEYOND_DOUBT:
        return Severity.FAULT
    return Severity.CAUTION if p_value <= likely else Severity.NOTE


def weighed(content: Content, place: Place, p_value: float) -> Details:
    """The odds for a finding's evidence, and whether they hold the image back."""
    odds = fault_odds(content, place, p_value)
    return {"odds_of_fault": float(f"{odds:.2g}"), "holds_back": odds >= SERIOUSLY_POSSIBLE}


def shared_odds(odds: float) -> float:
    """The chance that a relation is a fault where every reader shows it alike.

    No single reader's wires make it then: what is left is the chip's own leg or what all readers shared. The
    share of designs and of chance is taken back out of the odds that one reader gave.

    Args:
        odds: Of one reader, as `fault_odds` gives them.

    Example:
        >>> shared_odds(0.999) > 0.9, shared_odds(0.17) < SERIOUSLY_POSSIBLE
        (True, True)
    """
    otherwise = FAULT_PRIOR * (1 - odds) / odds if odds > 0 else 1.0
    return SHARED_PRIOR / (SHARED_PRIOR + otherwise)


def of_several_readers(evidence: Details) -> Details:
    """The same evidence where every reader shows the relation; unchanged where it carries no odds."""
    if "odds_of_fault" not in evidence:
        return evidence
    odds = shared_odds(float(str(evidence["odds_of_fault"])))
    serious = odds >= SERIOUSLY_POSSIBLE
    return {
        **evidence,
        "odds_of_fault": float(f"{odds:.2g}"),
        "holds_back": serious,
        "whoever_reads": serious,
    }

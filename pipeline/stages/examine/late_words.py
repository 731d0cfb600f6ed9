"""Words that were taken too early wherever many address lines change, and alike in every pass.

A slow chip, or a line that loses words at each block, gives at every multiple of some power of two the word
before it, or the bits that it has in common with it. Passes agree, so nothing flickers; what tells is that
the same happens at each of these addresses and at hardly any other. Source: this follows from the definition;
that rows of tables and glyphs begin alike by design is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.stages.examine import chance
from pipeline.stages.examine.address_lines import dead_places
from pipeline.stages.examine.census import Census
from pipeline.stages.examine.content import Content, judge
from pipeline.stages.examine.odds import BEYOND_DOUBT, severity_of, weighed
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code

LEAST_LINES = 9
"""A smaller image has too few of these addresses."""
LEAST_TOLD = 6
"""Different words at these addresses, at least, that tell anything."""
LEAST_RATE = 0.03
"""How often a relation is taken to hold elsewhere, at least."""
_PEEK = 16
"""Addresses that are looked at before all of them are: in most images no relation holds at these."""
KINDS = frozenset(["program-like", "text-like", "diverse", "ordered"])
"""Content whose rows do not begin alike by design."""


@dataclass(frozen=True)
class _Late:
    every: int
    at: int
    told: int
    how: str
    p_value: float


def late_word_findings(census: Census) -> list[Suspicion]:
    """One suspicion, of the relation that chance makes least.

    Args:
        census: The image.
    """
    if census.known is not None or len(census.names) < LEAST_LINES or dead_places(census):
        return []
    found = min(_relations(census), key=lambda one: one.p_value, default=None)
    if found is None or found.p_value > BEYOND_DOUBT:
        return []
    # The late words themselves would make a program look like a table, in which many are like the one before.
    kept = np.arange(census.size) % found.every != found.at
    content = judge(Census(census.words[kept], census.bits, None, ()))
    return [_suspicion(found, content)] if content.name in KINDS else []


def _relations(census: Census) -> list[_Late]:
    words, before = census.words[1:], census.words[:-1]
    coarsest = 1 << (len(census.names) - 4)
    if not (_may_hold(words, before, coarsest - 1, coarsest) or _may_hold(words, before, 0, 2)):
        return []
    # A blank word keeps each relation and tells nothing; nor does one that is like its neighbour's neighbour.
    told = (words != census.fill) & (before != census.fill)
    holds = {
        "is the word before it": (words == before, told),
        "has no bit that the word before it has not": ((words & ~before) == 0, told & (words != 0)),
        "has every bit of the word before it": ((before & ~words) == 0, told & (words != census.full)),
    }
    tried = len(holds) * 2 * len(census.names)
    out = []
    for how, (held, counts) in holds.items():
        for line in range(1, len(census.names) - 3):
            for start in (0, 1) if line == 1 else (0,):
                late = _late(words, held, counts, 1 << line, start, how, tried)
                if late is not None:
                    out.append(late)
    return out


def _may_hold(words: Words, before: Words, first: int, every: int) -> bool:
    """Whether any relation holds at some of the addresses: at the widest pace, which all others have, too."""
    there = slice(first, first + _PEEK * every, every)
    late, early = words[there], before[there]
    return not (late & ~early).any() or not (early & ~late).any()


def _late(
    words: Words,
    held: NDArray[np.bool_],
    counts: NDArray[np.bool_],
    every: int,
    start: int,
    how: str,
    tried: int,
) -> _Late | None:
    """One relation at one pace, where it holds without an exception and seldom elsewhere."""
    first = (start - 1) % every
    if not held[first::every].all():
        return None
    there = np.zeros(held.size, dtype=np.bool_)
    there[first::every] = True
    told = there & counts
    different = int(np.unique(words[told]).size)
    if different < LEAST_TOLD:
        return None
    rate = max(LEAST_RATE, float(held[counts & ~there].mean()) if (counts & ~there).any() else 1.0)
    p_value = chance.corrected(chance.all_alike(different, rate), tried)
    return _Late(every, start, int(told.sum()), how, p_value)


def _suspicion(late: _Late, content: Content) -> Suspicion:
    rows = f"every {late.every} words" if late.every > 2 else "every other word"
    return Suspicion(
        code=Code.LATE_BY_ONE,
        severity=severity_of(content, "middle", late.p_value),
        where={"every": late.every, "first": late.at},
        evidence={
            "p_value": late.p_value,
            "informative_words": late.told,
            "content": content.name,
            **weighed(content, "middle", late.p_value),
        },
        means=f"Once in {rows} the word {late.how}, at each of these addresses: they were taken before the "
        "chip had answered, or words were lost there on the way.",
        also="Rows of a table that begin as the one before ends.",
        next=step("too-fast"),
    )

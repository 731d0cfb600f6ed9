"""A data line that is late by itself, or that says what another line says or said, alike in every pass.

A line that is slow to rise never is 0 for one word alone: each 1 begins a word late. A line whose wire is
open keeps what a neighbour drove before, and one that stands on an inverting output is another's inverse.
Passes agree, so nothing flickers. Source: these follow from the definition; that no program does so and that
control PROMs and tables may is common practice, no source; `tests/MEASUREMENTS.md` has how often.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.catalogue.advice import step
from pipeline.stages.examine import chance
from pipeline.stages.examine.census import Census
from pipeline.stages.examine.content import Content, judge
from pipeline.stages.examine.odds import severity_of, weighed
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code, Severity

LEAST_LINES = 8
"""A smaller image shows too little."""
LEAST_TOLD = 8
"""Different words, at least, behind the first word of a run."""
LEAST_SHARE = 0.25
"""How often a word is taken to go on at the level of the one before, at least."""
UNLIKELY = 1e-4
"""Chance at most for a slow line; with it one of 3,598 windows of sound programs and tables is told."""
ODDS = 0.5
"""That a program in which a line never changes for one word alone was read with that line slow."""
LEAST_DIFFERENT = 32
"""Different words, at least, beside a line that follows another: fewer are a test pattern."""
MOST_FOLLOWING = 2
"""More lines that follow others are a pattern that wanders."""
SAMPLED = 32
KINDS = frozenset(["program-like", "ordered"])
"""Text without words of one letter never has D5 at 0 for one of them; smooth tables keep their top lines."""


def late_line_findings(census: Census) -> list[Suspicion]:
    """Slow lines, then lines that follow another.

    Args:
        census: The image.
    """
    if census.known is not None or len(census.names) < LEAST_LINES or census.bits < 2:
        return []
    return [*_slow(census), *_following(census)]


def _slow(census: Census) -> Iterator[Suspicion]:
    """Lines of which one level never stands alone between two words of the other."""
    before, words, after = census.words[:-2], census.words[1:-1], census.words[2:]
    ever = (np.bitwise_or.reduce(before & ~words & after), np.bitwise_or.reduce(words & ~(before | after)))
    live = _live(census)
    found = [(line, level) for level in (0, 1) for line in _lines(live & ~int(ever[level]))]
    told = {one: p_value for one in found if (p_value := _chance(census, *one)) <= UNLIKELY}
    if not told or len(told) > MOST_FOLLOWING:
        return
    content = judge(census, tuple(line for line, _ in told))
    if content.name in KINDS:
        for (line, level), p_value in told.items():
            yield _slow_suspicion(f"D{line}", level, p_value, content)


def _live(census: Census) -> int:
    """A bit for each data line that takes both levels."""
    words = census.words
    return int(np.bitwise_or.reduce(words)) & ~int(np.bitwise_and.reduce(words))


def _lines(mask: int) -> list[int]:
    """The data lines of a mask, ascending."""
    return [line for line in range(mask.bit_length()) if mask >> line & 1]


def _chance(census: Census, line: int, level: int) -> float:
    """How likely every run of the level goes on for a second word, over different words behind its first."""
    own = (census.words >> census.words.dtype.type(line) & census.words.dtype.type(1)) == level
    different = int(np.unique(census.words[2:][own[1:-1] & ~own[:-2]]).size)
    if different < LEAST_TOLD:
        return 1.0
    share = max(LEAST_SHARE, float(own.mean()))
    return chance.corrected(chance.all_alike(different, share), 2 * census.bits)


def _slow_suspicion(name: str, level: int, p_value: float, content: Content) -> Suspicion:
    changes = "rises" if level == 0 else "falls"
    return Suspicion(
        code=Code.LATE_BY_ONE,
        severity=Severity.CAUTION,
        where={"line": name, "level": 1 - level},
        evidence={"p_value": p_value, "content": content.name, "odds_of_fault": ODDS, "holds_back": True},
        means=f"{name} is never {level} for one word alone, though it often is {1 - level} for one: it "
        f"{changes} a word late, so that words are wrong wherever it does.",
        also=f"Content in which {name} is {level} in pairs by design.",
        next=step("too-fast"),
        lines=(name,),
    )


@dataclass(frozen=True)
class _Follows:
    """One line that is another's level, or its inverse, of this word or of the one before."""

    line: int
    other: int
    inverse: bool
    former: bool


def _following(census: Census) -> Iterator[Suspicion]:
    columns, live = census.columns, _live(census)
    inverse = columns.apart == columns.words
    found = [
        _Follows(line, other, inverse=True, former=False)
        for line, other in (np.argwhere(inverse).tolist() if inverse.any() else ())
        if line < other and live >> line & live >> other & 1
    ]
    found += _of_the_word_before(census, live)
    if not found or len(found) > MOST_FOLLOWING or columns.distinct < LEAST_DIFFERENT:
        return
    content = judge(census, tuple({one.line for one in found}))
    if content.name in KINDS:
        for one in found:
            yield _following_suspicion(one, census, content)


def _of_the_word_before(census: Census, live: int) -> list[_Follows]:
    """A few words are looked at first: in nearly every image they say no."""
    words, bits = census.words, census.bits
    step_by = max(1, census.size // SAMPLED)
    now, before = words[1::step_by].astype(np.uint64), words[:-1:step_by].astype(np.uint64)
    by = np.arange(1, bits, dtype=np.uint64)[:, None]
    apart = ((before << by) | (before >> (np.uint64(bits) - by))) ^ now
    never, always = np.bitwise_or.reduce(apart, axis=1), np.bitwise_and.reduce(apart, axis=1)
    out = []
    for turn, candidates in enumerate((~never | always).tolist(), start=1):
        for line in _lines(candidates & live):
            other = (line - turn) % bits
            if live >> other & 1:
                out += _held(words, line, other)
    return out


def _held(words: Words, line: int, other: int) -> list[_Follows]:
    one = words.dtype.type(1)
    now, before = words[1:] >> words.dtype.type(line) & one, words[:-1] >> words.dtype.type(other) & one
    alike = now == before
    if alike.all() or not alike.any():
        return [_Follows(line, other, inverse=not alike.any(), former=True)]
    return []


def _following_suspicion(one: _Follows, census: Census, content: Content) -> Suspicion:
    name, other = f"D{one.line}", f"D{one.other}"
    columns = census.columns
    share = max(int(columns.ones[one.other]), census.size - int(columns.ones[one.other])) / census.size
    p_value = chance.corrected(chance.all_alike(columns.distinct, share), 4 * census.bits * census.bits)
    what = f"what {other} {'was a word before' if one.former else 'is'}"
    said = f"the inverse of {what}" if one.inverse else what
    return Suspicion(
        code=Code.LATE_BY_ONE if one.former else Code.DATA_LINES_JOINED,
        severity=severity_of(content, "joined", p_value),
        where={"lines": [name, other], **({"inverse": True} if one.inverse else {})},
        evidence={
            "p_value": p_value,
            "informative_words": columns.distinct,
            "content": content.name,
            **weighed(content, "joined", p_value),
        },
        means=f"{name} is {said}, in every word: its wire is open and keeps that level, or stands on "
        "another output than its own.",
        also="Control signals that go together by design.",
        next=step("joined-lines", both=f"{name} and {other}")
        if not one.former
        else step("stuck-data-line", line=name),
        lines=(name, other),
    )

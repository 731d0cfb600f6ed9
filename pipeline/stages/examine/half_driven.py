"""Half of an image that the chip did not drive, and a data line that carries an address line.

An address wire that stands on an enable switches the chip off wherever it is at one level: the words there
are all one word, or the address itself where the bus keeps it. Source: this follows from the definition. From
the top down such a half is design, since programs seldom fill their chip: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.stages.examine import chance
from pipeline.stages.examine.census import Census
from pipeline.stages.examine.content import judge
from pipeline.stages.examine.odds import Place, severity_of, weighed
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.stages.examine.undriven import followed
from pipeline.words import Words
from schemas.finding import Code, Severity

LEAST_LINES = 6
"""A smaller image shows too little."""
LEAST_HALF = 32
"""Words of one level of a line, at least, that are all alike."""
LOWEST_IDLE = 4
"""Below it, records are so: the upper half of numbers of 32 bits is 0 in one table after the other."""
LEAST_BLOCKS = 4
"""Blocks of one word, at least, each beside one of content; fewer are parts that a program left
blank.
"""
LEAST_DIFFERENT = 32
"""Different words, at least, beside a data line that carries an address line: fewer are a test pattern."""
MOST_FOLLOWING = 2
"""More data lines that carry address lines are a table that ascends."""


def half_driven_findings(census: Census) -> list[Suspicion]:
    """Halves that were not driven, then data lines that carry an address line.

    Args:
        census: The image; one that is all one word, or the address throughout, has no findings here.
    """
    if census.known is not None or len(census.names) < LEAST_LINES:
        return []
    return [*_idle(census), *_half_follows(census), *_lines_that_follow(census)]


def _halves(words: Words, place: int) -> tuple[Words, Words]:
    parts = words.reshape(-1, 2, 1 << place)
    return parts[:, 0], parts[:, 1]


def _one_word(words: Words) -> bool:
    """Whether all are alike; most images say no by a few of them."""
    first = words[0, 0]
    if words[-1, -1] != first or words[0, -1] != first:
        return False
    return bool((words[0] == first).all()) and bool((words == first).all())


def _filled(blocks: Words) -> int:
    """How many blocks are not all one word."""
    return int((blocks != blocks[:, :1]).any(axis=1).sum())


def _idle(census: Census) -> Iterator[Suspicion]:
    """One word throughout wherever a line below the top is at one level, and content where it is not."""
    words, names = census.words, list(census.names)
    while len(names) > LEAST_LINES and any(_one_word(half) for half in _halves(words, len(names) - 1)):
        low, high = _halves(words, len(names) - 1)
        words = (high if _one_word(low) else low).reshape(-1)
        del names[-1]
    for place in range(LOWEST_IDLE, len(names) - LEAST_BLOCKS.bit_length() + 1):
        halves = _halves(words, place)
        for level in (0, 1):
            content = halves[1 - level]
            if _one_word(halves[level]) and _filled(content) >= LEAST_BLOCKS:
                driven = Census(
                    halves[1 - level].reshape(-1), census.bits, None, (*names[:place], *names[place + 1 :])
                )
                yield from _idle_suspicion(
                    driven, names[place], level, int(halves[level].flat[0]), len(names)
                )


def _idle_suspicion(driven: Census, line: int, level: int, word: int, lines: int) -> Iterator[Suspicion]:
    content = judge(driven)
    share = float((driven.seen == word).mean())
    p_value = chance.corrected(chance.all_alike(driven.size, share), 2 * lines)
    place: Place = "idle"
    odds = weighed(content, place, p_value)
    if not odds["holds_back"] or p_value > chance.SMALLEST * 1e20:
        return
    name = f"A{line}"
    yield Suspicion(
        code=Code.CONSTANT,
        severity=severity_of(content, place, p_value),
        where={"line": name, "level": level, "word": word},
        evidence={"word": word, "words": driven.size, "p_value": p_value, "content": content.name, **odds},
        means=f"Wherever {name} is {level} every word is 0x{word:X}, and where it is {1 - level} there is "
        f"content: the chip was switched off there, its wire stands on an enable, or {name} is missing and "
        "another wire took its place. Half of the content was not read.",
        also=f"Records that use no word with {name} at {level}, such as glyphs of half the height.",
        next=step("follows-address"),
        lines=(name,),
    )


def _half_follows(census: Census) -> Iterator[Suspicion]:
    """The address itself wherever one line is at one level: nothing drove the bus there."""
    may = _may_follow(census.words, len(census.names))
    for place, level in np.argwhere(may).tolist() if may.any() else ():
        line = census.names[place]
        halves = _halves(census.words, place)
        names = tuple(other for other in census.names if other != line)
        pairs = followed(halves[level].reshape(-1), names)
        if pairs and halves[level].size >= LEAST_HALF and not _alike_but_for_a_line(*halves):
            yield _half_suspicion(f"A{line}", level, pairs, halves[level].size)


def _may_follow(words: Words, lines: int) -> NDArray[np.bool_]:
    """Whether no other line moves more than one bit of a half's first word; in most content one does.

    Args:
        words: The image.
        lines: Its address lines.

    Returns:
        For each line at each of its levels; shape (lines, 2).
    """
    first, moved = _first_addresses(lines)
    apart = words[moved] ^ words[first][..., None]
    several = np.asarray((apart & (apart - 1)).any(axis=-1), dtype=np.bool_)
    return ~several


@lru_cache(maxsize=32)
def _first_addresses(lines: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Of each half, shape (lines, 2), and one other line away from it, shape (lines, 2, lines - 1)."""
    own = np.arange(lines)
    first = np.array([[0, 1 << line] for line in range(lines)])
    others = np.array([[1 << other for other in range(lines) if other != line] for line in own])
    return first, first[..., None] | others[:, None, :]


def _alike_but_for_a_line(low: Words, high: Words) -> bool:
    """Whether most words differ in the same bits: a table that ascends through both halves."""
    return int(np.unique(low ^ high, return_counts=True)[1].max()) * 2 > low.size


def _half_suspicion(name: str, level: int, pairs: dict[str, str], words: int) -> Suspicion:
    return Suspicion(
        code=Code.FOLLOWS_ADDRESS,
        severity=Severity.CAUTION,
        where={"line": name, "level": level, "address_bits": list(pairs.values())},
        evidence={"follows": pairs, "words": words, "exceptions": 0, "holds_back": True},
        means=f"Wherever {name} is {level} the data are the address itself: nothing drives the bus there, "
        "and it keeps the last address. That half of the content was not read.",
        also="An ascending table in half of the chip.",
        next=step("follows-address"),
        lines=(name,),
    )


def _lines_that_follow(census: Census) -> Iterator[Suspicion]:
    """Data lines that are an address line, or its inverse, in every word of what is otherwise a program.

    The top line is left out: text below a blank half has D7 at its level.
    """
    found = [
        (bit, place)
        for bit in range(census.bits)
        if 2 * int(census.columns.ones[bit]) == census.size
        for place in range(len(census.names) - 1)
        if _carries(census.words, bit, place)
    ]
    if not found or len(found) > MOST_FOLLOWING or census.columns.distinct < LEAST_DIFFERENT:
        return
    content = judge(census, tuple(bit for bit, _ in found))
    p_value = chance.corrected(chance.SMALLEST, 2 * census.bits * len(census.names))
    odds = weighed(content, "stuck", p_value)
    if odds["holds_back"]:
        for bit, place in found:
            yield _follower(f"D{bit}", f"A{census.names[place]}", census.size, content.name, odds, p_value)


def _carries(words: Words, bit: int, place: int) -> bool:
    low, high = _halves((words >> words.dtype.type(bit)) & words.dtype.type(1), place)
    return _one_word(low) and _one_word(high) and low.flat[0] != high.flat[0]


def _follower(
    name: str, line: str, words: int, content: str, odds: dict[str, object], p_value: float
) -> Suspicion:
    likely = float(str(odds["odds_of_fault"])) > 1 / 2
    return Suspicion(
        code=Code.FOLLOWS_ADDRESS,
        severity=Severity.FAULT if likely else Severity.CAUTION,
        where={"lines": [name], "address_bits": [line]},
        evidence={"follows": {name: line}, "words": words, "p_value": p_value, "content": content, **odds},
        means=f"{name} is {line}, or its inverse, in every word: its wire stands on {line}, touches it, or "
        "is open and picks it up.",
        also=f"A table whose {name} alternates with {line} by design.",
        next=step("stuck-data-line", line=name),
        lines=(name,),
    )

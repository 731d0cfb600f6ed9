"""Data lines that never change, and pairs that are always alike.

A stuck line gives a constant column; two lines joined give two equal columns, with fewer ones where low wins.
Source: these follow from the definition. Constant columns are right in ASCII text (bit 7), character
generators, microcode and narrow chips stored as bytes: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from pipeline.catalogue.advice import step
from pipeline.stages.examine import chance
from pipeline.stages.examine.address_lines import dead_places
from pipeline.stages.examine.census import Census, Columns
from pipeline.stages.examine.content import Content, judge
from pipeline.stages.examine.odds import Place, severity_of, weighed
from pipeline.stages.examine.suspicion import Suspicion
from schemas.finding import Code, Severity

EXCEPTIONS = 0.002
"""Share of words that may break a relation of columns: a contact that worked for a moment."""
LEAST_SURE = 1024
"""A constant column in fewer words is never a fault: a small character generator may pass for a program."""
ASCII_LINE = 7
"""Constant in all text."""
MOST_STUCK = 2
"""More constant columns than this are no fault of single lines."""
MOST_NOISY = 2
"""More lines than this are not left out when content is judged: too little would be left."""


def data_line_findings(census: Census, noisy: tuple[int, ...] = ()) -> list[Suspicion]:
    """Stuck lines, then joined ones among the rest.

    Args:
        census: The image; one that is all one word has no findings here.
        noisy: Data lines that read otherwise from pass to pass.

    Returns:
        One suspicion a stuck line and one a joined pair.
    """
    columns = census.columns
    if columns.distinct < 2 or census.bits < 2:
        return []
    stuck = stuck_columns(columns)
    nearly = [line for line in _nearly_stuck(columns) if line not in stuck]
    joined = _joined(columns, [*stuck, *nearly])
    if not stuck and not joined and not nearly:
        return []
    core = census.folded(dead_places(census))
    spoiled = {*stuck, *nearly, *(line for pair in joined for line in pair)}
    if len(noisy) <= MOST_NOISY:
        spoiled |= set(noisy)
    content = judge(core, tuple(sorted(spoiled)))
    if content.program:
        # A contact that worked for a moment breaks the relation; only in a program is that worth telling.
        stuck = sorted([*stuck, *nearly])
    found = [_stuck_suspicion(line, stuck, columns, content, census) for line in stuck]
    found = [_or_text(one) if noisy and census.bits == 8 else one for one in found]
    return [*found, *(_joined_suspicion(pair, columns, stuck, content) for pair in joined)]


def _or_text(suspicion: Suspicion) -> Suspicion:
    """A constant D7 is no fault where other lines are noise.

    Plain text with noise in it looks like a program.
    """
    if suspicion.severity is not Severity.FAULT or suspicion.where["line"] != "D7":
        return suspicion
    return replace(
        suspicion, severity=Severity.CAUTION, also=f"{suspicion.also} Plain text, spoiled by the noisy lines."
    )


def stuck_columns(columns: Columns) -> list[int]:
    """Lines that have one level throughout."""
    return [line for line, ones in enumerate(columns.ones) if ones in {0, columns.words}]


def _nearly_stuck(columns: Columns) -> list[int]:
    """Lines that are constant but for a few words."""
    limit = EXCEPTIONS * columns.words if columns.words >= 1024 else 0
    fewest = np.minimum(columns.ones, columns.words - columns.ones)
    return [int(line) for line in np.flatnonzero(fewest <= limit)]


def _majority(columns: Columns, leave_out: list[int]) -> float:
    """The most one-sided of the working columns, over distinct words: what another might do by chance."""
    kept = [
        max(int(ones), columns.distinct - int(ones)) / columns.distinct
        for line, ones in enumerate(columns.distinct_ones)
        if line not in leave_out
    ]
    return max(kept, default=1.0)


def _stuck_suspicion(
    line: int, stuck: list[int], columns: Columns, content: Content, census: Census
) -> Suspicion:
    """A column of one level: how likely that is by chance, and what design would look the same.

    Chance is judged over distinct words, since a table that repeats a word says nothing new each time. A
    fault only where a program with a single such column makes design unlikely; several are unused bits as a
    rule.
    """
    level = int(2 * columns.ones[line] > columns.words)
    share = _majority(columns, stuck)
    exceptions = int(columns.words - columns.ones[line] if level else columns.ones[line])
    distinct_exceptions = min(exceptions, columns.distinct)
    p_value = chance.corrected(
        chance.at_most(distinct_exceptions, columns.distinct, 1 - share), columns.ones.size
    )
    name = f"D{line}"
    spare = _spare_columns(stuck, census.bits)
    ascii_bit = line == ASCII_LINE and census.bits == 8 and content.text
    place = _place(line, stuck, spare, content, columns.words)
    if ascii_bit:
        severity = Severity.NOTE
        also = "A link of seven bits loses bit 7 of everything, and a stuck D7 looks the same."
        means = f"D7 is {level} in every word, as it is in plain text."
    else:
        severity = severity_of(content, place, p_value, likely=0.5)
        every = "every word" if not exceptions else f"all but {exceptions} words"
        means = (
            f"{name} reads {level} in {every}: its pin, socket contact or wire, or the output itself, is "
            f"stuck."
        )
        also = _innocent(name, line, spare, content, census.bits)
    return Suspicion(
        code=Code.DATA_LINE_STUCK,
        severity=severity,
        where={"line": name, "level": level},
        evidence={
            "level": level,
            "p_value": p_value,
            "informative_words": columns.distinct,
            "words": columns.words,
            "exceptions": exceptions,
            "chance_alike": round(share, 4),
            "hypotheses": int(columns.ones.size),
            "content": content.name,
            **({} if ascii_bit or line in spare else weighed(content, place, p_value)),
        },
        means=means,
        also=also,
        next=step("stuck-data-line", line=name),
        lines=(name,),
    )


def _place(line: int, stuck: list[int], spare: frozenset[int], content: Content, words: int) -> Place:
    """Several constant columns, or one in a small image, are design as a rule: microcode and decoders."""
    counted = [one for one in stuck if not (one == ASCII_LINE and content.text)]
    if line in spare or words < LEAST_SURE or len(counted) > MOST_STUCK:
        return "unused"
    return "stuck" if len(counted) == 1 else "two-stuck"


def _spare_columns(stuck: list[int], bits: int) -> frozenset[int]:
    """Two or more constant columns together at the top or the bottom: unused bits rather than faults."""
    spare: set[int] = set()
    for order in (range(bits - 1, -1, -1), range(bits)):
        group = []
        for line in order:
            if line not in stuck:
                break
            group.append(line)
        if len(group) > 1:
            spare.update(group)
    return frozenset(spare)


def _innocent(name: str, line: int, spare: frozenset[int], content: Content, bits: int) -> str:
    if line in spare:
        return (
            "Unused bits: a character generator of 5 or 7 dots, spare control bits, or a narrow chip "
            "stored as bytes."
        )
    if line == 7 and content.program:
        return "A link of seven bits loses bit 7 of everything."
    if line == 7 and bits == 8:
        return (
            "Content that leaves D7 constant by design, or a link of seven bits, which loses bit 7 of "
            "everything."
        )
    if content.program:
        return f"Content that never uses {name}, which programs do not do."
    return f"Character generators, tables and microcode may leave {name} constant by design."


def _joined(columns: Columns, stuck: list[int]) -> list[tuple[int, int]]:
    """Pairs of working columns that are alike, but for a few words."""
    limit = EXCEPTIONS * columns.words if columns.words >= 1024 else 0
    working = [line for line in range(columns.ones.size) if line not in stuck]
    if len(working) < 2:
        return []
    alike = columns.apart <= limit
    if np.count_nonzero(alike) == len(alike):  # each is like itself
        return []
    return [
        (low, high)
        for low, high in combinations(working, 2)
        if alike[low, high] and min(columns.ones[low], columns.words - columns.ones[low]) > limit
    ]


def _joined_suspicion(
    pair: tuple[int, int], columns: Columns, stuck: list[int], content: Content
) -> Suspicion:
    """Two columns that hardly ever differ, weighed against how often two other columns of this image do.

    Every pair of columns is tried, hence the correction (Bonferroni).
    """
    low, high = pair
    names = (f"D{low}", f"D{high}")
    rate = _apart_rate(columns, pair, stuck)
    exceptions = int(columns.distinct_apart[low, high])
    tried = chance.pairs(int(columns.ones.size))
    p_value = chance.corrected(chance.at_most(exceptions, columns.distinct, rate), tried)
    wins, basis = _which_wins(pair, columns, stuck)
    both = " and ".join(names)
    return Suspicion(
        code=Code.DATA_LINES_JOINED,
        severity=severity_of(content, "joined", p_value),
        where={"lines": list(names), "wins": wins},
        evidence={
            "wins": wins,
            **basis,
            "p_value": p_value,
            "informative_words": columns.distinct,
            "exceptions": int(columns.apart[low, high]),
            "chance_differs": round(rate, 4),
            "hypotheses": tried,
            "content": content.name,
            **weighed(content, "joined", p_value),
        },
        means=f"{both} are alike in every word: their legs, contacts or wires are joined. Which level wins "
        "is a guess from the share of ones.",
        also=(
            "Microcode or decode content with two signals that always go together; a narrow chip with a "
            "bit doubled."
        )
        if not content.program
        else "Content with two equal columns, which programs do not have.",
        next=step("joined-lines", both=both),
        lines=names,
    )


def _apart_rate(columns: Columns, pair: tuple[int, int], stuck: list[int]) -> float:
    """How often two working columns differ over distinct words: the smallest among the other pairs."""
    others = [
        float(columns.distinct_apart[low, high]) / columns.distinct
        for low, high in combinations(range(columns.ones.size), 2)
        if low not in stuck
        and high not in stuck
        and {low, high} != set(pair)
        and columns.distinct_apart[low, high]
    ]
    return min(0.5, max(0.02, min(others, default=0.02)))


def _which_wins(pair: tuple[int, int], columns: Columns, stuck: list[int]) -> tuple[str, dict[str, float]]:
    """Low winning is an AND, with fewer ones than either true column; high winning an OR, with more."""
    shares = columns.ones / columns.words
    others = [float(shares[line]) for line in range(shares.size) if line not in stuck and line not in pair]
    usual = min(0.9, max(0.1, sum(others) / len(others))) if others else 0.5
    here = float(shares[pair[0]])
    low, high = usual * usual, 1 - (1 - usual) ** 2
    wins = "low" if abs(here - low) <= abs(here - high) else "high"
    return wins, {"ones_share": round(here, 4), "ones_share_of_others": round(usual, 4)}

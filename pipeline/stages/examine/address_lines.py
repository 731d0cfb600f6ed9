"""Address lines that are dead or joined, and content that repeats.

A dump shows relations only. A dead line k gives D[a] = D[a xor 2^k] for all a; two lines joined, low winning,
give equal words where they are (0,0), (0,1) and (1,0), and another at (1,1); high winning the other way
about. Source: these follow from the definition; that a middle line that does nothing in program code is
nearly always a fault, and that the top line is the least telling, is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.stages.examine import chance
from pipeline.stages.examine.census import Census
from pipeline.stages.examine.content import Content, judge
from pipeline.stages.examine.odds import LIKELY, Place, severity_of, weighed
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code, Severity

EXCEPTIONS = 0.02
"""Of the informative pairs, how many may break a relation: a contact that worked for a moment, a flickering
cell.
"""
LEAST_INFORMATIVE = 4


@dataclass(frozen=True)
class _Relation:
    """One relation found: how well it holds and what it would take for it to hold by chance."""

    places: tuple[int, ...]
    informative: int
    distinct: int
    exceptions: int
    exceptions_at: tuple[int, ...]
    chance_rate: float
    hypotheses: int

    @property
    def p_value(self) -> float:
        """Over distinct words, since a repeated word tells nothing new; exceptions are counted in full."""
        trials = self.distinct + self.exceptions
        return chance.corrected(chance.at_most(self.exceptions, trials, self.chance_rate), self.hypotheses)

    def evidence(self, content: Content) -> dict[str, object]:
        return {
            "p_value": self.p_value,
            "informative_words": self.informative,
            "distinct_words": self.distinct,
            "exceptions": self.exceptions,
            "exceptions_at": list(self.exceptions_at),
            "chance_differs": round(self.chance_rate, 4),
            "hypotheses": self.hypotheses,
            "content": content.name,
        }


def address_line_findings(census: Census) -> list[Suspicion]:
    """Dead lines first; then, in what is left when they are folded away, joined ones.

    Args:
        census: The image.

    Returns:
        One suspicion a dead line, one a joined pair, and one over-read where the content repeats from the
        top.
    """
    lines = len(census.names)
    if lines < 2 or census.columns.distinct < 2:
        return []
    dead = dead_places(census)
    if not dead and not _joined_suspects(census):
        return []
    # A dead line stores everything twice: unless it is folded away first, any two lines would look joined.
    core = census.folded(dead)
    joined = _joined(core, lines)
    if not dead and not joined:
        return []
    single = core
    for relation, _ in joined:
        single = single.married(*relation.places)
    content = judge(single)
    return [*_dead_suspicions(census, core, dead, content), *_joined_suspicions(joined, content, lines)]


def dead_places(census: Census) -> tuple[int, ...]:
    """The address bits that make no difference, but for a few exceptions."""
    return tuple(
        place
        for place, (apart, told) in enumerate(census.line_counts)
        if told >= LEAST_INFORMATIVE and apart <= EXCEPTIONS * told
    )


def _chance_rate(core: Census, leave_out: tuple[int, ...] = ()) -> float:
    """How often a pair of words differs where a line works: the median of the lines that do."""
    rates = sorted(
        rate
        for place, (rate, (_, told)) in enumerate(zip(core.line_rates, core.line_counts, strict=True))
        if told and place not in leave_out
    )
    # The median, since a dead line would pull a mean down and make itself likely; bounded, since a rate of 0
    # or 1 would turn one exception into certainty.
    return min(0.9, max(0.05, rates[len(rates) // 2])) if rates else 0.5


def _dead_suspicions(
    census: Census, core: Census, dead: tuple[int, ...], content: Content
) -> list[Suspicion]:
    lines = len(census.names)
    if not dead or core.size < 2:
        return []
    top = _top_group(dead, lines)
    rate = _chance_rate(core)
    found = []
    for place in dead:
        relation = _dead_relation(census, place, dead, rate)
        if relation.distinct < 2:
            continue
        found.append(_dead(relation, content, in_top=place in top, copies=1 << len(top), lines=lines))
    if top and found:
        found.append(_repeats(1 << len(top), core, content, found))
    return found


def _top_group(dead: tuple[int, ...], lines: int) -> frozenset[int]:
    """The dead lines from the top down without a gap."""
    top = set()
    for place in range(lines - 1, -1, -1):
        if place not in dead:
            break
        top.add(place)
    return frozenset(top)


def _dead_relation(census: Census, place: int, dead: tuple[int, ...], rate: float) -> _Relation:
    folded = census.folded(tuple(other for other in dead if other != place))
    at = folded.names.index(census.names[place])
    words = folded.words.reshape(-1, 2, 1 << at)
    told = folded.told.reshape(-1, 2, 1 << at)
    apart = words[:, 0] != words[:, 1]
    informative = told[:, 0] | told[:, 1]
    if folded.known is not None:
        known = folded.known.reshape(-1, 2, 1 << at)
        apart &= known[:, 0] & known[:, 1]
        informative &= known[:, 0] & known[:, 1]
    equal = words[:, 0][informative & ~apart]
    return _Relation(
        places=(census.names[place],),
        informative=int(np.count_nonzero(informative)),
        distinct=int(np.unique(equal).size),
        exceptions=int(np.count_nonzero(apart)),
        exceptions_at=_addresses_apart(census, place),
        chance_rate=rate,
        hypotheses=len(census.names),
    )


def _addresses_apart(census: Census, place: int) -> tuple[int, ...]:
    """The first few addresses whose words break the relation."""
    words = census.words.reshape(-1, 2, 1 << place)
    apart = words[:, 0] != words[:, 1]
    if census.known is not None:
        known = census.known.reshape(-1, 2, 1 << place)
        apart &= known[:, 0] & known[:, 1]
    block, offset = np.nonzero(apart)
    first = (block << (place + 1)) + offset
    return tuple(int(at) for at in np.sort(first)[:8])


def _dead(relation: _Relation, content: Content, *, in_top: bool, copies: int, lines: int) -> Suspicion:
    """A line that makes no difference: a fault only below the top, where no doubling explains it.

    A dead top line and a small image stored twice are the same bits; only another reading tells them apart.
    """
    line = f"A{relation.places[0]}"
    place: Place = "top" if in_top else "middle"
    if in_top:
        stored = _times(copies)
        means = (
            f"{line} makes no difference: either it is dead (pin, socket contact, wire, or the chip's own "
            f"decoder) and half of the content was not read, or a small image is stored {stored}, or a "
            "smaller chip was read as this size."
        )
        also = (
            "A counter that counted twice a clock gives the same halves with every second word missing. One "
            "dump cannot tell a dead top line from a doubled image."
        )
    else:
        means = (
            f"{line} makes no difference to what was read: its pin, socket contact, wire, or the chip's own "
            "decoder is dead, and half of the content was not read."
        )
        also = _innocent(content, line)
    if line == "A0":
        also += " A counter that counts every second clock reads each word twice as well."
    return Suspicion(
        code=Code.ADDRESS_LINE_DEAD,
        severity=severity_of(content, place, relation.p_value),
        where={"line": line},
        evidence={
            **relation.evidence(content),
            "position": _position(relation.places[0], lines),
            **weighed(content, place, relation.p_value),
        },
        means=means,
        also=also,
        next=step("dead-address-line", line=line),
        lines=(line,),
    )


def _innocent(content: Content, line: str) -> str:
    # Text and programs first: a large one has few different words for its size, and is no decode PROM for
    # that.
    if content.diverse or content.text:
        return "Content that repeats all through with just this period, which programs do not do."
    if content.few_words:
        return f"Few different words: a decode PROM may not care about {line} by design."
    return f"Character generators, tables and microcode may leave {line} without meaning by design."


def _times(copies: int) -> str:
    return "twice" if copies == 2 else f"{copies} times"


def _position(line: int, lines: int) -> str:
    return "top" if line == lines - 1 else "bottom" if line == 0 else "middle"


def _repeats(copies: int, core: Census, content: Content, lines: list[Suspicion]) -> Suspicion:
    worst = max(float(one.evidence["p_value"]) for one in lines)
    named = [one.where["line"] for one in lines if one.evidence["position"] == "top"] or ["the top lines"]
    return Suspicion(
        code=Code.OVER_READ,
        severity=Severity.CAUTION if worst <= LIKELY else Severity.NOTE,
        where={"copies": copies},
        evidence={
            "copies": copies,
            "words_a_copy": core.seen.size if len(lines) == copies.bit_length() - 1 else None,
            "p_value": worst,
            "content": content.name,
        },
        means=f"The content repeats: {copies} copies from the top address lines down. Either a chip of "
        f"1/{copies} of the words was read as this size, or a small image is stored {_times(copies)}, or "
        f"{named[0]} and its neighbours are dead.",
        also="A dead top address line looks just the same.",
        next=step("repeats-from-the-top"),
    )


# -- joined lines --------------------------------------------------------------------------------------------


def _joined_suspects(core: Census) -> list[tuple[int, int]]:
    """Pairs of lines that show less than the others, and just as much as each other.

    Both halves of a joined pair move the same words: where one works only while its partner lets it, the
    counts of pairs of words that differ are equal, but for exceptions. This spares the dear test on healthy
    images.
    """
    rates, counts = core.line_rates, core.line_counts
    working = max((rate for rate, (_, told) in zip(rates, counts, strict=True) if told), default=0.0)
    weak = [
        place
        for place, (rate, (_, told)) in enumerate(zip(rates, counts, strict=True))
        if told >= LEAST_INFORMATIVE and EXCEPTIONS < rate <= max(0.92 * working, 0.62)
    ]
    return [
        (low, high)
        for low, high in combinations(weak, 2)
        if abs(counts[low][0] - counts[high][0]) <= 2 * EXCEPTIONS * max(counts[low][1], counts[high][1])
    ]


def _joined(core: Census, lines: int) -> list[tuple[_Relation, str]]:
    """Each pair of suspect lines for which one of two relations holds, best first, each line in one pair."""
    suspects = _joined_suspects(core)
    if not suspects:
        return []
    tried = 2 * chance.pairs(lines)
    rate = _chance_rate(core, tuple({place for pair in suspects for place in pair}))
    found = []
    for low, high in suspects:
        for wins in ("low", "high"):
            relation = _joined_relation(core, low, high, wins=wins, rate=rate, tried=tried)
            if relation is not None and relation.p_value <= LIKELY:
                found.append((relation, wins))
    found.sort(key=lambda one: (one[0].p_value, one[0].exceptions, one[0].places))
    used: set[int] = set()
    kept = []
    for relation, wins in found:
        if not used.intersection(relation.places):
            used.update(relation.places)
            kept.append((relation, wins))
    return kept


def _joined_relation(
    core: Census, low: int, high: int, *, wins: str, rate: float, tried: int
) -> _Relation | None:
    quads = _quads(core.words, low, high)
    base, odd = ((0, 0), (1, 1)) if wins == "low" else ((1, 1), (0, 0))
    first, second, third = quads[base], quads[0, 1], quads[1, 0]
    informative = (first != core.fill) | (second != core.fill) | (third != core.fill)
    agree = (first == second) & (first == third)
    if core.known is not None:
        known = _quads(core.known, low, high)
        informative &= known[0, 0] & known[0, 1] & known[1, 0] & known[1, 1]
    told = int(np.count_nonzero(informative))
    if told < LEAST_INFORMATIVE:
        return None
    exceptions = int(np.count_nonzero(informative & ~agree))
    other = quads[odd] != first
    differs = int(np.count_nonzero(other & (informative | (quads[odd] != core.fill))))
    if exceptions > EXCEPTIONS * told or differs < 0.3 * told:
        return None
    distinct = int(np.unique(first[informative & agree]).size)
    return _Relation((core.names[low], core.names[high]), told, distinct, exceptions, (), rate, tried)


def _quads(array: NDArray[np.generic], low: int, high: int) -> dict[tuple[int, int], Words]:
    """The image as four parts: address bit `low`, then `high`."""
    parts = array.reshape(-1, 2, 1 << (high - low - 1), 2, 1 << low)
    return {(i, j): parts[:, j, :, i] for i in (0, 1) for j in (0, 1)}  # type: ignore[misc]


def _joined_suspicions(joined: list[tuple[_Relation, str]], content: Content, lines: int) -> list[Suspicion]:
    return [_joined_suspicion(relation, wins, content, lines) for relation, wins in joined]


def _joined_suspicion(relation: _Relation, wins: str, content: Content, lines: int) -> Suspicion:
    """Two lines of which the chip sees the AND or the OR: three of four quarters are alike.

    At the top of the image a quarter stored three times is the same bits, so there it is never a fault.
    """
    names = tuple(f"A{place}" for place in relation.places)
    quarter = relation.places == (lines - 2, lines - 1)
    place: Place = "top" if quarter else "middle"
    both = " and ".join(names)
    other = "high" if wins == "low" else "low"
    also = (
        "An image of a quarter of the size stored three times, with something else in the last quarter."
        if quarter
        else "A decode PROM that looks at these two inputs only together, or microcode with such a condition."
    )
    return Suspicion(
        code=Code.ADDRESS_LINES_JOINED,
        severity=severity_of(content, place, relation.p_value),
        where={"lines": list(names), "wins": wins},
        evidence={
            **relation.evidence(content),
            "wins": wins,
            **weighed(content, place, relation.p_value),
        },
        means=f"{both} are joined and {wins} wins: only when both are {other} does the chip see them "
        f"{other}, so half of the content was not read.",
        also=also,
        next=step("joined-lines", both=both),
        lines=names,
    )

"""A chip's content as a program.

The processor it is for, the stretches that are code, lines that are crossed.

The content bears witness without any reference: in the right order its branches land where instructions
begin. What is said here is a guess with its odds, never applied by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from pipeline.catalogue.advice import advise
from pipeline.flow import Witness
from pipeline.stages.content.crossed import crossed_finding
from pipeline.stages.content.flow_of_control import (
    Crossed,
    Named,
    choose,
    code_stretches,
    family_readings,
)
from pipeline.stages.content.flow_of_control.likely_orders import likely_orders
from pipeline.stages.content.flow_of_control.model import Bytes
from pipeline.stages.content.flow_of_control.orders import (
    Orders,
    Stored,
    crossed_in,
    orders_of,
    worth,
)
from pipeline.stages.content.model import Region
from pipeline.stages.content.odds import in_hundred
from pipeline.stages.content.runs import entropy_bits, hex_words
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity

if TYPE_CHECKING:
    from schemas.part import Part
    from schemas.record import ReadFor, RegionDetail

_LEAST_BYTES = 256
_MOST_WORDS = 1 << 20
_HIGH_FIRST, _LOW_FIRST = ("68000", "9900"), ("8086", "pdp11")
_HOLDS = 0.93
"""Where so many branches land the order of lines is right: on the setting half 19 in 20 crossed images land
fewer.
"""
_FLOW_FAILS = 0.35
"""The flow fails in another order where no more of its worth is left: crossed high lines break few branches.

Of 12,939 pairs of a true and a moved order of real programs the moved one spoke in none, with any share up to
0.8; the true one in 745.
"""
_LEAST_FLOW = 12.0
"""Nats that a program must be worth before its flow speaks for an order."""
_SUREST = 0.9999
"""Odds are a guess: none is told as certainty."""
_MOST_SAID = 40
"""Characters of the sheet's word that a finding repeats."""
_LEAST_CODE = 16
"""Words: a shorter stretch of code is left to the region that it lies in."""
_TOLD = {
    "8080": "8080",
    "z80": "Z80",
    "6502": "6502",
    "65c02": "CMOS 6502",
    "6800": "6800",
    "6809": "6809",
    "8051": "8051",
    "8048": "8048",
    "1802": "1802",
    "8086": "8086",
    "68000": "68000",
    "pdp11": "PDP-11",
    "9900": "9900",
}
READ_FOR = {"8080": "z80", "6502": "65c02"}
"""Families that are read by the larger set of a pair."""
_PROCESSORS: dict[str, str] = {
    "8080": "z80",
    "8085": "z80",
    "z80": "z80",
    "6502": "65c02",
    "6510": "65c02",
    "65c02": "65c02",
    "6800": "6800",
    "6802": "6800",
    "6808": "6800",
    "6809": "6809",
    "8031": "8051",
    "8051": "8051",
    "8032": "8051",
    "8052": "8051",
    "8035": "8048",
    "8039": "8048",
    "8048": "8048",
    "8049": "8048",
    "1802": "1802",
    "8086": "8086",
    "8088": "8086",
    "80186": "8086",
    "80188": "8086",
    "68000": "68000",
    "68008": "68000",
    "68010": "68000",
    "pdp11": "pdp11",
    "9900": "9900",
    "9980": "9900",
    "9995": "9900",
}
"""Members of the families, by the digits of their markings; from memory."""


class Program(NamedTuple):
    """What a chip's content is as a program.

    Attributes:
        named: The family, with its odds.
        code: Half-open word ranges that are instructions.
    """

    named: Named
    code: tuple[tuple[int, int], ...]


def family_of(processor: str | None) -> str | None:
    """The family that a processor of the sheet belongs to, as instructions are read.

    None where it is not known.

    Example:
        >>> family_of("Z-80A"), family_of("something")
        ('z80', None)
    """
    plain = "".join(char for char in (processor or "").lower() if char.isalnum())
    found = [name for name in _PROCESSORS if name in plain]
    return _PROCESSORS[max(found, key=len)] if found else None


def program_of(words: Words, bits: int) -> Program | None:
    """The family of processors that an image is a program for, and where its code lies.

    Args:
        words: Shape (n,), the settled image.
        bits: Bits a word.

    Returns:
        None for widths other than 8 and 16, and for images too small or too large to say; nothing is raised.
    """
    if bits not in {8, 16} or not len(words) * bits // 8 >= _LEAST_BYTES or len(words) > _MOST_WORDS:
        return None
    if bits == 8:
        data = np.ascontiguousarray(words, dtype=np.uint8)
        chosen = choose(family_readings(data), data)
    else:
        high, low = (words.astype(order).view(np.uint8) for order in (">u2", "<u2"))
        readings = [*family_readings(high, _HIGH_FIRST), *family_readings(low, _LOW_FIRST)]
        chosen = choose(sorted(readings, key=lambda one: -one.nats), high)
        data = low if chosen.best is not None and chosen.best.name in _LOW_FIRST else high
    return Program(chosen, _code(data, chosen, bits))


def _code(data: Bytes, chosen: Named, bits: int) -> tuple[tuple[int, int], ...]:
    """The word ranges that are code; none where the family is not known."""
    if chosen.best is None or chosen.families == ("unknown",):
        return ()
    units = bits // 8
    found = [(start // units, end // units) for start, end in code_stretches(data, chosen.best.name)]
    return tuple(one for one in found if one[1] - one[0] >= _LEAST_CODE)


def with_code(cut: Sequence[Region], program: Program | None, words: Words, bits: int) -> tuple[Region, ...]:
    """Regions in which dense stretches that read as a program are told as code.

    Text, fills, tables and repeats stay what they are: a program's own constants lie among its instructions.

    Args:
        cut: As `regions` gives them.
        program: As `program_of` gives it.
        words: Shape (n,), the image.
        bits: Bits a word.
    """
    if program is None or not program.code:
        return tuple(cut)
    out: list[Region] = []
    for region in cut:
        if region.kind != "dense":
            out.append(region)
            continue
        for kind, start, end in _split(region, program.code):
            detail: RegionDetail = {
                "preview": hex_words(words[start:end], bits),
                "entropy_bits": round(entropy_bits(words[start:end]), 2),
            }
            if kind == "code":
                detail["families"] = list(program.named.families)
            out.append(Region(kind, start, end, detail))
    return tuple(out)


def _split(
    region: Region, code: Sequence[tuple[int, int]]
) -> Iterator[tuple[Literal["code", "dense"], int, int]]:
    """One dense region cut where code begins and ends."""
    at = region.start
    for start, end in code:
        low, high = max(start, region.start), min(end, region.end)
        if high - low < min(_LEAST_CODE, region.end - region.start):
            continue
        if low > at:
            yield "dense", at, low
        yield "code", low, high
        at = high
    if at < region.end:
        yield "dense", at, region.end


def _spoken(families: Sequence[str]) -> str:
    return " or ".join(_TOLD.get(name, name) for name in families)


def program_findings(chip: str, program: Program | None, processor: str | None = None) -> tuple[Finding, ...]:
    """The note `runs-on`, where the content reads as a program of a known family.

    Content of no known family is told in the evidence of no finding: silence says it.

    Args:
        chip: Its id.
        program: As `program_of` gives it.
        processor: The board's, as the sheet has it; it changes no odds.
    """
    if program is None or program.named.best is None or program.named.families == ("unknown",):
        return ()
    named, best = program.named, program.named.best
    sheet, beside, what_next = _beside_the_sheet(named.families, processor)
    return (
        Finding(
            code=Code.RUNS_ON,
            severity=Severity.NOTE,
            chip=chip,
            where={"ranges": [list(one) for one in program.code[:64]]},
            evidence={
                "families": list(named.families),
                "odds": _told_odds(named.odds),
                "branches": best.branches,
                "landing": best.landing,
                "nats": round(best.nats, 1),
            }
            | ({"sheet": sheet} if sheet else {}),
            means=f"reads as a program for {_spoken(named.families)}, {in_hundred(named.odds)}: "
            f"{best.landing} of {best.branches} branches and calls land where instructions begin{beside}",
            also="a family that shares most of these instructions; a program for a larger member of the "
            "family, or for a processor that is not among those known here, 32-bit code among them; of "
            "single bits it says nothing",
            next=advise(what_next),
        ),
    )


def read_for(program: Program | None) -> ReadFor | None:
    """The families of a content, `unknown` among them; None where no program is looked for."""
    if program is None:
        return None
    return {"families": list(program.named.families), "odds": _told_odds(program.named.odds)}


def _told_odds(odds: float) -> float:
    return min(round(odds, 4), _SUREST)


def _beside_the_sheet(families: Sequence[str], processor: str | None) -> tuple[str, str, str]:
    """What the sheet's word adds to `runs-on`: a word, the end of a sentence, and the step that follows."""
    if not processor:
        return "", "", "say-processor"
    known = family_of(processor)
    said = processor[:_MOST_SAID]
    if known is None:
        return (
            "not known",
            f"; the sheet says {said}, whose instructions are not known here",
            "say-kin-processor",
        )
    if known in {READ_FOR.get(family, family) for family in families}:
        return "agrees", f", as the sheet says ({said})", "processor-said"
    return "another", f"; the sheet says {said}, which is another", "compare-processor"


def flow_evidence(words: Words, bits: int, *, speaking: bool = False) -> Witness | None:
    """What a program's flow says for the order of an image's words, to be held against another order of them.

    Distances that stay within the image by chance are left out. A program of which more than a few branches
    go astray does not speak, since crossed high lines leave most of them standing; what is left of it is held
    against another order all the same.

    Args:
        words: Shape (n,), the image.
        bits: Bits a word.
        speaking: What does not speak is not asked for.

    Returns:
        None where nothing reads as any program.
    """
    program = program_of(words, bits)
    if program is None or program.named.best is None:
        return None
    best = program.named.best
    lands = program.named.families != ("unknown",) and best.landing >= _HOLDS * best.branches
    if speaking and not lands:
        return None
    left = max(float(worth(Stored([words], bits), best.name)[0]), 0.0)
    holds = lands and left >= _LEAST_FLOW
    family = _spoken(program.named.families)
    told = f"as a program for {family} {best.landing} of {best.branches} branches and calls land"
    return Witness(left if holds else 0.0, left, told, fails=_FLOW_FAILS)


def order_search(
    words: Words, bits: int, program: Program | None = None, processor: str | None = None
) -> Orders | None:
    """What an image is worth as a program in each order of its lines, where there is a reason to ask.

    The search costs some tens of milliseconds a family, so it is made only where the image reads as a program
    of which some branches go astray, or where it reads as none and the board's processor is known. Exchanged
    high lines leave most branches standing: of a program that holds, only those that promise to read better
    are tried, and one that does is then held against every order.

    Args:
        words: Shape (n,), the settled image.
        bits: Bits a word.
        program: What it reads as in the order as read.
        processor: The board's, as the sheet has it.
    """
    best = program.named.best if program else None
    if program is None or best is None or program.named.families == ("unknown",):
        board = family_of(processor)
        return orders_of(words, bits, board) if board else None
    if best.landing < _HOLDS * best.branches:
        return orders_of(words, bits, best.name)
    high = likely_orders(words, bits, best.name)
    found = orders_of(words, bits, best.name, high) if high else None
    return found if found is None or crossed_in(found) is None else orders_of(words, bits, best.name)


def crossing_findings(chip: str, found: Orders | None, part: Part | None = None) -> tuple[Finding, ...]:
    """The caution `lines-crossed`: the image reads as a program only with one exchange or inversion undone.

    Args:
        chip: Its id.
        found: As `order_search` gives it.
        part: The chip's catalogue entry, for its pins.
    """
    crossed = None if found is None else crossed_in(found)
    return () if crossed is None else (_crossing(chip, crossed, part),)


def _crossing(chip: str, crossed: Crossed, part: Part | None) -> Finding:
    """Which two lines, exchanged, or which one, inverted, would make the image a program."""
    return crossed_finding(
        chip,
        crossed.crossing,
        part,
        evidence={
            "family": crossed.family,
            "odds": round(crossed.odds, 4),
            "nats": round(crossed.nats, 1),
            "gain": round(crossed.gain, 1),
            "next_best": round(crossed.margin, 1),
        },
        reads=f"reads as a program for {_TOLD.get(crossed.family, crossed.family)} only",
    )

"""Contested bits and the program's flow: which reading keeps it, as evidence for a person, no vote."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.flow import Settled
from pipeline.stages.content.flow_of_control.kept_bits import keeps_bits
from pipeline.stages.content.program import READ_FOR, Program, family_of
from pipeline.summed_up import counted
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.record import ContestedFlow

_MOST_BITS = 64
"""With more bits contested the readings are two contents, or a line is loose, and each has a finding."""
_MOST_READINGS = 8


def contested_flow(
    settled: Settled, program: Program | None, processor: str | None = None
) -> ContestedFlow | None:
    """What the flow of control says of bits without settlement.

    Args:
        settled: The image with its passes.
        program: What it is a program for.
        processor: The board's, as the sheet has it.

    Returns:
        None where nothing is contested, much is, no program is known, or no reading stands out.
    """
    family = _family(program, processor)
    bits = int(np.bitwise_count(settled.contested).sum())
    if family is None or not 0 < bits <= _MOST_BITS or settled.frame_contested:
        return None
    if settled.organisation.bits not in {8, 16}:
        return None
    variants: dict[bytes, list[str]] = {}
    images: list[Words] = []
    for one in settled.passes:
        if one.present is not None:
            continue
        image = settled.words & ~settled.contested | one.words & settled.contested
        names = variants.setdefault(image.tobytes(), [])
        if not names:
            images.append(image)
        names.append(f"{one.reading}/{one.number}")
    if not 2 <= len(images) <= _MOST_READINGS:
        return None
    kept = keeps_bits(images, settled.organisation.bits, family)
    return None if kept is None else _told(list(variants.values()), kept.chosen, kept.breaks, family)


def _family(program: Program | None, processor: str | None) -> str | None:
    known = family_of(processor)
    if known or program is None or program.named.families == ("unknown",):
        return known
    first = program.named.families[0]
    return READ_FOR.get(first, first)


def _told(names: list[list[str]], chosen: int, breaks: tuple[int, ...], family: str) -> ContestedFlow:
    others = [
        f"{', '.join(some)} {_verb(some, 'breaks', 'break')} it in {counted(count, 'place')}"
        if count
        else f"{', '.join(some)} {_verb(some, 'has', 'have')} rarer instructions"
        for number, (some, count) in enumerate(zip(names, breaks, strict=True))
        if number != chosen
    ]
    keeps = names[chosen]
    return {
        "family": family,
        "keeps": keeps,
        "breaks": {name: count for some, count in zip(names, breaks, strict=True) for name in some},
        "says": f"{', '.join(keeps)} {_verb(keeps, 'keeps', 'keep')} the program's flow; "
        f"{'; '.join(others)}. Evidence, and no vote: of such words about eight bits in code one in a "
        "hundred was wrong",
    }


def _verb(names: list[str], one: str, more: str) -> str:
    return one if len(names) == 1 else more

"""Chips made of images for the tests of examining.

One pass an image, readers and sittings as the test says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from pipeline.catalogue import load
from pipeline.flow import Pass, Settled, Subject
from pipeline.stages.examine import examine
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation
from schemas.part import Part
from tests.kit.images import code
from tests.kit.wires import Image


def program(words: int = 2048, seed: int = 7) -> Image:
    """A program-like image of bytes."""
    return code(np.random.default_rng(seed), words)[0]


def passes_of(
    images: Iterable[Words],
    *,
    readers: Sequence[str] = (),
    sittings: Sequence[str] = (),
    when: Sequence[str] = (),
    supply_v: Sequence[float] = (),
) -> tuple[Pass, ...]:
    def at(values: Sequence[str], index: int, otherwise: str) -> str:
        return values[index] if values else otherwise

    return tuple(
        Pass(
            reading=f"R{index + 1}",
            reader=at(readers, index, "bench"),
            sitting=at(sittings, index, "first"),
            number=index + 1,
            words=words,
            when=at(when, index, ""),
            supply_v=supply_v[index] if supply_v else None,
        )
        for index, words in enumerate(images)
    )


def subject_of(
    passes: tuple[Pass, ...],
    *,
    bits: int = 8,
    part: Part | None = None,
    length_findings: tuple[Finding, ...] = (),
    erased_state: int | None = None,
) -> Subject:
    words = passes[0].words
    contested = np.bitwise_or.reduce([words ^ one.words for one in passes])
    organisation = Organisation(int(words.size), bits)
    settled = Settled(organisation, words, contested, passes)
    return Subject("U7", organisation, settled, part, length_findings, erased_state)


def findings_in(
    *images: Words, bits: int = 8, part: str = "", readers: Sequence[str] = ()
) -> tuple[Finding, ...]:
    """Examine images as the passes of one chip."""
    known = load().find(part) if part else None
    return examine(subject_of(passes_of(images, readers=readers), bits=bits, part=known))


def only(findings: Iterable[Finding], code: Code) -> list[Finding]:
    return [one for one in findings if one.code is code]


def faults(findings: Iterable[Finding]) -> list[Finding]:
    return [one for one in findings if one.severity is Severity.FAULT]


def line_of(finding: Finding) -> str:
    return str(finding.where["line"])

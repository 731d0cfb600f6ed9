"""Examining: what one chip's readings show of how they went wrong, down to the package pin.

The plan of `examine`:

1. One image is judged, or one a reader where the readers' images differ: blank or undriven, data lines,
   address lines, transport. Cheap counts come first (`census`); the dear tests run only where one of them
   fires.
2. The same fault seen by two readers is a caution (leg, chip or design); one reader's alone is that reader's.
3. The passes are judged against each other: damaged on the way, faulty by themselves, loose contact, fading,
   flicker. Moves between them were found and undone before.
4. Only then are documents made, with the pins of the part.

Pure, and it raises on no content. One module is one family of reading fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.flow import Pass, Subject
from pipeline.in_step import InSteps, by_itself
from pipeline.stages.examine.address_lines import address_line_findings
from pipeline.stages.examine.census import Census, take
from pipeline.stages.examine.data_lines import data_line_findings
from pipeline.stages.examine.half_driven import half_driven_findings
from pipeline.stages.examine.late_lines import late_line_findings
from pipeline.stages.examine.late_words import late_word_findings
from pipeline.stages.examine.odd_reading import RELATIONS, faults_of_one_reading
from pipeline.stages.examine.passes import (
    NEAR_SHARE,
    all_alike,
    damaged_on_the_way,
    distinct,
    noisy_lines,
    pass_suspicions,
    reference_of,
)
from pipeline.stages.examine.read_on import read_on_findings
from pipeline.stages.examine.suspicion import Suspicion, as_finding, in_order, seen_by
from pipeline.stages.examine.transport import transport_findings
from pipeline.stages.examine.undriven import undriven_findings
from pipeline.words import Words
from schemas.finding import Code, Severity
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.finding import Finding
    from schemas.part import Part

STREAM_DAMAGE = frozenset([Code.TEXT_DAMAGE, Code.NEWLINE_DAMAGE])
"""Damage that only a bare stream of bytes can take: everything behind it moves."""
FUSE_BITS = 1
"""Words of one bit are the fuses of a logic device: it has neither address nor data lines to go wrong."""

__all__ = ["examine", "examine_in_steps", "image_findings", "in_order"]


def examine(subject: Subject) -> tuple[Finding, ...]:
    """As `examine_in_steps`, of one chip by itself."""
    return by_itself(examine_in_steps(subject))


def examine_in_steps(subject: Subject) -> InSteps[tuple[Finding, ...]]:
    """Everything that can be seen in one chip's readings, faults first.

    A restorer asks whether the chip is bad or was read badly; each finding says which line, which pin, how
    sure, what else looks the same, and which reading would settle it.

    Args:
        subject: The settled chip with its passes and, where known, its part.

    Returns:
        Findings sorted by severity, code and place, the length findings among them.

    Raises:
        Nothing, whatever the content.
    """
    settled, part = subject.settled, subject.part
    bits = subject.organisation.bits
    erased = subject.erased_state
    if erased is None and part is not None:
        erased = part.erased_state
    fades_to = part.fades_to if part is not None else None
    suspicions = yield from _suspicions(
        settled.passes, subject.as_read, settled.words, bits, erased, fades_to
    )
    if bits == FUSE_BITS:
        suspicions = [one for one in suspicions if one.code == Code.UNSTABLE_BITS]
    if all(one.addressed for one in settled.passes):
        suspicions = [one for one in suspicions if one.code not in STREAM_DAMAGE]
    findings = [as_finding(one, subject.chip, part) for one in suspicions]
    return in_order([*findings, *subject.length_findings]) if findings or subject.length_findings else ()


def _suspicions(
    settled_passes: tuple[Pass, ...],
    as_read: tuple[Pass, ...],
    words: Words,
    bits: int,
    erased: int | None,
    fades_to: int | None,
) -> InSteps[list[Suspicion]]:
    passes = distinct(settled_passes)
    hurt = damaged_on_the_way(reference_of(passes, words), distinct(as_read or settled_passes), bits)
    damaged = {reading for _, one in hurt for reading in one.where.get("readings", ())}
    sound = tuple(one for one in passes if one.reading not in damaged) or passes
    odd, at_fault = faults_of_one_reading(
        sound, lambda one: by_itself(_of_image(one.words, bits, one.present, erased))
    )
    sound = tuple(one for one in sound if one.reading not in at_fault) or sound
    between = pass_suspicions(sound, reference_of(sound, words), bits, fades_to)
    images = yield from _of_images(sound, words, bits, erased, noisy_lines(between))
    return [*images, *(one for _, one in hurt), *odd, *_told_once(images, between, sound)]


def image_findings(
    chip: str, organisation: Organisation, part: Part | None, words: Words
) -> tuple[Finding, ...]:
    """What one image shows by itself.

    Args:
        chip: Its id.
        organisation: Words and bits.
        part: Its catalogue entry, where known.
        words: Shape (words,).
    """
    erased = part.erased_state if part is not None else None
    found = by_itself(_of_image(words, organisation.bits, None, erased))
    return in_order([as_finding(one, chip, part) for one in found])


def _of_image(
    words: Words,
    bits: int,
    known: NDArray[np.bool_] | None,
    erased: int | None,
    noisy: tuple[int, ...] = (),
) -> InSteps[list[Suspicion]]:
    if words.size == 0 or bits == FUSE_BITS or (known is not None and not known.any()):
        return []
    census = take(words, bits, known)
    found = undriven_findings(census, erased)
    if found:
        return found
    for detector in _DETECTORS:
        yield
        found += detector(census, noisy)
    return found


_DETECTORS: tuple[Callable[[Census, tuple[int, ...]], list[Suspicion]], ...] = (
    data_line_findings,
    lambda census, _: address_line_findings(census),
    lambda census, _: half_driven_findings(census),
    lambda census, _: late_word_findings(census),
    lambda census, _: late_line_findings(census),
    lambda census, _: read_on_findings(census),
    transport_findings,
)
"""Each with the data lines that are known to be noisy, which some leave out; findings come in this order."""


def _of_images(
    passes: tuple[Pass, ...], settled: Words, bits: int, erased: int | None, noisy: tuple[int, ...]
) -> InSteps[list[Suspicion]]:
    readers = tuple(dict.fromkeys(one.reader for one in passes))
    if not passes or all_alike(passes):
        # Not the settled image: where another reading was set apart it may carry that one's words.
        seen = passes[0].words if passes else settled
        found = yield from _of_image(seen, bits, _present(passes), erased)
        return [seen_by(one, readers, readers) for one in found] if len(readers) > 1 else found
    if len(readers) > 1:
        return (yield from _by_reader(passes, readers, settled, bits, erased, noisy))
    if _pieces(passes):
        return (yield from _of_image(settled, bits, _present(passes), erased, noisy))
    # Where passes disagree the settled image is put together of several; one pass as it was read shows a
    # fault best.
    image = reference_of(passes, settled)
    return (yield from _of_image(image.words, bits, image.present, erased, noisy))


def _present(passes: tuple[Pass, ...]) -> NDArray[np.bool_] | None:
    """Where at least one pass has a word; None where all have."""
    if not passes or any(one.present is None for one in passes):
        return None
    known = np.zeros(passes[0].words.size, dtype=np.bool_)
    for one in passes:
        if one.present is not None:
            known |= one.present
    return known


def _pieces(passes: tuple[Pass, ...]) -> bool:
    """Whether no pass is whole, and none contradicts another: pieces of one image, read one by one."""
    if any(one.complete for one in passes):
        return False
    return not any(
        bool(((one.words != other.words) & one.present & other.present).any())
        for one, other in combinations(passes, 2)
        if one.present is not None and other.present is not None
    )


def _by_reader(
    passes: tuple[Pass, ...],
    readers: tuple[str, ...],
    settled: Words,
    bits: int,
    erased: int | None,
    noisy: tuple[int, ...],
) -> InSteps[list[Suspicion]]:
    """Judge each reader's image by itself, then put together what several show alike."""
    shown: dict[tuple[object, ...], tuple[Suspicion, list[str]]] = {}
    for reader in readers:
        own = tuple(one for one in passes if one.reader == reader)
        image = reference_of(own, settled)
        for one in (yield from _of_image(image.words, bits, image.present, erased, noisy)):
            kept, by = shown.setdefault(one.key, (one, []))
            by.append(reader)
            if len(by) > 1 and float(one.evidence.get("p_value", 0)) > float(kept.evidence.get("p_value", 0)):
                shown[one.key] = (replace(kept, evidence=one.evidence), by)
    return [_set_aside(seen_by(one, tuple(by), readers), by, passes) for one, by in shown.values()]


def _set_aside(told: Suspicion, by: list[str], passes: tuple[Pass, ...]) -> Suspicion:
    """A fault that one reader's readings alone carry: they are named, with the words that set them aside."""
    if len(by) > 1 or told.code not in RELATIONS or told.severity is not Severity.FAULT:
        return told
    own = list(dict.fromkeys(one.reading for one in passes if one.reader == by[0]))
    words = f"{told.code.value} {' and '.join(told.lines)}".strip()
    after = step("set-aside-reading", reading=" and ".join(own), fault=words)
    return replace(told, evidence={**told.evidence, "readings": own}, next=after)


def _told_once(
    images: list[Suspicion], between: list[Suspicion], passes: tuple[Pass, ...]
) -> list[Suspicion]:
    """What passes show against each other, but for what one reader's dead line makes by itself."""
    dead = [one for one in images if one.code is Code.ADDRESS_LINE_DEAD and len(one.readers) == 1]
    if not any(_makes_all(one, passes) for one in dead):
        return between
    told = (Code.INTERMITTENT_LINE, Code.UNSTABLE_BITS)
    return [one for one in between if one.code not in told]


def _makes_all(dead: Suspicion, passes: tuple[Pass, ...]) -> bool:
    """Whether each other reader's words, read with this line dead, are what its reader read."""
    bit = 1 << int(dead.lines[0][1:])
    own = [one for one in passes if one.reader in dead.readers]
    others = [one for one in passes if one.reader not in dead.readers]
    at = np.arange(own[0].words.size) if own else np.zeros(0, np.intp)
    if not others or at.size & (at.size - 1):
        return False

    def alike(one: Pass, other: Pass) -> bool:
        made = (other.words[at & ~bit], other.words[at | bit])
        return any(np.count_nonzero(one.words != each) <= NEAR_SHARE * at.size for each in made)

    return all(alike(one, other) for one in own for other in others)

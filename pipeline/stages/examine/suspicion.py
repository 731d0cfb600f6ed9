"""What a detector hands over: a finding before it knows its chip, its pins and how many readers saw it.

Detectors run on thousands of healthy images for each faulty one, so they make these light values; the
documents of `schemas.finding` are built once, at the end, and only where something was found.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import NextStep, advise
from pipeline.stages.examine.odds import of_several_readers
from schemas.finding import Code, Details, Finding, Severity

if TYPE_CHECKING:
    from schemas.part import Part

_RANK = {Severity.FAULT: 0, Severity.CAUTION: 1, Severity.NOTE: 2}


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One thing noticed, with its evidence, before it is attributed.

    Attributes:
        code: What kind.
        severity: How sure.
        where: Lines, addresses, readings; plain JSON values.
        evidence: Numbers, with the p-value, the informative words and the hypotheses tried.
        means, also: Sentences for the bench.
        next: The step that would tell, filled in once the part is known.
        lines: The lines it names, for the pins and for telling whether two readers saw the same.
    """

    code: Code
    severity: Severity
    where: Details
    evidence: Details
    means: str
    also: str
    next: NextStep
    lines: tuple[str, ...] = ()
    readers: tuple[str, ...] = field(default=())

    @property
    def key(self) -> tuple[object, ...]:
        """Two suspicions with the same key are the same fault."""
        where = {name: value for name, value in self.where.items() if name not in {"readings", "readers"}}
        return (self.code, self.lines, repr(sorted(where.items(), key=lambda item: item[0])))


def seen_by(suspicion: Suspicion, readers: tuple[str, ...], of: tuple[str, ...]) -> Suspicion:
    """A fault seen alike by two readers is leg, chip or design; one seen by one of two is that reader's.

    Args:
        suspicion: What was noticed.
        readers: The readers whose passes show it.
        of: All readers of the chip.

    Returns:
        The suspicion with its readers named, a fault lowered to a caution where two readers agree.
    """
    if len(of) < 2:
        return suspicion
    where = {**suspicion.where, "readers": list(readers)}
    if len(readers) > 1:
        lowered = Severity.CAUTION if suspicion.severity is Severity.FAULT else suspicion.severity
        return replace(
            suspicion,
            severity=lowered,
            where=where,
            evidence=of_several_readers(suspicion.evidence),
            readers=readers,
            means=f"{suspicion.means} {len(readers)} readers show it alike, so it is the chip's leg, the "
            "chip itself, an adapter that they shared, or how it was designed, not a reader.",
        )
    return replace(
        suspicion,
        where=where,
        readers=readers,
        means=(
            f"{suspicion.means} Only reader {readers[0]} shows it, so look at that reader's socket and "
            f"wires first."
        ),
    )


def as_finding(suspicion: Suspicion, chip: str, part: Part | None) -> Finding:
    """The document of a suspicion, with the package pins of its lines where the part is known."""
    where = dict(suspicion.where)
    pins = pins_of(part, suspicion.lines)
    means = suspicion.means
    if pins:
        where["pins"] = pins
        named = ", ".join(map(_pin_in_words, pins))
        means = f"{means} On this package {named}."
    return Finding(
        code=suspicion.code,
        severity=suspicion.severity,
        chip=chip,
        where=where,
        evidence=dict(suspicion.evidence),
        means=means,
        also=suspicion.also,
        next=advise(replace(suspicion.next, lines=suspicion.lines), part),
    )


def _pin_in_words(pin: Details) -> str:
    """`A5 is pin 3`, with the maker's own label where it is another."""
    label = "" if pin.get("label") in {None, pin["line"]} else f", which its maker calls {pin['label']}"
    return f"{pin['line']} is pin {pin['pin']}{label}"


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Faults first, then by code and place, so that the same readings give the same document."""
    return tuple(sorted(findings, key=lambda one: (_RANK[one.severity], str(one.code), _place(one.where))))


def _place(where: Details) -> tuple[str, ...]:
    lines = where.get("lines") or [where.get("line", "")]
    padded = [f"{line[:1]}{line[1:].zfill(3)}" for line in lines]
    return (*padded, repr(sorted(where.items(), key=lambda item: item[0])))

"""The grade of a chip: how far the evidence goes, with its reasons, the first that applies.

A grade is about the settled image. A fault that belongs to one reading, and that the settled image does not
carry because other readings have the words, lowers nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.flow import Settled
from schemas.finding import Code, Finding, Severity
from schemas.record import Grade

STATE_WORDS = {
    "not-read": "not yet read",
    "read-failed": "tried and failed",
    "socket-empty": "the socket is empty",
    "on-loan": "on loan",
}


@dataclass(frozen=True, slots=True)
class Graded:
    """A grade, why, and what bears it."""

    grade: Grade
    reasons: tuple[str, ...]
    bears: dict[str, int]


def missing(state: str | None, attempts: int, set_aside: int) -> Graded:
    """The grade of a chip without a usable reading."""
    reasons = [STATE_WORDS[state].capitalize() if state else "The sheet does not say why there is no reading"]
    if attempts:
        reasons.append(f"{attempts} attempt{'s' if attempts > 1 else ''} in the sheet")
    if set_aside:
        reasons.append(f"{set_aside} reading{'s' if set_aside > 1 else ''} set aside")
    return Graded(Grade.MISSING, tuple(reasons), {"passes": 0, "sittings": 0, "readers": 0, "checks": 0})


def weigh_lengths(findings: Sequence[Finding], settled: Settled) -> tuple[Finding, ...]:
    """A short reading is a fault only while its missing words are nobody's."""
    absent_everywhere = bool(settled.passes) and _absent(settled)
    out = []
    for finding in findings:
        if finding.code is Code.SHORT_READ and not absent_everywhere:
            out.append(
                finding.model_copy(
                    update={
                        "severity": Severity.CAUTION,
                        "also": finding.also + " Other passes have the missing words; they settle the image.",
                    }
                )
            )
        else:
            out.append(finding)
    return tuple(out)


def _absent(settled: Settled) -> int:
    there = np.zeros(settled.organisation.words, np.bool_)
    for one in settled.passes:
        if one.present is None:
            return 0
        there |= one.present
    return int((~there).sum())


def concerns_image(finding: Finding) -> bool:
    """Whether a finding is about the settled image rather than about one reading beside others."""
    return bool(
        finding.where.get("image", "readings" not in finding.where or finding.code is Code.SHORT_READ)
    )


def grade(
    settled: Settled,
    findings: Sequence[Finding],
    *,
    checks: int = 0,
    lifting: Sequence[str] = (),
    reader_notes: Sequence[str] = (),
) -> Graded:
    """The grade of one chip that has passes.

    Args:
        settled: The image and its passes.
        findings: All findings of the chip.
        checks: Embedded checks that hold.
        lifting: What lifts the grade to `self-checked`, a sentence each.
        reader_notes: What is known about the readers, such as their qualification.
    """
    passes = settled.passes
    readers = list(dict.fromkeys(one.reader for one in passes))
    sittings = {(one.reader, one.sitting) for one in passes}
    bears = {"passes": len(passes), "sittings": len(sittings), "readers": len(readers), "checks": checks}
    faults = [one for one in findings if one.severity is Severity.FAULT and concerns_image(one)]
    contested = int(np.bitwise_count(settled.contested).sum())
    who = " and ".join(readers) if len(readers) < 3 else f"{len(readers)} readers"
    count = f"{len(passes)} pass{'es' if len(passes) != 1 else ''}"
    if faults:
        named = list(dict.fromkeys(_named(one) for one in faults))
        return Graded(
            Grade.FAULTY, (f"The image carries a reading fault: {', '.join(named)}", *reader_notes), bears
        )
    if contested:
        words = int(np.count_nonzero(settled.contested))
        reason = (
            f"{contested} bit{'s' if contested != 1 else ''} in {words} word{'s' if words != 1 else ''} "
            f"without settlement"
        )
        return Graded(Grade.CONTESTED, (reason, f"{count} by {who}", *reader_notes), bears)
    if lifting:
        return Graded(Grade.SELF_CHECKED, (*lifting, f"{count} by {who}", *reader_notes), bears)
    if len(_speaking(settled)) >= 2:
        return Graded(Grade.CORROBORATED, (f"{who} agree on every bit ({count})", *reader_notes), bears)
    alone = _read_once(settled)
    if len(passes) >= 2 and alone:
        reason = f"{alone} word{'s' if alone != 1 else ''} rest on one pass alone ({count} by {who})"
        return Graded(Grade.SINGLE, (reason, *reader_notes), bears)
    if len(passes) >= 2:
        return Graded(Grade.REPEATABLE, (f"{count} by {who} agree on every bit", *reader_notes), bears)
    return Graded(Grade.SINGLE, (f"One pass by {who}", *reader_notes), bears)


def _speaking(settled: Settled) -> set[str]:
    """Readers that have every word of the chip in some pass."""
    out = set()
    for reader in {one.reader for one in settled.passes}:
        there = np.zeros(settled.organisation.words, np.bool_)
        for one in settled.passes:
            if one.reader == reader:
                there |= True if one.present is None else one.present
        if there.all():
            out.add(reader)
    return out


def _read_once(settled: Settled) -> int:
    """How many words only one pass has: nothing has repeated those."""
    times = np.zeros(settled.organisation.words, np.int64)
    for one in settled.passes:
        times += 1 if one.present is None else one.present
    return int((times < 2).sum())


def _named(finding: Finding) -> str:
    lines: Any = finding.where.get("line") or finding.where.get("lines") or ""
    text = lines if isinstance(lines, str) else " and ".join(str(line) for line in lines)
    return f"{finding.code.value} {text}".strip()

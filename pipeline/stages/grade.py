"""The grade of a chip: how far the evidence goes, with its reasons, the first that applies.

A grade is about the settled image. A fault that belongs to one reading, and that the settled image does not
carry because other readings have the words, lowers nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from pipeline.flow import Pass, Settled
from pipeline.voices import times_read, unanimous, voice
from pipeline.words import Words
from schemas.finding import Code, Details, Finding, Severity

if TYPE_CHECKING:
    from schemas.record import Bears
from schemas.vocabulary import Grade

STATE_WORDS = {
    "not-read": "not yet read",
    "read-failed": "tried and failed",
    "socket-empty": "the socket is empty",
    "on-loan": "on loan",
}


class Graded(NamedTuple):
    """A grade, why, and what bears it."""

    grade: Grade
    reasons: tuple[str, ...]
    bears: Bears


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
    absent_everywhere = settled.known is not None
    out = []
    for finding in findings:
        if finding.code is Code.SHORT_READ and not absent_everywhere:
            out.append(
                replace(
                    finding,
                    severity=Severity.CAUTION,
                    also=finding.also + " Other passes have the missing words; they settle the image.",
                )
            )
        elif _of_words_too_many(finding) and any(not one.length_off for one in settled.passes):
            # Another pass has exactly the chip's words, and the frames were settled against it.
            out.append(replace(finding, evidence={**finding.evidence, "holds_back": False}))
        else:
            out.append(finding)
    return tuple(out)


def _of_words_too_many(finding: Finding) -> bool:
    """Whether a reading is too long by words, not by bits of a word."""
    return finding.code is Code.LONG_READ and not finding.where.get("extra_bits")


def concerns_image(finding: Finding) -> bool:
    """Whether a finding is about the settled image rather than about one reading beside others."""
    return is_of_image(finding.code, finding.where)


def is_of_image(code: Code, where: Details) -> bool:
    """The same for a finding as the record keeps it, whose code is plain text."""
    return bool(where.get("image", "readings" not in where or code == Code.SHORT_READ))


def grade(
    settled: Settled,
    findings: Sequence[Finding],
    *,
    checks: int = 0,
    lifting: Sequence[str] = (),
    reader_notes: Sequence[str] = (),
) -> Graded:
    """The grade of one chip that has passes: that of its weakest bit.

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
    bears: Bears = {
        "passes": len(passes),
        "sittings": len(sittings),
        "readers": len(readers),
        "checks": checks,
    }
    who = " and ".join(readers) if len(readers) < 3 else f"{len(readers)} readers"
    by = f"{len(passes)} pass{'es' if len(passes) != 1 else ''} by {who}"
    ordered = settled.framing.reasons() if settled.framing is not None else ()
    after = (*(f"Order: {reason}" for reason in ordered), *reader_notes)
    faults = [one for one in findings if one.severity is Severity.FAULT and concerns_image(one)]
    if faults:
        named = list(dict.fromkeys(_named(one) for one in faults))
        reason = f"The image carries a reading fault: {', '.join(named)}"
        return Graded(Grade.FAULTY, (reason, *reader_notes), bears)
    if unsettled := _unsettled(settled):
        return Graded(Grade.CONTESTED, (*unsettled, by, *after), bears)
    if lifting:
        return Graded(Grade.SELF_CHECKED, (*lifting, by, *after), bears)
    named_grade, reason = _by_voices(settled, who, len(passes), by)
    return Graded(named_grade, (reason, *after), bears)


def lifted(
    graded: Graded,
    *,
    checks: int,
    lifting: Sequence[str],
    reader_notes: Sequence[str],
    borne_out: Sequence[str] = (),
) -> Graded:
    """The same grade once all chips together have spoken.

    Args:
        graded: Of the chip alone.
        checks: Embedded checks that hold, over several chips too.
        lifting: What lifts the grade to `self-checked`, a sentence each.
        reader_notes: What is known about the readers.
        borne_out: What lifts `single` and `repeatable` to `corroborated`: other specimens, a sentence each.
    """
    bears: Bears = {**graded.bears, "checks": checks or graded.bears["checks"]}
    reasons, given = graded.reasons, graded.grade
    if lifting and given in _LIFTED_FROM:
        given, reasons = Grade.SELF_CHECKED, (*dict.fromkeys(lifting), *reasons)
    if borne_out and given in (Grade.SINGLE, Grade.REPEATABLE):
        given, reasons = Grade.CORROBORATED, (*borne_out, *reasons)
    if given not in (Grade.MISSING, Grade.FAULTY):
        reasons = (*reasons, *reader_notes)
    return Graded(given, reasons, bears)


_LIFTED_FROM = frozenset([Grade.CORROBORATED, Grade.REPEATABLE, Grade.SINGLE])


def held_back(settled: Settled, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Codes of findings that make half or false content seriously possible, and that nothing has answered.

    A second independent reader that saw the same, or an answer in the sheet, releases the image.

    Args:
        settled: The image and its passes.
        findings: All findings of the chip, with the answers of the sheet.
    """
    return tuple(
        dict.fromkeys(
            one.code.value
            for one in findings
            if _holds_back(one) and not one.evidence.get("answer") and not _seen_by_two(one, settled)
        )
    )


def _seen_by_two(finding: Finding, settled: Settled) -> bool:
    """Whether a second reader saw the same: it shows it, or, where none is named, read every word.

    What no design explains, such as a dead line in the middle of a program, is doubted whoever reads it.
    """
    if finding.evidence.get("whoever_reads"):
        return False
    shown = finding.where.get("readers")
    if shown is not None and finding.code is not Code.LONG_READ:
        return len(shown) > 1
    whole = 0
    for reader in dict.fromkeys(one.reader for one in settled.passes):
        own = [one for one in settled.passes if one.reader == reader]
        straight = settled.order_checked or not any(one.moved for one in own)
        whole += straight and bool(times_read(own).all())
    return whole > 1


def _holds_back(finding: Finding) -> bool:
    """Whether a finding keeps an image apart that one reader alone stands behind."""
    if finding.code is Code.LINES_CROSSED:
        return finding.severity is Severity.CAUTION
    about_image = concerns_image(finding) or finding.code is Code.LONG_READ
    return bool(finding.evidence.get("holds_back")) and finding.severity is Severity.CAUTION and about_image


def _unsettled(settled: Settled) -> tuple[str, ...]:
    """What has no settlement: the frame, or bits."""
    out = []
    if settled.frame_contested and settled.framing is not None:
        out.append(f"Read in {len(settled.framing.frames)} orders, and nothing decides which is the chip's")
    doubt, read = settled.contested, settled.known
    if read is not None and doubt[~read].any():
        absent = int((~read).sum())
        out.append(f"No reading has {absent} word{'s' if absent != 1 else ''}")
        doubt = doubt[read]
    bits = int(np.bitwise_count(doubt).sum()) if doubt.any() else 0
    if bits:
        words = int(np.count_nonzero(doubt))
        out.append(
            f"{bits} bit{'s' if bits != 1 else ''} in {words} word{'s' if words != 1 else ''} unresolved"
        )
    return tuple(out)


def _by_voices(settled: Settled, who: str, count: int, by: str) -> tuple[Grade, str]:
    """The grade that voices give where every bit is settled.

    A pass that was brought in from another frame bears bits, not order: it makes no second reader unless the
    content itself says that the order is right.
    """
    agree = Grade.CORROBORATED, f"{who} agree on every bit ({count} passes)"
    brought = set() if settled.order_checked else {one.reader for one in settled.passes if one.moved}
    if unanimous(settled.passes) and len({one.reader for one in settled.passes} - brought) > 1:
        return agree
    full = np.array((1 << settled.organisation.bits) - 1, settled.words.dtype)
    once, twice = np.zeros_like(settled.words), np.zeros_like(settled.words)
    said: list[tuple[list[Pass], Words]] = []
    for reader in dict.fromkeys(one.reader for one in settled.passes):
        own = [one for one in settled.passes if one.reader == reader]
        ones, zeros = voice(own, full)
        spoken = ones | zeros
        said.append((own, spoken))
        if reader not in brought:
            twice |= once & spoken
            once |= spoken
    if bool((twice == full).all()):
        return agree
    weak = int(np.count_nonzero(twice != full))
    repeated = _read_by_two(settled, full)
    for own, spoken in said:
        repeated |= np.where(times_read(own) > 1, spoken, 0).astype(spoken.dtype)
    alone = int(np.count_nonzero(repeated != full))
    if count < 2:
        return Grade.SINGLE, f"One pass by {who}"
    if alone:
        return Grade.SINGLE, f"{_resting(alone)} on one pass alone ({by})"
    if bool(once.any()) and 0 < weak < settled.organisation.words:
        return Grade.REPEATABLE, f"{by}; {_resting(weak)} on one reader alone"
    return Grade.REPEATABLE, f"{by} agree on every bit"


def _resting(words: int) -> str:
    """`1 word rests`, `2 words rest`."""
    return "1 word rests" if words == 1 else f"{words} words rest"


def _read_by_two(settled: Settled, full: Words) -> Words:
    """Bits for which two readers speak, moved or not."""
    once, twice = np.zeros_like(settled.words), np.zeros_like(settled.words)
    for reader in dict.fromkeys(one.reader for one in settled.passes):
        ones, zeros = voice([one for one in settled.passes if one.reader == reader], full)
        twice |= once & (ones | zeros)
        once |= ones | zeros
    return twice


def _named(finding: Finding) -> str:
    lines: Any = finding.where.get("line") or finding.where.get("lines") or ""
    text = lines if isinstance(lines, str) else " and ".join(str(line) for line in lines)
    return f"{finding.code.value} {text}".strip()

"""Stage three: one decoded file becomes passes of exactly as many words as the chip has.

1. Each run of the file is laid out from its base address.
2. The reading's part of it is taken: a range, every n-th byte, a field of bits.
3. Packed nibbles are unpacked, bytes of wide words joined, as the sheet says.
4. Declared polarity and bit order of the reader are undone.
5. Length: exact is one pass; whole copies that agree are passes of one sitting; anything else is told, and
   padded or cut in the derived words only.

Every step is written down; `pipeline.steps` carries them out here and again for whoever checks.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from pipeline.catalogue.advice import advise
from pipeline.errors import AmbiguousError
from pipeline.flow import Pass, Step
from pipeline.formats import Decoded
from pipeline.lines import LineMap
from pipeline.steps import Units, apply_step, decode_step, lay_out
from pipeline.words import Words, true_ranges
from schemas.finding import Code, Details, Finding, Severity
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.sheet import Packed, Take

AGREE_SHARE = 1 / 32
"""Copies that differ in more words than this share are no copies of one chip; common practice, no source."""


class Manner(NamedTuple):
    """How a reading is to be understood: what its row and its reader say.

    Attributes:
        reading, reader, sitting, when, supply_v: See `Pass`.
        take, packed, byte_order: See the sheet.
        inverted, reversed_bits: The reader's declared polarity and bit order, to be undone.
        declared: What was declared to the decoder beyond the format (`token`, `word_order`, …).
        lines: A known crossing, from the chip to the reading, to be undone.
        addressed: The file prints the address of its words.
    """

    reading: str
    reader: str
    sitting: str
    when: str = ""
    supply_v: float | None = None
    take: Take | None = None
    packed: Packed | None = None
    byte_order: str | None = None
    inverted: bool = False
    reversed_bits: bool = False
    declared: tuple[tuple[str, Any], ...] = ()
    lines: LineMap | None = None
    addressed: bool = False


class Normalised(NamedTuple):
    """The passes of one file, and what was found about its length."""

    passes: tuple[Pass, ...]
    findings: tuple[Finding, ...]


def normalise(
    decoded: Decoded, *, chip: str, organisation: Organisation, manner: Manner, first_number: int = 1
) -> Normalised:
    """The passes that one file of a reading gives.

    Args:
        decoded: The file.
        chip: Id, for findings.
        organisation: What the chip has.
        manner: How to understand it.
        first_number: Number of the first pass.

    Raises:
        AmbiguousError: A wide word without a byte order, or fuses where words are wanted.
        FormatError: A range beyond the dump.
    """
    passes: list[Pass] = []
    findings: list[Finding] = []
    for run in range(len(decoded.runs)):
        units, steps = _units(decoded, run, organisation, manner)
        for piece, more in _lengths(units, chip, organisation, manner, findings):
            last = _last_steps(organisation, manner)
            done = piece
            for step in last:
                done = apply_step(done, step)
            all_steps = (*steps, *more, *last)
            passes.append(
                Pass(
                    reading=manner.reading,
                    reader=manner.reader,
                    sitting=manner.sitting,
                    number=first_number + len(passes),
                    words=done.values,
                    present=done.present,
                    steps=all_steps,
                    when=manner.when,
                    supply_v=manner.supply_v,
                    length_off=_length_off(units, organisation),
                    addressed=manner.addressed,
                )
            )
    return Normalised(tuple(passes), tuple(_merged(findings)))


def _last_steps(organisation: Organisation, manner: Manner) -> list[Step]:
    """The chip's own bits, then the crossing that the sheet knows of: it is about the chip's lines."""
    steps = [Step("narrow", {"bits": organisation.bits})]
    if manner.lines is not None and not manner.lines.is_identity:
        why = "The sheet says how the reader's lines were crossed."
        steps.append(Step("undo-lines", manner.lines.to_json(), why))
    return steps


def _length_off(units: Units, organisation: Organisation) -> int:
    """Words that a run has more or fewer than the chip; whole copies are no fault of a stream."""
    have, want = len(units.values), organisation.words
    if have == want:
        return 0
    if have % want == 0 and have and _copies(units, have // want, want) is not None:
        return 0
    return have - want


def _units(
    decoded: Decoded, run: int, organisation: Organisation, manner: Manner
) -> tuple[Units, tuple[Step, ...]]:
    """Steps 1 to 4: the chip's units, whatever their number."""
    if decoded.unit_bits == 1 and organisation.bits != 1:
        raise AmbiguousError(
            where=decoded.format,
            problem="the file holds fuses of a logic device, not words of a ROM",
            remedy="Name the logic device as the chip's part, or write how many fuses it has as its "
            "organisation, such as 2048x1",
        )
    per_word = organisation.bytes_a_word if decoded.unit_bits == 8 else 1
    size = 0 if manner.take else organisation.words * per_word
    first = decode_step(decoded, run, size=size, declared=dict(manner.declared))
    units = lay_out(decoded, first)
    steps = [first]
    for step in _plan(decoded.unit_bits, organisation, manner):
        units = apply_step(units, step)
        steps.append(step)
    return units, tuple(steps)


def _plan(unit_bits: int, organisation: Organisation, manner: Manner) -> Sequence[Step]:
    """The steps from a file's units to the chip's words, before any is carried out.

    Raises:
        AmbiguousError: Words of several bytes, and nothing says in which order they come.
    """
    steps = []
    if manner.take:
        settings: dict[str, Any] = {}  # `schemas.record.Settings`, while it is filled
        if manner.take.span:
            settings["range"] = list(manner.take.span)
        if manner.take.every:
            settings["every"], settings["first"] = manner.take.every, manner.take.first or 0
        if manner.take.bit_field:
            settings["bits"] = list(manner.take.bit_field)
        steps.append(Step("take", settings, "The sheet says that this part of the file is the chip's."))
    if manner.packed:
        steps.append(
            Step(
                "unpack",
                {"bits": organisation.bits, "first": manner.packed.first},
                "The sheet says that two words share a byte.",
            )
        )
    taken_bits = manner.take.bit_field if manner.take else None
    if organisation.bits > 8 and unit_bits == 8 and not taken_bits and not manner.packed:
        if manner.byte_order is None:
            raise AmbiguousError(
                where="byte_order",
                problem=(
                    f"a word of {organisation.bits} bits comes as {organisation.bytes_a_word} bytes, "
                    "and their order is not stated"
                ),
                remedy="write `byte_order: big` (most significant first) or `byte_order: little`",
            )
        joined = {
            "bytes": organisation.bytes_a_word,
            "bits": organisation.bytes_a_word * 8,
            "order": manner.byte_order,
        }
        steps.append(Step("join-bytes", joined, "The sheet says in which order a word's bytes come."))
    if manner.inverted or manner.reversed_bits:
        steps.append(Step("narrow", {"bits": organisation.bits}))
    if manner.inverted:
        steps.append(Step("invert", {}, "The sheet says that this reader delivers every bit inverted."))
    if manner.reversed_bits:
        steps.append(
            Step(
                "reverse-bits",
                {},
                "The sheet says that this reader delivers the data lines in reverse order.",
            )
        )
    return steps


def _lengths(
    units: Units, chip: str, organisation: Organisation, manner: Manner, findings: list[Finding]
) -> list[tuple[Units, tuple[Step, ...]]]:
    """Step 5: pieces of exactly the chip's words."""
    upper = _upper_bits(units, chip, organisation, manner)
    if upper:
        findings.append(upper)
    have, want = len(units.values), organisation.words
    if have == want:
        if units.present is not None and not units.present.all():
            findings.append(_short(chip, manner, organisation, int((~units.present).sum()), have, units))
        return [(units, ())]
    if have < want:
        findings.append(_short(chip, manner, organisation, want - have, have, units))
        pad = Step("pad", {"words": want}, "The dump is short; absent words are marked, not invented.")
        return [(apply_step(units, pad), (pad,))]
    if have % want == 0 and (copies := _copies(units, have // want, want)) is not None:
        findings.append(_over(chip, manner, organisation, have // want, copies))
        out: list[tuple[Units, tuple[Step, ...]]] = []
        for index in range(have // want):
            step = Step(
                "copy", {"index": index, "words": want}, "The address counter was wider than the chip."
            )
            out.append((apply_step(units, step), (step,)))
        return out
    findings.append(_long(chip, manner, organisation, units))
    cut = Step(
        "cut", {"words": want}, "The dump is longer than the chip and is not a whole number of copies."
    )
    return [(apply_step(units, cut), (cut,))]


def _copies(units: Units, count: int, words: int) -> int | None:
    """How many words differ between any of the copies; None where they are no copies of one chip."""
    if units.present is not None and not units.present.all():
        return None
    table = units.values[: count * words].reshape(count, words)
    differing = int((table != table[0]).any(axis=0).sum())
    return differing if differing <= max(2, words * AGREE_SHARE) else None


def _where(manner: Manner, **more: Any) -> Details:
    return {"readings": [manner.reading], "readers": [manner.reader], **more}


def _over(chip: str, manner: Manner, organisation: Organisation, copies: int, differing: int) -> Finding:
    return Finding(
        code=Code.OVER_READ,
        severity=Severity.NOTE,
        chip=chip,
        where=_where(manner, copies=copies),
        evidence={
            "copies": copies,
            "words_read": copies * organisation.words,
            "words": organisation.words,
            "words_that_differ": differing,
        },
        means=(
            f"The dump holds the chip's {organisation.words} words {copies} times: the reader counted "
            f"further than the chip has addresses. Each copy counts as a pass of one sitting."
        ),
        also=(
            "A chip of a larger organisation whose top address line is dead, or a small program stored "
            "several times in a larger chip."
        ),
        next=advise("compare-marking"),
    )


def _short(
    chip: str, manner: Manner, organisation: Organisation, missing: int, have: int, units: Units
) -> Finding:
    """Fewer words than the chip has; the missing ones are absent, and nothing stands for them."""
    also = "A smaller chip than declared; bytes lost on the serial line; a capture that was stopped early."
    if organisation.bits <= 4 and have * 2 == organisation.words:
        also = (
            "Two words packed in each byte (then say `packed: {first: high}` or low); a smaller chip "
            "than declared."
        )
    holes = []
    if units.present is not None:
        holes = [list(one) for one in true_ranges(~units.present)[:20]]
    return Finding(
        code=Code.SHORT_READ,
        severity=Severity.FAULT,
        chip=chip,
        where=_where(manner, missing=missing),
        evidence={
            "missing": missing,
            "words_read": organisation.words - missing,
            "words": organisation.words,
            "holes": holes,
        },
        means=(
            f"The dump lacks {missing} of the chip's {organisation.words} words. What is missing is "
            f"marked as absent; nothing stands for it."
        ),
        also=also,
        next=advise("count-words"),
    )


def _long(chip: str, manner: Manner, organisation: Organisation, units: Units) -> Finding:
    """More words than the chip has; what the further ones look like says whence they may come."""
    have, want = len(units.values), organisation.words
    extra = units.values[want:]
    head = units.values[: len(extra)]
    runs_on = len(extra) < want and len(extra) > 0 and bool((extra == head).all())
    still = bool((extra == extra[0]).all())
    could = []
    if runs_on:
        could.append("the counter ran on into the beginning again")
    if still:
        could.append("the further part is not driven (a chip smaller than the device was set to)")
    if have % want == 0 and not still:
        could += ["several chips merged in one file (then say `take`)", "the declared size is too small"]
    if organisation.bits <= 4 and have == want * 2:
        could.append("the file holds one nibble a byte twice, or another organisation")
    if not could:
        could = ["doubled or added bytes on the way", "a banner read as data", "a wrong declared size"]
    return Finding(
        code=Code.LONG_READ,
        severity=Severity.CAUTION,
        chip=chip,
        where=_where(manner, extra=have - want),
        evidence={
            "extra": have - want,
            "words_read": have,
            "words": want,
            "extra_repeats_start": runs_on,
            "extra_is_constant": still,
            "holds_back": not ((still and have % want == 0) or _only_ends_a_file(units.values, want)),
        },
        means=(
            f"The dump has {have} words, the chip {want}. The first {want} are used; the rest stays in "
            f"the file."
        ),
        also="; ".join(could).capitalize() + ".",
        next=advise("exact-length"),
    )


FILE_ENDS = frozenset([0x00, 0x0A, 0x0D, 0x1A])
"""What programs and editors put behind the last byte of a file: line ends, end of file. Common practice, no
source.
"""


def _only_ends_a_file(values: Words, want: int) -> bool:
    """Whether the words too many are a file's end, and no words that were doubled on the way.

    Doubled words push the chip's own last ones out: where those are alike, nothing tells the two apart.
    """
    extra = set(values[want:].tolist())
    return len(values) - want <= len(FILE_ENDS) and extra <= FILE_ENDS and int(values[want - 1]) not in extra


def _upper_bits(units: Units, chip: str, organisation: Organisation, manner: Manner) -> Finding | None:
    """Bits above the chip's own: constant is how readers fill them; varying says that they mean something.

    Then the chip may stand on the upper lines; where both halves are alike that is the same.
    """
    spare = units.bits - organisation.bits
    if spare <= 0 or len(units.values) == 0:
        return None
    values = units.values if units.present is None else units.values[units.present]
    upper = values >> np.array(organisation.bits, units.values.dtype)
    if len(upper) == 0 or bool((upper == upper[0]).all()):
        return None
    kinds = len(np.unique(upper))
    own = values & np.array((1 << organisation.bits) - 1, units.values.dtype)
    return Finding(
        code=Code.LONG_READ,
        severity=Severity.CAUTION,
        chip=chip,
        where=_where(manner, extra=0, extra_bits=spare),
        evidence={
            "extra_bits": spare,
            "different_upper_values": kinds,
            "words": organisation.words,
            "holds_back": not np.array_equal(upper, own),
        },
        means=(
            f"The {spare} bits above the chip's {organisation.bits} change from word to word ({kinds} "
            f"different values); they are left out of the image."
        ),
        also=(
            "Inputs of the reader that nothing drives, or a chip on the upper lines, or two chips in one "
            "file (say which bits are the chip's: `take: {bits: hi:lo}`); two words packed in a byte (then "
            "say `packed`)."
        ),
        next=advise("spare-inputs"),
    )


def _merged(findings: Sequence[Finding]) -> list[Finding]:
    """One finding for equal ones of several runs."""
    out: list[Finding] = []
    for finding in findings:
        if finding not in out:
            out.append(finding)
    return out

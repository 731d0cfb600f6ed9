"""Stage four: all passes of one chip become one settled image, and what stays contested.

1. The reference is the pass that most readers, then most passes, bear out; ties go to a device programmer,
   then to the sheet's order.
2. A pass that is rotated, slipped, inverted or line-swapped against the reference is brought into its order;
   the step is written down and the finding kept.
3. Bits are settled by the voices of readers: a reader speaks for a bit only where all its passes agree; a bit
   is settled where at least one reader speaks and none speaks against. Never by majority.
4. Everything else is contested: the image carries the programmed state where it is known which way such cells
   fade, else the first listed reading's value, and the mask says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.catalogue.advice import advise
from pipeline.flow import Pass, Settled, Step, Words, words_dtype
from pipeline.lines import LineMap, Relation, Slip, align, relate, suggest_wiring
from pipeline.steps import Units, apply_step
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation

NEAR_SHARE = 1 / 50
"""Two passes that differ in at most this share of words are in the same order; common practice, no source."""
MOST_LISTED = 1000


@dataclass(frozen=True, slots=True)
class Reconciled:
    """The settled image, and what bringing passes into line has found."""

    settled: Settled
    findings: tuple[Finding, ...]


def reconcile(
    passes: Sequence[Pass],
    *,
    chip: str,
    organisation: Organisation,
    fades_to: int | None = None,
    trusted: frozenset[str] = frozenset(),
) -> Reconciled | None:
    """The settled image of one chip.

    Args:
        passes: Of all readings that have a voice, in the sheet's order.
        chip: Id, for findings.
        organisation: Words and bits.
        fades_to: The level that this kind of cell fades to, where known.
        trusted: Ids of readers that break a tie in the choice of the reference (device programmers).

    Returns:
        None where there is no pass.
    """
    if not passes:
        return None
    first = passes[0]
    if all(_same(first, other) for other in passes[1:]):
        contested = np.zeros_like(first.words)
        if first.present is not None:
            contested[~first.present] = (1 << organisation.bits) - 1
        return Reconciled(Settled(organisation, first.words, contested, tuple(passes)), ())
    lined, findings = _into_line(passes, chip, organisation, trusted)
    words, contested = settle(lined, organisation, fades_to)
    return Reconciled(Settled(organisation, words, contested, lined), findings)


def _same(one: Pass, two: Pass) -> bool:
    if (one.present is None) != (two.present is None):
        return False
    if one.present is not None and not np.array_equal(one.present, two.present):  # type: ignore[arg-type]
        return False
    return bool(np.array_equal(one.words, two.words))


def _differing(one: Pass, two: Pass) -> int:
    """Words that differ, counted where both have one."""
    unlike = one.words != two.words
    for mask in (one.present, two.present):
        if mask is not None:
            unlike &= mask
    return int(unlike.sum())


def _reference(passes: Sequence[Pass], near: int, trusted: frozenset[str]) -> int:
    """Index of the pass that is best borne out."""
    best, choice = None, 0
    for index, one in enumerate(passes):
        alike = [
            other for other in passes if _differing(one, other) <= near and _complete(other) == _complete(one)
        ]
        readers = {other.reader for other in alike}
        rank = (_complete(one), len(readers), len(alike), one.reader in trusted)
        if best is None or rank > best:
            best, choice = rank, index
    return choice


def _complete(one: Pass) -> bool:
    return one.present is None or bool(one.present.all())


def _into_line(
    passes: Sequence[Pass], chip: str, organisation: Organisation, trusted: frozenset[str]
) -> tuple[tuple[Pass, ...], tuple[Finding, ...]]:
    near = max(2, int(organisation.words * NEAR_SHARE))
    reference = passes[_reference(passes, near, trusted)]
    out, findings = [], []
    for one in passes:
        if one is reference or (_differing(reference, one) <= near):
            out.append(one)
            continue
        moved, finding = _bring(reference, one, chip, organisation)
        out.append(moved)
        if finding:
            findings.append(finding)
    return tuple(out), tuple(findings)


def _stream(one: Pass) -> Words:
    """The words of a pass without the absent ones at its end."""
    if one.present is None:
        return one.words
    there = np.flatnonzero(one.present)
    return one.words[: int(there[-1]) + 1] if len(there) else one.words[:0]


def _bring(reference: Pass, one: Pass, chip: str, organisation: Organisation) -> tuple[Pass, Finding | None]:
    """One pass in the reference's order, where a proved relation says how."""
    stream = _stream(one)
    if len(stream) == 0:
        return one, None
    if len(stream) < organisation.words:
        aligned = align(reference.words, stream)
        if aligned.slips and aligned.differing_words <= max(2, int(organisation.words * NEAR_SHARE)):
            return _realigned(
                reference, one, chip, organisation, aligned.slips, len(stream), aligned.differing_words
            )
        return one, None
    relation = relate(reference.words, one.words, organisation.bits)
    if relation.undecidable:
        return one, None
    if relation.relation == "slipped":
        if relation.mapping is not None and not relation.mapping.is_identity:
            one = _step(one, _lines_step(relation.mapping), organisation)
        return _realigned(
            reference, one, chip, organisation, relation.slips, organisation.words, relation.differing_words
        )
    if relation.relation == "mapped" and relation.mapping is not None and not relation.mapping.is_identity:
        return _reordered(reference, one, chip, organisation, relation)
    return one, None


def pieces_of(slips: Sequence[Slip], words: int, stream: int) -> list[list[int]]:
    """What lies in step between slips, as [from in the stream, to on the chip, words].

    Example:
        >>> pieces_of([Slip(2, 1, 2)], 5, 4)
        [[0, 0, 2], [2, 3, 2]]
    """
    out: list[list[int]] = []
    at, shift = 0, 0
    for slip in (*slips, None):
        stop = words if slip is None else slip.at
        first, last = max(at, -shift), min(stop, stream - shift)
        if first < last:
            out.append([first + shift, first, last - first])
        if slip is not None:
            at = slip.at + max(slip.by, 0)
            shift -= slip.by
    return out


def _step(one: Pass, step: Step, organisation: Organisation) -> Pass:
    units = apply_step(Units(one.words, one.present, organisation.bits), step)
    return replace(one, words=units.values, present=units.present, steps=(*one.steps, step))


def _against(reference: Pass, one: Pass) -> dict[str, Any]:
    return {
        "readings": [one.reading],
        "readers": [one.reader],
        "pass": one.number,
        "against": {"reading": reference.reading, "reader": reference.reader, "pass": reference.number},
    }


def _realigned(
    reference: Pass,
    one: Pass,
    chip: str,
    organisation: Organisation,
    slips: Sequence[Slip],
    stream: int,
    differing: int,
) -> tuple[Pass, Finding]:
    step = Step(
        "realign",
        {"words": organisation.words, "pieces": pieces_of(slips, organisation.words, stream)},
        "Brought into step with the other reading; lost words are marked as absent.",
    )
    moved = _step(one, step, organisation)
    told = "; ".join(slip.in_words() for slip in slips[:5])
    finding = Finding(
        code=Code.SLIPPED,
        severity=Severity.CAUTION,
        chip=chip,
        where={**_against(reference, one), "at": slips[0].at, "by": slips[0].by},
        evidence={
            "slips": [slip.to_json() for slip in slips],
            "differing_words_after": differing,
            "words": organisation.words,
        },
        means=(
            f"Against {reference.reading}, pass {one.number} of {one.reading} slipped: {told}. The rest "
            f"fits once it is moved back."
        ),
        also=(
            "A counter that missed or doubled a clock; two revisions of a program with code inserted "
            "(then the difference does not end)."
        ),
        next=advise("slower-line"),
    )
    return moved, finding


def _reordered(
    reference: Pass, one: Pass, chip: str, organisation: Organisation, relation: Relation
) -> tuple[Pass, Finding]:
    mapping = relation.mapping
    assert mapping is not None
    settings = mapping.to_json()
    by = int(settings["rotate"])
    straight = (
        not any(settings[key] for key in ("invert_address", "invert_data"))
        and settings["address"] == sorted(settings["address"])
        and settings["data"] == sorted(settings["data"])
    )
    if straight:
        step = Step("rotate", {"by": by}, "The counter did not start at address 0.")
        code, where = Code.ROTATED, {"by": by}
        means = (
            f"Against {reference.reading}, pass {one.number} of {one.reading} starts {by} words further "
            f"on: its counter was not at 0 when it began."
        )
        after = advise("reset-counter")
    else:
        step = _lines_step(mapping)
        code = Code.LINES_REORDERED
        where = {key: settings[key] for key in ("address", "data", "invert_address", "invert_data", "rotate")}
        means = (
            f"{one.reading} holds the same words as {reference.reading} with lines in another order: "
            f"{_lines_in_words(settings)}. Brought into that order, the readings can be compared."
        )
        after = advise("crossed-wires")
    evidence: dict[str, Any] = {
        "differing_words_after": relation.differing_words,
        "differing_bits_after": relation.differing_bits,
        "words": organisation.words,
        "other_mappings_that_fit": relation.alternatives,
    }
    also = "The order of the other reading is the wrong one; a board that scrambles the lines on purpose."
    suggested = suggest_wiring(mapping)
    if suggested is not None:
        evidence["suggested_board_wiring"] = suggested.to_json()
        also += f" {suggested.why}"
    finding = Finding(
        code=code,
        severity=Severity.CAUTION,
        chip=chip,
        where={**_against(reference, one), **where},
        evidence=evidence,
        means=means,
        also=also,
        next=after,
    )
    return _step(one, step, organisation), finding


def _lines_step(mapping: LineMap) -> Step:
    return Step("reorder-lines", mapping.to_json(), "Lines brought into the order of the other reading.")


def _lines_in_words(settings: Mapping[str, Any]) -> str:
    """`A3 and A4 exchanged, D0 inverted`: the wires a person has to look at."""
    said = []
    for letter, key, inverted in (("A", "address", "invert_address"), ("D", "data", "invert_data")):
        lines = settings[key]
        moved = [k for k, line in enumerate(lines) if line != k]
        if len(moved) == 2:
            said.append(f"{letter}{moved[0]} and {letter}{moved[1]} exchanged")
        elif len(lines) > 2 and lines == sorted(lines, reverse=True):
            said.append(f"{letter}0 to {letter}{len(lines) - 1} in reverse")
        elif moved:
            said.append(", ".join(f"{letter}{k} on {letter}{lines[k]}" for k in moved))
        if len(settings[inverted]) == len(lines) and lines:
            said.append("every data line inverted" if letter == "D" else "addresses run backwards")
        elif settings[inverted]:
            said.append(" and ".join(f"{letter}{line}" for line in settings[inverted]) + " inverted")
    if settings["rotate"]:
        said.append(f"rotated by {settings['rotate']} words")
    return ", ".join(said)


def settle(passes: Sequence[Pass], organisation: Organisation, fades_to: int | None) -> tuple[Words, Words]:
    """The settled words and the mask of contested bits, by the voices of readers.

    Args:
        passes: In one order; at least one.
        organisation: Words and bits.
        fades_to: Level that cells fade to, or None.

    Returns:
        (words, contested), both of shape (words,).
    """
    dtype = words_dtype(organisation.bits)
    full = np.array((1 << organisation.bits) - 1, dtype)
    says_one = np.zeros(organisation.words, dtype)
    says_zero = np.zeros(organisation.words, dtype)
    for reader in dict.fromkeys(one.reader for one in passes):
        ones, zeros = _voice([one for one in passes if one.reader == reader], full)
        says_one |= ones
        says_zero |= zeros
    settled = says_one ^ says_zero
    contested = full & ~settled
    words = says_one & settled
    if contested.any():
        words = words | (contested & _image_value(passes, full, fades_to))
    return words.astype(dtype, copy=False), contested.astype(dtype, copy=False)


def _voice(own: Sequence[Pass], full: Words) -> tuple[Words, Words]:
    """Where one reader says 1 and where it says 0: only where all its passes that have the word agree."""
    ones = np.full(own[0].words.shape, full, full.dtype)
    zeros = ones.copy()
    heard = np.zeros(own[0].words.shape, np.bool_)
    for one in own:
        if one.present is None:
            ones &= one.words
            zeros &= ~one.words
            heard[:] = True
        else:
            ones &= np.where(one.present, one.words, full)
            zeros &= np.where(one.present, ~one.words & full, full)
            heard = heard | one.present
    if not heard.all():
        ones[~heard] = 0
        zeros[~heard] = 0
    return ones, zeros & full


def _image_value(passes: Sequence[Pass], full: Words, fades_to: int | None) -> Words:
    """What the image carries where nothing is settled: it settles nothing."""
    if fades_to is not None:
        seen = np.zeros(passes[0].words.shape, full.dtype)
        for one in passes:
            programmed = one.words if fades_to == 0 else ~one.words & full
            seen |= (
                programmed if one.present is None else np.where(one.present, programmed, 0).astype(full.dtype)
            )
        return seen if fades_to == 0 else ~seen & full
    value = np.zeros(passes[0].words.shape, full.dtype)
    unset = np.ones(value.shape, np.bool_)
    for one in passes:
        there = unset if one.present is None else unset & one.present
        value[there] = one.words[there]
        unset &= ~there
    return value


def contested_bits(settled: Settled, *, fades_to: int | None, first_listed: str) -> dict[str, Any] | None:
    """Votes and directions of contested bits as the record keeps them; None where there is none.

    Args:
        settled: The image with its passes.
        fades_to: Level that cells fade to, where known.
        first_listed: Id of the first listed reading, for the reason.
    """
    mask = settled.contested
    places = np.flatnonzero(mask)
    if len(places) == 0:
        return None
    count = int(np.bitwise_count(mask).sum())
    listed: list[dict[str, Any]] = []
    for address in places:
        for line in range(settled.organisation.bits):
            if int(mask[address]) >> line & 1:
                listed.append(_votes(settled, int(address), line, fades_to, first_listed))
            if len(listed) >= MOST_LISTED:
                return {"bits": count, "words": len(places), "listed": listed}
    return {"bits": count, "words": len(places), "listed": listed}


def _votes(
    settled: Settled, address: int, line: int, fades_to: int | None, first_listed: str
) -> dict[str, Any]:
    by_reader: dict[str, set[int]] = {}
    ones = zeros = 0
    for one in settled.passes:
        if one.present is not None and not one.present[address]:
            continue
        bit = int(one.words[address]) >> line & 1
        ones, zeros = ones + bit, zeros + 1 - bit
        by_reader.setdefault(one.reader, set()).add(bit)
    votes = {reader: next(iter(bits)) if len(bits) == 1 else None for reader, bits in by_reader.items()}
    carried = int(settled.words[address]) >> line & 1
    if not votes:
        why = "no reading has this word"
    elif fades_to is None:
        why = f"the value of {first_listed}; which way such cells fade is not known"
    else:
        why = f"cells of this kind fade to {fades_to}, so a reading of {1 - fades_to} is the more believable"
        if ones == 0 or zeros == 0:
            why = "every pass that has this word reads this value, but no reader speaks for it"
    return {
        "address": address,
        "line": f"D{line}",
        "votes": votes,
        "ones": ones,
        "zeros": zeros,
        "image": carried,
        "why": why,
    }

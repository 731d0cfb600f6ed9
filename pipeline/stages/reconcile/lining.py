"""Passes of other frames brought into the image's frame, each step written down and told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.catalogue.advice import advise
from pipeline.flow import Framing, Ground, Pass, Step
from pipeline.lines import LineMap, Slip, suggest_wiring
from pipeline.stages.reconcile.frames import Way, way_between
from pipeline.stages.reconcile.wording import begins_at, lines_in_words, start_in_words
from pipeline.steps import Units, apply_step
from schemas.finding import Code, Details, Finding, Severity
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import GroundRecord


@dataclass(slots=True)
class Moved:
    """Passes of one reading that were moved alike, for one finding.

    Attributes:
        way: How they lay against the reference.
        passes: As they were read.
    """

    way: Way
    passes: list[Pass]


def brought(reference: Pass, one: Pass, organisation: Organisation) -> tuple[Pass, Way]:
    """One pass in the reference's order, where a proved relation says how; and that relation."""
    way = way_between(reference, one, organisation)
    for step in _steps(way, organisation):
        one = apply_to_pass(one, step, organisation)
    return one, way


def apply_to_pass(one: Pass, step: Step, organisation: Organisation) -> Pass:
    """A pass after one more step, which it carries from then on."""
    units = apply_step(Units(one.words, one.present, organisation.bits), step)
    return one._replace(words=units.values, present=units.present, steps=(*one.steps, step))


def _steps(way: Way, organisation: Organisation) -> list[Step]:
    if way.name == "rotated" and way.mapping is not None:
        return [Step("rotate", {"by": way.mapping.rotate}, "The counter did not start at address 0.")]
    if way.name == "lines" and way.mapping is not None:
        return [_lines_step(way.mapping)]
    if way.name == "paced" and way.pace:
        why = "The counter did not count once a clock; words that were not read are marked as absent."
        return [Step("repace", {"by": way.pace}, why)]
    if way.name == "slipped":
        first = [] if way.mapping is None else [_lines_step(way.mapping)]
        settings = {
            "words": organisation.words,
            "pieces": pieces_of(way.slips, organisation.words, way.stream),
        }
        why = "Brought into step with the other reading; lost words are marked as absent."
        return [*first, Step("realign", settings, why)]
    return []


def _lines_step(mapping: LineMap) -> Step:
    return Step("reorder-lines", mapping.to_json(), "Lines brought into the order of the other reading.")


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


def moved_findings(
    chip: str, reference: Pass, moved: Sequence[Moved], organisation: Organisation, framing: Framing
) -> tuple[Finding, ...]:
    """One finding a reading and kind of move, with the grounds that decided."""
    return tuple(_told(chip, reference, one, organisation, framing) for one in moved)


def gathered(ways: Sequence[tuple[Pass, Way]]) -> list[Moved]:
    """Passes of one reading that moved alike, together: reading the same thing twice says nothing new."""
    out: dict[tuple[Any, ...], Moved] = {}
    for one, way in ways:
        if way.name in ("same", "stranger") or (way.name == "paced" and not way.pace):
            continue
        key = (one.reading, way.name, way.pace, way.mapping, way.slips)
        out.setdefault(key, Moved(way, [])).passes.append(one)
    return list(out.values())


def _told(chip: str, reference: Pass, moved: Moved, organisation: Organisation, framing: Framing) -> Finding:
    """The caution that a reading was brought into the frame of another, with the grounds that decided.

    The sheet's word decides even where the readings speak against it; then the image is held back until the
    sheet is put right, or answers.
    """
    way, first = moved.way, moved.passes[0]
    tell = {"lines": _lines, "rotated": _rotated, "slipped": _slipped, "paced": _paced}[way.name]
    code, where, evidence, means, also, after = tell(reference, first, way, organisation)
    grounds = [_ground_json(ground) for ground in framing.grounds]
    against = framing.against()
    why = "; ".join(reason for reason in framing.reasons() if reason not in against)
    if against:
        why = (
            f"{why}. That word settles the order, but {_in_a_clause(against)}. So the image is held back "
            "until the sheet is put right, or answers"
        )
    return Finding(
        code=code,
        severity=Severity.CAUTION,
        chip=chip,
        where={
            "readings": [first.reading],
            "readers": [first.reader],
            "pass": first.number,
            "against": {
                "reading": reference.reading,
                "reader": reference.reader,
                "pass": reference.number,
            },
            **where,
            **({"image": True} if against else {}),
        },
        evidence={
            **evidence,
            "words": organisation.words,
            "grounds": grounds,
            **({"holds_back": True} if against else {}),
        },
        means=f"{means} {why}." if why else means,
        also=also,
        next=advise("denied-lines") if against else after,
    )


def _in_a_clause(reasons: Sequence[str]) -> str:
    """Sentences after a comma: a name keeps its letters, any other word begins small."""
    return "; ".join(
        reason[0].lower() + reason[1:] if reason.startswith("The ") else reason for reason in reasons
    )


def _ground_json(ground: Ground) -> GroundRecord:
    return {
        "ground": ground.ground,
        "frame": ground.frame,
        "over": list(ground.over),
        "words": ground.words,
    }


def grounds_json(framing: Framing) -> list[GroundRecord]:
    """Every ground as the record keeps it."""
    return [_ground_json(ground) for ground in framing.grounds]


Told = tuple[Code, Details, Details, str, str, str]


def _lines(reference: Pass, one: Pass, way: Way, organisation: Organisation) -> Told:
    del organisation
    mapping, relation = way.mapping, way.relation
    assert mapping is not None
    assert relation is not None
    settings = mapping.to_json()
    evidence: Details = {
        "differing_words_after": relation.differing_words,
        "differing_bits_after": relation.differing_bits,
        "other_mappings_that_fit": relation.alternatives,
    }
    also = "The order of the other reading is the wrong one; a board that scrambles the lines on purpose."
    suggested = suggest_wiring(mapping)
    if suggested is not None:
        evidence["suggested_board_wiring"] = suggested.to_json()
        also += f" On such a board {suggested.why}."
    means = (
        f"{one.beside(reference)} holds the same words as {reference.beside(one)} with lines in another "
        f"order: {lines_in_words(settings)}. Brought into that order, the readings can be compared."
    )
    after = advise("crossed-wires")
    return Code.LINES_REORDERED, dict(settings), evidence, means, also, after


def _rotated(reference: Pass, one: Pass, way: Way, organisation: Organisation) -> Told:
    assert way.mapping is not None
    begun = begins_at(way.mapping.rotate, organisation.words)
    by = begun if begun <= organisation.words // 2 else begun - organisation.words
    late = by == -1
    means = (
        f"Against {reference.beside(one)}, {one.beside(reference)} "
        f"{start_in_words(way.mapping.rotate, organisation.words)}"
        + (
            ": each word was taken before the chip showed it."
            if late
            else " and ran round: its counter was not at 0 when the pass began. Nothing is lost."
        )
    )
    power = not late and abs(by) & (abs(by) - 1) == 0
    also = (
        "A rotation by a power of two may also be an inverted top line."
        if power
        else "The other reading may be the one that began elsewhere."
    )
    after = advise("reset-counter")
    evidence = {"differing_words_after": way.left}
    return Code.LATE_BY_ONE if late else Code.ROTATED, {"by": by}, evidence, means, also, after


def _slipped(reference: Pass, one: Pass, way: Way, organisation: Organisation) -> Told:
    """Words lost or doubled: by the counter where it is one word of a whole pass, else on the way."""
    del organisation
    crossed = {} if way.mapping is None else {"mapping": way.mapping.to_json()}
    said = [] if way.mapping is None else [lines_in_words(way.mapping.to_json())]
    told = "; ".join([*said, *(slip.in_words() for slip in way.slips[:5])])
    slip = way.slips[0]
    single = len(way.slips) == 1 and abs(slip.by) == 1 and not one.length_off and one.complete
    if single and slip.by < 0 and slip.at == 0:
        # The word before the first clock may be anything, so nothing need run round at the end.
        code, cause = Code.LATE_BY_ONE, "each word was taken before the chip showed it"
    elif single:
        code = Code.SKIPS_WORDS if slip.by > 0 else Code.REPEATS_WORDS
        cause = "the counter skipped a word" if slip.by > 0 else "the counter missed a clock"
    else:
        code, cause = Code.SLIPPED, "words were lost or doubled on the way to the file"
    means = (
        f"Against {reference.beside(one)}, {one.beside(reference)} slipped: {told}; {cause}. "
        f"The rest fits once it is moved back."
    )
    also = (
        "A counter that missed or doubled a clock, or a serial line that lost bytes; two revisions of a "
        "program with code inserted (then the difference does not end)."
    )
    after = advise("slower-line")
    slips = [each.to_json() for each in way.slips]
    evidence = {"slips": slips, "differing_words_after": way.left, **crossed}
    return code, {"at": slip.at, "by": slip.by}, evidence, means, also, after


def _paced(reference: Pass, one: Pass, way: Way, organisation: Organisation) -> Told:
    del organisation
    twice = way.pace > 0
    means = f"Against {reference.beside(one)}, {one.beside(reference)} " + (
        "shows every second word, then the same again: its counter counts twice a clock."
        if twice
        else "shows each word twice and only half of the chip: its counter counts every second clock."
    )
    also = (
        "A dead top address line shows the same content twice as well."
        if twice
        else "A dead A0 shows each word twice as well, but reaches the whole chip."
    )
    after = advise("counter-clock")
    code = Code.SKIPS_WORDS if twice else Code.REPEATS_WORDS
    evidence = {"by": way.pace, "every": True, "differing_words_after": way.left}
    return code, {"at": 0, "by": way.pace}, evidence, means, also, after

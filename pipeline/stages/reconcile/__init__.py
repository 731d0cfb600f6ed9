"""Stage four: all passes of one chip become one settled image, and what stays contested.

1. What other chips prove of a named wiring is undone on this one's readings.
2. Passes are sorted into frames: order and polarity of lines, start, step (`frames`).
3. Grounds decide which frame is the image's, never how many passes or readings it has (`grounds`). Where they
   are silent or speak against each other the frame is contested.
4. Passes of other frames are brought into the image's; each step is written down and told (`lining`). Where
   the frame is contested that of the first listed reading is used.
5. Bits are settled by the voices of readers (`voices`), never by majority either. A contested bit carries
   the programmed state where it is known which way such cells fade, else the first listed reading's value.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from pipeline.catalogue.advice import advise
from pipeline.flow import Frame, Framing, Pass, Said, Settled, Witness
from pipeline.stages.reconcile.carried import Undone, doubt_of, undo_carried
from pipeline.stages.reconcile.frames import SAME, Way, frames_of, only_rotates
from pipeline.stages.reconcile.grounds import Checks, bears_out, framing_of
from pipeline.stages.reconcile.lining import brought, gathered, grounds_json, moved_findings
from pipeline.stages.reconcile.voices import contested_bits, settle
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation

__all__ = ["Checks", "Reconciled", "Way", "contested_bits", "reconcile", "settle"]


class Reconciled(NamedTuple):
    """The settled image, and what bringing passes into line has found.

    Attributes:
        settled: The image with its passes, in the image's frame.
        ways: Each pass as it came, with what is known of its wiring undone, and how it lay against the
            image's frame.
        findings: What was moved and why, or that nothing decides.
    """

    settled: Settled
    ways: tuple[tuple[Pass, Way], ...]
    findings: tuple[Finding, ...]


def no_checks(words: Words) -> Mapping[str, Witness]:
    """For callers that know nothing of content."""
    del words
    return {}


def reconcile(
    passes: Sequence[Pass],
    *,
    chip: str,
    organisation: Organisation,
    fades_to: int | None = None,
    said: Mapping[str, Said] | None = None,
    checks: Checks = no_checks,
) -> Reconciled | None:
    """The settled image of one chip.

    Args:
        passes: Of all readings that have a voice, in the sheet's order.
        chip: Id, for findings.
        organisation: Words and bits.
        fades_to: The level that this kind of cell fades to, where known.
        said: Reading → what is known of it beside its words.
        checks: Words → order-sensitive checks that hold in them, each with its sentence.

    Returns:
        None where there is no pass.
    """
    if not passes:
        return None
    known = dict(said or {})
    undone = undo_carried(passes, chip, organisation, known)
    lined, ways, framing = _framed(undone.passes, organisation, known, checks)
    findings = undone.findings
    if framing is not None and framing.chosen is not None:
        reference = lined[0] if lined else passes[0]
        reference = next((one for one, way in ways if way is REFERENCE), reference)
        findings += moved_findings(chip, reference, gathered(ways), organisation, framing)
    if framing is None or framing.chosen is not None:
        framing = _doubted(undone, lined, ways, checks) or framing
    if framing is not None and framing.chosen is None:
        findings += (_contested(chip, framing),)
    words, contested = settle(lined, organisation, fades_to)
    return Reconciled(Settled(organisation, words, contested, lined, framing), ways, findings)


REFERENCE = Way("same")
"""How the pass that the others were held against lies: the one object of its kind."""


def _framed(
    passes: tuple[Pass, ...], organisation: Organisation, said: Mapping[str, Said], checks: Checks
) -> tuple[tuple[Pass, ...], tuple[tuple[Pass, Way], ...], Framing | None]:
    """Passes in the image's frame, how each lay against it, and the frames where there are several."""
    alike = all(_same(passes[0], other) for other in passes[1:])
    groups, strangers = ([], []) if alike else frames_of(passes, organisation)
    if len(groups) < 2:
        ways = tuple(
            (one, Way("stranger") if index in strangers else SAME) for index, one in enumerate(passes)
        )
        return passes, ways, None
    framing = framing_of(passes, groups, strangers, organisation, said, checks)
    members = [passes[index] for index in groups[framing.chosen or 0].members]
    reference = next((one for one in members if one.complete), members[0])
    lined: list[Pass] = []
    ways_found: list[tuple[Pass, Way]] = []
    for one in passes:
        moved, way = (one, REFERENCE) if one is reference else brought(reference, one, organisation)
        lined.append(moved)
        ways_found.append((one, way))
    return tuple(lined), tuple(ways_found), framing


def _doubted(
    undone: Undone, lined: Sequence[Pass], ways: Sequence[tuple[Pass, Way]], checks: Checks
) -> Framing | None:
    """The doubt that a wiring proved crossed elsewhere casts on the lines that the image stands in.

    A pass that lost words, or began late, stands in the same lines as the one that did not, and bears out
    nothing of them; a stranger has no word here. Where a pass was brought from other lines, grounds have
    spoken of lines on this very chip, and what other chips leave open does not undo that.
    """
    if any(not way.keeps_lines and way.name != "stranger" for _, way in ways):
        return None
    own = [moved for moved, (_, way) in zip(lined, ways, strict=True) if way.keeps_lines] or list(lined)
    words = own[0].words
    return doubt_of(
        own, undone.doubted, lambda crossed: bears_out(checks(words), checks(crossed.lines.undo(words)))
    )


def _same(one: Pass, two: Pass) -> bool:
    if (one.present is None) != (two.present is None):
        return False
    if one.present is not None and not np.array_equal(one.present, two.present):  # type: ignore[arg-type]
        return False
    return bool(np.array_equal(one.words, two.words))


def _contested(chip: str, framing: Framing) -> Finding:
    """Readings of one chip in different frames, and nothing that decides."""
    frames = [
        {
            "readings": list(frame.readings),
            "mapping": None if frame.mapping is None else frame.mapping.to_json(),
            "words": frame.words,
        }
        for frame in framing.frames
    ]
    readings = [name for frame in framing.frames for name in frame.readings]
    first, others = framing.frames[0], framing.frames[1:]
    against = "; ".join(
        f"{' and '.join(frame.readings) or 'the wiring proved on other chips'} ({frame.words})"
        for frame in others
    )
    spoke = "; ".join(framing.reasons())
    return Finding(
        code=Code.FRAMES_DIFFER,
        severity=Severity.CAUTION,
        chip=chip,
        where={"readings": list(dict.fromkeys(readings)), "frames": frames, "image": True},
        evidence={"grounds": grounds_json(framing)},
        means=(
            f"The same words stand in {len(framing.frames)} orders. Compared with "
            f"{' and '.join(first.readings)}: {against}. "
            + (
                f"The evidence does not agree: {spoke}. "
                if spoke
                else "Nothing here decides which is right. "
            )
            + "The image has the order of the first listed reading and is kept apart."
        ),
        also="Any of these orders may be wrong, and so may all of them.",
        next=advise(_deciding(others)),
    )


def _deciding(others: Sequence[Frame]) -> str:
    """What would decide between frames: of wires the wires themselves, of start and step the counter."""
    if all(frame.mapping is None or only_rotates(frame.mapping) for frame in others):
        return "frames-differ-start"
    bytes_only = "byte_order" in others[0].words and len(others) == 1
    return "frames-differ-bytes" if bytes_only else "frames-differ"

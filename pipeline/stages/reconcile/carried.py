"""What other chips prove of a wiring, as it reaches the readings of this chip."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from pipeline.catalogue.advice import advise, step
from pipeline.flow import Carried, Frame, Framing, Pass, Said, Step
from pipeline.stages.reconcile.lining import apply_to_pass
from pipeline.stages.reconcile.wording import lines_in_words, sheet_lines
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation


class Undone(NamedTuple):
    """Passes with proved crossings undone, and what is to be said of it.

    Attributes:
        passes: All of the chip.
        findings: One a reading whose lines were put right, or would have to be.
        doubted: A crossing that is proved elsewhere, not undone here, and that would change words of this
            chip, by reading.
    """

    passes: tuple[Pass, ...]
    findings: tuple[Finding, ...]
    doubted: Mapping[str, Carried]


def undo_carried(
    passes: Sequence[Pass], chip: str, organisation: Organisation, said: Mapping[str, Said]
) -> Undone:
    """Readings of a named wiring put right; readings of others doubted."""
    out: list[Pass] = []
    findings: dict[str, Finding] = {}
    doubted: dict[str, Carried] = {}
    for came in passes:
        one = came
        carried = said[one.reading].carried if one.reading in said else None
        if carried is None:
            out.append(one)
            continue
        if carried.reaches and not _changes(one, carried):
            out.append(one)
            continue
        if carried.undo:
            why = f"The wiring {carried.wiring} is crossed, as shown by {', '.join(carried.proved_by)}."
            one = apply_to_pass(one, Step("undo-lines", carried.lines.to_json(), why), organisation)
        else:
            doubted[one.reading] = carried
        out.append(one)
        findings.setdefault(one.reading, _finding(chip, one, carried))
    return Undone(tuple(out), tuple(findings.values()), doubted)


def _changes(one: Pass, carried: Carried) -> bool:
    """Whether the crossing changes any word of this content: else there is nothing to put right."""
    if len(carried.lines.data) != 0 and one.words.size != 1 << len(carried.lines.address):
        return False
    return bool((carried.lines.undo(one.words) != one.words).any())


def _finding(chip: str, one: Pass, carried: Carried) -> Finding:
    """What another chip's crossing means for this one: undone, in doubt, or only worth asking about.

    It is undone only where the sheet names the wiring, so that the wires are known to have been the same.
    """
    settings = carried.lines.to_json()
    crossed = lines_in_words(settings)
    shown = ", ".join(carried.proved_by)
    proof = f"proved by {shown}" if carried.proved else f"perhaps, as {shown} alone suggests"
    paste = sheet_lines(carried.lines)
    if carried.undo:
        severity, means = (
            Severity.NOTE,
            (
                f"{one.reading} was read with the wiring {carried.wiring}, whose lines are crossed or "
                f"inverted: {crossed} ({proof}). This was undone here."
            ),
        )
        after = advise("wiring-undone")
    elif carried.denied:
        severity, means = (
            Severity.CAUTION,
            (
                f"{one.reading} was put into order by lines that the sheet says of the wiring "
                f"{carried.wiring}. With the same lines {shown} comes out otherwise than its other readings "
                f"have it: {crossed}. So the order of these words is in doubt."
            ),
        )
        after = advise("denied-lines")
    elif carried.same_pins:
        severity, means = (
            Severity.CAUTION,
            (
                f"{one.reading} was read by the same reader on the same date as readings whose lines are "
                f"crossed or inverted: {crossed} ({proof}). Nobody says that the wires were the same, so "
                "nothing was undone, and the order of these words is in doubt."
            ),
        )
        after = advise(step("same-wires", paste=paste))
    elif carried.whole_bus:
        severity, means = (
            Severity.CAUTION,
            (
                f"{one.reading} was read by a reader that turns, shifts or inverts its data lines as a whole "
                f"on other chips: {crossed} ({proof}). That is done at the reader's end, whatever a chip's "
                "other pins, so the order of these words is in doubt."
            ),
        )
        after = advise(step("same-wires", paste=paste))
    else:
        severity, means = (
            Severity.CAUTION,
            (
                f"{one.reading} was read with wires that are crossed or inverted for chips with other pins: "
                f"{crossed} ({proof}). What that does to this chip cannot be told from here."
            ),
        )
        after = advise("wiring-other-pins")
    return Finding(
        code=Code.WIRING_CARRIED,
        severity=severity,
        chip=chip,
        where={"readings": [one.reading], "readers": [one.reader], "wiring": carried.wiring, **settings},
        evidence={
            "proved_by": list(carried.proved_by),
            "proved": carried.proved,
            "applied": carried.undo,
            "same_pins": carried.same_pins,
            "sheet": paste,
        },
        means=means,
        also="Wires that were moved between the two chips; a part with another pinout.",
        next=after,
    )


def doubt_of(
    passes: Sequence[Pass], doubted: Mapping[str, Carried], checked: Callable[[Carried], bool]
) -> Framing | None:
    """A frame contested because the wiring is proved crossed elsewhere and nothing here speaks against.

    Args:
        passes: In one frame.
        doubted: By reading.
        checked: Whether the content bears the order out and not that without the crossing; asked only where
            all depends on it.

    Returns:
        None where another wiring read the same, or the content says that the order is right.
    """
    pins = {reading: one for reading, one in doubted.items() if one.reaches}
    readings = tuple(dict.fromkeys(one.reading for one in passes))
    if not pins or any(reading not in pins for reading in readings):
        return None
    carried = next(iter(pins.values()))
    if checked(carried):
        return None
    frames = (
        Frame(readings, None, ""),
        Frame((), carried.lines, lines_in_words(carried.lines.to_json())),
    )
    return Framing(frames, None, ())

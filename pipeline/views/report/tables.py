"""The tables of the first page: commands, readers, what the readers have earned, the time line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.to_do import space_state
from pipeline.views.report import wording
from pipeline.views.report.summary import Summary

if TYPE_CHECKING:
    from pipeline.views.report.head import ReportHead, View
    from schemas.record import (
        CoverageRecord,
        LineRecord,
        QualificationRecord,
        RecordHead,
        SpaceRecord,
        StandingRecord,
    )
    from schemas.recorded_sheet import ReaderRecord

MOST_EVENTS = 200
MOST_ROWS = 200
_TRUSTED = ("self-checked", "corroborated", "repeatable", "single")
_READER_FIELDS = (
    ("kind", "Kind"),
    ("name", "Name"),
    ("version", "Version"),
    ("operator", "Operator"),
    ("format", "Format"),
    ("polarity", "Polarity"),
    ("pulls", "Pulls"),
    ("notes", "Notes"),
)
_PRIVATE_READER_FIELDS = frozenset(["operator", "serial", "notes"])


def _burnable(one: Summary) -> bool:
    """Whether `burn` can help with this chip.

    Its part is known, and it is no logic device, which takes its fuse map.
    """
    return bool(one.part) and not one.organisation.endswith("x1")


def commands(
    head: RecordHead, summaries: Sequence[Summary], *, public: bool, parts: Mapping[str, object]
) -> list[tuple[str, str]]:
    """(command, what it does) for someone who holds the bag or bundle and nothing else.

    Args:
        head: The record without its chips.
        summaries: All chips; the first trustworthy one stands as the example.
        public: Whether this is a bundle.
        parts: Catalogue entries beyond the record's own; a part known there can be a replacement.
    """
    name = str(head.get("bag", "BAG"))
    sums = "checksums-sha256.txt" if public else "manifest-sha256.txt"
    out = [
        (f"wellread recheck {name}", "Every file against its digests, strictly."),
        (f"cd {name} && sha256sum -c {sums}", "The same without Wellread, on any system that has sha256sum."),
    ]
    trusted = [
        one
        for grade in _TRUSTED
        for one in summaries
        if one.grade == grade and not one.to_do.needs_person and _burnable(one)
    ]
    if trusted:
        chip = trusted[0]
        known = {**(head.get("parts") or {}), **parts}
        into = chip.part if not known or chip.part in known else "PART"
        out.append(
            (
                f"wellread burn {name} --chip {chip.chip} --into {into} --format intel-hex",
                f"A programming file for a replacement of {chip.chip}; any chip, any part that can hold it.",
            )
        )
    if not public:
        out.append(
            (
                f"wellread reopen {name} --into FOLDER",
                "The project folder back, to add a reading or correct the sheet.",
            )
        )
        out.append((f"wellread release {name}", "The public bundle, private facts left out."))
    return out


def readers(head: RecordHead, *, public: bool) -> View:
    """The readers as a table: only the columns that anyone filled in."""
    found: Mapping[str, ReaderRecord] = head.get("readers") or {}
    fields = [
        (key, title)
        for key, title in _READER_FIELDS
        if not (public and key in _PRIVATE_READER_FIELDS)
        and any(reader.get(key) for reader in found.values())
    ]
    return {
        "columns": [title for _, title in fields],
        "rows": [
            (name, [wording.say(one.get(key)) if one.get(key) else "" for key, _ in fields])
            for name, one in found.items()
        ],
    }


def qualification(found: QualificationRecord) -> list[View]:
    """What comparing has shown: a table of readers, and one of pairs of them."""
    kinds = (("readers", found.get("readers")), ("pairs", found.get("pairs")))
    return [_standings(title, standings) for title, standings in kinds if standings]


def _standings(title: str, found: Sequence[StandingRecord]) -> View:
    """What comparing has shown of readers, or of pairs of them, as one row each."""
    return {
        "title": title,
        "columns": [
            "reader",
            "chips compared",
            "agree wholly",
            "bits compared",
            "disagree",
            "wrong bits at most",
            "lines shown",
        ],
        "rows": [_standing(row) for row in found[:MOST_ROWS]],
        "more": max(0, len(found) - MOST_ROWS),
        "line": "",
    }


def _standing(row: StandingRecord) -> list[str]:
    bound = row.get("upper_bound")
    sure = f" ({row['confidence']:.0%} sure)" if isinstance(row.get("confidence"), float) else ""
    return [
        wording.listed([wording.short(reader, 40) for reader in row.get("readers") or ()]),
        f"{len(row.get('chips') or ()):,}",
        f"{len(row.get('agreed_chips') or ()):,}",
        wording.say(row.get("bits_compared")),
        wording.say(row.get("disagreements")),
        (f"1 in {1 / bound:,.0f}" if bound else "none") + sure
        if isinstance(bound, int | float)
        else "not known",
        _coverage(row["coverage"]),
    ]


def _coverage(found: CoverageRecord) -> str:
    """The lines that the compared chips would have shown a fault of, runs of lines drawn together."""
    shown, dark = [], []
    for lines, letter in ((found["address"], "A"), (found["data"], "D")):
        shown.append(_runs(letter, [one for one in lines if one.get("witnesses")]))
        dark.append(_runs(letter, [one for one in lines if not one.get("witnesses")]))
    out = ", ".join(part for part in shown if part) or "none"
    missing = ", ".join(part for part in dark if part)
    blurred = found.get("not_told_apart") or ()
    return (
        out
        + (f"; not {missing}" if missing else "")
        + (f"; not told apart: {wording.say(blurred)}" if blurred else "")
    )


def _runs(letter: str, lines: Sequence[LineRecord]) -> str:
    numbers = sorted(int(str(one.get("line"))[1:]) for one in lines if str(one.get("line"))[1:].isdecimal())
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(
        f"{letter}{run[0]}" if len(run) == 1 else f"{letter}{run[0]}–{letter}{run[-1]}" for run in runs
    )


def events(head: ReportHead) -> View:
    """The time line: (when, what, detail, agent), as many as a page bears; the metadata files hold all."""
    found = head.get("events") or ()
    rows = [
        tuple(
            wording.say(event[key]) if event.get(key) else "" for key in ("when", "what", "detail", "agent")
        )
        for event in found[:MOST_EVENTS]
    ]
    return {"rows": rows, "more": max(0, len(found) - MOST_EVENTS)}


def space_facts(space: SpaceRecord) -> list[str]:
    """What a space is, in a few words each."""
    out = [f"{space.get('width')} bits wide", f"{int(space.get('words') or 0):,} words"]
    if int(space.get("width") or 0) > 8:
        out.append(f"{space.get('byte_order')}-endian")
    out.append(space_state(space))
    holes = space.get("holes") or ()
    if holes:
        out.append("holes: " + wording.say(holes, "ranges", 4))
    return out

"""What the content of all chips suggests, as lines for a terminal: programs, spaces, kin."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from pipeline.flow import ReadsFor
from pipeline.one_line import one_line
from schemas.finding import families_said
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, SuggestedSpace
    from schemas.recorded_finding import FindingRecord
    from schemas.recorded_sheet import PlacementRecord

_LINE = 78
"""Characters of a line of a row: as long as a terminal's, so that a mail program breaks none."""
MOST_SPACES, MOST_LANES, MOST_KIN, MOST_READ, MOST_KEPT = 8, 8, 12, 20, 8
_LONG = 256
"""Words: in shorter stretches no program is looked for."""
KINSHIP = {
    "same-content": "the same content",
    "inverse-content": "the inverse content",
    "part-of": "parts of each other",
    "stands-at": "one behind the other, at an address that is not known",
}
"""Codes by which a chip is another's kin, in words.

Chips that interleave, or stand at an address, are told by their space.
"""
_BESIDE = {
    "another": "the sheet names another processor than the program",
    "not known": "the sheet names a processor whose instructions Wellread does not know",
}
"""What the sheet's processor is beside what a program reads for, in words."""
_NEARLY = "nearly "
"""Before the code of kin that differ in some words."""

Kin = tuple[str, str, tuple[str, ...]]
"""Code, or nearly that, chip, and the chips that it is about."""


def kin_of(chip: str, findings: Iterable[FindingRecord]) -> tuple[Kin, ...]:
    """What one chip's findings say of kin."""
    return tuple(
        (_relation(one), chip, others)
        for one in findings
        if one["code"] in KINSHIP and (others := _others(one)) is not None
    )


def _others(finding: FindingRecord) -> tuple[str, ...] | None:
    """The chips that a finding of kin is about; of chips one behind the other all, in their order."""
    if finding["code"] == "stands-at":
        row = finding.get("evidence", {}).get("row")
        return tuple(map(str, row)) if isinstance(row, list | tuple) else None
    return tuple(map(str, finding["where"].get("with", ())))


def _relation(finding: FindingRecord) -> str:
    exact = finding.get("evidence", {}).get("exact", True)
    return finding["code"] if exact else f"{_NEARLY}{finding['code']}"


def _in_words(relation: str) -> str:
    code = relation.removeprefix(_NEARLY)
    return KINSHIP[code] if code == relation else f"{KINSHIP[code]} but for some words"


def reads_for(record: ChipRecord) -> ReadsFor:
    """What one chip's record says of processors."""
    families = tuple(family for one in record["findings"] for family in families_said(one))
    no_known = record.get("program") is None and _long_dense(record)
    said = next((one.get("evidence", {}) for one in record["findings"] if families_said(one)), {})
    odds, beside = said.get("odds"), said.get("sheet")
    return ReadsFor(
        record["chip"],
        families,
        no_known,
        odds if isinstance(odds, float) else None,
        beside if isinstance(beside, str) and beside in _BESIDE else "",
        _kept(record),
    )


def _kept(record: ChipRecord) -> str:
    flow = record["contested"].get("flow") if record["contested"] else None
    return flow["says"] if flow else ""


def _long_dense(record: ChipRecord) -> bool:
    """Whether a chip of whole bytes has a stretch of no known kind in which a program would show."""
    bits = Organisation.parse(record["organisation"]).bits if record["organisation"] else 0
    return bits in {8, 16} and any(
        one["kind"] == "dense" and one["end"] - one["start"] >= _LONG for one in record["regions"]
    )


def programs(chips: Iterable[ReadsFor]) -> list[str]:
    """Which chips read as programs, a line a family of processors, and which read as one for none of them.

    Below them, of contested bits, which reading keeps the program's flow.
    """
    found: dict[tuple[str, ...], list[ReadsFor]] = {}
    unknown, every = [], list(chips)
    for chip in every:
        if chip.families:
            found.setdefault(chip.families, []).append(chip)
        if chip.no_known:
            unknown.append(chip.chip)
    lines = [
        f"program for {' or '.join(family.upper() for family in families)}{_odds(those)}: "
        f"{_read([one.chip for one in those])}"
        for families, those in sorted(found.items())
    ]
    if unknown:
        lines.append(f"no program found for a processor that Wellread knows: {_read(unknown)}")
    for beside, told in _BESIDE.items():
        if names := [chip.chip for chip in every if chip.beside_sheet == beside]:
            lines.append(f"{told}: {_read(names)}")
    kept = [f"{chip.chip}: {chip.kept}" for chip in every if chip.kept]
    lines += kept[:MOST_KEPT]
    if len(kept) > MOST_KEPT:
        lines.append(f"… and {len(kept) - MOST_KEPT} more whose flow tells readings apart; see the report")
    return [one_line(line) for line in lines]


def _odds(chips: Iterable[ReadsFor]) -> str:
    """The odds of the least sure of some chips, rounded down."""
    known = [chip.odds for chip in chips if chip.odds is not None]
    return f" (odds at least {min(99, int(min(known) * 100))} in 100)" if known else ""


def _read(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_READ} more" if len(names) > MOST_READ else ""
    return ", ".join(names[:MOST_READ]) + more


def suggested(spaces: Sequence[SuggestedSpace], kin: Iterable[Kin]) -> list[str]:
    """A line a suggested space, with why below it, and a line a group of kin.

    Args:
        spaces: In the form of the sheet's `spaces`.
        kin: Of all chips.
    """
    lines = []
    for space in spaces[:MOST_SPACES]:
        lines.append(f"suggested space {space['name']}: {_placed(space['placements'])}")
        lines.append(f"  {space['description']}")
    if len(spaces) > MOST_SPACES:
        lines.append(f"… and {len(spaces) - MOST_SPACES} more suggested spaces; the record has them all")
    return [one_line(line) for line in (*lines, *_kin_lines(kin))]


def row(space: SuggestedSpace) -> str:
    """The space as a row of the sheet's `spaces`, ready to be copied there.

    Below a first chip that stands above 0 no chip is known, so that the row names a `fill`: all ones, as
    data lines with pull-ups read there (common practice, no source).
    """
    import yaml  # only a report asks for it

    said = {key: value for key, value in space.items() if value is not None}
    if all(int(one["at"]) for one in space["placements"]):
        said["fill"] = f"0x{(1 << space['width']) - 1:X}"
    said["placements"] = [{**one, "at": f"0x{int(one['at']):X}"} for one in space["placements"]]
    return yaml.safe_dump([said], sort_keys=False, default_flow_style=None, width=_LINE).rstrip()


def _placed(placements: Sequence[PlacementRecord]) -> str:
    """`K1 at 0xE000, K2 at 0xE800`, or the lanes of one word."""
    if len(placements) == 1:
        return _some(placements[0]["lanes"], " | ")
    return _some([f"{' | '.join(one['lanes'])} at 0x{int(one['at']):X}" for one in placements], ", ")


def _some(names: Sequence[str], between: str) -> str:
    more = f" … and {len(names) - MOST_LANES} more" if len(names) > MOST_LANES else ""
    return between.join(names[:MOST_LANES]) + more


def _kin_lines(kin: Iterable[Kin]) -> list[str]:
    groups: dict[tuple[str, frozenset[str]], Sequence[str]] = {}
    for code, chip, others in kin:
        ordered = others if code == "stands-at" else sorted({chip, *others})
        groups.setdefault((code, frozenset((chip, *others))), ordered)
    lines = [f"{_in_words(code)}: {_some(chips, ', ')}" for (code, _), chips in groups.items()]
    more = [f"… and {len(lines) - MOST_KIN} more groups of kin; the record has them all"]
    return lines[:MOST_KIN] + (more if len(lines) > MOST_KIN else [])

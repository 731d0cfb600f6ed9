"""What the content of all chips suggests, as lines for a terminal: programs, spaces, kin."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from pipeline.one_line import one_line
from schemas.finding import families_said
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.finding import FindingRecord
    from schemas.record import ChipRecord, SuggestedSpace
    from schemas.recorded_sheet import PlacementRecord

_LINE = 78
"""Characters of a line of a row: as long as a terminal's, so that a mail program breaks none."""
MOST_SPACES, MOST_LANES, MOST_KIN, MOST_READ = 8, 8, 12, 20
_LONG = 256
"""Words: in shorter stretches no program is looked for."""
KINSHIP = {
    "same-content": "the same content",
    "inverse-content": "the inverse content",
    "part-of": "parts of each other",
}
"""Codes by which a chip is another's kin, in words; chips that interleave are told by their space."""

Kin = tuple[str, str, tuple[str, ...]]
"""Code, chip, and the chips that it is about."""


def kin_of(chip: str, findings: Iterable[FindingRecord]) -> tuple[Kin, ...]:
    """What one chip's findings say of kin."""
    return tuple(
        (one["code"], chip, tuple(map(str, one["where"].get("with", ()))))
        for one in findings
        if one["code"] in KINSHIP
    )


class ReadsFor(NamedTuple):
    """What a chip's content is a program for.

    Attributes:
        chip: Its id.
        families: Processors, where it is told.
        no_known: It has a long stretch of no known kind, and reads as a program for no known processor.
    """

    chip: str
    families: tuple[str, ...]
    no_known: bool


def reads_for(record: ChipRecord) -> ReadsFor:
    """What one chip's record says of processors."""
    families = tuple(family for one in record["findings"] for family in families_said(one))
    return ReadsFor(record["chip"], families, record.get("program") is None and _long_dense(record))


def _long_dense(record: ChipRecord) -> bool:
    """Whether a chip of whole bytes has a stretch of no known kind in which a program would show."""
    bits = Organisation.parse(record["organisation"]).bits if record["organisation"] else 0
    return bits in {8, 16} and any(
        one["kind"] == "dense" and one["end"] - one["start"] >= _LONG for one in record["regions"]
    )


def programs(chips: Iterable[ReadsFor]) -> list[str]:
    """Which chips read as programs, a line a family of processors, and which read as one for none of them."""
    found: dict[tuple[str, ...], list[str]] = {}
    unknown = []
    for chip in chips:
        if chip.families:
            found.setdefault(chip.families, []).append(chip.chip)
        if chip.no_known:
            unknown.append(chip.chip)
    lines = [
        f"program for {' or '.join(family.upper() for family in families)}: {_read(names)}"
        for families, names in sorted(found.items())
    ]
    if unknown:
        lines.append(f"no processor that Wellread knows (or no program): {_read(unknown)}")
    return [one_line(line) for line in lines]


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
    groups: Mapping[tuple[str, frozenset[str]], None] = dict.fromkeys(
        (code, frozenset((chip, *others))) for code, chip, others in kin
    )
    lines = [f"{KINSHIP[code]}: {_some(sorted(chips), ', ')}" for code, chips in groups]
    more = [f"… and {len(lines) - MOST_KIN} more groups of kin; the record has them all"]
    return lines[:MOST_KIN] + (more if len(lines) > MOST_KIN else [])

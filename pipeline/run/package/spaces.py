"""The address spaces of a machine, written into the bag."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import write_member
from pipeline.machine import WholeMachine, chips_of
from pipeline.run.package.chip_pages import image_base
from pipeline.stages.assemble import Assembled, space_bytes
from pipeline.stages.content import SelfCheck
from schemas.sheet import Space

if TYPE_CHECKING:
    from schemas.record import SpaceRecord
    from schemas.recorded_sheet import PlacementRecord


def space_records(machine: WholeMachine, root: Path | None, entries: list[BagEntry]) -> list[SpaceRecord]:
    """The spaces' records; the spaces themselves are written where there is a bag.

    Args:
        machine: Once all chips have spoken.
        root: The bag in staging, or None where nothing is written.
        entries: Takes what was written.
    """
    return [
        _space_record(machine, root, space, bank, checks, entries) for space, bank, checks in machine.spaces
    ]


def _space_record(
    machine: WholeMachine,
    root: Path | None,
    space: Space,
    bank: Assembled,
    checks: Sequence[SelfCheck],
    entries: list[BagEntry],
) -> SpaceRecord:
    """A space as the record has it, its file and mask written where it could be assembled."""
    order = space.byte_order or "big"
    chips = chips_of(space, bank.bank)
    paths = _image_paths(machine, chips)
    record: SpaceRecord = {
        "name": space.name + (f".{bank.bank}" if bank.bank else ""),
        "width": space.width,
        "byte_order": order,
        "unit": space.unit,
        "path": None,
        "words": len(bank.filled),
        "incomplete": bank.lacking,
        "unsettled": not all(machine.may_be_burned(chip) for chip in chips if chip in machine.organisations),
        "holes": [list(hole) for hole in bank.holes],
        "reasons": list(bank.reasons),
        "placements": [
            cast("PlacementRecord", one.model_dump(mode="json", exclude_none=True))
            for one in space.placements
            if (one.bank or "") == bank.bank
        ],
        "checks": [check.to_json() for check in checks],
        "image_paths": [paths[chip] for chip in chips if chip in paths],
    }
    if cautions := machine.space_cautions.get((space.name, bank.bank)):
        record["cautions"] = cautions
    if space.fill is not None:
        record["fill"] = space.fill
    if space.description is not None:
        record["description"] = space.description
    if bank.words is not None:
        name = record["path"] = f"data/spaces/{record['name']}.bin"
        if root is None:
            return record
        entry = write_member(root, name, space_bytes(bank.words, space.width, order))
        entries.append(entry)
        record["size_bytes"], record["original_name"] = entry.size_bytes, None
        record["sha256"], record["sha512"] = entry.sha256, entry.sha512
    return record


def _image_paths(machine: WholeMachine, chips: Sequence[str]) -> dict[str, str]:
    """Chip → path of its image in the bag, for chips that have one."""
    boards = {planned.chip.chip: planned.chip.board for planned in machine.plan.chips}
    return {
        chip: f"{image_base(boards[chip], chip, settled=machine.may_be_burned(chip))}.bin"
        for chip in chips
        if chip in machine.organisations
    }

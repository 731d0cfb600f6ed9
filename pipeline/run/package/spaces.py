"""The address spaces of a machine, written into the bag."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import write_member
from pipeline.machine import WholeMachine, chips_of
from pipeline.run.package.chip_pages import image_base
from pipeline.stages.assemble import Assembled, space_bytes
from pipeline.stages.content import SelfCheck
from schemas.sheet import Space


def space_records(machine: WholeMachine, root: Path, entries: list[BagEntry]) -> list[dict[str, Any]]:
    """Writes the spaces; their records."""
    return [
        _space_record(machine, root, space, bank, checks, entries) for space, bank, checks in machine.spaces
    ]


def _space_record(
    machine: WholeMachine,
    root: Path,
    space: Space,
    bank: Assembled,
    checks: Sequence[SelfCheck],
    entries: list[BagEntry],
) -> dict[str, Any]:
    order = space.byte_order or "big"
    chips = chips_of(space, bank.bank)
    paths = _image_paths(machine, chips)
    record: dict[str, Any] = {
        "name": space.name + (f".{bank.bank}" if bank.bank else ""),
        "width": space.width,
        "byte_order": order,
        "unit": space.unit,
        "path": None,
        "words": len(bank.filled),
        "incomplete": bool(bank.absent),
        "unsettled": not all(machine.may_be_burned(chip) for chip in chips if chip in machine.organisations),
        "holes": [list(hole) for hole in bank.holes],
        "reasons": list(bank.reasons),
        "placements": [
            one.model_dump(mode="json", exclude_none=True)
            for one in space.placements
            if (one.bank or "") == bank.bank
        ],
        "checks": [check.to_json() for check in checks],
        "image_paths": [paths[chip] for chip in chips if chip in paths],
    }
    for key in ("fill", "description"):
        value = getattr(space, key)
        if value is not None:
            record[key] = value
    if bank.words is not None:
        name = f"data/spaces/{record['name']}.bin"
        entry = write_member(root, name, space_bytes(bank.words, space.width, order))
        entries.append(entry)
        record |= {
            "path": name,
            "size_bytes": entry.size_bytes,
            "sha256": entry.sha256,
            "sha512": entry.sha512,
        }
        record["original_name"] = None
    return record


def _image_paths(machine: WholeMachine, chips: Sequence[str]) -> dict[str, str]:
    """Chip → path of its image in the bag, for chips that have one."""
    boards = {planned.chip.chip: planned.chip.board for planned in machine.plan.chips}
    return {
        chip: f"{image_base(boards[chip], chip, settled=machine.may_be_burned(chip))}.bin"
        for chip in chips
        if chip in machine.organisations
    }

"""Machines of several owners: project folders whose chips are specimens of the same programs."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.kit.files import binary
from tests.kit.wires import Image

RIGHTS = {"statement": "http://rightsstatements.org/vocab/CNE/1.0/"}
RELEASE = {"allowed_by": "the owner", "ground": "their own machine"}


@dataclass(frozen=True)
class Held:
    """One chip of an owner's machine.

    Attributes:
        chip: Its id.
        passes: What its one reader read, pass by pass.
        bits: Of a word.
        part: Its catalogue number, or "".
        says: Further keys of its row.
    """

    chip: str
    passes: tuple[Image, ...]
    bits: int = 8
    part: str = "2716"
    says: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Owner:
    """An owner's machine and the reader that they have.

    Attributes:
        machine: Its id, and the folder's name.
        custodian: Who keeps it.
        reader: The reader's id.
        facts: What the sheet says of the reader.
        release: On whose word content may go out; None for a bundle of metadata.
        more: Further keys of the sheet.
    """

    machine: str
    custodian: str
    reader: str
    facts: Mapping[str, Any] = field(default_factory=lambda: {"kind": "home-built"})
    release: Mapping[str, Any] | None = field(default_factory=lambda: RELEASE)
    more: Mapping[str, Any] = field(default_factory=dict)


def machine(place: Path, owner: Owner, chips: Sequence[Held]) -> Path:
    """Writes the project folder `place/MACHINE`, its dumps named CHIP.READER.N.bin."""
    folder = place / owner.machine
    (folder / "dumps").mkdir(parents=True)
    assert chips
    rows = []
    for one in chips:
        row = {
            "chip": one.chip,
            "board": "main",
            "socket": one.chip,
            **({"part": one.part} if one.part else {}),
        }
        if one.passes:
            row["organisation"] = f"{one.passes[0].size}x{one.bits}"
        rows.append({**row, "original": True, **one.says})
        for number, words in enumerate(one.passes, start=1):
            name = f"{one.chip}.{owner.reader}.{number}.bin"
            (folder / "dumps" / name).write_bytes(binary(words, one.bits))
    sheet: dict[str, Any] = {
        "machine": {"id": owner.machine, "name": f"The machine of {owner.custodian}"},
        "custodian": {"organisation": owner.custodian},
        "rights": RIGHTS,
        "readers": {owner.reader: dict(owner.facts)},
        "boards": {"main": {"number": "MB-1"}},
        "chips": rows,
        **({"release": dict(owner.release)} if owner.release else {}),
        **owner.more,
    }
    # JSON is YAML; the sheet takes every scalar as text.
    (folder / "sheet.yaml").write_text(json.dumps(sheet, indent=0), encoding="utf-8")
    return folder

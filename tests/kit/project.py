"""A project folder made from values.

Chips with what they truly hold, readings with what the readers made of it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from tests.kit.files import binary
from tests.kit.wires import Image

Kind = Literal["device-programmer", "home-built", "other", ""]


@dataclass(frozen=True)
class Reader:
    """A reader as the sheet tells of it."""

    name: str
    kind: Kind = "home-built"


@dataclass(frozen=True)
class Reading:
    """One reading: a file a pass.

    Attributes:
        reader: Who read.
        passes: The files' content.
        says: Further keys of its row, such as `wiring`, `read_as`, `date`.
    """

    reader: Reader
    passes: tuple[bytes, ...]
    says: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Chip:
    """One chip.

    Attributes:
        chip: Its id, unique in the project.
        truth: What it holds.
        bits: Of a word.
        readings: In the sheet's order.
        part: Its catalogue number, or "".
        says: Further keys of its row.
    """

    chip: str
    truth: Image
    bits: int
    readings: tuple[Reading, ...]
    part: str = ""
    says: Mapping[str, Any] = field(default_factory=dict)

    @property
    def image(self) -> bytes:
        """The truth as an image file has it."""
        return binary(self.truth, self.bits)


def plain(words: Image, bits: int, reader: Reader, count: int = 1, **says: Any) -> Reading:
    """A reading of `count` equal passes in binary files; wide words are said to be big-endian."""
    order = {"byte_order": "big"} if bits > 8 else {}
    return Reading(reader, (binary(words, bits),) * count, {"format": "binary", **order, **says})


def project(
    folder: Path, chips: Iterable[Chip], *, machine: str = "kit", wirings: Mapping[str, Any] | None = None
) -> Path:
    """Writes `sheet.yaml` and `dumps/`.

    Args:
        folder: Is made; must not exist.
        chips: One or more.
        machine: Its id.
        wirings: The sheet's `wirings`, where there are any.
    """
    dumps = folder / "dumps"
    dumps.mkdir(parents=True)
    readers: dict[str, Reader] = {}
    rows: list[dict[str, Any]] = []
    readings: list[dict[str, Any]] = []
    for chip in chips:
        rows.append(_row(chip))
        for number, reading in enumerate(chip.readings, start=1):
            readers.setdefault(reading.reader.name, reading.reader)
            readings.append(_written(dumps, chip, reading, number))
    assert rows
    boards: dict[str, dict[str, str]] = {str(row["board"]): {} for row in rows if "board" in row}
    sheet: dict[str, Any] = {
        "wellread": "1",
        "boards": boards,
        "machine": {"id": machine, "name": "Made by the kit"},
        "readers": {name: {"kind": one.kind} if one.kind else {} for name, one in readers.items()},
        "chips": rows,
        "readings": readings,
    }
    if wirings:
        sheet["wirings"] = wirings
    # JSON is YAML; the sheet takes every scalar as text.
    (folder / "sheet.yaml").write_text(json.dumps(sheet, indent=0), encoding="utf-8")
    return folder


def _row(chip: Chip) -> dict[str, Any]:
    row: dict[str, Any] = {"chip": chip.chip, "organisation": f"{chip.truth.size}x{chip.bits}"}
    return row | ({"part": chip.part} if chip.part else {}) | dict(chip.says)


def _written(dumps: Path, chip: Chip, reading: Reading, number: int) -> dict[str, Any]:
    names = []
    for index, content in enumerate(reading.passes, start=1):
        name = f"{chip.chip}_{number}_{index}.dump"
        (dumps / name).write_bytes(content)
        names.append(name)
    return {"chip": chip.chip, "reader": reading.reader.name, "files": names, **reading.says}

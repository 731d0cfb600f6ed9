"""Shelves of bags by the thousand: each written by the program's own writer around a record made from values.

Packaging a thousand projects takes half an hour; what a shelf is asked does not depend on how its bags came
to be. Each bag passes a recheck.
"""

from __future__ import annotations

import copy
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.bags import record_file
from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import finish_bag, write_member
from tests.kit.wires import Image

ImageOf = Callable[[int, int], Image]
"""(bag, chip) → what the chip holds."""
GRADES = ("single", "repeatable", "corroborated", "self-checked", "contested", "missing")


def shelf(folder: Path, template: Path, bags: int, chips: int, image_of: ImageOf) -> list[Path]:
    """Writes `folder/machine-N-v1` for each N below `bags`.

    Args:
        folder: Is made where it is not there.
        template: A bag of the program with one settled chip at least, whose record is varied.
        bags: How many.
        chips: In each.
        image_of: What each chip holds.
    """
    whole = json.loads((template / record_file.PATH).read_bytes())
    one = next(chip for chip in whole["chips"] if chip["grade"] == "repeatable")
    head = {key: value for key, value in whole.items() if key != "chips"}
    assert bags
    return [_bag(folder, head, one, number, chips, image_of) for number in range(bags)]


def _bag(
    folder: Path, head: dict[str, Any], template: dict[str, Any], number: int, chips: int, image_of: ImageOf
) -> Path:
    name = f"machine-{number:04}-v1"
    root = folder / name
    root.mkdir(parents=True)
    own = copy.deepcopy(head)
    own["machine"] = {"id": f"machine-{number:04}", "name": f"Machine {number}", "year": "1980"}
    own["bag"], own["version"] = name, 1
    own |= {"spaces": [], "attachments": [], "sheet": [], "suggestions": []}
    entries: list[BagEntry] = []
    records = [_chip(root, entries, template, number, at, image_of(number, at)) for at in range(chips)]
    text = "".join(record_file.file_text(own, map(record_file.chip_text, records)))  # type: ignore[arg-type]
    entries.append(write_member(root, record_file.PATH, text.encode()))
    finish_bag(root, entries, [("External-Description", "made by the kit")])
    return root


def _chip(
    root: Path, entries: list[BagEntry], template: dict[str, Any], bag: int, at: int, image: Image
) -> dict[str, Any]:
    """One chip's record and files, its grade and label by its number."""
    chip = copy.deepcopy(template)
    content = image.astype(np.uint8).tobytes()
    grade = GRADES[(bag + at) % len(GRADES)]
    chip |= {
        "chip": f"U{at + 1}",
        "socket": f"U{at + 1}",
        "label": f"PROGRAM {at % 7} {bag % 50}",
        "organisation": f"{image.size}x8",
        "grade": grade,
        "held_back": [],
        "regions": [],
    }
    for reading in chip["readings"]:
        for stored in reading["files"]:
            entry = write_member(root, f"data/readings/main/U{at + 1}/{Path(stored['path']).name}", content)
            entries.append(entry)
            stored |= {"path": entry.path, "sha256": entry.sha256, "sha512": entry.sha512}
            stored["size_bytes"] = len(content)
    if grade == "missing":
        chip |= {"image": None, "readings": [], "state": "not-read"}
        return chip
    entry = write_member(root, f"data/images/main/U{at + 1}.bin", content)
    entries.append(entry)
    chip["image"] |= {
        "path": entry.path,
        "sha256": hashlib.sha256(content).hexdigest(),
        "sha512": entry.sha512,
        "size_bytes": len(content),
    }
    return chip

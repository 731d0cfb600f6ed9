"""`wellread start`: a sheet drafted from the files that lie there, one line a chip to be confirmed."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.catalogue import load
from pipeline.draft.chips import DraftedChip, DraftedReading, chips_of
from pipeline.draft.contents import FileContent, look_into
from pipeline.draft.file_names import named_file, nearest_id
from pipeline.draft.proposals import Proposal, find_part, marked_in_notes, propose
from pipeline.draft.sheet_text import sheet_text
from pipeline.edges.new_file import write_new
from pipeline.edges.project_folder import (
    SHEET_NAME,
    other_folders,
    project_folder,
    read_file,
    real,
    survey,
)
from pipeline.errors import DestinationError, NothingToDoError
from pipeline.result import Result
from pipeline.views.terminal import started

if TYPE_CHECKING:
    from pipeline.flow import FoundFile
    from schemas.answers import StartAnswer

_SHEETS = frozenset([".yaml", ".yml", ".csv", ".xlsx", ".py"])
"""Endings of files beside `dumps/` that are sheets, tables and scripts."""
_NOTES = frozenset([".txt", ".md", ".log", ""])
LARGEST_NOTES_BYTES = 1 << 20
NOT_LOOKED_INTO = (
    "a folder that is not looked into: move the dumps in it to dumps/, others to photos/ or docs/"
)
PUT = "Put what your readers wrote into dumps/ and run this again"


@dataclass(slots=True)
class Found:
    """What lies in a folder: readings, files that belong elsewhere, and notes.

    Attributes:
        readings: Dumps.
        left_out: (path, what it is and where it belongs).
        notes: Path → text, to be searched for markings.
    """

    readings: list[DraftedReading] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    notes: dict[str, str] = field(default_factory=dict)


def start_project(folder: Path) -> Result[StartAnswer]:
    """What `start` says; writes FOLDER/sheet.yaml and touches nothing else.

    Raises:
        DestinationError: There is a sheet already.
        NothingToDoError: No dumps are in the folder.
        StorageError: There is no such folder, or the disk refused.
    """
    root = project_folder(folder)
    if (root / SHEET_NAME).exists():
        raise DestinationError(
            where=str(root / SHEET_NAME),
            problem="there is a sheet already",
            remedy="Edit it, or move it away to start again",
        )
    found = _look_around(root)
    if not found.readings:
        reasons = "; ".join(f"{path} is {reason}" for path, reason in found.left_out[:3])
        raise NothingToDoError(
            where=str(root / "dumps"), problem=reasons or "there are no dump files", remedy=PUT
        )
    chips = _drafted(found)
    machine = (nearest_id(real(root).name), real(root).name)
    write_new(root / SHEET_NAME, sheet_text(machine, chips).encode("utf-8"))
    left_out = [*found.left_out, *_unheard(chips)]
    document: StartAnswer = {
        "schema": "wellread/start/1",
        "command": "start",
        "sheet": str(root / SHEET_NAME),
        "chips": len(chips),
        "readings": len(found.readings),
        "proposed": sum(1 for _, proposal in chips if proposal.part),
        "moves": [[one.path, "dumps/"] for one in found.readings if "/" not in one.path],
        "left_out": [list(one) for one in left_out],
    }
    return Result(document, started(document))


def _drafted(found: Found) -> list[tuple[DraftedChip, Proposal]]:
    """The chips with what is proposed of each, none asserted."""
    catalogue = load()
    chips = chips_of(found.readings)
    noted = marked_in_notes(found.notes, [chip.chip for chip in chips], catalogue)
    return [(chip, propose(chip, noted.get(chip.chip, ""), catalogue)) for chip in chips]


def _unheard(chips: list[tuple[DraftedChip, Proposal]]) -> list[tuple[str, str]]:
    """Files that were set aside, with the reason."""
    return [
        (one.path, f"{one.set_aside}; set aside")
        for chip, _ in chips
        for one in chip.readings
        if one.set_aside
    ]


def _look_around(root: Path) -> Found:
    """Every file looked into, none moved."""
    catalogue = load()
    found = Found([], [(f"{name}/", NOT_LOOKED_INTO) for name in other_folders(root)], {})
    for path, one in survey(root).items():
        if one.refused:
            if path.startswith("dumps/") or "/" not in path:
                found.left_out.append((path, one.refused))
        elif path.startswith(("photos/", "docs/")):
            _note(root, path, one, found.notes)
        elif path.startswith("dumps/") or _may_be_a_dump(path):
            content = look_into(read_file(root, path))
            if content.belongs:
                found.left_out.append((path, content.belongs))
                _note(root, path, one, found.notes)
            elif not content.refused or path.startswith("dumps/") or _looks_meant(path, content):
                named = named_file(path, lambda text: find_part(catalogue, text))
                found.readings.append(DraftedReading(path, named, content))
            else:
                found.left_out.append((path, f"cannot be read as a dump: {content.refused}"))
    return found


def _looks_meant(path: str, content: FileContent) -> bool:
    """Whether a file beside dumps/ that cannot be read is a dump all the same, by its ending."""
    return bool(content.refused) and Path(path).suffix.lower() in (
        ".bin",
        ".hex",
        ".rom",
        ".s19",
        ".jed",
        ".ihx",
    )


def _may_be_a_dump(path: str) -> bool:
    """A file that lies loose in the project folder, beside `dumps/`, and is no sheet."""
    return not ("/" in path or path.startswith(".")) and Path(path).suffix.lower() not in _SHEETS


def _note(root: Path, path: str, found: FoundFile, notes: dict[str, str]) -> None:
    """Keep a text in which markings may be noted."""
    if Path(path).suffix.lower() in _NOTES and found.size_bytes <= LARGEST_NOTES_BYTES:
        notes[path] = read_file(root, path).decode("utf-8", "replace")

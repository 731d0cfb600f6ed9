"""Whether a project is what it was when its newest version was made, told before any chip is worked on.

A version is the same where the same program would be given the same bytes: the sheet and its tables, every
dump, photograph and document, and what was received of twins. Only digests decide, and a file that cannot be
read now leaves the decision to the run itself, which says so.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from pipeline import __version__
from pipeline.edges.steady import steadily
from pipeline.errors import WellreadError
from pipeline.flow import Plan
from pipeline.run.package.open_project import Project
from pipeline.run.package.twins import OpenTwin
from pipeline.run.package.versions import Previous
from schemas.record import Record

_BLOCK = 1 << 20


def inputs_digest(inputs: Mapping[str, str]) -> str:
    """One digest over everything that goes into a bag.

    Args:
        inputs: Path in the project folder, or `twins/` and a twin's key → SHA-256.
    """
    lines = (f"{sha256}  {path}\n" for path, sha256 in sorted(inputs.items()))
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def attached(project: Project) -> list[str]:
    """Photographs and documents that are packed as they are."""
    return [
        path
        for path, found in project.files.items()
        if path.startswith(("photos/", "docs/")) and not found.refused
    ]


def told_same(previous: Previous | None, inputs_sha256: str) -> bool:
    """Whether a version was made of these inputs by this version of the program."""
    return (
        previous is not None
        and previous.record.get("inputs_sha256") == inputs_sha256
        and previous.record["software"]["version"] == __version__
    )


def is_unchanged(
    project: Project, plan: Plan, loose: Sequence[str], twins: Sequence[OpenTwin], previous: Previous | None
) -> bool:
    """Whether all inputs are what the newest version was made of; the first that is not ends the search.

    Args:
        project: Looked over.
        plan: Of it.
        loose: Dump files that no reading names.
        twins: That the sheet names, verified.
        previous: The newest version.
    """
    if previous is None or previous.record["software"]["version"] != __version__:
        return False
    inputs = {f"twins/{one.key}": one.receipt for one in twins}
    inputs |= {name: hashlib.sha256(text).hexdigest() for name, text in project.sheet_files.items()}
    read = (path for chip in plan.chips for reading in chip.readings for path in reading.files)
    was = dict(_recorded(previous.record))
    try:
        for path in dict.fromkeys([*read, *loose, *attached(project)]):
            if was.get(path) != inputs.setdefault(path, _sha256(project.folder / path)):
                return False
    except (OSError, WellreadError):
        return False
    return told_same(previous, inputs_digest(inputs))


def _recorded(record: Record) -> Iterator[tuple[str, str]]:
    """(path in the project folder, SHA-256) of every file that a version holds, as its record has them."""
    for chip in record["chips"]:
        for reading in chip["readings"]:
            yield from _named(reading["files"])
    yield from _named(record.get("attachments", ()))


def _named(files: Iterable[Mapping[str, object]]) -> Iterator[tuple[str, str]]:
    for one in files:
        yield str(one["original_name"]), str(one["sha256"])


def _sha256(path: Path) -> str:
    """Of a file as it was at one moment."""

    def digest() -> str:
        found = hashlib.sha256()
        with path.open("rb", buffering=0) as stream:
            while block := stream.read(_BLOCK):
                found.update(block)
        return found.hexdigest()

    return steadily(path, digest)

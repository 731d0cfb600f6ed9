"""A project none of whose files is newer than its newest version, told before its sheet is read.

Whoever packages a shelf of projects once more has changed few of them. The sheet's bytes find the version;
its record says of which files it was made, and with which digests. Where the same files are there and no
others, and all have the bytes that they had, the plan is the one that it was, too: the same program makes it
of the same bytes. Times only decide who looks: a file that is newer than the version leaves the decision to
the longer way (`unchanged`), and so does whatever is odd here, since that way has the words for it.
"""
# ruff: noqa: PTH116, PTH118 - paths stay text here: a Path for each of 20,000 files costs as much as
# its digest

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline import __version__
from pipeline.bags import record_file
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import Observing
from pipeline.edges.clock import now
from pipeline.edges.memory import need_room
from pipeline.edges.project_folder import SHEET_NAME, destination, project_folder, read_file, survey
from pipeline.edges.steady import steadily
from pipeline.errors import BagError, WellreadError
from pipeline.flow import ChipSummary, Packaged
from pipeline.run.leftovers import dead_versions
from pipeline.to_do import to_do

if TYPE_CHECKING:
    from pipeline.bags.observed import Verdict
    from pipeline.flow import FoundFile
    from schemas.record import Record

_BLOCK = 1 << 16
_BAG = re.compile(r"(.+)-v([1-9][0-9]{0,6})")
_SHEET_IN_BAG = f"metadata/{SHEET_NAME}"


class _SheetsVersion(NamedTuple):
    """The newest version of a machine, found by its sheet."""

    machine: str
    path: Path


class _SameFiles(NamedTuple):
    """What was made of these very files.

    Attributes:
        record: Of the version.
        chips: What the terminal shows of them.
    """

    record: Record
    chips: list[ChipSummary]


def untouched_version(
    folder: Path, into: Path | None, *, quiet: bool, clear_leftovers: bool
) -> Packaged | None:
    """The newest version again, where no file is newer and all have the bytes that it was made of; else None.

    While the inputs are digested here, other processes digest the bag.

    Args:
        folder: The project folder.
        into: Where the bag goes; beside the folder where not said.
        quiet: No notices.
        clear_leftovers: Remove what runs that died in the middle left beside the bag.

    Raises:
        BagError: Nothing has changed, but the version does not pass a recheck.
        StorageError: The disk refused the bag's folder.
    """
    try:
        need_room(str(folder))
        project_folder(folder)
        place = destination(folder, into)
        newest = _newest_with(read_file(folder, SHEET_NAME), place)
        if newest is None:
            return None
        files = survey(folder)
        if _any_newer(folder, files, newest.path):
            return None
    except (OSError, WellreadError):
        return None
    with Observing(newest.path) as observing:
        found = _made_of(folder, files, newest)
        if found is None:
            return None
        verdict = judge(observing.observation())
    dead_versions(place, newest.machine, clear=clear_leftovers, quiet=quiet)
    return same_again(newest.path, found.chips, found.record, (), verdict)


def _newest_with(sheet: bytes, place: Path) -> _SheetsVersion | None:
    """The newest version of a machine that holds this very sheet; None where several machines' do."""
    newest: dict[str, int] = {}
    for name in os.listdir(place):  # noqa: PTH208 - names alone are wanted
        match = _BAG.fullmatch(name)
        if match:
            newest[match[1]] = max(newest.get(match[1], 0), int(match[2]))
    named = [_SheetsVersion(machine, place / f"{machine}-v{version}") for machine, version in newest.items()]
    holding = [one for one in named if _holds(one.path, sheet)]
    return holding[0] if len(holding) == 1 else None


def _holds(bag: Path, sheet: bytes) -> bool:
    path = os.path.join(bag, _SHEET_IN_BAG)
    try:
        return os.stat(path).st_size == len(sheet) and Path(path).read_bytes() == sheet
    except OSError:
        return False


def _any_newer(folder: Path, files: Mapping[str, FoundFile], bag: Path) -> bool:
    made = os.stat(os.path.join(bag, record_file.PATH)).st_mtime
    return any(os.stat(os.path.join(folder, path)).st_mtime > made for path in files)


def _made_of(folder: Path, files: Mapping[str, FoundFile], newest: _SheetsVersion) -> _SameFiles | None:
    """The record of a version, if it is of this program and of these files; else None."""
    try:
        record = json.loads((newest.path / record_file.PATH).read_bytes())
        if not _is_plain(record, newest.machine):
            return None
        was = dict([*_named(record["sheet"]), *files_held(record)])
        if not _are_all(files, was):
            return None
        inputs = {path: digest_of_file(os.path.join(folder, path)) for path in was}
        if inputs != was or inputs_digest(inputs) != record["inputs_sha256"]:
            return None
        return _SameFiles(record, summaries(record))
    except _NOT_TOLD:
        return None


_NOT_TOLD = (OSError, WellreadError, ValueError, TypeError, KeyError, AttributeError, RecursionError)
"""What a record may raise that is none of ours, and a file that cannot be read now."""


def _is_plain(record: Any, machine: str) -> bool:
    """Whether a version needs nothing told again that is read from the sheet or the clock."""
    return bool(
        record["machine"]["id"] == machine
        and record["software"]["version"] == __version__
        and record["cautions"] == []
        and record["created"] <= now().text
    )


def _are_all(files: Mapping[str, FoundFile], was: Mapping[str, object]) -> bool:
    """Whether the files are those and no others.

    What lies at the folder's top and went into no version is read by nobody: a sheet that named it has it
    among its files, and one that named what was not there was refused.
    """
    there = {path for path in files if "/" in path or path in was}
    return there == was.keys() and not any(one.refused for one in files.values())


def files_held(record: Record) -> Iterator[tuple[str, str]]:
    """(path in the project folder, SHA-256) of every file beside the sheet that a version was made of."""
    for chip in record["chips"]:
        for reading in chip["readings"]:
            yield from _named(reading["files"])
    yield from _named(record.get("attachments", ()))


def _named(files: Iterable[Mapping[str, object]]) -> Iterator[tuple[str, str]]:
    for one in files:
        yield str(one["original_name"]), str(one["sha256"])


def summaries(record: Record) -> list[ChipSummary]:
    """What the terminal shows of the chips of a version that was made before."""
    return [ChipSummary(one["chip"], one["grade"], to_do(one).brief) for one in record["chips"]]


def same_again(
    bag: Path, chips: list[ChipSummary], record: Record, cautions: tuple[str, ...], verdict: Verdict
) -> Packaged:
    """The newest version again; a damaged one is not passed off as what the project is.

    Args:
        bag: The newest version.
        chips: Of it.
        record: Of it.
        cautions: About the sheet.
        verdict: Of a recheck of that version.

    Raises:
        BagError: It does not pass.
    """
    if not verdict.valid:
        first = verdict.problems[0]
        raise BagError(
            where=str(bag),
            problem=f"nothing has changed since this version, but it is damaged ({first.path}: "
            f"{first.means})",
            remedy="Mend it from a copy with `wellread mend`, or move it away and package again",
        )
    crossed = tuple(one["says"] for one in record.get("qualification", {}).get("crossed", ()))
    return Packaged(
        bag, bag.name, chips, cautions + crossed, suggestions=tuple(record.get("suggestions", ()))
    )


def inputs_digest(inputs: Mapping[str, str]) -> str:
    """One digest over everything that goes into a bag.

    Args:
        inputs: Path in the project folder, or `twins/` and a twin's key → SHA-256.
    """
    found = hashlib.sha256()
    for path in sorted(inputs):
        found.update(f"{inputs[path]}  {path}\n".encode())
    return found.hexdigest()


def digest_of_file(path: str) -> str:
    """SHA-256 of a file as it was at one moment.

    Raises:
        StorageError: It changes each time that it is read.
        OSError: The disk refuses.
    """

    def digest() -> str:
        found = hashlib.sha256()
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0))
        try:
            while block := os.read(handle, _BLOCK):
                found.update(block)
        finally:
            os.close(handle)
        return found.hexdigest()

    return steadily(path, digest)

"""Versions of a machine's bag: which there are, whether anything changed, why the next supersedes."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.bags import record_file
from pipeline.edges.bags.observe import receipt
from pipeline.errors import BagError
from pipeline.flow import ChipSummary
from schemas.base import follows
from schemas.record import Record

if TYPE_CHECKING:
    from schemas.record import ChipRecord, RecordHead


class Previous(NamedTuple):
    """The newest version found beside the new one.

    Attributes:
        bag: Its name.
        path: Its folder.
        version: 1, 2, 3 …
        record: Its record, as plain JSON data.
        receipt: Digest over its tag manifests.
    """

    bag: str
    path: Path
    version: int
    record: Record
    receipt: str


def newest(destination: Path, machine: str) -> Previous | None:
    """The newest bag of this machine in the destination.

    Raises:
        BagError: There is a folder of that name which is no bag of ours; its record says nothing.
    """
    pattern = re.compile(re.escape(machine) + r"-v([1-9][0-9]{0,6})")
    found = []
    if destination.is_dir():
        for path in destination.iterdir():
            match = pattern.fullmatch(path.name)
            if match and path.is_dir():
                found.append((int(match[1]), path))
    if not found:
        return None
    version, path = max(found)
    try:
        content = (path / record_file.PATH).read_bytes()
        record = record_file.whole(content)
        follows(Record, content, unknown="allow")
    except (OSError, ValueError, RecursionError) as error:
        raise _no_version(path) from error
    if not _is_record(record):
        raise _no_version(path)
    return Previous(path.name, path, version, record, receipt(path))


_NEEDED = ("chips", "sheet", "software", "inputs_sha256")
"""Parts of a record without which the next version cannot be held against it."""


def _is_record(record: Any) -> bool:
    return (
        isinstance(record, dict)
        and all(key in record for key in _NEEDED)
        and isinstance(record["software"], dict)
        and "version" in record["software"]
        and not any(map(record_file.lacking, record["chips"]))
    )


def _no_version(path: Path) -> BagError:
    return BagError(
        where=str(path),
        problem=(
            "this has the name of an earlier version, but holds no metadata/record.json that can be "
            "read, so nothing can be said to supersede it"
        ),
        remedy="Check it with `wellread recheck`; mend it from a copy, or move it away",
    )


def reasons(previous: Record, head: RecordHead, chips: Iterable[ChipSummary]) -> tuple[str, ...]:
    """What has changed since the previous version, in words.

    Args:
        previous: The previous record, whole.
        head: The new record without its chips.
        chips: The new chips.
    """
    out: list[str] = []
    old = {chip["chip"]: chip for chip in previous["chips"]}
    seen = set()
    added, changed, regraded, read = [], [], [], []
    for chip in chips:
        name = chip.chip
        seen.add(name)
        before = old.get(name)
        if before is None:
            added.append(name)
            continue
        if _digest(before) != chip.image_sha256:
            changed.append(name)
        if before["grade"] != chip.grade:
            regraded.append(f"{name} from {before['grade']} to {chip.grade}")
        if {reading["reading"] for reading in before["readings"]} != chip.readings:
            read.append(name)
    gone = [name for name in old if name not in seen]
    for label, names in (
        ("chips added", added),
        ("chips gone", gone),
        ("readings added or removed", read),
        ("images changed", changed),
        ("grade changed", regraded),
    ):
        if names:
            shown = ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
            out.append(f"{label}: {shown}")
    before_sheet = {stored["original_name"]: stored["sha256"] for stored in previous["sheet"]}
    if before_sheet != {stored["original_name"]: stored["sha256"] for stored in head["sheet"]}:
        out.append("the sheet was edited")
    if _files(previous) != _files(head):
        out.append("photographs or documents changed")
    if previous["software"]["version"] != head["software"]["version"]:
        out.append(
            f"made by wellread {head['software']['version']} instead of {previous['software']['version']}"
        )
    return tuple(out) or ("dump files changed without a change in any image",)


def _digest(chip: ChipRecord) -> str | None:
    image = chip.get("image")
    return image["sha256"] if image else None


def _files(record: RecordHead) -> dict[str | None, str]:
    return {stored["original_name"]: stored["sha256"] for stored in record.get("attachments", ())}

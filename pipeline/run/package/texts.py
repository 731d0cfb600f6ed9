"""The files of a bag that are made of the finished record: schemas and the report."""

from __future__ import annotations

import pkgutil
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bags import record_file
from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.pieced import Pieced
from pipeline.edges.bags.writer import member_content, write_member
from pipeline.run.package.kept_passes import read_of
from pipeline.views.report import SINGLE_PAGE_BELOW, Summary, first_page, photographs_page, report_pages

if TYPE_CHECKING:
    from pipeline.views.report.head import ContentKind, ReportHead, TimelineEvent
    from schemas.record import RecordHead

SCHEMA_FILES = ("record.schema.json", "sheet.schema.json", "finding.schema.json", "bagit-profile.json")


def schema_files() -> Iterator[tuple[str, bytes]]:
    """The schemas that a bag carries with it, so that it explains itself."""
    for name in SCHEMA_FILES:
        content = pkgutil.get_data("schemas", f"json/{name}")
        assert content is not None
        yield f"metadata/schemas/{name}", content


def events(head: RecordHead, captured: Iterable[tuple[str, str]]) -> list[TimelineEvent]:
    """The time line of the report: captures by reader and date, then the packaging.

    Args:
        head: The record without its chips.
        entries: Files written so far.
        captured: (date or "", reader) of every reading.
    """
    captures = Counter((date, reader) for date, reader in captured)
    out: list[TimelineEvent] = [
        {
            "when": date or "not said",
            "what": "capture",
            "detail": f"{count} reading{'s' if count > 1 else ''} by {reader}",
            "agent": reader,
        }
        for (date, reader), count in sorted(captures.items())
    ]
    program = f"wellread {head['software']['version']}"
    for what, detail in (
        ("ingestion", "dump files taken over byte for byte"),
        ("message digest calculation", "SHA-256 and SHA-512 of every file"),
        ("normalization", "images derived from the readings, each step recorded"),
        ("validation", "readings compared and examined for reading faults"),
        ("information package creation", f"bag {head['bag']} created"),
    ):
        out.append({"when": head["created"], "what": what, "detail": detail, "agent": program})
    return out


KINDS = (
    ("data/readings", "readings, byte for byte"),
    ("data/images-unsettled", "images not settled, kept apart"),
    ("data/images", "images"),
    ("data/spaces", "address spaces"),
    ("data/photos", "photographs"),
    ("data/docs", "documents"),
    ("data/sheet", "sheet"),
    ("metadata", "records and schemas"),
)
"""Where each kind of file lies, the longer beginning first."""


def contents(entries: Iterable[BagEntry | Pieced]) -> list[ContentKind]:
    """What lies in the bag beside the report and the tag files, kind by kind.

    Args:
        entries: Files that are written, or are being written.
    """
    files: Counter[str] = Counter()
    octets: Counter[str] = Counter()
    for entry in entries:
        kind = next((kind for start, kind in KINDS if entry.path.startswith(start)), "")
        if kind:
            files[kind] += 1
            octets[kind] += entry.size_bytes
    return [
        {"kind": kind, "files": files[kind], "bytes": octets[kind], "payload": start.startswith("data/")}
        for start, kind in KINDS
        if files[kind]
    ]


def write_report(
    root: Path,
    head: RecordHead,
    entries: Iterable[BagEntry | Pieced],
    *,
    captured: Iterable[tuple[str, str]],
    summaries: Sequence[Summary],
    record: Pieced,
    images: Path,
) -> list[BagEntry]:
    """The report's first page, and for small sets everything in it.

    Chip pages of large sets exist already.

    Args:
        root: The bag in staging.
        head: The record without its chips.
        entries: Files that are written, or are being written.
        captured: (date or "", reader) of every reading.
        summaries: Of every chip.
        record: Of the bag.
        images: The folder in which what was read differently was kept.
    """
    told: ReportHead = {**head, "events": events(head, captured), "contents": contents(entries)}

    def load(path: str) -> bytes:
        return member_content(root, path)

    if len(summaries) >= SINGLE_PAGE_BELOW:
        first = [("index.html", first_page(told, summaries, load=load)), *photographs_page(told, summaries)]
        return [write_member(root, f"data/report/{name}", content) for name, content in first]
    content = b"".join(record.chunks())
    pages = report_pages(told, lambda: record_file.whole(content)["chips"], load, read=read_of(images))
    return [write_member(root, f"data/report/{name}", content) for name, content in pages]

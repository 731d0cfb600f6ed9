"""The files of a bag that are made of the finished record: schemas and the report."""

from __future__ import annotations

import json
import pkgutil
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import write_member
from pipeline.run.package.spool import Bytes
from pipeline.views.report import SINGLE_PAGE_BELOW, Summary, first_page, report_pages

if TYPE_CHECKING:
    from pipeline.views.report.head import ReportHead, TimelineEvent
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


def write_report(
    root: Path,
    head: RecordHead,
    *,
    captured: Iterable[tuple[str, str]],
    summaries: Sequence[Summary],
    records: Bytes,
) -> list[BagEntry]:
    """The report's first page, and for small sets everything in it.

    Chip pages of large sets exist already.
    """
    told: ReportHead = {**head, "events": events(head, captured)}

    def load(path: str) -> bytes:
        return (root / path).read_bytes()

    if len(summaries) >= SINGLE_PAGE_BELOW:
        return [write_member(root, "data/report/index.html", first_page(told, summaries, load=load))]
    pages = report_pages(told, lambda: (json.loads(line) for line in records.lines()), load)
    return [write_member(root, f"data/report/{name}", content) for name, content in pages]

"""The files of a bag that are made of the finished record: schemas and the report."""

from __future__ import annotations

import json
import pkgutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pipeline.edges.bagdir import Entry, write_member
from pipeline.run.spool import Spool
from pipeline.views.report import SINGLE_PAGE_BELOW, first_page, report_pages, summary_of

SCHEMA_FILES = ("record.schema.json", "sheet.schema.json", "finding.schema.json", "bagit-profile.json")


def schema_files() -> Iterator[tuple[str, bytes]]:
    """The schemas that a bag carries with it, so that it explains itself."""
    for name in SCHEMA_FILES:
        content = pkgutil.get_data("schemas", f"json/{name}")
        assert content is not None
        yield f"metadata/schemas/{name}", content


def events(head: Mapping[str, Any], finished: Spool) -> list[dict[str, Any]]:
    """The time line of the report: captures by reader and date, then the packaging."""
    captures: dict[tuple[str, str], int] = {}
    for value in finished:
        for reading in value["chip"]["readings"]:
            key = (reading["how"].get("date", ""), reading["reader"])
            captures[key] = captures.get(key, 0) + 1
    out = [
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


def write_report(root: Path, head: Mapping[str, Any], finished: Spool) -> list[Entry]:
    """The report's first page, and for small sets everything in it; chip pages of large sets exist already."""
    told = {**head, "events": events(head, finished)}

    def load(path: str) -> bytes:
        return (root / path).read_bytes()

    if finished.count >= SINGLE_PAGE_BELOW:
        page = first_page(told, [summary_of(value["chip"]) for value in finished])
        return [write_member(root, "data/report/index.html", page)]
    pages = report_pages(told, lambda: (value["chip"] for value in finished), load)
    return [write_member(root, f"data/report/{name}", content) for name, content in pages]


def dump_json(document: Any) -> bytes:
    """A schema as it is kept: two blanks of indent, a newline at the end."""
    return (json.dumps(document, indent=2, ensure_ascii=False, sort_keys=False) + "\n").encode()

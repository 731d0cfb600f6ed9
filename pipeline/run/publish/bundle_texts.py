"""The texts of a public bundle, all made from the public view alone: report, record, PREMIS, README, crate, sums."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from pipeline.edges.bags.writer import MemberStream
from pipeline.one_line import inert_json
from pipeline.run.package.spool import Spool
from pipeline.run.publish.bundle_files import Making
from pipeline.views import bundle, notes
from pipeline.views.crate import crate
from pipeline.views.premis import STEPS, Premis

SCHEMAS = ("record.schema.json", "finding.schema.json", "bundle-profile.json")


def derived_files(making: Making, spool: Spool) -> None:
    """Step 5: everything that is made from the public view."""
    head, root = making.head, making.root
    assert root is not None
    grades: dict[str, list[str]] = {}
    for value in spool:
        grades.setdefault(value["chip"]["grade"], []).append(value["chip"]["chip"])
    _report(making, spool)
    _stream(
        making,
        "metadata/record.json",
        "Everything known, for programs: the public view of the record",
        _record(head, spool),
    )
    _stream(
        making,
        "metadata/premis.xml",
        "Provenance as PREMIS 3.0, made from the public view",
        _premis(head, spool),
    )
    _stream(making, "metadata/provenance.txt", "Provenance for a person", _notes(head, spool))
    for name in SCHEMAS:
        making.write(f"metadata/schemas/{name}", _schema(name), "Schema of the documents beside it")
    sums = (
        bundle.sums_line(v["chip"], **v["chip"]["image"]["matching"]) for v in spool if v["chip"].get("image")
    )
    _stream(
        making,
        "checksums-matching.txt",
        "CRC-32, MD5, SHA-1 and sums of the images",
        (bundle.SUMS_HEAD, *sums),
    )
    making.write("CITATION.cff", bundle.citation(head).encode(), "How to cite this bundle")
    text = bundle.readme(head, grades, bundle.left_behind(making.public.withheld), example=making.example)
    making.write("README.txt", text.encode(), "The first page")
    making.entries.sort(key=lambda entry: entry.path.encode())
    _stream(
        making,
        "ro-crate-metadata.json",
        "RO-Crate",
        crate(head, list(making.entries), making.described, (v["chip"] for v in spool)),
    )
    making.entries.sort(key=lambda entry: entry.path.encode())
    lines = "".join(f"{entry.sha256}  {entry.path}\n" for entry in making.entries)
    making.write("checksums-sha256.txt", lines.encode(), "For sha256sum -c")


def _stream(making: Making, path: str, what: str, pieces: Iterable[str]) -> None:
    assert making.root is not None
    with MemberStream(making.root, path) as stream:
        for piece in pieces:
            stream.write(piece.encode("utf-8", "backslashreplace"))
    making.described[path] = what
    making.entries.append(stream.entry)


def _schema(name: str) -> bytes:
    import pkgutil

    content = pkgutil.get_data("schemas", f"json/{name}")
    assert content is not None
    return content


def _record(head: Mapping[str, Any], spool: Spool) -> Iterator[str]:
    text = inert_json(json.dumps(head, ensure_ascii=False, indent=1))
    yield text[: text.rindex("\n}")] + ',\n "chips": ['
    comma = "\n"
    for value in spool:
        yield comma + inert_json(json.dumps(value["chip"], ensure_ascii=False, separators=(",", ":")))
        comma = ",\n"
    yield "\n ]\n}\n"


def _premis(head: Mapping[str, Any], spool: Spool) -> Iterator[str]:
    premis = Premis(head)
    yield premis.opening()
    captures: list[tuple[str, str]] = []
    for value in spool:
        yield value["objects"]
        captures += [(key, event) for key, event in value["captures"]]
    for _, event in sorted(captures, key=lambda pair: pair[0]):
        yield event
    for step in STEPS:
        for value in spool:
            yield value["steps"].get(step, "")
    yield from premis.closing()


def _notes(head: Mapping[str, Any], spool: Spool) -> Iterator[str]:
    yield notes.opening(head)
    for value in spool:
        yield notes.chip_notes(value["chip"])


def _report(making: Making, spool: Spool) -> None:
    from pipeline.catalogue import load
    from pipeline.views.report import report_pages

    head, origin = making.head, making.head["released_from"]
    events = [
        {
            "when": date or "not said",
            "what": "capture",
            "detail": f"{count} reading{'s' if count > 1 else ''} by {reader}",
            "agent": reader,
        }
        for (date, reader), count in sorted(making.captures.items())
    ]
    events.append(
        {
            "when": head["created"],
            "what": "information package creation",
            "detail": f"bag {origin['bag']} created",
            "agent": f"wellread {head['software']['version']}",
        }
    )
    events.append(
        {
            "when": origin["when"] if origin["clock_fixed"] else f"{origin['when'][:10]} or later",
            "what": "dissemination",
            "detail": f"public bundle made from {origin['bag']}, which had just passed a recheck",
            "agent": f"wellread {origin['software']['version']}",
        }
    )
    parts = {part.part: part for part in load().parts}
    pages = report_pages(
        {**head, "events": events},
        lambda: (value["chip"] for value in spool),
        making.bag.read,
        public=True,
        with_content=making.public.survey.content,
        parts=parts,
    )
    for name, content in pages:
        making.write(
            f"data/report/{name}", content, "The report" if name == "index.html" else "The report on one chip"
        )

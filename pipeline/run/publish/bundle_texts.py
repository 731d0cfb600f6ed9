"""The texts of a public bundle, all made from the public view alone.

Report, record, PREMIS, README, crate, sums.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from pipeline.bags import record_file
from pipeline.edges.bags.writer import MemberStream
from pipeline.errors import BagError
from pipeline.run.package.spool import Spool
from pipeline.run.publish.bundle_files import Making, PublicChip
from pipeline.to_do import UNSETTLED, ToDo, of_space, worst_first
from pipeline.views import bundle, notes
from pipeline.views.crate import crate
from pipeline.views.premis import STEPS, Premis

if TYPE_CHECKING:
    from pipeline.views.report.head import ReportHead, TimelineEvent
    from schemas.record import RecordHead

SCHEMAS = ("record.schema.json", "finding.schema.json", "bundle-profile.json")


def derived_files(making: Making, spool: Spool) -> None:
    """Step 5: everything that is made from the public view."""
    head, root = making.head, making.root
    assert root is not None
    grades: dict[str, list[str]] = {}
    for one in making.waiting:
        held = one.held_back and one.grade not in UNSETTLED
        grades.setdefault("held back" if held else one.grade, []).append(one.chip)
    waiting = worst_first(making.waiting)
    for space in head["spaces"]:
        if "to_do" in space:
            space["to_do"] = [one.to_json() for one in of_space(space, waiting)]
    _report(making, spool)
    try:
        _stream(
            making,
            record_file.PATH,
            "Everything known, for programs: the public view of the record",
            record_file.file_text(head, (record_file.chip_text(one.chip) for one in _chips(spool))),
        )
    except ValueError as error:
        raise BagError(
            where=making.bag.name,
            problem=f"its record holds what this version may not write on ({str(error).splitlines()[0]})",
            remedy="Release it with the version that wrote it",
        ) from error
    _stream(
        making,
        "metadata/premis.xml",
        "Provenance as PREMIS 3.0, made from the public view",
        _premis(head, spool),
    )
    _stream(making, "metadata/provenance.txt", "Provenance for a person", _notes(head, spool, waiting))
    for name in SCHEMAS:
        making.write(f"metadata/schemas/{name}", _schema(name), "Schema of the documents beside it")
    sums = (bundle.sums_line(one.chip, image) for one in _chips(spool) if (image := one.chip["image"]))
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
        crate(head, list(making.entries), making.described, (one.chip for one in _chips(spool))),
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


def _chips(spool: Spool) -> Iterator[PublicChip]:
    """What was spooled, in order; as often as needed."""
    return (PublicChip(*value) for value in spool)


def _premis(head: RecordHead, spool: Spool) -> Iterator[str]:
    premis = Premis(head)
    yield premis.opening()
    captures: list[tuple[str, str]] = []
    for one in _chips(spool):
        yield one.objects
        captures += [(key, event) for key, event in one.captures]
    for _, event in sorted(captures, key=lambda pair: pair[0]):
        yield event
    for step in STEPS:
        for one in _chips(spool):
            yield one.steps.get(step, "")
    yield from premis.closing()


def _notes(head: RecordHead, spool: Spool, waiting: Sequence[ToDo]) -> Iterator[str]:
    yield notes.opening(head, waiting)
    for one in _chips(spool):
        yield notes.chip_notes(one.chip)


def _report(making: Making, spool: Spool) -> None:
    """The report of the bundle, made from what the public view let through and from nothing else."""
    from pipeline.catalogue import load
    from pipeline.run.package.texts import contents
    from pipeline.views.report import report_pages

    head, origin = making.head, making.origin
    events: list[TimelineEvent] = [
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
    told: ReportHead = {**head, "events": events, "contents": contents(making.entries)}
    pages = report_pages(
        told,
        lambda: (one.chip for one in _chips(spool)),
        making.bag.read,
        public=True,
        with_content=making.public.survey.content,
        parts=parts,
    )
    for name, content in _for_rebuilders(making, spool, pages):
        making.write(
            f"data/report/{name}", content, "The report" if name == "index.html" else "The report on one chip"
        )


def _for_rebuilders(
    making: Making, spool: Spool, pages: Iterable[tuple[str, bytes]]
) -> Iterator[tuple[str, bytes]]:
    """The report's pages with what a rebuilder wants first: files, what stays behind, and a comparison."""
    from pipeline.views.report import SINGLE_PAGE_BELOW, chip_page_name, rebuilding

    content = making.public.survey.content
    found = {
        chip_page_name(one.chip): rebuilding.offered(one.chip, making.bag.read, with_content=content)
        for one in _chips(spool)
    }
    single = len(found) < SINGLE_PAGE_BELOW
    withheld = list(bundle.staying(making.public.withheld))
    for name, page in pages:
        if name == "index.html":
            chips = list(found.values())
            bag = making.head["bag"]
            yield name, rebuilding.first_page(page, chips, withheld, bag, making.bag.read, single=single)
        elif single:
            yield name, page
        else:
            yield name, rebuilding.own_page(page, found[name], making.bag.read)

"""`wellread bench`: the wiring sheet of a part, with the project's well-read chips to try it on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bench.wiring_sheet import KnownChip, bench
from pipeline.catalogue import load
from pipeline.edges.new_file import write_new
from pipeline.edges.project_folder import SHEET_NAME
from pipeline.result import Result
from pipeline.views.bench import bench_document, bench_html, bench_text

if TYPE_CHECKING:
    from schemas.answers import BenchAnswer
    from schemas.record import ChipRecord

GOOD = frozenset(["corroborated", "self-checked"])
"""Grades good enough to try a new reader on."""


def bench_part(
    name: str, *, other: str | None, from_memory: bool, project: Path | None, html: Path | None, quiet: bool
) -> Result[BenchAnswer]:
    """What `bench` says, and the refusal to print pin numbers where there is one.

    Raises:
        PartError: No such part.
        SheetError: The project's sheet has problems, so that nothing is known of its chips.
        DestinationError: The page's file exists.
    """
    catalogue = load()
    known = _known(project, quiet=quiet) if project is not None else None
    made = bench(
        catalogue.find(name),
        other=catalogue.find(other) if other else None,
        from_memory=from_memory,
        known=known,
    )
    if html is not None:
        write_new(html, bench_html(made).encode("utf-8"))
    document: BenchAnswer = {
        "schema": "wellread/bench/1",
        "command": "bench",
        **bench_document(made),
        "page": str(html) if html is not None else None,
    }
    return Result(document, bench_text(made), refusal=made.refusal)


def _known(folder: Path, *, quiet: bool) -> list[KnownChip]:
    """The project's chips whose image is good and whose part is known, by the work that packaging does.

    Raises:
        SheetError: The sheet has problems, so that nothing is known of its chips.
    """
    from pipeline.edges.progress import Progress
    from pipeline.flow import PlannedChip
    from pipeline.run.package.all_chips import look_over
    from pipeline.run.package.open_project import open_project
    from pipeline.stages.sheet import refuse

    project = open_project(folder)
    refuse(project.problems, SHEET_NAME)
    assert project.plan is not None
    progress = Progress(quiet=quiet)

    def good(planned: PlannedChip, record: ChipRecord) -> bool:
        part = planned.part
        return record["grade"] in GOOD and not record.get("held_back") and bool(part and part.address_pins)

    looked = look_over(
        project,
        keep_images=good,
        progress=lambda done, of: progress.show("chips looked at", done, of),
    )
    progress.done()
    refuse(looked.problems, SHEET_NAME)
    return [
        KnownChip(planned.chip.chip, planned.part, looked.images[planned.chip.chip], record["grade"])
        for planned, record in zip(project.plan.chips, looked.records, strict=True)
        if planned.part is not None and planned.chip.chip in looked.images
    ]
